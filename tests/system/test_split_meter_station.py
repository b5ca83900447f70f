"""A station and a meter that sends the number on one characteristic and its range on another, over the virtual link."""

import asyncio
import sqlite3
from decimal import Decimal
from pathlib import Path

from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.units import Quantity
from meterlink.plans import load_plan
from meterlink.profiles import parse_profile
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C0:00:5E:00:53:02"
SERVICE, NUMBERS, RANGES = (f"a1b2c3d5-0000-4000-8000-00000000000{n}" for n in range(3))
PROFILE = f"""\
profile = 1
name = "siskin"
driver = "framed"
[match]
name = "SISKIN*"
[connection]
notify = ["{NUMBERS}", "{RANGES}"]
[frame]
pause = 0.12
rest = 0.4
[[frame.part]]
length = 3
[[frame.part]]
length = 2
channel = 1
[value]
type = "uint"
at = 1
size = 2
[[code]]
at = 4
[code.is]
1 = {{ unit = "µF", places = 1 }}
2 = {{ unit = "µF", places = 2 }}
"""


class TwoCapacitors:
    """A display with a large capacitor for some seconds, then a small one: the same digits, another range."""

    name = "Siskin 4"
    rate = 4.0

    def show(self, now: float) -> DisplayState:
        return DisplayState(Quantity.CAPACITANCE, Decimal("44.1" if now % 20 < 10 else "4.41"), "µF")


class Siskin:
    """Sends the digits, then the range; every seventh range and every tenth number is not sent."""

    def __init__(self) -> None:
        self.sent = 0

    def services(self) -> list[tuple[str, list[CharacteristicDefinition]]]:
        notify = frozenset({"notify"})
        return [(SERVICE, [CharacteristicDefinition(uuid, uuid, notify) for uuid in (NUMBERS, RANGES)])]

    def encode(self, shown: DisplayState) -> list[tuple[str, bytes]]:
        assert shown.digits is not None
        self.sent += 1
        places = len(f"{shown.digits:f}".partition(".")[2])
        number = (NUMBERS, b"\x4e" + int(shown.digits.scaleb(places)).to_bytes(2, "little"))
        return [number] * bool(self.sent % 10) + [(RANGES, bytes([0x52, places]))] * bool(self.sent % 7)


def test_a_station_reads_both_characteristics_and_never_mixes_two_ranges(tmp_path: Path) -> None:
    # 44.1 µF with the range of 4.41 µF condemns a good part. Common practice, no source.
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "siskin.toml").write_text(PROFILE, encoding="utf-8")
    parse_profile(PROFILE, "siskin.toml")
    points = [point for point in load_plan("split-condenser").points if point.quantity is Quantity.CAPACITANCE]
    stations: list[Station] = []
    meter = Siskin()

    async def body() -> None:
        async with Air() as air:
            await air.add_meter(TwoCapacitors(), encoder=meter, address=ADDRESS)
            config = StationConfig(
                tmp_path, Settings("test"), Site("yard", "unit"), Plan("test", tuple(points[:1])), "boot",
                meters=(Meter(ADDRESS, ""),), serve=False, clock=VirtualClock(),
                scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            stations.append(Station(config))
            task = asyncio.create_task(stations[0].run())
            await asyncio.sleep(60)
            stations[0].stop()
            await task

    run_in_virtual_time(body(), busy=lambda: any(station.busy for station in stations))
    connection = sqlite3.connect(f"file:{tmp_path / DATABASE_FILE}?mode=ro", uri=True)
    try:
        rows = connection.execute("SELECT digits, unit FROM readings").fetchall()
    finally:
        connection.close()
    assert {(Decimal(digits), unit) for digits, unit in rows} == {(Decimal("44.1"), "µF"), (Decimal("4.41"), "µF")}
    assert len(rows) > meter.sent / 2
