"""Read-only queries for the history, reports and the publisher. They never delay the writer."""

from array import array
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Plan, Site
from meterlink.core.site_facts import SiteFact
from meterlink.core.stock import Movement, StockCount
from meterlink.store import continuity, outbox, places, queries, raw_lines, raw_readings, repairs, site_facts, thinning
from meterlink.store.accepted_filter import AcceptedFilter
from meterlink.store.connections import connect_for_reading
from meterlink.store.forgetting import Removal, site_removal, visit_removal
from meterlink.store.history_fields import PlainValue, history_fields
from meterlink.store.history_query import PAGE, HistoryFilter, accepted_ids, id_of_accepted, names_in_history
from meterlink.store.part_values import PartValue, VisitedUnit, part_values, visited_units
from meterlink.store.rows import (
    ClockStep,
    EarlierVerdict,
    HistoryRow,
    MeterRow,
    OutboxEntry,
    RawLine,
    RefusedMessage,
    StoredConnection,
    StoredGap,
    StoredPlan,
    StoredReading,
    StoredReplacement,
    StoredSite,
    StoredUnit,
    StoredVisit,
    VisitNote,
    VisitWithReadings,
)
from meterlink.store.status import StoredStatus, stored_status

if TYPE_CHECKING:
    from meterlink.store.seals import StoredEdition, StoredKey, StoredSeal


class Reader:
    """Queries on the database at ``path``; every call opens and closes its own connection, so any thread may call.

    The queries work while a station writes and after a station was killed. They never change the file. Every method
    raises StoreError when the file is missing, damaged, another program's, or of another schema version.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def history(
        self,
        unit: str | None = None,
        component: str | None = None,
        site: str | None = None,
        since_utc_ns: int | None = None,
        limit: int | None = None,
        *,
        visit_uid: str | None = None,
        voided: bool = True,
    ) -> list[HistoryRow]:
        """Return accepted readings in the order in which they were accepted; with ``limit``, only the newest ones.

        The selection is that of `HistoryFilter`.
        """
        chosen = HistoryFilter(
            site=site, unit=unit, component=component, since_utc_ns=since_utc_ns, visit_uid=visit_uid, voided=voided
        )
        return self.history_page(chosen, limit)

    def history_page(
        self, chosen: HistoryFilter, limit: int | None = None, *, oldest: bool = False
    ) -> list[HistoryRow]:
        """Return the newest ``limit`` accepted readings that ``chosen`` selects, or the ``oldest``; oldest first."""
        with connect_for_reading(self._path) as connection:
            return queries.history(connection, chosen, limit, oldest=oldest)

    def history_fields(
        self, chosen: HistoryFilter, limit: int | None = None, *, oldest: bool = False
    ) -> Iterator[dict[str, PlainValue]]:
        """Yield the readings of `history_page` as flat dicts (see `meterlink.store.history_fields`), page by page.

        The memory is that of a page, and of the ids where a place or a limit is given. Each page is read at a moment of
        its own, so that the writer is never kept from tidying its log while the records are printed.
        """
        if limit is not None or chosen.names_place:
            with connect_for_reading(self._path) as connection:
                ids = array("q", accepted_ids(connection, chosen, limit, oldest=oldest))
            for first in range(0, len(ids), PAGE):
                with connect_for_reading(self._path) as connection:
                    page = history_fields(connection, ids[first : first + PAGE])
                yield from page
            return
        while True:
            with connect_for_reading(self._path) as connection:
                ids_of_page = accepted_ids(connection, chosen, PAGE, oldest=True)
                page = history_fields(connection, ids_of_page)
            yield from page
            if len(ids_of_page) < PAGE:
                return
            chosen = chosen._replace(after_id=ids_of_page[-1])

    def accepted_cursor(self, uid: str) -> list[tuple[int, str]]:
        """Return ``(id, uid)`` of the accepted readings whose uid begins with ``uid``: two at most."""
        with connect_for_reading(self._path) as connection:
            return id_of_accepted(connection, uid)

    def names_in_history(self, chosen: HistoryFilter) -> dict[str, list[str]]:
        """Return ``{"component": names, "circuit": names}`` of the readings at the place of ``chosen``."""
        with connect_for_reading(self._path) as connection:
            return names_in_history(connection, chosen)

    def filtered_history(
        self, chosen: AcceptedFilter, limit: int, *, before_id: int | None = None, after_id: int | None = None
    ) -> list[HistoryRow]:
        """Return a page of the accepted readings that ``chosen`` selects, newest first, voided ones among them.

        The page has the newest ``limit`` readings with an id below ``before_id``, or, with ``after_id`` instead, the
        oldest ones above it.
        """
        with connect_for_reading(self._path) as connection:
            return queries.filtered_readings(connection, chosen, limit, before_id=before_id, after_id=after_id)

    def part_history(self, accepted_id: int) -> list[HistoryRow]:
        """Return the accepted readings of the test point of an accepted reading, over all visits, oldest first.

        Voided readings are left out.
        """
        with connect_for_reading(self._path) as connection:
            return queries.part_readings(connection, accepted_id)

    def part_values(
        self, site: str | None = None, unit: str | None = None, component: str | None = None, *, archived: bool = True
    ) -> list[PartValue]:
        """Return the last accepted reading of every visit at each of its test points, without the voided ones.

        Names match as in `HistoryFilter`; ``archived`` includes the units that are no longer listed for a new visit.
        """
        with connect_for_reading(self._path) as connection:
            return part_values(connection, site, unit, component, archived=archived)

    def visited_units(self, site: str | None = None, unit: str | None = None) -> list[VisitedUnit]:
        """Return the units that are listed for new visits, each with its newest visit."""
        with connect_for_reading(self._path) as connection:
            return visited_units(connection, site, unit)

    def readings(
        self, visit_uid: str, point_key: str | None = None, *, after_id: int = 0, limit: int | None = None
    ) -> list[StoredReading]:
        """Return the raw readings of a visit, or of one of its test points, in the order in which they arrived.

        A visit may have hundreds of thousands: read pages of ``limit`` readings, each page ``after_id`` of the last
        reading on the page before.
        """
        with connect_for_reading(self._path) as connection:
            return raw_readings.readings_of_visit(connection, visit_uid, point_key, after_id, limit)

    def readings_between(
        self, begin_utc_ns: int, end_utc_ns: int, *, after_id: int = 0, limit: int | None = None
    ) -> list[StoredReading]:
        """Return the raw readings from one time to another (ns since 1970 UTC, both included), in pages as `readings`.

        The order is that in which they arrived.
        """
        with connect_for_reading(self._path) as connection:
            return raw_readings.readings_between(connection, begin_utc_ns, end_utc_ns, after_id, limit)

    def readings_after(self, after_id: int, limit: int) -> list[StoredReading]:
        """Return the oldest ``limit`` raw readings with an id above ``after_id``, in the order of saving."""
        with connect_for_reading(self._path) as connection:
            return raw_readings.page(connection, limit, after_id=after_id)

    def assigned_readings(self) -> set[int]:
        """Return the ids of the raw readings that came outside any visit and were given to one afterwards."""
        with connect_for_reading(self._path) as connection:
            return queries.assigned_readings(connection)

    def raw_lines(self, limit: int, *, before: int | None = None, after: int | None = None) -> list[RawLine]:
        """Return a page of the list of raw readings with the gaps and the steps of the clock between them.

        They are the newest ``limit`` lines with an id below ``before``; with ``after`` instead, the oldest above it.
        However many readings there are, a page takes the same time.
        """
        with connect_for_reading(self._path) as connection:
            return raw_lines.page(connection, limit, before=before, after=after)

    def first_reading_since(self, utc_ns: int) -> int:
        """Return the id of the first raw reading at or after a time; one above the newest if there is none.

        Where the clock was set, the reading is one near that time.
        """
        with connect_for_reading(self._path) as connection:
            return raw_readings.first_id_since(connection, utc_ns)

    def readings_around(
        self, accepted_id: int, seconds_before: float, seconds_after: float, limit: int
    ) -> list[StoredReading]:
        """Return the raw readings of the same meter around an accepted reading, at most ``limit``, in order."""
        with connect_for_reading(self._path) as connection:
            return raw_readings.readings_around(connection, accepted_id, seconds_before, seconds_after, limit)

    def connections(self) -> list[StoredConnection]:
        """Return all connections to meters in the order in which they were made."""
        with connect_for_reading(self._path) as connection:
            return continuity.connections(connection)

    def gaps(
        self, *, since_utc_ns: int | None = None, until_utc_ns: int | None = None, meter: str | None = None
    ) -> list[StoredGap]:
        """Return the times without readings of a meter in the order in which they were saved.

        ``since_utc_ns`` and ``until_utc_ns`` (ns since 1970 UTC) leave out those that ended before, or began at or
        after; ``meter`` is a name or an address, in upper or lower case.
        """
        with connect_for_reading(self._path) as connection:
            return continuity.gaps(connection, since_utc_ns, until_utc_ns, meter)

    def clock_steps(self, *, since_utc_ns: int | None = None, until_utc_ns: int | None = None) -> list[ClockStep]:
        """Return the jumps of the wall clock in the order in which they were found; the times are as in `gaps`."""
        with connect_for_reading(self._path) as connection:
            return continuity.clock_steps(connection, since_utc_ns, until_utc_ns)

    def visits(self) -> list[StoredVisit]:
        """Return all visits in the order in which they were opened."""
        with connect_for_reading(self._path) as connection:
            return queries.visits(connection)

    def plan(self, visit_uid: str) -> StoredPlan:
        """Return the plan of a visit.

        Raises:
            StoreError: there is no such visit, or the database cannot be read.
        """
        with connect_for_reading(self._path) as connection:
            return queries.visit_plan(connection, visit_uid)

    def resumable_visit(self, site: Site, plan: Plan, now: Timestamp, boot: str) -> VisitWithReadings | None:
        """Return the open visit that a station restarted at ``now`` would resume; None if there is none."""
        with connect_for_reading(self._path) as connection:
            return queries.resumable_visit(connection, site, plan, now, boot)

    def visit(self, uid: str | None = None) -> VisitWithReadings | None:
        """Return the visit ``uid`` with its readings, without a uid the active one; None if there is none."""
        with connect_for_reading(self._path) as connection:
            return queries.find_visit(connection, uid)

    def earlier_verdicts(self, visit_uid: str) -> dict[str, list[EarlierVerdict]]:
        """Return ``{uid of an accepted reading: its verdicts before the current one, oldest first}`` of a visit."""
        with connect_for_reading(self._path) as connection:
            return queries.earlier_verdicts(connection, visit_uid)

    def visit_notes(self, visit_uid: str) -> list[VisitNote]:
        """Return the notes on a visit, and the reasons of its skipped test points, oldest first."""
        with connect_for_reading(self._path) as connection:
            return queries.visit_notes(connection, visit_uid)

    def replacements(self, visit_uid: str | None = None) -> list[StoredReplacement]:
        """Return the parts swapped, during one visit or during all, in the order in which they were swapped.

        A replacement that was undone is not among them.
        """
        with connect_for_reading(self._path) as connection:
            return repairs.replacements(connection, visit_uid)

    def units(self, site: Site | None = None) -> list[StoredUnit]:
        """Return all units, archived ones too, in the order in which they were first visited; or that at ``site``."""
        with connect_for_reading(self._path) as connection:
            return places.units(connection, site)

    def sites(self) -> list[StoredSite]:
        """Return all sites, with the facts about them, in the order in which they were first visited."""
        with connect_for_reading(self._path) as connection:
            return site_facts.sites(connection)

    def site_facts(self, site: str) -> Mapping[SiteFact, str]:
        """Return the newest of each fact about a site, without removed ones; none for an unknown site."""
        with connect_for_reading(self._path) as connection:
            return site_facts.site_facts(connection, site)

    def site_removal(self, site: str, *, units: bool) -> Removal:
        """Return the personal data of a site that `Writer.forget_site` would remove.

        Raises:
            VisitError: there is no such site.
            StoreError: the database cannot be read.
        """
        with connect_for_reading(self._path) as connection:
            return site_removal(connection, site, units=units)

    def visit_removal(self, uid: str) -> Removal:
        """Return the personal data of a visit that `Writer.forget_visit` would remove.

        Raises:
            VisitError: there is no such visit.
            StoreError: the database cannot be read.
        """
        with connect_for_reading(self._path) as connection:
            return visit_removal(connection, uid)

    def stock(self) -> list[StockCount]:
        """Return the count of each kind of part on the truck, and of each that has a low mark."""
        with connect_for_reading(self._path) as connection:
            return repairs.stock(connection)

    def stock_movements(self) -> list[Movement]:
        """Return the ledger of the stock in the order in which it was written."""
        with connect_for_reading(self._path) as connection:
            return repairs.movements(connection)

    def seal(self, visit_uid: str) -> "StoredSeal":
        """Return the sealed editions of a visit, and the visit as it is now.

        Raises:
            StoreError: there is no such visit, or the database cannot be read.
        """
        from meterlink.store.seals import stored_seal  # noqa: PLC0415  # signatures take a tenth of a command's time

        with connect_for_reading(self._path) as connection:
            return stored_seal(connection, visit_uid)

    def newest_editions(self) -> "dict[str, StoredEdition]":
        """Return ``{uid of a sealed visit: its newest edition}``."""
        from meterlink.store.seals import newest_editions  # noqa: PLC0415  # signatures take a tenth of a command's time

        with connect_for_reading(self._path) as connection:
            return newest_editions(connection)

    def seal_fingerprint(self, visit_uid: str) -> str:
        """Return the fingerprint of the newest sealed edition of a visit; empty without one."""
        from meterlink.store.seals import seal_fingerprint  # noqa: PLC0415  # as above

        with connect_for_reading(self._path) as connection:
            return seal_fingerprint(connection, visit_uid)

    def station_keys(self) -> "list[StoredKey]":
        """Return the keys that this station, and those merged into it, sealed with, oldest first."""
        from meterlink.store.seals import stored_keys  # noqa: PLC0415  # signatures take a tenth of a command's time

        with connect_for_reading(self._path) as connection:
            return stored_keys(connection)

    def known_meters(self) -> list[MeterRow]:
        """Return all meters in the order in which they were first seen."""
        with connect_for_reading(self._path) as connection:
            return queries.known_meters(connection)

    def outbox(self, limit: int, after_id: int = 0) -> list[OutboxEntry]:
        """Return the oldest ``limit`` messages in the outbox with an id above ``after_id``."""
        with connect_for_reading(self._path) as connection:
            return outbox.waiting(connection, limit, after_id)

    def refused_messages(self, limit: int = -1, after_id: int = 0, *, uid: str = "") -> list[RefusedMessage]:
        """Return the oldest ``limit`` messages (-1: all) that the broker refused, with an id above ``after_id``.

        With a ``uid``, only those whose message id begins with it.
        """
        with connect_for_reading(self._path) as connection:
            return outbox.refused(connection, limit, after_id, uid)

    def thinnable(self, before_utc_ns: int) -> thinning.Thinnable:
        """Return the number of raw readings from before a time that thinning would delete, and their bytes."""
        with connect_for_reading(self._path) as connection:
            return thinning.thinnable(connection, before_utc_ns)

    def free_room(self) -> int:
        """Return the bytes in the file that deleted rows have left; new ones go there first."""
        with connect_for_reading(self._path) as connection:
            return thinning.free_room(connection)

    def oldest_raw_time(self) -> int | None:
        """Return the time (ns since 1970 UTC) of the oldest raw readings whose time is known; None without any."""
        with connect_for_reading(self._path) as connection:
            return thinning.oldest_raw_time(connection)

    def newest_raw_time(self) -> int | None:
        """Return the time (ns since 1970 UTC) at which the newest raw readings began; None without any."""
        with connect_for_reading(self._path) as connection:
            return thinning.newest_raw_time(connection)

    def thinnings(self) -> list[thinning.Thinning]:
        """Return all runs of thinning, oldest first."""
        with connect_for_reading(self._path) as connection:
            return thinning.thinnings(connection)

    def counts(self) -> dict[str, int]:
        """Return ``{name: number}``: the rows of each growing table and the number of dropped items of each kind.

        The tables are visits, meters, readings, accepted_readings, outbox and rejected_messages. ``outbox_dropped`` and
        ``rejected_messages_dropped`` count messages, ``readings_dropped`` counts readings that were never saved.
        """
        with connect_for_reading(self._path) as connection:
            return queries.counts(connection)

    def status(self, since_utc_ns: int) -> StoredStatus:
        """Return the waiting messages, the losses and the growth since a time (ns since 1970 UTC)."""
        with connect_for_reading(self._path) as connection:
            return stored_status(connection, since_utc_ns)
