"""Bluetooth goes away under a running scan and comes back, in virtual time: switched off, service ended, asleep.

Each case runs with a platform that tells of it (`FakeWatch`) and with one that does not. The times are those that a
person at a unit can bear; no source.
"""

import asyncio
from collections.abc import Callable

import pytest

from meterlink.ble import ConnectionState, RadioTimeouts
from meterlink.ble.bluetooth_state import Adapter, BluetoothState, has_lost_scan, may_have_changed
from meterlink.core.equipment import Meter
from support.fake_bluetooth import (
    ADAPTER,
    ADAPTER_FAILED,
    ADDRESS,
    Air,
    FakeDriverFactory,
    FakeMeter,
    FakeWatch,
    Hang,
    Rig,
    nothing_left,
    rig,
    warped,
)
from support.fault_marks import FaultTimes

SECOND = "AA:00:00:00:00:02"
REPORTED = 8.0  # s after the loss: a person has just seen the number stand still
READING = 10.0  # s after the return

OFF_TIMES = pytest.mark.parametrize("off", [3, 8, 20, 75, 3600])
WATCHED = pytest.mark.parametrize("watched", [True, False], ids=["watched", "unwatched"])


async def connected_rig(r: Rig) -> None:
    """Connect the meter, with a second known one that is not there yet, for longer than a stable connection takes."""
    await r.connected()
    await asyncio.sleep(40)


def watch_of(air: Air, *, watched: bool) -> FakeWatch | None:
    return FakeWatch(air) if watched else None


def two_known(air: Air) -> list[Meter]:
    return [Meter(address, "") for address in (*air.meters, SECOND)]


async def lose_and_return(
    r: Rig,
    off: float,
    lose: Callable[[], None],
    come_back: Callable[[], None],
    reason: str,
    fault_times: FaultTimes,
) -> None:
    """Lose the radio for ``off`` seconds; check the reason given, and that a second meter is found after the return."""
    loop = asyncio.get_running_loop()
    lose()
    lost_at = loop.time()
    if off >= REPORTED:
        fault_times.noticed(await r.until(lambda: reason in r.radio.state.error, REPORTED))
        assert r.state() is not ConnectionState.CONNECTED
        assert reason in r.detail(SECOND)
        await r.until(lambda: reason in r.detail(), 1.5)
        assert "Wake" not in r.detail() + r.detail(SECOND)
    await asyncio.sleep(lost_at + off - loop.time())
    r.air.meters[SECOND] = FakeMeter(SECOND, "Bench two")
    come_back()
    r.packets.clear()
    both = {ADDRESS, SECOND}
    fault_times.recovered(await r.until(lambda: {packet.session.address for packet in r.packets} == both, READING))
    assert r.radio.state.error == ""
    assert {status.state for status in r.radio.state.meters} == {ConnectionState.CONNECTED}


@pytest.mark.fault("adapter-off")
@OFF_TIMES
@WATCHED
@warped
async def test_an_adapter_that_is_switched_off_and_on(off: float, watched: bool, fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    async with rig(air=air, known_meters=two_known(air), bluetooth_watch=watch_of(air, watched=watched)) as r:
        await connected_rig(r)
        await lose_and_return(r, off, air.power_off, air.power_on, "switched off", fault_times)


@pytest.mark.fault("service-restart")
@pytest.mark.parametrize(
    ("off", "watched"),
    # Without a watch only silence tells, and silence is no fault for five seconds.
    [(off, watched) for watched in (True, False) for off in (3, 8, 20, 75, 3600) if watched or off >= REPORTED],
)
@warped
async def test_a_bluetooth_service_that_ends_and_starts(off: float, watched: bool, fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    async with rig(air=air, known_meters=two_known(air), bluetooth_watch=watch_of(air, watched=watched)) as r:
        await connected_rig(r)
        await lose_and_return(r, off, air.end_service, air.start_service, "service could not be reached", fault_times)


@pytest.mark.fault("scan-ended")
@WATCHED
@warped
async def test_a_scan_that_the_system_ends_alone_is_begun_anew(watched: bool, fault_times: FaultTimes) -> None:
    # Another program can switch the adapter off and on within a moment, and no link need be open then.
    air = Air()
    async with rig(air=air, known_meters=[Meter(SECOND, "")], bluetooth_watch=watch_of(air, watched=watched)) as r:
        await r.until(lambda: air.scanner is not None)
        await asyncio.sleep(20)
        air.power_off()
        air.power_on()
        air.meters[SECOND] = FakeMeter(SECOND)
        # Nobody tells and no link breaks: then only the long silence does.
        longest = 5 if watched else RadioTimeouts().scan_silence + 5
        fault_times.recovered(await r.connected(SECOND, within=longest))


@pytest.mark.fault("scan-ended")
@warped
async def test_a_slow_machine_does_not_take_a_young_scan_for_a_lost_one() -> None:
    # An emulated one told of a begun scan more than a second later; each restart then began the next.
    air = Air(FakeMeter())
    async with rig(air=air, bluetooth_watch=FakeWatch(air, delay=1.3)) as r:
        await r.connected()
        await asyncio.sleep(50)
        assert air.scans == 1


@warped
async def test_a_scan_that_starts_anew_leaves_the_reason_of_a_meter_alone() -> None:
    meter = FakeMeter(on_connect=[Hang()])
    async with rig(meter) as r:
        await r.until(lambda: r.state() is ConnectionState.CONNECTING)
        scans = r.air.scans
        r.radio._scanner.request_restart()
        await r.until(lambda: r.air.scans > scans)
        await asyncio.sleep(1)
        assert (r.state(), r.detail()) == (ConnectionState.CONNECTING, "")


@pytest.mark.fault("machine-slept")
@warped
async def test_waking_from_sleep_scans_anew(fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    async with rig(air=air, bluetooth_watch=FakeWatch(air)) as r:
        await r.connected()
        scans = air.scans
        air.resumes += 1
        air.tell()
        fault_times.recovered(await r.until(lambda: air.scans == scans + 1, 2))
        assert r.state() is ConnectionState.CONNECTED


@pytest.mark.fault("strength-only")
@warped
async def test_a_dropped_strength_is_no_advertisement() -> None:
    meter = FakeMeter(advertises=False)
    async with rig(meter) as r:
        await r.until(lambda: r.air.scanner is not None)
        r.air.scanner.lose_strength(meter)
        await asyncio.sleep(5)
        assert r.state() is ConnectionState.SEARCHING
        assert meter.clients == []
        assert r.radio.devices() == []


@warped
async def test_a_lost_meter_beside_others_that_are_heard_is_no_doubt() -> None:
    mine, stranger = FakeMeter(), FakeMeter(SECOND)
    async with rig(mine, stranger, known_meters=[Meter(ADDRESS, "")]) as r:
        await r.connected()
        scans = r.air.scans
        mine.advertises = False
        mine.drop()
        await asyncio.sleep(60)
        assert r.air.scans == scans


@warped
async def test_a_lost_meter_alone_is_one_doubt_not_one_every_few_seconds() -> None:
    # The technician has driven off with the meter: nothing is heard, and that is no fault of the radio.
    mine = FakeMeter()
    async with rig(mine) as r:
        await r.connected()
        scans = r.air.scans
        mine.advertises = False
        mine.drop()
        await asyncio.sleep(60)
        assert r.air.scans <= scans + 1 + RadioTimeouts().unseen_attempts
        assert r.radio.state.error == ""


@pytest.mark.fault("silent-meter")
@warped
async def test_a_silent_meter_is_one_doubt(fault_times: FaultTimes) -> None:
    # A meter in HOLD sends nothing, and nothing else is on the air.
    mine = FakeMeter()
    async with rig(mine) as r:
        await r.connected()
        scans = r.air.scans
        mine.mute = True
        fault_times.noticed(await r.until(lambda: r.state() is ConnectionState.SILENT))
        await asyncio.sleep(20)
        assert r.air.scans == scans + 1
        assert r.state() is ConnectionState.SILENT
        assert "Wake the meter" in r.detail()


@pytest.mark.fault("adapter-off")
@warped
async def test_a_watch_that_fails_leaves_the_radio_as_without_one(fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    watch = FakeWatch(air)
    async with rig(air=air, known_meters=two_known(air), bluetooth_watch=watch) as r:
        await connected_rig(r)
        watch.broken = True
        watch.changed.set()
        await asyncio.sleep(300)
        assert r.state() is ConnectionState.CONNECTED
        assert 3 <= watch.runs <= 12  # it is tried again, with growing pauses
        await lose_and_return(r, 20, air.power_off, air.power_on, "switched off", fault_times)
        watch.broken = False
        await asyncio.sleep(RadioTimeouts().retry_longest)
        await lose_and_return(r, 20, air.power_off, air.power_on, "switched off", fault_times)


@pytest.mark.fault("bluetooth-errors")
@warped
async def test_connecting_that_fails_with_the_adapter_names_bluetooth() -> None:
    meter = FakeMeter(on_connect=[ADAPTER_FAILED])
    async with rig(meter) as r:
        await r.until(lambda: "Bluetooth stopped working" in r.detail())
        assert await r.connected() < 5
        assert r.air.scans == 2


@pytest.mark.fault("adapter-off")
@warped
async def test_a_connection_that_hangs_while_bluetooth_is_away_is_not_the_meters_fault() -> None:
    air = Air(FakeMeter(on_connect=[Hang(), Hang(), Hang(), Hang()]))
    async with rig(air=air, bluetooth_watch=FakeWatch(air)) as r:
        for _ in range(4):
            await r.until(lambda: r.state() is ConnectionState.CONNECTING)
            await asyncio.sleep(1)
            air.power_off()
            await asyncio.sleep(30)
            air.power_on()
            await asyncio.sleep(3)
        assert not any(status.state is ConnectionState.NEEDS_ATTENTION for state in r.states for status in state.meters)
        await r.connected()


@pytest.mark.fault("adapter-off")
@pytest.mark.parametrize("seconds", [0.0, 0.5, 2.0, 3.0, 4.0])
@warped
async def test_a_stop_while_bluetooth_is_away_leaves_nothing(seconds: float) -> None:
    air = Air(FakeMeter())
    test_rig = Rig(air, FakeDriverFactory(), bluetooth_watch=FakeWatch(air))
    running = asyncio.create_task(test_rig.radio.run())
    await asyncio.sleep(0)
    await test_rig.connected()
    air.power_off()
    await asyncio.sleep(seconds)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    await nothing_left(air)


@pytest.mark.fault("adapter-gone")
@warped
async def test_a_chosen_adapter_is_followed_by_its_address(fault_times: FaultTimes) -> None:
    # In a metal van the cure is an adapter on a cable; its name depends on the socket and on the other adapters.
    air = Air(FakeMeter())
    async with rig(air=air, bluetooth_watch=FakeWatch(air), adapter=ADAPTER.lower()) as r:
        await r.connected()
        assert air.scanned_with == "hci0"
        air.adapter_name = ""
        air.power_off()
        missing = f"The Bluetooth adapter {ADAPTER} is not there. Plug it in"
        fault_times.noticed(await r.until(lambda: missing in r.radio.state.error, 8))
        air.adapter_name = "hci3"
        air.power_on()
        fault_times.recovered(await r.connected(within=10))
        assert air.scanned_with == "hci3"


@pytest.mark.fault("adapter-gone")
@warped
async def test_an_adapter_that_is_not_there_is_named_with_those_that_are() -> None:
    air = Air(FakeMeter())
    async with rig(air=air, bluetooth_watch=FakeWatch(air), adapter="F0:00:00:00:00:02") as r:
        await r.until(lambda: f"choose another: {ADAPTER} (hci0)." in r.radio.state.error, 5)
        assert air.scans == 0


@pytest.mark.fault("adapter-gone")
@warped
async def test_of_several_adapters_it_is_always_the_same() -> None:
    # A meter that is paired with one adapter is a stranger to the other.
    second = Adapter("hci1", "F0:00:00:00:00:02", powered=True, discovering=False)
    air = Air(FakeMeter())
    air.other_adapters = (second,)
    async with rig(air=air, bluetooth_watch=FakeWatch(air)) as r:
        await r.connected()
        assert air.scanned_with == "hci0"
        air.adapter_name = ""  # pulled out
        air.other_adapters = (second, Adapter("hci2", "F0:00:00:00:00:03", powered=True, discovering=False))
        air.tell()
        await r.until(lambda: air.scanned_with == "hci1", 5)
        air.adapter_name = "hci0"
        air.tell()
        await asyncio.sleep(5)
        assert air.scanned_with == "hci1"  # the one that is in use stays in use


@warped
async def test_another_adapter_is_used_at_once_and_no_link_is_lost() -> None:
    air = Air(FakeMeter())
    async with rig(air=air, bluetooth_watch=FakeWatch(air)) as r:
        await r.connected()
        scans = air.scans
        r.radio.use_adapter(ADAPTER)
        await r.until(lambda: air.scans == scans + 1, 1)
        assert air.scanned_with == "hci0"
        r.radio.use_adapter("F0:00:00:00:00:02")
        await r.until(lambda: "F0:00:00:00:00:02 is not there" in r.radio.state.error, 1)
        r.radio.use_adapter("")
        await r.until(lambda: r.radio.state.error == "", 1)
        assert air.scanned_with is None
        assert r.state() is ConnectionState.CONNECTED
        assert len(air.meters[ADDRESS].clients) == 1


@warped
async def test_a_platform_that_chooses_itself_says_so() -> None:
    async with rig(FakeMeter(), adapter=ADAPTER) as r:
        await r.until(lambda: "this system chooses it itself" in r.radio.state.error, 5)


def test_what_makes_the_scan_worth_a_try() -> None:
    off, on = Adapter("hci0", "F0", powered=False, discovering=False), Adapter("hci0", "F0", True, True)
    idle = Adapter("hci0", "F0", powered=True, discovering=False)
    state = BluetoothState
    assert may_have_changed(state("1", (off,)), state("1", (on,)))
    assert may_have_changed(state("1", (on,)), state("2", (on,)))
    assert may_have_changed(state("1", (on,)), state("1", (on,), resumes=1))
    assert may_have_changed(state("1", (on,)), state("1"))
    assert not may_have_changed(state("1", (on,)), state("1", (idle,)))  # every scan does that
    assert has_lost_scan(state("1", (idle,)))
    assert has_lost_scan(state("1", (off, idle)))
    assert not has_lost_scan(state("1", (off,)))
    assert not has_lost_scan(state("1", (idle, on)))
    assert not has_lost_scan(state(""))
    other = Adapter("hci1", "F1", powered=True, discovering=False)
    assert has_lost_scan(state("1", (on, other)), "F1")  # another program scans with the first one
    assert not has_lost_scan(state("1", (on, other)), "F0")
