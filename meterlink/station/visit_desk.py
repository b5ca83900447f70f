"""Visits begin, pause, switch and close here, while the station runs."""

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import cache

from meterlink.core.clock import Clock, format_rfc3339
from meterlink.core.equipment import CircuitState, Plan, Site, TestPoint
from meterlink.core.errors import InputError, PlanError, VisitError
from meterlink.core.meter_proof import is_proof_note
from meterlink.core.outcomes import Outcome
from meterlink.core.text import LONGEST_REMARK, clean_text, did_you_mean, named_device
from meterlink.core.units import Quantity
from meterlink.core.verdicts import FAILED_VERDICTS
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.link.messages import Message, PlanNameView, Topic, UnitView, VisitsView
from meterlink.plans import (
    DEFAULT_PLAN,
    check_plan,
    load_plan,
    parse_typed_rating,
    read_plan_text,
    shipped_plans,
)
from meterlink.settings import Settings
from meterlink.station.collection import Collection
from meterlink.station.current_visit import no_visit
from meterlink.station.known_meters import KnownMeters
from meterlink.station.place_names import place_name
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredReplacement, StoredVisit, UnitLeft, VisitDetails, VisitNote, VisitWithReadings
from meterlink.store.writer import Writer

log = logging.getLogger(__name__)

WITHOUT_PLAN = (
    "Its plan is not in the record, only the ratings: new readings come without the cautions of the plan, and volts and"
    " amperes may have no limits. Begin another visit to measure more."
)

MOST_UNITS = 1_000  # a list with more is searched by `meterlink visit list`


class VisitDesk:
    """The handlers of the commands that begin, pause, switch and close visits."""

    def __init__(
        self,
        collection: Collection,
        writer: Writer,
        reader: Reader,
        settings: Settings,
        known: KnownMeters,
        clock: Clock,
        send_view: Callable[[Message], None],
    ) -> None:
        self._send_view = send_view
        self._known = known
        self._collection = collection
        self._writer = writer
        self._reader = reader
        self._settings = settings
        self._clock = clock

    def set_settings(self, settings: Settings) -> None:
        """Judge later visits by these settings."""
        self._settings = settings

    async def list_visits(self) -> None:
        """Send the known units and the shipped plans to the watchers."""
        visits = await asyncio.to_thread(self._reader.visits)
        newest = {visit.site: visit for visit in visits if not visit.archived}.values()
        # The active visit, the open ones, the newest ones: a list is only read in its first pages.
        ordered = sorted(newest, key=lambda visit: (visit.active, visit.closed_utc_ns is None, visit.id), reverse=True)[
            :MOST_UNITS
        ]
        self._send_view(VisitsView(topic=Topic.VISITS, units=list(map(_unit_view, ordered)), plans=_plan_names()))

    async def begin(self, site: str, unit: str, plan: str, technician: str, job: str) -> Mapping[str, object]:
        """Begin a visit, which is the active one from now on; the visit before is paused.

        ``plan`` is a plan file or a shipped plan; if empty, it is that of the unit's newest visit.

        Raises:
            InputError: a name is empty or too long.
            PlanError: the plan cannot be used.
            VisitError: a visit to the unit is open.
        """
        place = Site(place_name(site), place_name(unit))
        visits = [visit for visit in await asyncio.to_thread(self._reader.visits) if visit.site == place]
        if visits and visits[-1].closed_utc_ns is None:
            raise VisitError(
                f"A visit to {place.unit} at {place.name} is open.",
                f"Switch to it: meterlink visit switch {visits[-1].uid}",
            )
        text = visits[-1].plan_text if visits and not plan else ""
        text = text or await asyncio.to_thread(read_plan_text, plan or DEFAULT_PLAN)
        loaded = check_plan(text).require(plan or DEFAULT_PLAN, PlanError)
        opened = self._clock.now()
        details = VisitDetails(text, clean_text(technician), clean_text(job))
        ids = await asyncio.wrap_future(self._writer.open_visit(place, loaded, opened, details))
        await self.activate(ids.uid)
        return {"visit": ids.uid}

    async def switch(self, visit: str) -> Mapping[str, object]:
        """Make another open visit the active one; the visit before is paused.

        Raises:
            VisitError: there is no such visit, or it is closed.
        """
        await self.activate(visit)
        return {"visit": visit}

    async def pause(self) -> Mapping[str, object]:
        """Pause the active visit: readings belong to no visit until another begins or is switched to.

        Raises:
            VisitError: no visit is active.
        """
        ids = self._collection.current.require().require_ids()
        await asyncio.wrap_future(self._writer.pause_visit())
        await self._leave()
        return {"visit": ids.uid}

    async def close(self, outcome: str, power: str, covers: str) -> Mapping[str, object]:
        """Close the active visit; return the test points that are left: untested, not sound, skipped with reasons.

        ``power`` is on or off, ``covers`` on or off: how the unit was left; empty where nobody said it.
        ``meter_not_proven`` has ``before`` and ``after`` where no proof on a known source stands before the first, or
        after the last, reading at an isolated test point. ``used`` has the parts off the truck that were fitted.
        ``seal`` is the fingerprint of the sealed visit, empty where it could not be sealed.

        Raises:
            InputError: there is no such outcome.
            VisitError: no visit is active.
        """
        visit = self._collection.current.require()
        if outcome not in list(Outcome):
            remedy = did_you_mean(outcome, Outcome) or f"Write one of: {', '.join(Outcome)}."
            raise InputError(f"{outcome!r} is not an outcome.", remedy)
        unit_left = UnitLeft(_is_on("power", power), _is_on("covers", covers))
        await self._collection.wait_for_commits()
        left = await asyncio.to_thread(self._left_points, visit)
        used = self._collection.repairs.used(visit)
        closed = self._writer.close_visit(visit.require_ids().visit_id, self._clock.now(), outcome, unit_left)
        await asyncio.wrap_future(closed)
        await self._leave()
        uid = visit.require_ids().uid
        seal = await asyncio.to_thread(self._reader.seal_fingerprint, uid)
        return {"visit": uid, "outcome": outcome, **left, **unit_left._asdict(), "used": used, "seal": seal}

    async def note(self, text: str) -> None:
        """Keep a note on the active visit.

        Raises:
            InputError: the note is empty.
            VisitError: no visit is active.
        """
        visit = self._collection.current.require()
        if not clean_text(text, LONGEST_REMARK):
            raise InputError("The note is empty.", "Write what should be remembered.")
        await asyncio.wrap_future(self._writer.add_note(visit.require_ids().visit_id, clean_text(text, LONGEST_REMARK)))

    async def skip(self, point: TestPoint, text: str) -> None:
        """Keep the reason why a test point is not measured, and go on to the next.

        Raises:
            InputError: the reason is empty, or the test point depends on an open question of the plan.
            VisitError: no visit is active.
        """
        visit = self._collection.current.require()
        if not clean_text(text, LONGEST_REMARK):
            raise InputError("The reason is empty.", "Write why the test point is skipped.")
        point = visit.point(point.key)
        ids = visit.require_ids()
        await asyncio.wrap_future(
            self._writer.add_note(ids.visit_id, clean_text(text, LONGEST_REMARK), ids.point_ids[point.key])
        )
        if visit.focus == point.key:
            visit.move_focus(1)

    async def activate(self, uid: str) -> None:
        """Make an open visit the active one.

        Raises:
            VisitError: there is no such visit, or it is closed.
            PlanError: its plan cannot be read by this version.
        """
        await self._collection.wait_for_commits()  # so that the visit has all its readings
        resumed = await asyncio.wrap_future(self._writer.activate_visit(uid))
        if resumed is None:
            raise VisitError(f"No open visit has the id {uid}.", "List them: meterlink visit list")
        visit = resumed_visit(resumed, self._settings)
        pin_meters(visit, self._known)
        await self._collection.commands.judge_again(visit)
        await self._change_visit(visit)

    async def judge_open_visits(self) -> int:
        """Judge the accepted readings of all open visits again, where a limit, a rule or a meter's facts have changed.

        Returns:
            The number of the readings with a new verdict.
        """
        await self._collection.wait_for_commits()
        active = self._collection.current.visit
        count = await self._collection.commands.judge_again(active) if active.ids is not None else 0
        for stored in await asyncio.to_thread(self._reader.visits):
            if stored.closed_utc_ns is None and not stored.active:
                paused = await asyncio.to_thread(self._reader.visit, stored.uid)
                if paused is not None:
                    count += await self._collection.commands.judge_again(resumed_visit(paused, self._settings))
        return count

    async def wait_for_commits(self) -> None:
        """Return when every reading accepted so far is in the database, or lost."""
        await self._collection.wait_for_commits()

    async def _leave(self) -> None:
        await self._change_visit(no_visit(self._settings.capacitor_tolerance, self._settings.rule))

    async def _change_visit(self, visit: ActiveVisit) -> None:
        """Make ``visit`` the active one, and bring the list of the watchers up to date: a line of it closes a visit."""
        self._collection.change_visit(visit)
        await self.list_visits()

    def _left_points(self, visit: ActiveVisit) -> dict[str, object]:
        notes = self._reader.visit_notes(visit.require_ids().uid)
        skipped = {note.point_key: note.text for note in notes if note.point_key is not None}
        return {
            "untested": [key for key, accepted in visit.accepted.items() if not accepted and key not in skipped],
            "outside_not_replaced": [
                key
                for key, accepted in visit.accepted.items()
                if accepted and accepted[-1].judgement.verdict in FAILED_VERDICTS
            ],
            "skipped": [{"point": key, "reason": reason} for key, reason in skipped.items()],
            "meter_not_proven": missing_proofs(visit, notes),
        }


def missing_proofs(visit: ActiveVisit, notes: Iterable[VisitNote]) -> list[str]:
    """Return ``before`` and ``after`` where the meter was not proven around the readings at isolated test points."""
    proven = [note.utc_ns for note in notes if is_proof_note(note.text)]
    isolated = [
        accepted.reading.timestamp.utc_ns
        for key, readings in visit.accepted.items()
        if visit.points[key].state is CircuitState.ISOLATED
        for accepted in readings
    ]
    if not isolated:
        return []
    before = any(time <= min(isolated) for time in proven)
    after = any(time >= max(isolated) for time in proven)
    return [word for word, is_proven in (("before", before), ("after", after)) if not is_proven]


def pin_meters(visit: ActiveVisit, known: KnownMeters) -> None:
    """Pin each meter to the test point that it always measures, where the visit's plan has it."""
    planned = {point.key for point in visit.plan.points}  # the point may exist only after an answer
    for address, key in known.pins().items():
        if key in planned:
            visit.pins[address] = key
        else:
            name = named_device(known.name_at(address), address)
            log.info("%s is not pinned: this visit has no %s", name, key)


def plan_of_visit(stored: VisitWithReadings) -> Plan:
    """Return the plan with which a visit was begun; where its text is not kept, the facts that its rows have of it.

    Raises:
        PlanError: it cannot be read by this version.
    """
    if not stored.plan_text:
        return replace(stored.plan, points=tuple(_known_of(point, stored) for point in stored.plan.points))
    return check_plan(stored.plan_text).require(f"the plan of the visit {stored.ids.uid}", PlanError)


def _known_of(point: TestPoint, stored: VisitWithReadings) -> TestPoint:
    """Return a test point of a plan without its text: with its rating, and with rule and function of its last reading.

    Volts and amperes have a rating only where a reading shows AC or DC: the limits are those of one of them.
    """
    newest = next(
        (row for row in reversed(stored.accepted) if row.point_key == point.key and not row.void_reason), None
    )
    if newest is not None:
        point = replace(point, coupling=newest.reading.coupling)
        with suppress(InputError):  # of a record that was imported
            parse_decision_rule(newest.judgement.rule)
            point = replace(point, rule=newest.judgement.rule)
    text = stored.plan_ratings.get(point.key, "")
    if not text or (point.coupling is None and point.quantity in {Quantity.VOLTAGE, Quantity.CURRENT}):
        return point
    with suppress(InputError):
        point = replace(point, specification=parse_typed_rating(point, text))
    return point


def resumed_visit(resumed: VisitWithReadings, settings: Settings, plan: Plan | None = None) -> ActiveVisit:
    """Return a visit of the database with its readings and ratings; ``plan`` replaces the one that it was begun with.

    Raises:
        PlanError: its plan cannot be read by this version.
    """
    lacks_plan = plan is None and not resumed.plan_text
    plan = plan or plan_of_visit(resumed)
    visit = ActiveVisit(
        resumed.site,
        plan,
        resumed.opened.utc_ns,
        settings.capacitor_tolerance,
        settings.rule,
        resumed.answers if plan.asked else {},
        resumed.ids,
    )
    visit.lacks_plan = lacks_plan
    visit.last_readings = dict(resumed.last_readings)
    for key, text in _ratings_at_beginning(resumed).items():
        visit.set_rating(key, text)
    to_fit = deque(resumed.replacements)
    for row in resumed.accepted:
        while to_fit and (to_fit[0].replacement.after_number or 0) < row.id:
            _fit_part(visit, to_fit.popleft())
        accepted = AcceptedReading(
            row.reading, row.judgement, row.meter.name, row.settled_in, uid=row.uid, address=row.meter.address,
            revision=row.revision, void_reason=row.void_reason or "",
            accepted_as="" if row.correction is None else row.correction.accepted_as,
        )  # fmt: skip
        visit.add_accepted(row.point_key, accepted)
    for stored in to_fit:
        _fit_part(visit, stored)
    for key, text in resumed.ratings.items():  # the rating of a new part may have been typed again
        visit.set_rating(key, text)
    if visit.focus is not None:
        visit.probes_removed(visit.focus)
    return visit


def _ratings_at_beginning(resumed: VisitWithReadings) -> dict[str, str]:
    """Return the ratings that were read off the parts before any of them was replaced, by test point."""
    ratings = dict(resumed.ratings)
    for stored in reversed(resumed.replacements):
        for key, (old, _) in stored.ratings.items():
            if old is None:
                ratings.pop(key, None)
            else:
                ratings[key] = old
    return ratings


def _fit_part(visit: ActiveVisit, stored: StoredReplacement) -> None:
    """Record a replacement after the readings that ``visit`` has by now."""
    replacement = replace(stored.replacement, after_number=visit.last_number)
    new_ratings = {key: new for key, (_, new) in stored.ratings.items()}
    visit.fit_part(stored.uid, replacement, new_ratings, stored.item)


def _is_on(name: str, text: str) -> bool | None:
    """Return whether something is on; None where nobody said it.

    Raises:
        InputError: the text is neither on nor off.
    """
    if text not in {"", "on", "off"}:
        raise InputError(f"{text!r} does not say how the {name} was left.", "Write on or off, or leave it out.")
    return text == "on" if text else None


def _unit_view(visit: StoredVisit) -> UnitView:
    return UnitView(
        site=visit.site.name,
        unit=visit.site.unit,
        visit=visit.uid,
        plan=visit.plan,
        opened=format_rfc3339(visit.opened.utc_ns),
        is_open=visit.closed_utc_ns is None,
        is_active=visit.active,
    )


@cache
def _plan_names() -> list[PlanNameView]:
    return [PlanNameView(key=key, title=load_plan(key).name) for key in shipped_plans()]
