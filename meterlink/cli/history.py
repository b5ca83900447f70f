"""``meterlink history``: the held readings, with their verdicts, on the terminal or as JSON."""

import json
import re
import shutil
import textwrap
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import click

from meterlink.core.clock import format_rfc3339
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.core.verdicts import Limits, Margin
from meterlink.judge.judging import format_decimal
from meterlink.settings import DATABASE_FILE, data_dir
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow

# Enough for every name, basis and reason kept here; more would be somebody else's text in the database.
_MAX_TEXT_LENGTH = 240

_DURATION = re.compile(r"([0-9]{1,6})([mhd])")
_DURATION_UNITS = {"m": "minutes", "h": "hours", "d": "days"}


@click.command("history", short_help="List held readings and their verdicts.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option("--unit", metavar="TEXT", help="Only this unit (whole name).")
@click.option("--component", metavar="TEXT", help="Only this component, e.g. 'run capacitor' (whole name).")
@click.option(
    "--since", metavar="WHEN", help="Only from WHEN on: 2026-07-01, 2026-07-01T13:00:00Z, or 7d, 12h, 30m back."
)
@click.option("--limit", metavar="N", type=click.IntRange(1, 1_000_000), help="Only the newest N.")
@click.option("--json", "as_json", is_flag=True, help="A JSON array, for programs.")
def command(
    data: str | None, unit: str | None, component: str | None, since: str | None, limit: int | None, *, as_json: bool
) -> None:
    """List held readings with their verdicts, newest last. Works while the station runs.

    A date or time without a zone is local time. With --json every object has these keys: at (RFC 3339, UTC; true time
    only if clock_set is not false), clock_set, site, unit, visit, circuit, component, section, terminals, quantity,
    reading (as displayed), unit_symbol, value (SI unit of the quantity; null for an overload), verdict, margin, low and
    high (in limits_unit; null where open), limits_unit, limits_basis, deviation_percent, meter, accuracy, rule,
    probability (of being within the limits; null where there is none), settle_it (what would settle a close call),
    settled_in (seconds), reason.
    """
    since_utc_ns = None if since is None else parse_since(since, datetime.now(UTC))
    reader = Reader(data_dir(data) / DATABASE_FILE)
    rows = reader.history(unit=unit, component=component, since_utc_ns=since_utc_ns, limit=limit)
    if as_json:
        # ASCII only: whatever encoding a pipe has, and whatever characters a name holds, they arrive unharmed.
        click.echo(json.dumps([history_fields(row) for row in rows], indent=2))
        return
    if not rows:
        click.echo(_empty_text(reader, filtered=any((unit, component, since))))
        return
    width = shutil.get_terminal_size().columns
    for number, row in enumerate(rows):
        if number:
            click.echo()
        for line in history_lines(row, width):
            click.echo(line)


def parse_since(text: str, now: datetime) -> int:
    """Return the moment ``text`` means, as ns since 1970 UTC: a date or time of RFC 3339, or ``7d`` before ``now``.

    ``7d``, ``12h``, ``30m`` are days, hours, minutes. A date is its first moment; without an offset the time is local.
    InputError for anything else.
    """
    given = text.strip()
    back = _DURATION.fullmatch(given)
    try:
        moment = now - timedelta(**{_DURATION_UNITS[back[2]]: int(back[1])}) if back else datetime.fromisoformat(given)
        # Whole microseconds: timestamp() is a float and would be off by hundreds of nanoseconds.
        since_1970 = moment.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    except (ValueError, OverflowError, OSError):
        raise InputError(
            f"--since {clean_text(text)!r} is not a date or time.", "Write 2026-07-01, 2026-07-01T13:00:00Z, 7d or 12h."
        ) from None
    # A reading's time is 64 bits of nanoseconds (years 1677 to 2262); nothing lies beyond either end.
    return max(-(2**63), min(since_1970 // timedelta(microseconds=1) * 1000, 2**63 - 1))


def history_fields(row: HistoryRow) -> dict[str, Any]:
    """Return a held reading as a JSON object; the keys are documented in the command's help."""
    judgement = row.judgement
    limits = judgement.limits
    return {
        "at": format_rfc3339(row.reading.timestamp.utc_ns),
        "clock_set": row.clock_set,
        "site": row.site.name,
        "unit": row.site.unit,
        "visit": row.visit_uid,
        "circuit": row.circuit,
        "component": row.component,
        "section": row.section,
        "terminals": list(row.terminals),
        "quantity": row.reading.quantity.value,
        "reading": row.reading.text,
        "unit_symbol": row.reading.unit,
        "value": row.reading.value,
        "verdict": judgement.verdict.value,
        "margin": judgement.margin.value,
        "low": _number(limits.low) if limits else None,
        "high": _number(limits.high) if limits else None,
        "limits_unit": limits.unit if limits else None,
        "limits_basis": limits.basis if limits else None,
        "deviation_percent": _number(judgement.deviation_percent),
        "meter": row.meter.name or row.meter.address,
        "accuracy": judgement.accuracy,
        "rule": judgement.rule,
        "probability": judgement.probability,
        "settle_it": judgement.next_measurement,
        "settled_in": row.settled_in,
        "reason": judgement.reason,
    }


def history_lines(row: HistoryRow, width: int) -> list[str]:
    """Return a held reading as lines of at most ``width`` characters, broken between facts where that is possible."""
    judgement = row.judgement
    verdict = judgement.verdict.value.upper()
    if judgement.margin is Margin.CLOSE_CALL:
        verdict += f" ({judgement.margin})"
    facts = [_clean(row.reading.text), verdict]
    if judgement.limits:
        facts.append(f"limits {_limits_text(judgement.limits)}")
    if judgement.deviation_percent is not None:
        facts.append(f"{judgement.deviation_percent:+.1f} %")
    where = [f"{_clean(row.component)} {_clean(row.section)}".rstrip(), _clean("–".join(row.terminals))]
    return [
        *_wrap_facts([_local_time(row), f"{_clean(row.site.name)} / {_clean(row.site.unit)}"], width, indent=0),
        *_wrap_facts([_clean(row.circuit), *where], width, indent=2),
        *_wrap_facts(facts, width, indent=2),
    ]


def _wrap_facts(facts: Iterable[str], width: int, indent: int) -> Iterator[str]:
    """Yield the facts two spaces apart, on a new, deeper line where the next one does not fit."""
    lead, line = " " * indent, ""
    for fact in facts:
        joined = f"{line}  {fact}" if line else lead + fact
        if not line or len(joined) <= width:
            line = joined
        else:
            yield from _wrap_line(line, width, indent)
            line = " " * (indent + 2) + fact
    yield from _wrap_line(line, width, indent)


def _wrap_line(line: str, width: int, indent: int) -> list[str]:
    if len(line) <= width:
        return [line]
    # On a terminal narrower than a word there is nothing to keep whole; 10 is what textwrap needs to make headway.
    return textwrap.wrap(
        line.strip(), max(width, 10), initial_indent=line[: len(line) - len(line.lstrip())],
        subsequent_indent=" " * (indent + 2),
    )  # fmt: skip


def _local_time(row: HistoryRow) -> str:
    try:
        moment = datetime.fromtimestamp(row.reading.timestamp.utc_ns // 1_000_000_000, UTC).astimezone()
        text = moment.isoformat(sep=" ", timespec="seconds")
    except (ValueError, OverflowError, OSError):  # a clock before 1970, where the platform has no zones for that
        text = "time unknown"
    return f"{text} (clock was not set)" if row.clock_set is False else text


def _limits_text(limits: Limits) -> str:
    if limits.low is None or limits.high is None:
        return _clean(limits.basis)
    span = f"{format_decimal(limits.low)} to {format_decimal(limits.high)} {limits.unit}"
    return _clean(span if limits.basis == span else f"{span} ({limits.basis})")


def _empty_text(reader: Reader, *, filtered: bool) -> str:
    units = sorted({_clean(visit.site.unit) for visit in reader.visits()}) if filtered else []
    return "No held readings" + (f" like that. Units here: {', '.join(units)}." if units else " yet.")


def _clean(text: str) -> str:
    return clean_text(text, _MAX_TEXT_LENGTH)


def _number(number: Decimal | None) -> float | None:
    return None if number is None else float(number)
