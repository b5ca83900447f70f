"""What watchers ask of a running station about the meters on the air."""

import asyncio
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

from meterlink.ble.radio import Radio
from meterlink.core.errors import MeterlinkError
from meterlink.link.messages import Command, Message
from meterlink.station.discovery import Finder
from meterlink.store.meters import KnownAs
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer

ASKED_OF_IT = frozenset({"find", "look", "bind", "unbind", "alias"})


class Roster:
    """Finds and binds meters while the station has the adapter and the database.

    ``rows`` returns the meters of the data folder; ``wanted`` are addresses the station connects to whether bound or
    not; ``call`` is told what a meter at an address is called.
    """

    def __init__(
        self,
        finder: Finder,
        radio: Radio,
        writer: Writer,
        *,
        rows: Callable[[], Sequence[MeterRow]],
        wanted: Collection[str],
        show: Callable[[Message], None],
        call: Callable[[str, str], None],
    ) -> None:
        self._finder = finder
        self._radio = radio
        self._writer = writer
        self._rows = rows
        self._wanted = {address.upper() for address in wanted}
        self._show = show
        self._call = call

    async def carry_out(self, command: Command) -> str:
        """Do what a watcher asks; return why not, in words, or nothing."""
        try:
            await self._carry_out(command)
        except MeterlinkError as error:
            return str(error)
        return ""

    async def _carry_out(self, command: Command) -> None:
        meter, text = command.get("meter", ""), command.get("text", "")
        match command.get("do"):
            case "find":
                self._show(await self._finder.air(asked=text, radio=self._radio.state.problem))
            case "look":
                await self._finder.look(meter)
            case "bind":
                await self._follow((await self._finder.bind(meter, text, self._writer))[1])
            case "unbind":
                await self._follow(await self._finder.unbind(meter, self._writer))
            case "alias":
                await self._follow(await self._finder.alias(meter, text, self._writer))

    async def _follow(self, known: KnownAs) -> None:
        """Connect the meter under its present address if it is bound, and under no other."""
        row = next(row for row in await asyncio.to_thread(self._rows) if row.id == known.id)
        for address in (row.meter.address, *row.aliases):
            present = row.bound and address.upper() == row.address_now.upper()
            if not present and address.upper() not in self._wanted:
                await self._radio.forget(address)
        if row.bound:
            self._radio.know(replace(row.meter, address=row.address_now))
            self._call(row.address_now, row.meter.name)
