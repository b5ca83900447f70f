"""``meterlink thin``: delete old raw readings; the accepted ones, and all that rests on them, stay."""

import json
import re
import time
import uuid
from collections.abc import Callable
from pathlib import Path

import click

from meterlink.cli.output import data_option, json_option, local_time, print_text
from meterlink.cli.progress import progress_bar
from meterlink.cli.station_command import connected_station
from meterlink.cli.terminal import is_interactive
from meterlink.core.clock import format_rfc3339
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store import thinning
from meterlink.store.copying import size_text
from meterlink.store.lock import exclusive_folder
from meterlink.store.reader import Reader

_DAYS = {"d": 1, "w": 7, "y": 365}
_MOST_DAYS = 36_500  # a hundred years: a longer time is a slip of the keyboard


def _parse_age(_context: click.Context, _option: click.Parameter, text: str) -> int:
    """Return the days of a time such as ``90d``, ``12w``, ``2y``.

    Raises:
        click.BadParameter: it is no such time.
    """
    found = re.fullmatch(r"(\d{1,6})([dwy])", text.strip().lower(), re.ASCII)
    days = int(found[1]) * _DAYS[found[2]] if found else 0
    if not 1 <= days <= _MOST_DAYS:
        raise click.BadParameter(f"{text!r} is no time: write 90d, 12w or 2y; 1d at least.")
    return days


@click.command()
@click.option(
    "--older-than", "days", callback=_parse_age, required=True, metavar="TIME", help="Such as 90d, 12w or 2y."
)
@click.option("--yes", is_flag=True, help="Do it; without it the numbers are only shown, or asked about on a terminal.")
@click.option("--compact", is_flag=True, help="Then make the file smaller; no daemon may run meanwhile.")
@data_option
@json_option
def command(*, days: int, yes: bool, compact: bool, data: str | None, as_json: bool) -> None:
    """Delete raw readings older than a time, after a preview: they take most of the room.

    \b
        meterlink thin --older-than 90d
        meterlink thin --older-than 1y --yes --compact

    Accepted readings stay, and so do verdicts, reports, trends and seals. Raw readings of open visits stay, too. What
    goes is the curve around an accepted reading. The daemon may go on recording.

    The file keeps its size, and its free room is used again. With --compact it gets smaller: SQLite writes it anew, and
    needs as much room again meanwhile.

    With --json: before, readings and bytes that may go, deleted, done, bytes_before and bytes_after (of the file).
    \f

    Raises:
        CommandError: the station did not thin.
        LinkError: the station stopped.
        StoreError: the database cannot be used.
    """
    database = existing_data_dir(data) / DATABASE_FILE
    before = time.time_ns() - days * 86_400 * 10**9
    may_go = Reader(database).thinnable(before)
    size, deleted = database.stat().st_size, 0
    if not as_json:
        print_text(_preview(may_go, before))
    wanted = bool(may_go.readings) or compact
    done = wanted and (yes or (not as_json and _is_confirmed(may_go)))
    if done and compact:
        _require_no_daemon(database)
    if done and may_go.readings:
        deleted = _thin(database.parent, before, may_go.readings)
    if done and compact:
        with exclusive_folder(database, "compacting"):
            thinning.compact(database)
    if as_json:
        fields = {
            "before": format_rfc3339(before),
            "readings": may_go.readings,
            "bytes": may_go.size,
            "deleted": deleted,
            "done": done,
            "bytes_before": size,
            "bytes_after": database.stat().st_size,
        }
        click.echo(json.dumps(fields, indent=2))
    elif done:
        _print_result(database, deleted, size, compacted=compact)
    elif wanted:
        print_text("Nothing is changed. Delete them with --yes; a backup first: meterlink backup -o FILE")


def _preview(may_go: thinning.Thinnable, before: int) -> str:
    if not may_go.readings:
        return f"No raw readings from before {local_time(before)} may go."
    return f"{_count(may_go.readings)} from before {local_time(before)} may go: about {size_text(may_go.size)}."


def _count(readings: int) -> str:
    return f"{readings:,} raw reading{'' if readings == 1 else 's'}"


def _is_confirmed(may_go: thinning.Thinnable) -> bool:
    """Ask on a terminal; without one nobody has confirmed."""
    question = "They cannot come back. Delete them?" if may_go.readings else "Make the file smaller?"
    return is_interactive() and click.confirm(question)


def _print_result(database: Path, deleted: int, size: int, *, compacted: bool) -> None:
    if deleted:
        print_text(f"Deleted: {_count(deleted)}.")
    if compacted:
        print_text(f"The file has {size_text(database.stat().st_size)} now, it had {size_text(size)}.")
    else:
        print_text("The file keeps its size; its free room is used again. --compact makes it smaller.")


def _thin(folder: Path, before: int, expected: int) -> int:
    """Thin slice by slice; return the number of raw readings that were deleted."""
    import asyncio  # noqa: PLC0415  # as in `station_command`

    with progress_bar() as progress:
        return asyncio.run(_send_slices(folder, before, lambda done: progress("Thinning", done, expected)))


async def _send_slices(folder: Path, before: int, progress: Callable[[int], None]) -> int:
    run = str(uuid.uuid4())
    after_id = deleted = 0
    async with connected_station(folder) as request:
        while True:
            data = await request(CommandName.THIN, uid=run, until_utc_ns=before, after_id=after_id)
            deleted += int(data["deleted"])
            after_id = int(data["after_id"])
            progress(deleted)
            if data["done"]:
                return deleted


def _require_no_daemon(database: Path) -> None:
    """Do nothing if no daemon runs: nothing is deleted if the file cannot get smaller afterwards.

    Raises:
        DatabaseLockedError: one runs.
    """
    with exclusive_folder(database, "compacting"):
        pass
