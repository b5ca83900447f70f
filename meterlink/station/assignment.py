"""Readings that came outside any visit are given to one afterwards: they settle and are judged as if they came then."""

import asyncio
import uuid
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from functools import partial

from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError, VisitError
from meterlink.core.verdicts import Judgement
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


@dataclass(frozen=True, slots=True)
class _Settled:
    """A reading that settled in ``settling_time`` s, and its judgement."""

    stored: StoredReading
    judgement: Judgement
    settling_time: float


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
        settled = await self._settled(visit, point, since_utc_ns, until_utc_ns, meter)
        if not settled:
            raise VisitError(
                f"Between {format_rfc3339(since_utc_ns)} and {format_rfc3339(until_utc_ns)} no {point.quantity} settled"
                " outside a visit that is not assigned yet.",
                "See the raw readings of that time, or measure again.",
            )
        _require_present_part(visit, point, min(found.stored.reading.timestamp.utc_ns for found in settled))
        readings = []
        for found in settled:
            accepted = AcceptedReading(
                found.stored.reading,
                found.judgement,
                found.stored.meter.name,
                found.settling_time,
                visit.new_number(),
                str(uuid.uuid4()),
                found.stored.meter.address,
            )
            await self._committer.commit_assigned(visit, point, accepted, found.stored)
            readings.append(accepted.uid)
        return {"visit": visit.require_ids().uid, "readings": readings}

    async def _settled(
        self, visit: ActiveVisit, point: TestPoint, since_utc_ns: int, until_utc_ns: int, meter: str
    ) -> list[_Settled]:
        """Return what settled of the quantity of ``point`` and belongs to no visit yet, in the order of the times."""
        assigned = await asyncio.to_thread(self._reader.assigned_readings)
        trackers: dict[int, MeterTracker] = {}
        found = []
        async for stored in self._readings(since_utc_ns, until_utc_ns):
            if meter and meter not in {stored.meter.address, stored.meter.name}:
                continue
            tracker = trackers.get(stored.connection_id)
            if tracker is None:
                tracker = MeterTracker(stored.meter.address, stored.meter.name, 0, stored.connection_id)
                trackers[stored.connection_id] = tracker
            # Each reading counts for settling, also those of another dial position or of a visit, as they did then.
            tracker.add_reading(stored.reading)
            if tracker.settling.settled_reading is None or not matches_function(point, stored.reading):
                continue
            judgement = self._judge.judge_at(visit, point, stored.reading, stored.meter.address)
            if needs_person(tracker, stored.reading, judgement):
                continue  # nobody can say any more where the probes were
            tracker.accept(stored.reading, point.key)
            if stored.visit_uid is None and stored.id not in assigned:
                found.append(_Settled(stored, judgement, tracker.settling.settling_time))
        return sorted(found, key=lambda settled: settled.stored.reading.timestamp.utc_ns)

    async def _readings(self, since_utc_ns: int, until_utc_ns: int) -> AsyncIterator[StoredReading]:
        after_id = 0
        while page := await asyncio.to_thread(
            partial(self._reader.readings_between, since_utc_ns, until_utc_ns, after_id=after_id, limit=_PAGE)
        ):
            for stored in page:
                yield stored
            after_id = page[-1].id


def _require_present_part(visit: ActiveVisit, point: TestPoint, since_utc_ns: int) -> None:
    """Do nothing if the part that is at ``point`` now has been there since a time.

    Raises:
        VisitError: it was replaced after that time.
    """
    for fitted in visit.fitted:
        if point.key in fitted.keys and (fitted.replacement.utc_ns or 0) > since_utc_ns:
            raise VisitError(
                f"The {fitted.replacement.part} was replaced after that time.",
                "Undo the replacement, assign the readings, and record it again.",
            )
