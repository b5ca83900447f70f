"""``meterlink trend``: has a part drifted over the visits that are kept, and when does it cross its limits."""

import json
import shutil
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import click

from meterlink.cli.judge.output import limits_words
from meterlink.cli.judge.trend import trend_fields
from meterlink.core.clock import rfc3339
from meterlink.core.text import clean_name
from meterlink.core.units import convert
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.drift.trend import FEWEST, MOST, Point, Trend, trend_of
from meterlink.judge.drift.trend_text import words
from meterlink.judge.measured import convert_width
from meterlink.settings import DATABASE, data_dir
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow

_LONGEST = 240  # characters of a name or a basis: more would be somebody else's text in the database
_NARROWEST = 20  # columns; a sentence on fewer cannot be read
# What says that a part has failed or that nobody touched it, not how far it has drifted.
_NO_DRIFT = {Verdict.OPEN, Verdict.SHORTED, Verdict.NO_CONTACT}


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
    rows = Reader(data_dir(data) / DATABASE).history(unit=unit, component=component, site=site)
    found = [_Series.of(visits) for visits in by_point(rows)]
    if as_json:
        # ASCII only: whatever encoding a pipe has, and whatever characters a name holds, they arrive unharmed.
        click.echo(json.dumps([series.as_object() for series in found], indent=2))
        return
    if not found:
        filtered = any((site, unit, component))
        click.echo("No held readings like that; names are matched whole." if filtered else "No held readings yet.")
        return
    width = max(shutil.get_terminal_size().columns, _NARROWEST)
    for series in found:
        head, *lines = series.as_lines()
        _wrapped(head, "", width)
        for line in lines:
            _wrapped(line, "  ", width)
    _wrapped("One value per visit: the last one held there.", "", width)


def by_point(rows: Iterable[HistoryRow]) -> list[list[HistoryRow]]:
    """Return, for each test point, the last held reading of every visit; ``rows`` in the order they were held."""
    points: dict[tuple[object, ...], dict[str, HistoryRow]] = {}
    for row in rows:
        where = (row.place, row.circuit, row.component, row.section, row.terminals, row.reading.quantity)
        points.setdefault(where, {})[row.visit] = row
    return [sorted(visits.values(), key=lambda row: row.id) for visits in points.values()]


@dataclass(frozen=True, slots=True)
class _Replaced:
    """A part that came in ``by`` with another rating; ``visits`` before it are of the part it replaced."""

    by: HistoryRow
    rating: str
    visits: int


@dataclass(frozen=True, slots=True)
class _Series:
    """One test point over its visits; ``limits`` are the newest there are, ``trend`` is None without a value."""

    newest: HistoryRow
    left_out: tuple[tuple[HistoryRow, str], ...]
    replaced: _Replaced | None
    limits: Limits | None
    unit: str
    trend: Trend | None

    @classmethod
    def of(cls, visits: Sequence[HistoryRow]) -> "_Series":
        """Take the visits to one test point, at least one."""
        replaced = _replacement(visits)
        present = visits[replaced.visits :] if replaced else visits
        left_out = tuple((row, reason) for row in present if (reason := _unusable(row)))
        limits = next((row.judgement.limits for row in reversed(present) if row.judgement.limits), None)
        unit = limits.unit if limits else present[-1].reading.unit
        points = [_point(row, unit) for row in present if not _unusable(row)][-MOST:]
        return cls(present[-1], left_out, replaced, limits, unit, trend_of(points, limits) if points else None)

    def as_object(self) -> dict[str, Any]:
        """Return it as a JSON object; the keys are documented in the command's help."""
        row, limits, replaced = self.newest, self.limits, self.replaced
        low, high = (None if limits is None or edge is None else float(edge) for edge in _edges(limits))
        return {
            "site": row.place.site,
            "unit": row.place.unit,
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
            "replaced": replaced and {"on": _at(replaced.by), "from": replaced.rating, "visits": replaced.visits},
            "left_out": [
                {"at": _at(row), "reading": row.reading.text, "reason": reason} for row, reason in self.left_out
            ],
            "trend": None if self.trend is None else trend_fields(self.trend, self.unit),
        }

    def as_lines(self) -> list[str]:
        """Return it as sentences: first which part, then the answer and what it rests on."""
        row = self.newest
        part = f"{row.component} {row.section}".rstrip()
        where = f"{row.place.site} / {row.place.unit}: {row.circuit}, {part}, {'–'.join(row.terminals)}"
        lines = [f"{where}, {row.reading.quantity}", *self._answer()]
        if self.limits is not None:
            lines.append(f"Newest limits {limits_words(self.limits)}.")
        if self.replaced is not None:
            lines.append(_replaced_words(self.replaced))
        lines += [f"Left out: {_day(row)}, {row.reading.text}, {reason}." for row, reason in self.left_out]
        return [clean_name(line, _LONGEST) for line in lines]

    def _answer(self) -> list[str]:
        if self.trend is None:
            return ["NO VALUES"]
        said, *reasons = words(self.trend, self.unit)
        if not self.trend.enough:
            said = f"{said} (have {self.trend.visits}, need {FEWEST})"
        return [said, *reasons]


def _replacement(visits: Sequence[HistoryRow]) -> _Replaced | None:
    """Return the newest change of rating; a rating that nobody read off the part says nothing."""
    found, rating = None, ""
    for number, row in enumerate(visits):
        if row.rating and rating and row.rating != rating:
            found = _Replaced(row, rating, number)
        rating = row.rating or rating
    return found


def _replaced_words(replaced: _Replaced) -> str:
    earlier = "1 visit before is" if replaced.visits == 1 else f"{replaced.visits} visits before are"
    return (
        f"The rating changed from {replaced.rating} to {replaced.by.rating} on {_day(replaced.by)}: taken as a new "
        f"part, so the series starts there; {earlier} not counted."
    )


def _unusable(row: HistoryRow) -> str:
    """Return why a held reading says nothing about drift, empty where it does."""
    if row.clock_set is False:
        return "taken while the clock was not set"
    if row.judgement.verdict in _NO_DRIFT:
        return row.judgement.verdict.value
    return "no value" if row.reading.digits is None else ""


def _point(row: HistoryRow, unit: str) -> Point:
    reading, judgement = row.reading, row.judgement
    assert reading.digits is not None  # noqa: S101  # those without a value are left out
    doubt = None
    if judgement.uncertainty is not None and judgement.limits is not None:
        doubt = float(convert_width(judgement.uncertainty, judgement.limits.unit, unit))
    value = convert(reading.digits, reading.unit, unit)
    return Point(reading.stamp.utc_ns, value, row.meter.name or row.meter.address, doubt)


def _edges(limits: Limits | None) -> tuple[Any, Any]:
    return (None, None) if limits is None else (limits.low, limits.high)


def _at(row: HistoryRow) -> str | None:
    return None if row.clock_set is False else rfc3339(row.reading.stamp.utc_ns)


def _day(row: HistoryRow) -> str:
    at = _at(row)
    return "day unknown" if at is None else at[:10]


def _wrapped(line: str, indent: str, width: int) -> None:
    folded = textwrap.fill(line, width, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False)
    click.echo(folded)
