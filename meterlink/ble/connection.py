"""One Bluetooth connection to one meter: connecting, services, packets, closing."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.exc import BleakGATTProtocolError, BleakGATTProtocolErrorCode

from meterlink.ble.backend_errors import is_out_of_connections, is_transient
from meterlink.ble.cancellation import run_to_completion, timeout_with_cleanup
from meterlink.ble.platforms import client_arguments, forget_services, start_notifications
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.clock import Clock, Timestamp
from meterlink.core.errors import DriverError
from meterlink.core.record import record
from meterlink.core.text import clean_text, named_device
from meterlink.driver_api import (
    Channel,
    Characteristic,
    CharacteristicWrite,
    Driver,
    DriverFactory,
    WritingDriver,
    uuid16,
)

log = logging.getLogger(__name__)

# Bluetooth assigned numbers, Device Information service and its Serial Number String; GATT descriptors.
DEVICE_INFORMATION = uuid16(0x180A)
BATTERY_SERVICE = uuid16(0x180F)
SERIAL_NUMBER = uuid16(0x2A25)
USER_DESCRIPTION = uuid16(0x2901)
PRESENTATION_FORMAT = uuid16(0x2904)

# Services that carry no readings: Device Information, Battery, Generic Access, Generic Attribute.
GENERIC_SERVICES = frozenset({DEVICE_INFORMATION, BATTERY_SERVICE, uuid16(0x1800), uuid16(0x1801)})

# A meter's answers to an unknown handle (Bluetooth Core, vol. 3 part F, table 3.4).
_STALE_SERVICE_ERRORS = frozenset(
    {BleakGATTProtocolErrorCode.INVALID_HANDLE, BleakGATTProtocolErrorCode.DATABASE_OUT_OF_SYNC}
)


@dataclass(eq=False, slots=True)
class MeterSession:
    """The session of one connection to a meter; every packet refers to its session. Equal only to itself.

    ``number`` counts up over all meters of a `Radio`. ``driver_name`` is the driver factory's name, ``driver`` the
    decoder of this connection alone. ``serial`` is empty if the meter sends no serial number; ``service`` is the UUID
    of the service that carries the readings. No packet is older than ``opened``. ``closed`` becomes true when the
    connection has ended; there are no packets after that.
    """

    number: int
    address: str
    name: str
    serial: str
    driver_name: str
    driver: Driver
    opened: Timestamp
    service: str = ""
    closed: bool = field(default=False, init=False)


@record
class ReceivedPacket:
    """The bytes received on one channel (a `Characteristic.key`) of a session, and the time of arrival.

    ``after_loss``: packets of the session before it were dropped.
    """

    session: MeterSession
    channel: str
    data: bytes
    timestamp: Timestamp
    after_loss: bool = False


async def connect_with_retries(
    new_connection: "Callable[[], BleConnection]", timeouts: RadioTimeouts, jitter: Callable[[float, float], float]
) -> "BleConnection":
    """Return an open connection; try several times if the failure is transient, then raise the last one.

    ``new_connection`` makes a fresh connection for every try; ``jitter`` draws the pause between two tries, in seconds.
    """
    tries = 0
    while True:
        connection = new_connection()
        try:
            await connection.connect()
        except Exception as error:
            tries += 1
            if tries >= timeouts.connect_attempts or not is_transient(error):
                raise
            pause = (
                timeouts.out_of_connections_pause
                if is_out_of_connections(error)
                else jitter(timeouts.shortest_pause, timeouts.longest_pause)
            )
            await asyncio.sleep(pause)
        else:
            return connection


def open_driver(factory: DriverFactory, services: Sequence[Characteristic]) -> Driver:
    """Open a driver on a meter's services.

    Raises:
        DriverError: the factory raised an exception of any kind.
    """
    try:
        return factory.open(services)
    except DriverError:
        raise
    except Exception as error:
        raise DriverError(
            f"The driver {factory.name} failed on this meter: {error!r}.", "Report it to the driver's author."
        ) from error


def reading_service_uuid(services: Sequence[Characteristic], driver: Driver) -> str:
    """Return the service UUID of a driver's first channel outside the generic services; empty if there is none."""
    service_by_key = {characteristic.key: characteristic.service_uuid for characteristic in services}
    uuids = [service_by_key[channel.key] for channel in driver.channels if channel.key in service_by_key]
    return next((uuid for uuid in uuids if uuid not in GENERIC_SERVICES), "")


@dataclass(frozen=True, slots=True)
class DiscoveredServices:
    """The characteristics of a connected meter and its serial number (empty if the meter sends none)."""

    characteristics: tuple[Characteristic, ...]
    serial: str


class BleConnection:
    """A connection, established at most once. Always `close` it."""

    def __init__(
        self,
        device: BLEDevice,
        timeouts: RadioTimeouts,
        backend: type[BaseBleakClient] | None,
        *,
        ignore_service_cache: bool,
    ) -> None:
        self.disconnected = asyncio.Event()
        self.first_data_at: float | None = None  # event loop time
        self.last_data_at = 0.0
        self._device = device
        self._timeouts = timeouts
        self._ignore_service_cache = ignore_service_cache
        self._session: MeterSession | None = None
        self._characteristics: dict[str, BleakGATTCharacteristic] = {}
        self._subscribed = False
        self._writes: tuple[CharacteristicWrite, ...] = ()
        self._client = BleakClient(
            device,
            lambda _client: self.disconnected.set(),
            timeout=timeouts.connect,
            winrt=client_arguments(ignore_service_cache=ignore_service_cache),
            backend=backend,
        )

    @property
    def _log_name(self) -> str:
        return named_device(clean_text(self._device.name), self._device.address)

    async def connect(self) -> None:
        """Connect; close on any failure.

        Raises:
            TimeoutError: the meter did not answer in time.
            Exception: the backend's own error.
        """
        try:
            async with timeout_with_cleanup(self._timeouts.connect, self._timeouts.cleanup):
                await self._client.connect()
        except BaseException:
            await self.close()
            raise

    async def read_characteristics(self) -> list[Characteristic]:
        """Return the meter's characteristics with their user description and presentation format."""
        client_characteristics = list(self._client.services.characteristics.values())
        uuids = [char.uuid for char in client_characteristics]
        services = []
        for char in client_characteristics:
            key = char.uuid.lower() if uuids.count(char.uuid) == 1 else f"{char.uuid.lower()}@{char.handle}"
            self._characteristics[key] = char
            descriptors = {}
            for descriptor in char.descriptors:
                if descriptor.uuid.lower() in {USER_DESCRIPTION, PRESENTATION_FORMAT}:
                    value = await self._read_optional(self._client.read_gatt_descriptor(descriptor))
                    if value is not None:
                        descriptors[descriptor.uuid.lower()] = value
            services.append(
                Characteristic(
                    key, char.uuid.lower(), char.service_uuid.lower(), frozenset(char.properties), descriptors
                )
            )
        return services

    async def read_serial_number(self, services: Sequence[Characteristic]) -> str:
        """Return the serial number that the meter sends, cleaned; empty if there is none."""
        for characteristic in services:
            is_serial = (characteristic.service_uuid, characteristic.uuid) == (DEVICE_INFORMATION, SERIAL_NUMBER)
            if is_serial and "read" in characteristic.properties:
                source = self._characteristics[characteristic.key]
                value = await self._read_optional(self._client.read_gatt_char(source))
                return clean_text((value or b"").decode("utf-8", "replace").rstrip("\0"))
        return ""

    async def _read_optional(self, read: Awaitable[bytearray]) -> bytes | None:
        """Return the value of an optional read, None if it fails: the meter is usable without it.

        Raises:
            BleakGATTProtocolError: the meter does not have the handle, so the cached services are out of date.
        """
        try:
            return bytes(await read)
        except BleakGATTProtocolError as error:
            if error.code in _STALE_SERVICE_ERRORS and not self._ignore_service_cache:
                raise
        except Exception as error:  # noqa: BLE001 - the backend's own kinds
            log.debug("a read of %s failed: %r", self._log_name, error)
        return None

    async def subscribe(self, session: MeterSession, on_packet: Callable[[ReceivedPacket], None], clock: Clock) -> None:
        """Subscribe to the channels of the session's driver, then send each of its writes once.

        Raises:
            DriverError: the driver names a characteristic that the meter does not have, or names no channel.
        """
        driver = session.driver
        self._writes = tuple(driver.writes) if isinstance(driver, WritingDriver) else ()
        wanted_keys = [*(channel.key for channel in driver.channels), *(write.key for write in self._writes)]
        missing = [key for key in wanted_keys if key not in self._characteristics]
        if missing or not session.driver.channels:
            problem = f"needs {', '.join(missing)}, which this meter lacks" if missing else "names no channel"
            raise DriverError(f"The driver {session.driver_name} {problem}.", "Correct the driver or the profile.")
        self._session = session
        self.last_data_at = asyncio.get_running_loop().time()
        self._subscribed = any(channel.method == "subscribe" for channel in session.driver.channels)
        for channel in session.driver.channels:
            if channel.method == "subscribe":
                await start_notifications(
                    self._client,
                    self._characteristics[channel.key],
                    self._notification_callback(session, channel.key, on_packet, clock),
                )
        for write in self._writes:
            await self._write(write)

    def _notification_callback(
        self, session: MeterSession, key: str, on_packet: Callable[[ReceivedPacket], None], clock: Clock
    ) -> Callable[[BleakGATTCharacteristic, bytearray], None]:
        """Return the callback of one channel. It only adds the time and passes the packet on, so the order is kept."""
        loop = asyncio.get_running_loop()

        def receive(_char: BleakGATTCharacteristic, data: bytearray) -> None:
            received = clock.now()
            if session.closed:  # a backend may keep calling for a closed connection
                return
            self._record_data_time(loop.time())
            on_packet(ReceivedPacket(session, key, bytes(data), received))

        return receive

    async def poll_periodically(
        self, session: MeterSession, on_packet: Callable[[ReceivedPacket], None], clock: Clock
    ) -> None:
        """Send the driver's periodic reads and writes, each at its period, until cancelled.

        A failure is only logged: silence ends a connection, not a failed read.
        """
        loop = asyncio.get_running_loop()
        now = loop.time()
        due: dict[Channel | CharacteristicWrite, float] = {
            channel: now for channel in session.driver.channels if channel.method == "read"
        }
        due.update({write: now + write.period for write in self._writes if write.period > 0})
        while due:
            request = min(due, key=due.__getitem__)
            await asyncio.sleep(max(0.0, due[request] - loop.time()))
            try:
                async with timeout_with_cleanup(self._timeouts.read, self._timeouts.cleanup):
                    if isinstance(request, CharacteristicWrite):
                        await self._write(request)
                    else:
                        data = await self._client.read_gatt_char(self._characteristics[request.key])
                        self._deliver_polled(ReceivedPacket(session, request.key, bytes(data), clock.now()), on_packet)
            except Exception as error:  # noqa: BLE001 - the backend's own kinds
                log.debug("%s of %s failed: %r", request.key, self._log_name, error)
            due[request] = loop.time() + max(request.period, self._timeouts.shortest_poll_period)

    def _deliver_polled(self, packet: ReceivedPacket, on_packet: Callable[[ReceivedPacket], None]) -> None:
        if not self._subscribed:  # a polled battery level is no sign that a subscribed display still sends
            self._record_data_time(asyncio.get_running_loop().time())
        on_packet(packet)

    async def _write(self, write: CharacteristicWrite) -> None:
        await self._client.write_gatt_char(self._characteristics[write.key], write.data, response=write.response)

    def _record_data_time(self, now: float) -> None:
        self.last_data_at = now
        if self.first_data_at is None:
            self.first_data_at = now

    @property
    def data_duration(self) -> float:
        """Seconds from the first to the newest data."""
        return 0.0 if self.first_data_at is None else self.last_data_at - self.first_data_at

    @property
    def expected_silence(self) -> float:
        """The longest silence to expect, in seconds: the longest poll period of a meter that is only polled, else 0."""
        if self._session is None or self._subscribed:
            return 0.0
        return max(channel.period for channel in self._session.driver.channels)

    async def clear_service_cache(self) -> None:
        """Clear the platform's cache of the meter's services, where the platform allows it."""
        try:
            async with timeout_with_cleanup(self._timeouts.disconnect, self._timeouts.cleanup):
                await forget_services(self._client, self._device)
        except Exception as error:  # noqa: BLE001 - a failed remedy changes nothing
            log.debug("removing %s failed: %r", self._log_name, error)

    async def close(self) -> None:
        """End the session and disconnect, even if cancelled meanwhile. Raises nothing but that cancellation."""
        if self._session is not None:
            self._session.closed = True
        await run_to_completion(self._disconnect())

    async def _disconnect(self) -> None:
        try:
            async with timeout_with_cleanup(self._timeouts.disconnect, self._timeouts.cleanup):
                await self._client.disconnect()
        except Exception as error:  # noqa: BLE001 - a failed disconnection must not block the next connection
            log.debug("disconnecting %s failed: %r", self._log_name, error)
