"""``meterlink trend``: the drift of every part over the stored visits, and the dates when it crosses its limits."""

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from meterlink.cli.completion import complete_site, complete_unit
from meterlink.cli.judge.output import limits_text
from meterlink.cli.judge.replacement_table import REPLACEMENTS, DatedReplacement
from meterlink.cli.judge.trend import trend_fields
from meterlink.cli.output import Form, listing_options, printable_text
from meterlink.cli.row_points import point_of_row
from meterlink.cli.table import styled
from meterlink.cli.terminal import text_width
from meterlink.core.clock import format_rfc3339
from meterlink.core.replacements import Replacement
from meterlink.core.units import convert
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.drift.trend import MAX_VISITS, MIN_VISITS, Trend, TrendPoint, fit_trend
from meterlink.judge.drift.trend_text import replacement_sentence, trend_sentences
from meterlink.judge.measured_value import convert_interval
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow
from meterlink.tomlfile.files import load_document

_MIN_WIDTH = 20  # columns; sentences on narrower lines are unreadable
# These verdicts mean a failed part or a missing contact; their values say nothing about drift.
_VERDICTS_WITHOUT_DRIFT = {
    Verdict.OPEN, Verdict.SHORTED, Verdict.OVER_RANGE, Verdict.NO_CONTACT, Verdict.NOTHING_FLOWS,
}  # fmt: skip


@click.command("trend")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option("--site", metavar="TEXT", shell_complete=complete_site, help="Only this site (full name).")
@click.option("--unit", metavar="TEXT", shell_complete=complete_unit, help="Only this unit (full name).")
@click.option("--component", metavar="TEXT", help="Only this component, e.g. 'run capacitor' (full name).")
@click.option("--replacements", metavar="FILE", help="TOML file with the parts that were replaced between visits.")
@listing_options("site", "unit", "circuit", "component", "section", "terminals", "quantity", "rating", "answer")
def command(
    data: str | None,
    site: str | None,
    unit: str | None,
    component: str | None,
    replacements: str | None,
    *,
    form: Form,
) -> None:
    """Show for each part whether it has drifted from visit to visit, and when it crosses its limits.

    \b
        meterlink trend
        meterlink trend --unit "Condenser 1" --component "run capacitor"

    Each visit counts with one value: the last accepted reading of a test point (same site, unit, circuit, component,
    section, terminals and quantity). The newest limits apply. A trend starts anew at a replacement: a new rating means
    a new part, and only the visits since then count. A new part with the old rating is known from `meterlink visit
    replace`, or from --replacements: a TOML file with a [[replacement]] table for each, with component, on =
    "2025-05-01", and optionally site, unit, circuit, sections, old_rating and new_rating. Overloads, readings with the
    verdict open, shorted or no contact, and readings while the station's clock was not set are left out and listed.

    With --json every object has: site, unit, circuit, component, section, terminals, quantity, rating, low and high (in
    limits_unit; null without that limit), limits_basis, replacement (null, or on, old_rating and visits_before: the
    number of visits not counted), excluded (at, reading, reason) and trend (null without a value, else the keys of
    `meterlink judge trend --json`).
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    rows = reader.history(unit=unit, component=component, site=site, voided=False)
    dated = [*(load_document(Path(replacements), "replacements", REPLACEMENTS) if replacements else ())]
    dated += [
        DatedReplacement(stored.replacement, stored.site.name, stored.site.unit) for stored in reader.replacements()
    ]
    all_visits = group_by_point(rows)
    all_series = [
        _PointSeries.from_visits(visits, at_point)
        for visits, at_point in zip(all_visits, _replacements_by_point(all_visits, dated), strict=True)
    ]
    records = [series.fields() for series in all_series]
    lines = [{**record, "answer": (record["trend"] or {}).get("answer", "NO VALUES")} for record in records]
    if form.prints(records, lines):
        return
    if not all_series:
        filtered = any((site, unit, component))
        click.echo(f"No accepted readings {'match; give names in full' if filtered else 'yet'}.")
        return
    width = max(text_width(), _MIN_WIDTH)
    for series in all_series:
        head, *sentences = series.lines()
        _print_wrapped(head, "", width, "bold")
        for sentence in sentences:
            _print_wrapped(sentence, "  ", width)
    _print_wrapped("One value per visit: the last accepted reading.", "", width)


def group_by_point(rows: Iterable[HistoryRow]) -> list[list[HistoryRow]]:
    """Return a list for each test point: the last accepted reading of every visit, oldest first.

    ``rows`` are in order of acceptance.
    """
    points: dict[tuple[object, ...], dict[str, HistoryRow]] = {}
    for row in rows:
        test_point = (row.site, row.circuit, row.component, row.section, row.terminals, row.reading.quantity)
        points.setdefault(test_point, {})[row.visit_uid] = row
    return [sorted(visits.values(), key=lambda row: row.id) for visits in points.values()]


def _replacements_by_point(
    all_visits: Sequence[Sequence[HistoryRow]], dated: Sequence[DatedReplacement]
) -> list[list[Replacement]]:
    """Return the recorded replacements of each test point; the sections of a dual capacitor are one part."""
    points = [point_of_row(visits[-1], str(number)) for number, visits in enumerate(all_visits)]
    found: list[list[Replacement]] = [[] for _ in points]
    for entry in dated:
        at_unit = [
            point
            for point, visits in zip(points, all_visits, strict=True)
            if entry.is_at(visits[-1].site.name, visits[-1].site.unit)
        ]
        for key in entry.replacement.covered_keys(at_unit):
            found[int(key)].append(entry.replacement)
    return found


@dataclass(frozen=True, slots=True)
class _Replacement:
    """A new part, with ``visits_before`` visits to the old one.

    It was recorded (``replacement``), or is known by its other rating, first read in ``first_row``. ``first_row`` is
    None before the first visit to the new part.
    """

    first_row: HistoryRow | None
    old_rating: str
    visits_before: int
    replacement: Replacement | None = None

    @property
    def on(self) -> str | None:
        """The time of the replacement as recorded, else that of the first reading; None where unknown."""
        if self.replacement is not None:
            return format_rfc3339(self.replacement.utc_ns or 0)
        return _time_text(self.first_row) if self.first_row is not None else None


@dataclass(frozen=True, slots=True)
class _PointSeries:
    """One test point over its visits; ``limits`` are the newest known, ``trend`` is None without a value."""

    newest: HistoryRow
    excluded: tuple[tuple[HistoryRow, str], ...]
    replacement: _Replacement | None
    limits: Limits | None
    unit: str
    trend: Trend | None

    @classmethod
    def from_visits(cls, visits: Sequence[HistoryRow], recorded: Sequence[Replacement] = ()) -> "_PointSeries":
        """Return the series of the visits to one test point, at least one visit, with its recorded replacements."""
        replacement = _find_replacement(visits, recorded)
        present = visits[replacement.visits_before :] if replacement else visits
        if not present:
            return cls(visits[-1], (), replacement, None, visits[-1].reading.unit, None)
        excluded = tuple((row, reason) for row in present if (reason := _exclusion_reason(row)))
        limits = next((row.judgement.limits for row in reversed(present) if row.judgement.limits), None)
        unit = limits.unit if limits else present[-1].reading.unit
        points = [_point(row, unit) for row in present if not _exclusion_reason(row)][-MAX_VISITS:]
        return cls(present[-1], excluded, replacement, limits, unit, fit_trend(points, limits) if points else None)

    def fields(self) -> dict[str, Any]:
        """Return the series as a JSON object; the keys are documented in the command's help."""
        row, limits, replacement = self.newest, self.limits, self.replacement
        low, high = (None if limits is None or limit is None else float(limit) for limit in _low_and_high(limits))
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
            "replacement": replacement
            and {
                "on": replacement.on,
                "old_rating": replacement.old_rating,
                "visits_before": replacement.visits_before,
            },
            "excluded": [
                {"at": _time_text(row), "reading": row.reading.text, "reason": reason} for row, reason in self.excluded
            ],
            "trend": None if self.trend is None else trend_fields(self.trend, self.unit),
        }

    def lines(self) -> list[str]:
        """Return the series as sentences: the part, the answer, the reasons."""
        row = self.newest
        part = f"{row.component} {row.section}".rstrip()
        heading = f"{row.site.name} / {row.site.unit}: {row.circuit}, {part}, {'–'.join(row.terminals)}"
        lines = [f"{heading}, {row.reading.quantity}", *self._answer()]
        if self.limits is not None:
            lines.append(f"Newest limits {limits_text(self.limits)}.")
        if self.replacement is not None:
            lines.append(_replacement_text(self.replacement))
        lines += [f"Left out: {_day_text(row)}, {row.reading.text}, {reason}." for row, reason in self.excluded]
        return [printable_text(line) for line in lines]

    def _answer(self) -> list[str]:
        if self.trend is None:
            return ["NO VALUES"]
        answer, *reasons = trend_sentences(self.trend, self.unit)
        if not self.trend.has_enough_visits:
            answer = f"{answer} (have {self.trend.visit_count}, need {MIN_VISITS})"
        return [answer, *reasons]


def _find_replacement(visits: Sequence[HistoryRow], recorded: Sequence[Replacement]) -> _Replacement | None:
    """Return the newest replacement, recorded or known by its rating."""
    known = [found for found in (_newest_recorded(visits, recorded), _newest_rating(visits)) if found is not None]
    return max(known, key=lambda found: found.visits_before, default=None)  # the recorded one of two alike


def _newest_recorded(visits: Sequence[HistoryRow], recorded: Sequence[Replacement]) -> _Replacement | None:
    newest = max(recorded, key=lambda replacement: replacement.utc_ns or 0, default=None)
    if newest is None:
        return None
    # The visits are in the order of acceptance.
    is_before = [_is_before(row, newest) for row in visits]
    before = len(visits) - is_before[::-1].index(True) if True in is_before else 0  # an element
    first_row = visits[before] if before < len(visits) else None
    return _Replacement(first_row, newest.old_rating, before, newest)


def _is_before(row: HistoryRow, replacement: Replacement) -> bool:
    if replacement.after_number is not None:  # recorded by the station: the order of acceptance decides
        return row.id <= replacement.after_number
    # The time of a row without a set clock says nothing.
    return row.clock_set is not False and row.reading.timestamp.utc_ns < (replacement.utc_ns or 0)


def _newest_rating(visits: Sequence[HistoryRow]) -> _Replacement | None:
    """Return the newest change of rating; a visit without a rating read off the part is no change."""
    replacement, rating = None, ""
    for number, row in enumerate(visits):
        if row.rating and rating and row.rating != rating:
            replacement = _Replacement(row, rating, number)
        rating = row.rating or rating
    return replacement


def _replacement_text(replacement: _Replacement) -> str:
    first_row, recorded = replacement.first_row, replacement.replacement
    if recorded is not None:
        unread = "" if first_row else " The new part is not measured yet."
        return f"{replacement_sentence(recorded, (replacement.on or '')[:10], replacement.visits_before)}{unread}"
    assert first_row is not None  # noqa: S101  # a rating is known from a row
    earlier = "visit is" if replacement.visits_before == 1 else "visits are"
    return (
        f"The rating changed from {replacement.old_rating} to {first_row.rating} on {_day_text(first_row)}, so this"
        f" counts as a new part; {replacement.visits_before} earlier {earlier} not counted."
    )


def _exclusion_reason(row: HistoryRow) -> str:
    """Return the reason to leave an accepted reading out of the trend, empty to count it."""
    if row.clock_set is False:
        return "the clock was not set"
    if row.judgement.verdict in _VERDICTS_WITHOUT_DRIFT:
        return row.judgement.verdict.value
    return "no value" if row.reading.digits is None else ""


def _point(row: HistoryRow, unit: str) -> TrendPoint:
    reading, judgement = row.reading, row.judgement
    assert reading.digits is not None  # noqa: S101  # readings without a value are left out
    uncertainty = None
    if judgement.expanded_uncertainty is not None and judgement.limits is not None:
        uncertainty = float(convert_interval(judgement.expanded_uncertainty, judgement.limits.unit, unit))
    value = convert(reading.digits, reading.unit, unit)
    return TrendPoint(reading.timestamp.utc_ns, value, row.meter.name or row.meter.address, uncertainty)


def _low_and_high(limits: Limits | None) -> tuple[Any, Any]:
    return (None, None) if limits is None else (limits.low, limits.high)


def _time_text(row: HistoryRow) -> str | None:
    return None if row.clock_set is False else format_rfc3339(row.reading.timestamp.utc_ns)


def _day_text(row: HistoryRow) -> str:
    time_text = _time_text(row)
    return "day unknown" if time_text is None else time_text[:10]


def _print_wrapped(line: str, indent: str, width: int, colour: str = "") -> None:
    text = textwrap.fill(line, width, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False)
    click.echo(styled(text, colour))
