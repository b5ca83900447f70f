"""The drift of a part from visit to visit, and the date at which it crosses a limit.

The slope is the Theil-Sen estimate with Sen's interval (`meterlink.judge.drift.theil_sen`): one bad visit among several
moves it little. The Mann-Kendall test (`meterlink.judge.drift.mann_kendall`) decides whether there is a trend.

The date of a crossing: the line runs through the medians of time and value, and so do the steepest and the shallowest
slope of the interval. Around them lies the scatter of a single visit: the deviation of the visits about the line times
the 95 % quantile of Student's t for n-2 degrees of freedom, as for a prediction from a fitted line. The earliest date
is where the edge of that band first meets the limit, the latest where all of the band has passed it. Without a
significant trend there is only the earliest date.

Fewer than five visits prove nothing: four fall into perfect order by chance in 2 of 24 cases (two-sided p = 0.083),
five in 2 of 120 (p = 0.017). So below five there is no interval and no date.

This is own code: scipy with numpy would be larger than everything else a small station installs, for a median, a sum
of signs and a count of permutations. The tests check it against scipy.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from enum import StrEnum
from math import isfinite, sqrt
from statistics import median

from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.verdicts import Limits
from meterlink.judge.drift.least_squares import FittedLine, fit_line, student_quantile
from meterlink.judge.drift.mann_kendall import MannKendallResult, kendall_s_variance, mann_kendall_test
from meterlink.judge.drift.theil_sen import pair_slopes, sen_interval

CONFIDENCE = 0.95  # of the slope's interval and of the dates; the usual level
SIGNIFICANCE_LEVEL = 0.05
MIN_VISITS = 5  # see above
MAX_VISITS = 1000  # the work grows with every pair, and nobody visits a unit that often
MAX_VALUE = 1e30  # far outside any meter, well inside float
HORIZON_YEARS = 30  # no date lies beyond it: no such part lasts longer (common practice, no source)
DAYS_PER_YEAR = 365.25

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LATEST_YEAR = 9900  # the horizon must still be a valid date


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """The accepted value of one visit, in the unit of the limits.

    ``utc_ns`` is nanoseconds since 1970 UTC. ``meter`` names the instrument, empty where unknown. ``uncertainty`` is
    the meter's expanded uncertainty in the same unit, None where unknown.
    """

    utc_ns: int
    value: Decimal | float
    meter: str = ""
    uncertainty: float | None = None


class LimitSide(StrEnum):
    """The limit that is crossed."""

    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class LimitCrossing:
    """The dates (UTC) at which the part crosses one limit; None for no crossing within the horizon.

    ``expected`` is the date on the estimated line; the module's docstring defines ``earliest`` and ``latest``.
    ``already_crossed``: the value of the last visit lies beyond the limit. Only then may a date lie before that visit.
    """

    side: LimitSide
    limit: float
    earliest: datetime | None
    expected: datetime | None
    latest: datetime | None
    already_crossed: bool


@dataclass(frozen=True, slots=True)
class Trend:
    """The trend of the visits. Slopes are in units per day; intervals and p are two-sided.

    ``slope`` is None where all visits have one time. ``low_slope`` and ``high_slope`` bound its interval,
    ``scatter_half_width`` is the half-width for a single visit, ``least_squares`` the ordinary line for comparison and
    for `forecast`; all four are None below five visits. The line runs through ``centre``: ``(days after the first
    visit, value)``. ``notes`` are sentences about doubtful readings. ``replacement`` is the newest one, at which the
    trend starts, None without one; ``visits_before`` are the visits before it, to the old part, which do not count.
    """

    visit_count: int
    first_time: datetime
    last_time: datetime
    last_value: float
    centre: tuple[float, float]
    mann_kendall: MannKendallResult
    slope: float | None
    low_slope: float | None = None
    high_slope: float | None = None
    scatter_half_width: float | None = None
    least_squares: FittedLine | None = None
    crossings: tuple[LimitCrossing, ...] = ()
    notes: tuple[str, ...] = ()
    replacement: Replacement | None = None
    visits_before: int = 0

    @property
    def replaced_on(self) -> datetime | None:
        """The time of the replacement at which the trend starts, UTC; None without one."""
        if self.replacement is None or self.replacement.utc_ns is None:
            return None
        return _moment(self.replacement.utc_ns)

    @property
    def slope_per_year(self) -> float | None:
        """The slope in units per year of 365.25 days."""
        return None if self.slope is None else self.slope * DAYS_PER_YEAR

    @property
    def intercept(self) -> float | None:
        """The line's value at the first visit."""
        return None if self.slope is None else self.centre[1] - self.slope * self.centre[0]

    @property
    def has_enough_visits(self) -> bool:
        """Whether there are at least five visits, not all at one time."""
        return self.scatter_half_width is not None

    @property
    def is_significant(self) -> bool:
        """Whether there is a trend: enough visits, and p at most 0.05."""
        return self.has_enough_visits and self.mann_kendall.p_value <= SIGNIFICANCE_LEVEL

    def days_since_first(self, moment: datetime) -> float:
        """Return the days from the first visit to ``moment``."""
        return (moment - self.first_time) / timedelta(days=1)

    def forecast(self, moment: datetime) -> tuple[float, float] | None:
        """Return ``(value, half_width)`` of a visit at ``moment`` with 95 % probability, None below five visits.

        It is the prediction interval of the ordinary least-squares line, which assumes an even scatter of the visits.
        """
        return (
            None
            if self.least_squares is None
            else self.least_squares.predict(self.days_since_first(moment), CONFIDENCE)
        )

    def crossings_for(self, limits: Limits) -> tuple[LimitCrossing, ...]:
        """Return the crossing of each limit that lies ahead or is passed; empty below five visits."""
        edges = ((LimitSide.LOW, limits.low), (LimitSide.HIGH, limits.high))
        crossings = (self._crossing(side, float(limit)) for side, limit in edges if limit is not None)
        return tuple(crossing for crossing in crossings if crossing is not None)

    def _crossing(self, side: LimitSide, limit: float) -> LimitCrossing | None:
        if self.slope is None or self.low_slope is None or self.high_slope is None or self.scatter_half_width is None:
            return None
        # Signs are turned so that the limit is always above, and a steeper slope is earlier.
        sign = -1.0 if side is LimitSide.LOW else 1.0
        slopes = (sign * self.low_slope, sign * self.high_slope)
        room = sign * (limit - self.centre[1])
        crossed = sign * (self.last_value - limit) > 0
        # A crossing that the last visit does not show lies after it.
        not_before = self.first_time if crossed else self.last_time
        # After the centre the steeper slope meets the limit earlier, before it the shallower slope.
        early = [self._reach_time(room - self.scatter_half_width, slope, not_before) for slope in slopes]
        earliest = min((date for date in early if date is not None), default=None)
        if earliest is None and not crossed:
            return None
        if not self.is_significant:
            return LimitCrossing(side, limit, earliest, None, None, crossed)
        expected = self._reach_time(room, sign * self.slope, not_before)
        late = [self._reach_time(room + self.scatter_half_width, slope, not_before) for slope in slopes]
        latest = max(date for date in late if date is not None) if None not in late else None
        return LimitCrossing(side, limit, earliest, expected, latest, crossed)

    def _reach_time(self, rise: float, slope: float, not_before: datetime) -> datetime | None:
        """Return the date at which a line through the centre has risen by ``rise``, None beyond the horizon."""
        if slope <= 0:
            return None if rise > 0 else not_before
        days = self.centre[0] + rise / slope
        if days > self.days_since_first(self.last_time) + HORIZON_YEARS * DAYS_PER_YEAR:
            return None
        return max(self.first_time + timedelta(days=max(days, 0.0)), not_before)


def fit_trend(
    points: Sequence[TrendPoint], limits: Limits | None = None, replacements: Sequence[Replacement] = ()
) -> Trend:
    """Return the trend of ``points`` (in any order) and its crossings of ``limits`` (in the unit of the values).

    The trend starts anew at the newest of ``replacements``: an earlier visit belongs to the old part.

    Raises:
        InputError: there is no point or more than `MAX_VISITS`, none since the newest replacement, a replacement has no
            date, a value is not finite or above `MAX_VALUE`, or a time is beyond the calendar.
    """
    newest = _newest_replacement(replacements)
    if newest is not None:
        present = [point for point in points if point.utc_ns >= (newest.utc_ns or 0)]
        if points and not present:
            date = _moment(newest.utc_ns or 0).date()
            raise InputError(f"No visit is later than the replacement on {date}.", "Measure the new part.")
        return replace(fit_trend(present, limits), replacement=newest, visits_before=len(points) - len(present))
    if not 0 < len(points) <= MAX_VISITS:
        raise InputError(
            f"A trend of {len(points)} visits is not possible.", f"Give 1 to {MAX_VISITS} visits, one reading each."
        )
    ordered = sorted(points, key=lambda point: point.utc_ns)
    moments = [_moment(point.utc_ns) for point in ordered]
    values = [float(point.value) for point in ordered]
    if not all(isfinite(value) and abs(value) <= MAX_VALUE for value in values):
        raise InputError("A value of the trend is not a usable number.", "Leave out visits without a reading.")
    days = [(moment - moments[0]) / timedelta(days=1) for moment in moments]
    slopes = pair_slopes(days, values)
    centre = (median(days), median(values))
    trend = Trend(
        visit_count=len(values),
        first_time=moments[0],
        last_time=moments[-1],
        last_value=values[-1],
        centre=centre,
        mann_kendall=mann_kendall_test(days, values),
        slope=median(slopes) if slopes else None,
    )
    if trend.slope is not None and len(values) >= MIN_VISITS:
        low, high = sen_interval(slopes, kendall_s_variance(days, values), CONFIDENCE)
        residuals = [
            value - centre[1] - trend.slope * (day - centre[0]) for day, value in zip(days, values, strict=True)
        ]
        trend = replace(
            trend,
            low_slope=low,
            high_slope=high,
            scatter_half_width=_half_width(residuals),
            least_squares=fit_line(days, values),
        )
    crossings = trend.crossings_for(limits) if limits is not None else ()
    return replace(trend, crossings=crossings, notes=tuple(_notes(trend, ordered)))


def _newest_replacement(replacements: Sequence[Replacement]) -> Replacement | None:
    for replacement in replacements:
        if replacement.utc_ns is None:
            raise InputError(f"The replacement of the {replacement.part} has no date.", "Give the day.")
        _moment(replacement.utc_ns)  # raises for a date beyond the calendar
    return max(replacements, key=lambda replacement: replacement.utc_ns or 0, default=None)


def _moment(utc_ns: int) -> datetime:
    try:
        moment = _EPOCH + timedelta(microseconds=utc_ns // 1000)
    except OverflowError:
        moment = None
    if moment is None or moment.year > _LATEST_YEAR:
        raise InputError("A time of the trend is beyond the calendar.", "Check the dates.")
    return moment


def _half_width(residuals: Sequence[float]) -> float:
    """Return the half-width for a further visit, from the residuals of the visits about the line."""
    degrees_of_freedom = len(residuals) - 2  # the line has a slope and a level
    deviation = sqrt(sum(residual**2 for residual in residuals) / degrees_of_freedom)
    return student_quantile(CONFIDENCE, degrees_of_freedom) * deviation * sqrt(1 + 1 / len(residuals))


def _notes(trend: Trend, points: Sequence[TrendPoint]) -> Iterator[str]:
    meters = {point.meter for point in points if point.meter}
    if len(meters) > 1:
        yield f"Read with {len(meters)} meters: a difference between them looks like drift. Compare them on one part."
    uncertainty = max((point.uncertainty for point in points if point.uncertainty is not None), default=None)
    one_meter = len(meters) == 1 and all(point.meter for point in points)
    if trend.slope is not None and uncertainty is not None and not one_meter:
        change = abs(trend.slope) * trend.days_since_first(trend.last_time)
        if change < uncertainty:
            yield (
                f"The change so far, {change:.2g}, is less than a meter may be off, {uncertainty:.2g}: it counts only "
                "if all readings are of one meter."
            )
    line = trend.least_squares
    if line is not None and trend.low_slope is not None and trend.high_slope is not None:
        rounding = 1e-9 * max(abs(trend.low_slope), abs(trend.high_slope))  # of a perfect line
        if not trend.low_slope - rounding <= line.slope <= trend.high_slope + rounding:
            yield "One visit lies far off the line of the others: check that reading."
