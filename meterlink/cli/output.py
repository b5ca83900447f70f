"""The convention of commands that list records: a table, one JSON value, or one line per record.

A listing is a command whose help begins with List or Show. It takes `listing_options`, which give it its `Form`::

    @click.command("list")
    @listing_options("visit", "site", "unit")           # the keys of a record that a line has, in this order
    def list_visits(*, form: Form) -> None:
        if not form.prints(records, records):
            …                                           # the table or the sentences
"""

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import wraps
from itertools import islice
from typing import TYPE_CHECKING, Any

import click

from meterlink.cli.table import Cell, styled, table_lines, wrap_facts
from meterlink.cli.terminal import terminal_width
from meterlink.core.clock import format_rfc3339
from meterlink.core.text import clean_text

if TYPE_CHECKING:
    from meterlink.core.equipment import TestPoint
    from meterlink.station.visit import AcceptedReading

# The longest text that Meterlink itself stores, with room to spare; longer text in a database or a file is foreign.
_MAX_TEXT_LENGTH = 800  # characters

# A verdict's colour; its word stands beside it always.
_GOOD, _BAD, _DOUBTFUL = "green", "red", "yellow"
_COLOURS = {"within": _GOOD, "outside": _BAD, "open": _BAD, "shorted": _BAD}

_RECORDS_AT_ONCE = 200  # in one call: a call for each would take most of the time of a long listing

Command = Callable[..., None]

data_option = click.option(
    "--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's folder for data."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")


@dataclass(frozen=True, slots=True)
class Form:
    """The form in which a listing is printed; ``columns`` are the keys of a record that one of its lines has."""

    as_json: bool
    as_lines: bool
    columns: tuple[str, ...]

    @property
    def is_for_programs(self) -> bool:
        """Whether JSON or lines are wanted, not text."""
        return self.as_json or self.as_lines

    def prints(self, value: object, records: Sequence[Mapping[str, Any]]) -> bool:
        """Print ``value`` as JSON, or a line for each of ``records``; return False where text is wanted."""
        if self.as_json:
            click.echo(json.dumps(value, indent=2))  # ASCII only: safe in a pipe of any encoding
        elif self.as_lines:
            for record in records:
                click.echo("\t".join(_field(record[column]) for column in self.columns))
        return self.is_for_programs

    def streams(self, records: Iterable[Mapping[str, Any]]) -> bool:
        """Print ``records`` as they come, in JSON each on a line of its own: a long listing needs the memory of some.

        Return False, without taking one, where text is wanted.
        """
        if not self.is_for_programs:
            return False
        remaining, printed = iter(records), False
        while chunk := list(islice(remaining, _RECORDS_AT_ONCE)):
            if self.as_lines:
                self.prints((), chunk)
            else:  # without indent: only so does Python write it in C, five times as fast
                click.echo((",\n" if printed else "[\n") + ",\n".join(map(json.dumps, chunk)), nl=False)
            printed = True
        if self.as_json:
            click.echo("\n]" if printed else "[]")
        return True


def listing_options(*columns: str) -> Callable[[Command], Command]:
    """Add ``--json`` and ``--lines`` to a command, which gets its ``form``; its help lists the columns of a line."""

    def decorate(function: Command) -> Command:
        @wraps(function)
        def with_form(*args: Any, as_json: bool, as_lines: bool, **more: Any) -> None:
            if as_json and as_lines:
                raise click.UsageError("Give either --json or --lines.")
            function(*args, form=Form(as_json, as_lines, columns), **more)

        described, feed, hidden = (function.__doc__ or "").partition("\f")
        with_form.__doc__ = f"{described.rstrip()}\n\n    With --lines: {', '.join(columns)}.\n\n    {feed}{hidden}"
        lines_help = "Print a line for each, its fields separated by tabs, for grep and cut."
        return json_option(click.option("--lines", "as_lines", is_flag=True, help=lines_help)(with_form))

    return decorate


def print_text(text: str) -> None:
    """Print a sentence, broken between words on a terminal; in a pipe it stays one line."""
    width = terminal_width()
    click.echo(text if width is None else "\n".join(wrap_facts([text], width, 0)))


def print_table(headings: Sequence[str], rows: Sequence[Sequence[str | Cell]], shortened: Collection[str] = ()) -> None:
    """Print a table (see `table_lines`).

    On a terminal too narrow for it, each row is printed as its first cell, with the others below it.
    """
    width = terminal_width()
    lines = table_lines(headings, rows, width, shortened)
    if lines is None:
        lines = []
        for row in rows:
            first, *others = [Cell.of(each).text.strip() for each in row]
            lines += wrap_facts([first], width or 0, 0) if first else []
            lines += wrap_facts(filter(None, others), width or 0, 2)
    click.echo("\n".join(lines))


def _field(value: object) -> str:
    """Return a value of JSON as a field: empty for null, a list with spaces between; no tab, no second line."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return printable_text(" ".join(map(str, value)) if isinstance(value, list) else str(value))


def local_time(utc_ns: int) -> str:
    """Return a time as a person reads it, ``2026-07-01 13:05``: local, to the minute."""
    try:
        return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).astimezone().strftime("%Y-%m-%d %H:%M")
    except (ValueError, OverflowError, OSError):  # before 1970 some platforms have no time zones
        return "time unknown"


def local_time_text(rfc3339: str) -> str:
    """Return a time of JSON as a person reads it (see `local_time`)."""
    return datetime.fromisoformat(rfc3339).astimezone().strftime("%Y-%m-%d %H:%M")


def verdict_colour(verdict: str, margin: str | None) -> str:
    """Return the colour of a verdict: a close call, and any that decides nothing, looks like neither good nor bad."""
    return _DOUBTFUL if margin == "close call" else _COLOURS.get(verdict, _DOUBTFUL)


def printable_text(text: str) -> str:
    """Return a name or a sentence from a database or a file as one line without control characters, cut when long."""
    return clean_text(text, _MAX_TEXT_LENGTH)


def accepted_line(point: "TestPoint", accepted: "AcceptedReading") -> str:
    """Return an accepted reading with its verdict on one line."""
    judgement = accepted.judgement
    margin = f" ({judgement.margin})" if judgement.margin == "close call" else ""
    verdict = styled(f"{judgement.verdict.upper()}{margin}", verdict_colour(judgement.verdict, judgement.margin))
    return (
        f"{point.circuit}: {point.title}, {point.terminals[0]}–{point.terminals[1]}: {accepted.reading.text}"
        f"  {verdict}  {judgement.limits.basis if judgement.limits else 'no limits'}"
    )


def accepted_json(point: "TestPoint", accepted: "AcceptedReading") -> str:
    """Return an accepted reading with its verdict as one JSON object on one line.

    ``value`` is in the SI unit of the quantity, ``low`` and ``high`` are in ``unit``, ``settled_in`` is in seconds.
    """
    judgement, limits = accepted.judgement, accepted.judgement.limits
    fields = {
        "at": format_rfc3339(accepted.reading.timestamp.utc_ns),
        "point": point.key,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "terminals": list(point.terminals),
        "reading": accepted.reading.text,
        "value": accepted.reading.value,
        "verdict": str(judgement.verdict),
        "margin": None if judgement.margin is None else str(judgement.margin),
        "low": None if limits is None or limits.low is None else float(limits.low),
        "high": None if limits is None or limits.high is None else float(limits.high),
        "unit": limits.unit if limits else accepted.reading.unit,
        "meter": accepted.meter,
        "settled_in": round(accepted.settled_in, 1),
    }
    return json.dumps(fields, ensure_ascii=False)
