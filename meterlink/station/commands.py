"""What watchers ask of a running station about the meters on the air."""

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

METER_COMMANDS = frozenset({"find", "look", "bind", "unbind", "alias"})


class MeterCommands:
    """Finds and binds meters while the station has the adapter and the database.

    ``rows`` returns the meters of the data folder; ``wanted`` are addresses the station connects to whether bound or
    not; ``call`` is told what a meter at an address is called.
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
        """Do what a watcher asks; return why not, in words, or nothing."""
        try:
            await self._execute(command)
        except MeterlinkError as error:
            return str(error)
        return ""

    async def _execute(self, command: Command) -> None:
        meter, text = command.get("meter", ""), command.get("text", "")
        match command.get("do"):
            case "find":
                self._send_view(
                    await self._discovery.discovery_view(request_text=text, radio_error=self._radio.state.error)
                )
            case "look":
                await self._discovery.discover_services(meter)
            case "bind":
                await self._update_connection((await self._discovery.bind(meter, text, self._writer))[1])
            case "unbind":
                await self._update_connection(await self._discovery.unbind(meter, self._writer))
            case "alias":
                await self._update_connection(await self._discovery.add_alias(meter, text, self._writer))

    async def _update_connection(self, meter: RegisteredMeter) -> None:
        """Connect the meter under its present address if it is bound, and under no other."""
        row = next(row for row in await asyncio.to_thread(self._known_meters) if row.id == meter.id)
        for address in (row.meter.address, *row.aliases):
            present = row.bound and address.upper() == row.current_address.upper()
            if not present and address.upper() not in self._always_connected:
                await self._radio.remove_meter(address)
        if row.bound:
            self._radio.add_meter(replace(row.meter, address=row.current_address))
            self._rename_meter(row.current_address, row.meter.name)
