"""The handler of the command that decodes kept packets again, and records the corrections of accepted readings."""

import asyncio
import logging
from collections.abc import Mapping, Sequence

from meterlink.core.difference_note import difference_note
from meterlink.core.errors import InputError
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.driver_api import DriverFactory
from meterlink.station.collection import Collection
from meterlink.station.decoding_again import DecodedReading, DecodingAgain, factory_of, find_meter, open_decoder
from meterlink.station.drivers import Drivers, factory_identity
from meterlink.station.known_meters import KnownMeters
from meterlink.station.settings_reload import SettingsReload
from meterlink.station.visit import ActiveVisit
from meterlink.station.visit_desk import resumed_visit
from meterlink.store.reader import Reader
from meterlink.store.rows import CorrectionRow
from meterlink.store.writer import Writer

log = logging.getLogger(__name__)


class DecodingCommands:
    """Records the values of a corrected profile for accepted readings, through the station's writer."""

    def __init__(
        self,
        collection: Collection,
        drivers: Drivers,
        known: KnownMeters,
        reader: Reader,
        writer: Writer,
        reload: SettingsReload,
    ) -> None:
        self._collection = collection
        self._drivers = drivers
        self._known = known
        self._reader = reader
        self._writer = writer
        self._reload = reload

    async def decode_again(self, meter: str, since_utc_ns: int, text: str, technician: str) -> Mapping[str, object]:
        """Record the corrections of a meter's accepted readings since a time (ns since 1970 UTC); 0: of all.

        ``text`` is the hash of the profile that the technician has seen decode; the station may not have read it yet.
        Readings of open visits get their new display and verdict. Closed visits are sealed: they get a note of each
        difference, once. It may be done again after an interruption: corrections made before stay.

        Raises:
            InputError: there is no such meter, its driver is gone, or the station decodes with another profile.
            StoreError: a correction could not be stored; those before it are.
        """
        await self._collection.wait_for_commits()
        rows = await asyncio.to_thread(self._reader.known_meters)
        self._known.load(rows)  # a meter may have come since the station started
        found = find_meter(self._known, rows, meter)
        factory = factory_of(self._drivers, rows, found)
        if factory_identity(factory)[1] != text:
            raise InputError(
                f"The station decodes {found.name} with another version of {factory.name}.",
                "It reads a saved profile within seconds, unless the file has an error: meterlink profile list",
            )
        again = DecodingAgain(self._reader, self._reload.settings, self._known, found, since_utc_ns or None)
        changed = await asyncio.to_thread(lambda: list(again.accepted(open_decoder(factory))))
        in_open = [reading for reading in changed if not reading.is_closed]
        await self._correct(in_open, factory, clean_text(technician))
        noted = 0
        for reading in changed:
            if reading.is_closed:
                noted += await self._note(reading, factory)
        log.info("%s: decoded again by %s, %d corrected, %d noted", found.name, factory.name, len(in_open), noted)
        return {"corrected": len(in_open), "noted": noted}

    async def _correct(self, changed: Sequence[DecodedReading], factory: DriverFactory, technician: str) -> None:
        visits: dict[str, ActiveVisit] = {}
        active = self._collection.current.visit
        if active.ids is not None:
            visits[active.ids.uid] = active
        for reading in changed:
            uid = reading.row.visit_uid
            if uid not in visits:
                stored = await asyncio.to_thread(self._reader.visit, uid)
                assert stored is not None  # noqa: S101  # one of its readings was read
                visits[uid] = resumed_visit(stored, self._reload.settings)
            _, accepted = visits[uid].find_accepted(reading.row.uid)
            row = CorrectionRow(
                accepted.uid, reading.decoded, reading.judgement, factory.name, *factory_identity(factory), technician
            )
            await self._collection.commands.correct(visits[uid], reading.point, accepted, row)

    async def _note(self, reading: DecodedReading, factory: DriverFactory) -> int:
        """Note a difference at its closed visit; return 0 where it is noted already."""
        row = reading.row
        note = difference_note(row.uid, reading.point.title, reading.decoded.text, factory.name, row.reading.text)
        text = clean_text(note, LONGEST_REMARK)
        notes = await asyncio.to_thread(self._reader.visit_notes, row.visit_uid)
        if text in {note.text for note in notes}:
            return 0
        visit = next(stored for stored in await asyncio.to_thread(self._reader.visits) if stored.uid == row.visit_uid)
        await asyncio.wrap_future(self._writer.add_note(visit.id, text))
        return 1
