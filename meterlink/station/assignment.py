"""Readings that came outside any visit are given to one afterwards: they settle and are judged as if they came then."""

import asyncio
import uuid
from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby

from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError, VisitError
from meterlink.station.acceptance import needs_person
from meterlink.station.committer import Committer
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading, ActiveVisit, matches_function
from meterlink.station.visit_judge import VisitJudge
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredReading

# The longest span in one go: a working day; a longer one is a slip in a date.
MOST_HOURS = 24
_PAGE = 5_000  # readings at a time: some MB of memory


class Assignment:
    """The handler of the command that gives readings to the active visit."""

    def __init__(self, current: CurrentVisit, committer: Committer, visit_judge: VisitJudge, reader: Reader) -> None:
        self._current = current
        self._committer = committer
        self._judge = visit_judge
        self._reader = reader

    async def assign(self, point: TestPoint, since_utc_ns: int, until_utc_ns: int, meter: str) -> Mapping[str, object]:
        """Accept at ``point`` the readings that settled outside any visit in a span of time (ns since 1970 UTC).

        ``meter`` is the address or the name of one meter; if empty, the readings of all meters count.

        Raises:
            InputError: the span ends before it begins, or is longer than a day.
            VisitError: no visit is active, nothing settled then, or the part at ``point`` was replaced since.
        """
        visit = self._current.require()
        point = visit.point(point.key)
        if not 0 <= until_utc_ns - since_utc_ns <= MOST_HOURS * 3600 * 1_000_000_000:
            raise InputError(
                f"The span from {format_rfc3339(since_utc_ns)} to {format_rfc3339(until_utc_ns)} cannot be used.",
                f"Name a beginning and a later end, at most {MOST_HOURS} h apart.",
            )
        readings, assigned = await asyncio.to_thread(self._untagged_readings, since_utc_ns, until_utc_ns)
        fitting = [
            stored
            for stored in readings
            if (not meter or meter in {stored.meter.address, stored.meter.name})
            and matches_function(point, stored.reading)
        ]
        settled = [
            (stored, accepted) for stored, accepted in self._settled(visit, point, fitting) if stored.id not in assigned
        ]
        if not settled:
            raise VisitError(
                f"Between {format_rfc3339(since_utc_ns)} and {format_rfc3339(until_utc_ns)} no {point.quantity} settled"
                " outside a visit that is not assigned yet.",
                "See the raw readings of that time, or measure again.",
            )
        _require_present_part(visit, point, [accepted for _, accepted in settled])
        for stored, accepted in settled:
            await self._committer.commit_assigned(visit, point, accepted, stored)
        return {"visit": visit.require_ids().uid, "readings": [accepted.uid for _, accepted in settled]}

    def _untagged_readings(self, since_utc_ns: int, until_utc_ns: int) -> tuple[list[StoredReading], set[int]]:
        """Return the readings of no visit, and the ids of those that are assigned already."""
        found: list[StoredReading] = []
        after_id = 0
        while page := self._reader.readings_between(since_utc_ns, until_utc_ns, after_id=after_id, limit=_PAGE):
            found += (stored for stored in page if stored.visit_uid is None)
            after_id = page[-1].id
        return found, self._reader.assigned_readings()

    def _settled(
        self, visit: ActiveVisit, point: TestPoint, readings: Iterable[StoredReading]
    ) -> Iterator[tuple[StoredReading, AcceptedReading]]:
        """Yield the readings that settle, in the order of their times, as accepted readings."""
        by_connection = sorted(readings, key=lambda stored: (stored.connection_id, stored.id))
        found = []
        for connection_id, of_connection in groupby(by_connection, lambda stored: stored.connection_id):
            tracker: MeterTracker | None = None
            for stored in of_connection:
                tracker = tracker or MeterTracker(stored.meter.address, stored.meter.name, 0, connection_id)
                tracker.add_reading(stored.reading)
                if tracker.settling.settled_reading is None:
                    continue
                judgement = self._judge.judge_at(visit, point, stored.reading, stored.meter.address)
                if needs_person(tracker, stored.reading, judgement):
                    continue  # nobody can say any more where the probes were
                tracker.accept(stored.reading, point.key)
                found.append((stored, judgement, tracker.settling.settling_time))
        for stored, judgement, settling_time in sorted(found, key=lambda settled: settled[0].reading.timestamp.utc_ns):
            yield (
                stored,
                AcceptedReading(
                    stored.reading,
                    judgement,
                    stored.meter.name,
                    settling_time,
                    visit.new_number(),
                    str(uuid.uuid4()),
                    stored.meter.address,
                ),
            )


def _require_present_part(visit: ActiveVisit, point: TestPoint, readings: Iterable[AcceptedReading]) -> None:
    """Do nothing if the readings are of the part that is at ``point`` now.

    Raises:
        VisitError: it was replaced after one of them.
    """
    oldest = min(accepted.reading.timestamp.utc_ns for accepted in readings)
    for fitted in visit.fitted:
        if point.key in fitted.keys and (fitted.replacement.utc_ns or 0) > oldest:
            raise VisitError(
                f"The {fitted.replacement.part} was replaced after that time.",
                "Undo the replacement, assign the readings, and record it again.",
            )
