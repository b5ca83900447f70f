"""A simulated meter on the air: a GATT peripheral that sends its instrument's displays, and its faults."""

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable

from bumble import core, data_types, hci
from bumble.att import ATT_Error, Attribute, ErrorCode
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection
from bumble.gatt import Characteristic, CharacteristicValue, Descriptor, Service

from meterlink.driver_api import uuid16
from meterlink_simulators.display import Instrument
from meterlink_simulators.encoders import CharacteristicDefinition, ConnectionObserver, Encoder
from meterlink_simulators.link_layer import ConnectionLostError, RadioDevice, run_in_own_task

logger = logging.getLogger(__name__)

BATTERY_SERVICE, BATTERY_LEVEL = uuid16(0x180F), uuid16(0x2A19)
DEVICE_INFORMATION_SERVICE, SERIAL_NUMBER = uuid16(0x180A), uuid16(0x2A25)

# Bytes: the payload of one extended advertising report (Core vol. 4 part E, 7.8.54) less room for flags and UUIDs.
_LONGEST_ADVERTISED_NAME = 180

_PROPERTIES = {
    "read": Characteristic.Properties.READ,
    "notify": Characteristic.Properties.NOTIFY,
    "indicate": Characteristic.Properties.INDICATE,
    "write": Characteristic.Properties.WRITE,
    "write-without-response": Characteristic.Properties.WRITE_WITHOUT_RESPONSE,
}


def _short_uuid(uuid: str) -> UUID:
    """Return ``uuid`` as sent on the air: 16 bits for a UUID on the Bluetooth base."""
    number = int(uuid[:8], 16)
    return UUID.from_16_bits(number) if number <= 0xFFFF and uuid16(number) == uuid else UUID(uuid)


class Peripheral:
    """A meter that one central at a time can connect to. `Air.add_meter` makes it.

    While connected it refreshes its display ``instrument.rate`` times a second and sends its encoder's packets to
    subscribers; Battery Level follows the display's ``battery_percent``. The fault methods act at once and may be
    called at any moment from the loop's thread.
    """

    def __init__(
        self,
        power_on: Callable[[str], Awaitable[RadioDevice]],
        now: Callable[[], float],
        instrument: Instrument,
        encoder: Encoder,
        *,
        serial: str,
        mtu: int,
        battery: bool,
        advertising_interval: float,
    ) -> None:
        self._power_on = power_on
        self._now = now
        self._instrument = instrument
        self._encoder = encoder
        self._battery = battery
        self._interval = advertising_interval
        self.name = instrument.name
        self.serial = serial
        self.mtu = mtu
        self.packets_sent = 0
        self._battery_sent = b""
        self._last_values: dict[str, bytes] = {}
        self._muted = False
        self._out_of_range = False
        self._outdated = False
        self._connection: Connection | None = None
        self._disconnected: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._changed = asyncio.Event()

    async def start(self) -> None:
        """Switch the meter on: it advertises."""
        await self._build()
        self._running = asyncio.create_task(self._run(), name=f"meter {self.name}")

    async def close(self) -> None:
        """Switch the meter off.

        Raises:
            Exception: the error of its instrument or encoder, if one failed.
        """
        self._running.cancel()
        await asyncio.wait([self._running])
        self._radio.shut_down()
        if not self._running.cancelled() and (error := self._running.exception()):
            raise error

    # State

    @property
    def address(self) -> str:
        """Its Bluetooth address."""
        return self._radio.address.to_string(with_type_qualifier=False)

    @property
    def connected(self) -> bool:
        """Whether a central is connected."""
        return self._connection is not None

    # Faults

    def drop_connection(self) -> None:
        """Lose the connection, as when the supervision time-out passes; the meter advertises again."""
        self._radio.controller.drop_connections(hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)

    def set_out_of_range(self, away: bool) -> None:  # noqa: FBT001 - reads as a sentence: meter.set_muted(True)
        """Move out of range (the connection drops; the meter is neither seen nor connectable) or back."""
        self._out_of_range = away
        if away:
            self.drop_connection()
        self._radio.controller.in_range = not away

    def set_muted(self, muted: bool) -> None:  # noqa: FBT001 - as above
        """Stay connected but send nothing, or send again."""
        self._muted = muted

    def refuse_connections(self, count: int) -> None:
        """Refuse the next ``count`` connection attempts: each fails to be established."""
        self._radio.controller.refusals = count

    def rename(self, name: str) -> None:
        """Change the advertised name and the Device Name characteristic, from the next connection on."""
        self.name = name
        self._mark_outdated()

    def change_services(self, encoder: Encoder) -> None:
        """Offer other services from the next connection on; attribute handles may move."""
        self._encoder = encoder
        self._mark_outdated()

    def set_mtu(self, mtu: int) -> None:
        """Accept at most this ATT MTU, in bytes (23 or more), from the next connection on."""
        self.mtu = mtu
        self._mark_outdated()

    # Internals

    def _mark_outdated(self) -> None:
        self._outdated = True
        self._changed.set()

    async def _build(self, refusals: int = 0) -> None:
        """Make a fresh radio with the present name, services and faults."""
        self._outdated = False
        radio = await self._power_on(self.name)
        radio.controller.in_range = not self._out_of_range
        radio.controller.refusals = refusals
        device = radio.device
        device.gatt_server.max_mtu = self.mtu
        self._characteristics: dict[str, Characteristic[bytes]] = {}
        for uuid, definitions in self._encoder.services():
            characteristics = [self._characteristic(definition) for definition in definitions]
            device.add_service(Service(_short_uuid(uuid), characteristics))
        device.add_services(self._standard_services())
        device.on(device.EVENT_CONNECTION, self._on_connection)
        self._radio = radio

    def _characteristic(self, definition: CharacteristicDefinition) -> Characteristic[bytes]:
        properties = Characteristic.Properties(0)
        for name in definition.properties:
            properties |= _PROPERTIES[name]

        # bumble does not check the permissions of a characteristic.
        def read(_connection: object) -> bytes:
            if "read" not in definition.properties:
                raise ATT_Error(ErrorCode.READ_NOT_PERMITTED)
            return self._last_values.get(definition.key, b"")

        def write(_connection: object, value: bytes) -> None:
            if not definition.properties & {"write", "write-without-response"}:
                raise ATT_Error(ErrorCode.WRITE_NOT_PERMITTED)
            if definition.on_write is not None:
                definition.on_write(bytes(value))

        characteristic: Characteristic[bytes] = Characteristic(
            _short_uuid(definition.uuid),
            properties,
            Attribute.READABLE | Attribute.WRITEABLE,
            CharacteristicValue(read=read, write=write),
            [Descriptor(_short_uuid(uuid), Attribute.READABLE, value) for uuid, value in definition.descriptors],
        )
        self._characteristics[definition.key] = characteristic
        return characteristic

    def _standard_services(self) -> list[Service]:
        serial = CharacteristicDefinition(SERIAL_NUMBER, SERIAL_NUMBER, frozenset({"read"}))
        self._last_values[SERIAL_NUMBER] = self.serial.encode()
        services = [Service(_short_uuid(DEVICE_INFORMATION_SERVICE), [self._characteristic(serial)])]
        if self._battery:
            level = CharacteristicDefinition(BATTERY_LEVEL, BATTERY_LEVEL)
            services.append(Service(_short_uuid(BATTERY_SERVICE), [self._characteristic(level)]))
        return services

    def _advertising_data(self) -> bytes:
        short: list[UUID] = []
        long: list[UUID] = []
        for uuid, _ in self._encoder.services():
            on_air = _short_uuid(uuid)
            (short if len(on_air.to_bytes()) == 2 else long).append(on_air)
        name = self.name.encode()[:_LONGEST_ADVERTISED_NAME].decode(errors="ignore")
        parts: list[core.DataType] = [
            data_types.Flags(
                AdvertisingData.Flags.LE_GENERAL_DISCOVERABLE_MODE | AdvertisingData.Flags.BR_EDR_NOT_SUPPORTED
            ),
            data_types.CompleteLocalName(name),
        ]
        if short:
            parts.append(data_types.CompleteListOf16BitServiceUUIDs(short))
        if long:
            parts.append(data_types.CompleteListOf128BitServiceUUIDs(long))
        return bytes(AdvertisingData(parts))

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        refresh_at = 0.0
        connection: Connection | None = None
        while True:
            self._changed.clear()
            if self._connection is None:
                connection = None
                await self._make_connectable()
                await self._changed.wait()
                continue
            if connection is not self._connection:
                connection = self._connection
                self._refresh()
                refresh_at = loop.time() + 1 / self._instrument.rate
            if loop.time() >= refresh_at:
                await self._send(connection, self._refresh())
                # Refreshes lost to a delay (a busy machine) are not made up.
                refresh_at = max(refresh_at + 1 / self._instrument.rate, loop.time())
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout_at(refresh_at):
                    await self._changed.wait()

    async def _make_connectable(self) -> None:
        if self._outdated:
            self._radio.shut_down()
            await self._build(self._radio.controller.refusals)
        if not self._radio.device.is_advertising:
            await run_in_own_task(
                self._radio.device.start_advertising(
                    own_address_type=self._radio.own_address_type,
                    advertising_data=self._advertising_data(),
                    advertising_interval_min=self._interval * 1000,
                    advertising_interval_max=self._interval * 1000,
                )
            )

    def _refresh(self) -> list[tuple[str, bytes]]:
        """Let the instrument measure, store the values for reads, and return the packets."""
        display = self._instrument.show(self._now())
        packets = self._encoder.encode(display)
        self._last_values.update(packets)
        self._last_values[BATTERY_LEVEL] = bytes([display.battery_percent])
        return packets

    async def _send(self, connection: Connection, packets: list[tuple[str, bytes]]) -> None:
        if self._muted:
            return
        for key, packet in packets:
            await self._transmit(connection, self._characteristics[key], packet)
        level = self._last_values[BATTERY_LEVEL]
        if (
            self._battery
            and level != self._battery_sent
            and await self._transmit(connection, self._characteristics[BATTERY_LEVEL], level)
        ):
            self._battery_sent = level

    async def _transmit(self, connection: Connection, characteristic: Characteristic[bytes], packet: bytes) -> bool:
        """Notify or indicate as the central configured; return whether it configured either."""
        server = self._radio.device.gatt_server
        configured = server.subscribers.get(connection, {}).get(characteristic.handle, b"\0\0")[0]
        if not configured:
            return False
        self.packets_sent += 1
        if configured & 1:
            await server.notify_subscriber(connection, characteristic, packet)
        else:
            # Ends with the central's confirmation, or with the link.
            with contextlib.suppress(ConnectionLostError):
                await run_in_own_task(
                    server.indicate_subscriber(connection, characteristic, packet), until=self._disconnected
                )
        return True

    def _on_connection(self, connection: Connection) -> None:
        self._connection = connection
        self._battery_sent = b""
        self._disconnected = asyncio.get_running_loop().create_future()
        connection.on(connection.EVENT_DISCONNECTION, self._on_disconnection)
        self._changed.set()

    def _on_disconnection(self, reason: int) -> None:
        logger.debug("%s: link ended, HCI reason 0x%02x", self.name, reason)
        self._connection = None
        if isinstance(self._encoder, ConnectionObserver):
            self._encoder.connection_ended()
        self._disconnected.set_result(None)
        self._changed.set()
