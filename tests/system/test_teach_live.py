"""Teaching a meter through a running station with a person's commands: on virtual radio, in virtual time."""

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from threading import Event
from time import monotonic
from typing import Any

import pytest

from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.link.messages import Command, CommandName
from meterlink.link.teach_line import parse_teach_line
from meterlink.plans import load_plan
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station import teaching
from meterlink.station.capture_files import read_capture
from meterlink.station.profile_files import load_profiles
from meterlink.station.station import Station, StationConfig
from meterlink.teach import teach
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES
from meterlink_simulators.encoders.split_packets import SplitPacketsEncoder
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C0:00:5E:00:53:01"
# Different digits in every place, each range, in an order as on a bench.
READINGS = ("4.703", "1.862", "3.195", "5.278", "2.941", "0.536", "47.03", "18.62", "31.95", "52.78", "29.41", "5.617",
            "470.3", "186.2", "319.5", "529.4")  # fmt: skip

POINTS = load_plan("split-condenser").points
SUPPLY = Plan("test", POINTS[:1])
CAPACITOR = Plan("test", tuple(point for point in POINTS if point.quantity is Quantity.CAPACITANCE)[:1])


def teach_command(meter: str, line: str) -> Command:
    """Return the command of a typed line; an empty line begins."""
    name, arguments = parse_teach_line(line) if line else (CommandName.TEACH, {})
    return {"id": 1, "command": name, "meter": meter} | arguments  # type: ignore[return-value]


class Dial:
    """An instrument that shows ``digits``."""

    name = "Rowan 7"
    rate = 5.0

    def __init__(self) -> None:
        self.digits = "0.000"

    def show(self, _now: float) -> DisplayState:
        return DisplayState(Quantity.CAPACITANCE, Decimal(self.digits), "µF")


class Bench:
    """A station, the meter on the air, and the newest view of each topic."""

    def __init__(self, station: Station, dial: Dial, meter: Peripheral) -> None:
        self.station = station
        self.dial = dial
        self.meter = meter
        self.views: dict[str, Any] = {}
        station.add_listener(lambda message: self.views.__setitem__(message["topic"], message))

    async def send(self, text: str, meter: str = ADDRESS) -> str:
        return await self.station.execute(teach_command(meter, text))

    async def enter(self, digits: str, text: str | None = None) -> str:
        """Set the dial, wait for the display, and type the entry; return the error."""
        self.dial.digits = digits
        await asyncio.sleep(1.5)
        error = await self.send(f"{digits} uF" if text is None else text)
        await asyncio.sleep(1.0)
        return error

    @property
    def teach(self) -> Any:
        return self.views["teach"]

    @property
    def state(self) -> str:
        (meter,) = self.views["meters"]["meters"]
        return str(meter["state"])


SERVICE, HEARS = (f"a1b2c3d4-0000-4000-8000-00000000000{n}" for n in range(2))


class Shy:
    """A meter's encoder that only sends for 3 s after each write; with ``read``, one that must be polled."""

    def __init__(self, inner: Any, *, read: bool = False) -> None:
        self._inner = inner
        self._read = read
        self._until = float("inf") if read else 0.0

    def services(self) -> list[tuple[str, list[CharacteristicDefinition]]]:
        hears = CharacteristicDefinition(HEARS, HEARS, frozenset({"write-without-response"}), on_write=self._hear)
        services = self._inner.services()
        if self._read:
            services = [
                (uuid, [replace(definition, properties=frozenset({"read"})) for definition in definitions])
                for uuid, definitions in services
            ]
        return [*services, (SERVICE, [hears])]

    def _hear(self, _data: bytes) -> None:
        self._until = asyncio.get_running_loop().time() + 3

    def encode(self, shown: DisplayState) -> list[tuple[str, bytes]]:
        return self._inner.encode(shown) if asyncio.get_running_loop().time() < self._until else []


def run(
    folder: Path,
    body: Callable[[Bench], Awaitable[None]],
    *,
    bound: bool = True,
    plan: Plan = SUPPLY,
    around: Callable[[Any], Any] = lambda encoder: encoder,
) -> None:
    stations: list[Station] = []

    async def on_air() -> None:
        async with Air() as air:
            dial = Dial()
            meter = await air.add_meter(dial, encoder=around(ENCODER_FAMILIES["counted"](1)), address=ADDRESS)
            config = StationConfig(
                folder,
                Settings("bench"),
                Site("yard", "unit"),
                plan,
                "boot",
                meters=(Meter(ADDRESS, ""),) if bound else (),
                serve=False,
                clock=VirtualClock(),
                scanner_backend=air.scanner_backend,
                client_backend=air.client_backend,
            )
            stations.append(Station(config))
            bench = Bench(stations[-1], dial, meter)
            task = asyncio.create_task(bench.station.run())
            await asyncio.sleep(15)
            try:
                await body(bench)
            finally:
                bench.station.stop()
                await task

    run_in_virtual_time(on_air(), busy=lambda: any(station.busy for station in stations))


async def taught_and_read(bench: Bench) -> None:
    """Enter every reading, write the profile, and check that the meter is decoded with it."""
    for digits in READINGS:
        assert await bench.enter(digits) == ""
    assert bench.teach["has_profile"], bench.teach
    assert await bench.send("done") == ""
    bench.dial.digits = "44.12"
    await asyncio.sleep(30)
    assert bench.views["live"]["text"] == "44.12 µF"


def kept(folder: Path) -> list[tuple[str, str]]:
    connection = sqlite3.connect(f"file:{folder / DATABASE_FILE}?mode=ro", uri=True)
    try:
        return connection.execute("SELECT digits, unit FROM readings ORDER BY id").fetchall()
    finally:
        connection.close()


@pytest.mark.parametrize("bound", [True, False], ids=["unusable", "stranger"])
def test_a_meter_that_no_driver_fits_is_taught_and_then_decoded(tmp_path: Path, bound: bool) -> None:
    async def body(bench: Bench) -> None:
        if bound:
            assert bench.state == "unusable"
        assert await bench.send("") == ""
        assert await bench.send("") == ""  # a second time changes nothing
        await asyncio.sleep(10)
        assert bench.teach["meter"] == ADDRESS
        assert bench.teach["packets"] > 0
        assert bench.teach["suggested_reading"].startswith("Show any reading")
        assert "There is no profile yet" in await bench.send("done")
        assert "banana" in await bench.enter("4.703", "banana")
        assert bench.teach["entries"] == []
        for number, digits in enumerate(READINGS, 1):
            assert await bench.enter(digits) == ""
            assert bench.teach["progress"].startswith(f"{number} of about ")
        assert not bench.teach["analyzing"]
        assert bench.teach["progress"].startswith("16 of about 16; ")
        assert bench.teach["suggested_reading"].startswith("No further reading is needed: type done.")
        assert bench.teach["has_profile"], bench.teach
        assert [function["function"] for function in bench.teach["functions"]] == ["capacitance"]
        assert kept(tmp_path) == []  # no reading before the profile is written
        assert await bench.send("done") == ""
        assert bench.teach["profile_path"] == str(tmp_path / "profiles" / "rowan-7.toml")
        bench.dial.digits = "44.12"
        await asyncio.sleep(30)
        assert bench.state == "connected"
        assert bench.views["live"]["text"] == "44.12 µF"

    run(tmp_path, body, bound=bound)
    profiles, failures = load_profiles(tmp_path / "profiles")
    assert ([profile.name for profile in profiles], failures) == (["rowan-7"], ())
    assert ("44.12", "µF") in kept(tmp_path)

    async def after_a_restart(bench: Bench) -> None:
        bench.dial.digits = "43.07"
        await asyncio.sleep(10)
        assert bench.views["live"]["text"] == "43.07 µF"

    if bound:
        run(tmp_path, after_a_restart)


def test_a_meter_that_needs_writes_is_taught_with_its_writes(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        await bench.send("")
        await asyncio.sleep(10)
        assert "No packet arrived" in await bench.enter("4.703")
        assert "is not UUID=HEX" in await bench.send("write nonsense")
        assert await bench.send("write fff2=a501") == ""  # the meter does not have it
        await asyncio.sleep(10)
        assert "This meter has no 0000fff2" in bench.teach["suggested_reading"]
        assert await bench.send("write") == ""
        assert await bench.send(f"write {HEARS}=a501@2") == ""
        await asyncio.sleep(10)
        await taught_and_read(bench)

    run(tmp_path, body, around=Shy)
    ((profile,), _) = load_profiles(tmp_path / "profiles")
    assert [(write.to, write.data, write.every) for write in profile.connection.writes] == [(HEARS, b"\xa5\x01", 2.0)]
    # The kept capture gives the same profile again.
    again = teach(read_capture(tmp_path / "profiles" / "rowan-7.jsonl"), "rowan-7")
    assert again.profile == profile


def test_a_meter_with_the_range_on_a_characteristic_of_its_own_is_taught_and_settles(tmp_path: Path) -> None:
    encoder = SplitPacketsEncoder(2)
    assert len(encoder.services()[0][1]) == 2
    assert encoder.sends_range_first  # a reading waits for the next range
    later = ("44.12", "3.805", "251.6", "19.07")  # each has digits of its own, so that a wrong range shows

    async def body(bench: Bench) -> None:
        await bench.send("")
        await asyncio.sleep(10)
        await taught_and_read(bench)
        for digits in later:
            bench.dial.digits = digits
            await asyncio.sleep(10)
            assert bench.views["live"]["text"] == f"{digits} µF"
        assert bench.views["visit"]["points"][0]["accepted"]["text"] == f"{later[0]} µF"  # the first to settle

    run(tmp_path, body, plan=CAPACITOR, around=lambda _: encoder)
    # None has the digits of one display and the range of another.
    assert set(kept(tmp_path)) == {(digits, "µF") for digits in later}


def test_a_profile_is_written_even_if_its_capture_cannot_be_kept(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "rowan-7.jsonl").write_text("somebody's own\n")

    async def body(bench: Bench) -> None:
        await bench.send("")
        await asyncio.sleep(10)
        for digits in READINGS:
            await bench.enter(digits)
        assert await bench.send("done") == ""

    run(tmp_path, body)
    assert [profile.name for profile in load_profiles(tmp_path / "profiles")[0]] == ["rowan-7"]
    assert (tmp_path / "profiles" / "rowan-7.jsonl").read_text() == "somebody's own\n"


def test_a_polled_meter_is_taught(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        await bench.send("")
        await asyncio.sleep(10)
        assert "sends no notifications" in bench.teach["suggested_reading"]
        (channel,) = {definitions[0].uuid for _, definitions in ENCODER_FAMILIES["counted"](1).services()}
        assert await bench.send(f"read {channel}=0.2") == ""
        await asyncio.sleep(10)
        await taught_and_read(bench)

    run(tmp_path, body, around=lambda encoder: Shy(encoder, read=True))


def test_a_contradicting_entry_is_named_and_can_be_removed(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        await bench.send("")
        await asyncio.sleep(10)
        for digits in READINGS[:8]:
            await bench.enter(digits)
        await bench.enter("5.617", "2.222 uF")
        for digits in READINGS[8:]:
            await bench.enter(digits)
        assert not bench.teach["has_profile"]
        (wrong,) = [entry for entry in bench.teach["entries"] if entry["problem"]]
        assert wrong["text"] == "2.222 uF"
        assert wrong["problem"].startswith("contradicts the others: the other entries make it")
        assert "1 entry to check" in bench.teach["progress"]
        assert bench.teach["suggested_reading"].startswith("Check entry 9, 2.222 uF: it contradicts the others")
        assert bench.teach["suggested_reading"].endswith("To remove it, type drop 9.")
        assert "There is no entry 99" in await bench.send("drop 99")
        assert "'last' is no list of entries" in await bench.send("drop last")
        assert "'2.222 uF' is no list of entries" in await bench.send("drop 2.222 uF")
        assert await bench.send("drop 9") == ""
        await asyncio.sleep(1)
        assert bench.teach["has_profile"]

    run(tmp_path, body)


def test_stopping_restores_the_former_state(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        assert "is not being taught" in await bench.send("4.7 uF")
        await bench.send("")
        await asyncio.sleep(10)
        bench.meter.set_muted(True)
        await asyncio.sleep(3)
        assert "No packet arrived" in await bench.enter("4.703")
        # The sheet says so before anybody types in vain.
        assert bench.teach["suggested_reading"].startswith("No packets arrive now")
        assert "Wake the meter" in bench.teach["suggested_reading"]
        bench.meter.set_muted(False)
        await asyncio.sleep(20)
        assert bench.teach["suggested_reading"].startswith("Show any reading")
        assert await bench.send("4.703 uF") == ""  # typed at once
        assert "There is no entry 2" in await bench.send("drop 1 2")
        assert "is no list of entries" in await bench.station.execute(
            {"id": 1, "command": CommandName.TEACH_DROP, "meter": ADDRESS, "text": "1 x"}
        )
        await asyncio.sleep(1)
        assert len(bench.teach["entries"]) == 1
        assert await bench.send("drop 1") == ""
        assert await bench.send("stop") == ""
        assert bench.teach["meter"] == ""
        await asyncio.sleep(20)
        assert bench.state == "unusable"
        assert "was not heard" in await bench.send("", "C0:00:5E:00:53:99")

    run(tmp_path, body)
    assert not (tmp_path / "profiles").exists()


@pytest.mark.parametrize("end", ["stop", "end of the station"])
def test_a_stop_ends_an_analysis_that_takes_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: str) -> None:
    # Half a minute of a search holds up neither the technician nor the end of the program.
    begun, ended = Event(), Event()

    def search(_capture: Any, _name: str, _before: Any, is_stopped: Callable[[], bool]) -> Any:
        begun.set()
        began = monotonic()
        while not is_stopped():
            assert monotonic() < began + 60, "nothing stopped the search"
        ended.set()
        raise InputError("stopped", "")

    monkeypatch.setattr(teaching, "_analyze_capture", search)

    async def body(bench: Bench) -> None:
        await bench.send("")
        await asyncio.sleep(10)
        await bench.send("4.703 uF")
        assert await asyncio.to_thread(begun.wait, 60)
        if end == "stop":
            assert await bench.send("stop") == ""
            assert ended.wait(60)

    run(tmp_path, body)
    assert ended.wait(60)


def test_a_faulty_meter_does_not_fill_the_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(teaching, "_MAX_PACKETS", 150)

    async def body(bench: Bench) -> None:
        await bench.send("")
        await asyncio.sleep(10)
        for digits in READINGS[:4]:
            await bench.enter(digits)
        await asyncio.sleep(120)
        session = bench.station._teaching._session
        assert session.packet_count > 600
        assert len(session.packets) <= 150
        assert not session.full
        for entry in session.entries:  # their packets are kept
            assert any(entry.begin <= packet.seconds <= entry.end for packet in session.packets)

    run(tmp_path, body)
