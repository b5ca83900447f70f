"""The present visit: its test points, the active one, the accepted readings. No I/O."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from meterlink.core.cautions import brief_caution_at, caution_at
from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import DerivedPoint, Plan, PlanQuestion, PointKind, Site, Span, Specification, TestPoint
from meterlink.core.errors import InputError, VisitError
from meterlink.core.questions import Question
from meterlink.core.readings import Reading
from meterlink.core.replacements import Replacement
from meterlink.core.stock import StockItem
from meterlink.core.text import did_you_mean
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, parse_decision_rule
from meterlink.judge.flow import Flow, expected_flow
from meterlink.judge.judging import format_decimal, limits_for
from meterlink.link.messages import AcceptedView, LastView, LimitsView, PointView, VoidedView, question_view
from meterlink.plans import parse_typed_rating
from meterlink.store.rows import LastReading, VisitIds

if TYPE_CHECKING:
    from meterlink.judge.label.rated_part import RatedPart


@dataclass(frozen=True, slots=True)
class AcceptedReading:
    """A reading that was accepted at a test point, with its verdict, as committed. ``settled_in`` is in seconds.

    ``uid`` is its identifier in the database, unique across stations; ``address`` is the stored address of its meter.
    ``revision`` is 1, and one more for each time it was judged again, voided or taken back. ``accepted_as`` is the
    display that was accepted, of a reading whose packet was decoded again since; empty for any other.
    """

    reading: Reading
    judgement: Judgement
    meter: str
    settled_in: float
    number: int = 0  # unique in the visit, in its order, from 1; 0 before `ActiveVisit.add_accepted` or `new_number`
    uid: str = ""
    address: str = ""
    revision: int = 1
    void_reason: str = ""  # not empty: it is voided, and counts nowhere
    accepted_as: str = ""

    @property
    def shows_value(self) -> bool:
        """Whether it shows more than nothing; none does that is undecided after a question, or decoded again."""
        judgement = self.judgement
        undecided = judgement.question is not None or (
            judgement.verdict is Verdict.CANNOT_TELL and bool(judgement.answer or self.accepted_as)
        )
        return not undecided and judgement.verdict is not Verdict.NOTHING_FLOWS


@dataclass(frozen=True, slots=True)
class FittedPart:
    """A part swapped during the visit; ``replacement.after_number`` is the number of the last reading before it.

    ``keys`` are the test points whose readings are the part's. ``earlier_points``, ``earlier_label`` and
    ``earlier_by_hand`` belong to the old part. ``item`` came off the truck; None for a part from
    elsewhere.
    """

    uid: str
    replacement: Replacement
    keys: frozenset[str]
    earlier_points: Mapping[str, TestPoint]
    earlier_label: "RatedPart | None"
    earlier_by_hand: frozenset[str]
    item: StockItem | None = None


LEAST_UID = 4  # characters: a visit has some dozens of readings, and a uid has hexadecimal digits
NO_VISIT_REMEDY = 'Begin one: meterlink visit begin --site "Mill Lane bakery" --unit "Condenser 1".'


class ActiveVisit:
    """The ordered test points of a visit and their state.

    The *focus* is the active test point: a reading of the right quantity belongs to it. It moves to the next point
    without an accepted reading when the probes are removed, so that no hand is needed. A meter may be *pinned* to a
    test point; it then measures that point at any focus. The focus passes over an optional point, except to the next
    one of the part whose optional point was read last.
    """

    def __init__(
        self,
        site: Site,
        plan: Plan,
        opened_utc_ns: int,
        capacitor_tolerance: str,
        rule: DecisionRule = SIMPLE_ACCEPTANCE,
        answers: Mapping[str, str] | None = None,
        ids: VisitIds | None = None,
    ) -> None:
        self.site = site
        self.ids = ids  # its rows in the database; None for a visit that is in none
        self.plan_name = plan.name
        self.plan = plan
        self.opened_utc_ns = opened_utc_ns
        self.capacitor_tolerance = capacitor_tolerance
        self._rule = rule
        self.lacks_plan = False  # only the ratings are known of the plan that it was begun with
        self.answers: dict[str, str] = {}
        self.points: dict[str, TestPoint] = {}
        self.limits: dict[str, Limits | None] = {}
        self.rules: dict[str, DecisionRule] = {}
        self.accepted: dict[str, list[AcceptedReading]] = {}
        self.voided: dict[str, list[AcceptedReading]] = {}
        self.old_readings: dict[str, list[AcceptedReading]] = {}  # of parts that were replaced during the visit
        self.fitted: list[FittedPart] = []
        self.last_readings: dict[str, LastReading] = {}  # of the unit's earlier visits, by test point
        self.derived: tuple[DerivedPoint, ...] = ()
        self._rated_by_hand: set[str] = set()
        self.focus: str | None = None
        self.set_answers(answers or {})
        self.pins: dict[str, str] = {}
        self.labels: dict[str, RatedPart] = {}  # by component: its typed label, with the voltage
        self.focus = next(iter(self.points), None)
        self.last_accepted: str | None = None
        self._count = 0

    def require_ids(self) -> VisitIds:
        """Return its rows in the database, which every visit of a station has that is open.

        Raises:
            VisitError: it is in no database.
        """
        if self.ids is None:
            raise VisitError("No visit is open.", NO_VISIT_REMEDY)
        return self.ids

    def answers_with(self, question: str, answer: str) -> dict[str, str]:
        """Return the answers to the questions of the plan, with one more: the key or the number of a choice.

        Raises:
            InputError: there is no such question or choice, or it is not to be answered now.
        """
        if question not in {asked.key for asked in self.plan.questions(self.answers)}:
            raise InputError(f"The plan has no open question {question!r}.", "It may be answered already.")
        return self.plan.checked_answers(self.answers | {question: answer})

    def set_answers(self, answers: Mapping[str, str]) -> None:
        """Take the answers to the questions of the plan: the test points and the ratings that follow from them.

        A test point without a reading becomes the active one if there was none. A rating that was typed stays.

        Raises:
            InputError: there is no such question or no such choice.
        """
        known = self.plan.for_answers(answers)
        self.answers, self.derived = dict(answers), known.derived
        kept = {key: self.points[key].specification for key in self._rated_by_hand}
        points = [replace(point, specification=kept.get(point.key, point.specification)) for point in known.points]
        self.points = {point.key: point for point in points}
        self.limits = {point.key: limits_for(point, self.capacitor_tolerance) for point in points}
        self.rules = {point.key: parse_decision_rule(point.rule) if point.rule else self._rule for point in points}
        self.accepted = {key: self.accepted.get(key, []) for key in self.points}
        if self.focus is None:
            self.focus = next((key for key, readings in self.accepted.items() if not readings), None)

    def set_judge(self, capacitor_tolerance: str, rule: DecisionRule) -> None:
        """Judge by another tolerance and rule, where neither plan nor label names one of its own."""
        self.capacitor_tolerance, self._rule = capacitor_tolerance, rule
        points = self.points.values()
        self.limits = {point.key: limits_for(point, capacitor_tolerance) for point in points}
        self.rules = {point.key: parse_decision_rule(point.rule) if point.rule else rule for point in points}

    def point(self, key: str) -> TestPoint:
        """Return the test point ``key``.

        Raises:
            InputError: there is no such point.
        """
        if key not in self.points:
            remedy = did_you_mean(key, self.points) or f"Use one of: {', '.join(self.points)}."
            raise InputError(f"There is no test point {key!r} in this visit.", remedy)
        return self.points[key]

    def planned_point(self, key: str) -> TestPoint:
        """Return the test point ``key``, also one that exists only with an answer to an open question of the plan.

        Raises:
            InputError: there is no such point, or the answers say that there is none.
        """
        planned = next((point for point in self.plan.points if point.key == key), None)
        if key in self.points or planned is None:
            return self.point(key)
        if self.answers_implied_by(planned) is None:
            raise InputError(f"This machine has no {planned.title}, by the answers about it.", "Check the answers.")
        return planned

    def answers_implied_by(self, planned: TestPoint) -> dict[str, str] | None:
        """Return the answers with which a test point of the plan exists; None if they contradict those given."""
        answers = {**dict(planned.when), **self.answers}
        exists = planned.key in {point.key for point in self.plan.points_for(answers)}
        return answers if exists else None

    def point_for(self, address: str, reading: Reading) -> TestPoint | None:
        """Return the test point that a meter's reading belongs to, None if there is none."""
        key = self.pins.get(address, self.focus)
        point = self.points.get(key) if key else None
        return point if point is not None and matches_function(point, reading) else None

    def companions(self) -> list[TestPoint]:
        """Return the other inputs of the derived points that the active one serves, to be read at the same time.

        They have its state and another function, and no meter is pinned to them.
        """
        active = self.points.get(self.focus or "")
        pinned = set(self.pins.values())
        served = [
            {key for _, key in point.inputs}
            for point in self.derived
            if active and active.key in dict(point.inputs).values()
        ]
        keys = set().union(*served)
        return [
            point
            for point in self.points.values()
            if active is not None
            and point.key in keys - pinned
            and point.state is active.state
            and (point.quantity, point.coupling) != (active.quantity, active.coupling)
        ]

    def new_number(self) -> int:
        """Return the number of the next accepted reading; one that cannot be committed leaves its number unused."""
        self._count += 1
        return self._count

    def flow_at(self, point: TestPoint) -> Flow | None:
        """Return what the accepted readings say of the current or voltage at a point that should carry it."""
        flow = expected_flow(point)
        if flow is None or point.quantity is Quantity.CURRENT:
            return flow
        shows_current = any(
            accepted[-1].shows_value
            for key, accepted in self.accepted.items()
            if accepted and self.points[key].quantity is Quantity.CURRENT and self.points[key].circuit == point.circuit
        )
        return Flow.PROVEN if shows_current else flow

    def add_accepted(self, key: str, accepted: AcceptedReading) -> None:
        """Record an accepted reading at the point ``key``; the latest counts, the earlier ones stay.

        A voided reading of a visit that is resumed is recorded among the voided ones.
        """
        numbered = accepted if accepted.number else replace(accepted, number=self.new_number())
        if numbered.void_reason:
            self.voided.setdefault(key, []).append(numbered)
            return
        if numbered.number <= self.replaced_after(key):
            self.old_readings.setdefault(key, []).append(numbered)
            return
        self.accepted[key].append(numbered)
        self.last_accepted = key

    def open_questions(self) -> list[tuple[TestPoint, AcceptedReading]]:
        """Return the newest readings of the test points that have an open question, in plan order."""
        newest = [(self.points[key], accepted[-1]) for key, accepted in self.accepted.items() if accepted]
        return [(point, accepted) for point, accepted in newest if accepted.judgement.question is not None]

    def plan_question(self) -> PlanQuestion | None:
        """Return the first open question of the plan; None if all are answered."""
        return next(iter(self.plan.questions(self.answers)), None)

    def asked_reading(self, number: int) -> tuple[TestPoint, AcceptedReading, Question[Judgement]]:
        """Return the accepted reading ``number`` with its test point and its question; 0: the only one with a question.

        Raises:
            InputError: there is no such reading, it has no question, or several have one and ``number`` is 0; or the
                limits of the test point have changed since.
        """
        asked = self.open_questions()
        if number == 0 and len(asked) > 1:
            numbers = ", ".join(str(accepted.number) for _, accepted in asked)
            raise InputError(f"{len(asked)} readings have a question: {numbers}.", "Say which one you answer.")
        found = [(point, accepted) for point, accepted in asked if number in {0, accepted.number}]
        if not found or found[0][1].judgement.question is None:
            whose = f"The accepted reading {number} has" if number else "The readings have"
            raise InputError(f"{whose} no open question.", "It may be answered already, or measured again.")
        point, accepted = found[0]
        if accepted.judgement.limits != self.limits[point.key]:
            raise InputError(
                f"The rating of the {point.title} was changed after this question.",
                "Measure it again, or type it again.",
            )
        return point, accepted, found[0][1].judgement.question

    def find_accepted(self, uid: str) -> tuple[str, AcceptedReading]:
        """Return ``(key of its test point, accepted reading)``, of the readings that count and of the voided ones.

        ``uid`` may be its beginning, at least four characters of it, if no other reading begins so.

        Raises:
            InputError: no reading, or more than one, has this uid.
        """
        found = [
            (key, accepted)
            for readings in (self.accepted, self.voided, self.old_readings)
            for key, accepted_readings in readings.items()
            for accepted in accepted_readings
            if accepted.uid == uid or (len(uid) >= LEAST_UID and accepted.uid.startswith(uid))
        ]
        if len(found) != 1:
            number = "No accepted reading" if not found else "More than one accepted reading"
            raise InputError(f"{number} of this visit has the id {uid}.", "See: meterlink visit show")
        return found[0]

    def void(self, key: str, accepted: AcceptedReading) -> None:
        """Take a reading out of the record of its test point, or, without its reason, put it back."""
        number = accepted.number
        for readings in (self.accepted, self.voided, self.old_readings):
            readings[key] = [other for other in readings.get(key, ()) if other.number != number]
        counts = self.old_readings if number <= self.replaced_after(key) else self.accepted
        target = self.voided if accepted.void_reason else counts
        target[key] = sorted([*target[key], accepted], key=lambda other: other.number)
        if self.focus is None and not self.accepted[key]:
            self.focus = key

    @property
    def last_number(self) -> int:
        """The number of the newest reading that was accepted; 0 before the first."""
        return self._count

    def replaced_after(self, key: str) -> int:
        """Return the number of the last reading of the old part at ``key``; 0 if the part was not replaced."""
        numbers = (fitted.replacement.after_number or 0 for fitted in self.fitted if key in fitted.keys)
        return max(numbers, default=0)

    def fit_part(self, uid: str, replacement: Replacement, ratings: Mapping[str, str], item: StockItem | None) -> None:
        """Record that a part was swapped: the readings so far are the old part's, ``ratings`` the new one's.

        ``ratings`` are texts by the keys of test points, as `set_rating` returns them.
        """
        keys = replacement.covered_keys(tuple(self.points.values()))
        rated = [key for key in ratings if key in self.points]
        earlier = {key: self.points[key] for key in rated}
        by_hand = frozenset(self._rated_by_hand.intersection(rated))
        label = self.labels.get(replacement.component)
        self.fitted.append(FittedPart(uid, replacement, keys, earlier, label, by_hand, item))
        for key in rated:
            self.set_rating(key, ratings[key])
        self._divide_readings(keys)

    def newest_fitting(self, point: TestPoint) -> FittedPart:
        """Return the newest swap of the part at ``point``, which may be undone.

        Raises:
            InputError: the part was not replaced in this visit, or another that shares test points was since.
        """
        found = [fitted for fitted in self.fitted if point.key in fitted.keys]
        if not found:
            raise InputError(f"The part at {point.title} was not replaced in this visit.", "See: meterlink visit show")
        newest = found[-1]
        if any(newest.keys & later.keys for later in self.fitted[self.fitted.index(newest) + 1 :]):
            raise InputError(f"A part of the {point.component} was replaced since.", "Undo that replacement first.")
        return newest

    def undo_fitting(self, undone: FittedPart) -> None:
        """Undo a swap (`newest_fitting`): the readings and the ratings before it count again."""
        self.fitted.remove(undone)
        self._rated_by_hand = (self._rated_by_hand - set(undone.earlier_points)) | undone.earlier_by_hand
        self.points.update(undone.earlier_points)
        self.limits.update(
            {key: limits_for(point, self.capacitor_tolerance) for key, point in undone.earlier_points.items()}
        )
        if undone.earlier_label is None:
            self.labels.pop(undone.replacement.component, None)
        else:
            self.labels[undone.replacement.component] = undone.earlier_label
        self._divide_readings(undone.keys)

    def _divide_readings(self, keys: Iterable[str]) -> None:
        """Divide the readings at ``keys`` between the part that is there now and those before it."""
        for key in keys:
            readings = [*self.old_readings.get(key, ()), *self.accepted.get(key, ())]
            last = self.replaced_after(key)
            self.old_readings[key] = [accepted for accepted in readings if accepted.number <= last]
            self.accepted[key] = [accepted for accepted in readings if accepted.number > last]
        if self.focus is None or self.focus in keys:
            untested = (key for key in self.points if key in keys and not self.accepted[key])
            self.focus = next(untested, self.focus)

    def judge_again(self, key: str, accepted: AcceptedReading) -> None:
        """Put ``accepted``, which has a new verdict, in the place of the reading with its number at ``key``."""
        self.accepted[key] = [
            accepted if earlier.number == accepted.number else earlier for earlier in self.accepted[key]
        ]

    def replace_reading(self, key: str, changed: AcceptedReading) -> None:
        """Put ``changed`` in the place of the reading with its number at ``key``, also of one that counts no more."""
        for readings in (self.accepted, self.voided, self.old_readings):
            if key in readings:
                readings[key] = [changed if other.number == changed.number else other for other in readings[key]]

    def derived_point_of(self, key: str) -> DerivedPoint | None:
        """Return the derived point that the reading at ``key`` only serves, so that it needs no limits; else None."""
        return next((point for point in self.derived if point.uses_exclusively(key)), None)

    def probes_removed(self, key: str) -> None:
        """Move the focus on after the probes left ``key``, if this is the active point and has its reading."""
        if key == self.focus and self.accepted[key]:
            self.focus = self._next_without_reading(key)

    def probes_returned(self, key: str, reading: Reading) -> str | None:
        """Handle probes that left ``key`` and touched again at once: it is measured again, if nothing else fits.

        ``reading`` is the first one since. Where it fits the next test point as well, the probes may be there: then the
        focus moves on, and ``key`` is returned, to be offered for another measurement.
        """
        if key != self.focus or not self.accepted[key]:
            return None
        following = self._next_without_reading(key)
        if following is None or not matches_function(self.points[following], reading):
            return None
        self.focus = following
        return key

    def move_focus(self, step: int) -> None:
        """Move the focus ``step`` points forward or back in plan order, around the end."""
        keys = list(self.points)
        if not keys:
            return
        index = keys.index(self.focus) if self.focus in keys else (-1 if step > 0 else 0)
        self.focus = keys[(index + step) % len(keys)]

    def set_focus(self, key: str) -> None:
        """Make ``key`` the active test point.

        Raises:
            InputError: there is no such point.
        """
        self.focus = self.point(key).key

    def pin(self, address: str, key: str) -> None:
        """Pin a meter to a test point, or undo that with an empty ``key``.

        The point may exist only after an answer to a question of the plan.

        Raises:
            InputError: there is no such point.
        """
        if key:
            self.pins[address] = self.planned_point(key).key
        else:
            self.pins.pop(address, None)

    def set_rating(self, key: str, text: str) -> dict[str, str]:
        """Set the rating of the part at ``key`` from typed text.

        The label of a dual capacitor (``45+7.5 MFD 440 VAC``) rates both sections at once.

        Returns:
            ``{key of a rated point: text to keep}``. `set_rating` with that text gives the same rating again.

        Raises:
            OpenQuestionError: the text has several meanings; the key of a choice is a text with one.
            InputError: there is no such point, or the text is no rating.
        """
        point = self.point(key)
        part, specifications = self.read_rating(point, text)
        rated = {
            rated_key: replace(self.points[rated_key], specification=specification)
            for rated_key, specification in specifications.items()
        }
        limits = {rated_key: limits_for(point, self.capacitor_tolerance) for rated_key, point in rated.items()}
        self.points.update(rated)
        self._rated_by_hand.update(rated)
        self.limits.update(limits)
        if part is not None:
            self.labels[point.component] = part
        return {rated_key: self.rating_text(rated_key) for rated_key in rated}

    def rating_text(self, key: str) -> str:
        """Return the rating of the part at a test point as it is kept; empty without one."""
        point = self.points.get(key)
        if point is None:
            return ""
        label = self.labels.get(point.component) if point.kind is PointKind.CAPACITOR else None
        return str(label or point.specification or "")

    def read_rating(self, point: TestPoint, text: str) -> "tuple[RatedPart | None, dict[str, Specification]]":
        """Return the label of a capacitor in ``text``, else None, and ``{key: specification}`` of the points it rates.

        Nothing is changed. ``point`` may be one that only an answer to a question of the plan brings.

        Raises:
            OpenQuestionError: the text has several meanings.
            InputError: the text is no rating of ``point``.
        """
        from meterlink.judge.label.ratings import parse_rating  # noqa: PLC0415  # only where somebody types a label

        part = parse_rating(text, unit="µF") if point.kind is PointKind.CAPACITOR else None
        return part, self._specifications(point, text, part)

    def describe_rating(self, point: TestPoint, text: str) -> str:
        """Return in words how ``text`` is understood as the rating at ``point``, with the limits that follow.

        Raises:
            OpenQuestionError: the text has several meanings.
            InputError: the text is no rating of ``point``.
        """
        from meterlink.judge.label.ratings import describe_part  # noqa: PLC0415  # as in `read_rating`

        part, specifications = self.read_rating(point, text)
        limits = limits_for(replace(point, specification=specifications.get(point.key)), self.capacitor_tolerance)
        words = str(specifications[point.key]) if part is None else describe_part(part)
        if limits is None:
            return words
        range_text = Span(limits.low, limits.high, limits.unit).limits_text
        return words if range_text == words else f"{words}: {range_text}"

    def _specifications(self, point: TestPoint, text: str, part: "RatedPart | None") -> dict[str, Specification]:
        """Return ``{key: specification}`` of the test points that ``text`` rates; ``part`` is a capacitor's label.

        Raises:
            InputError: the text is no specification, or rates no such section.
        """
        if part is None:
            return {point.key: parse_typed_rating(point, text)}
        if part.marked_range is not None or len(part.sections) == 1:
            return {point.key: part.marked_range or part.ratings()[0]}
        by_section: dict[str, Specification] = dict(zip(part.section_names, part.ratings(), strict=True))
        key_of_section = {
            candidate.section.upper(): candidate.key
            for candidate in self.points.values()
            if (candidate.component, candidate.kind) == (point.component, point.kind)
        }
        if point.section.upper() not in by_section:
            raise InputError(
                f"{text!r} rates two sections, {' and '.join(by_section)}; this test point is {point.title}.",
                "Enter the rating of this section alone.",
            )
        return {key_of_section[name]: rating for name, rating in by_section.items() if name in key_of_section}

    def _next_without_reading(self, key: str) -> str | None:
        pinned = set(self.pins.values())
        return next((point.key for point in self.points_after(key) if point.key not in pinned), None)

    def next_point(self) -> str | None:
        """Return the test point that becomes active after the present one, which has its reading; else None."""
        if self.focus is None or not self.accepted[self.focus]:
            return None
        return self._next_without_reading(self.focus)

    def points_after(self, key: str) -> Iterator[TestPoint]:
        """Yield the points to measure after the point ``key``: without an accepted reading, in plan order, around."""
        keys = list(self.points)
        index = keys.index(key)
        here = self.points[key]
        for later in (self.points[other] for other in keys[index + 1 :] + keys[:index]):
            same_part = here.optional and (later.component, later.state) == (here.component, here.state)
            if not self.accepted[later.key] and (not later.optional or same_part):
                yield later

    def _label_text(self, point: TestPoint) -> str:
        """Return the marking on the part at ``point`` as it may be typed again; empty if it is not known."""
        label = self.labels.get(point.component)
        specification = point.specification
        if label is not None and specification in {*label.ratings(), label.marked_range}:
            return str(label)
        return "" if specification is None else str(specification)

    def point_views(self) -> list[PointView]:
        """Return the views of all test points, in plan order."""
        return [self._point_view(point) for point in self.points.values()]

    def _point_view(self, point: TestPoint) -> PointView:
        limits, accepted = self.limits[point.key], self.accepted[point.key]
        return PointView(
            key=point.key,
            title=point.title,
            circuit=point.circuit,
            component=point.component,
            section=point.section,
            terminals=list(point.terminals),
            quantity=point.quantity,
            kind=point.kind,
            state=point.state,
            limits=None if limits is None else _limits_view(limits),
            rating=None if limits is None else limits.basis,
            label=self._label_text(point),
            why=point.why,
            caution=caution_at(point, self.points.values()),
            brief_caution=brief_caution_at(point, self.points.values()),
            accepted=_accepted_view(accepted[-1]) if accepted else None,
            old_part=_accepted_view(old[-1]) if (old := self.old_readings.get(point.key)) else None,
            last=_last_view(last) if (last := self.last_readings.get(point.key)) else None,
            voided=[_voided_view(voided) for voided in self.voided.get(point.key, ())],
            repeats=max(len(accepted) - 1, 0),
        )


def matches_function(point: TestPoint, reading: Reading) -> bool:
    """Return whether a reading has the point's quantity and coupling; an unknown coupling matches both."""
    if point.quantity is not reading.quantity:
        return False
    return point.coupling is None or reading.coupling is None or point.coupling is reading.coupling


def _limits_view(limits: Limits) -> LimitsView:
    low, high, nominal = (
        None if number is None else format_decimal(number) for number in (limits.low, limits.high, limits.nominal)
    )
    return LimitsView(low=low, high=high, nominal=nominal, unit=limits.unit, basis=limits.basis)


def _last_view(last: LastReading) -> LastView:
    return LastView(
        text=last.text,
        verdict=last.verdict,
        margin=last.margin,
        at=format_rfc3339(last.utc_ns),
        of_old_part=last.of_old_part,
    )


def _voided_view(accepted: AcceptedReading) -> VoidedView:
    return VoidedView(uid=accepted.uid, text=accepted.reading.text, reason=accepted.void_reason)


def _accepted_view(accepted: AcceptedReading) -> AcceptedView:
    judgement = accepted.judgement
    return AcceptedView(
        id=accepted.number,
        uid=accepted.uid,
        revision=accepted.revision,
        text=accepted.reading.text,
        number_text=accepted.reading.number_text,
        unit_text=accepted.reading.unit_text,
        status=accepted.reading.status,
        digits=None if judgement.digits is None else f"{judgement.digits:f}",
        verdict=judgement.verdict,
        margin=judgement.margin,
        deviation_percent=deviation_text(judgement.deviation_percent),
        reason=judgement.reason,
        accuracy=judgement.accuracy,
        calibration=judgement.calibration,
        next_measurement=judgement.next_measurement,
        probability=judgement.probability,
        rule=judgement.rule,
        question=None if judgement.question is None else question_view(judgement.question),
        answer=judgement.answer,
        meter=accepted.meter,
        at=format_rfc3339(accepted.reading.timestamp.utc_ns),
        settled_in=round(accepted.settled_in, 1),
    )


def deviation_text(number: Decimal | None) -> str | None:
    """Return a deviation in percent with its sign and one decimal, ``-6.0``; None if there is none."""
    return None if number is None else f"{number:+.1f}"
