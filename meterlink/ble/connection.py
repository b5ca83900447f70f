"""One connection to one meter: from connecting to closing, and the packets in between."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

from bleak import BleakClient
from bleak.args.winrt import WinRTClientArgs
from bleak.backends import BleakBackend
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.exc import BleakGATTProtocolError, BleakGATTProtocolErrorCode

from meterlink.ble.backend_errors import is_out_of_connections, is_transient
from meterlink.ble.cancellation import run_to_completion, timeout_with_cleanup
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.clock import Clock, Timestamp
from meterlink.core.errors import DriverError
from meterlink.core.text import clean_text
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

# Services that say nothing of what a meter measures: Device Information, Battery, Generic Access and Attribute.
GENERIC_SERVICES = frozenset({DEVICE_INFORMATION, BATTERY_SERVICE, uuid16(0x1800), uuid16(0x1801)})

# What a meter answers to a handle that is not there (Bluetooth Core, vol. 3 part F, table 3.4).
_STALE_SERVICE_ERRORS = frozenset(
    {BleakGATTProtocolErrorCode.INVALID_HANDLE, BleakGATTProtocolErrorCode.DATABASE_OUT_OF_SYNC}
)


@dataclass(eq=False, slots=True)
class MeterSession:
    """A meter's connection as its packets know it; a new one for every connection, equal only to itself.

    ``number`` counts up over all meters of a `Radio`. ``kind`` is the driver kind's name, ``driver`` its decoder for
    this connection alone. ``serial`` is empty where the meter tells none; ``service`` is the UUID of the service that
    its readings come from. ``closed`` turns true when the connection has ended; no packet of it is made after that.
    """

    number: int
    address: str
    name: str
    serial: str
    driver_name: str
    driver: Driver
    service: str = ""
    closed: bool = field(default=False, init=False)


@dataclass(frozen=True, slots=True)
class ReceivedPacket:
    """Bytes as they came on one channel (a `Characteristic.key`) of a session, and when."""

    session: MeterSession
    channel: str
    data: bytes
    stamp: Timestamp


async def connect_with_retries(
    new_connection: "Callable[[], BleConnection]", timeouts: RadioTimeouts, jitter: Callable[[float, float], float]
) -> "BleConnection":
    """Return an open link, after several tries where failing is a matter of luck; raise why there is none.

    ``make`` makes a fresh one for every try; ``jitter`` draws the pause between two.
    """
    tries = 0
    while True:
        link = new_connection()
        try:
            await link.connect()
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
            return link


def open_driver(kind: DriverFactory, services: Sequence[Characteristic]) -> Driver:
    """Open a driver on what a meter offers; DriverError for whatever somebody else's code may raise."""
    try:
        return kind.open(services)
    except DriverError:
        raise
    except Exception as error:
        raise DriverError(
            f"The driver {kind.name} failed on this meter: {error!r}.", "Report it to its author."
        ) from error


def reading_service_uuid(services: Sequence[Characteristic], driver: Driver) -> str:
    """Return the UUID of the service that a driver's readings come from: that of its first channel of its own."""
    by_key = {found.key: found.service_uuid for found in services}
    uuids = [by_key[channel.key] for channel in driver.channels if channel.key in by_key]
    return next((uuid for uuid in uuids if uuid not in GENERIC_SERVICES), "")


@dataclass(frozen=True, slots=True)
class DiscoveredServices:
    """What a connected meter offers, and the serial number it tells of itself (empty where it tells none)."""

    characteristics: tuple[Characteristic, ...]
    serial: str


class BleConnection:
    """A connection under way or established. Always `close` it; it is never connected twice."""

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
            winrt=WinRTClientArgs(use_cached_services=False) if ignore_service_cache else WinRTClientArgs(),
            backend=backend,
        )

    async def connect(self) -> None:
        """Connect; on any failure, close. Raises TimeoutError or whatever the backend raises."""
        try:
            async with timeout_with_cleanup(self._timeouts.connect, self._timeouts.cleanup):
                await self._client.connect()
        except BaseException:
            await self.close()
            raise

    async def read_characteristics(self) -> list[Characteristic]:
        """Return the meter's characteristics with the descriptors a driver may want."""
        every = list(self._client.services.characteristics.values())
        uuids = [char.uuid for char in every]
        services = []
        for char in every:
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
        """Return the serial number the meter tells of itself, cleaned, or an empty text."""
        for found in services:
            if (found.service_uuid, found.uuid) == (DEVICE_INFORMATION, SERIAL_NUMBER) and "read" in found.properties:
                value = await self._read_optional(self._client.read_gatt_char(self._characteristics[found.key]))
                return clean_text((value or b"").decode("utf-8", "replace").rstrip("\0"))
        return ""

    async def _read_optional(self, read: Awaitable[bytearray]) -> bytes | None:
        """Return what a read of something optional brings, or None: a refusal is no reason to do without the meter.

        Raises only where the meter says that the services it is asked about are not, or no longer, its own.
        """
        try:
            return bytes(await read)
        except BleakGATTProtocolError as error:
            if error.code in _STALE_SERVICE_ERRORS and not self._ignore_service_cache:
                raise
        except Exception as error:  # noqa: BLE001 - the backend's own kinds
            log.debug("a read of %s failed: %r", self._device.address, error)
        return None

    async def subscribe(self, session: MeterSession, on_packet: Callable[[ReceivedPacket], None], clock: Clock) -> None:
        """Subscribe to what the session's driver wants subscribed, then write what its meter wants written once.

        DriverError when it asks for what is not there.
        """
        driver = session.driver
        self._writes = tuple(driver.writes) if isinstance(driver, WritingDriver) else ()
        wanted_keys = [*(channel.key for channel in driver.channels), *(write.key for write in self._writes)]
        missing = [key for key in wanted_keys if key not in self._characteristics]
        if missing or not session.driver.channels:
            wanted = ", ".join(missing) or "nothing at all"
            raise DriverError(
                f"The driver {session.driver_name} asks for {wanted}.", "Correct the driver or the profile."
            )
        self._session = session
        self.last_data_at = asyncio.get_running_loop().time()
        self._subscribed = any(channel.method == "subscribe" for channel in session.driver.channels)
        for channel in session.driver.channels:
            if channel.method == "subscribe":
                await self._client.start_notify(
                    self._characteristics[channel.key],
                    self._notification_callback(session, channel.key, on_packet, clock),
                )
        for write in self._writes:
            await self._write(write)

    def _notification_callback(
        self, session: MeterSession, key: str, on_packet: Callable[[ReceivedPacket], None], clock: Clock
    ) -> Callable[[BleakGATTCharacteristic, bytearray], None]:
        """Return the callback for one channel: it stamps and hands on, nothing else, so order is kept."""
        loop = asyncio.get_running_loop()

        def receive(_char: BleakGATTCharacteristic, data: bytearray) -> None:
            stamp = clock.now()
            if session.closed:  # a backend may keep calling for a connection that is gone
                return
            self._record_data_time(loop.time())
            on_packet(ReceivedPacket(session, key, bytes(data), stamp))

        return receive

    async def poll_periodically(
        self, session: MeterSession, on_packet: Callable[[ReceivedPacket], None], clock: Clock
    ) -> None:
        """Read and write what the driver wants again and again, each at its period, until cancelled.

        What fails is left out: silence is what ends a link.
        """
        loop = asyncio.get_running_loop()
        now = loop.time()
        due: dict[Channel | CharacteristicWrite, float] = {
            channel: now for channel in session.driver.channels if channel.method == "read"
        }
        due.update({write: now + write.period for write in self._writes if write.period > 0})
        while due:
            one = min(due, key=lambda each: due[each])
            await asyncio.sleep(max(0.0, due[one] - loop.time()))
            try:
                async with timeout_with_cleanup(self._timeouts.read, self._timeouts.cleanup):
                    if isinstance(one, CharacteristicWrite):
                        await self._write(one)
                    else:
                        data = await self._client.read_gatt_char(self._characteristics[one.key])
                        self._deliver_polled(ReceivedPacket(session, one.key, bytes(data), clock.now()), on_packet)
            except Exception as error:  # noqa: BLE001 - the backend's own kinds
                log.debug("asking %s of %s failed: %r", one.key, session.address, error)
            due[one] = loop.time() + max(one.period, self._timeouts.shortest_poll_period)

    def _deliver_polled(self, packet: ReceivedPacket, on_packet: Callable[[ReceivedPacket], None]) -> None:
        if not self._subscribed:  # a battery level that can be read does not make a silent display speak
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
        """Seconds by which silence is expected: the longest period of a meter that is only read, else 0."""
        if self._session is None or self._subscribed:
            return 0.0
        return max(channel.period for channel in self._session.driver.channels)

    async def clear_service_cache(self) -> None:
        """Make the platform drop what it remembers of the meter's services, where it can.

        BlueZ does so by removing the device, which would also lose a pairing, so a paired meter is left alone.
        (Windows is told not to use its memory at the next connection: ``fresh_services``.)
        """
        platform = self._client.backend_id
        if isinstance(platform, BleakBackend) and platform is not BleakBackend.BLUEZ_DBUS:
            return
        details = self._device.details
        if isinstance(details, dict) and details.get("props", {}).get("Paired", True):
            return
        try:
            async with timeout_with_cleanup(self._timeouts.disconnect, self._timeouts.cleanup):
                await self._client.unpair()
        except Exception as error:  # noqa: BLE001 - a remedy that fails leaves things as they were
            log.debug("removing %s failed: %r", self._device.address, error)

    async def close(self) -> None:
        """End the session and disconnect, even when cancelled meanwhile. Raises nothing but that cancellation."""
        if self._session is not None:
            self._session.closed = True
        await run_to_completion(self._disconnect())

    async def _disconnect(self) -> None:
        try:
            async with timeout_with_cleanup(self._timeouts.disconnect, self._timeouts.cleanup):
                await self._client.disconnect()
        except Exception as error:  # noqa: BLE001 - a link that cannot be closed must not keep the next from opening
            log.debug("disconnecting %s failed: %r", self._device.address, error)
