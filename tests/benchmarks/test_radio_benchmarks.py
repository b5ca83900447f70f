"""The simulated radio traffic that one core carries, and the part of it that a whole station leaves."""

import asyncio
import time
from decimal import Decimal

import pytest
from bleak import BleakClient

from meterlink.core.equipment import Meter, Site
from meterlink.core.units import Quantity
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

SECONDS = 100
WARM_UP = 10  # s of virtual time until every meter is connected, by the station too
RATIO_SECONDS = 50
# Rows by notifications, with 8 meters: for the same wall-clock time, waits for the disk included, and for the same CPU.
EARLIER_RATIOS = (0.40, 0.62)


class SteadyMeter:
    """An instrument with one value, ten times a second."""

    def __init__(self, name):
        self.name = name
        self.rate = 10.0

    def show(self, _now):
        return DisplayState(Quantity.CAPACITANCE, Decimal("45.12"), "µF")


async def add_meters(air, meters):
    """Return ``meters`` new meters that describe themselves."""
    function = DescribedFunction(Quantity.CAPACITANCE)
    return [
        await air.add_meter(SteadyMeter(f"Alder {number}"), encoder=PresentedEncoder([function]))
        for number in range(meters)
    ]


async def measure(meters, seconds=SECONDS, warm_up=0):
    """Return ``(notifications, CPU seconds)`` of ``meters`` meters in ``seconds`` of virtual time after a warm-up."""
    received = 0

    def count(_sender, _packet):
        nonlocal received
        received += 1

    async with Air() as air:
        clients = []
        for meter in await add_meters(air, meters):
            client = BleakClient(meter.address, backend=air.client_backend)
            await client.connect()
            clients.append(client)
        for client in clients:
            ((characteristic,),) = [
                service.characteristics for service in client.services if service.uuid.startswith("8f1e")
            ]
            await client.start_notify(characteristic, count)
        await asyncio.sleep(warm_up)
        before, begin = received, time.process_time()
        await asyncio.sleep(seconds)
        counted = received - before, time.process_time() - begin
        for client in clients:
            await client.disconnect()
    return counted


async def record(meters, folder, stations):
    """Return ``(committed rows, CPU seconds)`` of a station with ``meters`` meters, as `measure` does."""
    async with Air() as air:
        wanted = [Meter(meter.address, "") for meter in await add_meters(air, meters)]
        config = StationConfig(
            folder, Settings("bench"), Site("Mill Lane bakery", "condenser"), load_plan(DEFAULT_PLAN), "boot",
            meters=tuple(wanted), serve=False, clock=VirtualClock(), scanner_backend=air.scanner_backend,
            client_backend=air.client_backend,
        )  # fmt: skip
        station = Station(config)
        stations.append(station)
        running = asyncio.create_task(station.run())
        await asyncio.sleep(WARM_UP)
        rows = Reader(folder / DATABASE_FILE)
        before, begin = rows.counts()["readings"], time.process_time()
        await asyncio.sleep(RATIO_SECONDS)
        station.stop()
        await running  # everything is committed
        return rows.counts()["readings"] - before, time.process_time() - begin


@pytest.mark.parametrize("meters", [1, 8])
def test_notifications_per_second(benchmark, meters):
    received, _ = benchmark.pedantic(lambda: run_in_virtual_time(measure(meters)), rounds=3, warmup_rounds=1)
    assert abs(received - meters * SECONDS * 10) <= meters
    if benchmark.stats:
        benchmark.extra_info["notifications per second"] = round(received / benchmark.stats["mean"])


@pytest.mark.parametrize("meters", [1, 8])
def test_rows_of_a_station_beside_a_bare_client(tmp_path, benchmark, capsys, meters):
    stations: list[Station] = []
    benchmark(lambda: None)  # the figures are CPU times, which the fixture does not take
    ratios = []
    for number in range(3 if benchmark.enabled else 1):
        folder = tmp_path / str(number)
        folder.mkdir()
        received, bare = run_in_virtual_time(measure(meters, RATIO_SECONDS, WARM_UP))
        rows, ours = run_in_virtual_time(
            record(meters, folder, stations), busy=lambda: any(station.busy for station in stations)
        )
        assert rows == pytest.approx(received, rel=0.01)  # nothing is lost; the battery is read once a minute
        ratios.append((rows / ours) / (received / bare))
    with capsys.disabled():
        print(  # noqa: T201  # the figure is the result of this benchmark
            f"\n{meters} meters: {rows / ours:.0f} rows committed, {received / bare:.0f} notifications counted in a"
            f" second of CPU: ratio {max(ratios):.2f}; earlier, with 8 meters, {EARLIER_RATIOS[1]}"
            f" (by the wall clock {EARLIER_RATIOS[0]})"
        )


def test_connect_and_discover(benchmark):
    async def connect(times):
        async with Air() as air:
            meter = await air.add_meter(SteadyMeter("Alder"), encoder=PresentedEncoder())
            for _ in range(times):
                async with BleakClient(meter.address, backend=air.client_backend) as client:
                    assert len(client.services.services) == 5
        return times

    assert benchmark.pedantic(lambda: run_in_virtual_time(connect(20)), rounds=3, warmup_rounds=1) == 20
