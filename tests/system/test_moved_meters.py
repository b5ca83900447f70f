"""A bound meter comes back with another address, on the virtual radio: found by serial number and service, or not."""

import asyncio
from collections.abc import Awaitable, Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.cli.find import FindOptions, find
from meterlink.core.units import Quantity
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.moved_meters import MISSED_AFTER
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from support.fault_marks import FaultTimes

OLD, NEW, OTHER = "C0:00:5E:00:00:0A", "C0:00:5E:00:00:0B", "C0:00:5E:00:00:0C"


class Steady:
    """An instrument that shows 12.0 Ω."""

    rate = 4.0

    def __init__(self, name: str) -> None:
        self.name = name

    def show(self, _now: float) -> DisplayState:
        return DisplayState(Quantity.RESISTANCE, Decimal("12.0"), "Ω")


async def add(air: Air, address: str, serial: str) -> Peripheral:
    encoder = PresentedEncoder([DescribedFunction(Quantity.RESISTANCE)])
    return await air.add_meter(Steady("Alder"), encoder=encoder, address=address, serial=serial)


class Bench:
    """A running station with one bound meter, ``mine``, that is connected."""

    def __init__(self, air: Air, folder: Path, meter: Peripheral) -> None:
        self.air = air
        self.folder = folder
        self.meter = meter
        self.views: dict[str, Any] = {}

    async def connected_at(self, address: str, within: float) -> None:
        async with asyncio.timeout(within):
            while not any(  # noqa: ASYNC110  # the condition has no event
                meter["address"] == address and meter["state"] == "connected"
                for meter in self.views.get("meters", {"meters": ()})["meters"]
            ):
                await asyncio.sleep(0.1)

    def addresses(self) -> list[tuple[str, str]]:
        rows = Reader(self.folder / DATABASE_FILE).known_meters()
        return [(row.meter.name, row.current_address) for row in rows if row.bound]


def on_bench(folder: Path, serial: str, body: Callable[[Bench], Awaitable[None]]) -> None:
    stations: list[Station] = []

    async def play() -> None:
        async with Air() as air:
            meter = await add(air, OLD, serial)
            options = FindOptions(bind=OLD, name="mine")
            await find(folder, options, scanner_backend=air.scanner_backend, client_backend=air.client_backend)
            config = StationConfig(
                folder,
                Settings("test"),
                None,
                None,
                "boot",
                clock=VirtualClock(),
                scanner_backend=air.scanner_backend,
                client_backend=air.client_backend,
                jitter=lambda low, high: (low + high) / 2,
            )
            station = Station(config)
            stations.append(station)
            bench = Bench(air, folder, meter)
            running = asyncio.create_task(station.run())
            await station.started.wait()
            station.add_listener(lambda message: bench.views.__setitem__(message["topic"], message))
            try:
                await bench.connected_at(OLD, 60)
                await body(bench)
            finally:
                station.stop()
                await running

    run_in_virtual_time(play(), busy=lambda: any(station.busy for station in stations))


@pytest.mark.fault("changed-address")
def test_a_meter_with_a_new_address_is_connected_and_keeps_its_name(tmp_path: Path, fault_times: FaultTimes) -> None:
    # New batteries, new address: nothing must be typed at the unit.
    async def body(bench: Bench) -> None:
        await bench.air.remove_meter(bench.meter)
        await add(bench.air, OTHER, "B-9999")  # a colleague's of the same kind and name
        await add(bench.air, NEW, "B-2207")
        begin = asyncio.get_running_loop().time()
        await bench.connected_at(NEW, MISSED_AFTER + 60)
        fault_times.recovered(asyncio.get_running_loop().time() - begin)
        assert bench.addresses() == [("mine", NEW)]

    on_bench(tmp_path, "B-2207", body)


@pytest.mark.fault("same-name")
@pytest.mark.parametrize(
    ("bound", "there"),
    [("B-2207", "B-9999"), ("0000", "0000"), ("12345678", "12345678")],
    ids=["another meter", "a serial number of every meter", "counted up"],
)
def test_another_meter_of_the_kind_is_never_taken_for_it(tmp_path: Path, bound: str, there: str) -> None:
    # Its values would be kept as readings of the technician's own meter.
    async def body(bench: Bench) -> None:
        await bench.air.remove_meter(bench.meter)
        stranger = await add(bench.air, NEW, there)
        await asyncio.sleep(1800)
        assert bench.addresses() == [("mine", OLD)]
        assert not stranger.connected

    on_bench(tmp_path, bound, body)


def test_a_meter_that_is_connected_is_not_searched_for(tmp_path: Path) -> None:
    async def body(bench: Bench) -> None:
        await add(bench.air, NEW, "B-2207")  # a copy of its serial number
        await asyncio.sleep(600)
        assert bench.addresses() == [("mine", OLD)]
        assert bench.meter.connected

    on_bench(tmp_path, "B-2207", body)
