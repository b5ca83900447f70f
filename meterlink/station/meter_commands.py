"""The watchers' commands that find and bind meters."""

import asyncio
from collections.abc import Callable, Iterable, Sequence

from meterlink.ble.radio import Radio
from meterlink.link.messages import Message
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.known_meters import KnownMeters, meter_to_connect
from meterlink.store.meters import RegisteredMeter
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer


class MeterCommands:
    """The handlers of the commands on meters; each takes an address or a name.

    ``known_meters`` returns the meters of the data folder. The station connects to the ``always_connected`` addresses,
    and to those that the settings name (``configured``), even if they are not bound. ``known`` gets the meters after
    each change; ``show_facts`` shows their names then.
    """

    def __init__(
        self,
        discovery: MeterDiscovery,
        radio: Radio,
        writer: Writer,
        *,
        known_meters: Callable[[], Sequence[MeterRow]],
        always_connected: Iterable[str],
        configured: Iterable[str],
        send_view: Callable[[Message], None],
        known: KnownMeters,
        show_facts: Callable[[], None],
    ) -> None:
        self._discovery = discovery
        self._radio = radio
        self._writer = writer
        self._known_meters = known_meters
        self._always_connected = {address.upper() for address in always_connected}
        self._configured: set[str] = set()
        self.set_configured(configured)
        self._send_view = send_view
        self._known = known
        self._show_facts = show_facts

    def set_configured(self, addresses: Iterable[str]) -> None:
        """Record the addresses of the meters that the settings name."""
        self._configured = {address.upper() for address in addresses}

    def is_wanted(self, address: str) -> bool:
        """Return whether the station connects to this address: its meter is bound there, or named."""
        known = self._known.at(address)
        is_bound = known.bound and known.address.upper() == address.upper()
        return is_bound or address.upper() in self._always_connected | self._configured

    async def find(self, text: str) -> None:
        """Send the view of a discovery; ``text`` identifies the request."""
        self._send_view(await self._discovery.discovery_view(request_text=text, radio_error=self._radio.state.error))

    async def discover_services(self, meter: str) -> None:
        """Connect once and read the services."""
        await self._discovery.discover_services(meter)

    async def bind(self, meter: str, text: str) -> None:
        """Connect the meter from now on, under the name ``text`` if there is one."""
        await self._update_connection((await self._discovery.bind(meter, text, self._writer))[1])

    async def unbind(self, meter: str) -> None:
        """Undo `bind`."""
        await self._update_connection(await self._discovery.unbind(meter, self._writer))

    async def change_address(self, meter: str, text: str) -> None:
        """Record that the meter known at one address now has the address ``text``."""
        await self._update_connection(await self._discovery.add_alias(meter, text, self._writer))

    async def _update_connection(self, meter: RegisteredMeter) -> None:
        """Connect a bound meter at its present address, and disconnect its other addresses."""
        rows = await asyncio.to_thread(self._known_meters)
        row = next(row for row in rows if row.id == meter.id)
        self._known.load(rows)
        for address in (row.meter.address, *row.aliases):
            if not self.is_wanted(address):
                await self._radio.remove_meter(address)
        if row.bound:
            self._radio.add_meter(meter_to_connect(row))
        self._show_facts()
