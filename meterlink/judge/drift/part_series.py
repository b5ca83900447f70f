"""The values of one part over its visits: the replacements that begin a new part, the values that count, the trend."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Generic, Protocol, TypeVar

from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import Meter
from meterlink.core.readings import Reading
from meterlink.core.replacements import Replacement
from meterlink.core.units import convert
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.judge.drift.trend import MAX_VISITS, MIN_VISITS, Trend, TrendPoint, fit_trend
from meterlink.judge.drift.trend_text import replacement_sentence, trend_sentences
from meterlink.judge.measured_value import convert_interval

# These verdicts mean a failed part or a missing contact; their values say nothing about drift.
_VERDICTS_WITHOUT_DRIFT = {
    Verdict.OPEN, Verdict.SHORTED, Verdict.OVER_RANGE, Verdict.NO_CONTACT, Verdict.NOTHING_FLOWS,
}  # fmt: skip

# A visit dated later than this is in the future: two clocks set by hand, in two time zones, differ by less than a day
# (common practice, no source).
_CLOCKS_DIFFER_NS = 86_400 * 1_000_000_000


class VisitReading(Protocol):
    """An accepted reading, as far as a trend needs it. ``clock_set`` is False where its time says nothing."""

    @property
    def id(self) -> int:
        """Its number in the order of acceptance."""
        ...

    @property
    def reading(self) -> Reading:
        """The reading."""
        ...

    @property
    def judgement(self) -> Judgement:
        """Its current verdict."""
        ...

    @property
    def rating(self) -> str:
        """The rating as marked on the part; empty if unknown."""
        ...

    @property
    def meter(self) -> Meter:
        """The meter."""
        ...

    @property
    def clock_set(self) -> bool | None:
        """Whether the wall clock was reliable; None if unknown."""
        ...


VisitT = TypeVar("VisitT", bound=VisitReading)


@dataclass(frozen=True, slots=True)
class NewPart(Generic[VisitT]):
    """A new part, with ``visits_before`` visits to the parts before it.

    It was recorded (``replacement``), or is known by its other rating, first read in ``first_visit``. ``first_visit``
    is None before the first visit to the new part.
    """

    first_visit: VisitT | None
    old_rating: str
    visits_before: int
    replacement: Replacement | None = None

    @property
    def on(self) -> str | None:
        """The time of the replacement as recorded, else that of the first reading (RFC 3339); None where unknown."""
        if self.replacement is not None:
            return format_rfc3339(self.replacement.utc_ns or 0)
        return time_text(self.first_visit) if self.first_visit is not None else None

    @property
    def sentence(self) -> str:
        """The replacement as a sentence; the visits before it do not count."""
        first_visit, recorded = self.first_visit, self.replacement
        if recorded is not None:
            unread = "" if first_visit else " The new part is not measured yet."
            return f"{replacement_sentence(recorded, (self.on or '')[:10], self.visits_before)}{unread}"
        assert first_visit is not None  # noqa: S101  # a rating is known from a reading
        earlier = "visit is" if self.visits_before == 1 else "visits are"
        return (
            f"The rating changed from {self.old_rating} to {first_visit.rating} on {day_text(first_visit)}, so this"
            f" counts as a new part; {self.visits_before} earlier {earlier} not counted."
        )


@dataclass(frozen=True, slots=True)
class PartSeries(Generic[VisitT]):
    """One test point over ``visits``, oldest first, with the last accepted reading of each.

    ``new_parts`` are all replacements, oldest first; only the visits since the newest count. ``excluded`` are visits
    among these that say nothing about drift, each with the reason. ``undated`` are the ids of the visits, to any part,
    whose date says nothing, each with the reason. ``limits`` are the newest known, ``unit`` is that of the trend.
    ``trend`` is None without a value.
    """

    visits: tuple[VisitT, ...]
    new_parts: tuple[NewPart[VisitT], ...]
    excluded: tuple[tuple[VisitT, str], ...]
    undated: Mapping[int, str]
    limits: Limits | None
    unit: str
    trend: Trend | None

    @classmethod
    def from_visits(
        cls, visits: Sequence[VisitT], recorded: Sequence[Replacement] = (), *, now_utc_ns: int
    ) -> "PartSeries[VisitT]":
        """Return the series of at least one visit, in the order of acceptance, with the replacements of the part.

        The visits that are dated after ``now_utc_ns`` are left out of the trend.
        """
        undated = date_problems(visits, now_utc_ns)
        new_parts = _new_parts(visits, recorded, undated)
        present = visits[new_parts[-1].visits_before :] if new_parts else visits
        reasons = [undated.get(visit.id) or _value_problem(visit) for visit in present]
        excluded = tuple((visit, reason) for visit, reason in zip(present, reasons, strict=True) if reason)
        limits = next((visit.judgement.limits for visit in reversed(present) if visit.judgement.limits), None)
        unit = limits.unit if limits else visits[-1].reading.unit
        counting = [visit for visit, reason in zip(present, reasons, strict=True) if not reason]
        points = [_point(visit, unit) for visit in counting[-MAX_VISITS:]]
        trend = fit_trend(points, limits) if points else None
        return cls(tuple(visits), new_parts, excluded, undated, limits, unit, trend)

    @property
    def newest_part(self) -> NewPart[VisitT] | None:
        """The newest replacement; None if the part was never replaced."""
        return self.new_parts[-1] if self.new_parts else None

    @property
    def answer(self) -> tuple[str, ...]:
        """The trend in sentences, the answer first."""
        if self.trend is None:
            return ("NO VALUES",)
        answer, *reasons = trend_sentences(self.trend, self.unit)
        if not self.trend.has_enough_visits:
            answer = f"{answer} (have {self.trend.visit_count}, need {MIN_VISITS})"
        return (answer, *reasons)


def date_problems(visits: Sequence[VisitReading], now_utc_ns: int) -> dict[int, str]:
    """Return ``{id of a visit: why its date says nothing}``; ``visits`` are in the order of acceptance.

    A clock that was wrong shows in a date after ``now_utc_ns``, or in one that does not fit the order of the visits.
    Which one is wrong is told by the others: the largest set of visits with their dates in order is right. A visit that
    is not in each such set is not known to be.
    """
    problems: dict[int, str] = {}
    for visit in visits:
        if visit.clock_set is False:
            problems[visit.id] = "the clock was not set"
        elif visit.reading.timestamp.utc_ns > now_utc_ns + _CLOCKS_DIFFER_NS:
            problems[visit.id] = "its date is in the future"
    dated = [visit for visit in visits if visit.id not in problems]
    in_order = _surely_in_order([visit.reading.timestamp.utc_ns for visit in dated])
    for visit, fits in zip(dated, in_order, strict=True):
        if not fits:
            problems[visit.id] = "its date does not fit the order of the visits"
    return problems


def _surely_in_order(times: Sequence[int]) -> list[bool]:
    """Return for each time (ns) whether it is in every largest set of times that are in order."""
    if all(earlier <= later + _CLOCKS_DIFFER_NS for earlier, later in pairwise(times)):
        return [True] * len(times)
    before = _longest_chains(times)  # the most times in order that end with each
    after = _longest_chains([-time for time in reversed(times)])[::-1]  # and that begin with it
    longest = max(before)
    # A time that is in one of the largest sets is in all of them if no other one can stand at its place there.
    places = Counter(place for place, rest in zip(before, after, strict=True) if place + rest - 1 == longest)
    return [place + rest - 1 == longest and places[place] == 1 for place, rest in zip(before, after, strict=True)]


def _longest_chains(times: Sequence[int]) -> list[int]:
    lengths: list[int] = []
    for time in times:
        fitting = (
            length for earlier, length in zip(times, lengths, strict=False) if earlier <= time + _CLOCKS_DIFFER_NS
        )
        lengths.append(1 + max(fitting, default=0))
    return lengths


def _value_problem(visit: VisitReading) -> str:
    if visit.judgement.verdict in _VERDICTS_WITHOUT_DRIFT:
        return visit.judgement.verdict.value
    return "no value" if visit.reading.digits is None else ""


def time_text(visit: VisitReading) -> str | None:
    """Return the time of a reading (RFC 3339, UTC); None where the clock was not set."""
    return None if visit.clock_set is False else format_rfc3339(visit.reading.timestamp.utc_ns)


def day_text(visit: VisitReading) -> str:
    """Return the day of a reading, UTC."""
    text = time_text(visit)
    return "day unknown" if text is None else text[:10]


def _new_parts(
    visits: Sequence[VisitT], recorded: Sequence[Replacement], undated: Mapping[int, str]
) -> tuple[NewPart[VisitT], ...]:
    """Return the replacements, recorded or known by a rating; of two between the same visits the newest recorded."""
    found = {part.visits_before: part for part in _other_ratings(visits)}
    for replacement in sorted(recorded, key=lambda replacement: replacement.utc_ns or 0):
        part = _recorded_part(visits, replacement, undated)
        found[part.visits_before] = part
    return tuple(found[before] for before in sorted(found))


def _recorded_part(visits: Sequence[VisitT], replacement: Replacement, undated: Mapping[int, str]) -> NewPart[VisitT]:
    is_before = [_is_before(visit, replacement, undated) for visit in visits]  # they are in the order of acceptance
    before = len(visits) - is_before[::-1].index(True) if True in is_before else 0  # an element
    first_visit = visits[before] if before < len(visits) else None
    return NewPart(first_visit, replacement.old_rating, before, replacement)


def _is_before(visit: VisitReading, replacement: Replacement, undated: Mapping[int, str]) -> bool:
    if replacement.after_number is not None:  # recorded by the station: the order of acceptance decides
        return visit.id <= replacement.after_number
    return visit.id not in undated and visit.reading.timestamp.utc_ns < (replacement.utc_ns or 0)


def _other_ratings(visits: Sequence[VisitT]) -> list[NewPart[VisitT]]:
    """Return the changes of rating; a visit without a rating read off the part is no change."""
    found, rating = [], ""
    for number, visit in enumerate(visits):
        if visit.rating and rating and visit.rating != rating:
            found.append(NewPart(visit, rating, number))
        rating = visit.rating or rating
    return found


def _point(visit: VisitReading, unit: str) -> TrendPoint:
    reading, judgement = visit.reading, visit.judgement
    assert reading.digits is not None  # noqa: S101  # readings without a value are left out
    uncertainty = None
    if judgement.expanded_uncertainty is not None and judgement.limits is not None:
        uncertainty = float(convert_interval(judgement.expanded_uncertainty, judgement.limits.unit, unit))
    value = convert(reading.digits, reading.unit, unit)
    return TrendPoint(reading.timestamp.utc_ns, value, visit.meter.name or visit.meter.address, uncertainty)
