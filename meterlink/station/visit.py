"""The visit in hand: its test points, which one is active, what has been held. No I/O."""

from dataclasses import dataclass, replace
from decimal import Decimal

from meterlink.core.cautions import caution_at
from meterlink.core.clock import rfc3339
from meterlink.core.equipment import Check, DerivedCheck, Place, Plan, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading
from meterlink.core.verdicts import Judgement, Limits
from meterlink.judge.judging import limits_of, plain
from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.rules import SIMPLE, DecisionRule, parse_rule
from meterlink.link.messages import HeldView, LimitsView, PointView
from meterlink.plans import parse_against


@dataclass(frozen=True, slots=True)
class Held:
    """A reading that was held at a test point, with its verdict, as committed."""

    reading: Reading
    judgement: Judgement
    meter: str
    settled_in: float
    number: int = 0  # its place in the order of the visit, given by `ActiveVisit.keep`


class ActiveVisit:
    """The ordered test points of a visit and their state.

    The *focus* is the active test point: the one a reading of the right quantity belongs to. It moves to the next
    point without a held reading by itself when the probes come off, so no hand is needed. A meter may be *pinned* to a
    test point; it then measures that one whatever the focus is.
    """

    def __init__(
        self, place: Place, plan: Plan, opened_utc_ns: int, capacitor_tolerance: str, rule: DecisionRule = SIMPLE
    ) -> None:
        self.place = place
        self.plan_name = plan.name
        self.opened_utc_ns = opened_utc_ns
        self.points: dict[str, TestPoint] = {point.key: point for point in plan.points}
        self.limits: dict[str, Limits | None] = {
            point.key: limits_of(point, capacitor_tolerance) for point in plan.points
        }
        self.rules = {point.key: parse_rule(point.rule) if point.rule else rule for point in plan.points}
        self.held: dict[str, list[Held]] = {key: [] for key in self.points}
        self.derived = plan.derived
        self.pins: dict[str, str] = {}
        self.labels: dict[str, RatedPart] = {}  # by component: what was typed off it, with its voltage
        self.focus: str | None = next(iter(self.points))
        self.last: str | None = None
        self.capacitor_tolerance = capacitor_tolerance
        self._count = 0

    def point_for(self, address: str, reading: Reading) -> TestPoint | None:
        """Return the test point that a meter's reading belongs to, None when it belongs to none."""
        key = self.pins.get(address, self.focus)
        point = self.points.get(key) if key else None
        return point if point is not None and fits(point, reading) else None

    def keep(self, key: str, held: Held) -> None:
        """Note a held reading of that point; the latest counts, the earlier ones stay."""
        self._count += 1
        self.held[key].append(replace(held, number=self._count))
        self.last = key

    def taken_for(self, key: str) -> DerivedCheck | None:
        """Return the check that the reading at ``key`` is taken for, where it needs no limits of its own for that."""
        return next((check for check in self.derived if check.takes_alone(key)), None)

    def probes_off(self, key: str) -> None:
        """The probes came off the point ``key``: move on when it is the active one and has its reading."""
        if key == self.focus and self.held[key]:
            self.focus = self._next_open(key)

    def move(self, step: int) -> None:
        """Move the focus ``step`` points forward or back in plan order, round the end."""
        keys = list(self.points)
        here = keys.index(self.focus) if self.focus in keys else (-1 if step > 0 else 0)
        self.focus = keys[(here + step) % len(keys)]

    def focus_on(self, key: str) -> None:
        """Make ``key`` the active test point; InputError when there is no such point."""
        self._known(key)
        self.focus = key

    def pin(self, address: str, key: str) -> None:
        """Bind a meter to a test point, or undo that with an empty ``key``."""
        if key:
            self._known(key)
            self.pins[address] = key
        else:
            self.pins.pop(address, None)

    def rate(self, key: str, text: str) -> dict[str, str]:
        """Set what is printed on the part at ``key`` from what somebody typed.

        Returns the keys of all points it rates, each with the text to keep, from which `rate` gives the same again.

        The label of a dual capacitor (``45+7.5 MFD 440 VAC``) rates both its sections at once. InputError when it makes
        no sense; what could mean several things comes back as a question.
        """
        self._known(key)
        point = self.points[key]
        part = parse_rating(text) if point.check is Check.CAPACITOR else None
        against = self._against(point, text, part)
        rated = {other: replace(self.points[other], against=given) for other, given in against.items()}
        limits = {other: limits_of(point, self.capacitor_tolerance) for other, point in rated.items()}
        self.points.update(rated)
        self.limits.update(limits)
        if part is not None:
            self.labels[point.component] = part
        return {other: str(part or point.against) for other, point in rated.items()}

    def _against(self, point: TestPoint, text: str, part: RatedPart | None) -> dict[str, Rating | Span]:
        """Return what each test point that ``text`` speaks of is held against; ``part`` is a capacitor's label."""
        if part is None:
            return {point.key: parse_against(text, point.quantity, point.check)}
        if part.marked is not None or len(part.sections) == 1:
            return {point.key: part.marked or part.ratings()[0]}
        by_name: dict[str, Rating | Span] = dict(zip(part.names, part.ratings(), strict=True))
        same = {
            other.section.upper(): other.key
            for other in self.points.values()
            if (other.component, other.check) == (point.component, point.check)
        }
        if point.section.upper() not in by_name:
            raise InputError(
                f"{text!r} rates two sections, {' and '.join(by_name)}; this test point is {point.title}.",
                "Write the rating of this section alone.",
            )
        return {same[name]: rating for name, rating in by_name.items() if name in same}

    def _known(self, key: str) -> None:
        if key not in self.points:
            raise InputError(f"There is no test point {key!r} in this visit.", f"Use one of: {', '.join(self.points)}.")

    def _next_open(self, key: str) -> str | None:
        keys = list(self.points)
        here = keys.index(key)
        pinned = set(self.pins.values())
        ahead = keys[here + 1 :] + keys[:here]
        return next((other for other in ahead if not self.held[other] and other not in pinned), None)

    def point_views(self) -> list[PointView]:
        """Return every test point as watchers see it."""
        return [self._point_view(point) for point in self.points.values()]

    def _point_view(self, point: TestPoint) -> PointView:
        limits, held = self.limits[point.key], self.held[point.key]
        return PointView(
            key=point.key,
            title=point.title,
            circuit=point.circuit,
            component=point.component,
            section=point.section,
            terminals=list(point.terminals),
            quantity=str(point.quantity),
            state=str(point.state),
            limits=None if limits is None else _limits_view(limits),
            rating=None if limits is None else limits.basis,
            why=point.why,
            caution=caution_at(point),
            held=_held_view(len(held), held[-1]) if held else None,
            retakes=max(len(held) - 1, 0),
        )


def fits(point: TestPoint, reading: Reading) -> bool:
    """Whether a meter's function is the one the point asks for; a meter that does not tell AC from DC may be."""
    if point.quantity is not reading.quantity:
        return False
    return None in {point.coupling, reading.coupling} or point.coupling is reading.coupling


def _limits_view(limits: Limits) -> LimitsView:
    low, high, nominal = (None if edge is None else plain(edge) for edge in (limits.low, limits.high, limits.nominal))
    return LimitsView(low=low, high=high, nominal=nominal, unit=limits.unit, basis=limits.basis)


def _held_view(number: int, held: Held) -> HeldView:
    judgement = held.judgement
    return HeldView(
        id=number,
        text=held.reading.text,
        digits=None if judgement.digits is None else f"{judgement.digits:f}",
        verdict=str(judgement.verdict),
        margin=str(judgement.margin),
        deviation_percent=percent(judgement.deviation_percent),
        reason=judgement.reason,
        accuracy=judgement.accuracy,
        settle_it=judgement.settle_it,
        probability=judgement.probability,
        rule=judgement.rule,
        meter=held.meter,
        at=rfc3339(held.reading.stamp.utc_ns),
        settled_in=round(held.settled_in, 1),
    )


def percent(number: Decimal | None) -> str | None:
    """Return a deviation with its sign and one decimal: ``-6.0``, None where there is none."""
    return None if number is None else f"{number:+.1f}"
