"""The handlers of the commands on sites and units: move a visit, rename, merge, archive; facts about them."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import Future

from meterlink.core.equipment import Site
from meterlink.core.errors import InputError, VisitError
from meterlink.core.nameplate import UnitFact
from meterlink.core.site_facts import SiteFact
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.core.time_zones import parse_zone
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.place_names import place_name
from meterlink.station.unit_fields import unit_fields, unit_lines
from meterlink.station.visit_desk import VisitDesk, plan_of_visit
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer

_UNITS = "units"


class PlaceCommands:
    """Changes where visits belong; ``publish_again`` sends the readings of the active visit with its new place."""

    def __init__(
        self,
        current: CurrentVisit,
        desk: VisitDesk,
        writer: Writer,
        reader: Reader,
        *,
        publish_again: Callable[[], Awaitable[None]],
        on_forgotten: Callable[[], None],
    ) -> None:
        self._current = current
        self._desk = desk
        self._writer = writer
        self._reader = reader
        self._publish_again = publish_again
        self._on_forgotten = on_forgotten

    async def move_visit(self, site: str, unit: str, visit: str) -> Mapping[str, object]:
        """Let a visit, the active one if ``visit`` is empty, be one of another unit, known or new.

        An open visit loses the ratings and answers that came from the unit before, and has those of the new one.

        Raises:
            InputError: a name is empty.
            VisitError: there is no such visit, or both it and one of the other unit are open.
        """
        place = _site(site, unit)
        uid = visit or self._current.require().require_ids().uid
        await self._desk.wait_for_commits()
        stored = await asyncio.to_thread(self._reader.visit, uid)
        if stored is None:
            raise VisitError(f"There is no visit {uid}.", "List them: meterlink visit list")
        is_open = stored.closed_utc_ns is None
        plan = plan_of_visit(stored) if is_open else None
        measured = {row.point_key for row in stored.accepted}
        await self._change(self._writer.move_visit(stored.ids.visit_id, place, plan, measured), uid)
        return {"visit": uid, "site": place.name, "unit": place.unit}

    async def rename_site(self, site: str, to_site: str) -> None:
        """Give a site another name.

        Raises:
            InputError: a name is empty.
            VisitError: there is no such site, or another one has the name.
        """
        await self._change(self._writer.rename_site(place_name(site), place_name(to_site)))

    async def rename_unit(self, site: str, unit: str, to_unit: str) -> None:
        """Give a unit another name.

        Raises:
            InputError: a name is empty.
            VisitError: there is no such unit, or another one at the site has the name.
        """
        await self._change(self._writer.rename_unit(_site(site, unit), place_name(to_unit)))

    async def merge_sites(self, site: str, to_site: str) -> None:
        """Give the units of ``site`` to ``to_site``; units of the same name are merged.

        Raises:
            InputError: a name is empty.
            VisitError: there is no such site, both are the same, or two units to merge have an open visit.
        """
        await self._change(self._writer.merge_sites(place_name(site), place_name(to_site)))

    async def merge_units(self, site: str, unit: str, to_site: str, to_unit: str) -> None:
        """Give the visits and facts of a unit to another one; the first is gone.

        Raises:
            InputError: a name is empty.
            VisitError: there is no such unit, both are the same, or both have an open visit.
        """
        await self._change(self._writer.merge_units(_site(site, unit), _site(to_site or site, to_unit)))

    async def archive_unit(self, site: str, unit: str) -> None:
        """Take a unit off the list for new visits; its record stays.

        Raises:
            InputError: a name is empty.
            VisitError: there is no such unit, or a visit to it is open.
        """
        await asyncio.wrap_future(self._writer.archive_unit(_site(site, unit), archived=True))

    async def restore_unit(self, site: str, unit: str) -> None:
        """Put an archived unit back on the list.

        Raises:
            InputError: a name is empty.
            VisitError: there is no such unit.
        """
        await asyncio.wrap_future(self._writer.archive_unit(_site(site, unit), archived=False))

    async def show_unit(self) -> Mapping[str, object]:
        """Return the facts about the unit of the active visit; ``lines`` are for a person.

        Raises:
            VisitError: no visit is active.
        """
        site = self._current.require().site
        (unit,) = await asyncio.to_thread(self._reader.units, site)
        replacements = await asyncio.to_thread(self._reader.replacements)
        fields = unit_fields(unit, replacements)
        return {**fields, "lines": unit_lines(fields)}

    async def set_fact(self, site: str, unit: str, fact: str, text: str) -> None:
        """Keep a fact about a unit; an empty text removes one that can be there once.

        Raises:
            InputError: a name is empty, or there is no such fact.
            VisitError: there is no such unit.
        """
        if fact not in list(UnitFact):
            raise InputError(f"{fact!r} is no fact about a unit.", f"Write one of: {', '.join(UnitFact)}.")
        await asyncio.wrap_future(
            self._writer.add_fact(_site(site, unit), UnitFact(fact), clean_text(text, LONGEST_REMARK))
        )

    async def set_site_fact(self, site: str, fact: str, text: str) -> None:
        """Keep a fact about a site; an empty text removes it.

        Raises:
            InputError: the name is empty, there is no such fact, or no such time zone.
            VisitError: there is no such site.
        """
        if fact not in list(SiteFact):
            raise InputError(f"{fact!r} is no fact about a site.", f"Write one of: {', '.join(SiteFact)}.")
        kept = clean_text(text, LONGEST_REMARK)
        if kept and fact == SiteFact.TIME_ZONE:
            kept = parse_zone(kept)
        await asyncio.wrap_future(self._writer.add_site_fact(place_name(site), SiteFact(fact), kept))

    async def forget_site(self, site: str, text: str) -> Mapping[str, object]:
        """Remove the personal data of a site; with the text ``units``, the names of its units, too.

        Raises:
            InputError: the name is empty, or the text is another one.
            VisitError: there is no such site, or a visit there is open.
        """
        if text not in {"", _UNITS}:
            raise InputError(f"{text!r} is nothing to remove beside the site.", f"Write {_UNITS}, or nothing.")
        await self._desk.wait_for_commits()
        name = await asyncio.wrap_future(self._writer.forget_site(place_name(site), units=text == _UNITS))
        self._on_forgotten()
        return {"site": name}

    async def forget_visit(self, visit: str) -> None:
        """Remove technician, job, notes and typed reasons of a visit.

        Raises:
            VisitError: there is no such visit, or it is open.
        """
        await self._desk.wait_for_commits()
        await asyncio.wrap_future(self._writer.forget_visit(visit))
        self._on_forgotten()

    async def _change(self, future: Future[None], moved_uid: str = "") -> None:
        """Wait for a change of places, and show the active visit with it.

        Raises:
            VisitError: the change is not possible.
        """
        await self._desk.wait_for_commits()
        await asyncio.wrap_future(future)
        ids = self._current.visit.ids
        if ids is None:
            return
        before = self._current.visit.site
        await self._desk.activate(ids.uid)
        if moved_uid == ids.uid or self._current.visit.site != before:
            await self._publish_again()


def _site(site: str, unit: str) -> Site:
    return Site(place_name(site), place_name(unit))
