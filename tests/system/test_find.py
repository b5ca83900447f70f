"""`meterlink find` on virtual radio: listing, binding and refusing meters, alone and through a running daemon."""

import asyncio
import json
import sqlite3
from collections.abc import Awaitable, Callable
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from meterlink.cli import find as find_module
from meterlink.cli.find import FindOptions, device_list_lines, find
from meterlink.core.equipment import Site
from meterlink.core.errors import InputError, LinkError, MeterlinkError, RadioError, StoreError
from meterlink.core.units import Quantity
from meterlink.driver_api import uuid16
from meterlink.link.client import LinkClient
from meterlink.link.messages import DeviceView, DiscoveryView, Topic
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.plugins import DriverFailure, LoadedDrivers, load_drivers
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station import drivers as drivers_module
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

A, B, C = "C0:00:5E:00:53:01", "C0:00:5E:00:53:02", "C0:00:5E:00:53:03"
OWN = "a1b2c3d4-0000-4000-8000-000000000001"


class Steady:
    """An instrument that shows one value."""

    rate = 4.0

    def __init__(self, name: str) -> None:
        self.name = name

    def show(self, _now: float) -> DisplayState:
        return DisplayState(Quantity.CAPACITANCE, Decimal("4.70"), "µF")


class Secretive:
    """The encoder of an unknown meter, with its own service and its own bytes."""

    def services(self) -> list[tuple[str, list[CharacteristicDefinition]]]:
        return [(OWN, [CharacteristicDefinition(OWN, OWN)])]

    def encode(self, _shown: DisplayState) -> list[tuple[str, bytes]]:
        return [(OWN, b"\xa5\x01")]


def self_describing() -> PresentedEncoder:
    """Return the encoder of a meter that advertises the service of a self-describing meter."""
    return PresentedEncoder(service_uuid=uuid16(0x181A))


@pytest.fixture
def writers(monkeypatch: pytest.MonkeyPatch) -> list[Writer]:
    """Return the writers that `find` opens, so that virtual time waits for them."""
    opened: list[Writer] = []

    class Watched(Writer):
        def __init__(self, *args: Any, **more: Any) -> None:
            super().__init__(*args, **more)
            opened.append(self)

    monkeypatch.setattr(find_module, "Writer", Watched)
    return opened


@pytest.fixture
def play(writers: list[Writer]) -> Callable[[Callable[[Air], Awaitable[None]]], None]:
    def run(body: Callable[[Air], Awaitable[None]]) -> None:
        async def on_air() -> None:
            async with Air() as air:
                await body(air)

        run_in_virtual_time(on_air(), busy=lambda: any(writer.busy for writer in writers))

    return run


Play = Callable[[Callable[[Air], Awaitable[None]]], None]


async def run_find(folder: Path, air: Air, **options: Any) -> tuple[DiscoveryView, str]:
    return await find(
        folder, FindOptions(**options), scanner_backend=air.scanner_backend, client_backend=air.client_backend
    )


def at(view: DiscoveryView, address: str) -> DeviceView:
    return next(device for device in view["devices"] if device["address"] == address)


def printed(view: DiscoveryView, done: str = "", width: int = 80, **options: Any) -> str:
    lines = list(device_list_lines(view, done, FindOptions(**options), width))
    assert max(map(len, lines)) <= width
    return "\n".join(lines)


def test_a_meter_is_bound_with_the_profile_that_the_settings_name(tmp_path: Path, play: Play) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "birch.toml").write_text(
        f'profile = 1\nname = "birch"\ndriver = "framed"\n[connection]\nnotify = "{OWN}"\n'
        '[frame]\nlength = 2\n[value]\ntype = "uint"\nat = 1\nunit = "V"\n',
        encoding="utf-8",
    )
    (tmp_path / "settings.toml").write_text(f'[[meter]]\naddress = "{B}"\nprofile = "birch"\n', encoding="utf-8")

    async def body(air: Air) -> None:
        await air.add_meter(Steady("Birch"), encoder=Secretive(), address=B)
        view, _ = await run_find(tmp_path, air)
        birch = at(view, B)
        assert (birch["driver"], birch["driver_configured"], birch["unusable_reason"]) == ("framed:birch", True, "")
        assert "driver framed:birch: named in the settings" in printed(view)
        view, done = await run_find(tmp_path, air, bind=B)
        assert done.startswith(f"Bound: Birch, {B}, driver framed:birch.")
        (tmp_path / "profiles" / "birch.toml").unlink()
        view, _ = await run_find(tmp_path, air)
        (broken,) = view["broken_drivers"]
        assert "there is no valid profile 'birch'" in broken

    play(body)


def test_devices_on_the_air_and_why_they_are_unusable(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A)
        await air.add_meter(Steady("Birch"), encoder=Secretive(), address=B)
        view, done = await run_find(tmp_path, air)
        assert done == ""
        alder, birch = view["devices"]
        assert (alder["address"], alder["driver"], alder["fit"], alder["score"]) == (A, "presented", "possible", 0.3)
        assert (alder["bound"], alder["unusable_reason"], alder["discovered_services"]) == (False, "", None)
        assert (birch["driver"], birch["fit"], birch["advertised_services"]) == ("", "no", [OWN])
        assert (
            birch["unusable_reason"]
            == f"No driver fits its advertisement. Read its services: meterlink find --connect {B}"
        )
        text = printed(view)
        assert text.startswith("In range: 2 devices.\nAlder  C0:00:5E:00:53:01  ")
        assert "driver presented: possible (0.30)" in text
        assert f"meterlink find --bind {A}" in text
        printed(view, width=40)

        view, _ = await run_find(tmp_path, air, connect=A.lower())
        alder = at(view, A)
        assert (alder["fit"], alder["score"], alder["serial"]) == ("likely", 0.6, "SIM-00001")
        assert "offers" in printed(view, connect=A)

        view, _ = await run_find(tmp_path, air, connect="Birch")
        assert at(view, B)["unusable_reason"].startswith(
            "No driver fits its services. Install its driver, or teach its profile"
        )
        assert air.device_count == 2  # every scanner and central has left
        assert not (tmp_path / DATABASE_FILE).exists()  # finding writes no file

    play(body)


def test_binding_keeps_address_service_and_serial(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        view, done = await run_find(tmp_path, air, bind=A, name="clamp meter")
        assert done.startswith(f"Bound: clamp meter, {A}, driver presented.")
        assert "B-2207" in done
        (row,) = Reader(tmp_path / DATABASE_FILE).known_meters()
        assert (row.meter.address, row.meter.name, row.meter.serial, row.bound) == (A, "clamp meter", "B-2207", True)
        assert row.meter.service_uuid == at(view, A)["advertised_services"][0]
        assert at(view, A)["meter_name"] == "clamp meter"
        view, _ = await run_find(tmp_path, air)
        assert "Alder  (clamp meter)" in printed(view)
        _, done = await run_find(tmp_path, air, unbind="clamp meter")
        assert "Unbound" in done
        assert not Reader(tmp_path / DATABASE_FILE).known_meters()[0].bound

    play(body)


def test_a_bound_meter_that_is_not_heard_is_listed_with_the_reason(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        meter = await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A)
        await run_find(tmp_path, air, bind=A)
        await air.remove_meter(meter)
        view, _ = await run_find(tmp_path, air)
        assert at(view, A)["unusable_reason"] == (
            "Not heard. Wake it, switch its Bluetooth on, move closer. Is it connected to another device?"
        )
        with pytest.raises(RadioError, match="was not heard"):
            await run_find(tmp_path, air, connect=A)
        with pytest.raises(RadioError, match="was not heard"):
            await run_find(tmp_path, air, bind=B)

    play(body)


@pytest.mark.fault("same-name")
def test_another_meter_at_a_bound_address_has_a_plain_error(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        meter = await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        await run_find(tmp_path, air, bind=A)
        await air.remove_meter(meter)
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-9999")
        view, _ = await run_find(tmp_path, air, connect=A)
        assert at(view, A)["unusable_reason"] == (
            "Another meter answers at this address: its serial number is B-9999, not B-2207."
        )
        with pytest.raises(InputError, match=r"Another meter is bound to .*serial number B-2207, not B-9999"):
            await run_find(tmp_path, air, bind=A)
        assert Reader(tmp_path / DATABASE_FILE).known_meters()[0].meter.serial == "B-2207"

    play(body)


@pytest.mark.fault("changed-address")
def test_the_same_meter_under_a_new_address_is_recognised(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        meter = await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        await run_find(tmp_path, air, bind=A, name="mine")
        await air.remove_meter(meter)
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=B, serial="B-2207")
        view, done = await run_find(tmp_path, air, bind=B)
        assert f"first seen at {A}" in done
        (row,) = Reader(tmp_path / DATABASE_FILE).known_meters()
        assert (row.meter.name, row.current_address, row.aliases) == ("mine", B, (B,))
        assert [device["address"] for device in view["devices"]] == [B]  # the old address is not expected any more

    play(body)


def test_a_new_address_is_checked_if_it_is_heard(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        birch = await air.add_meter(Steady("Birch"), encoder=self_describing(), address=B, serial="B-9999")
        await run_find(tmp_path, air, bind=A)
        with pytest.raises(InputError, match=f"{B} is not that meter: its serial number is B-9999, not B-2207"):
            await run_find(tmp_path, air, new_address=(A, B))
        await air.remove_meter(birch)
        _, done = await run_find(tmp_path, air, new_address=(A, B), seconds=1)
        assert "could not be compared" in done
        with pytest.raises(InputError, match="the same meter already"):
            await run_find(tmp_path, air, new_address=(A, B), seconds=1)
        with pytest.raises(InputError, match="No meter is known under"):
            await run_find(tmp_path, air, new_address=(C, B), seconds=1)

    play(body)


def test_two_meters_of_one_name_get_different_names(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        for address in (A, B):
            await air.add_meter(Steady("Alder"), encoder=self_describing(), address=address)
        with pytest.raises(InputError, match=r"2 meters here have the name 'Alder'.*Give the address"):
            await run_find(tmp_path, air, connect="Alder")
        await run_find(tmp_path, air, bind=A)
        view, _ = await run_find(tmp_path, air, bind=B)
        assert sorted(device["meter_name"] for device in view["devices"]) == ["Alder", "Alder 53:02"]
        with pytest.raises(InputError, match="Another bound meter has the name 'Alder'"):
            await run_find(tmp_path, air, bind=B, name="Alder")

    play(body)


@pytest.mark.fault("hostile-names")
def test_hostile_names_reach_neither_terminal_nor_database(tmp_path: Path, play: Play) -> None:
    name = "\x1b[2J\x1b]0;owned\x07 \u202eredlA [b]x[/b]\nmeterlink: done" + "x" * 60

    async def body(air: Air) -> None:
        await air.add_meter(Steady(name), encoder=self_describing(), address=A, serial="\x1b[31mS-1\x00")
        view, done = await run_find(tmp_path, air, bind=A)
        row = Reader(tmp_path / DATABASE_FILE).known_meters()[0]
        for text in (done, printed(view), row.meter.name, row.meter.serial, at(view, A)["name"]):
            assert all(char.isprintable() or char == "\n" for char in text), text
            assert "[" not in text
        assert len(row.meter.name) <= 40

    play(body)


def test_nothing_is_bound_without_a_driver(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        await air.add_meter(Steady("Birch"), encoder=Secretive(), address=B)
        with pytest.raises(MeterlinkError, match="Birch was not bound: No driver fits its services"):
            await run_find(tmp_path, air, bind=B)
        assert Reader(tmp_path / DATABASE_FILE).known_meters() == []

    play(body)


def test_a_broken_plug_in_is_named(tmp_path: Path, play: Play, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = LoadedDrivers(load_drivers().factories, (DriverFailure("bench", "bench-driver", "ZeroDivisionError: x"),))
    monkeypatch.setattr(drivers_module, "load_drivers", lambda: broken)

    async def body(air: Air) -> None:
        view, _ = await run_find(tmp_path, air, seconds=1)
        assert view["broken_drivers"] == ["bench of bench-driver: ZeroDivisionError: x"]
        assert printed(view) == "In range: no devices.\nDriver not loaded: bench of bench-driver: ZeroDivisionError: x"

    play(body)


def test_a_station_without_a_socket_keeps_its_database(tmp_path: Path, play: Play) -> None:
    async def body(air: Air) -> None:
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A)
        holder = Writer(
            tmp_path / DATABASE_FILE, station="x", clock=VirtualClock(), boot_id="b", on_alarm=lambda _: None
        )
        await asyncio.to_thread(holder.start)
        try:
            with pytest.raises(StoreError, match=r"Another station .* is already recording"):
                await run_find(tmp_path, air, bind=A)
        finally:
            await asyncio.to_thread(holder.close)

    play(body)


# Through the daemon.


def config(folder: Path, air: Air, **more: Any) -> StationConfig:
    return StationConfig(
        folder,
        settings=more.pop("settings", Settings("test")),
        site=Site("Mill Lane bakery", "condenser"),
        plan=load_plan(DEFAULT_PLAN),
        boot_id="boot",
        clock=VirtualClock(),
        scanner_backend=air.scanner_backend,
        client_backend=air.client_backend,
        jitter=lambda low, high: (low + high) / 2,
        **more,
    )


def with_daemon(folder: Path, body: Callable[[Air, Station], Awaitable[None]], **more: Any) -> None:
    stations: list[Station] = []

    async def play() -> None:
        async with Air() as air:
            stations.append(Station(config(folder, air, **more)))
            task = asyncio.create_task(stations[0].run())
            await stations[0].started.wait()
            try:
                async with asyncio.timeout(3600):
                    await body(air, stations[0])
            finally:
                stations[0].stop()
                await task

    run_in_virtual_time(play(), busy=lambda: any(station.busy for station in stations))


async def until(condition: Callable[[], bool]) -> None:
    while not condition():  # noqa: ASYNC110  # the condition has no event
        await asyncio.sleep(0.1)


def test_a_running_daemon_carries_the_command_out(tmp_path: Path) -> None:
    async def body(air: Air, station: Station) -> None:
        views: dict[str, Any] = {}
        station.add_listener(lambda message: views.__setitem__(message["topic"], message))
        meter = await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        await air.add_meter(Steady("Birch"), encoder=Secretive(), address=B)
        await asyncio.sleep(2)
        with pytest.raises(InputError, match="A station runs on this data folder"):
            await find(tmp_path, FindOptions(seconds=1, adapter="00:00:5E:00:53:AA"))
        view, _ = await find(tmp_path, FindOptions(seconds=1))  # no backends: only the daemon's radio can answer
        assert [(device["name"], device["state"], device["fit"]) for device in view["devices"]] == [
            ("Alder", "", "possible"), ("Birch", "", "no"),
        ]  # fmt: skip
        view, _ = await find(tmp_path, FindOptions(connect=B))
        assert at(view, B)["discovered_services"] is not None
        with pytest.raises(MeterlinkError, match="was not bound: No driver fits"):
            await find(tmp_path, FindOptions(bind=B))

        _, done = await find(tmp_path, FindOptions(bind="Alder", name="mine"))
        assert done.startswith(f"Bound: mine, {A}, driver presented.")
        await until(lambda: bool(views["meters"]["meters"]) and views["meters"]["meters"][0]["readings"] > 5)
        assert views["meters"]["meters"][0]["name"] == "mine"
        view, _ = await find(tmp_path, FindOptions())
        assert (at(view, A)["state"], at(view, A)["fit"], at(view, A)["bound"]) == ("connected", "likely", True)

        # The meter returns under another address: it keeps its row and its name.
        await air.remove_meter(meter)
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=C, serial="B-2207")
        await asyncio.sleep(2)
        _, done = await find(tmp_path, FindOptions(bind=C))
        assert f"first seen at {A}" in done
        await until(
            lambda: any(device["address"] == C and device["readings"] > 5 for device in views["meters"]["meters"])
        )
        assert [(device["address"], device["name"]) for device in views["meters"]["meters"]] == [(C, "mine")]

        await find(tmp_path, FindOptions(unbind="mine"))
        assert views["meters"]["meters"] == []
        await until(lambda: air.device_count == 3)  # two meters and the scanner: the connection is closed

    with_daemon(tmp_path, body)
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        assert connection.execute("SELECT COUNT(DISTINCT meter_id) FROM readings").fetchone() == (1,)


@pytest.mark.fault("same-name")
def test_a_bound_meter_whose_serial_differs_is_refused_by_the_station(tmp_path: Path, play: Play) -> None:
    async def bind(air: Air) -> None:
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        await run_find(tmp_path, air, bind=A)

    play(bind)

    async def body(air: Air, station: Station) -> None:
        views: dict[str, Any] = {}
        station.add_listener(lambda message: views.__setitem__(message["topic"], message))
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-9999")
        await until(lambda: views["meters"]["meters"][0]["state"] == "needs attention")
        assert "serial number B-9999, not B-2207" in views["meters"]["meters"][0]["detail"]
        assert views["meters"]["meters"][0]["readings"] == 0
        view, _ = await find(tmp_path, FindOptions())
        assert "serial number is B-9999, not B-2207" in at(view, A)["unusable_reason"]

    with_daemon(tmp_path, body)


def test_a_bound_meter_without_its_service_is_refused_by_the_station(tmp_path: Path, play: Play) -> None:
    async def bind(air: Air) -> None:
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        await run_find(tmp_path, air, bind=A)

    play(bind)

    async def body(air: Air, station: Station) -> None:
        views: dict[str, Any] = {}
        station.add_listener(lambda message: views.__setitem__(message["topic"], message))
        await air.add_meter(Steady("Alder"), encoder=Secretive(), address=A, serial="B-2207")
        await until(lambda: views["meters"]["meters"][0]["state"] == "needs attention")
        assert "it has no service" in views["meters"]["meters"][0]["detail"]

    with_daemon(tmp_path, body)


@pytest.mark.fault("changed-address")
def test_an_adopted_meter_at_a_new_address_keeps_its_row(tmp_path: Path, play: Play) -> None:
    async def bind(air: Air) -> None:
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=A, serial="B-2207")
        await run_find(tmp_path, air, bind=A, name="mine")

    play(bind)

    async def body(air: Air, station: Station) -> None:
        views: dict[str, Any] = {}
        station.add_listener(lambda message: views.__setitem__(message["topic"], message))
        await air.add_meter(Steady("Alder"), encoder=self_describing(), address=B, serial="B-2207")
        await until(lambda: any(device["readings"] > 5 for device in views["meters"]["meters"]))
        assert ("mine", B) in [(device["name"], device["address"]) for device in views["meters"]["meters"]]

    with_daemon(tmp_path, body, adopt=True)
    (row,) = Reader(tmp_path / DATABASE_FILE).known_meters()
    assert (row.meter.name, row.meter.address, row.current_address) == ("mine", A, B)


@pytest.mark.fault("other-version")
async def test_a_daemon_of_another_version_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def refuse(_folder: Path) -> LinkClient:
        raise LinkError("It uses another protocol.")

    monkeypatch.setattr("meterlink.cli.find.connect_to_daemon", refuse)
    with pytest.raises(LinkError, match="another protocol"):
        await find(tmp_path, FindOptions())


@pytest.fixture
def find_calls(monkeypatch: pytest.MonkeyPatch) -> list[FindOptions]:
    calls: list[FindOptions] = []

    async def fake_find(_folder: Path, options: FindOptions) -> tuple[DiscoveryView, str]:
        calls.append(options)
        return DiscoveryView(
            topic=Topic.DISCOVERY,
            request_text="",
            devices=[],
            broken_drivers=[],
            radio_error="Bluetooth is switched off. Switch it on.",
        ), ""

    monkeypatch.setattr(find_module, "find", fake_find)
    return calls


def test_the_command_line(tmp_path: Path, find_calls: list[FindOptions]) -> None:
    runner = CliRunner()
    plain = runner.invoke(find_module.command, ["--data", str(tmp_path)])
    assert plain.output == "Bluetooth is switched off. Switch it on.\nIn range: no devices.\n"
    output = json.loads(runner.invoke(find_module.command, ["--data", str(tmp_path), "--json", "--connect", A]).output)
    assert output == {
        "devices": [],
        "broken_drivers": [],
        "radio_error": "Bluetooth is switched off. Switch it on.",
        "done": "",
    }
    assert find_calls == [FindOptions(), FindOptions(connect=A)]
    for wrong in (["--name", "x"], ["--bind", A, "--unbind", A], ["--adapter", "hci0"]):
        result = runner.invoke(find_module.command, ["--data", str(tmp_path), *wrong])
        assert result.exit_code == 2
    assert len(find_calls) == 2
