"""``meterlink stock``: the parts on the truck, a ledger of movements in the database."""

import json
import sys
from pathlib import Path
from typing import Any

import click

from meterlink.cli.lazy_group import CommandGroup
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
from meterlink.cli.restock import receive, restock
from meterlink.cli.station_command import send_command
from meterlink.cli.table import Cell
from meterlink.cli.truck import item_text, part_option, place_option, read_movements, read_stock
from meterlink.core.clock import format_rfc3339
from meterlink.core.errors import InputError
from meterlink.core.stock import CAPACITOR, MOST_PARTS, Movement, MovementKind, StockCount
from meterlink.link.messages import CommandName
from meterlink.settings import data_dir, load_stock

_note = click.option("--note", default="", help="A note on this entry.")
_number = click.IntRange(1, MOST_PARTS)


@click.group(cls=CommandGroup)
def command() -> None:
    """List and count the parts on the truck; list what to buy.

    Every entry is kept; the counts follow from them. A part that `visit replace` takes off the truck is counted there.
    """


command.add_command(restock)
command.add_command(receive)


@command.command("list")
@click.option("--empty", is_flag=True, help="Only the parts of which none is left, in one line.")
@data_option
@listing_options("rating", "count", "part", "place", "low")
def list_stock(*, empty: bool, data: str | None, form: Form) -> None:
    """List the parts on the truck with their counts.

    \b
        meterlink stock list
        meterlink stock list --empty

    With --json: an array of part, rating, count (below 0: more were used than loaded), place, low (the low mark; null
    without one).
    """
    counts = [count for count in read_stock(data) if not empty or count.count <= 0]
    records = list(map(_count_fields, counts))
    if form.prints(records, records):
        return
    if empty:
        print_text(f"Empty: {', '.join(map(_box, counts))}." if counts else "No empty box.")
        return
    if not counts:
        click.echo('No parts yet. Add some: meterlink stock add "45+5 MFD 440V" --count 2')
        return
    rows = [
        (
            f"{max(count.count, 0):5d}",
            printable_text(str(count.item)),
            printable_text(count.place),
            Cell(_remark(count), "yellow"),
        )
        for count in counts
    ]
    print_table(("Count", "Part", "Place", "Note"), rows, ("Place", "Note"))


@command.command()
@click.argument("rating", metavar="RATING")
@click.option("--count", default=1, show_default=True, type=_number, help="Number of parts.")
@part_option
@place_option
@_note
@data_option
@json_option
def add(*, rating: str, count: int, part: str, place: str, note: str, data: str | None, as_json: bool) -> None:
    """Add parts with this RATING, as marked on them: '45+5 MFD 440V'.

    \b
        meterlink stock add "45+5 MFD 440V" --count 2 --place "left bin"
        meterlink stock add "2-pole 30 A" --part contactor

    With --json: part, rating, count (on the truck now).
    """
    _move(MovementKind.LOADED, rating, count, part, place, note, data, as_json=as_json)


@command.command()
@click.argument("rating", metavar="RATING")
@click.argument("number", metavar="NUMBER", type=click.IntRange(0, MOST_PARTS))
@part_option
@place_option
@_note
@data_option
@json_option
def count(*, rating: str, number: int, part: str, place: str, note: str, data: str | None, as_json: bool) -> None:
    """Record that NUMBER parts with this RATING are there.

    \b
        meterlink stock count "45+5 MFD 440V" 3

    With --json: part, rating, count.
    """
    _move(MovementKind.COUNTED, rating, number, part, place, note, data, as_json=as_json)


@command.command()
@click.argument("rating", metavar="RATING")
@click.option("--count", default=1, show_default=True, type=_number, help="Number of parts.")
@part_option
@_note
@data_option
@json_option
def use(*, rating: str, count: int, part: str, note: str, data: str | None, as_json: bool) -> None:
    """Take parts off the truck that no visit records.

    \b
        meterlink stock use "45+5 MFD 440V"

    With --json: part, rating, count (on the truck now).
    """
    _move(MovementKind.USED, rating, count, part, "", note, data, as_json=as_json)


@command.command()
@click.argument("rating", metavar="RATING")
@click.argument("number", metavar="NUMBER", type=click.IntRange(0, MOST_PARTS))
@part_option
@data_option
@json_option
def low(*, rating: str, number: int, part: str, data: str | None, as_json: bool) -> None:
    """Set the low mark of parts with this RATING: with fewer than NUMBER they are to be bought; 0 takes it away.

    \b
        meterlink stock low "45+5 MFD 440V" 2
        meterlink stock low "2-pole 30 A" 1 --part contactor

    With --json: part, rating, count (on the truck now), low.
    """
    result = send_command(data_dir(data), CommandName.SET_LOW_MARK, part=part, text=rating, count=number)
    mark = f"is to be bought with fewer than {number}" if number else "has no low mark"
    text = f"{item_text(result)} {mark}. On the truck: {max(result['count'], 0)}."
    click.echo(json.dumps(result) if as_json else text)


@command.command("return")
@click.argument("rating", metavar="RATING")
@click.option("--count", default=1, show_default=True, type=_number, help="Number of parts.")
@part_option
@_note
@data_option
@json_option
def return_parts(*, rating: str, count: int, part: str, note: str, data: str | None, as_json: bool) -> None:
    """Bring parts back to the truck that were taken off.

    \b
        meterlink stock return "45+5 MFD 440V"

    With --json: part, rating, count (on the truck now).
    """
    _move(MovementKind.RETURNED, rating, count, part, "", note, data, as_json=as_json)


@command.command()
@listing_options("id", "at", "kind", "count", "rating", "part", "place", "note")
@data_option
def ledger(*, data: str | None, form: Form) -> None:
    """List every entry of the stock, oldest first.

    \b
        meterlink stock ledger

    With --json: an array of id, at, kind (loaded, received, used, returned, counted), part, rating, count, place, note.
    """
    movements = read_movements(data)
    records = list(map(_movement_fields, movements))
    if form.prints(records, records):
        return
    if not movements:
        click.echo("No entries yet.")
        return
    rows = [
        (
            local_time(movement.utc_ns),
            str(movement.kind),
            f"{movement.count:5d}",
            printable_text(str(movement.item)),
            printable_text(movement.place),
            printable_text(movement.note),
        )
        for movement in movements
    ]
    print_table(("When", "Entry", "Count", "Part", "Place", "Note"), rows, ("Place", "Note"))


@command.command("import")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--yes", is_flag=True, help="Do it; without it the changes are only shown, or asked about on a terminal.")
@data_option
@json_option
def import_list(*, file: Path, yes: bool, data: str | None, as_json: bool) -> None:
    """Take the counts of a stock list (TOML, see `meterlink schema stock`), after a preview.

    \b
        meterlink stock import truck.toml --yes

    Each count of the list replaces that on the truck; a part that the list does not name stays as it is.

    With --json: changes (part, rating, before, count, place) and done.
    """
    known = {str(present.item): present for present in read_stock(data)}
    changes = [
        (entry, before)
        for entry in load_stock(file)
        if (before := known.get(str(entry.part))) is None
        or (before.count, before.place) != (entry.count, entry.note or before.place)
    ]
    if not as_json:
        for entry, before in changes:
            now = "new" if before is None else f"{before.count} now"
            click.echo(f"{entry.count:4d} x {entry.part}  {printable_text(entry.note)} ({now})")
        click.echo(f"{len(changes)} counts change." if changes else "Nothing changes.")
    on_terminal = sys.stdin.isatty() and not as_json
    done = yes or (bool(changes) and on_terminal and click.confirm("Take these counts?"))
    if done:
        for entry, _ in changes:
            texts = {"place": entry.note} if entry.note else {}
            texts |= {"text": str(entry.part), "kind": MovementKind.COUNTED, "note": f"from {file.name}"}
            send_command(data_dir(data), CommandName.ADD_STOCK, count=entry.count, **texts)
    elif changes and not as_json:
        click.echo("Nothing is changed. Take them with --yes.")
    if as_json:
        listed = [
            {
                "part": CAPACITOR,
                "rating": str(entry.part),
                "before": None if before is None else before.count,
                "count": entry.count,
                "place": entry.note,
            }
            for entry, before in changes
        ]
        click.echo(json.dumps({"changes": listed, "done": done}, indent=2))


@command.command("export")
@data_option
def export_list(*, data: str | None) -> None:
    """Print the capacitors on the truck as a stock list in TOML.

    \b
        meterlink stock export > truck.toml

    \f

    Raises:
        InputError: no capacitor is on the truck.
    """
    counts = [count for count in read_stock(data) if count.item.part == CAPACITOR]
    if not counts:
        raise InputError("No capacitor is in the stock, and a stock list needs one.", "Add some: meterlink stock add")
    for count in counts:
        click.echo(
            f"[[part]]\nrating = {json.dumps(count.item.rating, ensure_ascii=False)}\ncount = {max(count.count, 0)}"
        )
        click.echo(f"note = {json.dumps(count.place, ensure_ascii=False)}\n" if count.place else "")


def _box(count: StockCount) -> str:
    """Return a part with its place: ``45+5 µF 440 V (left bin)``."""
    return printable_text(f"{count.item}{f' ({count.place})' if count.place else ''}")


def _remark(count: StockCount) -> str:
    """Return the words beside a count that needs an eye: it is below zero, or below its low mark."""
    if count.count < 0:
        return "more used than loaded: count them"
    return f"low: fewer than {count.low}" if count.is_low else ""


def _move(
    kind: MovementKind, rating: str, count: int, part: str, place: str, note: str, data: str | None, *, as_json: bool
) -> None:
    texts = {name: text for name, text in (("place", place), ("note", note)) if text}
    result = send_command(
        data_dir(data), CommandName.ADD_STOCK, kind=kind, part=part, text=rating, count=count, **texts
    )
    short = " More were used than loaded: count them." if result["count"] < 0 else ""
    text = f"On the truck: {max(result['count'], 0)} of {item_text(result)}.{short}"
    click.echo(json.dumps(result) if as_json else text)


def _count_fields(count: StockCount) -> dict[str, Any]:
    return {
        "part": count.item.part,
        "rating": count.item.rating,
        "count": count.count,
        "place": count.place,
        "low": count.low or None,
    }


def _movement_fields(movement: Movement) -> dict[str, Any]:
    return {
        "id": movement.uid,
        "at": format_rfc3339(movement.utc_ns),
        "kind": str(movement.kind),
        "part": movement.item.part,
        "rating": movement.item.rating,
        "count": movement.count,
        "place": movement.place,
        "note": movement.note,
    }
