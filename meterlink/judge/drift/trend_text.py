"""A trend in sentences for a technician."""

from collections.abc import Iterator

from meterlink.core.replacements import Replacement
from meterlink.judge.drift.trend import DAYS_PER_YEAR, HORIZON_YEARS, MIN_VISITS, LimitCrossing, LimitSide, Trend


def trend_sentences(trend: Trend, unit: str) -> tuple[str, ...]:
    """Return the sentences of a trend: the headline, a replacement, the reasons, the notes.

    ``unit`` is the unit of its values.
    """
    return (_headline(trend, unit), *_break(trend), *_reasons(trend, unit), *trend.notes)


def _break(trend: Trend) -> Iterator[str]:
    """Yield the replacement at which the trend starts anew."""
    replacement, date = trend.replacement, trend.replaced_on
    if replacement is not None and date is not None:
        yield replacement_sentence(replacement, str(date.date()), trend.visits_before)


def replacement_sentence(replacement: Replacement, day: str, visits_before: int) -> str:
    """Return the sentence on a replacement on ``day``, with ``visits_before`` visits to the old part."""
    ratings = " by ".join(filter(None, (replacement.old_rating, replacement.new_rating)))
    visits = "1 earlier visit is" if visits_before == 1 else f"{visits_before} earlier visits are"
    not_counted = f", and {visits} not counted" if visits_before else ""
    return (
        f"The {replacement.part} was replaced on {day}{f' ({ratings})' if ratings else ''}: the trend starts anew"
        f"{not_counted}."
    )


def crossing_sentence(crossing: LimitCrossing, unit: str, limit_name: str = "") -> str:
    """Return a crossing as a sentence. ``limit_name`` names the limit; by default ``low limit`` or ``high limit``."""
    limit = f"the {limit_name or f'{crossing.side} limit'} of {crossing.limit:g} {unit}"
    if crossing.already_crossed:
        side = "below" if crossing.side is LimitSide.LOW else "above"
        return f"The last visit is {side} {limit} already."
    if crossing.earliest is None or crossing.expected is None:
        return f"It crosses {limit} on {_date(crossing, 'earliest')} at the earliest, with the steepest slope."
    if crossing.latest is None:
        expected = _date(crossing, "expected")
        return f"It crosses {limit} on {_date(crossing, 'earliest')} at the earliest, perhaps about {expected}."
    dates = f"{_date(crossing, 'earliest')} and {_date(crossing, 'latest')}"
    return f"It crosses {limit} between {dates}, about {_date(crossing, 'expected')}."


def _date(crossing: LimitCrossing, name: str) -> str:
    return str(getattr(crossing, name).date())


def _headline(trend: Trend, unit: str) -> str:
    slope = trend.slope_per_year
    if slope is None or not trend.has_enough_visits:
        return "NOT ENOUGH VISITS"
    if not trend.is_significant:
        return "NO TREND SHOWN"
    direction = "DOWN" if slope < 0 else "UP"
    return f"DRIFTING {direction}, {abs(slope):.3g} {unit} a year"


def _reasons(trend: Trend, unit: str) -> Iterator[str]:
    slope = trend.slope_per_year
    if slope is None:
        yield f"{_visits(trend)}, all of one time: a trend needs at least {MIN_VISITS} visits, some time apart."
        return
    if not trend.has_enough_visits:
        yield (
            f"{_visits(trend)}, {slope:+.3g} {unit} a year so far: fewer than {MIN_VISITS} prove nothing, "
            "chance often gives such an order."
        )
        return
    method = "exact" if trend.mann_kendall.exact else "normal approximation"
    test = f"{_visits(trend)}, Mann-Kendall p = {trend.mann_kendall.p_value:.2g} ({method})"
    if trend.is_significant:
        yield f"{test}: chance alone rarely gives this order."
    elif trend.mann_kendall.s == 0:
        yield f"{test}: as many pairs rise as fall."
    else:
        yield f"{test}: chance alone may give this order."
    low, high = ((edge or 0.0) * DAYS_PER_YEAR for edge in (trend.low_slope, trend.high_slope))
    yield f"Slope {slope:+.3g} {unit} a year, with 95 % confidence {low:+.3g} to {high:+.3g}."
    for crossing in trend.crossings:
        yield crossing_sentence(crossing, unit)
    if trend.is_significant and not trend.crossings:
        yield f"At this rate it reaches no limit within {HORIZON_YEARS} years."


def _visits(trend: Trend) -> str:
    return "1 visit" if trend.visit_count == 1 else f"{trend.visit_count} visits"
