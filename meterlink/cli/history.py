"""``meterlink history``: the accepted readings, with their verdicts, on the terminal or as JSON."""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial

import click

from meterlink.cli.completion import complete_unit, complete_visit
from meterlink.cli.output import Form, listing_options, local_time, printable_text, verdict_colour
from meterlink.cli.stored_visits import find_visit
from meterlink.cli.table import Cell, table_lines, wrap_facts
from meterlink.cli.terminal import terminal_width
from meterlink.core.calibration import overdue_part
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text, did_you_mean
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.judging import format_decimal
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.history_fields import history_fields
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow

_HEADINGS = ("When", "Site / unit", "Part", "At", "Reading", "Verdict", "Limits", "Off by", "Note")
_ON_A_PAGE = 50  # readings of a few visits
_FETCHED = 1000  # readings in memory at once
_VERDICTS = (*(verdict.value for verdict in Verdict), Margin.CLOSE_CALL.value)
_VERDICT_HELP = f"Only this verdict: {', '.join(_VERDICTS)}."
_DURATION = re.compile(r"([0-9]{1,6})([mhd])")
_DURATION_UNITS = {"m": "minutes", "h": "hours", "d": "days"}


@click.command("history", short_help="List accepted readings and their verdicts.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option(
    "--visit", metavar="VISIT", shell_complete=complete_visit, help="Only this visit (its id, or the beginning)."
)
@click.option("--unit", metavar="TEXT", shell_complete=complete_unit, help="Only this unit (full name).")
@click.option("--component", metavar="TEXT", help="Only this component, e.g. 'run capacitor' (full name).")
@click.option("--since", metavar="WHEN", help="Only since WHEN: 2026-07-01, 2026-07-01T13:00:00Z, or 7d, 12h, 30m ago.")
@click.option("--until", metavar="WHEN", help="Only before WHEN, as with --since.")
@click.option("--verdict", metavar="WORD", type=click.Choice(_VERDICTS, case_sensitive=False), help=_VERDICT_HELP)
@click.option("--limit", metavar="N", type=click.IntRange(1, 1_000_000), help="Only the newest N readings.")
@click.option("--all", "is_all", is_flag=True, help=f"All readings; as text only the newest {_ON_A_PAGE} are listed.")
@listing_options("at", "site", "unit", "circuit", "component", "section", "terminals", "reading", "verdict", "margin")
def command(
    data: str | None,
    visit: str | None,
    unit: str | None,
    component: str | None,
    since: str | None,
    until: str | None,
    verdict: str | None,
    limit: int | None,
    *,
    is_all: bool,
    form: Form,
) -> None:
    """List accepted readings with their verdicts, newest last. Works while the station runs.

    \b
        meterlink history --since 7d
        meterlink history --unit "Condenser 1" --lines | grep outside

    A date or time without a zone is local time. With --json every object has these keys: at (RFC 3339, UTC; unreliable
    if clock_set is false), clock_set, site, unit, visit_uid, circuit, component, section, terminals, quantity, reading
    (as displayed), unit_symbol, value (SI unit of the quantity; null for an overload), verdict, margin, low and high
    (in limits_unit; null without that limit), limits_unit, limits_basis, deviation_percent, meter, accuracy,
    calibration (of the meter on that day; empty if unknown), rule, probability (of being within the limits; null if
    unknown), prior (the source of the knowledge about such parts that the probability counts beside the reading; null
    where the reading alone counts), next_measurement (to settle a close call), settled_in (seconds), reason, question
    and choices (of an open question, else null), answer (the key of the choice that led to the verdict), uid (of the
    reading) and revision (1, and one more for each later verdict or void),
    voided and void_reason (null if it counts).
    """
    since_utc_ns, until_utc_ns = (
        None if when is None else parse_since(when, datetime.now(UTC), option)
        for when, option in ((since, "--since"), (until, "--until"))
    )
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    visit_uid = None if visit is None else find_visit(reader.visits(), visit).uid
    query = partial(
        reader.history, unit, component, visit_uid=visit_uid, since_utc_ns=since_utc_ns, until_utc_ns=until_utc_ns,
        verdict=verdict,
    )  # fmt: skip
    if form.streams(map(history_fields, _pages(query, limit))):
        return
    rows = query(limit=None if is_all else limit or _ON_A_PAGE + 1)
    if not rows:
        filtered = any((visit, unit, component, since, until, verdict))
        click.echo(_empty_text(reader, unit, component, filtered=filtered))
        return
    if len(rows) > _ON_A_PAGE and not (is_all or limit):
        rows = rows[-_ON_A_PAGE:]
        click.echo(f"The newest {_ON_A_PAGE}, newest last; --all lists all.", err=True)
    width = terminal_width()
    table = table_lines(_HEADINGS, [_table_row(row) for row in rows], width, ("Site / unit", "Note"))
    if table is not None:
        click.echo("\n".join(table))
        return
    assert width is not None  # noqa: S101  # without a width every table fits
    for number, row in enumerate(rows):
        if number:
            click.echo()
        for line in history_lines(row, width):
            click.echo(line)


def _pages(query: Callable[..., list[HistoryRow]], limit: int | None) -> Iterator[HistoryRow]:
    """Yield the newest ``limit`` readings of a query, or all, a page of them in memory; oldest first."""
    if limit is not None:
        yield from query(limit=limit)
        return
    after_id = 0
    while rows := query(limit=_FETCHED, after_id=after_id):
        yield from rows
        after_id = rows[-1].id


def parse_since(text: str, now: datetime, option: str = "--since") -> int:
    """Return a time in ns since 1970 UTC, from an RFC 3339 date or time, or from ``7d`` before ``now``.

    ``7d``, ``12h``, ``30m`` are days, hours, minutes. A date means its first moment; without an offset, the time is
    local.

    Raises:
        InputError: the text is neither a date, nor a time, nor a duration.
    """
    when = text.strip()
    ago = _DURATION.fullmatch(when)
    try:
        moment = now - timedelta(**{_DURATION_UNITS[ago[2]]: int(ago[1])}) if ago else datetime.fromisoformat(when)
        # Whole microseconds: timestamp() is a float and would be off by hundreds of nanoseconds.
        since_1970 = moment.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    except (ValueError, OverflowError, OSError):
        raise InputError(
            f"{option} {clean_text(text)!r} is not a date or time.",
            "Write 2026-07-01, 2026-07-01T13:00:00Z, 7d or 12h.",
        ) from None
    # A reading's time is 64 bits of nanoseconds: years 1677 to 2262.
    return max(-(2**63), min(since_1970 // timedelta(microseconds=1) * 1000, 2**63 - 1))


def _table_row(row: HistoryRow) -> tuple[str | Cell, ...]:
    judgement = row.judgement
    limits = _limits_text(judgement.limits) if judgement.limits else ""
    verdict, colour = _verdict_text(row), verdict_colour(judgement.verdict, judgement.margin)
    if row.void_reason is not None:
        verdict, colour = f"VOIDED ({printable_text(row.void_reason)}), was {verdict}", ""
    return (
        local_time(row.reading.timestamp.utc_ns) + (" (clock was not set)" if row.clock_set is False else ""),
        f"{printable_text(row.site.name)} / {printable_text(row.site.unit)}",
        printable_text(f"{row.circuit}: {row.component} {row.section}".rstrip()),
        printable_text("–".join(row.terminals)),
        printable_text(row.reading.text),
        Cell(verdict, colour),
        limits,
        "" if judgement.deviation_percent is None else f"{judgement.deviation_percent:+.1f} %",
        ". ".join(filter(None, (printable_text(overdue_part(judgement.calibration)), *_asked(judgement)))),
    )


def _asked(judgement: Judgement) -> list[str]:
    return [] if judgement.question is None else [f"asked: {printable_text(judgement.question.text)}"]


def _verdict_text(row: HistoryRow) -> str:
    judgement = row.judgement
    close = f" ({judgement.margin})" if judgement.margin is Margin.CLOSE_CALL else ""
    return f"{judgement.verdict.value.upper()}{close}"


def history_lines(row: HistoryRow, width: int) -> list[str]:
    """Return an accepted reading as lines of at most ``width`` characters, broken between facts if possible."""
    judgement = row.judgement
    facts = [printable_text(row.reading.text), _verdict_text(row)]
    if row.void_reason is not None:
        facts.insert(0, f"VOIDED ({printable_text(row.void_reason)})")
    if judgement.limits:
        facts.append(f"limits {_limits_text(judgement.limits)}")
    if judgement.deviation_percent is not None:
        facts.append(f"{judgement.deviation_percent:+.1f} %")
    if overdue := overdue_part(judgement.calibration):
        facts.append(printable_text(overdue))
    asked = _asked(judgement)
    part = [
        f"{printable_text(row.component)} {printable_text(row.section)}".rstrip(),
        printable_text("–".join(row.terminals)),
    ]
    return [
        *wrap_facts(
            [_local_time(row), f"{printable_text(row.site.name)} / {printable_text(row.site.unit)}"], width, indent=0
        ),
        *wrap_facts([printable_text(row.circuit), *part], width, indent=2),
        *wrap_facts(facts, width, indent=2),
        *(wrap_facts(asked, width, indent=2) if asked else ()),
    ]


def _local_time(row: HistoryRow) -> str:
    try:
        moment = datetime.fromtimestamp(row.reading.timestamp.utc_ns // 1_000_000_000, UTC).astimezone()
        text = moment.isoformat(sep=" ", timespec="seconds")
    except (ValueError, OverflowError, OSError):  # before 1970 some platforms have no time zones
        text = "time unknown"
    return f"{text} (clock was not set)" if row.clock_set is False else text


def _limits_text(limits: Limits) -> str:
    if limits.low is None or limits.high is None:
        return printable_text(limits.basis)
    range_text = f"{format_decimal(limits.low)} to {format_decimal(limits.high)} {limits.unit}"
    return printable_text(range_text if limits.basis == range_text else f"{range_text} ({limits.basis})")


def _empty_text(reader: Reader, unit: str | None, component: str | None, *, filtered: bool) -> str:
    if not filtered:
        return "No accepted readings yet."
    units = sorted({printable_text(visit.site.unit) for visit in reader.visits()})
    if unit is not None and unit not in units:
        nearest = did_you_mean(unit, units)
        listed = f"Units here: {', '.join(units)}."
        return f"No accepted readings match. {nearest or listed}"
    if component is not None:
        components = {printable_text(row.component) for row in reader.history(unit=unit)}
        nearest = did_you_mean(component, components)
        listed = f"Components here: {', '.join(sorted(components))}."
        return f"No accepted readings match. {nearest or listed}"
    return "No accepted readings match."
