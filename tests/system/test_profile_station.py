"""A station whose meters have profiles in its data folder: writes, readings, names."""

import asyncio
import hashlib
import logging
import sqlite3
from collections.abc import Awaitable, Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.errors import SettingsError
from meterlink.core.units import Quantity
from meterlink.link.messages import CommandName
from meterlink.plans import load_plan
from meterlink.profiles import compile_profile, parse_profile, write_profile
from meterlink.settings import DATABASE_FILE, Settings, load_settings
from meterlink.station.drivers import factory_identity
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C0:00:5E:00:53:01"
SERVICE, SPEAKS, HEARS = (f"a1b2c3d4-0000-4000-8000-00000000000{n}" for n in range(3))
PROFILE = f"""\
profile = 1
name = "rowan"
driver = "framed"
[match]
name = "ROWAN*"
[connection]
notify = "{SPEAKS}"
[[connection.write]]
to = "{HEARS}"
hex = "01 aa"
[[connection.write]]
to = "{HEARS}"
hex = "02"
every = 2
response = true
[frame]
start = "b4"
length = 5
[[frame.checksum]]
kind = "xor"
[value]
type = "int"
at = 2
size = 2
[[code]]
at = 1
[code.is]
7 = {{ unit = "µF", places = 2 }}
"""


class Capacitor:
    name = "Rowan 7"
    rate = 4.0

    def show(self, _now: float) -> DisplayState:
        return DisplayState(Quantity.CAPACITANCE, Decimal("44.10"), "µF")


class Rowan:
    """The encoder of a meter that sends packets for 3 s after each write, its frames in two pieces."""

    def __init__(self, altered_until: float = 0.0, flag: int = 0x80) -> None:
        self.written: list[bytes] = []
        self._until = 0.0
        self._altered_until = altered_until
        self._flag = flag

    def services(self) -> list[tuple[str, list[CharacteristicDefinition]]]:
        hears = CharacteristicDefinition(
            HEARS, HEARS, frozenset({"write", "write-without-response"}), on_write=self._hear
        )
        return [(SERVICE, [CharacteristicDefinition(SPEAKS, SPEAKS, frozenset({"notify"})), hears])]

    def _hear(self, data: bytes) -> None:
        self.written.append(data)
        self._until = asyncio.get_running_loop().time() + 3

    def encode(self, shown: DisplayState) -> list[tuple[str, bytes]]:
        assert shown.digits is not None
        if asyncio.get_running_loop().time() > self._until:
            return []
        altered = self._flag if asyncio.get_running_loop().time() < self._altered_until else 0
        frame = bytes([0xB4, 0x07 | altered]) + int(shown.digits * 100).to_bytes(2, "little")
        checksum = 0
        for byte in frame:
            checksum ^= byte
        return [(SPEAKS, frame[:2]), (SPEAKS, frame[2:] + bytes([checksum]))]


def run_station(
    folder: Path,
    settings: Settings,
    seconds: float,
    meter: Rowan | None = None,
    during: Callable[[Station], Awaitable[None]] | None = None,
) -> Rowan:
    meter = meter or Rowan()
    stations: list[Station] = []
    points = [point for point in load_plan("split-condenser").points if point.quantity is Quantity.CAPACITANCE]
    plan = Plan("test", tuple(points[:1]))

    async def body() -> None:
        async with Air() as air:
            await air.add_meter(Capacitor(), encoder=meter, address=ADDRESS)
            config = StationConfig(
                folder, settings, Site("yard", "unit"), plan, "boot", meters=(Meter(ADDRESS, ""),), serve=False,
                clock=VirtualClock(), scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            stations.append(Station(config))
            task = asyncio.create_task(stations[0].run())
            if during is not None:
                await during(stations[0])
            await asyncio.sleep(seconds)
            stations[0].stop()
            await task

    run_in_virtual_time(body(), busy=lambda: any(station.busy for station in stations))
    return meter


def readings(folder: Path) -> list[tuple[str, str]]:
    connection = sqlite3.connect(f"file:{folder / DATABASE_FILE}?mode=ro", uri=True)
    try:
        return connection.execute("SELECT digits, unit FROM readings ORDER BY id").fetchall()
    finally:
        connection.close()


def test_a_profile_in_the_data_folder_reads_its_meter(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "rowan.toml").write_text(PROFILE, encoding="utf-8")
    (tmp_path / "profiles" / "broken.toml").write_text(PROFILE.replace("size = 2", "size = 20"), encoding="utf-8")
    with caplog.at_level(logging.WARNING):
        meter = run_station(tmp_path, Settings("test"), 12.0)
    assert set(readings(tmp_path)) == {("44.10", "µF")}
    connection = sqlite3.connect(tmp_path / DATABASE_FILE)
    profile = parse_profile(PROFILE, "p")
    expected_hash = hashlib.sha256(write_profile(profile).encode()).hexdigest()
    assert connection.execute("SELECT DISTINCT driver, profile, profile_hash FROM readings").fetchall() == [
        (compile_profile(profile).name, profile.name, expected_hash)
    ]
    connection.close()
    assert len(readings(tmp_path)) > 20  # the meter did not stop sending
    assert meter.written[:2] == [b"\x01\xaa", b"\x02"]
    assert set(meter.written[2:]) == {b"\x02"}
    assert len(meter.written) >= 5
    (warning,) = (record.getMessage() for record in caplog.records if "left out" in record.getMessage())
    assert "broken.toml:24:1: value.size: int has at most 8 bytes, not 20" in warning


def test_the_settings_may_name_the_profile_of_a_meter(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "rowan.toml").write_text(PROFILE.replace('name = "ROWAN*"', ""), encoding="utf-8")
    (tmp_path / "settings.toml").write_text(
        f'[[meter]]\naddress = "{ADDRESS.lower()}"\nprofile = "rowan"\n', encoding="utf-8"
    )
    run_station(tmp_path, load_settings(tmp_path), 5.0)
    assert set(readings(tmp_path)) == {("44.10", "µF")}


def test_without_match_or_settings_no_profile_is_chosen(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "rowan.toml").write_text(PROFILE.replace('name = "ROWAN*"', ""), encoding="utf-8")
    assert run_station(tmp_path, Settings("test"), 5.0).written == []
    assert readings(tmp_path) == []


def test_a_missing_profile_in_the_settings_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(f'[[meter]]\naddress = "{ADDRESS}"\nprofile = "elm"\n', encoding="utf-8")
    with pytest.raises(SettingsError, match=r"\[\[meter\]\] C0:00:5E:00:53:01: there is no valid profile 'elm'"):
        run_station(tmp_path, load_settings(tmp_path), 5.0)


@pytest.mark.parametrize(
    ("flag", "column", "advice"),
    [
        ("hold", "display_hold", "Rowan 7 is on hold and shows an old reading"),
        ("relative", "relative", "Rowan 7 shows a difference (relative)"),
    ],
)
def test_a_frozen_or_relative_display_is_kept_and_never_judged(
    tmp_path: Path, flag: str, column: str, advice: str
) -> None:
    profile = PROFILE.replace("at = 1\n[code.is]", 'bits = ["1.6-0"]\n[code.is]')
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "rowan.toml").write_text(f'{profile}[annunciators]\n"1.7" = {{ flag = "{flag}" }}\n')
    seen: list[tuple[str, str, int, str]] = []

    async def during(station: Station) -> None:
        views: dict[str, Any] = {}
        station.add_listener(lambda message: views.update({message["topic"]: message}))
        await asyncio.sleep(20.0)
        assert not await station.execute(
            {"id": 1, "command": CommandName.SET_RATING, "point": "run-capacitor-herm", "text": "45 uF"}
        )
        await asyncio.sleep(1.0)
        visit, live = views["visit"], views["live"]
        count = sum(point["accepted"] is not None for point in visit["points"])
        seen.append(
            (
                live["phase"],
                live["display_mode"],
                count,
                await station.execute({"id": 1, "command": CommandName.ACCEPT}),
            )
        )
        assert visit["advice"].startswith(advice)

    run_station(tmp_path, Settings("test"), 20.0, Rowan(altered_until=25.0), during)
    assert seen == [("idle", flag, 0, f"{advice}. Switch that mode off on the meter, and measure again.")]
    connection = sqlite3.connect(f"file:{tmp_path / DATABASE_FILE}?mode=ro", uri=True)
    try:
        accepted = connection.execute(
            f"SELECT {column}, digits FROM accepted_readings"  # noqa: S608
        ).fetchall()
        (altered,) = connection.execute(f"SELECT count(*) FROM readings WHERE {column} = 1").fetchone()  # noqa: S608
    finally:
        connection.close()
    assert accepted == [(0, "44.10")]  # after the display showed the value at the probes again
    assert altered > 40


def test_profiles_saved_while_the_station_runs_are_loaded(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    views: dict[str, Any] = {}
    folder = tmp_path / "profiles"
    seen = []

    async def during(station: Station) -> None:
        station.add_listener(lambda message: views.update({message["topic"]: message}))

        async def record_state(seconds: float) -> None:
            await asyncio.sleep(seconds)
            (meter,) = views["meters"]["meters"]
            seen.append((meter["state"], views["live"]["text"] if "live" in views else ""))

        await record_state(15.0)
        folder.mkdir()
        (folder / "rowan.toml").write_text(PROFILE, encoding="utf-8")
        await record_state(15.0)
        (folder / "rowan.toml").write_text(PROFILE.replace("places = 2", "places = 1"), encoding="utf-8")
        await record_state(15.0)
        # A half-saved profile: the former version stays in use.
        (folder / "rowan.toml").write_text(PROFILE.replace("size = 2", "size = 20"), encoding="utf-8")
        await record_state(15.0)
        (folder / "rowan.toml").unlink()
        await record_state(15.0)

    with caplog.at_level(logging.WARNING):
        run_station(tmp_path, Settings("test"), 1.0, during=during)
    assert seen == [
        ("unusable", ""), ("connected", "44.10 µF"), ("connected", "441.0 µF"), ("connected", "441.0 µF"),
        ("unusable", "441.0 µF"),
    ]  # fmt: skip
    warnings = [record.getMessage() for record in caplog.records if "left out" in record.getMessage()]
    assert len(warnings) == 1
    assert "rowan.toml:24:1: value.size: int has at most 8 bytes, not 20" in warnings[0]


def test_a_profile_named_in_the_settings_is_reloaded_when_it_changes(tmp_path: Path) -> None:
    folder = tmp_path / "profiles"
    folder.mkdir()
    nameless = PROFILE.replace('name = "ROWAN*"', "")
    (folder / "rowan.toml").write_text(nameless, encoding="utf-8")
    (tmp_path / "settings.toml").write_text(f'[[meter]]\naddress = "{ADDRESS}"\nprofile = "rowan"\n', encoding="utf-8")

    async def during(_station: Station) -> None:
        await asyncio.sleep(10.0)
        (folder / "rowan.toml").write_text(nameless.replace("places = 2", "places = 1"), encoding="utf-8")

    run_station(tmp_path, load_settings(tmp_path), 15.0, during=during)
    assert set(readings(tmp_path)) == {("44.10", "µF"), ("441.0", "µF")}


def test_a_corrected_profile_corrects_the_readings_of_the_wrong_one(tmp_path: Path) -> None:
    # The point was taught one place too far to the left. The frames come in two packets each, and are kept whole.
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    (profiles / "rowan.toml").write_text(PROFILE.replace("places = 2", "places = 3"), encoding="utf-8")
    results = []

    version = factory_identity(compile_profile(parse_profile(PROFILE, "rowan.toml")))[1]
    command: Any = {
        "id": 1, "command": CommandName.DECODE_AGAIN, "meter": ADDRESS, "since_utc_ns": 0, "text": version,
    }  # fmt: skip

    async def correct(station: Station) -> None:
        await station.started.wait()
        while not Reader(tmp_path / DATABASE_FILE).history():  # noqa: ASYNC110  # the record has no event
            await asyncio.sleep(1)
        assert Reader(tmp_path / DATABASE_FILE).history()[0].reading.text == "4.410 µF"
        results.append(await station.result_of(command))  # the station has the wrong one
        (profiles / "rowan.toml").write_text(PROFILE, encoding="utf-8")
        await asyncio.sleep(3)  # now it has read the file
        results.append(await station.result_of(command))

    run_station(tmp_path, Settings("test"), 1, during=correct)
    early, late = results
    assert "with another version of framed:rowan" in early.error
    assert (late.error, late.data) == ("", {"corrected": 1, "noted": 0})
    first, *_ = Reader(tmp_path / DATABASE_FILE).history()
    assert first.reading.text == "44.10 µF"
    assert first.correction is not None
    assert first.correction.accepted_as == "4.410 µF"
    texts = set(readings(tmp_path))
    assert texts == {("4.410", "µF"), ("44.10", "µF")}, "raw readings stay as they were decoded"
