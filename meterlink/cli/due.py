"""``meterlink due``: the parts that are outside their limits, or will be within some months; the worst first."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import click

from meterlink.cli.completion import complete_site, complete_unit
from meterlink.cli.output import Form, listing_options, print_table, print_text, printable_text
from meterlink.cli.table import Cell
from meterlink.cli.trend import part_fields, recorded_replacements
from meterlink.core.clock import utc_nanoseconds
from meterlink.core.equipment import Site
from meterlink.core.text import count_phrase, did_you_mean
from meterlink.judge.drift.due import DueState, PartDue, Sureness, assess_part
from meterlink.judge.drift.part_groups import series_of_parts
from meterlink.judge.drift.part_series import time_text
from meterlink.judge.drift.trend import DAYS_PER_YEAR, MIN_VISITS, SIGNIFICANCE_LEVEL
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.part_values import PartValue, VisitedUnit
from meterlink.store.reader import Reader

_ON_A_PAGE = 50
_HEADINGS = ("State", "Site / unit", "Part", "Expected", "Between", "Last", "On", "Why")
_LISTED = (DueState.OUTSIDE, DueState.DUE, DueState.NOT_MEASURED)
_COLOURS = {DueState.OUTSIDE: "red", DueState.DUE: "yellow"}
_DAYS_PER_MONTH = DAYS_PER_YEAR / 12
_MOST_MONTHS = 360  # no date of a trend lies farther ahead: its horizon is 30 years


@click.command("due", short_help="List the parts that will soon be outside their limits.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option("--site", metavar="TEXT", shell_complete=complete_site, help="Only this site (full name).")
@click.option("--unit", metavar="TEXT", shell_complete=complete_unit, help="Only this unit (full name).")
@click.option(
    "--months",
    metavar="N",
    type=click.IntRange(0, _MOST_MONTHS),
    default=12,
    show_default=True,
    help="Due within N months.",
)
@click.option(
    "--unseen", metavar="N", type=click.IntRange(1, _MOST_MONTHS), default=24, show_default=True,
    help="Not measured for N months: on the list, too.",
)  # fmt: skip
@click.option("--every-part", is_flag=True, help="Also the parts that are not due, and those that cannot be told.")
@click.option("--limit", metavar="N", type=click.IntRange(1, 1_000_000), help=f"Only N of them; as text {_ON_A_PAGE}.")
@click.option("--skip", metavar="N", type=click.IntRange(0, 1_000_000), default=0, help="Without the first N.")
@listing_options("state", "sureness", "site", "unit", "circuit", "component", "section", "expected", "reading", "at")
def command(
    data: str | None,
    site: str | None,
    unit: str | None,
    months: int,
    unseen: int,
    limit: int | None,
    skip: int,
    *,
    every_part: bool,
    form: Form,
) -> None:
    """List the parts that are outside their limits or will leave them within months, the worst first.

    \b
        meterlink due
        meterlink due --months 6 --site "Mill Lane bakery"
        meterlink due --lines | grep ^outside

    The states: outside (at the last visit, and not replaced since); due (forecast by its drift over five visits or
    more); not measured (not for so long, or not since it was fitted). How sure a date is: sure (even the latest date of
    the interval lies within the months), likely (the expected one does), possible (only the earliest does). A part that
    is not on the list is not called good: of most parts with fewer than five visits nothing can be told. The last lines
    count them, and --every-part lists them.

    Only readings of isolated circuits give a date. Archived units are left out. See also `meterlink trend`.

    With --json every object has: state (outside, due, not measured, cannot tell, not due), sureness (sure, likely,
    possible; null unless due), site, unit, circuit, component, section, terminals (empty for a unit as a whole),
    quantity, rating, reading and at (the last one; null without), verdict, visits (those that count), limit,
    limits_unit, earliest, expected, latest (dates; null unless due), slope_per_year, reason and notes.
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    now = datetime.now(UTC)
    until, unseen_since = (now + timedelta(days=sign * _DAYS_PER_MONTH) for sign in (months, -unseen))
    parts = _assessed(reader, site, unit, now, until, unseen_since)
    records = [
        *_records(parts, _LISTED),
        *_records_of_units(reader.visited_units(site, unit), parts),
        *(_records(parts, (DueState.CANNOT_TELL, DueState.NOT_DUE)) if every_part else ()),
    ]
    if limit is None and not form.is_for_programs:
        limit = _ON_A_PAGE
    shown = records[skip:][:limit]
    if form.streams(shown):
        return
    if not parts and not records:
        print_text(_empty_text(reader, site, unit))
        return
    if shown:
        print_table(_HEADINGS, list(map(_table_row, shown)), ("Site / unit", "Why"))
    left = len(records) - skip - len(shown)
    if left > 0:
        print_text(f"{left} more: --skip {skip + len(shown)} goes on.")
    for line in _summary(records, parts, months, unseen):
        print_text(line)


def _assessed(
    reader: Reader, site: str | None, unit: str | None, now: datetime, until: datetime, unseen_since: datetime
) -> list[PartDue[PartValue]]:
    """Return the state of every part, the most urgent first."""
    all_series = series_of_parts(
        reader.part_values(site, unit, archived=False), recorded_replacements(reader), now_utc_ns=utc_nanoseconds(now)
    )
    parts = (assess_part(series, until, unseen_since) for series in all_series)
    return sorted(parts, key=lambda part: part.urgency)


def _records(parts: Sequence[PartDue[PartValue]], states: Sequence[DueState]) -> Iterator[dict[str, Any]]:
    """Yield the parts in these states; a unit with nothing measured for long is one record, of `_records_of_units`."""
    unseen = _units_unseen(parts)
    for part in parts:
        if part.state in states and part.series.visits[-1].site not in unseen:
            yield _part_fields(part)


def _units_unseen(parts: Iterable[PartDue[PartValue]]) -> set[Site]:
    """Return the units of which nothing was measured for long."""
    unseen: dict[Site, bool] = {}
    for part in parts:
        site = part.series.visits[-1].site
        unseen[site] = unseen.get(site, True) and part.is_unseen
    return {site for site, is_unseen in unseen.items() if is_unseen}


def _records_of_units(units: Iterable[VisitedUnit], parts: Sequence[PartDue[PartValue]]) -> list[dict[str, Any]]:
    """Return the units where nothing was measured for long, or ever, the longest ago first."""
    newest: dict[Site, PartValue] = {}
    for part in sorted(parts, key=lambda part: part.series.visits[-1].id):
        newest[part.series.visits[-1].site] = part.series.visits[-1]
    unseen = _units_unseen(parts)
    found: list[tuple[int, Site, PartValue | None, str]] = []
    for unit in units:
        newest_row = newest.get(unit.site)
        if newest_row is None:
            found.append((unit.newest_visit_utc_ns or 0, unit.site, None, "Nothing is measured there yet."))
        elif unit.site in unseen:
            found.append((newest_row.reading.timestamp.utc_ns, unit.site, newest_row, "Nothing is measured since."))
    return [_unit_fields(site, row, reason) for _, site, row, reason in sorted(found, key=lambda entry: entry[0])]


def _part_fields(part: PartDue[PartValue]) -> dict[str, Any]:
    row, trend, crossing, limits = part.series.visits[-1], part.series.trend, part.crossing, part.series.limits
    slope = None if trend is None or not trend.has_enough_visits else trend.slope_per_year
    dates = {
        name: None if crossing is None or (moment := getattr(crossing, name)) is None else str(moment.date())
        for name in ("earliest", "expected", "latest")
    }
    return {
        "state": part.state.value,
        "sureness": None if part.sureness is None else part.sureness.value,
        **part_fields(row),
        "reading": row.reading.text,
        "at": time_text(row),
        "verdict": row.judgement.verdict.value,
        "visits": 0 if trend is None else trend.visit_count,
        "limit": None if crossing is None else crossing.limit,
        "limits_unit": None if limits is None else limits.unit,
        **dates,
        "slope_per_year": None if slope is None else round(slope, 6),
        "reason": part.reason,
        "notes": [] if trend is None else list(trend.notes),
    }


def _unit_fields(site: Site, row: PartValue | None, reason: str) -> dict[str, Any]:
    empty = dict.fromkeys(
        ("quantity", "rating", "verdict", "limit", "limits_unit", "earliest", "expected", "latest", "slope_per_year")
    )
    return {
        "state": DueState.NOT_MEASURED.value,
        "sureness": None,
        "site": site.name,
        "unit": site.unit,
        "circuit": "",
        "component": "",
        "section": "",
        "terminals": [],
        "reading": None if row is None else row.reading.text,
        "at": None if row is None else time_text(row),
        "visits": 0,
        **empty,
        "reason": reason,
        "notes": [],
    }


def _table_row(fields: dict[str, Any]) -> tuple[str | Cell, ...]:
    state = DueState(fields["state"])
    part = f"{fields['circuit']}: {fields['component']} {fields['section']}".rstrip() if fields["component"] else "all"
    between = f"{fields['earliest']} to {fields['latest'] or '?'}" if fields["earliest"] else ""
    sureness = f", {fields['sureness']}" if fields["sureness"] else ""
    return (
        Cell(f"{state.upper()}{sureness}", _COLOURS.get(state, "")),
        f"{printable_text(fields['site'])} / {printable_text(fields['unit'])}",
        printable_text(part),
        fields["expected"] or "",
        between,
        printable_text(fields["reading"] or ""),
        (fields["at"] or "")[:10],
        "" if state is DueState.DUE else printable_text(fields["reason"]),
    )


def _summary(
    records: Sequence[dict[str, Any]], parts: Sequence[PartDue[PartValue]], months: int, unseen: int
) -> Iterator[str]:
    count = Counter(record["state"] for record in records)
    sure = Counter(record["sureness"] for record in records)
    kinds = ", ".join(f"{sure[kind.value]} {kind}" for kind in Sureness if sure[kind.value])
    yield (
        f"{count['outside']} outside; {count['due']} due within {months} months{f' ({kinds})' if kinds else ''};"
        f" {count['not measured']} not measured for {unseen} months, or not yet."
    )
    rest = Counter(part.state for part in parts)
    unknown, not_due = rest[DueState.CANNOT_TELL], rest[DueState.NOT_DUE]
    if unknown or not_due:
        told = f"Of {count_phrase(unknown, 'part')} nothing can be told yet; " if unknown else ""
        yield f"{told}{not_due} would reach no limit within the months at the steepest slope that their visits allow."
    tested = sum(part.series.trend is not None and part.series.trend.has_enough_visits for part in parts)
    by_chance = round(tested * SIGNIFICANCE_LEVEL)
    if by_chance and count["due"]:
        yield (
            f"Of {tested} parts with {MIN_VISITS} visits or more, about {by_chance} would seem to drift by chance:"
            " measure a part before it is replaced."
        )


def _empty_text(reader: Reader, site: str | None, unit: str | None) -> str:
    units = [visited.site for visited in reader.visited_units()]
    for wanted, known in ((site, {place.name for place in units}), (unit, {place.unit for place in units})):
        if wanted is not None and known and wanted.casefold() not in map(str.casefold, known):
            return f"No unit matches. {did_you_mean(wanted, known) or 'List them: meterlink unit list'}"
    return "No accepted readings yet." if site is unit is None else "No accepted readings there yet."
