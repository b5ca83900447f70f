"""``meterlink trend``: the drift of every part over the stored visits, and the dates when it crosses its limits."""

import textwrap
from pathlib import Path
from typing import Any

import click

from meterlink.cli.completion import complete_site, complete_unit
from meterlink.cli.judge.output import limits_text
from meterlink.cli.judge.replacement_table import REPLACEMENTS
from meterlink.cli.judge.trend import trend_fields
from meterlink.cli.output import Form, listing_options, printable_text
from meterlink.cli.table import styled
from meterlink.cli.terminal import text_width
from meterlink.core.clock import SystemClock
from meterlink.core.verdicts import Limits
from meterlink.judge.drift.part_groups import DatedReplacement, series_of_parts
from meterlink.judge.drift.part_series import PartSeries, day_text, time_text
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.part_values import PartValue
from meterlink.store.reader import Reader
from meterlink.tomlfile.files import load_document

_MIN_WIDTH = 20  # columns; sentences on narrower lines are unreadable


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
    verdict open, shorted or no contact, and readings of a wrong clock are left out and listed: it was not set, or the
    date lies in the future or does not fit the order of the visits.

    With --json every object has: site, unit, circuit, component, section, terminals, quantity, rating, low and high (in
    limits_unit; null without that limit), limits_basis, replacement (null, or on, old_rating and visits_before: the
    number of visits not counted), excluded (at, reading, reason) and trend (null without a value, else the keys of
    `meterlink judge trend --json`).
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    more = load_document(Path(replacements), "replacements", REPLACEMENTS) if replacements else ()
    all_series = series_of_parts(
        reader.part_values(site, unit, component),
        [*more, *recorded_replacements(reader)],
        now_utc_ns=SystemClock().now().utc_ns,
    )
    records = [series_fields(series) for series in all_series]
    lines = [{**record, "answer": (record["trend"] or {}).get("answer", "NO VALUES")} for record in records]
    if form.prints(records, lines):
        return
    if not all_series:
        filtered = any((site, unit, component))
        click.echo(f"No accepted readings {'match; give names in full' if filtered else 'yet'}.")
        return
    width = max(text_width(), _MIN_WIDTH)
    for series in all_series:
        head, *sentences = series_lines(series)
        _print_wrapped(head, "", width, "bold")
        for sentence in sentences:
            _print_wrapped(sentence, "  ", width)
    _print_wrapped("One value per visit: the last accepted reading.", "", width)


def recorded_replacements(reader: Reader) -> list[DatedReplacement]:
    """Return the replacements that were recorded at all units."""
    return [
        DatedReplacement(stored.replacement, stored.site.name, stored.site.unit) for stored in reader.replacements()
    ]


def part_fields(row: PartValue) -> dict[str, Any]:
    """Return the place, the quantity and the rating of a part as keys of JSON."""
    return {
        "site": row.site.name,
        "unit": row.site.unit,
        "circuit": row.circuit,
        "component": row.component,
        "section": row.section,
        "terminals": list(row.terminals),
        "quantity": row.reading.quantity.value,
        "rating": row.rating,
    }


def series_fields(series: PartSeries[PartValue]) -> dict[str, Any]:
    """Return the series of a part as a JSON object; the keys are documented in the command's help."""
    row, limits, new_part = series.visits[-1], series.limits, series.newest_part
    low, high = (None if limits is None or limit is None else float(limit) for limit in _low_and_high(limits))
    return {
        **part_fields(row),
        "low": low,
        "high": high,
        "limits_unit": limits.unit if limits else None,
        "limits_basis": limits.basis if limits else None,
        "replacement": new_part
        and {"on": new_part.on, "old_rating": new_part.old_rating, "visits_before": new_part.visits_before},
        "excluded": [
            {"at": time_text(visit), "reading": visit.reading.text, "reason": reason}
            for visit, reason in series.excluded
        ],
        "trend": None if series.trend is None else trend_fields(series.trend, series.unit),
    }


def series_lines(series: PartSeries[PartValue]) -> list[str]:
    """Return the series of a part as sentences: the part, the answer, the reasons."""
    row = series.visits[-1]
    part = f"{row.component} {row.section}".rstrip()
    heading = f"{row.site.name} / {row.site.unit}: {row.circuit}, {part}, {'–'.join(row.terminals)}"
    lines = [f"{heading}, {row.reading.quantity}", *series.answer]
    if series.limits is not None:
        lines.append(f"Newest limits {limits_text(series.limits)}.")
    if series.newest_part is not None:
        lines.append(series.newest_part.sentence)
    lines += [f"Left out: {day_text(visit)}, {visit.reading.text}, {reason}." for visit, reason in series.excluded]
    return [printable_text(line) for line in lines]


def _low_and_high(limits: Limits | None) -> tuple[Any, Any]:
    return (None, None) if limits is None else (limits.low, limits.high)


def _print_wrapped(line: str, indent: str, width: int, colour: str = "") -> None:
    text = textwrap.fill(line, width, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False)
    click.echo(styled(text, colour))
