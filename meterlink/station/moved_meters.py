"""Bound meters whose address has changed, found again by their serial number and service.

A change of batteries, a reset, or a system that hides addresses gives a meter a new one. Names and services are not
unique, so a meter without a distinctive serial number is never taken for another: a person binds it again.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterable, Sequence
from typing import Protocol

from meterlink.ble.connection import DiscoveredServices
from meterlink.ble.discovery import DiscoveredDevice
from meterlink.ble.states import RadioState
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.core.errors import MeterlinkError
from meterlink.core.text import named_device
from meterlink.driver_api import Advertisement
from meterlink.station.discovery import identity_mismatch
from meterlink.station.known_meters import meter_to_connect
from meterlink.store.meters import is_distinctive_serial
from meterlink.store.rows import MeterRow

log = logging.getLogger(__name__)

# Longer than the longest advertising interval (10.24 s, Bluetooth Core, vol. 4 part E, 7.8.5, from memory): a meter
# that is heard at its own address has not moved.
MISSED_AFTER = 20.0  # s
_PERIOD = 5.0  # s between two looks at the devices on the air
_RETRY = 600.0  # s until a device that could not be read is read again; one that was read is another meter for good
_UNHEARD = frozenset({ConnectionState.SEARCHING, ConnectionState.LOST})


class MeterRadio(Protocol):
    """The part of a `Radio` that the search needs."""

    @property
    def state(self) -> RadioState:
        """The state of the radio and of the meters that it connects."""
        ...

    def devices(self) -> Sequence[DiscoveredDevice]:
        """Return the devices heard lately."""
        ...

    async def discover_services(self, address: str) -> DiscoveredServices:
        """Connect once and read the services.

        Raises:
            RadioError: the connection failed.
        """
        ...


class MovedMeters:
    """Searches for the bound meters that are not heard at their address.

    ``known_meters`` returns the meters of the data folder, ``driver_of`` the name of the driver that fits an
    advertisement. ``change_address`` gets ``(old, new)`` for a meter that was found.
    """

    def __init__(
        self,
        radio: MeterRadio,
        known_meters: Callable[[], Sequence[MeterRow]],
        driver_of: Callable[[Advertisement], str],
        change_address: Callable[[str, str], Awaitable[None]],
    ) -> None:
        self._radio = radio
        self._known_meters = known_meters
        self._driver_of = driver_of
        self._change_address = change_address
        self._missed_since: dict[str, float] = {}  # event loop time by address in capitals
        self._read_again_at: dict[str, float] = {}

    async def run(self) -> None:
        """Search until cancelled. A failure of one search is logged; the next one follows."""
        while True:
            await asyncio.sleep(_PERIOD)
            if missed := self._missed_addresses():
                try:
                    await self._search(missed)
                except MeterlinkError as error:
                    log.info("the search for a meter at a new address failed: %s", error)

    def _missed_addresses(self) -> set[str]:
        now, state = asyncio.get_running_loop().time(), self._radio.state
        unheard = set() if state.error else {meter.address.upper() for meter in state.meters if meter.state in _UNHEARD}
        self._missed_since = {address: self._missed_since.get(address, now) for address in unheard}
        return {address for address, since in self._missed_since.items() if now - since >= MISSED_AFTER}

    async def _search(self, missed: set[str]) -> None:
        """Read the devices that may be a missed meter, and record the new address of each that is one.

        Raises:
            MeterlinkError: the database cannot be read, or the new address cannot be recorded.
        """
        rows = await asyncio.to_thread(self._known_meters)
        meters = [
            meter_to_connect(row)
            for row in rows
            if row.bound and row.current_address.upper() in missed and is_distinctive_serial(row.meter.serial)
        ]
        if not meters:
            return
        taken = {address.upper() for row in rows for address in (row.meter.address, row.current_address)}
        taken |= {status.address.upper() for status in self._radio.state.meters}
        now = asyncio.get_running_loop().time()
        for device in self._radio.devices():
            key = device.address.upper()
            if key in taken or now < self._read_again_at.get(key, now):
                continue
            if any(self._resembles(device, meter) for meter in meters):
                await self._compare(device, meters)

    def _resembles(self, device: DiscoveredDevice, meter: Meter) -> bool:
        advertisement = device.advertisement
        return (
            meter.service_uuid in advertisement.service_uuids
            or advertisement.name == meter.name
            or self._driver_of(advertisement) == meter.driver != ""
        )

    async def _compare(self, device: DiscoveredDevice, meters: Iterable[Meter]) -> None:
        key = device.address.upper()
        self._read_again_at[key] = asyncio.get_running_loop().time() + _RETRY
        services = await self._radio.discover_services(device.address)
        self._read_again_at[key] = float("inf")
        same = [meter for meter in meters if services.serial == meter.serial and not identity_mismatch(meter, services)]
        if len(same) == 1:
            log.info(
                "%s has a new address: %s answers with its serial number and service",
                named_device(same[0].name, same[0].address),
                named_device(device.advertisement.name, device.address),
            )
            await self._change_address(same[0].address, device.address)
