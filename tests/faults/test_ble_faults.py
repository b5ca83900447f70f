"""``meterlink.ble`` on a faulty Bluetooth, in virtual time, with fake backends."""

# ruff: noqa: ARG005 - the fakes need the parameters of their base classes

import asyncio
import inspect
import sys
from functools import partial
from typing import Any

import pytest
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import BaseBleakScanner
from bleak.exc import (
    BleakGATTProtocolError,
)

from meterlink.ble import ConnectionState, Radio, RadioState, RadioTimeouts
from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Meter
from meterlink.core.errors import DriverError
from meterlink.driver_api import Channel
from meterlink_simulators.virtual_time import run_in_virtual_time
from support.fake_bluetooth import (
    ABORTED,
    ADDRESS,
    BATTERY,
    DEVICE_INFORMATION,
    IN_PROGRESS,
    MEASURED,
    PRESENTATION,
    SERIAL,
    SERVICE,
    Air,
    FakeAdapter,
    FakeClient,
    FakeDriverFactory,
    FakeMeter,
    FakeScanner,
    Hang,
    Rig,
    nothing_left,
    rig,
    warped,
)
from support.fault_marks import FaultTimes


# A fake is valid only if bleak can call it like its own backends.
@pytest.mark.parametrize(
    ("fake", "base"), [(FakeScanner, BaseBleakScanner), (FakeClient, BaseBleakClient), (FakeAdapter, BaseBleakAdapter)]
)
def test_fakes_have_the_signatures_of_bleaks_base_classes(fake: type, base: type) -> None:
    assert not inspect.isabstract(fake)
    shared = [name for name in vars(fake) if name in vars(base) and inspect.isfunction(vars(base)[name])]
    assert shared
    for name in shared:
        if name == "__init__":
            continue
        theirs = inspect.signature(getattr(base, name)).parameters
        ours = inspect.signature(getattr(fake, name)).parameters
        assert [(p.name, p.kind, p.default) for p in ours.values()] == [
            (p.name, p.kind, p.default) for p in theirs.values()
        ], name
        assert inspect.iscoroutinefunction(getattr(fake, name)) == inspect.iscoroutinefunction(getattr(base, name))


@warped
async def test_packets_arrive_with_session_channel_and_stamp() -> None:
    meter = FakeMeter(serial=b"B-0017\0")
    async with rig(meter) as r:
        await r.connected()
        await asyncio.sleep(10)
        [status] = r.radio.state.meters
        assert (status.name, status.driver, status.serial, status.rssi) == ("Bench one", "bench", "B-0017", -60)
        assert [packet.data[0] for packet in r.packets] == list(range(len(r.packets)))
        assert len(r.packets) > 15
        session = r.packets[0].session
        assert (session.number, session.address, session.name, session.serial, session.driver_name) == (
            1,
            ADDRESS,
            "Bench one",
            "B-0017",
            "bench",
        )
        assert session.driver is r.factory.opened[0]
        assert {packet.channel for packet in r.packets} == {MEASURED}
        stamps = [packet.timestamp.monotonic_ns for packet in r.packets]
        assert stamps == sorted(stamps)
        advertisement, services = r.factory.choices[-1]
        assert advertisement.service_uuids == (SERVICE,)
        by_key = {char.key: char for char in services}
        assert by_key[MEASURED].descriptors == {PRESENTATION: b"\x06\xfe\x28\x27\x01\x00\x00"}
        assert by_key[BATTERY].descriptors == {}  # it refused the read
        assert by_key[MEASURED].properties == {"notify"}
        assert by_key[SERIAL].service_uuid == DEVICE_INFORMATION
    assert session.closed


@pytest.mark.fault("scan-busy")
@warped
async def test_a_busy_scan_start_is_retried_without_alarm() -> None:
    air = Air(FakeMeter())
    air.on_scan = [IN_PROGRESS] * 4
    async with rig(air=air) as r:
        assert await r.connected() < 5
        assert not any(state.error for state in r.states)


@pytest.mark.fault("scan-busy")
@warped
async def test_a_scan_that_stays_busy_is_an_error_and_recovers() -> None:
    air = Air(FakeMeter())
    air.on_scan = [IN_PROGRESS] * 8
    async with rig(air=air) as r:
        await r.until(lambda: "busy" in r.radio.state.error)
        await r.connected()
        assert r.radio.state.error == ""


@pytest.mark.fault("scan-busy", "connection-aborted")
@warped
async def test_busy_and_aborted_connection_attempts_are_repeated_at_once() -> None:
    meter = FakeMeter(on_connect=[IN_PROGRESS, ABORTED, ABORTED])
    async with rig(meter) as r:
        assert await r.connected() < 4
        assert len(meter.clients) == 4
        assert r.air.buses == 1  # every failed attempt was closed


@pytest.mark.fault("connection-aborted")
@warped
async def test_a_meter_that_fails_for_long_is_tried_for_ever() -> None:
    meter = FakeMeter(on_connect=[ABORTED] * 40)
    async with rig(meter) as r:
        await r.until(lambda: "le-connection-abort-by-local" in r.detail())
        await r.connected(within=600)
        assert len(meter.clients) == 41


@pytest.mark.fault("link-left-behind")
@warped
async def test_a_connection_left_over_from_a_crash_is_used(fault_times: FaultTimes) -> None:
    air = Air(FakeMeter(advertises=False))
    air.linked_before = [ADDRESS, "AA:00:00:00:00:99"]
    async with rig(air=air, adapter_backend=type("Adapter", (FakeAdapter,), {"air": air})) as r:
        recovered = await r.connected()
        assert recovered < 2
        fault_times.recovered(recovered)
        assert len(r.radio.state.meters) == 1


@pytest.mark.fault("leaking-connections")
@warped
async def test_300_drops_leave_one_connection_and_no_tasks() -> None:
    meter = FakeMeter()
    async with rig(meter) as r:
        await r.connected()
        tasks = len(asyncio.all_tasks())
        for cycle in range(300):
            await r.until(partial(lambda number: len(r.factory.opened) > number, cycle), within=200)
            await r.connected(within=200)
            assert r.air.buses == 1
            meter.drop()
            await asyncio.sleep(0.5)
            assert r.air.buses == 0
        await r.connected(within=200)
        assert len(asyncio.all_tasks()) == tasks
        assert len(meter.clients) == len(r.factory.opened) == 301
        assert r.radio.state.meters[0].state is ConnectionState.CONNECTED


@pytest.mark.fault("connection-aborted")
@warped
async def test_pauses_grow_until_half_a_minute_of_data() -> None:
    meter = FakeMeter()
    drawn: list[float] = []

    def jitter(low: float, high: float) -> float:
        drawn.append(high)
        return high

    async with rig(meter, jitter=jitter) as r:
        for _ in range(8):
            await r.connected(within=100)
            meter.drop()
            await asyncio.sleep(0.5)
        await r.connected(within=100)
        assert drawn == [2, 4, 8, 16, 32, 60, 60, 60]
        await asyncio.sleep(31)
        meter.drop()
        await asyncio.sleep(0.5)
        await r.connected(within=3)
        assert drawn[-1] == 1


@pytest.mark.fault("silent-meter")
@warped
async def test_a_silent_meter_is_reported_then_connected_again(fault_times: FaultTimes) -> None:
    meter = FakeMeter()
    async with rig(meter) as r:
        await r.connected()
        await asyncio.sleep(3)
        meter.mute = True
        noticed = await r.until(lambda: r.state() is ConnectionState.SILENT)
        assert 4.5 <= noticed <= 6
        fault_times.noticed(noticed)
        meter.mute = False
        recovered = await r.connected()
        assert recovered <= 2
        fault_times.recovered(recovered)
        assert len(meter.clients) == 1
        meter.mute = True
        assert 29 <= await r.until(lambda: r.state() is ConnectionState.LOST) <= 31
        assert "30 s" in r.detail()
        meter.mute = False
        await r.connected()
        assert len(meter.clients) == 2


@pytest.mark.fault("silent-meter")
@warped
async def test_a_polled_battery_does_not_hide_lost_notifications() -> None:
    meter = FakeMeter()
    async with rig(meter, factory=FakeDriverFactory(Channel(MEASURED), Channel(BATTERY, "read", 2.0))) as r:
        await r.connected()
        meter.mute = True
        await r.until(lambda: r.state() is ConnectionState.LOST)
        assert sum(packet.channel == BATTERY for packet in r.packets) > 10


@pytest.mark.fault("silent-meter")
@warped
async def test_a_polled_meter_may_be_slow_but_not_dead() -> None:
    meter = FakeMeter()
    async with rig(meter, factory=FakeDriverFactory(Channel(BATTERY, "read", 60.0))) as r:
        await r.connected()
        seen = len(r.states)
        await asyncio.sleep(300)
        assert r.state() is ConnectionState.CONNECTED
        assert not any(status.state is ConnectionState.SILENT for state in r.states[seen:] for status in state.meters)
        assert 5 <= len(r.packets) <= 7
        meter.on_read = [BleakGATTProtocolError(0x0E)] * 3
        await r.until(lambda: r.state() is ConnectionState.LOST, within=200)
        await r.until(lambda: len(meter.clients) == 2)


@pytest.mark.fault("hanging-call")
@warped
async def test_polling_survives_refused_and_hanging_reads() -> None:
    meter = FakeMeter(on_read=[BleakGATTProtocolError(0x0E), Hang()])
    async with rig(meter, factory=FakeDriverFactory(Channel(MEASURED), Channel(BATTERY, "read", 1.0))) as r:
        await r.connected()
        await r.until(lambda: any(packet.channel == BATTERY for packet in r.packets))
        assert len(meter.clients) == 1


@pytest.mark.fault("packets-twice")
@warped
async def test_callbacks_of_an_old_session_are_dropped_and_equal_values_are_not() -> None:
    meter = FakeMeter(period=1000)
    async with rig(meter) as r:
        await r.connected()
        old = meter.clients[0]
        callbacks = dict(old.callbacks)
        meter.drop()
        await r.until(lambda: len(r.factory.opened) == 2)
        await asyncio.sleep(1)
        r.packets.clear()
        for callback in callbacks.values():
            callback(bytearray(b"late"))
        assert r.packets == []
        for _ in range(3):
            meter.clients[-1].say(b"same")
        assert [packet.data for packet in r.packets] == [b"same"] * 3
        assert {packet.session.number for packet in r.packets} == {2}
        assert (
            r.packets[0].session.driver is r.factory.opened[1]
        )  # a new driver: no half-decoded bytes from the first session


@pytest.mark.fault("meter-taken")
@warped
async def test_a_meter_that_serves_another_device_is_connected_when_it_is_free(fault_times: FaultTimes) -> None:
    """The apprentice's phone is still connected to it, in the pocket."""
    meter = FakeMeter(advertises=False)
    async with rig(meter) as r:
        await asyncio.sleep(3600)
        assert r.state() is not ConnectionState.CONNECTED
        assert "Is it connected to another device?" in r.detail()
        meter.advertises = True
        recovered = await r.connected()
        assert recovered < 5
        fault_times.recovered(recovered)
        meter.advertises = False
        meter.drop()  # the phone takes it at once: it stays silent, and every attempt hangs
        meter.on_connect = [Hang() for _ in range(20)]
        await asyncio.sleep(600)
        assert r.state() is ConnectionState.LOST
        assert "Is it connected to another device?" in r.detail()
        meter.on_connect = []
        meter.advertises = True
        assert await r.connected() < 5


@pytest.mark.fault("meter-shared")
@warped
async def test_another_program_on_the_same_link_doubles_no_packet_and_may_end_the_link() -> None:
    meter = FakeMeter(period=1000)
    elsewhere = Air(meter)
    async with rig(meter) as r:
        await r.connected()
        own = meter.clients[0]
        device = BLEDevice(ADDRESS, meter.name, None)
        other = type("OtherProgram", (FakeClient,), {"air": elsewhere})(
            device, winrt={}, disconnected_callback=None, timeout=10
        )
        await other.connect(pair=False)
        heard: list[bytes] = []
        (measured,) = (char for char in other.services.characteristics.values() if char.uuid == MEASURED)
        await other.start_notify(measured, lambda data: heard.append(bytes(data)))
        r.packets.clear()
        heard.clear()
        numbers = [bytes([number]) for number in range(20)]
        for number in numbers:  # the system hands each packet to both
            other.say(number)
            own.say(number)
        assert [packet.data for packet in r.packets] == heard == numbers
        await other.disconnect()  # BlueZ ends the link for all
        own.dropped()
        await r.until(lambda: len(r.factory.opened) == 2)
        await asyncio.sleep(1)
        r.packets.clear()
        for number in numbers:
            own.say(number)
            meter.clients[-1].say(number)
        assert [packet.data for packet in r.packets] == numbers
        assert {packet.session.number for packet in r.packets} == {2}


@pytest.mark.fault("packets-out-of-order")
@warped
async def test_callbacks_are_synchronous_and_keep_their_order() -> None:
    meter = FakeMeter(period=1000)
    async with rig(meter) as r:
        await r.connected()
        r.packets.clear()
        for count in range(200):
            meter.clients[0].say(bytes([count]))
        assert [packet.data[0] for packet in r.packets] == list(range(200))  # before the loop has run again


@pytest.mark.fault("stale-services")
@pytest.mark.parametrize("paired", [False, True])
@warped
async def test_cached_services_are_cleared_but_never_a_pairing(paired: bool) -> None:
    meter = FakeMeter(on_subscribe=[BleakGATTProtocolError(0x01)], paired=paired)
    async with rig(meter) as r:
        await r.connected()
        assert r.air.unpaired == ([] if paired else [ADDRESS])
        assert [client.fresh_services for client in meter.clients] == [False, True]


@pytest.mark.fault("stale-services")
@warped
async def test_a_connection_lost_while_subscribing_keeps_the_cached_services() -> None:
    meter = FakeMeter(on_subscribe=[Hang()])
    async with rig(meter) as r:
        await r.until(lambda: meter.on_subscribe == [])
        meter.drop()
        await r.connected(within=90)
        assert r.air.unpaired == []
        assert [client.fresh_services for client in meter.clients] == [False, False]


@pytest.mark.fault("stale-services")
@warped
async def test_a_missing_handle_means_stale_services_the_first_time_only() -> None:
    meter = FakeMeter(on_describe=[BleakGATTProtocolError(0x01)] * 3)  # a meter that always does this must stay usable
    async with rig(meter) as r:
        await r.connected()
        assert [client.fresh_services for client in meter.clients] == [False, True]
        assert r.air.unpaired == [ADDRESS]
        meter.on_describe = [BleakGATTProtocolError(0x01)] * 3
        meter.drop()
        await r.until(lambda: len(r.factory.opened) == 2)
        assert len(meter.clients) == 3


@pytest.mark.fault("scan-stalls")
@warped
async def test_a_stalled_scan_is_restarted(fault_times: FaultTimes) -> None:
    air = Air(FakeMeter(advertises=False))
    air.mute = True
    async with rig(air=air) as r:
        await asyncio.sleep(80)
        assert air.scans == 1
        fault_times.noticed(80 + await r.until(lambda: air.scans == 2, 20))
        await asyncio.sleep(5)
        assert air.scans == 2
        air.mute = False
        air.meters[ADDRESS].advertises = True
        fault_times.recovered(await r.connected())
        air.meters["AA:00:00:00:00:02"] = FakeMeter("AA:00:00:00:00:02", "Other", ())
        await asyncio.sleep(300)
        assert air.scans == 2  # the other meter is heard


@pytest.mark.fault("adapter-gone")
@warped
async def test_an_adapter_may_vanish_and_return(fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    async with rig(air=air) as r:
        await r.connected()
        air.vanish()
        fault_times.noticed(await r.until(lambda: "no Bluetooth adapter" in r.radio.state.error, within=60))
        assert r.state() is ConnectionState.LOST
        tried = len(air.meters[ADDRESS].clients)
        await asyncio.sleep(600)
        assert len(air.meters[ADDRESS].clients) == tried  # no connection is tried without the radio
        air.present = True
        recovered = await r.connected()
        assert recovered < 40
        fault_times.recovered(recovered)
        assert r.radio.state.error == ""


@pytest.mark.fault("adapter-gone")
@warped
async def test_an_adapter_missing_at_the_start_is_an_error_at_once(fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    air.present = False
    async with rig(air=air) as r:
        noticed = await r.until(lambda: r.radio.state.error != "")
        assert noticed < 1
        fault_times.noticed(noticed)
        assert "Plug one in" in r.radio.state.error
        assert r.state() is ConnectionState.SEARCHING


@pytest.mark.fault("scan-stalls")
@warped
async def test_a_hanging_scan_start_is_cancelled_and_an_error(fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    air.on_scan = [Hang(), Hang(stubborn=True)]
    async with rig(air=air) as r:
        fault_times.noticed(await r.until(lambda: "does not answer" in r.radio.state.error))
        await r.connected()


@pytest.mark.fault("service-restart")
@pytest.mark.skipif(sys.platform != "linux", reason="D-Bus is how Linux offers Bluetooth")
async def test_a_real_machine_without_the_bluetooth_service(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    states: asyncio.Queue[RadioState] = asyncio.Queue()
    radio = Radio(
        clock=SystemClock(),
        choose_driver=lambda advertisement, services: None,
        on_packet=lambda packet: None,
        on_state_change=states.put_nowait,
    )
    running = asyncio.create_task(radio.run())
    async with asyncio.timeout(30):
        while not (problem := (await states.get()).error):
            pass
    assert problem.startswith("The system's Bluetooth service could not be reached.")
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert running.cancelled()
    assert asyncio.all_tasks() == {asyncio.current_task()}


@pytest.mark.fault("connection-slots")
@warped
async def test_more_meters_than_connections_wait_their_turn(fault_times: FaultTimes) -> None:
    meters = [FakeMeter(f"AA:00:00:00:00:0{n}", f"Bench {n}") for n in range(3)]
    async with rig(*meters, timeouts=RadioTimeouts(assumed_connections=2, max_connections=2)) as r:
        await r.until(lambda: sum(status.state is ConnectionState.CONNECTED for status in r.radio.state.meters) == 2)
        await asyncio.sleep(30)
        [waiting] = [status for status in r.radio.state.meters if status.state is not ConnectionState.CONNECTED]
        assert waiting.detail.startswith("The Bluetooth adapter is known to hold 2 connections, and all are in use.")
        assert r.air.most_linked == 2
        leaving = next(meter for meter in meters if meter.client is not None)
        leaving.advertises = False
        leaving.drop()
        fault_times.recovered(await r.connected(waiting.address))


@pytest.mark.fault("connection-slots")
@warped
async def test_an_adapter_with_fewer_connections_than_assumed() -> None:
    meters = [FakeMeter(f"AA:00:00:00:00:0{n}", f"Bench {n}") for n in range(3)]
    async with rig(air=Air(*meters, slots=2)) as r:
        await r.until(lambda: any("all are in use" in status.detail for status in r.radio.state.meters))
        attempts = sum(len(meter.clients) for meter in meters)
        await asyncio.sleep(60)
        assert sum(len(meter.clients) for meter in meters) - attempts < 20  # four-second pauses, then backing off
        waiting = next(meter for meter in meters if meter.client is None)
        leaving = next(meter for meter in meters if meter.client is not None)
        leaving.advertises = False
        leaving.drop()
        await r.connected(waiting.address, within=120)


@pytest.mark.fault("same-name")
@warped
async def test_meters_of_one_name_differ_by_address() -> None:
    mine, stranger = FakeMeter(), FakeMeter("AA:00:00:00:00:02")
    async with rig(mine, stranger, known_meters=[Meter(ADDRESS, "Bench one")]) as r:
        await r.connected()
        await asyncio.sleep(30)
        assert (len(mine.clients), len(stranger.clients)) == (1, 0)
        assert {packet.session.address for packet in r.packets} == {ADDRESS}
        r.radio.add_meter(Meter(stranger.address, "Bench one"))
        await r.connected(stranger.address)
        assert [status.address for status in r.radio.state.meters] == [ADDRESS, stranger.address]


@pytest.mark.fault("same-name")
@warped
async def test_another_serial_number_at_a_known_address_is_refused(fault_times: FaultTimes) -> None:
    meter = FakeMeter(serial=b"B-0018")
    async with rig(meter, known_meters=[Meter(ADDRESS, "Bench one", serial="B-0017")]) as r:
        fault_times.noticed(await r.until(lambda: r.state() is ConnectionState.NEEDS_ATTENTION))
        assert "B-0018, not B-0017" in r.detail()
        await asyncio.sleep(60)
        assert len(meter.clients) == 1
        assert r.packets == []


@pytest.mark.parametrize(
    ("on_air", "stored"),
    [
        ("AA:00:00:00:00:0B", "aa:00:00:00:00:0b"),
        ("6D2A1F00-52A4-4C5E-9D8E-3C1F5B7A9EFF", "6D2A1F00-52A4-4C5E-9D8E-3C1F5B7A9EFF"),  # an address on macOS
    ],
)
@warped
async def test_addresses_of_every_platform_are_accepted(on_air: str, stored: str) -> None:
    meter = FakeMeter(on_air)
    async with rig(meter, known_meters=[Meter(stored, "")]) as r:
        await r.connected(stored)
        assert len(r.radio.state.meters) == 1


@pytest.mark.fault("hanging-call")
@pytest.mark.parametrize("stubborn", [False, True])
@pytest.mark.parametrize("script", ["on_connect", "on_subscribe"])
@warped
async def test_hanging_calls_are_cancelled_and_after_three_the_meter_needs_attention(
    script: str, stubborn: bool, fault_times: FaultTimes
) -> None:
    hanging: dict[str, Any] = {script: [Hang(stubborn=stubborn) for _ in range(4)]}
    meter = FakeMeter(**hanging)
    async with rig(meter) as r:
        fault_times.noticed(await r.until(lambda: "does not answer" in r.detail()))
        seconds = await r.until(lambda: r.state() is ConnectionState.NEEDS_ATTENTION, within=300)
        assert "3 times" in r.detail()
        assert seconds > 50
        await r.connected(within=300)
        assert r.detail() == ""


@warped
async def test_a_connection_resets_the_count_of_unanswered_attempts() -> None:
    meter = FakeMeter(on_connect=[Hang(), Hang()])
    async with rig(meter) as r:
        await r.connected(within=300)
        meter.on_connect = [Hang(), Hang()]
        meter.drop()
        await asyncio.sleep(0.5)
        await r.connected(within=300)
        assert not any(status.state is ConnectionState.NEEDS_ATTENTION for state in r.states for status in state.meters)


@pytest.mark.fault("hanging-call")
@warped
async def test_a_hanging_disconnection_does_not_block_the_next_connection() -> None:
    meter = FakeMeter(on_disconnect=[Hang(stubborn=True)])
    async with rig(meter) as r:
        await r.connected()
        meter.drop()
        await r.until(lambda: len(r.factory.opened) == 2)
        r.air.buses -= 1  # the platform frees the connection whose closing hung


@pytest.mark.fault("hanging-call")
@warped
async def test_stopping_does_not_wait_for_a_hanging_backend() -> None:
    meter = FakeMeter(on_connect=[Hang(stubborn=True)])
    test_rig = Rig(Air(meter), FakeDriverFactory())
    running = asyncio.create_task(test_rig.radio.run())
    await test_rig.until(lambda: test_rig.air.buses == 1)
    meter.on_disconnect = [Hang(stubborn=True)]
    loop = asyncio.get_running_loop()
    begin = loop.time()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    timeouts = RadioTimeouts()
    assert loop.time() - begin <= timeouts.stop + timeouts.disconnect + timeouts.cleanup
    await asyncio.sleep(0)
    assert asyncio.all_tasks() == {asyncio.current_task()}


@warped
async def test_a_meter_that_must_be_paired_needs_attention() -> None:
    meter = FakeMeter(on_subscribe=[BleakGATTProtocolError(0x05)])
    async with rig(meter) as r:
        await r.until(lambda: r.state() is ConnectionState.NEEDS_ATTENTION)
        assert "paired" in r.detail()
        await r.connected()


@warped
async def test_a_meter_without_a_driver_is_tried_again_when_it_changes() -> None:
    meter = FakeMeter()
    factory = FakeDriverFactory()
    factory.error = DriverError("Nothing to decode.")
    async with rig(meter, factory=factory) as r:
        await r.until(lambda: r.state() is ConnectionState.UNUSABLE)
        assert r.detail() == "Nothing to decode."
        meter.rssi = -40  # an irrelevant change
        await asyncio.sleep(500)
        assert len(meter.clients) == 1
        factory.error = None
        meter.name = "Bench one, mended"
        await r.connected(within=5)


@warped
async def test_a_meter_without_a_driver_is_tried_again_after_a_long_time() -> None:
    meter = FakeMeter()
    factory = FakeDriverFactory()
    factory.error = ZeroDivisionError("a driver's own fault")
    async with rig(meter, factory=factory) as r:
        await r.until(lambda: r.state() is ConnectionState.UNUSABLE)
        assert "bench failed on this meter" in r.detail()
        factory.error = None
        assert 590 < await r.connected(within=700) < 620


@pytest.mark.parametrize("channels", [(Channel("no-such-key"),), ()])
@warped
async def test_a_driver_that_needs_a_missing_channel(channels: tuple[Channel, ...]) -> None:
    factory = FakeDriverFactory()
    factory.channels = channels
    async with rig(FakeMeter(), factory=factory) as r:
        await r.until(lambda: r.state() is ConnectionState.UNUSABLE)


@warped
async def test_fitting_meters_are_adopted_up_to_a_bound() -> None:
    meters = [FakeMeter(f"AA:00:00:00:01:{n:02X}", "Flood") for n in range(40)]
    stranger = FakeMeter("AA:00:00:00:00:02", "Headset", ())
    async with rig(*meters, stranger, known_meters=[], adopt=True, timeouts=RadioTimeouts(max_adopted=3)) as r:
        await r.until(lambda: len(r.radio.state.meters) == 3)
        await asyncio.sleep(10)
        assert len(r.radio.state.meters) == 3
        assert stranger.clients == []


@pytest.mark.fault("link-lost")
@warped
async def test_a_lost_meter_is_tried_a_few_times_then_awaited(fault_times: FaultTimes) -> None:
    meter = FakeMeter()
    async with rig(meter) as r:
        await r.connected()
        meter.advertises = False
        meter.on_connect = [Hang() for _ in range(20)]
        meter.drop()
        await asyncio.sleep(0.5)
        assert r.state() is ConnectionState.LOST
        await asyncio.sleep(3600)
        assert len(meter.clients) == 1 + RadioTimeouts().unseen_attempts
        assert r.state() is ConnectionState.LOST  # out of range: this needs no person
        assert "Wake it" in r.detail()
        meter.on_connect = []
        meter.advertises = True
        recovered = await r.connected()
        assert recovered < 5
        fault_times.recovered(recovered)


@pytest.mark.fault("link-lost")
@warped
async def test_advertisements_during_a_connection_do_not_count_after_its_loss() -> None:
    meter = FakeMeter(advertises_connected=True)
    async with rig(meter) as r:
        await r.connected()
        await asyncio.sleep(5)
        meter.advertises = False
        meter.drop()
        await asyncio.sleep(8)
        assert r.state() is ConnectionState.LOST
        assert len(meter.clients) == 1


@warped
async def test_late_advertisements_of_a_stopped_scan_are_ignored() -> None:
    meter = FakeMeter(advertises=False)
    async with rig(meter, known_meters=[], adopt=True) as r:
        await asyncio.sleep(1)
        stopped = r.air.scanner
        assert stopped is not None
        await asyncio.sleep(100)
        assert r.air.scanner is not stopped
        stopped.hear(meter)
        assert r.radio.state.meters == ()
        r.air.scanner.hear(meter)
        assert len(r.radio.state.meters) == 1


@pytest.mark.fault("hostile-names")
@warped
async def test_hostile_names_are_cleaned() -> None:
    meter = FakeMeter(name="\x1b]0;x\x07[@click=app.quit]Meter[/]\u202e\n" + "A" * 500)
    async with rig(meter) as r:
        await r.connected()
        await r.until(lambda: r.packets != [])
        names = {r.radio.state.meters[0].name, r.packets[0].session.name, r.factory.choices[-1][0].name}
        assert len(names) == 1
        [name] = names
        assert name.startswith("]0;x(@click=app.quit)Meter(/)".replace("]", ")"))
        assert len(name) <= 40
        assert name.isprintable()


@warped
async def test_signal_strength_is_reported_when_it_changes_noticeably() -> None:
    meter = FakeMeter(on_connect=[Hang()])
    async with rig(meter) as r:
        await r.until(lambda: meter.clients != [])
        report_count = len(r.states)
        for meter.rssi in (-61, -59, -62, -58):
            await asyncio.sleep(1)
        assert len(r.states) == report_count
        meter.rssi = -75
        await asyncio.sleep(2)
        assert r.states[-1].meters[0].rssi == -75


@pytest.mark.fault("leaking-connections")
def test_cancelling_at_any_point_leaves_nothing_running() -> None:
    # Every call of the fakes yields to the loop at least once, so these cancellations hit every await.
    async def cancelled_after(turns: int) -> tuple[ConnectionState, int]:
        meter = FakeMeter(
            on_connect=[ABORTED], on_subscribe=[BleakGATTProtocolError(0x01)], on_disconnect=[], serial=b"B-0017"
        )
        timeouts = RadioTimeouts(shortest_pause=0.0, longest_pause=0.0, retry_first=0.0, retry_longest=0.0)
        factory = FakeDriverFactory(Channel(MEASURED), Channel(BATTERY, "read", 1.0))
        async with rig(meter, factory=factory, timeouts=timeouts) as r:
            for turn in range(turns):
                await asyncio.sleep(0)
                if turn == 80:
                    meter.drop()
                if turn == 140:
                    r.radio._scanner.request_restart()
                if turn % 10 == 0 and meter.client is None and r.air.scanner is not None:
                    r.air.scanner.hear(meter)
            return r.state(), len(meter.clients)

    ends = [run_in_virtual_time(cancelled_after(turns)) for turns in range(180)]
    assert {state for state, _ in ends} >= {
        ConnectionState.SEARCHING,
        ConnectionState.CONNECTING,
        ConnectionState.CONNECTED,
        ConnectionState.LOST,
    }
    assert ends[-1][1] >= 4  # aborted, refused, dropped, and the last one


@warped
async def test_the_radio_can_run_again_after_a_stop() -> None:
    air = Air(FakeMeter())
    test_rig = Rig(air, FakeDriverFactory())
    for session in (1, 2):
        running = asyncio.create_task(test_rig.radio.run())
        await asyncio.sleep(0)
        await test_rig.connected()
        await test_rig.until(lambda: test_rig.packets != [])
        assert test_rig.packets[-1].session.number == session
        test_rig.packets.clear()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await nothing_left(air)
