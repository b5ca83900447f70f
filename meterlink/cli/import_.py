"""``meterlink import``: exported readings back into a database."""

import json
from pathlib import Path

import click

from meterlink.cli.new_rows import print_new_rows
from meterlink.cli.output import data_option, json_option
from meterlink.cli.progress import progress_bar
from meterlink.core.text import clean_text
from meterlink.settings import DATABASE_FILE, data_dir


@click.command("import")
@click.argument("file", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--preview", is_flag=True, help="Only check the file, and say what would come; nothing is changed.")
@data_option
@json_option
def command(*, file: Path, preview: bool, data: str | None, as_json: bool) -> None:
    """Take in readings from a FILE that meterlink export wrote: nothing twice, all of the file or nothing.

    \b
        meterlink import visit.jsonl --preview
        meterlink import visit.jsonl

    The format is found by the contents. Every row is checked, and an error names the line. A record that is here
    already is known by its id, and stays as it is. Only jsonl brings everything of a visit: its plan, notes,
    replacements, seals and earlier verdicts. No daemon may run on this folder meanwhile.

    With --json: readings (in the file), new (the number of new rows of each table), remarks (sentences), done.
    """
    from meterlink.record.exchange.importing import format_of, read_into  # noqa: PLC0415  # only this command needs it
    from meterlink.store.imported import import_rows  # noqa: PLC0415  # as above
    from meterlink.store.merge import MergeResult  # noqa: PLC0415  # as above

    form = format_of(file)
    path = data_dir(data) / DATABASE_FILE
    results: list[MergeResult] = []
    with progress_bar() as progress, import_rows(path, results, preview=preview, progress=progress) as rows:
        readings = read_into(file, form, rows, lambda _: None)
    (result,) = results
    if as_json:
        answer = {"readings": readings, "new": dict(result.new), "remarks": list(result.remarks), "done": not preview}
        click.echo(json.dumps(answer, indent=2))
        return
    read = f"{readings:,} reading{'' if readings == 1 else 's'} in {clean_text(file.name)}. "
    print_new_rows(result.new, result.remarks, "Nothing new: all of it is here already.", before=read, preview=preview)
