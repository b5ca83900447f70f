"""Simulated meters with unchanged bleak: BleakScanner and BleakClient over real ATT packets."""

import asyncio
import contextlib
import functools
import gc
import itertools
import logging
from decimal import Decimal
from typing import Any

import pytest
from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.exc import (
    BleakCharacteristicNotFoundError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)
from bumble.device import Device

from meterlink.core.units import Quantity
from meterlink.driver_api import uuid16
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.encoders.presented import SERVICE_UUID, AssignedFunction, DescribedFunction, PresentedEncoder

BATTERY_LEVEL = uuid16(0x2A19)
SERIAL_NUMBER = uuid16(0x2A25)
DEVICE_NAME = uuid16(0x2A00)
OHMS = "8f1e0001-5b0c-4d8e-a3f6-21c49d7be058"

FRAMES_SERVICE = "5d2a0000-7c0f-4c35-9a0e-4b8c1f6f0a11"
FRAMES = "5d2a0001-7c0f-4c35-9a0e-4b8c1f6f0a11"
COMMANDS = "5d2a0002-7c0f-4c35-9a0e-4b8c1f6f0a11"


class CountingMeter:
    """An instrument whose display counts its refreshes: 0.01 kΩ, 0.02 kΩ, …"""

    def __init__(self, name, rate=10.0):
        self.name = name
        self.rate = rate
        self.count = 0
        self.battery = 100
        self.broken = False
        self.times = []

    def show(self, now):
        if self.broken:
            raise RuntimeError("the instrument broke")
        self.count += 1
        self.times.append(now)
        return DisplayState(Quantity.RESISTANCE, Decimal(self.count).scaleb(-2), "kΩ", battery_percent=self.battery)


class FrameEncoder:
    """Sends one frame of ``length`` bytes per refresh, and keeps the commands written to it."""

    def __init__(self, length):
        self.length = length
        self.commands = []

    def services(self):
        frames = CharacteristicDefinition(FRAMES, FRAMES)
        commands = CharacteristicDefinition(
            COMMANDS, COMMANDS, frozenset({"write", "write-without-response"}), on_write=self.commands.append
        )
        return [(FRAMES_SERVICE, [frames, commands])]

    def encode(self, _display):
        return [(FRAMES, bytes(range(self.length)))]


def ohms():
    return PresentedEncoder([DescribedFunction(Quantity.RESISTANCE)])


def client_of(air, meter, **more):
    return BleakClient(getattr(meter, "address", meter), backend=air.client_backend, **more)


def counts(packets):
    """Return the refresh numbers in FLOAT packets of a `CountingMeter` (0.01 kΩ is 10 Ω: exponent 1)."""
    assert all(packet[3] == 1 for packet in packets)
    return [int.from_bytes(packet[:3], "little") for packet in packets]


async def receive_from_two_meters(air, seconds):
    first = await air.add_meter(CountingMeter("Alder bench 1"), encoder=ohms(), serial="AB-77")
    second = await air.add_meter(CountingMeter("Birch bench 2", rate=20.0), encoder=ohms(), address="00:1B:5E:00:00:02")
    discovered = await BleakScanner.discover(timeout=0.6, return_adv=True, backend=air.scanner_backend)
    assert {address: data.local_name for address, (_, data) in discovered.items()} == {
        first.address: "Alder bench 1",
        second.address: "Birch bench 2",
    }
    assert all(data.service_uuids == [SERVICE_UUID] and data.rssi < 0 for _, data in discovered.values())

    packets: dict[Any, list[bytes]] = {first: [], second: []}
    async with (
        BleakClient(discovered[first.address][0], backend=air.client_backend) as first_client,
        client_of(air, second) as second_client,
    ):
        assert (first_client.name, second_client.name) == ("Alder bench 1", "Birch bench 2")
        assert first_client.mtu_size == second_client.mtu_size == 23
        assert await first_client.read_gatt_char(SERIAL_NUMBER) == b"AB-77"
        assert await first_client.read_gatt_char(BATTERY_LEVEL) == b"\x64"
        assert await second_client.read_gatt_char(DEVICE_NAME) == b"Birch bench 2"
        characteristic = first_client.services.get_characteristic(OHMS)
        assert characteristic.service_uuid == SERVICE_UUID
        assert set(characteristic.properties) == {"read", "notify"}
        texts = [
            bytes(await first_client.read_gatt_descriptor(descriptor)) for descriptor in characteristic.descriptors
        ]
        assert texts == [b"resistance", bytes.fromhex("17002A27010000"), b"\0\0"]
        for client, meter in ((first_client, first), (second_client, second)):

            def keep(_sender, packet, meter=meter):
                assert type(packet) is bytearray
                packets[meter].append(bytes(packet))

            await client.start_notify(OHMS, keep)
        await asyncio.sleep(seconds)
    return {meter.name: counts(received) for meter, received in packets.items()}


def test_two_meters_in_virtual_time(air, run_virtual):
    seen = run_virtual(receive_from_two_meters(air, 300))
    for name, rate in (("Alder bench 1", 10), ("Birch bench 2", 20)):
        numbers = seen[name]
        assert abs(len(numbers) - 300 * rate) <= 1
        # Complete and in order: no number is missing between first and last.
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


def test_the_same_run_twice_is_the_same(run_virtual):
    async def body():
        async with Air() as air:
            return await receive_from_two_meters(air, 20)

    assert run_virtual(body()) == run_virtual(body())


async def test_two_meters_in_real_time():
    async with asyncio.timeout(60), Air() as air:
        seen = await receive_from_two_meters(air, 0.6)
    for numbers in seen.values():
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
        assert len(numbers) >= 1


def test_fifty_drops_and_reconnects_leave_nothing_behind(air, run_virtual):
    async def once(meter, dropped):
        packets = []
        client = client_of(air, meter, disconnected_callback=dropped.append)
        await client.connect()
        await client.start_notify(OHMS, lambda _sender, packet: packets.append(bytes(packet)))
        await asyncio.sleep(1)
        meter.drop_connection()
        await asyncio.sleep(0.01)
        assert not client.is_connected
        with pytest.raises(BleakError):
            _ = client.services
        await client.disconnect()
        assert dropped == [client]
        assert len(packets) in {9, 10}
        numbers = counts(packets)
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
        dropped.clear()

    def alive():
        gc.collect()
        return sum(isinstance(item, Device) for item in gc.get_objects())

    async def body():
        meter = await air.add_meter(CountingMeter("Alder bench 1"), encoder=ohms())
        dropped: list[Any] = []
        await once(meter, dropped)
        before = (len(asyncio.all_tasks()), air.device_count, alive())
        for _ in range(50):
            await once(meter, dropped)
        await asyncio.sleep(1)
        assert (len(asyncio.all_tasks()), air.device_count, alive()) == before
        assert air.device_count == 1

    run_virtual(body())


def test_close_leaves_no_task_and_no_radio(air, run_virtual):
    async def body():
        for name in ("Alder", "Birch"):
            await air.add_meter(CountingMeter(name), encoder=ohms())
        address = next(iter(air.meters))
        dropped = asyncio.Event()
        client = client_of(air, address, disconnected_callback=lambda _client: dropped.set())
        await client.connect()
        await air.close()
        await dropped.wait()
        await asyncio.sleep(0)
        assert air.device_count == 0
        assert asyncio.all_tasks() == {asyncio.current_task()}

    run_virtual(body())


def test_a_failing_instrument_is_reported_when_the_meter_is_closed(run_virtual):
    async def body():
        instrument = CountingMeter("Alder")
        air = Air()
        meter = await air.add_meter(instrument, encoder=ohms())
        await air.add_meter(CountingMeter("Birch"), encoder=ohms())
        client = client_of(air, meter)
        await client.connect()
        instrument.broken = True
        await asyncio.sleep(1)
        with pytest.raises(RuntimeError, match="the instrument broke"):
            await air.close()
        assert air.device_count == 0

    run_virtual(body())


def test_display_time_counts_from_the_first_meter_and_follows_the_rate(air, run_virtual):
    async def body():
        await asyncio.sleep(1000)
        instrument = CountingMeter("Alder", rate=4.0)
        meter = await air.add_meter(instrument, encoder=ohms())
        async with client_of(air, meter):
            await asyncio.sleep(2.1)
            instrument.rate = 10.0  # while it is connected
            await asyncio.sleep(0.5)
        return instrument.times

    times = run_virtual(body())
    assert times[0] < 5
    assert [b - a for a, b in itertools.pairwise(times)] == pytest.approx([0.25] * 9 + [0.1] * 3)


def test_mute_keeps_the_link_and_is_lifted(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        packets = []
        async with client_of(air, meter) as client:
            await client.start_notify(OHMS, lambda _sender, packet: packets.append(packet))
            await asyncio.sleep(1.05)
            meter.set_muted(True)
            received = len(packets)
            await asyncio.sleep(600)
            assert client.is_connected
            assert len(packets) == received
            assert await client.read_gatt_char(SERIAL_NUMBER)
            meter.set_muted(False)
            await asyncio.sleep(1.05)
            assert len(packets) in {received + 10, received + 11}

    run_virtual(body())


@pytest.mark.parametrize(("mtu", "length"), [(23, 20), (50, 47), (100, 60), (517, 60)])
def test_notifications_are_cut_to_the_mtu(air, run_virtual, mtu, length):
    # Core vol. 3 part F, 3.4.7.1: a notification carries at most ATT_MTU - 3 bytes.
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=FrameEncoder(60), mtu=mtu)
        packets = []
        async with client_of(air, meter) as client:
            assert client.mtu_size == mtu
            assert client.services.get_characteristic(COMMANDS).max_write_without_response_size == mtu - 3
            await client.start_notify(FRAMES, lambda _sender, packet: packets.append(bytes(packet)))
            await asyncio.sleep(1)
            # A read is not cut: Read Blob requests fetch the rest.
            assert await client.read_gatt_char(FRAMES) == bytes(range(60))
        assert len(packets) >= 9
        assert set(packets) == {bytes(range(length))}

    run_virtual(body())


def test_set_mtu_applies_from_the_next_connection(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        async with client_of(air, meter) as client:
            meter.set_mtu(185)
            assert client.mtu_size == 23
        async with client_of(air, meter) as client:
            assert client.mtu_size == 185

    run_virtual(body())


def test_out_of_range_and_back(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        device = await BleakScanner.find_device_by_address(meter.address, backend=air.scanner_backend)
        assert device is not None
        dropped: list[Any] = []
        client = BleakClient(device, dropped.append, backend=air.client_backend)
        await client.connect()
        meter.set_out_of_range(True)
        await asyncio.sleep(0.01)
        assert dropped == [client]
        assert not client.is_connected
        assert await BleakScanner.discover(timeout=30, backend=air.scanner_backend) == []
        loop = asyncio.get_running_loop()
        before = loop.time()
        with pytest.raises(TimeoutError):
            await client.connect(timeout=20)
        assert loop.time() - before == pytest.approx(20)
        with pytest.raises(BleakDeviceNotFoundError):
            await client_of(air, meter).connect(timeout=5)
        loop.call_later(3600, meter.set_out_of_range, False)
        await client.connect(timeout=7200)
        assert loop.time() - before < 3700
        assert client.is_connected
        await client.disconnect()
        assert air.device_count == 1

    run_virtual(body())


def test_refused_connections(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        dropped: list[Any] = []
        client = client_of(air, meter, disconnected_callback=dropped.append)
        meter.refuse_connections(3)
        for _ in range(3):
            with pytest.raises(BleakError, match=r"failed to be established|disconnected"):
                await client.connect()
            assert not client.is_connected
        await client.connect()
        assert await client.read_gatt_char(SERIAL_NUMBER)
        await client.disconnect()
        assert dropped == []
        assert air.device_count == 1

    run_virtual(body())


def test_a_meter_accepts_one_central_at_a_time(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        device = await BleakScanner.find_device_by_address(meter.address, backend=air.scanner_backend)
        assert device is not None
        clients = [BleakClient(device, backend=air.client_backend, timeout=8) for _ in range(2)]
        outcomes = await asyncio.gather(*(client.connect() for client in clients), return_exceptions=True)
        assert sorted(client.is_connected for client in clients) == [False, True]
        (failure,) = [outcome for outcome in outcomes if outcome is not None]
        assert isinstance(failure, BleakError | TimeoutError)
        (winner,) = [client for client in clients if client.is_connected]
        await winner.disconnect()

    run_virtual(body())


def test_rename_shows_in_advertising_and_device_name(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        async with client_of(air, meter) as client:
            meter.rename("Rowan [/b] \x1b[31m")
            assert await client.read_gatt_char(DEVICE_NAME) == b"Alder"
        ((_, data),) = (await BleakScanner.discover(timeout=2, return_adv=True, backend=air.scanner_backend)).values()
        assert data.local_name == "Rowan [/b] \x1b[31m"
        async with client_of(air, meter) as client:
            assert await client.read_gatt_char(DEVICE_NAME) == b"Rowan [/b] \x1b[31m"

    run_virtual(body())


def test_services_change_between_connections(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        async with client_of(air, meter) as client:
            assert client.services.get_characteristic(OHMS)
            meter.change_services(FrameEncoder(10))
            meter.drop_connection()
        packets = []
        async with client_of(air, meter) as client:
            assert client.services.get_characteristic(OHMS) is None
            with pytest.raises(BleakCharacteristicNotFoundError):
                await client.start_notify(OHMS, print)
            await client.start_notify(FRAMES, lambda _sender, packet: packets.append(packet))
            await asyncio.sleep(1)
        assert packets
        assert air.device_count == 1

    run_virtual(body())


def test_cached_services_go_stale_until_unpair(run_virtual):
    async def body():
        async with Air(caches_services=True) as air:
            encoder = PresentedEncoder()
            meter = await air.add_meter(CountingMeter("Alder"), encoder=encoder)
            async with client_of(air, meter):
                pass
            meter.change_services(FrameEncoder(10))
            client = client_of(air, meter)
            await client.connect()
            assert client.services.get_characteristic(FRAMES) is None
            with pytest.raises(BleakGATTProtocolError) as caught:
                await client.read_gatt_char(BATTERY_LEVEL)
            assert caught.value.code == BleakGATTProtocolErrorCode.INVALID_HANDLE
            await client.unpair()
            assert not client.is_connected
            await client.connect()
            assert client.services.get_characteristic(FRAMES)
            assert await client.read_gatt_char(BATTERY_LEVEL)
            await client.disconnect()

    run_virtual(body())


def test_disconnected_callback_only_for_unsolicited_drops(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        dropped: list[Any] = []
        client = client_of(air, meter, disconnected_callback=dropped.append)
        await client.disconnect()
        await client.connect()
        await asyncio.gather(client.disconnect(), client.disconnect())
        await client.disconnect()
        assert (dropped, client.is_connected) == ([], False)
        assert not meter.connected
        await client.connect()
        meter.drop_connection()
        await asyncio.sleep(1)
        assert dropped == [client]
        assert not meter.connected

    run_virtual(body())


def test_connecting_twice_and_using_a_closed_client_are_bleak_errors(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=FrameEncoder(5))
        client = client_of(air, meter)
        with pytest.raises(BleakError):
            _ = client.mtu_size
        async with client:
            with pytest.raises(BleakError, match="already connected"):
                await client.connect()
            characteristic = client.services.get_characteristic(FRAMES)
            descriptor = characteristic.descriptors[0]
        for request in (
            client.read_gatt_char(characteristic),
            client.read_gatt_descriptor(descriptor),
            client.write_gatt_char(characteristic, b"", response=True),
            client.start_notify(characteristic, print),
            client.stop_notify(characteristic),
        ):
            with pytest.raises(BleakError, match=r"Not connected|not been performed"):
                await request

    run_virtual(body())


def test_connecting_while_connecting_is_refused(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        client = client_of(air, meter)
        first = asyncio.ensure_future(client.connect())
        await asyncio.sleep(0)
        with pytest.raises(BleakError, match="connecting"):
            await client.connect()
        await first
        assert client.is_connected
        await client.disconnect()
        assert air.device_count == 1

    run_virtual(body())


def test_scanners_receive_in_the_order_they_were_added(air, run_virtual):
    # With a fixed order every run is the same, in another process too.
    async def body():
        await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        heard = []
        async with contextlib.AsyncExitStack() as scanners:
            for number in range(12):
                note = functools.partial(lambda number, _device, _data: heard.append(number), number)
                await scanners.enter_async_context(BleakScanner(note, backend=air.scanner_backend))
            heard.clear()
            await asyncio.sleep(1)
        assert list(dict.fromkeys(heard)) == list(range(12))

    run_virtual(body())


def test_a_drop_ends_requests_under_way(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        client = client_of(air, meter)
        await client.connect()
        reads = [asyncio.ensure_future(client.read_gatt_char(SERIAL_NUMBER)) for _ in range(3)]
        await asyncio.sleep(0)
        meter.drop_connection()
        before = asyncio.get_running_loop().time()
        outcomes = await asyncio.gather(*reads, return_exceptions=True)
        assert [type(outcome) for outcome in outcomes] == [BleakError] * 3
        assert asyncio.get_running_loop().time() == before

    run_virtual(body())


@pytest.mark.parametrize("ticks", range(0, 120, 4))
def test_a_cancelled_connect_leaves_nothing(air, run_virtual, ticks):
    # Cancelled after ``ticks`` turns of the loop: while switching on, connecting, or discovering services.
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        device = await BleakScanner.find_device_by_address(meter.address, backend=air.scanner_backend)
        assert device is not None
        client = BleakClient(device, backend=air.client_backend)
        connecting = asyncio.ensure_future(client.connect())
        await asyncio.sleep(0.26 if ticks % 8 else 0)
        for _ in range(ticks):
            await asyncio.sleep(0)
        connecting.cancel()
        await asyncio.wait([connecting])
        await client.disconnect()
        await asyncio.sleep(1)
        assert air.device_count == 1
        assert not meter.connected
        assert not client.is_connected
        async with client_of(air, meter) as again:
            assert await again.read_gatt_char(SERIAL_NUMBER)

    run_virtual(body())


def test_notifications_start_once_and_stop(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        packets = []
        async with client_of(air, meter) as client:
            await client.start_notify(OHMS, lambda _sender, packet: packets.append(packet))
            with pytest.raises(BleakError, match="started already"):
                await client.start_notify(OHMS, print)
            await asyncio.sleep(1.05)
            await client.stop_notify(OHMS)
            received = len(packets)
            await asyncio.sleep(5)
            assert len(packets) == received >= 10
            await client.stop_notify(OHMS)
            await client.start_notify(OHMS, lambda _sender, packet: packets.append(packet))
            await asyncio.sleep(1.05)
            assert len(packets) >= received + 10
            with pytest.raises(BleakError, match="neither"):
                await client.start_notify(SERIAL_NUMBER, print)

    run_virtual(body())


def test_subscriptions_do_not_survive_the_link(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        packets = []
        client = client_of(air, meter)
        await client.connect()
        await client.start_notify(OHMS, lambda _sender, packet: packets.append(packet))
        await asyncio.sleep(1)
        meter.drop_connection()
        received = len(packets)
        await asyncio.sleep(1)
        await client.connect()
        await asyncio.sleep(5)
        assert len(packets) == received
        await client.disconnect()

    run_virtual(body())


def test_battery_level_is_notified_when_it_changes(air, run_virtual):
    async def body():
        instrument = CountingMeter("Alder")
        meter = await air.add_meter(instrument, encoder=ohms())
        levels = []
        async with client_of(air, meter) as client:
            await asyncio.sleep(5)
            await client.start_notify(BATTERY_LEVEL, lambda _sender, packet: levels.append(packet[0]))
            await asyncio.sleep(5)
            instrument.battery = 12
            await asyncio.sleep(5)
            assert await client.read_gatt_char(BATTERY_LEVEL) == b"\x0c"
        assert meter.packets_sent == len(levels)
        return levels

    assert run_virtual(body()) == [100, 12]


def test_a_meter_without_battery_service(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms(), battery=False)
        async with client_of(air, meter) as client:
            assert client.services.get_characteristic(BATTERY_LEVEL) is None
            await asyncio.sleep(1)

    run_virtual(body())


def test_indications_arrive_confirmed(air, run_virtual):
    class Thermometer(CountingMeter):
        def show(self, _now):
            self.count += 1
            return DisplayState(Quantity.TEMPERATURE, Decimal(self.count).scaleb(-1), "°C")

    async def body():
        encoder = PresentedEncoder([AssignedFunction.TEMPERATURE_MEASUREMENT])
        meter = await air.add_meter(Thermometer("Alder"), encoder=encoder)
        packets = []
        async with client_of(air, meter) as client:
            await client.start_notify(uuid16(0x2A1C), lambda _sender, packet: packets.append(bytes(packet)))
            await asyncio.sleep(10.05)
        numbers = [int.from_bytes(packet[1:4], "little") for packet in packets]
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
        assert len(numbers) >= 99

    run_virtual(body())


def test_writes_reach_the_meter(air, run_virtual):
    async def body():
        encoder = FrameEncoder(5)
        meter = await air.add_meter(CountingMeter("Alder"), encoder=encoder)
        async with client_of(air, meter) as client:
            await client.write_gatt_char(COMMANDS, b"hold", response=True)
            await client.write_gatt_char(COMMANDS, memoryview(b"range"), response=False)
            await client.write_gatt_char(COMMANDS, bytes(100), response=True)
            with pytest.raises(BleakError, match="too many"):
                await client.write_gatt_char(COMMANDS, bytes(21), response=False)
            with pytest.raises(BleakGATTProtocolError) as caught:
                await client.read_gatt_char(COMMANDS)
            assert caught.value.code == BleakGATTProtocolErrorCode.READ_NOT_PERMITTED
            with pytest.raises(BleakGATTProtocolError) as caught:
                await client.write_gatt_char(FRAMES, b"x", response=True)
            assert caught.value.code == BleakGATTProtocolErrorCode.WRITE_NOT_PERMITTED
        assert encoder.commands == [b"hold", b"range", bytes(100)]

    run_virtual(body())


def test_use_cached_returns_the_last_value(air, run_virtual):
    async def body():
        instrument = CountingMeter("Alder")
        meter = await air.add_meter(instrument, encoder=ohms())
        async with client_of(air, meter) as client:
            assert await client.read_gatt_char(BATTERY_LEVEL, use_cached=True) == b"\x64"
            instrument.battery = 50
            await asyncio.sleep(1)
            assert await client.read_gatt_char(BATTERY_LEVEL, use_cached=True) == b"\x64"
            assert await client.read_gatt_char(BATTERY_LEVEL) == b"\x32"
            assert await client.read_gatt_char(BATTERY_LEVEL, use_cached=True) == b"\x32"

    run_virtual(body())


def test_scanner_filters_clears_and_repeats(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        birch = await air.add_meter(CountingMeter("Birch"), encoder=FrameEncoder(5))
        seen = []
        scanner = BleakScanner(
            lambda device, _data: seen.append(device.address),
            service_uuids=[SERVICE_UUID.upper()],
            backend=air.scanner_backend,
        )
        await scanner.start()
        with pytest.raises(BleakError, match="already started"):
            await scanner.start()
        await asyncio.sleep(2)
        await scanner.stop()
        await scanner.stop()
        assert set(seen) == {meter.address}
        assert len(seen) > 1
        count = len(seen)
        await asyncio.sleep(2)
        assert len(seen) == count
        meter.set_out_of_range(True)
        async with scanner:
            await asyncio.sleep(2)
        assert scanner.discovered_devices == []
        by_name = await BleakScanner.find_device_by_name("Birch", backend=air.scanner_backend)
        assert by_name.address == birch.address
        assert air.device_count == 2

    run_virtual(body())


def test_only_requested_services_are_offered(air, run_virtual):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        async with client_of(air, meter, services=["180f"]) as client:
            assert [service.uuid for service in client.services] == [uuid16(0x180F)]

    run_virtual(body())


def test_unknown_addresses_and_strange_devices_are_not_found(air, run_virtual):
    async def body():
        with pytest.raises(BleakDeviceNotFoundError) as caught:
            await client_of(air, "C0:00:5E:00:00:99").connect()
        assert caught.value.identifier == "C0:00:5E:00:00:99"
        with pytest.raises(BleakDeviceNotFoundError):
            await BleakClient(BLEDevice("C0:00:5E:00:00:98", None, {}), backend=air.client_backend).connect()
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        with pytest.raises(ValueError, match="on the air already"):
            await air.add_meter(CountingMeter("Birch"), encoder=ohms(), address=meter.address.lower())

    run_virtual(body())


def test_a_raising_callback_harms_nobody_else(air, run_virtual, caplog):
    async def body():
        meter = await air.add_meter(CountingMeter("Alder"), encoder=ohms())
        calls = []

        def broken(_sender, _packet):
            calls.append(1)
            raise ValueError("a broken watcher")

        async with client_of(air, meter) as client:
            await client.start_notify(OHMS, broken)
            await asyncio.sleep(1.05)
            assert client.is_connected
        assert len(calls) >= 10

    with caplog.at_level(logging.CRITICAL):
        run_virtual(body())
