"""``meterlink restore``: a backup becomes the record of a data folder."""

import json
from pathlib import Path

import click

from meterlink.cli.output import data_option, json_option, print_text, printable_text
from meterlink.cli.progress import progress_bar
from meterlink.settings import DATABASE_FILE, data_dir


@click.command()
@click.argument("file", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--replace", is_flag=True, help="Also where a record is; the old one is kept beside, with the date.")
@data_option
@json_option
def command(*, file: Path, replace: bool, data: str | None, as_json: bool) -> None:
    """Make a backup FILE the record of a data folder.

    \b
        meterlink restore /media/stick/record.db --data new-folder
        meterlink restore /media/stick/station.zip

    FILE is checked first. The old record is kept, and the new one takes its place in one step. No daemon may run on the
    folder. To add the record of another station to this one, use `meterlink merge`.

    With --json: visits, accepted_readings, raw_readings, bytes, kept (the files with old contents).
    """
    from meterlink.store.folder_archive import is_archive, unpack_folder  # noqa: PLC0415  # only this command needs them
    from meterlink.store.restore import restore  # noqa: PLC0415

    database = data_dir(data) / DATABASE_FILE
    kept: list[Path] = []
    with progress_bar() as progress:
        if file.is_file() and is_archive(file):
            restored, kept = unpack_folder(file, database, replace=replace, progress=progress)
        else:
            restored = restore(file, database, replace=replace, progress=progress)
    if restored.kept is not None:
        kept.append(restored.kept)
    if as_json:
        click.echo(json.dumps({**restored.contents.fields(), "kept": list(map(str, kept))}, indent=2))
        return
    print_text(f"Restored: {restored.contents}, in {printable_text(str(database.parent))}.")
    if restored.updated:
        print_text("It was written by an older Meterlink, and is up to date now.")
    for path in kept:
        print_text(f"The old one is kept as {printable_text(path.name)}.")
