"""The simulated radio traffic that one core carries."""

import asyncio
from decimal import Decimal

import pytest
from bleak import BleakClient

from meterlink.core.units import Quantity
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.virtual_time import run_in_virtual_time

SECONDS = 100


class SteadyMeter:
    """An instrument with one value, ten times a second."""

    def __init__(self, name):
        self.name = name
        self.rate = 10.0

    def show(self, _now):
        return DisplayState(Quantity.CAPACITANCE, Decimal("45.12"), "µF")


async def measure(meters):
    """Return the number of notifications from ``meters`` meters in `SECONDS` of virtual time."""
    received = 0

    def count(_sender, _packet):
        nonlocal received
        received += 1

    async with Air() as air:
        clients = []
        for number in range(meters):
            encoder = PresentedEncoder([DescribedFunction(Quantity.CAPACITANCE)])
            meter = await air.add_meter(SteadyMeter(f"Alder {number}"), encoder=encoder)
            client = BleakClient(meter.address, backend=air.client_backend)
            await client.connect()
            clients.append(client)
        for client in clients:
            ((characteristic,),) = [
                service.characteristics for service in client.services if service.uuid.startswith("8f1e")
            ]
            await client.start_notify(characteristic, count)
        await asyncio.sleep(SECONDS)
        for client in clients:
            await client.disconnect()
    return received


@pytest.mark.parametrize("meters", [1, 8])
def test_notifications_per_second(benchmark, meters):
    received = benchmark.pedantic(lambda: run_in_virtual_time(measure(meters)), rounds=3, warmup_rounds=1)
    assert abs(received - meters * SECONDS * 10) <= meters
    if benchmark.stats:
        benchmark.extra_info["notifications per second"] = round(received / benchmark.stats["mean"])


def test_connect_and_discover(benchmark):
    async def connect(times):
        async with Air() as air:
            meter = await air.add_meter(SteadyMeter("Alder"), encoder=PresentedEncoder())
            for _ in range(times):
                async with BleakClient(meter.address, backend=air.client_backend) as client:
                    assert len(client.services.services) == 5
        return times

    assert benchmark.pedantic(lambda: run_in_virtual_time(connect(20)), rounds=3, warmup_rounds=1) == 20
