"""A Bluetooth that fails as asked: fake backends of bleak, in virtual time, and a `Radio` on them."""

# ruff: noqa: ARG002, ARG003 - the fakes need the parameters of their base classes

import asyncio
import functools
import itertools
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

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
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)

from meterlink.ble import ConnectionState, Radio, RadioState, ReceivedPacket
from meterlink.ble.bluetooth_state import Adapter, BluetoothState
from meterlink.core.equipment import Meter
from meterlink.driver_api import Advertisement, Channel, uuid16
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

MEASURED = "6d2a1f00-52a4-4c5e-9d8e-3c1f5b7a9e01"  # invented, like every UUID and name here
SERVICE = "6d2a1f00-52a4-4c5e-9d8e-3c1f5b7a9e00"
BATTERY = uuid16(0x2A19)
SERIAL = uuid16(0x2A25)
DEVICE_INFORMATION = uuid16(0x180A)
PRESENTATION = uuid16(0x2904)
ADDRESS = "AA:00:00:00:00:01"
ADAPTER = "F0:00:00:00:00:01"

IN_PROGRESS = BleakDBusError("org.bluez.Error.InProgress", ["Operation already in progress"])
ABORTED = BleakDBusError("org.bluez.Error.Failed", ["le-connection-abort-by-local"])
NO_SLOT = BleakDBusError("org.bluez.Error.Failed", ["le-connection-concurrent-connection-limit"])
NO_ADAPTER = BleakBluetoothNotAvailableError(
    "No Bluetooth adapters found.", BleakBluetoothNotAvailableReason.NO_BLUETOOTH
)
# The errors of BlueZ 5.66 and bleak while the adapter is off or the service does not run (seen).
SWITCHED_OFF = BleakBluetoothNotAvailableError(
    "No powered Bluetooth adapters found.", BleakBluetoothNotAvailableReason.POWERED_OFF
)
ADAPTER_FAILED = BleakDBusError("org.bluez.Error.Failed", ["Input/output error"])
NO_SERVICE = BleakDBusError("org.freedesktop.DBus.Error.Spawn.ChildExited", ["Process org.bluez exited with status 1"])


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
        self.vanishes_when_full = False  # a connection too many is not refused: its device is gone
        self.present = True
        self.mute = False
        self.on_scan: list[Exception | Hang] = []
        self.scans = 0
        self.scanning = 0
        self.scanner: FakeScanner | None = None  # the one that hears
        self.away_error: BleakError = NO_ADAPTER
        self.connect_error: BleakError = BleakError("device 'dev' not found")
        self.resumes = 0
        self.other_adapters: tuple[Adapter, ...] = ()
        self.adapter_name = "hci0"  # empty while it is unplugged
        self.scanned_with: str | None = None  # the name of the adapter that bleak was given
        self.owner = ":1.1"  # of the Bluetooth service
        self.watch: FakeWatch | None = None
        self.buses = 0  # open D-Bus connections; each stays open until disconnect() is called
        self.most_linked = 0
        self.unpaired: list[str] = []
        self.linked_before: list[str] = []

    @property
    def linked(self) -> int:
        return sum(meter.client is not None for meter in self.meters.values())

    def power_off(self) -> None:
        """Behave as BlueZ 5.66 does: end the scan, drop the strength of every device, drop the links, refuse calls."""
        self.present = False
        self.away_error, self.connect_error = SWITCHED_OFF, ADAPTER_FAILED
        scanner, self.scanner = self.scanner, None
        for meter in self.meters.values():
            meter.drop()
            if scanner is not None:
                scanner.lose_strength(meter)
        self.tell()

    def power_off_on_macos(self) -> None:
        """Behave like CoreBluetooth (from bleak's source): the scan ends and the links go silent, without a word."""
        self.present = False
        self.away_error = SWITCHED_OFF
        self.connect_error = BleakError("disconnected")
        self.scanner = None
        for meter in self.meters.values():
            if meter.client is not None:
                meter.client.mute()

    def power_off_on_windows(self) -> None:
        """Behave like WinRT (from bleak's source): the scan ends without a word, and the links are dropped."""
        self.present = False
        self.away_error = SWITCHED_OFF
        self.connect_error = BleakError("Could not get GATT services: Unreachable")
        self.scanner = None
        for meter in self.meters.values():
            meter.drop()

    def power_on(self) -> None:
        """Accept calls again; the scan stays off."""
        self.present = True
        self.tell()

    def end_service(self) -> None:
        """Kill the Bluetooth service: nobody hears that the links are over."""
        self.present = False
        self.owner = ""
        self.away_error = self.connect_error = NO_SERVICE
        self.scanner = None
        for meter in self.meters.values():
            if meter.client is not None:
                meter.client.mute()
        self.tell()

    def start_service(self) -> None:
        self.present = True
        self.owner = ":1.2"
        self.tell()

    def tell(self) -> None:
        """Tell the watch, if one runs, of the present state."""
        if self.watch is not None:
            self.watch.changed.set()

    @property
    def state(self) -> BluetoothState:
        if not self.owner:
            return BluetoothState("", (), self.resumes)
        adapter = Adapter(self.adapter_name, ADAPTER, powered=self.present, discovering=self.scanner is not None)
        adapters = (adapter,) if self.adapter_name else ()
        return BluetoothState(self.owner, (*adapters, *self.other_adapters), self.resumes)

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
        self.air.scanned_with = kwargs["bluez"].get("adapter")
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        await act(self.air.on_scan)
        if not self.air.present:
            raise self.air.away_error
        assert self.air.scanning == 0, "two scans at once"
        self.air.scanning += 1
        self.air.scans += 1
        self.air.scanner = self
        self._task = asyncio.create_task(self._advertise())
        self.air.tell()

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
                if audible and self.air.present and not self.air.mute and self.air.scanner is self:
                    self.hear(meter)
            await asyncio.sleep(1)

    def hear(self, meter: FakeMeter) -> None:
        data = AdvertisementData(meter.name, {}, {}, list(meter.uuids), None, meter.rssi, ())
        self._report(meter, data)

    def lose_strength(self, meter: FakeMeter) -> None:
        """Report a device without its strength: BlueZ does it when a scan ends."""
        properties = {"Address": meter.address, "Paired": meter.paired}
        self._report(meter, AdvertisementData(meter.name, {}, {}, list(meter.uuids), None, -127, ("path", properties)))

    def _report(self, meter: FakeMeter, data: AdvertisementData) -> None:
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
        self.stopped: list[str] = []  # the characteristics whose notifications were ended
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
            raise self.air.connect_error
        await act(self.meter.on_connect)
        if self.air.linked >= self.air.slots:
            if self.air.vanishes_when_full:
                raise BleakDeviceNotFoundError(self.address)
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

    def mute(self) -> None:
        """Send nothing more; the client goes on believing that it is connected."""
        if self._talk is not None:
            self._talk.cancel()

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
        self.stopped.append(characteristic.uuid)
        self.callbacks.pop(characteristic.handle, None)

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


class FakeWatch:
    """A `BluetoothWatch` of an air. It ends, as a lost D-Bus connection does, when ``broken`` is set."""

    def __init__(self, air: Air, *, delay: float = 0.0) -> None:
        self.air = air
        self.delay = delay  # s from a change to its report
        self.changed = asyncio.Event()
        self.broken = False
        self.runs = 0
        air.watch = self

    async def run(self, on_state: Callable[[BluetoothState], Awaitable[None]]) -> None:
        self.runs += 1
        while not self.broken:
            self.changed.clear()
            state = self.air.state
            await asyncio.sleep(self.delay)
            await on_state(state)
            await self.changed.wait()
        raise EOFError

    async def read(self) -> BluetoothState:
        await asyncio.sleep(0)
        return self.air.state

    async def forget_cached_state(self) -> None:
        for meter in self.air.meters.values():
            meter.drop()


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

    @functools.wraps(test)  # pytest reads the parameters, and the file of the test, of the function that is wrapped
    def run(**arguments: Any) -> None:
        run_in_virtual_time(test(**arguments))

    return run
