"""bleak's scanner and client interfaces (bleak 3.1), carried out by a virtual central on an `Air`.

`Air.scanner_backend` and `Air.client_backend` bind these classes to an air: through them unchanged ``BleakScanner`` and
``BleakClient`` reach simulated meters. Every scan and every connection has its own central device, discarded at its
end, so no state passes from one to the next.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Literal, TypeVar

from bleak import BleakScanner
from bleak.args import SizedBuffer
from bleak.assigned_numbers import gatt_char_props_to_strs
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, AdvertisementDataCallback, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakDeviceNotFoundError, BleakError, BleakGATTProtocolError
from bleak.uuids import normalize_uuid_str
from bumble import hci
from bumble.att import ATT_Error
from bumble.core import UUID, AdvertisingData, BaseBumbleError
from bumble.device import Advertisement, Connection

from meterlink.driver_api import uuid16
from meterlink_simulators.link_layer import ConnectionLostError, RadioDevice, run_in_own_task

if TYPE_CHECKING:
    from meterlink_simulators.air import Air

logger = logging.getLogger(__name__)

_T = TypeVar("_T")

_CLIENT_CONFIGURATION = uuid16(0x2902)

_UUID_LISTS = (
    AdvertisingData.Type.INCOMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.INCOMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
    AdvertisingData.Type.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
)
_SERVICE_DATA = {
    AdvertisingData.Type.SERVICE_DATA_16_BIT_UUID: 2,
    AdvertisingData.Type.SERVICE_DATA_128_BIT_UUID: 16,
}
_UUID_BYTES = {uuids: 2 if "16_BIT" in uuids.name else 16 for uuids in _UUID_LISTS}


def _uuid_text(uuid: UUID) -> str:
    return normalize_uuid_str(uuid.to_hex_str("-").lower())


def _advertisement_data(advertisement: Advertisement) -> AdvertisementData:
    name: str | None = None
    tx_power: int | None = None
    uuids: dict[str, None] = {}  # keeps order; a scan response may repeat a UUID
    manufacturer_data: dict[int, bytes] = {}
    service_data: dict[str, bytes] = {}
    for kind, data in advertisement.data.ad_structures:
        if kind in {AdvertisingData.Type.COMPLETE_LOCAL_NAME, AdvertisingData.Type.SHORTENED_LOCAL_NAME}:
            name = data.decode(errors="replace")
        elif kind in _UUID_BYTES:
            size = _UUID_BYTES[AdvertisingData.Type(kind)]
            for start in range(0, len(data) - size + 1, size):
                uuids[_uuid_text(UUID.from_bytes(data[start : start + size]))] = None
        elif kind == AdvertisingData.Type.MANUFACTURER_SPECIFIC_DATA and len(data) >= 2:
            manufacturer_data[int.from_bytes(data[:2], "little")] = data[2:]
        elif kind in _SERVICE_DATA:
            size = _SERVICE_DATA[AdvertisingData.Type(kind)]
            service_data[_uuid_text(UUID.from_bytes(data[:size]))] = data[size:]
        elif kind == AdvertisingData.Type.TX_POWER_LEVEL and data:
            tx_power = int.from_bytes(data[:1], "little", signed=True)
    return AdvertisementData(
        name, manufacturer_data, service_data, list(uuids), tx_power, advertisement.rssi, (advertisement,)
    )


class AirScanner(BaseBleakScanner):
    """Scans an `Air`. Use it through `Air.scanner_backend`."""

    air: ClassVar["Air"]

    def __init__(
        self,
        detection_callback: AdvertisementDataCallback | None,
        service_uuids: list[str] | None,
        scanning_mode: Literal["active", "passive"],
        **_kwargs: Any,
    ) -> None:
        super().__init__(detection_callback, service_uuids)
        self._active = scanning_mode == "active"
        self._radio: RadioDevice | None = None

    async def start(self) -> None:
        """Start scanning.

        Raises:
            BleakError: this scanner is running already.
        """
        if self._radio is not None:
            raise BleakError("Scanner already started")
        self.seen_devices = {}
        radio = self._radio = await self.air.add_central()
        radio.device.on(radio.device.EVENT_ADVERTISEMENT, self._on_advertisement)
        try:
            await run_in_own_task(radio.device.start_scanning(active=self._active))
        except BaseException:
            await self.stop()
            raise

    async def stop(self) -> None:
        """Stop scanning; safe to repeat."""
        radio, self._radio = self._radio, None
        if radio is not None:
            radio.device.remove_listener(radio.device.EVENT_ADVERTISEMENT, self._on_advertisement)
            radio.shut_down()

    def _on_advertisement(self, advertisement: Advertisement) -> None:
        data = _advertisement_data(advertisement)
        if self._radio is None or not self.is_allowed_uuid(data.service_uuids):
            return
        address = advertisement.address.to_string(with_type_qualifier=False)
        device = self.create_or_update_device(address, address, data.local_name, advertisement.address, data)
        self.call_detection_callbacks(device, data)


@dataclass(frozen=True, slots=True)
class RemoteCharacteristic:
    """A discovered characteristic.

    ``handle`` is its value handle, ``properties`` its GATT property bits, ``descriptors`` the pairs (handle, UUID).
    """

    handle: int
    uuid: str
    properties: int
    descriptors: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class RemoteService:
    """A discovered service."""

    handle: int
    uuid: str
    characteristics: tuple[RemoteCharacteristic, ...]


@dataclass(slots=True)
class _Session:
    """One connection, from link up to link down."""

    radio: RadioDevice
    connection: Connection
    disconnected: asyncio.Future[None] = field(default_factory=lambda: asyncio.get_running_loop().create_future())
    established: bool = False
    closing: bool = False

    async def run_procedure(self, request: Coroutine[Any, Any, _T]) -> _T:
        """Carry out a GATT procedure and return its result.

        Raises:
            BleakError: the link went down, or the stack failed.
            BleakGATTProtocolError: the meter answered with an ATT error.
        """
        if self.disconnected.done():
            request.close()
            raise BleakError("disconnected")
        try:
            return await run_in_own_task(request, until=self.disconnected)
        except ConnectionLostError:
            raise BleakError("disconnected") from None
        except ATT_Error as error:
            raise BleakGATTProtocolError(error.error_code) from error
        except BaseBumbleError as error:
            raise BleakError(str(error)) from error


async def _discover_services(session: _Session) -> list[RemoteService]:
    client = session.connection.gatt_client
    services = []
    for service in await session.run_procedure(client.discover_services()):
        characteristics = []
        for characteristic in await session.run_procedure(client.discover_characteristics((), service)):
            descriptors = await session.run_procedure(client.discover_descriptors(characteristic))
            characteristics.append(
                RemoteCharacteristic(
                    characteristic.handle,
                    _uuid_text(characteristic.uuid),
                    int(characteristic.properties),
                    tuple((descriptor.handle, _uuid_text(descriptor.type)) for descriptor in descriptors),
                )
            )
        services.append(RemoteService(service.handle, _uuid_text(service.uuid), tuple(characteristics)))
    return services


class AirClient(BaseBleakClient):
    """Connects to a meter on an `Air`. Use it through `Air.client_backend`."""

    air: ClassVar["Air"]

    def __init__(
        self,
        address_or_ble_device: BLEDevice | str,
        services: set[str] | None = None,
        *,
        disconnected_callback: Callable[[], None] | None,
        timeout: float,
        **kwargs: Any,
    ) -> None:
        super().__init__(address_or_ble_device, disconnected_callback=disconnected_callback, timeout=timeout, **kwargs)
        self._device = address_or_ble_device if isinstance(address_or_ble_device, BLEDevice) else None
        self._requested_services = services
        self._session: _Session | None = None
        self._connecting = False

    @property
    def name(self) -> str:
        """The name the meter advertised, or its address with dashes.

        Raises:
            BleakError: the meter has not been found yet.
        """
        if self._device is None:
            raise BleakError("Not connected")
        return self._device.name or self.address.replace(":", "-")

    @property
    def mtu_size(self) -> int:
        """The ATT MTU of the connection in bytes.

        Raises:
            BleakError: there is no connection.
        """
        return self._require_session().connection.att_mtu

    @property
    def is_connected(self) -> bool:
        """Whether the link is up and its services are discovered."""
        return self._session is not None and self._session.established

    def _require_session(self) -> _Session:
        if self._session is None:
            raise BleakError("Not connected")
        return self._session

    async def connect(self, pair: bool, **kwargs: Any) -> None:  # noqa: FBT001 - the base class's signature
        """Find the meter if only its address is known, connect and discover its services.

        ``pair`` is ignored: simulated meters do not pair.

        Raises:
            BleakError: it is connected or connecting already, or the link failed.
            BleakDeviceNotFoundError: the address is not on the air.
            TimeoutError: the meter did not answer within the time-out.
        """
        if self._session is not None or self._connecting:
            raise BleakError("Client is already connected or connecting")
        if pair:
            logger.info("Simulated meters do not pair; connecting to %s without pairing.", self.address)
        self._connecting = True
        try:
            await self._find_and_establish(kwargs.get("timeout", self._timeout))
        finally:
            self._connecting = False

    async def _find_and_establish(self, seconds: float) -> None:
        if self._device is None:
            self._device = await BleakScanner.find_device_by_address(
                self.address, timeout=seconds, backend=self.air.scanner_backend
            )
        if self._device is None or not isinstance(self._device.details, hci.Address):
            raise BleakDeviceNotFoundError(self.address, f"Device with address {self.address} was not found")
        async with asyncio.timeout(seconds):
            radio = await self.air.add_central()
            try:
                await self._establish(radio, self._device.details)
            except BaseException:
                self._session = None
                radio.shut_down()
                raise

    async def _establish(self, radio: RadioDevice, address: hci.Address) -> None:
        connection = await run_in_own_task(
            radio.device.connect_le(address, own_address_type=radio.own_address_type, timeout=None)
        )
        session = self._session = _Session(radio, connection)
        connection.on(connection.EVENT_DISCONNECTION, lambda _reason: self._on_disconnection(session))
        if connection not in radio.device.connections.values():
            raise BleakError(f"Connection to {self.address} failed to be established")
        await session.run_procedure(connection.gatt_client.request_mtu(self.air.central_mtu))
        services = self.air.service_cache.get(self.address) if self.air.caches_services else None
        if services is None:
            services = self.air.service_cache[self.address] = await _discover_services(session)
        if session.disconnected.done():
            raise BleakError("disconnected")
        self.services = self._service_collection(session, services)
        session.established = True

    def _service_collection(self, session: _Session, services: list[RemoteService]) -> BleakGATTServiceCollection:
        def max_write_size() -> int:
            return session.connection.att_mtu - 3  # operation code and handle (Core vol. 3 part F, 3.4.5.3)

        collection = BleakGATTServiceCollection()
        for service in services:
            if self._requested_services is not None and service.uuid not in self._requested_services:
                continue
            bleak_service = BleakGATTService(service, service.handle, service.uuid)
            collection.add_service(bleak_service)
            for characteristic in service.characteristics:
                properties = sorted(gatt_char_props_to_strs(characteristic.properties))
                bleak_characteristic = BleakGATTCharacteristic(
                    characteristic,
                    characteristic.handle,
                    characteristic.uuid,
                    properties,
                    max_write_size,
                    bleak_service,
                )
                collection.add_characteristic(bleak_characteristic)
                for handle, uuid in characteristic.descriptors:
                    collection.add_descriptor(BleakGATTDescriptor(None, handle, uuid, bleak_characteristic))
        return collection

    def _on_disconnection(self, session: _Session) -> None:
        session.disconnected.set_result(None)
        session.radio.shut_down()
        if self._session is not session:
            return
        self._session = None
        self.services = None
        if session.established and not session.closing and self._disconnected_callback is not None:
            asyncio.get_running_loop().call_soon(self._disconnected_callback)

    async def disconnect(self) -> None:
        """End the connection, if there is one. The disconnected callback is not called."""
        session = self._session
        if session is None:
            return
        if not session.closing:
            session.closing = True
            session.radio.shut_down()
        await asyncio.shield(session.disconnected)

    async def pair(self, *_args: Any, **_kwargs: Any) -> None:
        """Do nothing: simulated meters need no pairing."""
        logger.info("Simulated meters do not pair.")

    async def unpair(self) -> None:
        """Disconnect, and forget the cached services of the meter."""
        await self.disconnect()
        self.air.service_cache.pop(self.address, None)

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **_kwargs: Any
    ) -> bytearray:
        """Read a characteristic; ``use_cached`` returns the value last seen on this connection, if there is one."""
        return await self._read(characteristic.handle, use_cached=use_cached)

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, *, use_cached: bool = False, **_kwargs: Any
    ) -> bytearray:
        """Read a descriptor; ``use_cached`` as in `read_gatt_char`."""
        return await self._read(descriptor.handle, use_cached=use_cached)

    async def _read(self, handle: int, *, use_cached: bool) -> bytearray:
        session = self._require_session()
        client = session.connection.gatt_client
        if use_cached and handle in client.cached_values:
            return bytearray(client.cached_values[handle][1])
        return bytearray(await session.run_procedure(client.read_value(handle)))

    async def write_gatt_char(
        self,
        characteristic: BleakGATTCharacteristic,
        data: SizedBuffer,
        response: bool,  # noqa: FBT001 - the base class's signature
    ) -> None:
        """Write a characteristic.

        Raises:
            BleakError: there is no connection, or ``data`` is too long for a write without response.
        """
        session = self._require_session()
        if not response and len(data) > characteristic.max_write_without_response_size:
            raise BleakError(
                f"{len(data)} bytes are too many to write without response; "
                f"{characteristic.max_write_without_response_size} fit."
            )
        await session.run_procedure(
            session.connection.gatt_client.write_value(characteristic.handle, bytes(data), response)
        )

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: SizedBuffer) -> None:
        """Write a descriptor."""
        session = self._require_session()
        request = session.connection.gatt_client.write_value(descriptor.handle, bytes(data), with_response=True)
        await session.run_procedure(request)

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **_kwargs: Any
    ) -> None:
        """Subscribe to notifications, or to indications where the characteristic offers no notifications.

        Raises:
            BleakError: there is no connection, it is subscribed already, or the characteristic offers neither.
        """
        session = self._require_session()
        client = session.connection.gatt_client
        handle = characteristic.handle
        notify = "notify" in characteristic.properties
        subscribers = client.notification_subscribers if notify else client.indication_subscribers
        configuration = characteristic.get_descriptor(_CLIENT_CONFIGURATION)
        if configuration is None or not (notify or "indicate" in characteristic.properties):
            raise BleakError(f"Characteristic {characteristic.uuid} offers neither notifications nor indications")
        if handle in subscribers:
            raise BleakError(f"Notifications of characteristic {characteristic.uuid} are started already")

        def deliver(value: bytes) -> None:
            if not session.disconnected.done():
                callback(bytearray(value))

        subscribers[handle] = {deliver}
        try:
            await self._write_configuration(session, configuration, b"\1\0" if notify else b"\2\0")
        except BaseException:
            subscribers.pop(handle, None)
            raise

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        """Unsubscribe, if subscribed."""
        session = self._require_session()
        client = session.connection.gatt_client
        subscriptions = (client.notification_subscribers, client.indication_subscribers)
        configuration = characteristic.get_descriptor(_CLIENT_CONFIGURATION)
        if configuration is None or not any(characteristic.handle in subscribers for subscribers in subscriptions):
            return
        await self._write_configuration(session, configuration, b"\0\0")
        for subscribers in subscriptions:
            subscribers.pop(characteristic.handle, None)

    @staticmethod
    def _write_configuration(session: _Session, configuration: BleakGATTDescriptor, bits: bytes) -> Awaitable[None]:
        client = session.connection.gatt_client
        return session.run_procedure(client.write_value(configuration.handle, bits, with_response=True))
