"""The plots of the record: a part over its visits, and the raw readings around an accepted one. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import inf, isfinite

from meterlink.core.errors import InputError
from meterlink.core.readings import Status
from meterlink.core.units import convert
from meterlink.core.verdicts import Limits
from meterlink.notebook.record import (
    SECONDS_AFTER,
    SECONDS_BEFORE,
    HistoryRow,
    PartSeries,
    ReadingDetails,
    StoredReading,
)
from meterlink_tui.plot import ABOVE, BELOW, BandEdge, Break, Level, Mark, Plot
from meterlink_tui.record_lines import verdict_mark

READING, HELD, HIGHER, LOWER = "•", "◦", "↑", "↓"
_ACCEPTED_COLUMN = "┃"
_FORECAST_DAYS = 365  # the next season
_FORECAST_STEPS = 5  # the edges of the interval bend little
_NS_PER_DAY = 86_400_000_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

TRACE_MARKS = (
    f"{READING} reading · {ABOVE} overload · {BELOW} no value · {HELD} display hold or relative · {HIGHER} {LOWER} far"
    " off · ┄ limit"
)
PART_MARKS = "✓ ✗ ≈ ? last reading of a visit · ▲ overload · ┄ limit · ╎ new part · ░ forecast, 95 %"


def trace_plot(details: ReadingDetails) -> Plot | None:
    """Return the raw readings around an accepted one, in its unit; None without any beside it.

    The time is in seconds from the moment when it was accepted.
    """
    row = details.row
    if len(details.around) < 2:
        return None
    accepted_ns = row.reading.timestamp.monotonic_ns
    shape, tone = verdict_mark(row.judgement.verdict, row.judgement.margin)
    value = inf if row.reading.digits is None else float(row.reading.digits)
    accepted = Mark(0.0, value, shape, tone)
    marks = [
        Mark((raw.reading.timestamp.monotonic_ns - accepted_ns) / 1e9, *_value_and_shape(raw, row.reading.unit))
        for raw in details.around
    ]
    contact = max(-row.settled_in, -SECONDS_BEFORE)
    levels = tuple(_levels(row.judgement.limits, row.reading.unit, -SECONDS_BEFORE, SECONDS_AFTER, label=True))
    # Readings before the probes were on may be of any size: they must not make the others small.
    shown = [mark.y for mark in (*marks, accepted) if mark.x >= contact and isfinite(mark.y)]
    amounts = [*shown, *(level.y for level in levels)]
    return Plot(
        -SECONDS_BEFORE,
        SECONDS_AFTER,
        (*(_within(mark, min(amounts), max(amounts)) if amounts else mark for mark in marks), accepted),
        levels,
        (Break(0.0, "accepted", _ACCEPTED_COLUMN), Break(contact, "probes on")),
        first_x=f"{-SECONDS_BEFORE:.0f} s",
        last_x=f"+{SECONDS_AFTER:.0f} s",
    )


def part_plot(series: PartSeries[HistoryRow]) -> Plot | None:
    """Return the values of a part over its visits, in days since 1970; None without a visit whose time is known."""
    dated = [visit for visit in series.visits if visit.id not in series.undated]
    if not dated:
        return None
    begin, last = _days(dated[0]), _days(dated[-1])
    breaks = tuple(Break(day, "new part") for day in _break_days(series))
    band = tuple(_forecast(series))
    end = max([last, *(edge.x for edge in band), *(item.x for item in breaks)])
    return Plot(
        begin,
        end,
        tuple(_visit_mark(visit, series.unit) for visit in dated),
        tuple(_part_levels(series, begin, end, [item.x for item in breaks])),
        breaks,
        band,
        _date_text(begin),
        _date_text(end),
    )


def _within(mark: Mark, low: float, high: float) -> Mark:
    """Return the mark, beside the plot if its value is beyond ``low`` or ``high``."""
    if not isfinite(mark.y) or low <= mark.y <= high:
        return mark
    return replace(mark, y=inf, shape=HIGHER) if mark.y > high else replace(mark, y=-inf, shape=LOWER)


def _value_and_shape(raw: StoredReading, unit: str) -> tuple[float, str]:
    reading = raw.reading
    if reading.digits is None:
        return (inf, ABOVE) if reading.status == Status.OVERLOAD else (-inf, BELOW)
    try:
        value = float(convert(reading.digits, reading.unit, unit))
    except InputError:  # the meter was on another function
        return -inf, BELOW
    return value, READING if reading.is_judgeable else HELD


def _levels(limits: Limits | None, unit: str, begin: float, end: float, *, label: bool) -> Iterator[Level]:
    """Yield the low and the high limit in ``unit``."""
    if limits is None:
        return
    for name, limit in (("low", limits.low), ("high", limits.high)):
        if limit is not None:
            value = convert(limit, limits.unit, unit)
            yield Level(float(value), begin, end, f"{name} {value.normalize():f}" if label else "")


def _days(visit: HistoryRow) -> float:
    return visit.reading.timestamp.utc_ns / _NS_PER_DAY


def _visit_mark(visit: HistoryRow, unit: str) -> Mark:
    shape, tone = verdict_mark(visit.judgement.verdict, visit.judgement.margin)
    if visit.reading.digits is None:
        is_overload = visit.reading.status == Status.OVERLOAD
        return Mark(_days(visit), inf if is_overload else -inf, ABOVE if is_overload else BELOW, tone)
    return Mark(_days(visit), float(convert(visit.reading.digits, visit.reading.unit, unit)), shape, tone)


def _break_days(series: PartSeries[HistoryRow]) -> Iterator[float]:
    """Yield the day of each new part; of one known by its rating alone, the middle between the two visits."""
    for part in series.new_parts:
        if part.replacement is not None and part.replacement.utc_ns is not None:
            yield part.replacement.utc_ns / _NS_PER_DAY
        elif part.first_visit is not None:
            old, new = (
                [_days(visit) for visit in visits if visit.id not in series.undated]
                for visits in (series.visits[: part.visits_before], series.visits[part.visits_before :])
            )
            if near := [*old[-1:], *new[:1]]:
                yield sum(near) / len(near)


def _part_levels(series: PartSeries[HistoryRow], begin: float, end: float, breaks: Sequence[float]) -> Iterator[Level]:
    """Yield the limits of each part, from its beginning to the next."""
    firsts = [0, *(part.visits_before for part in series.new_parts)]
    edges = [begin, *breaks, end]
    for number, first in enumerate(firsts):
        is_newest = number == len(firsts) - 1
        visits = series.visits[first : None if is_newest else firsts[number + 1]]
        limits = next((visit.judgement.limits for visit in reversed(visits) if visit.judgement.limits), None)
        yield from _levels(limits, series.unit, edges[number], edges[number + 1], label=is_newest)


def _forecast(series: PartSeries[HistoryRow]) -> Iterator[BandEdge]:
    """Yield the interval in which a further visit lies with 95 % probability; nothing below five visits."""
    trend = series.trend
    if trend is None:
        return
    for step in range(_FORECAST_STEPS + 1):
        moment = trend.last_time + timedelta(days=_FORECAST_DAYS * step / _FORECAST_STEPS)
        forecast = trend.forecast(moment)
        if forecast is not None:
            value, half_width = forecast
            yield BandEdge((moment - _EPOCH) / timedelta(days=1), value - half_width, value + half_width)


def _date_text(day: float) -> str:
    return f"{_EPOCH + timedelta(days=day):%Y-%m-%d}"


def left_out(series: PartSeries[HistoryRow]) -> tuple[str, ...]:
    """Return a sentence for each visit to the present part that says nothing about drift."""
    return tuple(f"Left out: {reason}, {visit.reading.text}." for visit, reason in series.excluded)
