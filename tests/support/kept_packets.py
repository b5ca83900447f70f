"""A visit whose readings were decoded with a profile: their packets are kept, and the profile can be corrected."""

from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter, Site
from meterlink.core.errors import PlanError
from meterlink.core.readings import Reading
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.plans import check_plan
from meterlink.profiles import compile_profile, open_profile_driver, parse_profile
from meterlink.settings import DATABASE_FILE
from meterlink.station.decoding_again import open_decoder
from meterlink.station.drivers import profile_identity
from meterlink.station.profile_files import PROFILES_FOLDER
from meterlink.store.rows import AcceptedRow, Batch, CorrectionRow, NewConnection, ReadingRow, UnitLeft, VisitDetails
from meterlink.store.writer import Writer
from support.recorded_visits import OUTER_TIMEOUT, ManualClock

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
METER = Meter("00:00:5E:00:53:77", "yard meter", "framed:yard")
SITE = Site("Mill Lane bakery", "condenser east")
SECOND = 1_000_000_000
BEGUN = 1_784_041_200 * SECOND  # 2026-07-14T15:00:00Z
HERM, VOLTS = "herm", "volts"
PLAN = """\
name = "Condenser"
[[point]]
key = "herm"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
rated = "45 uF"
tolerance = "6 %"
[[point]]
key = "volts"
circuit = "supply"
component = "line"
terminals = ["L1", "L2"]
quantity = "voltage"
coupling = "AC"
state = "energized"
kind = "range"
low = "216 V"
high = "264 V"
"""

# Byte 1 is the function: 1 capacitance, 2 voltage; bytes 2 and 3 are the number; the last is the sum.
RIGHT = f"""\
profile = 1
name = "yard"
driver = "framed"
[connection]
notify = "{CHANNEL}"
[frame]
start = "a5"
length = 5
[[frame.checksum]]
kind = "sum"
[value]
type = "uint"
at = 2
size = 2
order = "big"
[[code]]
at = 1
[code.is]
1 = {{ unit = "µF", places = 1 }}
2 = {{ unit = "V", coupling = "AC", places = 1 }}
"""
# A slip in one entry: 45.3 µF was typed as 4.53 µF.
WRONG = RIGHT.replace('"µF", places = 1', '"µF", places = 2')


def packet_of(function: int, counts: int) -> bytes:
    """Return the packet of a display."""
    body = bytes([0xA5, function, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


class KeptPackets:
    """A station's folder with a visit of a meter that `WRONG` decodes; `close` closes the database."""

    def __init__(self, folder: Path, profile: str = WRONG) -> None:
        self.folder = folder
        self.step = SECOND  # between two packets
        self.clock = ManualClock()
        self.clock.utc_ns = BEGUN
        self.writer = Writer(
            folder / DATABASE_FILE, station="van-3", clock=self.clock, boot_id="b", on_alarm=self._raise_alarm
        )
        self.writer.start()
        self.correct(profile)
        self._driver = open_profile_driver(parse_profile(profile, "yard.toml"), [CHANNEL])
        self.plan = plan = check_plan(PLAN).require("plan", PlanError)
        self.points = {point.key: point for point in plan.points}
        details = VisitDetails(PLAN, "Alex Quill", "J-1047")
        self.ids = self.writer.open_visit(SITE, plan, self.now(), details).result(OUTER_TIMEOUT)
        meter = self.writer.register_meter(METER).result(OUTER_TIMEOUT)
        identity = profile_identity(self._driver)
        self._connection = self.writer.open_connection(NewConnection(meter, self.now(), METER.driver, *identity))

    def correct(self, profile: str) -> None:
        """Save a profile in the folder of the station."""
        self.save(self.folder, profile)

    @staticmethod
    def save(folder: Path, profile: str) -> None:
        """Save a profile in the folder of a station."""
        (folder / PROFILES_FOLDER).mkdir(exist_ok=True)
        (folder / PROFILES_FOLDER / "yard.toml").write_text(profile, encoding="utf-8")

    def now(self) -> Timestamp:
        """Return the present moment, after one more step of time."""
        self.clock.utc_ns += self.step
        return self.clock.now()

    def decode(self, packet: bytes) -> Reading:
        """Return the reading that the first profile makes of a packet."""
        (reading,) = self._driver.feed(CHANNEL, packet, self.now())
        return reading

    def keep(self, packet: bytes) -> None:
        """Keep a raw reading."""
        row = ReadingRow(self.decode(packet), self._connection, self.ids.visit_id, None, clock_set=True)
        self.writer.submit(Batch(readings=(row,))).result(OUTER_TIMEOUT)

    def accept(self, key: str, packet: bytes, uid: str) -> None:
        """Accept the reading of a packet at a test point."""
        reading, point = self.decode(packet), self.points[key]
        judgement = judge(point.kind, limits_for(point), MeasuredValue.from_reading(reading))
        row = ReadingRow(reading, self._connection, self.ids.visit_id, self.ids.point_ids[key], clock_set=True)
        self.writer.submit(Batch(accepted=(AcceptedRow(row, judgement, 1.5, uid),))).result(OUTER_TIMEOUT)

    def correct_reading(self, key: str, packet: bytes, uid: str, technician: str = "") -> None:
        """Record that the packet of an accepted reading was decoded again by `RIGHT`."""
        decoded = open_decoder(compile_profile(parse_profile(RIGHT, "yard.toml")))(self.decode(packet))
        assert decoded is not None
        point = self.points[key]
        judgement = judge(point.kind, limits_for(point), MeasuredValue.from_reading(decoded))
        row = CorrectionRow(uid, decoded, judgement, METER.driver, "yard", "ab" * 32, technician)
        self.now()
        self.writer.submit(Batch(corrections=(row,))).result(OUTER_TIMEOUT)

    def finish(self) -> None:
        """Close the visit, which is sealed with it."""
        left = UnitLeft(power_on=True, covers_on=True)
        self.writer.close_visit(self.ids.visit_id, self.now(), "no fault found", left).result(OUTER_TIMEOUT)

    def close(self) -> None:
        """Close the database."""
        self.writer.close()

    @staticmethod
    def _raise_alarm(text: str) -> None:
        if text:
            raise AssertionError(text)
