"""``meterlink merge``: the record of another station into that of this one."""

import json
from pathlib import Path

import click

from meterlink.cli.new_rows import print_new_rows
from meterlink.cli.output import data_option, json_option
from meterlink.cli.progress import progress_bar
from meterlink.core.clock import SystemClock
from meterlink.settings import DATABASE_FILE, data_dir, existing_data_dir, load_settings
from meterlink.tomlfile.files import printable_path


@click.command()
@click.argument("other", metavar="OTHER.db", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--preview", is_flag=True, help="Only say what would come; nothing is changed.")
@data_option
@json_option
def command(*, other: Path, preview: bool, data: str | None, as_json: bool) -> None:
    """Take the record OTHER.db of another station into this one: nothing twice, nothing lost.

    \b
        meterlink merge /media/stick/second-phone.db --preview
        meterlink merge /media/stick/second-phone.db

    OTHER.db is a backup, or the meterlink.db of another data folder; it is only read. To merge it again is harmless.
    Of a record that was kept beside this one (meterlink.before-….db) the messages for the broker are taken, too.
    Open visits come in paused. No daemon may run on this folder meanwhile: it knows visits by their row numbers, which
    change, so that all rows are in the order of time.

    With --json: new (the number of new rows of each table), remarks (sentences), done.
    """
    from meterlink.store.merge import merge_file  # noqa: PLC0415  # only this command needs them
    from meterlink.store.sealing import Sealer  # noqa: PLC0415

    folder = existing_data_dir(data) if preview else data_dir(data)
    database = folder / DATABASE_FILE
    with progress_bar() as progress:
        result = merge_file(
            database,
            other,
            sealer=Sealer(database, load_settings(folder).station, SystemClock()),
            preview=preview,
            progress=progress,
        )
    if as_json:
        click.echo(
            json.dumps({"new": dict(result.new), "remarks": list(result.remarks), "done": not preview}, indent=2)
        )
        return
    print_new_rows(
        result.new, result.remarks, f"Nothing new: all of {printable_path(other)} is here already.", preview=preview
    )
