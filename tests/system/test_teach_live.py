"""Teaching a meter through a running station, as a person would: on virtual radio, in virtual time."""

import asyncio
import sqlite3
from collections.abc import Awaitable, Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.capture.capture_file import read_capture
from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.units import Quantity
from meterlink.plans import load_plan
from meterlink.profiles import load_profiles
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station import teaching
from meterlink.station.station import Station, StationConfig
from meterlink.teach import teach
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C0:00:5E:00:53:01"
# Different digits in every place, each range, and what a hand on the bench would come to.
READINGS = ("4.703", "1.862", "3.195", "5.278", "2.941", "0.536", "47.03", "18.62", "31.95", "52.78", "29.41", "5.617",
            "470.3", "186.2", "319.5", "529.4")  # fmt: skip


class Dial:
    """An instrument that shows what it is set to."""

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

    async def say(self, text: str, meter: str = ADDRESS) -> str:
        return await self.station.execute({"id": 1, "command": "teach", "meter": meter, "text": text})

    async def show(self, digits: str, text: str | None = None) -> str:
        """Set the dial, wait until the display stands still, and type what it shows."""
        self.dial.digits = digits
        await asyncio.sleep(1.5)
        error = await self.say(f"{digits} uF" if text is None else text)
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
    """Another meter's encoder, which falls silent 3 s after it was last told to speak; or is only ever read."""

    def __init__(self, other: Any, *, read: bool = False) -> None:
        self._other = other
        self._read = read
        self._until = float("inf") if read else 0.0

    def services(self) -> list[tuple[str, list[CharacteristicDefinition]]]:
        hears = CharacteristicDefinition(HEARS, HEARS, frozenset({"write-without-response"}), on_write=self._hear)
        own = self._other.services()
        if self._read:
            own = [
                (uuid, [replace(one, properties=frozenset({"read"})) for one in characteristics])
                for uuid, characteristics in own
            ]
        return [*own, (SERVICE, [hears])]

    def _hear(self, _data: bytes) -> None:
        self._until = asyncio.get_running_loop().time() + 3

    def encode(self, shown: DisplayState) -> list[tuple[str, bytes]]:
        return self._other.encode(shown) if asyncio.get_running_loop().time() < self._until else []


def run(
    folder: Path,
    body: Callable[[Bench], Awaitable[None]],
    *,
    bound: bool = True,
    family: str = "counted",
    around: Callable[[Any], Any] = lambda encoder: encoder,
) -> None:
    plan = Plan("test", load_plan("split-condenser").points[:1])
    stations: list[Station] = []

    async def on_air() -> None:
        async with Air() as air:
            dial = Dial()
            meter = await air.add_meter(dial, encoder=around(ENCODER_FAMILIES[family](1)), address=ADDRESS)
            orders = StationConfig(
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
            stations.append(Station(orders))
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
    """Label every reading, be done, and see the meter read by what was taught."""
    for digits in READINGS:
        assert await bench.show(digits) == ""
    assert bench.teach["accepted"], bench.teach
    assert await bench.say("done") == ""
    bench.dial.digits = "44.12"
    await asyncio.sleep(30)
    assert bench.views["live"]["text"] == "44.12 µF"


def kept(folder: Path) -> list[tuple[str, str]]:
    connection = sqlite3.connect(f"file:{folder / DATABASE_FILE}?mode=ro", uri=True)
    try:
        return connection.execute("SELECT digits, unit FROM readings").fetchall()
    finally:
        connection.close()


@pytest.mark.parametrize("bound", [True, False], ids=["unusable", "stranger"])
def test_a_meter_that_no_driver_fits_is_taught_and_then_read(tmp_path: Path, bound: bool) -> None:
    async def body(bench: Bench) -> None:
        if bound:
            assert bench.state == "unusable"
        assert await bench.say("") == ""
        assert await bench.say("") == ""  # asked for twice, begun once
        await asyncio.sleep(10)
        assert bench.teach["meter"] == ADDRESS
        assert bench.teach["packets"] > 0
        assert bench.teach["wanted"].startswith("Show any reading")
        assert "There is no profile yet" in await bench.say("done")
        assert "banana" in await bench.show("4.703", "banana")
        assert bench.teach["labels"] == []
        for digits in READINGS:
            assert await bench.show(digits) == ""
        assert not bench.teach["working"]
        assert bench.teach["accepted"], bench.teach
        assert [one["function"] for one in bench.teach["functions"]] == ["capacitance"]
        assert kept(tmp_path) == []  # nothing is read by what is not known yet
        assert await bench.say("done") == ""
        assert bench.teach["written"] == str(tmp_path / "profiles" / "rowan-7.toml")
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


def test_a_meter_that_must_be_told_to_speak_is_taught_and_told_ever_after(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        await bench.say("")
        await asyncio.sleep(10)
        assert "No packet came" in await bench.show("4.703")
        assert "is not UUID=HEX" in await bench.say("write nonsense")
        assert await bench.say("write fff2=a501") == ""  # which it does not have
        await asyncio.sleep(10)
        assert "This meter has no 0000fff2" in bench.teach["wanted"]
        assert await bench.say("write") == ""
        assert await bench.say(f"write {HEARS}=a501@2") == ""
        await asyncio.sleep(10)
        await taught_and_read(bench)

    run(tmp_path, body, around=Shy)
    ((profile,), _) = load_profiles(tmp_path / "profiles")
    assert [(one.to, one.data, one.every) for one in profile.connection.writes] == [(HEARS, b"\xa5\x01", 2.0)]
    # What it was taught from teaches it again.
    again = teach(read_capture(tmp_path / "profiles" / "rowan-7.jsonl"), "rowan-7")
    assert again.profile == profile


def test_a_profile_is_written_although_what_it_was_taught_from_cannot_be_kept(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "rowan-7.jsonl").write_text("somebody's own\n")

    async def body(bench: Bench) -> None:
        await bench.say("")
        await asyncio.sleep(10)
        for digits in READINGS:
            await bench.show(digits)
        assert await bench.say("done") == ""

    run(tmp_path, body)
    assert [profile.name for profile in load_profiles(tmp_path / "profiles")[0]] == ["rowan-7"]
    assert (tmp_path / "profiles" / "rowan-7.jsonl").read_text() == "somebody's own\n"


def test_a_meter_that_is_only_read_is_taught(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        await bench.say("")
        await asyncio.sleep(10)
        assert "offers nothing to subscribe to" in bench.teach["wanted"]
        (channel,) = {uuid for _, found in ENCODER_FAMILIES["counted"](1).services() for uuid in [found[0].uuid]}
        assert await bench.say(f"read {channel}=0.2") == ""
        await asyncio.sleep(10)
        await taught_and_read(bench)

    run(tmp_path, body, around=lambda encoder: Shy(encoder, read=True))


def test_a_label_that_contradicts_is_named_and_can_be_taken_back(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        await bench.say("")
        await asyncio.sleep(10)
        for digits in READINGS[:8]:
            await bench.show(digits)
        await bench.show("5.617", "2.222 uF")
        for digits in READINGS[8:]:
            await bench.show(digits)
        assert not bench.teach["accepted"]
        (wrong,) = [label for label in bench.teach["labels"] if label["trouble"]]
        assert wrong["text"] == "2.222 uF"
        assert "contradicts" in wrong["trouble"]
        assert bench.teach["wanted"].startswith("Check this: the label '2.222 uF'")
        assert "There is no label 99" in await bench.say("drop 99")
        assert await bench.say("drop 9") == ""
        await asyncio.sleep(1)
        assert bench.teach["accepted"]

    run(tmp_path, body)


def test_stopping_leaves_all_as_it_was(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        assert "is not being taught" in await bench.say("4.7 uF")
        await bench.say("")
        await asyncio.sleep(10)
        bench.meter.set_muted(True)
        await asyncio.sleep(3)
        assert "No packet came" in await bench.show("4.703")
        bench.meter.set_muted(False)
        assert await bench.say("stop") == ""
        assert bench.teach["meter"] == ""
        await asyncio.sleep(20)
        assert bench.state == "unusable"
        assert "was not heard" in await bench.say("", "C0:00:5E:00:53:99")

    run(tmp_path, body)
    assert not (tmp_path / "profiles").exists()


def test_a_meter_gone_mad_fills_no_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(teaching, "_MOST_PACKETS", 150)

    async def body(bench: Bench) -> None:
        await bench.say("")
        await asyncio.sleep(10)
        for digits in READINGS[:4]:
            await bench.show(digits)
        await asyncio.sleep(120)
        lesson = bench.station._teaching._session
        assert lesson.packet_count > 600
        assert len(lesson.packets) <= 150
        assert not lesson.full
        for label in lesson.labels:  # what they describe is kept
            assert any(label.begin <= packet.seconds <= label.end for packet in lesson.packets)

    run(tmp_path, body)
