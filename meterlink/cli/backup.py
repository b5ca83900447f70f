"""``meterlink backup``: the record in one file, read back and checked."""

import json
from pathlib import Path

import click

from meterlink.cli.output import data_option, json_option, print_text, printable_text
from meterlink.cli.progress import progress_bar
from meterlink.core.errors import InputError
from meterlink.settings import DATABASE_FILE, existing_data_dir


@click.command()
@click.option("-o", "output", required=True, metavar="FILE", type=click.Path(path_type=Path), help="The file to write.")
@click.option("--whole", is_flag=True, help="The whole data folder as a ZIP file, to move to another machine.")
@click.option("--force", is_flag=True, help="Replace FILE also if it is no older backup of this record.")
@data_option
@json_option
def command(*, output: Path, whole: bool, force: bool, data: str | None, as_json: bool) -> None:
    """Write the record to a FILE, and check it: visits, readings, verdicts, seals, meters, stock.

    \b
        meterlink backup -o /media/stick/record.db
        meterlink backup --whole -o /media/stick/station.zip

    The daemon may go on recording: the backup is of one moment. FILE is replaced only if it is an older backup of this
    record, and only when the new one has been read back. Put it on another disk.

    The settings, the profiles, the plans, the photos and the station's key are not in it. --whole takes all of them;
    no daemon may run meanwhile.

    With --json: file, visits, accepted_readings, raw_readings, bytes, files (with --whole: the names of the others).
    \f

    Raises:
        InputError: FILE is standard output, or must not be replaced.
    """
    from meterlink.store.backup import back_up  # noqa: PLC0415  # only this command needs them
    from meterlink.store.folder_archive import pack_folder  # noqa: PLC0415

    if str(output) == "-":
        raise InputError(
            "A backup cannot be written to standard output: it is read back and checked.", "Give a file to -o."
        )
    database = existing_data_dir(data) / DATABASE_FILE
    names: list[str] = []
    with progress_bar() as progress:
        if whole:
            contents, names = pack_folder(database, output, force=force, progress=progress)
        else:
            contents = back_up(database, output, force=force, progress=progress)
    if as_json:
        fields = {"file": str(output), **contents.fields(), "files": names}
        click.echo(json.dumps(fields, indent=2))
        return
    print_text(f"{contents}, in {printable_text(str(output))}. It was read back and checked.")
    if whole:
        print_text(f"With it: {', '.join(map(printable_text, names)) or 'no other file'}.")
        print_text(
            "It holds the station's key and everything that your settings keep: give it to nobody. Restore it on the"
            " other machine, and record no more on this one."
        )
    else:
        print_text("Settings, profiles, plans, photos and the station's key are not in it: --whole takes them, too.")
