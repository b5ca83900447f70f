"""Which parts are due: outside their limits at the last visit, or forecast to leave them within some months.

The dates are those of `meterlink.judge.drift.trend`. ``sure``, ``likely`` and ``possible`` say which of them lies
within the months: even the latest, the expected one, or only the earliest. Only a part with a significant trend over at
least five visits is due. Fewer visits, or none, prove nothing in either direction: such a part is never called good.

A date follows only from readings of an isolated circuit. Amps, volts and temperatures of a running one change with the
supply, the load and the weather of the day (common practice, no source). An overload within the limits at the last
visit has no value, and says that the part is better than the line of the earlier ones: no date follows.

The series are made with the present time (`PartSeries.from_visits`): one visit dated in the future would put every date
behind it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from typing import Generic, TypeVar

from meterlink.core.clock import utc_nanoseconds
from meterlink.core.equipment import CircuitState
from meterlink.core.text import count_phrase
from meterlink.core.verdicts import FAILED_VERDICTS, Margin, Verdict
from meterlink.judge.drift.part_groups import PlacedReading
from meterlink.judge.drift.part_series import PartSeries
from meterlink.judge.drift.trend import DAYS_PER_YEAR, MIN_VISITS, LimitCrossing, LimitSide

RowT = TypeVar("RowT", bound=PlacedReading)


class DueState(StrEnum):
    """The state of a part, the most urgent first."""

    OUTSIDE = "outside"  # at the last visit, and not replaced since
    DUE = "due"  # forecast to leave its limits within the months
    NOT_MEASURED = "not measured"  # for long, or never since it was fitted
    CANNOT_TELL = "cannot tell"
    # A trend is shown, or ruled out, its earliest date lies after the months, and the last visit found the part within.
    NOT_DUE = "not due"


class Sureness(StrEnum):
    """Which date of the forecast lies within the months."""

    SURE = "sure"  # even the latest one of the interval
    LIKELY = "likely"  # the expected one
    POSSIBLE = "possible"  # only the earliest one


@dataclass(frozen=True, slots=True)
class PartDue(Generic[RowT]):
    """The state of a part with its reason in a sentence.

    ``sureness`` is None unless it is due, ``crossing`` the crossing that makes it so.
    """

    state: DueState
    series: PartSeries[RowT]
    reason: str
    sureness: Sureness | None = None
    crossing: LimitCrossing | None = None

    @property
    def is_unseen(self) -> bool:
        """Whether it was not measured for long; a new part that was never measured is another matter."""
        new_part = self.series.newest_part
        return self.state is DueState.NOT_MEASURED and (new_part is None or new_part.first_visit is not None)

    @property
    def urgency(self) -> tuple[object, ...]:
        """The key by which the most urgent part comes first.

        Outside: the farthest from its limits, in widths of them; due: the earliest expected date; not measured: the
        longest ago.
        """
        row = self.series.visits[-1]
        order = list(DueState).index(self.state)
        if self.state is DueState.OUTSIDE:
            return order, -_excess(row), row.reading.timestamp.utc_ns
        if self.crossing is not None:
            date = self.crossing.expected or self.crossing.earliest
            return order, 0 if date is None else utc_nanoseconds(date), row.reading.timestamp.utc_ns
        return order, 0.0, row.reading.timestamp.utc_ns


def assess_part(series: PartSeries[RowT], until: datetime, unseen_since: datetime) -> PartDue[RowT]:
    """Return the state of a part: due ``until`` then, not measured for long if its last visit is ``unseen_since``."""
    row = series.visits[-1]
    new_part = series.newest_part
    if new_part is not None and new_part.first_visit is None:
        fitted = f"The part of {(new_part.on or '')[:10]}"
        return PartDue(DueState.NOT_MEASURED, series, f"{fitted} is not measured yet.")
    if row.judgement.verdict in FAILED_VERDICTS:
        close = f", a {Margin.CLOSE_CALL}" if row.judgement.margin is Margin.CLOSE_CALL else ""
        return PartDue(DueState.OUTSIDE, series, f"The last visit found it {row.judgement.verdict}{close}.")
    due = _forecast(series, until)
    is_old = row.id not in series.undated and row.reading.timestamp.utc_ns < utc_nanoseconds(unseen_since)
    if is_old and due.state is not DueState.DUE:
        return PartDue(DueState.NOT_MEASURED, series, "Not measured for long.")
    return due


def _forecast(series: PartSeries[RowT], until: datetime) -> PartDue[RowT]:
    trend = series.trend
    reason = _reason_for_no_date(series)
    if trend is None or reason:
        return PartDue(DueState.CANNOT_TELL, series, reason)
    if not trend.is_significant:
        if any(crossing.earliest is not None and crossing.earliest <= until for crossing in trend.crossings):
            return PartDue(DueState.CANNOT_TELL, series, "No trend shown, but its scatter may hide one.")
        return _not_due(series, "The interval of its slope reaches no limit within the months.")
    ahead = LimitSide.LOW if (trend.slope or 0.0) < 0 else LimitSide.HIGH
    for crossing in (crossing for crossing in trend.crossings if crossing.side is ahead):
        for sureness, date in _DATES:
            moment = date(crossing)
            if moment is not None and moment <= until:
                return PartDue(DueState.DUE, series, _due_reason(series, crossing), sureness, crossing)
    return _not_due(series, "It drifts, and reaches no limit within the months.")


def _reason_for_no_date(series: PartSeries[RowT]) -> str:
    """Return why no date follows from the visits to a part, in a sentence; empty where one may."""
    row, trend = series.visits[-1], series.trend
    if row.state is not CircuitState.ISOLATED:
        return "Read while it runs: the supply and the weather change it, too."
    if trend is None:
        return "No value in any visit."
    if not trend.has_enough_visits:
        return f"{count_phrase(trend.visit_count, 'visit')}: {MIN_VISITS} are needed."
    if series.limits is None:
        return "Its limits are not known."
    if row.judgement.verdict is Verdict.WITHIN and row.reading.digits is None:
        return "The last reading is an overload within the limits, not a value."
    return ""


def _not_due(series: PartSeries[RowT], reason: str) -> PartDue[RowT]:
    """Return that a part is not due, or that nothing can be told where its last reading decides nothing."""
    row = series.visits[-1]
    verdict = row.judgement.verdict
    left_out = next((reason for visit, reason in series.excluded if visit is row), "")
    undecided = left_out or ("" if verdict is Verdict.WITHIN else verdict.value)
    if undecided:
        return PartDue(DueState.CANNOT_TELL, series, f"The last reading decides nothing: {undecided}.")
    return PartDue(DueState.NOT_DUE, series, reason)


_DATES: tuple[tuple[Sureness, Callable[[LimitCrossing], datetime | None]], ...] = (
    (Sureness.SURE, lambda crossing: crossing.latest),
    (Sureness.LIKELY, lambda crossing: crossing.expected),
    (Sureness.POSSIBLE, lambda crossing: crossing.earliest),
)


def _due_reason(series: PartSeries[RowT], crossing: LimitCrossing) -> str:
    trend = series.trend
    assert trend is not None  # noqa: S101  # a crossing is one of a trend
    direction = "below" if crossing.side is LimitSide.LOW else "above"
    slope = abs((trend.slope or 0.0) * DAYS_PER_YEAR)
    verb = "Falls" if (trend.slope or 0.0) < 0 else "Rises"
    earliest, expected, latest = (
        "unknown" if moment is None else str(moment.date())
        for moment in (crossing.earliest, crossing.expected, crossing.latest)
    )
    dates = f"about {expected}, {earliest} to {latest}" if crossing.latest else f"about {expected}, from {earliest} on"
    return f"{verb} {slope:.2g} {series.unit} a year: {direction} {crossing.limit:g} {series.unit} {dates}."


def _excess(row: PlacedReading) -> float:
    """Return how far a reading lies outside its limits, in widths of them; infinite for an open or shorted part."""
    limits, value = row.judgement.limits, row.judgement.digits
    if limits is None or value is None:
        return float("inf")
    low, high = limits.low, limits.high
    beyond = Decimal(0)
    if low is not None:
        beyond = max(beyond, low - value)
    if high is not None:
        beyond = max(beyond, value - high)
    width = abs(high - low) if low is not None and high is not None else abs(low or high or Decimal(0))
    return float(beyond / width) if width else float("inf")
