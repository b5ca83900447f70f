"""``meterlink.ble`` with unchanged bleak over a virtual Bluetooth stack, in virtual time."""

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import pytest

from meterlink.ble import ConnectionState, MeterStatus, Radio, RadioState, RadioTimeouts, ReceivedPacket
from meterlink.core.equipment import Meter
from meterlink.core.readings import Coupling, Reading
from meterlink.core.units import Quantity
from meterlink.driver_api import NO_MATCH
from meterlink_drivers.presented import PRESENTED
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from support.fault_marks import FaultTimes


class Ramp:
    """An instrument whose display counts up in millivolts: the counts show order and loss."""

    rate = 4.0

    def __init__(self, name: str) -> None:
        self.name = name
        self.count = 0

    def show(self, _now: float) -> DisplayState:
        self.count += 1
        return DisplayState(Quantity.VOLTAGE, Decimal(self.count).scaleb(-3), "V", coupling=Coupling.DC)


@dataclass
class Station:
    """A radio, with its states and with its packets decoded by their sessions' drivers."""

    radio: Radio
    packets: list[ReceivedPacket] = field(default_factory=list)
    states: list[RadioState] = field(default_factory=list)

    def readings(self, address: str) -> list[Reading]:
        return [
            reading
            for packet in self.packets
            if packet.session.address == address
            for reading in packet.session.driver.feed(packet.channel, packet.data, packet.timestamp)
            if reading.quantity is not Quantity.BATTERY
        ]

    def status(self, address: str) -> MeterStatus:
        return next(status for status in self.radio.state.meters if status.address == address)

    async def until(self, condition: Callable[[], bool], within: float) -> float:
        loop = asyncio.get_running_loop()
        begin = loop.time()
        while not condition():
            assert loop.time() - begin < within, self.radio.state
            await asyncio.sleep(0.1)
        return loop.time() - begin

    async def reach(self, address: str, state: ConnectionState, within: float = 60.0) -> float:
        return await self.until(lambda: self.status(address).state is state, within)


@asynccontextmanager
async def station(air: Air, *addresses: str) -> AsyncIterator[Station]:
    meters_on_air = air.device_count
    packets: list[ReceivedPacket] = []
    states: list[RadioState] = []
    radio = Radio(
        clock=VirtualClock(),
        choose_driver=lambda advertisement, services: (
            PRESENTED if PRESENTED.matches(advertisement, services) > NO_MATCH else None
        ),
        on_packet=packets.append,
        on_state_change=states.append,
        known_meters=[Meter(address, "") for address in addresses],
        scanner_backend=air.scanner_backend,
        client_backend=air.client_backend,
        jitter=lambda low, high: (low + high) / 2,
    )
    running = asyncio.create_task(radio.run())
    await asyncio.sleep(0)
    try:
        yield Station(radio, packets, states)
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    assert running.cancelled()
    assert air.device_count == meters_on_air  # every scanner and central has left the air


def in_air(test: Callable[[Air], Coroutine[Any, Any, None]], **options: Any) -> None:
    async def run() -> None:
        async with Air(**options) as air:
            await test(air)
        await asyncio.sleep(0)
        assert asyncio.all_tasks() == {asyncio.current_task()}

    run_in_virtual_time(run())


def counts(readings: list[Reading]) -> list[int]:
    return [int(reading.digits.scaleb(3)) for reading in readings if reading.digits is not None]


@pytest.mark.fault("packets-out-of-order")
def test_three_meters_at_once_in_order_and_without_loss() -> None:
    async def body(air: Air) -> None:
        names = ("North", "South", "South")  # two share a name
        meters = [await air.add_meter(Ramp(name), encoder=PresentedEncoder(), serial=f"B-{name}") for name in names]
        async with station(air, *(meter.address for meter in meters)) as s:
            for meter in meters:
                await s.reach(meter.address, ConnectionState.CONNECTED)
            await asyncio.sleep(60)
            for meter, name in zip(meters, names, strict=True):
                seen = counts(s.readings(meter.address))
                assert len(seen) >= 230
                assert seen == list(range(seen[0], seen[0] + len(seen)))
                status = s.status(meter.address)
                assert (status.name, status.driver, status.serial) == (name, "presented", f"B-{name}")

    in_air(body)


@pytest.mark.fault("link-lost")
def test_lost_silent_and_refused_meters_are_connected_again(fault_times: FaultTimes) -> None:
    async def body(air: Air) -> None:
        meter = await air.add_meter(Ramp("North"), encoder=PresentedEncoder())
        async with station(air, meter.address) as s:
            await s.reach(meter.address, ConnectionState.CONNECTED)
            await asyncio.sleep(RadioTimeouts().stable_after + 5)

            meter.drop_connection()
            await s.reach(meter.address, ConnectionState.LOST)
            fault_times.recovered(await s.reach(meter.address, ConnectionState.CONNECTED, within=10))
            await asyncio.sleep(5)

            meter.set_out_of_range(True)
            await s.reach(meter.address, ConnectionState.LOST)
            await asyncio.sleep(1800)
            assert s.status(meter.address).state is ConnectionState.LOST
            meter.set_out_of_range(False)
            fault_times.recovered(await s.reach(meter.address, ConnectionState.CONNECTED, within=90))
            await asyncio.sleep(5)

            meter.set_muted(True)
            await s.reach(meter.address, ConnectionState.SILENT)
            await s.reach(meter.address, ConnectionState.LOST)
            meter.set_muted(False)
            await s.reach(meter.address, ConnectionState.CONNECTED)
            await asyncio.sleep(5)

            meter.refuse_connections(2)
            meter.drop_connection()
            await s.reach(meter.address, ConnectionState.LOST)
            await s.reach(meter.address, ConnectionState.CONNECTED)
            await asyncio.sleep(5)

            sessions = [packet.session.number for packet in s.packets]
            assert sessions == sorted(sessions)
            assert set(sessions) == {1, 2, 3, 4, 5}
            seen = counts(s.readings(meter.address))
            assert len(seen) > 200
            assert seen == sorted(set(seen))

    in_air(body)


@pytest.mark.fault("stale-services")
def test_services_that_changed_while_the_system_caches_the_old_ones() -> None:
    async def body(air: Air) -> None:
        meter = await air.add_meter(Ramp("North"), encoder=PresentedEncoder())
        async with station(air, meter.address) as s:
            await s.reach(meter.address, ConnectionState.CONNECTED)
            # One function instead of several: the old handles now point into other services, or nowhere.
            meter.change_services(PresentedEncoder([DescribedFunction(Quantity.VOLTAGE, Coupling.DC)]))
            meter.drop_connection()
            await s.reach(meter.address, ConnectionState.LOST)
            before = counts(s.readings(meter.address))
            await s.until(lambda: len(counts(s.readings(meter.address))) > len(before) + 20, within=60)
            seen = counts(s.readings(meter.address))
            assert seen == sorted(set(seen))
            details = {status.detail for state in s.states for status in state.meters}
            assert any(detail.startswith("Connecting failed") for detail in details), details

    in_air(body, caches_services=True)


@pytest.mark.fault("leaking-connections")
def test_a_stop_at_any_moment_leaves_the_air_empty() -> None:
    async def stopped_after(air: Air, seconds: float) -> ConnectionState:
        meter = await air.add_meter(Ramp("North"), encoder=PresentedEncoder())
        async with station(air, meter.address) as s:
            await asyncio.sleep(seconds)
            return s.status(meter.address).state

    seen: set[ConnectionState] = set()

    for step in range(60):

        async def body(air: Air, seconds: float = step * 0.02) -> None:
            seen.add(await stopped_after(air, seconds))

        in_air(body)
    assert seen >= {ConnectionState.SEARCHING, ConnectionState.CONNECTING, ConnectionState.CONNECTED}
