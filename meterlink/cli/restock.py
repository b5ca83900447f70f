"""``meterlink stock restock`` and ``stock receive``: the parts to buy, and those that were bought."""

import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from meterlink.cli.output import (
    Form,
    data_option,
    json_option,
    listing_options,
    local_time,
    print_table,
    print_text,
    printable_text,
)
from meterlink.cli.output_file import STANDARD_OUTPUT, form_of_ending, refuse_on_terminal, write_output
from meterlink.cli.paper import paper_option
from meterlink.cli.station_command import send_command
from meterlink.cli.table import Cell
from meterlink.cli.truck import item_text, part_option, place_option, read_movements, read_stock
from meterlink.core.clock import format_rfc3339
from meterlink.core.errors import InputError
from meterlink.core.stock import CAPACITOR, MOST_PARTS
from meterlink.core.text import clean_text, count_phrase
from meterlink.link.messages import CommandName, ReceivedParts
from meterlink.record.paper import Paper
from meterlink.record.restock import RestockLine, RestockList, restock_list
from meterlink.settings import data_dir
from meterlink.station.truck import capacitor_entries, stock_item

_FORMATS = ("csv", "html", "pdf")
_ENDINGS = {".csv": "csv", ".html": "html", ".htm": "html", ".pdf": "pdf"}
_LARGEST_LIST = 1_000_000  # bytes of a CSV that was bought


@click.command("restock")
@click.option("--since", metavar="WHEN", help="Used since WHEN: 2026-07-01, or 7d; default: since the last restock.")
@click.option(
    "--format", "as_format", type=click.Choice(_FORMATS), help="Write a file; default: by the ending of FILE."
)
@click.option("-o", "output", default="", metavar="FILE", help="A .csv, .html or .pdf to print; - is standard output.")
@paper_option("The paper of a PDF.")
@data_option
@listing_options("rating", "buy", "used", "count", "low", "part", "place")
def restock(*, since: str | None, as_format: str | None, output: str, paper: str, data: str | None, form: Form) -> None:
    """List the parts to buy: those that were used, and those below their low mark.

    \b
        meterlink stock restock
        meterlink stock restock --since 2026-07-01 -o restock.csv
        meterlink stock restock -o restock.pdf

    Buy as many as are missing from the low mark (`stock low`); of a part without a low mark, as many as were used and
    not bought again. For a part of which none is left the list has candidates: parts on the truck that the rules of
    replacement allow in its place meanwhile.

    With --json: since (null: from the first entry), is_since_restock, lines: an array of part, rating, buy, used,
    count (on the truck), low (null without a mark), place, candidates (parts, method, is_temporary, remarks).

    \f

    Raises:
        click.UsageError: a file is to be written, and --json or --lines is given, or no format has the ending of FILE.
    """
    since_utc_ns = None
    if since is not None:
        from meterlink.cli.history import parse_since  # noqa: PLC0415  # half of the time of a short list

        since_utc_ns = parse_since(since, datetime.now(UTC))
    counts = read_stock(data)
    found = restock_list(read_movements(data), counts, capacitor_entries(counts), since_utc_ns)
    if output or as_format:
        if form.is_for_programs:
            raise click.UsageError("Give either -o and --format, or --json or --lines.")
        _write(found, output or STANDARD_OUTPUT, as_format, paper)
        return
    records = list(map(_fields, found.lines))
    beginning = None if found.since_utc_ns is None else format_rfc3339(found.since_utc_ns)
    value = {"since": beginning, "is_since_restock": found.is_since_restock, "lines": records}
    if form.prints(value, records):
        return
    print_text(_since_sentence(found))
    if not found.lines:
        click.echo("Nothing to buy.")
        return
    rows = [_row(line) for line in found.lines]
    print_table(("Buy", "Part", "On the truck", "Used", "Low mark", "Place"), rows, ("Part", "Place"))
    for line in found.lines:
        for candidate in line.candidates:
            print_text(
                printable_text(" ".join((f"None left of {line.item}: meanwhile {candidate}.", *candidate.remarks)))
            )


@click.command("receive")
@click.argument("rating", metavar="[RATING]", default="")
@click.option("--count", type=click.IntRange(1, MOST_PARTS), help="Number of parts; 1 without it.")
@part_option
@place_option
@click.option(
    "--list",
    "file",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="A restock list (CSV) as it was bought: its column buy counts.",
)
@click.option("--yes", is_flag=True, help="Book the list; without it the list is shown, or asked about on a terminal.")
@data_option
@json_option
def receive(
    *,
    rating: str,
    count: int | None,
    part: str,
    place: str,
    file: Path | None,
    yes: bool,
    data: str | None,
    as_json: bool,
) -> None:
    """Record parts that were bought: those with this RATING, or a whole restock list. The next list counts from then.

    \b
        meterlink stock receive "45+5 MFD 440V" --count 2
        meterlink stock receive --list restock.csv --yes

    Every line of a list is booked, or none. Put the number that you bought into the column buy of each line.

    With --json: parts (part, rating, received, count: on the truck now; before it is booked: null) and done.

    \f

    Raises:
        click.UsageError: neither RATING nor --list is given, or both.
    """
    if bool(rating) == (file is not None):
        raise click.UsageError("Give either RATING or --list FILE.")
    if file is not None and (count is not None or place or part != CAPACITOR):
        raise click.UsageError("--count, --part and --place are those of a RATING; a list has its own.")
    lines = [_line(part, rating, count or 1, place)] if file is None else _read_list(file)
    if file is None or yes:
        done = True
    else:
        if not as_json:
            _preview(lines, data)
        done = sys.stdin.isatty() and not as_json and click.confirm("Book these parts?")
    parts: list[dict[str, Any]] = [
        {"part": line["part"], "rating": line["text"], "received": line["count"], "count": None} for line in lines
    ]
    if done:
        parts = list(send_command(data_dir(data), CommandName.RECEIVE_STOCK, parts=lines)["parts"])
    if as_json:
        click.echo(json.dumps({"parts": parts, "done": done}, indent=2))
    elif not done:
        click.echo("Nothing is booked. Book it with --yes.")
    else:
        for booked in parts:
            click.echo(
                f"Received: {booked['received']} of {item_text(booked)}. On the truck: {max(booked['count'], 0)}."
            )


def _since_sentence(found: RestockList) -> str:
    if found.since_utc_ns is None:
        return "Used since the first entry; nothing was received yet."
    restocked = " (the last restock)" if found.is_since_restock else ""
    return f"Used since {local_time(found.since_utc_ns)}{restocked}."


def _row(line: RestockLine) -> Sequence[str | Cell]:
    stock = line.stock
    return (
        f"{line.to_buy:3d}",
        printable_text(str(line.item)),
        Cell(f"{stock.count:12d}", "yellow" if stock.is_low or stock.count <= 0 else ""),
        f"{line.used:4d}",
        f"{stock.low:8d}" if stock.low else "",
        printable_text(stock.place),
    )


def _fields(line: RestockLine) -> dict[str, Any]:
    stock = line.stock
    return {
        "part": line.item.part,
        "rating": line.item.rating,
        "buy": line.to_buy,
        "used": line.used,
        "count": stock.count,
        "low": stock.low or None,
        "place": stock.place,
        "candidates": [
            {
                "parts": candidate.parts,
                "method": candidate.method,
                "is_temporary": candidate.is_temporary,
                "remarks": list(candidate.remarks),
            }
            for candidate in line.candidates
        ],
    }


def _write(found: RestockList, output: str, as_format: str | None, paper: str) -> None:
    """Write the list as a file.

    Raises:
        click.UsageError: no format has the ending of the file, or a PDF would go to a terminal.
    """
    from meterlink.record.restock_forms import restock_csv, restock_html, restock_pdf  # noqa: PLC0415  # only for a file

    match as_format or form_of_ending(output, _ENDINGS):
        case "csv":
            content = restock_csv(found).encode()
        case "html":
            content = restock_html(found, _since_sentence(found)).encode()
        case form:
            refuse_on_terminal(output, form)
            content = restock_pdf(found, _since_sentence(found), Paper(paper))
    write_output(output, content)
    if output != STANDARD_OUTPUT:
        click.echo(f"The restock list, {count_phrase(len(found.lines), 'line')}: {output}")


def _read_list(file: Path) -> list[ReceivedParts]:
    """Return the lines of a restock list as it was bought.

    Raises:
        InputError: the file cannot be read, or a line of it cannot be used.
    """
    from meterlink.record.restock_forms import read_restock  # noqa: PLC0415  # only for a file

    try:
        with file.open("rb") as opened:
            content = opened.read(_LARGEST_LIST + 1)
    except (OSError, ValueError) as error:
        reason = (isinstance(error, OSError) and error.strerror) or "no file can have this name"
        raise InputError(f"{file} cannot be read: {reason}.", "Name the list that was bought.") from error
    if len(content) > _LARGEST_LIST:
        raise InputError(f"{file} is larger than any restock list.", "Name the list that was bought.")
    try:
        text = content.decode()
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not UTF-8.", "Save it as CSV, UTF-8.") from error
    bought = read_restock(text)
    if not bought:
        raise InputError(f"{file} buys nothing.", "Put the number of each part that was bought into its column buy.")
    return [_line(*line) for line in bought]


def _line(part: str, rating: str, count: int, place: str) -> ReceivedParts:
    """Return a line for the station, its rating spelled in one way.

    Raises:
        OpenQuestionError: the rating of a capacitor has several meanings.
        InputError: it is no rating.
    """
    item = stock_item(part, rating)
    return ReceivedParts(part=item.part, text=item.rating, count=count, place=clean_text(place))


def _preview(lines: Sequence[ReceivedParts], data: str | None) -> None:
    """Show the lines of a list before they are booked, with the counts on the truck before and after."""
    counts = {count.item: count.count for count in read_stock(data)}
    for line in lines:
        item = stock_item(line["part"], line["text"])
        now = f"{counts[item]} now" if item in counts else "new"
        place = f"  {printable_text(line['place'])}" if line["place"] else ""
        click.echo(f"{line['count']:4d} x {printable_text(str(item))}{place} ({now})")
    click.echo(f"{count_phrase(len(lines), 'line')} to book.")
