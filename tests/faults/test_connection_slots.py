"""An adapter holds an unknown number of connections, in virtual time: 5 or 7 on common controllers, fewer when shared.

Sources of the numbers: home-assistant/core PR 84331 and bleak-retry-connector PR 67, as seen by others.
"""

import asyncio

import pytest
from bleak.exc import BleakError

from meterlink.ble import ConnectionState, RadioTimeouts
from meterlink.ble.connection_slots import ConnectionSlots
from meterlink_simulators.virtual_time import run_in_virtual_time
from support.fake_bluetooth import Air, FakeMeter, Rig, rig, warped
from support.fault_marks import FaultTimes


def bench(count: int) -> list[FakeMeter]:
    return [FakeMeter(f"AA:00:00:00:00:{number:02X}", f"Bench {number}") for number in range(1, count + 1)]


def connected(r: Rig) -> int:
    return sum(status.state is ConnectionState.CONNECTED for status in r.radio.state.meters)


@pytest.mark.fault("connection-slots")
@pytest.mark.parametrize("vanishing", [False, True], ids=["refused", "vanishing"])
@pytest.mark.parametrize("slots", [5, 7])
@warped
async def test_eight_meters_fill_the_adapter_and_no_more(slots: int, vanishing: bool) -> None:
    # A van with eight meters and a common controller: all that it holds are read, and the others say why they are not.
    air = Air(*bench(8), slots=slots)
    air.vanishes_when_full = vanishing
    async with rig(air=air) as r:
        await r.until(lambda: connected(r) == slots, within=60)
        packets = len(r.packets)
        await asyncio.sleep(600)
        assert connected(r) == air.most_linked == slots
        assert len(r.packets) - packets > slots * 1190  # at two a second: no link was lost to the tries
        waiting = [status for status in r.radio.state.meters if status.state is not ConnectionState.CONNECTED]
        assert len(waiting) == 8 - slots
        assert any(f"hold {slots} connections, and all are in use" in status.detail for status in waiting)
        assert not any(status.state is ConnectionState.NEEDS_ATTENTION for status in waiting)


@pytest.mark.fault("connection-slots")
@warped
async def test_a_connection_that_gets_free_goes_to_a_waiting_meter(fault_times: FaultTimes) -> None:
    meters = bench(6)
    async with rig(air=Air(*meters, slots=5)) as r:
        await r.until(lambda: connected(r) == 5)
        await asyncio.sleep(120)
        waiting = next(meter for meter in meters if meter.client is None)
        leaving = next(meter for meter in meters if meter.client is not None)
        leaving.advertises = False
        leaving.drop()
        fault_times.recovered(await r.connected(waiting.address, within=70))


@warped
async def test_eight_meters_connect_at_once_where_the_adapter_holds_them() -> None:
    async with rig(*bench(8)) as r:
        await r.until(lambda: connected(r) == 8, within=30)


@pytest.mark.fault("connection-slots")
@warped
async def test_another_program_that_leaves_gives_its_connections_back(fault_times: FaultTimes) -> None:
    # Headphones and a keyboard hold two of five; they are switched off later.
    air = Air(*bench(5), slots=3)
    async with rig(air=air) as r:
        await r.until(lambda: connected(r) == 3)
        await asyncio.sleep(120)
        air.slots = 5
        longest = 3 * RadioTimeouts().slot_retry + 60
        fault_times.recovered(await r.until(lambda: connected(r) == 5, within=longest))


@warped
async def test_a_meter_that_fails_after_the_sixth_connection_was_made_is_not_blamed_on_the_adapter() -> None:
    meters = bench(6)
    meters[5].on_subscribe = [BleakError("the meter's own fault")]
    meters[5].advertises = False
    async with rig(*meters) as r:
        await r.until(lambda: connected(r) == 5)
        meters[5].advertises = True
        await r.until(lambda: "the meter's own fault" in r.detail(meters[5].address), 20)
        await r.connected(meters[5].address)


def test_the_limit_is_learned_from_connections_and_refusals() -> None:
    async def body() -> None:
        slots = ConnectionSlots(RadioTimeouts(assumed_connections=1, max_connections=3, slot_retry=30))
        loop = asyncio.get_running_loop()
        async with slots.hold() as first:
            first.on_established()
            async with slots.hold() as second:  # tried, and it connects
                second.on_established()
                assert slots.limit == 2
                async with slots.hold() as third:
                    third.on_refused()
                    assert slots.limit == 2
                begin = loop.time()
                async with slots.hold():
                    assert loop.time() - begin == pytest.approx(30)  # the next try
                begin = loop.time()  # that one vanished: it was neither connected nor refused
                async with slots.hold():
                    assert loop.time() - begin == pytest.approx(30)
        assert slots.limit == 2
        begin = loop.time()
        async with slots.hold(), slots.hold():  # at once: both are free again
            assert slots.full
        assert loop.time() == begin

    run_in_virtual_time(body())


def test_a_cancelled_wait_holds_nothing() -> None:
    async def body() -> None:
        slots = ConnectionSlots(RadioTimeouts(assumed_connections=1, max_connections=1))

        async def hold() -> None:
            async with slots.hold():
                await asyncio.sleep(1000)

        tasks = [asyncio.create_task(hold()) for _ in range(3)]
        await asyncio.sleep(1)
        for task in (tasks[1], tasks[0], tasks[2]):
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        assert not slots.full
        async with asyncio.timeout(1), slots.hold():
            assert slots.full

    run_in_virtual_time(body())
