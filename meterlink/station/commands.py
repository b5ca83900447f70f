"""The watchers' commands that find and bind meters."""

import asyncio
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

from meterlink.ble.radio import Radio
from meterlink.core.errors import MeterlinkError
from meterlink.link.messages import Command, Message
from meterlink.station.discovery import MeterDiscovery
from meterlink.store.meters import RegisteredMeter
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

METER_COMMANDS = frozenset({"find", "discover_services", "bind", "unbind", "change_address"})


class MeterCommands:
    """Carries out the commands in `METER_COMMANDS`.

    ``known_meters`` returns the meters of the data folder. The station connects to the ``always_connected`` addresses
    even if they are not bound. ``rename_meter(address, name)`` is called for a meter that was bound.
    """

    def __init__(
        self,
        discovery: MeterDiscovery,
        radio: Radio,
        writer: Writer,
        *,
        known_meters: Callable[[], Sequence[MeterRow]],
        always_connected: Collection[str],
        send_view: Callable[[Message], None],
        rename_meter: Callable[[str, str], None],
    ) -> None:
        self._discovery = discovery
        self._radio = radio
        self._writer = writer
        self._known_meters = known_meters
        self._always_connected = {address.upper() for address in always_connected}
        self._send_view = send_view
        self._rename_meter = rename_meter

    async def execute(self, command: Command) -> str:
        """Carry out a watcher's command; return the error as a sentence, empty if there is none."""
        try:
            await self._execute(command)
        except MeterlinkError as error:
            return str(error)
        return ""

    async def _execute(self, command: Command) -> None:
        meter, text = command.get("meter", ""), command.get("text", "")
        match command.get("command"):
            case "find":
                self._send_view(
                    await self._discovery.discovery_view(request_text=text, radio_error=self._radio.state.error)
                )
            case "discover_services":
                await self._discovery.discover_services(meter)
            case "bind":
                await self._update_connection((await self._discovery.bind(meter, text, self._writer))[1])
            case "unbind":
                await self._update_connection(await self._discovery.unbind(meter, self._writer))
            case "change_address":
                await self._update_connection(await self._discovery.add_alias(meter, text, self._writer))

    async def _update_connection(self, meter: RegisteredMeter) -> None:
        """Connect a bound meter at its present address, and disconnect its other addresses."""
        row = next(row for row in await asyncio.to_thread(self._known_meters) if row.id == meter.id)
        for address in (row.meter.address, *row.aliases):
            is_current = row.bound and address.upper() == row.current_address.upper()
            if not is_current and address.upper() not in self._always_connected:
                await self._radio.remove_meter(address)
        if row.bound:
            self._radio.add_meter(replace(row.meter, address=row.current_address))
            self._rename_meter(row.current_address, row.meter.name)
