"""What is on the air, held against the drivers and the bound meters; binding, unbinding, recognising again."""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from meterlink.ble.connection import DiscoveredServices, open_driver, reading_service_uuid
from meterlink.ble.discovery import DiscoveredDevice, not_found_message
from meterlink.ble.states import ConnectionState, MeterStatus
from meterlink.core.equipment import Meter
from meterlink.core.errors import DriverError, InputError, RadioError
from meterlink.core.text import LONGEST_NAME, clean_text
from meterlink.driver_api import CERTAIN, Advertisement, DriverFactory
from meterlink.link.messages import DeviceView, DiscoveryView, DriverScoreView
from meterlink.plugins import rank_drivers, score_text
from meterlink.station.drivers import Drivers
from meterlink.store.meters import RegisteredMeter
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

# Closer looks kept: a person looks at a handful.
_MAX_CACHED_DEVICES = 32
# The end of an address that is put behind a name that another meter has already: two of its six bytes.
_ADDRESS_SUFFIX_LENGTH = 5  # characters


class DeviceScanner(Protocol):
    """Who hears what is on the air and can look closer: the daemon's `Radio`, or a `Survey`."""

    def devices(self) -> Sequence[DiscoveredDevice]:
        """Return what was heard lately."""
        ...

    async def discover_services(self, address: str) -> DiscoveredServices:
        """Connect once; RadioError in words."""
        ...


@dataclass(frozen=True, slots=True)
class _Device:
    """One device: heard, connected by the station (``link``), bound (``row``), or several of these."""

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
    """Says what is on the air, and binds meters.

    ``known`` returns the meters of the data folder, ``links`` those the station looks after. ``bound_as`` and
    ``unbound`` are told of what was done, once it is on the disk.
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
        """Return everything heard, bound or connected: bound meters first, then the best fitting, then the nearest."""
        spotted = await self._devices()
        for one in spotted:
            if one.status is not None:  # the station has seen what it offers, if it was ever connected
                with suppress(RadioError):
                    self._cache_services(one.address, await self._scanner.discover_services(one.address))
        found = [self._device_view(one) for one in spotted]
        found.sort(key=lambda one: (not one["bound"], -one["score"], -(one["rssi"] or -999), one["address"]))
        broken = [f"{one.name} of {one.distribution}: {one.reason}" for one in self._drivers.loaded.failures]
        return DiscoveryView(
            topic="air", request_text=request_text, devices=found, broken_drivers=broken, radio_error=radio_error
        )

    async def address_of(self, address_or_name: str) -> str:
        """Return the address of what has this address or this name; RadioError or InputError where none or several."""
        return (await self._resolve_device(address_or_name)).address

    async def discover_services(self, address_or_name: str) -> str:
        """Connect once to the meter at an address, or of a name, and keep what it offers; return its address."""
        one = await self._resolve_device(address_or_name)
        self._cache_services(one.address, await self._scanner.discover_services(one.address))
        return one.address

    def _cache_services(self, address: str, services: DiscoveredServices) -> None:
        self._services_by_address.pop(address.upper(), None)
        self._services_by_address[address.upper()] = services
        if len(self._services_by_address) > _MAX_CACHED_DEVICES:
            del self._services_by_address[next(iter(self._services_by_address))]

    async def bind(self, address_or_name: str, name: str, writer: Writer) -> tuple[Meter, RegisteredMeter]:
        """Look closer, then bind the meter by address, serial number and service; return it and what it is known as.

        ``name`` is what it is to be called, empty for what it calls itself. RadioError, DriverError or InputError, with
        nothing bound, where it does not answer, no driver fits, or another meter is in the way.
        """
        address = await self.discover_services(address_or_name)
        one, look = await self._resolve_device(address), self._services_by_address[address.upper()]
        kind = self._choose_driver(one, look)
        service = reading_service_uuid(look.characteristics, open_driver(kind, look.characteristics))
        given = clean_text(name)
        meter = Meter(address, given or await self._unused_name(one), kind.name, look.serial, service)
        return meter, await asyncio.wrap_future(writer.bind(meter, name_given=bool(given)))

    async def unbind(self, address_or_name: str, writer: Writer) -> RegisteredMeter:
        """Bind a meter, by address or name, no longer; return what it is known as."""
        row = next((row for row in await self._meter_rows() if row.bound and _is_named(row, address_or_name)), None)
        return await asyncio.wrap_future(writer.unbind(row.meter.address if row else clean_text(address_or_name)))

    async def add_alias(self, old: str, new: str, writer: Writer) -> RegisteredMeter:
        """Note that the meter known under ``old`` now has the address ``new``; return what it is known as.

        Where it is heard, what answers at ``new`` must have the serial number and the service of that meter, as far as
        they are known: InputError otherwise.
        """
        row = next((row for row in await self._meter_rows() if _is_named(row, old)), None)
        if row is None:
            raise InputError(f"No meter is known under {old}.", "See the known ones: meterlink find")
        if self._discovered_at(new) is not None:
            address = await self.discover_services(new)
            if differs := identity_mismatch(row.meter, self._services_by_address[address.upper()]):
                raise InputError(f"{new} is not that meter: {differs}.", "Bind it as a meter of its own.")
        return await asyncio.wrap_future(writer.add_alias(row.meter.address, new))

    async def _meter_rows(self) -> Sequence[MeterRow]:
        return await asyncio.to_thread(self._known_meters)

    async def _devices(self) -> list[_Device]:
        heard = {one.address.upper(): one for one in self._scanner.devices()}
        links = {link.address.upper(): link for link in self._meter_statuses()}
        rows = await self._meter_rows()
        bound = {address.upper(): row for row in rows for address in (row.meter.address, *row.aliases)}
        present = {row.current_address.upper() for row in rows if row.bound}
        return [
            _Device(
                next(one.address for one in (heard.get(key), links.get(key)) if one) if key in heard | links
                else bound[key].current_address,
                heard.get(key), links.get(key), bound.get(key),
            )
            for key in dict.fromkeys([*heard, *links, *present])
        ]  # fmt: skip

    def _discovered_at(self, address: str) -> DiscoveredDevice | None:
        return next((one for one in self._scanner.devices() if one.address.upper() == address.upper()), None)

    async def _resolve_device(self, address_or_name: str) -> _Device:
        """Return what has this address; failing that, what is alone in having this name."""
        spotted = await self._devices()
        at = [one for one in spotted if one.address.upper() == address_or_name.strip().upper()]
        wanted = clean_text(address_or_name)
        named = [one for one in spotted if wanted in {one.name, one.row.meter.name if one.row else ""}]
        candidates = at or named
        if not candidates:
            raise RadioError(*not_found_message(wanted))
        if len(candidates) > 1:
            addresses = ", ".join(one.address for one in candidates)
            raise InputError(f"{len(candidates)} meters here are called {wanted!r}.", f"Give the address: {addresses}.")
        return candidates[0]

    def _choose_driver(self, device: _Device, services: DiscoveredServices) -> DriverFactory:
        chosen = self._configured_driver(device) or self._drivers.choose(device.advertisement, services.characteristics)
        if chosen is None:
            raise DriverError(
                f"{device.name or device.address} was not bound: {_no_driver_text(services)}", _TEACH_REMEDY
            )
        return chosen

    def _configured_driver(self, device: _Device) -> DriverFactory | None:
        """Return the driver that the settings name for it, under any of its addresses."""
        addresses = [device.address, *((device.row.meter.address, *device.row.aliases) if device.row else ())]
        return next((kind for each in addresses if (kind := self._drivers.configured.get(each.upper()))), None)

    async def _unused_name(self, device: _Device) -> str:
        """Return what the meter calls itself, told apart where another bound meter has that name."""
        name = device.name or device.address
        taken = {row.meter.name for row in await self._meter_rows() if row.bound and row is not device.row}
        if device.row is not None:
            taken.discard(device.row.meter.name)
        if name not in taken:
            return name
        return (
            f"{clean_text(name, LONGEST_NAME - _ADDRESS_SUFFIX_LENGTH - 1)} {device.address[-_ADDRESS_SUFFIX_LENGTH:]}"
        )

    def _device_view(self, device: _Device) -> DeviceView:
        look = self._services_by_address.get(device.address.upper())
        scores = rank_drivers(
            self._drivers.loaded.factories, device.advertisement, look.characteristics if look else None
        )
        named = self._configured_driver(device)
        if named is not None:
            scores = [(named, CERTAIN), *(pair for pair in scores if pair[0].name != named.name)]
        top = scores[0][1] if scores else 0.0
        serial = (look.serial if look else "") or (device.row.meter.serial if device.row else "")
        fits = score_text(top)
        driver = scores[0][0].name if scores and fits != "no" else ""
        return DeviceView(
            name=device.name,
            address=device.address,
            rssi=device.advertisement.rssi if device.discovered else device.status.rssi if device.status else None,
            advertised_services=list(device.advertisement.service_uuids),
            discovered_services=sorted({found.service_uuid for found in look.characteristics}) if look else None,
            driver=(device.status.driver if device.status else "") or driver,
            score=top,
            fit=fits,
            driver_configured=named is not None,
            driver_scores=[DriverScoreView(name=kind.name, score=score) for kind, score in scores if score > 0],
            bound=bool(device.row and device.row.bound),
            meter_name=device.row.meter.name if device.row else "",
            first_address=device.row.meter.address if device.row else "",
            serial=serial,
            state=str(device.status.state) if device.status else "",
            unusable_reason=_unusable_reason(device, look, fits),
        )


_TEACH_REMEDY = "Install its driver, or teach its profile: meterlink capture, then meterlink teach."


def identity_mismatch(meter: Meter, services: DiscoveredServices) -> str:
    """Return, in words, how what answers differs from the meter that was bound; empty where nothing shows it does."""
    if meter.serial and services.serial and meter.serial != services.serial:
        return f"its serial number is {services.serial}, not {meter.serial}"
    if meter.service_uuid and all(found.service_uuid != meter.service_uuid for found in services.characteristics):
        return f"it has no service {meter.service_uuid}"
    return ""


def _unusable_reason(device: _Device, services: DiscoveredServices | None, fits: str) -> str:
    """Return why the meter cannot be used as it is, in words; empty where it can."""
    if (
        device.row is not None
        and device.row.bound
        and services is not None
        and (differs := identity_mismatch(device.row.meter, services))
    ):
        return f"Another meter answers at this address: {differs}."
    if device.status is not None:
        return "" if device.status.state is ConnectionState.CONNECTED else device.status.detail
    if device.discovered is None:
        return "Not heard. Switch the meter and its Bluetooth on, or come closer."
    if fits != "no":
        return ""
    if services is None:
        return f"No driver fits what it advertises. Connect to look closer: meterlink find --connect {device.address}"
    return f"{_no_driver_text(services)} {_TEACH_REMEDY}"


def _no_driver_text(services: DiscoveredServices) -> str:
    speaks = any(found.properties & {"notify", "indicate", "read"} for found in services.characteristics)
    return "No driver fits its services." if speaks else "It offers nothing that could be read."


def _is_named(row: MeterRow, address_or_name: str) -> bool:
    addresses = {address.upper() for address in (row.meter.address, *row.aliases)}
    return address_or_name.strip().upper() in addresses or (row.bound and clean_text(address_or_name) == row.meter.name)
