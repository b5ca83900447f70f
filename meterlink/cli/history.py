"""``meterlink history``: the accepted readings, with their verdicts, on the terminal or as JSON."""

import re
from collections.abc import Collection, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import click

from meterlink.cli.completion import complete_meter, complete_site, complete_unit, complete_visit
from meterlink.cli.output import Form, listing_options, local_time, printable_text, verdict_colour
from meterlink.cli.stored_visits import find_visit
from meterlink.cli.table import Cell, table_lines, wrap_facts
from meterlink.cli.terminal import terminal_width
from meterlink.core.calibration import overdue_part
from meterlink.core.clock import utc_nanoseconds
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text, did_you_mean, length_text
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.judging import format_decimal
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.history_query import HistoryFilter
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow

_HEADINGS = ("When", "Site / unit", "Part", "At", "Reading", "Verdict", "Limits", "Off by", "Note")
_ON_A_PAGE = 50  # readings of a few visits
_UID_SHOWN = 12  # characters: of a million random ids, hardly ever two begin alike
_NAMES_SHOWN = 12  # in a message: the lines of a small screen
_VERDICTS = (*(verdict.value for verdict in Verdict), Margin.CLOSE_CALL.value)
_VERDICT_HELP = f"Only this verdict: {', '.join(_VERDICTS)}."
_DURATION = re.compile(r"([0-9]{1,6})([mhd])")
_DURATION_UNITS = {"m": "minutes", "h": "hours", "d": "days"}


@click.command("history", short_help="List accepted readings and their verdicts.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option(
    "--visit", metavar="VISIT", shell_complete=complete_visit, help="Only this visit (its id, or its beginning)."
)
@click.option("--newest-visit", is_flag=True, help="Only the newest visit; with --unit or --site, the newest there.")
@click.option("--site", metavar="TEXT", shell_complete=complete_site, help="Only this site (full name).")
@click.option("--unit", metavar="TEXT", shell_complete=complete_unit, help="Only this unit (full name).")
@click.option("--circuit", metavar="TEXT", help="Only this circuit, e.g. compressor (full name).")
@click.option("--component", metavar="TEXT", help="Only this component, e.g. 'run capacitor' (full name).")
@click.option("--meter", metavar="METER", shell_complete=complete_meter, help="Only this meter (its name or address).")
@click.option("--verdict", metavar="WORD", type=click.Choice(_VERDICTS, case_sensitive=False), help=_VERDICT_HELP)
@click.option("--since", metavar="WHEN", help="Only since WHEN: 2026-07-01, 2026-07-01T13:00:00Z, or 7d, 12h, 30m ago.")
@click.option("--until", metavar="WHEN", help="Only before WHEN, as with --since.")
@click.option("--before", metavar="UID", help="Only readings older than this one (its uid, or the beginning).")
@click.option("--after", metavar="UID", help="Only readings newer than this one.")
@click.option(
    "--limit", metavar="N", type=click.IntRange(1, 1_000_000), help="Only the newest N; with --after, the oldest N."
)
@click.option("--all", "is_all", is_flag=True, help=f"All readings; as text only {_ON_A_PAGE} are listed.")
@listing_options("at", "site", "unit", "circuit", "component", "section", "terminals", "reading", "verdict", "margin")
def command(
    data: str | None,
    limit: int | None,
    *,
    is_all: bool,
    form: Form,
    **selection: Any,
) -> None:
    """List accepted readings with their verdicts, newest last. Works while the station runs.

    \b
        meterlink history --since 7d
        meterlink history --newest-visit --unit "Condenser 1"
        meterlink history --unit "Condenser 1" --lines | grep outside
        meterlink history --json --limit 100 --before 7f3a12cd90e1

    A date or time without a zone is local time, that of this machine; so are the times of the table. The order is that
    of acceptance, also where a clock was set in between. Pages: --limit N --before UID, with the uid of the first
    reading of a page, is the page before it; --limit N --after UID, with that of the last one, the page after it. A uid
    never changes.

    With --json every object has these keys: at (RFC 3339, UTC; unreliable if clock_set is false), clock_set,
    clock_step (s by which the clock was set during the visit, before the reading: earlier times do not agree), site,
    unit, visit_uid, circuit, component, section, terminals, quantity, reading (as displayed), unit_symbol, value (SI
    unit of the quantity; null for an overload), verdict, margin, low and high (in limits_unit; null without that
    limit), limits_unit, limits_basis, deviation_percent, meter, accuracy, calibration (of the meter on that day; empty
    if unknown), rule, probability (of being within the limits; null if unknown), prior (the source of the knowledge
    about such parts that the probability counts beside the reading; null where the reading alone counts),
    next_measurement (to settle a close call), settled_in (seconds), reason, question and choices (of an open question,
    else null), answer (the key of the choice that led to the verdict), uid (of the reading) and revision (1, and one
    more for each later verdict or void), voided and void_reason (null if it counts), and, null for a reading as it was
    accepted, decoded_again (the time when its packet was decoded again by a corrected profile: reading and value are
    the new ones), accepted_as (the display that was accepted), decoded_by (the driver) and recorded_by.

    \f

    Raises:
        click.UsageError: both --visit and --newest-visit are given.
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    chosen = _chosen(reader, **selection)
    oldest = chosen.after_id is not None
    if form.streams(reader.history_fields(chosen, limit, oldest=oldest)):
        return
    rows = reader.history_page(chosen, limit or (None if is_all else _ON_A_PAGE + 1), oldest=oldest)
    if not rows:
        click.echo(_empty_text(reader, chosen))
        return
    if len(rows) > _ON_A_PAGE and not (is_all or limit):
        rows = rows[:_ON_A_PAGE] if oldest else rows[-_ON_A_PAGE:]
        click.echo(_page_text(rows, oldest=oldest), err=True)
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


def _chosen(
    reader: Reader,
    *,
    visit: str | None,
    newest_visit: bool,
    site: str | None,
    unit: str | None,
    circuit: str | None,
    component: str | None,
    meter: str | None,
    verdict: str | None,
    since: str | None,
    until: str | None,
    before: str | None,
    after: str | None,
) -> HistoryFilter:
    """Return the filter of the options as they are typed.

    Raises:
        click.UsageError: both --visit and --newest-visit are given.
        InputError: a visit, a reading or a time is not one.
    """
    if visit and newest_visit:
        raise click.UsageError("Give either --visit or --newest-visit.")
    visit_uid = None
    if visit is not None:
        visit_uid = find_visit(reader.visits(), visit).uid
    elif newest_visit:
        visit_uid = _newest_visit(reader, site, unit)
    now = datetime.now(UTC)
    return HistoryFilter(
        site=site,
        unit=unit,
        circuit=circuit,
        component=component,
        meter=meter,
        visit_uid=visit_uid,
        verdict=verdict,
        since_utc_ns=None if since is None else parse_since(since, now, "--since"),
        until_utc_ns=None if until is None else parse_since(until, now, "--until"),
        before_id=None if before is None else _find_reading(reader, before, "--before"),
        after_id=None if after is None else _find_reading(reader, after, "--after"),
    )


def _page_text(rows: Sequence[HistoryRow], *, oldest: bool) -> str:
    if oldest:
        return f"The next {_ON_A_PAGE}, newest last; --after {rows[-1].uid[:_UID_SHOWN]} goes on."
    return f"The newest {_ON_A_PAGE}, newest last; --before {rows[0].uid[:_UID_SHOWN]} has older ones, --all lists all."


def _newest_visit(reader: Reader, site: str | None, unit: str | None) -> str:
    """Return the uid of the newest visit, at a site and a unit if they are given.

    Raises:
        InputError: there is no visit, or none there.
    """
    visits = reader.visits()
    for visit in reversed(visits):
        if same_name(site, visit.site.name) and same_name(unit, visit.site.unit):
            return visit.uid
    if not visits:
        raise InputError("There is no visit yet.", "Begin one: meterlink visit begin")
    wanted, known = (unit, [visit.site.unit for visit in visits]) if unit else (site, [v.site.name for v in visits])
    nearest = did_you_mean(wanted or "", known)
    raise InputError("No visit was there.", nearest or "List them: meterlink visit list")


def same_name(wanted: str | None, name: str) -> bool:
    """Return whether ``wanted`` is None, or ``name`` in upper or lower case."""
    return wanted is None or wanted.casefold() == name.casefold()


def _find_reading(reader: Reader, uid: str, option: str) -> int:
    """Return the id of an accepted reading by its uid, or by the beginning of it.

    Raises:
        InputError: no reading, or more than one, has such a uid.
    """
    typed = uid.strip().casefold()
    found = reader.accepted_cursor(typed)
    if len(found) > 1 and found[0][1] != typed:
        raise InputError(f"{option}: several readings have a uid that begins with {clean_text(uid)!r}.", "Give more.")
    if not found:
        raise InputError(f"{option}: there is no reading {clean_text(uid)!r}.", "The uids are in --json.")
    return found[0][0]


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
        utc_ns = utc_nanoseconds(moment.astimezone(UTC))
    except (ValueError, OverflowError, OSError):
        raise InputError(
            f"{option} {clean_text(text)!r} is not a date or time.",
            "Write 2026-07-01, 2026-07-01T13:00:00Z, 7d or 12h.",
        ) from None
    # A reading's time is 64 bits of nanoseconds: years 1677 to 2262.
    return max(-(2**63), min(utc_ns, 2**63 - 1))


def _table_row(row: HistoryRow) -> tuple[str | Cell, ...]:
    judgement = row.judgement
    limits = _limits_text(judgement.limits) if judgement.limits else ""
    verdict, colour = _verdict_text(row), verdict_colour(judgement.verdict, judgement.margin)
    if row.void_reason is not None:
        verdict, colour = f"VOIDED ({printable_text(row.void_reason)}), was {verdict}", ""
    return (
        local_time(row.reading.timestamp.utc_ns) + _clock_text(row),
        f"{printable_text(row.site.name)} / {printable_text(row.site.unit)}",
        printable_text(f"{row.circuit}: {row.component} {row.section}".rstrip()),
        printable_text("–".join(row.terminals)),
        printable_text(row.reading.text),
        Cell(verdict, colour),
        limits,
        "" if judgement.deviation_percent is None else f"{judgement.deviation_percent:+.1f} %",
        ". ".join(
            filter(None, (_corrected(row), printable_text(overdue_part(judgement.calibration)), *_asked(judgement)))
        ),
    )


def _corrected(row: HistoryRow) -> str:
    """Return the display that was accepted, of a reading whose packet was decoded again; empty for any other."""
    return "" if row.correction is None else f"decoded again, accepted as {printable_text(row.correction.accepted_as)}"


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
    if row.correction is not None:
        facts.insert(1, _corrected(row))
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
    return text + _clock_text(row)


def _clock_text(row: HistoryRow) -> str:
    """Return the fault of the clock at the time of a reading, in brackets; empty for none."""
    if row.clock_set is False:
        return " (clock was not set)"
    if not row.clock_step_ns:
        return ""
    return f" (clock set {'back' if row.clock_step_ns < 0 else 'on'} by {length_text(abs(row.clock_step_ns) / 1e9)})"


def _limits_text(limits: Limits) -> str:
    if limits.low is None or limits.high is None:
        return printable_text(limits.basis)
    range_text = f"{format_decimal(limits.low)} to {format_decimal(limits.high)} {limits.unit}"
    return printable_text(range_text if limits.basis == range_text else f"{range_text} ({limits.basis})")


def _empty_text(reader: Reader, chosen: HistoryFilter) -> str:
    if chosen == HistoryFilter():
        return "No accepted readings yet."
    places = [unit.site for unit in reader.units()]
    sites, units = (
        {place.name for place in places},
        {place.unit for place in places if same_name(chosen.site, place.name)},
    )
    meters = {row.meter.name or row.current_address for row in reader.known_meters()}
    in_history = reader.names_in_history(chosen)
    for typed, known, plural in (
        (chosen.site, sites, "Sites"),
        (chosen.unit, units, "Units"),
        (chosen.circuit, in_history["circuit"], "Circuits"),
        (chosen.component, in_history["component"], "Components"),
        (chosen.meter, meters, "Meters"),
    ):
        if typed is not None and known and not any(same_name(typed, name) for name in known):
            return f"No accepted readings match. {did_you_mean(typed, known) or _listed(plural, known)}"
    return "No accepted readings match."


def _listed(plural: str, names: Collection[str]) -> str:
    shown = sorted(map(printable_text, names))
    more = f" and {len(shown) - _NAMES_SHOWN} more" if len(shown) > _NAMES_SHOWN else ""
    return f"{plural} here: {', '.join(shown[:_NAMES_SHOWN])}{more}."
