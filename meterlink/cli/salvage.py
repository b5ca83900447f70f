"""``meterlink salvage``: the readable rows of a damaged record in a new file, and the number of those that are lost."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.cli.output import data_option, json_option, print_text, printable_text
from meterlink.cli.progress import progress_bar
from meterlink.cli.table import table_lines
from meterlink.settings import DATABASE_FILE, existing_data_dir

if TYPE_CHECKING:
    from meterlink.store.salvage import Salvage, SavedTable


@click.command()
@click.option("-o", "output", required=True, metavar="FILE", type=click.Path(path_type=Path), help="The file to write.")
@data_option
@json_option
def command(*, output: Path, data: str | None, as_json: bool) -> None:
    """Save the readable part of a damaged record to a new FILE, and count the rest.

    \b
        meterlink salvage -o salvaged.db

    Then `meterlink restore salvaged.db --replace` makes it the record. It reads around damaged pages, where other
    programs stop: accepted readings, visits, replacements and all else. The damaged record stays as it is. No daemon
    may run on the folder. Where you have a backup, merge it afterwards: it has the rows that are lost here.

    With --json: file, whole (no row is lost), tables (name, saved, lost: null where their number is unknown, at_most:
    lost is a bound, made_again).
    """
    from meterlink.store.salvage import salvage  # noqa: PLC0415  # only this command needs it

    database = existing_data_dir(data) / DATABASE_FILE
    with progress_bar() as progress:
        result = salvage(database, output, progress=progress)
    if as_json:
        fields = {"file": str(output), "whole": result.is_whole, "tables": [table._asdict() for table in result.tables]}
        click.echo(json.dumps(fields, indent=2))
        return
    for line in _lines(result):
        print_text(line)
    name = printable_text(str(output))
    if result.is_whole:
        print_text(f"No row is lost: all of them are in {name}.")
    else:
        print_text(f"The readable rows are in {name}. A backup has those that are lost: merge it afterwards.")
    print_text(f"Go on with it: meterlink restore {name} --replace")


def _lines(result: "Salvage") -> list[str]:
    rows = [
        (
            table.name.replace("_", " "),
            f"{table.saved:,}",
            _lost(table),
            f"{table.made_again:,}" if table.made_again else "",
        )
        for table in result.tables
        if table.saved or table.lost != 0
    ]
    return table_lines(("Rows of", "saved", "lost", "made again"), rows, None) or []


def _lost(table: "SavedTable") -> str:
    if table.lost is None:
        return "unknown"
    return f"at most {table.lost:,}" if table.at_most and table.lost else f"{table.lost:,}"
