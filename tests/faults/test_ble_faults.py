"""``meterlink.ble`` on a faulty Bluetooth, in virtual time, with fake backends."""

# ruff: noqa: ARG002, ARG003, ARG005 - the fakes need the parameters of their base classes

import asyncio
import inspect
import itertools
import sys
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import pytest
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
)

from meterlink.ble import ConnectionState, Radio, RadioState, RadioTimeouts, ReceivedPacket
from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Meter
from meterlink.core.errors import DriverError
from meterlink.driver_api import Advertisement, Channel, uuid16
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

MEASURED = "6d2a1f00-52a4-4c5e-9d8e-3c1f5b7a9e01"  # invented, like every UUID and name here
SERVICE = "6d2a1f00-52a4-4c5e-9d8e-3c1f5b7a9e00"
BATTERY = uuid16(0x2A19)
SERIAL = uuid16(0x2A25)
DEVICE_INFORMATION = uuid16(0x180A)
PRESENTATION = uuid16(0x2904)
ADDRESS = "AA:00:00:00:00:01"

IN_PROGRESS = BleakDBusError("org.bluez.Error.InProgress", ["Operation already in progress"])
ABORTED = BleakDBusError("org.bluez.Error.Failed", ["le-connection-abort-by-local"])
NO_SLOT = BleakDBusError("org.bluez.Error.Failed", ["le-connection-concurrent-connection-limit"])
NO_ADAPTER = BleakBluetoothNotAvailableError(
    "No Bluetooth adapters found.", BleakBluetoothNotAvailableReason.NO_BLUETOOTH
)


class Hang:
    """In a script: the call never returns. A ``stubborn`` call survives one cancellation, too."""

    def __init__(self, *, stubborn: bool = False) -> None:
        self.stubborn = stubborn

    async def wait(self) -> None:
        try:
            await asyncio.sleep(1e9)
        except asyncio.CancelledError:
            if self.stubborn:
                await asyncio.sleep(1e9)
            raise


async def several_turns() -> None:
    for _ in range(3):
        await asyncio.sleep(0)


async def act(script: list[Exception | Hang]) -> None:
    """Yield to the loop, then hang or raise as the script's next item demands; return if the script is empty."""
    await asyncio.sleep(0)
    if script:
        match script.pop(0):
            case Hang() as hang:
                await hang.wait()
            case error:
                raise error


@dataclass(eq=False)
class FakeMeter:
    """A peripheral with a measuring characteristic, a battery level, and a serial number if it is given."""

    address: str = ADDRESS
    name: str = "Bench one"
    uuids: tuple[str, ...] = (SERVICE,)
    serial: bytes = b""
    advertises: bool = True
    advertises_connected: bool = False
    mute: bool = False
    paired: bool = False
    rssi: int = -60
    period: float = 0.5  # s between notifications
    on_connect: list[Exception | Hang] = field(default_factory=list)
    on_subscribe: list[Exception | Hang] = field(default_factory=list)
    on_read: list[Exception | Hang] = field(default_factory=list)
    on_describe: list[Exception | Hang] = field(default_factory=list)
    on_disconnect: list[Exception | Hang] = field(default_factory=list)
    clients: list["FakeClient"] = field(default_factory=list)

    @property
    def client(self) -> "FakeClient | None":
        return next((client for client in self.clients if client.is_connected), None)

    def drop(self) -> None:
        """End the connection from the meter's side."""
        if self.client is not None:
            self.client.dropped()


class Air:
    """The meters on the air, and the adapter."""

    def __init__(self, *meters: FakeMeter, slots: int = 99) -> None:
        self.meters = {meter.address: meter for meter in meters}
        self.slots = slots
        self.present = True
        self.mute = False
        self.on_scan: list[Exception | Hang] = []
        self.scans = 0
        self.scanning = 0
        self.scanner: FakeScanner | None = None
        self.buses = 0  # open D-Bus connections; each stays open until disconnect() is called
        self.most_linked = 0
        self.unpaired: list[str] = []
        self.linked_before: list[str] = []

    @property
    def linked(self) -> int:
        return sum(meter.client is not None for meter in self.meters.values())

    def vanish(self) -> None:
        self.present = False
        for meter in self.meters.values():
            meter.drop()


class FakeScanner(BaseBleakScanner):
    air: Air

    def __init__(
        self, detection_callback: Any, service_uuids: list[str] | None, scanning_mode: str, **kwargs: Any
    ) -> None:
        super().__init__(detection_callback, service_uuids)
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        await act(self.air.on_scan)
        if not self.air.present:
            raise NO_ADAPTER
        assert self.air.scanning == 0, "two scans at once"
        self.air.scanning += 1
        self.air.scans += 1
        self.air.scanner = self
        self._task = asyncio.create_task(self._advertise())

    async def stop(self) -> None:
        await several_turns()
        if self._task is not None:
            self._task.cancel()
            self._task = None
            self.air.scanner = None
            self.air.scanning -= 1

    async def _advertise(self) -> None:
        while True:
            await asyncio.sleep(0)
            for meter in list(self.air.meters.values()):
                audible = meter.advertises and (meter.advertises_connected or meter.client is None)
                if audible and self.air.present and not self.air.mute:
                    self.hear(meter)
            await asyncio.sleep(1)

    def hear(self, meter: FakeMeter) -> None:
        data = AdvertisementData(meter.name, {}, {}, list(meter.uuids), None, meter.rssi, ())
        details = {"path": meter.address, "props": {"Paired": meter.paired}}
        device = self.create_or_update_device(meter.address, meter.address, meter.name, details, data)
        self.call_detection_callbacks(device, data)


class FakeClient(BaseBleakClient):
    air: Air

    def __init__(self, address_or_ble_device: BLEDevice | str, services: set[str] | None = None, **kwargs: Any) -> None:
        self.fresh_services = kwargs.pop("winrt").get("use_cached_services") is False
        super().__init__(address_or_ble_device, **kwargs)
        self.meter = self.air.meters[self.address]
        self.meter.clients.append(self)
        self.callbacks: dict[int, Callable[[bytearray], None]] = {}
        self._linked = False
        self._bus = False
        self._talk: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        return self.meter.name

    @property
    def mtu_size(self) -> int:
        return 23

    @property
    def is_connected(self) -> bool:
        return self._linked

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        self._bus = True
        self.air.buses += 1
        if not self.air.present:
            raise BleakError("device 'dev' not found")
        await act(self.meter.on_connect)
        if self.air.linked >= self.air.slots:
            raise NO_SLOT
        self._linked = True
        self.air.most_linked = max(self.air.most_linked, self.air.linked)
        self.services = collection(self.meter)
        await asyncio.sleep(0)

    async def disconnect(self) -> None:
        await several_turns()
        await act(self.meter.on_disconnect)
        if self._bus:
            self._bus = False
            self.air.buses -= 1
        self._close()

    def _close(self) -> None:
        self._linked = False
        if self._talk is not None:
            self._talk.cancel()
            self._talk = None

    def dropped(self) -> None:
        self._close()
        assert self._disconnected_callback is not None
        self._disconnected_callback()

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        raise NotImplementedError

    async def unpair(self) -> None:
        self.air.unpaired.append(self.address)

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        if characteristic.uuid == SERIAL:
            return bytearray(self.meter.serial)
        await act(self.meter.on_read)
        return bytearray([90])

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        await asyncio.sleep(0)
        await act(self.meter.on_describe)
        if descriptor.characteristic_uuid == BATTERY:
            raise BleakGATTProtocolError(0x02)
        return bytearray(b"\x06\xfe\x28\x27\x01\x00\x00")

    async def write_gatt_char(self, characteristic: BleakGATTCharacteristic, data: Any, response: bool) -> None:
        raise NotImplementedError

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: Any) -> None:
        raise NotImplementedError

    async def start_notify(self, characteristic: BleakGATTCharacteristic, callback: Any, **kwargs: Any) -> None:
        await act(self.meter.on_subscribe)
        self.callbacks[characteristic.handle] = callback
        if self._talk is None:
            self._talk = asyncio.create_task(self._chatter())

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        del self.callbacks[characteristic.handle]

    def say(self, data: bytes) -> None:
        for callback in list(self.callbacks.values()):
            callback(bytearray(data))

    async def _chatter(self) -> None:
        for count in itertools.count():
            if not self.meter.mute:
                self.say(bytes([count % 256]))
            await asyncio.sleep(self.meter.period)


def collection(meter: FakeMeter) -> BleakGATTServiceCollection:
    services = BleakGATTServiceCollection()
    handles = itertools.count(1)

    def add(service: BleakGATTService, uuid: str, properties: list[Any], *descriptors: str) -> None:
        char = BleakGATTCharacteristic(None, next(handles), uuid, properties, lambda: 20, service)
        services.add_characteristic(char)
        for descriptor in descriptors:
            services.add_descriptor(BleakGATTDescriptor(None, next(handles), descriptor, char))

    measuring = BleakGATTService(None, next(handles), SERVICE)
    services.add_service(measuring)
    add(measuring, MEASURED, ["notify"], PRESENTATION, uuid16(0x2902))
    add(measuring, BATTERY, ["read"], PRESENTATION)
    if meter.serial:
        information = BleakGATTService(None, next(handles), DEVICE_INFORMATION)
        services.add_service(information)
        add(information, SERIAL, ["read"])
    return services


class FakeAdapter(BaseBleakAdapter):
    air: Air

    @classmethod
    async def get(cls, **kwargs: Any) -> "FakeAdapter":
        return cls()

    async def get_connected_devices(self, service_uuids: frozenset[str]) -> list[BLEDevice]:
        return [BLEDevice(address, None, None) for address in self.air.linked_before]


class Decoder:
    def __init__(self, channels: tuple[Channel, ...]) -> None:
        self.channels = channels

    def feed(self, channel: str, packet: bytes, timestamp: object) -> tuple[()]:
        return ()


class FakeDriverFactory:
    name = "bench"

    def __init__(self, *channels: Channel) -> None:
        self.channels = channels or (Channel(MEASURED),)
        self.opened: list[Decoder] = []
        self.choices: list[tuple[Advertisement, Any]] = []
        self.error: Exception | None = None

    def matches(self, advertisement: Advertisement, services: Any) -> float:
        return 1.0 if SERVICE in advertisement.service_uuids or services else 0.0

    def open(self, services: Any) -> Decoder:
        if self.error is not None:
            raise self.error
        self.opened.append(Decoder(self.channels))
        return self.opened[-1]

    def choose(self, advertisement: Advertisement, services: Any) -> "FakeDriverFactory | None":
        self.choices.append((advertisement, services))
        return self if self.matches(advertisement, services) else None


class Rig:
    """A radio on a fake air, with its packets and states."""

    def __init__(self, air: Air, factory: FakeDriverFactory, **options: Any) -> None:
        self.air = air
        self.factory = factory
        self.packets: list[ReceivedPacket] = []
        self.states: list[RadioState] = []
        merged: dict[str, Any] = {
            "choose_driver": factory.choose,
            "known_meters": [Meter(meter.address, "") for meter in air.meters.values()],
            "adapter_backend": None,
            "jitter": lambda low, high: (low + high) / 2,
        } | options
        self.radio = Radio(
            clock=VirtualClock(),
            on_packet=self.packets.append,
            on_state_change=self.states.append,
            scanner_backend=type("Scanner", (FakeScanner,), {"air": air}),
            client_backend=type("Client", (FakeClient,), {"air": air}),
            **merged,
        )

    def state(self, address: str = ADDRESS) -> ConnectionState:
        return next(status.state for status in self.radio.state.meters if status.address == address)

    def detail(self, address: str = ADDRESS) -> str:
        return next(status.detail for status in self.radio.state.meters if status.address == address)

    async def until(self, condition: Callable[[], bool], within: float = 60.0) -> float:
        """Wait until ``condition()``, checked ten times a virtual second; return the elapsed seconds."""
        loop = asyncio.get_running_loop()
        begin = loop.time()
        while not condition():
            assert loop.time() - begin < within, (self.radio.state, "still not true after", within)
            await asyncio.sleep(0.1)
        return loop.time() - begin

    async def connected(self, address: str = ADDRESS, within: float = 60.0) -> float:
        return await self.until(lambda: self.state(address) is ConnectionState.CONNECTED, within)


@asynccontextmanager
async def rig(
    *meters: FakeMeter, air: Air | None = None, factory: FakeDriverFactory | None = None, **options: Any
) -> AsyncIterator[Rig]:
    test_rig = Rig(air or Air(*meters), factory or FakeDriverFactory(), **options)
    running = asyncio.create_task(test_rig.radio.run())
    await asyncio.sleep(0)
    try:
        yield test_rig
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    assert running.cancelled()
    await nothing_left(test_rig.air)


async def nothing_left(air: Air) -> None:
    await asyncio.sleep(0)  # a cancelled task of the fakes ends in its next step
    assert asyncio.all_tasks() == {asyncio.current_task()}
    assert (air.buses, air.linked, air.scanning) == (0, 0, 0)


def warped(test: Callable[..., Coroutine[Any, Any, None]]) -> Callable[..., None]:
    """Run a test coroutine in virtual time."""

    def run(**arguments: Any) -> None:
        run_in_virtual_time(test(**arguments))

    run.__signature__ = inspect.signature(test)  # type: ignore[attr-defined] # pytest reads the parameters here
    run.__name__ = test.__name__
    return run


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


@warped
async def test_a_busy_scan_start_is_retried_without_alarm() -> None:
    air = Air(FakeMeter())
    air.on_scan = [IN_PROGRESS] * 4
    async with rig(air=air) as r:
        assert await r.connected() < 5
        assert not any(state.error for state in r.states)


@warped
async def test_a_scan_that_stays_busy_is_an_error_and_recovers() -> None:
    air = Air(FakeMeter())
    air.on_scan = [IN_PROGRESS] * 8
    async with rig(air=air) as r:
        await r.until(lambda: "busy" in r.radio.state.error)
        await r.connected()
        assert r.radio.state.error == ""


@warped
async def test_busy_and_aborted_connection_attempts_are_repeated_at_once() -> None:
    meter = FakeMeter(on_connect=[IN_PROGRESS, ABORTED, ABORTED])
    async with rig(meter) as r:
        assert await r.connected() < 4
        assert len(meter.clients) == 4
        assert r.air.buses == 1  # every failed attempt was closed


@warped
async def test_a_meter_that_fails_for_long_is_tried_for_ever() -> None:
    meter = FakeMeter(on_connect=[ABORTED] * 40)
    async with rig(meter) as r:
        await r.until(lambda: "le-connection-abort-by-local" in r.detail())
        await r.connected(within=600)
        assert len(meter.clients) == 41


@warped
async def test_a_connection_left_over_from_a_crash_is_used() -> None:
    air = Air(FakeMeter(advertises=False))
    air.linked_before = [ADDRESS, "AA:00:00:00:00:99"]
    async with rig(air=air, adapter_backend=type("Adapter", (FakeAdapter,), {"air": air})) as r:
        assert await r.connected() < 2
        assert len(r.radio.state.meters) == 1


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


@warped
async def test_a_silent_meter_is_reported_then_connected_again() -> None:
    meter = FakeMeter()
    async with rig(meter) as r:
        await r.connected()
        await asyncio.sleep(3)
        meter.mute = True
        assert 4.5 <= await r.until(lambda: r.state() is ConnectionState.SILENT) <= 6
        meter.mute = False
        assert await r.connected() <= 2
        assert len(meter.clients) == 1
        meter.mute = True
        assert 29 <= await r.until(lambda: r.state() is ConnectionState.LOST) <= 31
        assert "30 s" in r.detail()
        meter.mute = False
        await r.connected()
        assert len(meter.clients) == 2


@warped
async def test_a_polled_battery_does_not_hide_lost_notifications() -> None:
    meter = FakeMeter()
    async with rig(meter, factory=FakeDriverFactory(Channel(MEASURED), Channel(BATTERY, "read", 2.0))) as r:
        await r.connected()
        meter.mute = True
        await r.until(lambda: r.state() is ConnectionState.LOST)
        assert sum(packet.channel == BATTERY for packet in r.packets) > 10


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


@warped
async def test_polling_survives_refused_and_hanging_reads() -> None:
    meter = FakeMeter(on_read=[BleakGATTProtocolError(0x0E), Hang()])
    async with rig(meter, factory=FakeDriverFactory(Channel(MEASURED), Channel(BATTERY, "read", 1.0))) as r:
        await r.connected()
        await r.until(lambda: any(packet.channel == BATTERY for packet in r.packets))
        assert len(meter.clients) == 1


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


@warped
async def test_callbacks_are_synchronous_and_keep_their_order() -> None:
    meter = FakeMeter(period=1000)
    async with rig(meter) as r:
        await r.connected()
        r.packets.clear()
        for count in range(200):
            meter.clients[0].say(bytes([count]))
        assert [packet.data[0] for packet in r.packets] == list(range(200))  # before the loop has run again


@pytest.mark.parametrize("paired", [False, True])
@warped
async def test_cached_services_are_cleared_but_never_a_pairing(paired: bool) -> None:
    meter = FakeMeter(on_subscribe=[BleakGATTProtocolError(0x01)], paired=paired)
    async with rig(meter) as r:
        await r.connected()
        assert r.air.unpaired == ([] if paired else [ADDRESS])
        assert [client.fresh_services for client in meter.clients] == [False, True]


@warped
async def test_a_connection_lost_while_subscribing_keeps_the_cached_services() -> None:
    meter = FakeMeter(on_subscribe=[Hang()])
    async with rig(meter) as r:
        await r.until(lambda: meter.on_subscribe == [])
        meter.drop()
        await r.connected(within=90)
        assert r.air.unpaired == []
        assert [client.fresh_services for client in meter.clients] == [False, False]


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


@warped
async def test_a_stalled_scan_is_restarted() -> None:
    air = Air(FakeMeter(advertises=False))
    air.mute = True
    async with rig(air=air) as r:
        await asyncio.sleep(80)
        assert air.scans == 1
        await asyncio.sleep(20)
        assert air.scans == 2
        air.mute = False
        air.meters[ADDRESS].advertises = True
        await r.connected()
        air.meters["AA:00:00:00:00:02"] = FakeMeter("AA:00:00:00:00:02", "Other", ())
        await asyncio.sleep(300)
        assert air.scans == 2  # the other meter is heard


@warped
async def test_an_adapter_may_vanish_and_return() -> None:
    air = Air(FakeMeter())
    async with rig(air=air) as r:
        await r.connected()
        air.vanish()
        await r.until(lambda: "no Bluetooth adapter" in r.radio.state.error, within=60)
        assert r.state() is ConnectionState.LOST
        tried = len(air.meters[ADDRESS].clients)
        await asyncio.sleep(600)
        assert len(air.meters[ADDRESS].clients) == tried  # no connection is tried without the radio
        air.present = True
        assert await r.connected() < 40
        assert r.radio.state.error == ""


@warped
async def test_an_adapter_missing_at_the_start_is_an_error_at_once() -> None:
    air = Air(FakeMeter())
    air.present = False
    async with rig(air=air) as r:
        assert await r.until(lambda: r.radio.state.error != "") < 1
        assert "Plug one in" in r.radio.state.error
        assert r.state() is ConnectionState.SEARCHING


@warped
async def test_a_hanging_scan_start_is_cancelled_and_an_error() -> None:
    air = Air(FakeMeter())
    air.on_scan = [Hang(), Hang(stubborn=True)]
    async with rig(air=air) as r:
        await r.until(lambda: "does not answer" in r.radio.state.error)
        await r.connected()


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


@warped
async def test_more_meters_than_connections_wait_their_turn() -> None:
    meters = [FakeMeter(f"AA:00:00:00:00:0{n}", f"Bench {n}") for n in range(3)]
    async with rig(*meters, timeouts=RadioTimeouts(max_connections=2)) as r:
        await r.until(lambda: sum(status.state is ConnectionState.CONNECTED for status in r.radio.state.meters) == 2)
        await asyncio.sleep(30)
        [waiting] = [status for status in r.radio.state.meters if status.state is not ConnectionState.CONNECTED]
        assert waiting.detail == "All 2 connections of the Bluetooth adapter are in use."
        assert r.air.most_linked == 2
        leaving = next(meter for meter in meters if meter.client is not None)
        leaving.advertises = False
        leaving.drop()
        await r.connected(waiting.address)


@warped
async def test_an_adapter_with_fewer_connections_than_assumed() -> None:
    meters = [FakeMeter(f"AA:00:00:00:00:0{n}", f"Bench {n}") for n in range(3)]
    async with rig(air=Air(*meters, slots=2)) as r:
        await r.until(lambda: any("no connection left" in status.detail for status in r.radio.state.meters))
        attempts = sum(len(meter.clients) for meter in meters)
        await asyncio.sleep(60)
        assert sum(len(meter.clients) for meter in meters) - attempts < 20  # four-second pauses, then backing off
        waiting = next(meter for meter in meters if meter.client is None)
        leaving = next(meter for meter in meters if meter.client is not None)
        leaving.advertises = False
        leaving.drop()
        await r.connected(waiting.address, within=120)


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


@warped
async def test_another_serial_number_at_a_known_address_is_refused() -> None:
    meter = FakeMeter(serial=b"B-0018")
    async with rig(meter, known_meters=[Meter(ADDRESS, "Bench one", serial="B-0017")]) as r:
        await r.until(lambda: r.state() is ConnectionState.NEEDS_ATTENTION)
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


@pytest.mark.parametrize("stubborn", [False, True])
@pytest.mark.parametrize("script", ["on_connect", "on_subscribe"])
@warped
async def test_hanging_calls_are_cancelled_and_after_three_the_meter_needs_attention(
    script: str, stubborn: bool
) -> None:
    hanging: dict[str, Any] = {script: [Hang(stubborn=stubborn) for _ in range(4)]}
    meter = FakeMeter(**hanging)
    async with rig(meter) as r:
        await r.until(lambda: "does not answer" in r.detail())
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


@warped
async def test_a_hanging_disconnection_does_not_block_the_next_connection() -> None:
    meter = FakeMeter(on_disconnect=[Hang(stubborn=True)])
    async with rig(meter) as r:
        await r.connected()
        meter.drop()
        await r.until(lambda: len(r.factory.opened) == 2)
        r.air.buses -= 1  # the platform frees the connection whose closing hung


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


@warped
async def test_a_lost_meter_is_tried_a_few_times_then_awaited() -> None:
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
        assert await r.connected() < 5


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
