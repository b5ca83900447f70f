"""Devices on the air compared with drivers and bound meters; binding and unbinding meters."""

import asyncio
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from meterlink.ble.connection import DiscoveredServices, open_driver, reading_service_uuid
from meterlink.ble.discovery import DiscoveredDevice, not_found_message
from meterlink.ble.states import MeterStatus
from meterlink.core.equipment import ConnectionState, DriverFit, Meter
from meterlink.core.errors import DriverError, InputError, RadioError
from meterlink.core.text import LONGEST_NAME, clean_text, did_you_mean
from meterlink.driver_api import CERTAIN, Advertisement, DriverFactory
from meterlink.link.messages import DeviceView, DiscoveryView, DriverScoreView, Topic
from meterlink.plugins import driver_fit, rank_drivers
from meterlink.station.drivers import Drivers
from meterlink.store.meters import RegisteredMeter
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

# Devices whose services are remembered; a person connects to a handful.
_MAX_CACHED_DEVICES = 32
# If another meter has the same name, the last two of the address's six bytes are added to it.
_ADDRESS_SUFFIX_LENGTH = 5  # characters


class DeviceScanner(Protocol):
    """The daemon's `Radio` or a `Discovery`: hears devices and reads their services."""

    def devices(self) -> Sequence[DiscoveredDevice]:
        """Return the devices heard lately."""
        ...

    async def discover_services(self, address: str) -> DiscoveredServices:
        """Connect once and read the services.

        Raises:
            RadioError: the device was not heard, or the connection failed.
        """
        ...


@dataclass(frozen=True, slots=True)
class _Device:
    """One device: heard (``discovered``), supervised (``status``), known in the data folder (``row``), or several."""

    address: str
    discovered: DiscoveredDevice | None
    status: MeterStatus | None
    row: MeterRow | None

    @property
    def advertisement(self) -> Advertisement:
        return self.discovered.advertisement if self.discovered else Advertisement()

    @property
    def name(self) -> str:
        return (
            self.advertisement.name
            or (self.status.name if self.status else "")
            or (self.row.meter.name if self.row else "")
        )


class MeterDiscovery:
    """Lists the devices on the air, and binds meters.

    ``known_meters`` returns the meters of the data folder, ``meter_statuses`` those that the station supervises.
    """

    def __init__(
        self,
        scanner: DeviceScanner,
        drivers: Drivers,
        known_meters: Callable[[], Sequence[MeterRow]],
        meter_statuses: Callable[[], Sequence[MeterStatus]] = lambda: (),
    ) -> None:
        self._scanner = scanner
        self._drivers = drivers
        self._known_meters = known_meters
        self._meter_statuses = meter_statuses
        self._services_by_address: dict[str, DiscoveredServices] = {}

    async def discovery_view(self, request_text: str = "", radio_error: str = "") -> DiscoveryView:
        """Return all devices: bound meters first, then by score, then by signal strength."""
        devices = await self._devices()
        for device in devices:
            if device.status is not None:  # the radio has its services already, if it was ever connected
                with suppress(RadioError):
                    self._cache_services(device.address, await self._scanner.discover_services(device.address))
        views = [self._device_view(device) for device in devices]
        views.sort(key=lambda view: (not view["bound"], -view["score"], -(view["rssi"] or -999), view["address"]))
        broken = [
            f"{failure.name} of {failure.distribution}: {failure.reason}" for failure in self._drivers.loaded.failures
        ]
        return DiscoveryView(
            topic=Topic.DISCOVERY,
            request_text=request_text,
            devices=views,
            broken_drivers=broken,
            radio_error=radio_error,
        )

    async def address_of(self, address_or_name: str) -> str:
        """Return the address of the device with this address or name.

        Raises:
            RadioError: there is no such device.
            InputError: several devices have the name.
        """
        return (await self._resolve_device(address_or_name)).address

    async def discover_services(self, address_or_name: str) -> str:
        """Connect once to the device with this address or name, remember its services, and return its address.

        Raises:
            RadioError: there is no such device, or the connection failed.
            InputError: several devices have the name.
        """
        device = await self._resolve_device(address_or_name)
        self._cache_services(device.address, await self._scanner.discover_services(device.address))
        return device.address

    def _cache_services(self, address: str, services: DiscoveredServices) -> None:
        self._services_by_address.pop(address.upper(), None)
        self._services_by_address[address.upper()] = services
        if len(self._services_by_address) > _MAX_CACHED_DEVICES:
            del self._services_by_address[next(iter(self._services_by_address))]

    async def bind(self, address_or_name: str, name: str, writer: Writer) -> tuple[Meter, RegisteredMeter]:
        """Read the meter's services, then bind it by address, serial number and service.

        An empty ``name`` keeps the advertised name. Returns ``(meter, registered meter)``. Nothing is bound on error.

        Raises:
            RadioError: the meter was not heard, or the connection failed.
            DriverError: no driver fits.
            InputError: several devices have the name, or another bound meter is in conflict.
        """
        address = await self.discover_services(address_or_name)
        device, services = await self._resolve_device(address), self._services_by_address[address.upper()]
        factory = self._choose_driver(device, services)
        service = reading_service_uuid(services.characteristics, open_driver(factory, services.characteristics))
        new_name = clean_text(name)
        meter = Meter(address, new_name or await self._unused_name(device), factory.name, services.serial, service)
        return meter, await asyncio.wrap_future(writer.bind(meter, name_given=bool(new_name)))

    async def unbind(self, address_or_name: str, writer: Writer) -> RegisteredMeter:
        """Unbind the meter with this address or name, and return its registration.

        Raises:
            InputError: no such meter is bound.
        """
        bound = [row for row in await self._meter_rows() if row.bound]
        row = next((row for row in bound if _is_named(row, address_or_name)), None)
        if row is None:
            name = clean_text(address_or_name)
            remedy = did_you_mean(name, _names_of(bound)) or "See the bound ones: meterlink find"
            raise InputError(f"No meter is bound to {name}.", remedy)
        return await asyncio.wrap_future(writer.unbind(row.meter.address))

    async def add_alias(self, old: str, new: str, writer: Writer) -> RegisteredMeter:
        """Record that the meter known as ``old`` now has the address ``new``, and return its registration.

        If ``new`` is heard, the serial number and the service there must be those of the meter, as far as known.

        Raises:
            InputError: ``old`` is unknown, or another meter answers at ``new``.
            RadioError: ``new`` is heard, but the connection failed.
        """
        new = clean_text(new)
        if not new:
            raise InputError("The new address is empty.", "Write it as meterlink find lists it.")
        rows = await self._meter_rows()
        row = next((row for row in rows if _is_named(row, old)), None)
        if row is None:
            remedy = did_you_mean(old, _names_of(rows)) or "See the known ones: meterlink find"
            raise InputError(f"No meter is known under {old}.", remedy)
        if self._discovered_at(new) is not None:
            address = await self.discover_services(new)
            if mismatch := identity_mismatch(row.meter, self._services_by_address[address.upper()]):
                raise InputError(f"{new} is not that meter: {mismatch}.", "Bind it as a meter of its own.")
        return await asyncio.wrap_future(writer.add_alias(row.meter.address, new))

    async def _meter_rows(self) -> Sequence[MeterRow]:
        return await asyncio.to_thread(self._known_meters)

    async def _devices(self) -> list[_Device]:
        heard = {device.address.upper(): device for device in self._scanner.devices()}
        statuses = {status.address.upper(): status for status in self._meter_statuses()}
        rows = await self._meter_rows()
        known = {address.upper(): row for row in rows for address in (row.meter.address, *row.aliases)}
        bound = {row.current_address.upper() for row in rows if row.bound}
        return [
            _Device(
                next(source.address for source in (heard.get(key), statuses.get(key)) if source)
                if key in heard | statuses else known[key].current_address,
                heard.get(key), statuses.get(key), known.get(key),
            )
            for key in dict.fromkeys([*heard, *statuses, *bound])
        ]  # fmt: skip

    def _discovered_at(self, address: str) -> DiscoveredDevice | None:
        return next((device for device in self._scanner.devices() if device.address.upper() == address.upper()), None)

    async def _resolve_device(self, address_or_name: str) -> _Device:
        """Return the device with this address, or else the only device with this name.

        Raises:
            RadioError: there is no such device.
            InputError: several devices have the name.
        """
        devices = await self._devices()
        by_address = [device for device in devices if device.address.upper() == address_or_name.strip().upper()]
        name = clean_text(address_or_name)
        by_name = [device for device in devices if name in {device.name, device.row.meter.name if device.row else ""}]
        candidates = by_address or by_name
        if not candidates:
            message, remedy = not_found_message(name)
            known = (known for device in devices for known in (device.name, device.address) if known)
            raise RadioError(message, f"{did_you_mean(name, known)} {remedy}".lstrip())
        if len(candidates) > 1:
            addresses = ", ".join(device.address for device in candidates)
            raise InputError(
                f"{len(candidates)} meters here have the name {name!r}.", f"Give the address: {addresses}."
            )
        return candidates[0]

    def _choose_driver(self, device: _Device, services: DiscoveredServices) -> DriverFactory:
        configured = self._configured_driver(device)
        factory = configured or self._drivers.choose(device.advertisement, services.characteristics)
        if factory is None:
            raise DriverError(
                f"{device.name or device.address} was not bound: {_no_driver_text(services)}", _TEACH_REMEDY
            )
        return factory

    def _configured_driver(self, device: _Device) -> DriverFactory | None:
        """Return the driver factory that the settings name for one of the device's addresses."""
        addresses = [device.address, *((device.row.meter.address, *device.row.aliases) if device.row else ())]
        factories = (self._drivers.configured.get(address.upper()) for address in addresses)
        return next((factory for factory in factories if factory), None)

    async def _unused_name(self, device: _Device) -> str:
        """Return the advertised name, with the end of the address if another bound meter has that name."""
        name = device.name or device.address
        used = {row.meter.name for row in await self._meter_rows() if row.bound and row is not device.row}
        if device.row is not None:
            used.discard(device.row.meter.name)
        if name not in used:
            return name
        return (
            f"{clean_text(name, LONGEST_NAME - _ADDRESS_SUFFIX_LENGTH - 1)} {device.address[-_ADDRESS_SUFFIX_LENGTH:]}"
        )

    def _device_view(self, device: _Device) -> DeviceView:
        services = self._services_by_address.get(device.address.upper())
        scores = rank_drivers(
            self._drivers.loaded.factories, device.advertisement, services.characteristics if services else None
        )
        configured = self._configured_driver(device)
        if configured is not None:
            scores = [(configured, CERTAIN), *(pair for pair in scores if pair[0].name != configured.name)]
        best_score = scores[0][1] if scores else 0.0
        serial = (services.serial if services else "") or (device.row.meter.serial if device.row else "")
        fit = driver_fit(best_score)
        driver = scores[0][0].name if scores and fit is not DriverFit.NO else ""
        return DeviceView(
            name=device.name,
            address=device.address,
            rssi=device.advertisement.rssi if device.discovered else device.status.rssi if device.status else None,
            advertised_services=list(device.advertisement.service_uuids),
            discovered_services=sorted({characteristic.service_uuid for characteristic in services.characteristics})
            if services
            else None,
            driver=(device.status.driver if device.status else "") or driver,
            score=best_score,
            fit=fit,
            driver_configured=configured is not None,
            driver_scores=[DriverScoreView(name=factory.name, score=score) for factory, score in scores if score > 0],
            bound=bool(device.row and device.row.bound),
            meter_name=device.row.meter.name if device.row else "",
            first_address=device.row.meter.address if device.row else "",
            serial=serial,
            state=device.status.state if device.status else "",
            unusable_reason=_unusable_reason(device, services, fit),
        )


_TEACH_REMEDY = "Install its driver, or teach its profile: meterlink capture, then meterlink teach."


def identity_mismatch(meter: Meter, services: DiscoveredServices) -> str:
    """Return, as a clause, how the services differ from those of the bound ``meter``; empty without a difference."""
    if meter.serial and services.serial and meter.serial != services.serial:
        return f"its serial number is {services.serial}, not {meter.serial}"
    uuids = {characteristic.service_uuid for characteristic in services.characteristics}
    if meter.service_uuid and meter.service_uuid not in uuids:
        return f"it has no service {meter.service_uuid}"
    return ""


def _unusable_reason(device: _Device, services: DiscoveredServices | None, fit: DriverFit) -> str:
    """Return why the meter cannot be used now, as a sentence; empty if it can."""
    if (
        device.row is not None
        and device.row.bound
        and services is not None
        and (mismatch := identity_mismatch(device.row.meter, services))
    ):
        return f"Another meter answers at this address: {mismatch}."
    if device.status is not None:
        return "" if device.status.state is ConnectionState.CONNECTED else device.status.detail
    if device.discovered is None:
        return "Not heard. Wake it, switch its Bluetooth on, move closer. Is it connected to another device?"
    if fit is not DriverFit.NO:
        return ""
    if services is None:
        return f"No driver fits its advertisement. Read its services: meterlink find --connect {device.address}"
    return f"{_no_driver_text(services)} {_TEACH_REMEDY}"


def _no_driver_text(services: DiscoveredServices) -> str:
    readable = any(
        characteristic.properties & {"notify", "indicate", "read"} for characteristic in services.characteristics
    )
    return "No driver fits its services." if readable else "It has no value that can be read."


def _names_of(rows: Iterable[MeterRow]) -> Iterator[str]:
    """Yield the names and the present addresses of meters."""
    return (text for row in rows for text in (row.meter.name, row.current_address) if text)


def _is_named(row: MeterRow, address_or_name: str) -> bool:
    addresses = {address.upper() for address in (row.meter.address, *row.aliases)}
    return address_or_name.strip().upper() in addresses or (row.bound and clean_text(address_or_name) == row.meter.name)
