"""``meterlink trend``: has a part drifted over the visits that are kept, and when does it cross its limits."""

import json
import shutil
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import click

from meterlink.cli.judge.output import limits_text
from meterlink.cli.judge.trend import trend_fields
from meterlink.core.clock import format_rfc3339
from meterlink.core.text import clean_text
from meterlink.core.units import convert
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.drift.trend import MAX_VISITS, MIN_VISITS, Trend, TrendPoint, fit_trend
from meterlink.judge.drift.trend_text import trend_sentences
from meterlink.judge.measured_value import convert_interval
from meterlink.settings import DATABASE_FILE, data_dir
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow

_MAX_TEXT_LENGTH = 240  # characters of a name or a basis: more would be somebody else's text in the database
_MIN_WIDTH = 20  # columns; a sentence on fewer cannot be read
# What says that a part has failed or that nobody touched it, not how far it has drifted.
_VERDICTS_WITHOUT_DRIFT = {Verdict.OPEN, Verdict.SHORTED, Verdict.NO_CONTACT}


@click.command("trend")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option("--site", metavar="TEXT", help="Only this site (whole name).")
@click.option("--unit", metavar="TEXT", help="Only this unit (whole name).")
@click.option("--component", metavar="TEXT", help="Only this component, e.g. 'run capacitor' (whole name).")
@click.option("--json", "as_json", is_flag=True, help="A JSON array, for programs.")
def command(data: str | None, site: str | None, unit: str | None, component: str | None, *, as_json: bool) -> None:
    """Say of each part whether it has drifted from visit to visit, and when it crosses its limits.

    One value per visit counts, the last one held at a test point (same site, unit, circuit, component, section,
    terminals and quantity), against the newest limits. A part whose rating has changed is taken as replaced, and only
    the visits since then count; a replacement of the same rating cannot be seen. Left out, and said so: overloads,
    readings found open, shorted or without contact, and those taken while the station's clock was not set.

    With --json every object has: site, unit, circuit, component, section, terminals, quantity, rating, low and high (in
    limits_unit; null where open), limits_basis, replaced (null, or on, from and visits not counted), left_out (at,
    reading, reason) and trend (null without a value, else as `meterlink judge trend --json` has it).
    """
    rows = Reader(data_dir(data) / DATABASE_FILE).history(unit=unit, component=component, site=site)
    found = [_PointSeries.from_visits(visits) for visits in group_by_point(rows)]
    if as_json:
        # ASCII only: whatever encoding a pipe has, and whatever characters a name holds, they arrive unharmed.
        click.echo(json.dumps([series.fields() for series in found], indent=2))
        return
    if not found:
        filtered = any((site, unit, component))
        click.echo("No held readings like that; names are matched whole." if filtered else "No held readings yet.")
        return
    width = max(shutil.get_terminal_size().columns, _MIN_WIDTH)
    for series in found:
        head, *lines = series.lines()
        _print_wrapped(head, "", width)
        for line in lines:
            _print_wrapped(line, "  ", width)
    _print_wrapped("One value per visit: the last one held there.", "", width)


def group_by_point(rows: Iterable[HistoryRow]) -> list[list[HistoryRow]]:
    """Return, for each test point, the last held reading of every visit; ``rows`` in the order they were held."""
    points: dict[tuple[object, ...], dict[str, HistoryRow]] = {}
    for row in rows:
        where = (row.site, row.circuit, row.component, row.section, row.terminals, row.reading.quantity)
        points.setdefault(where, {})[row.visit_uid] = row
    return [sorted(visits.values(), key=lambda row: row.id) for visits in points.values()]


@dataclass(frozen=True, slots=True)
class _Replacement:
    """A part that came in ``by`` with another rating; ``visits`` before it are of the part it replaced."""

    first_row: HistoryRow
    old_rating: str
    visits_before: int


@dataclass(frozen=True, slots=True)
class _PointSeries:
    """One test point over its visits; ``limits`` are the newest there are, ``trend`` is None without a value."""

    newest: HistoryRow
    excluded: tuple[tuple[HistoryRow, str], ...]
    replacement: _Replacement | None
    limits: Limits | None
    unit: str
    trend: Trend | None

    @classmethod
    def from_visits(cls, visits: Sequence[HistoryRow]) -> "_PointSeries":
        """Take the visits to one test point, at least one."""
        replaced = _find_replacement(visits)
        present = visits[replaced.visits_before :] if replaced else visits
        left_out = tuple((row, reason) for row in present if (reason := _exclusion_reason(row)))
        limits = next((row.judgement.limits for row in reversed(present) if row.judgement.limits), None)
        unit = limits.unit if limits else present[-1].reading.unit
        points = [_point(row, unit) for row in present if not _exclusion_reason(row)][-MAX_VISITS:]
        return cls(present[-1], left_out, replaced, limits, unit, fit_trend(points, limits) if points else None)

    def fields(self) -> dict[str, Any]:
        """Return it as a JSON object; the keys are documented in the command's help."""
        row, limits, replaced = self.newest, self.limits, self.replacement
        low, high = (None if limits is None or edge is None else float(edge) for edge in _low_and_high(limits))
        return {
            "site": row.site.name,
            "unit": row.site.unit,
            "circuit": row.circuit,
            "component": row.component,
            "section": row.section,
            "terminals": list(row.terminals),
            "quantity": row.reading.quantity.value,
            "rating": row.rating,
            "low": low,
            "high": high,
            "limits_unit": limits.unit if limits else None,
            "limits_basis": limits.basis if limits else None,
            "replaced": replaced
            and {"on": _time_text(replaced.first_row), "from": replaced.old_rating, "visits": replaced.visits_before},
            "left_out": [
                {"at": _time_text(row), "reading": row.reading.text, "reason": reason} for row, reason in self.excluded
            ],
            "trend": None if self.trend is None else trend_fields(self.trend, self.unit),
        }

    def lines(self) -> list[str]:
        """Return it as sentences: first which part, then the answer and what it rests on."""
        row = self.newest
        part = f"{row.component} {row.section}".rstrip()
        where = f"{row.site.name} / {row.site.unit}: {row.circuit}, {part}, {'–'.join(row.terminals)}"
        lines = [f"{where}, {row.reading.quantity}", *self._answer()]
        if self.limits is not None:
            lines.append(f"Newest limits {limits_text(self.limits)}.")
        if self.replacement is not None:
            lines.append(_replacement_text(self.replacement))
        lines += [f"Left out: {_day_text(row)}, {row.reading.text}, {reason}." for row, reason in self.excluded]
        return [clean_text(line, _MAX_TEXT_LENGTH) for line in lines]

    def _answer(self) -> list[str]:
        if self.trend is None:
            return ["NO VALUES"]
        said, *reasons = trend_sentences(self.trend, self.unit)
        if not self.trend.has_enough_visits:
            said = f"{said} (have {self.trend.visit_count}, need {MIN_VISITS})"
        return [said, *reasons]


def _find_replacement(visits: Sequence[HistoryRow]) -> _Replacement | None:
    """Return the newest change of rating; a rating that nobody read off the part says nothing."""
    found, rating = None, ""
    for number, row in enumerate(visits):
        if row.rating and rating and row.rating != rating:
            found = _Replacement(row, rating, number)
        rating = row.rating or rating
    return found


def _replacement_text(replacement: _Replacement) -> str:
    earlier = (
        "1 visit before is" if replacement.visits_before == 1 else f"{replacement.visits_before} visits before are"
    )
    return (
        f"The rating changed from {replacement.old_rating} to {replacement.first_row.rating} on {_day_text(replacement.first_row)}: taken as a new "
        f"part, so the series starts there; {earlier} not counted."
    )


def _exclusion_reason(row: HistoryRow) -> str:
    """Return why a held reading says nothing about drift, empty where it does."""
    if row.clock_set is False:
        return "taken while the clock was not set"
    if row.judgement.verdict in _VERDICTS_WITHOUT_DRIFT:
        return row.judgement.verdict.value
    return "no value" if row.reading.digits is None else ""


def _point(row: HistoryRow, unit: str) -> TrendPoint:
    reading, judgement = row.reading, row.judgement
    assert reading.digits is not None  # noqa: S101  # those without a value are left out
    doubt = None
    if judgement.expanded_uncertainty is not None and judgement.limits is not None:
        doubt = float(convert_interval(judgement.expanded_uncertainty, judgement.limits.unit, unit))
    value = convert(reading.digits, reading.unit, unit)
    return TrendPoint(reading.timestamp.utc_ns, value, row.meter.name or row.meter.address, doubt)


def _low_and_high(limits: Limits | None) -> tuple[Any, Any]:
    return (None, None) if limits is None else (limits.low, limits.high)


def _time_text(row: HistoryRow) -> str | None:
    return None if row.clock_set is False else format_rfc3339(row.reading.timestamp.utc_ns)


def _day_text(row: HistoryRow) -> str:
    at = _time_text(row)
    return "day unknown" if at is None else at[:10]


def _print_wrapped(line: str, indent: str, width: int) -> None:
    folded = textwrap.fill(line, width, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False)
    click.echo(folded)
