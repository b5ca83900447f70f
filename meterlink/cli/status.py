"""``meterlink status``: the state of a data folder's daemon, and its problems."""

import asyncio
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import cast

import click

from meterlink.cli.exposition import exposition
from meterlink.cli.output import Form, data_option, listing_options, local_time_text, print_table, print_text
from meterlink.cli.output_file import STANDARD_OUTPUT, write_output
from meterlink.cli.station_command import require_success
from meterlink.cli.table import Cell, styled
from meterlink.core.clock import SystemClock, utc_nanoseconds
from meterlink.core.errors import InputError
from meterlink.core.notices import NoticeLevel
from meterlink.core.text import count_phrase, days_text, length_text
from meterlink.core.version import VERSION
from meterlink.link.client import NoDaemonError, connect, start_remedy
from meterlink.link.messages import CommandName, MeterStatusView, ProblemView, StatusView
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.station.status import status_without_daemon
from meterlink.store.copying import size_text
from meterlink.store.lock import lock_holder

# A daemon that works answers within milliseconds; one whose event loop hangs does not answer at all.
_ANSWER_TIMEOUT = 10.0  # s
_COLOURS = {NoticeLevel.ALARM: "red", NoticeLevel.WARNING: "yellow"}
SERVICE_FOLDER = Path("/var/lib/meterlink")
"""The data folder of the daemon that the system's unit starts."""


@click.command()
@data_option
@click.option(
    "--prometheus", metavar="FILE", default="", help="Write the state as Prometheus text to this file; - for a pipe."
)
@listing_options("name", "state", "at", "gaps", "gap_seconds", "lost", "dropped_packets", "address")
def command(*, data: str | None, prometheus: str, form: Form) -> None:
    """Show the state of the daemon: meters, queues, losses, disk, clock, and every problem.

    \b
        meterlink status
        meterlink status --json || mail -s "The station in van 3" office
        meterlink status --prometheus /var/lib/textfile/meterlink.prom

    The exit status is 0 if all is well, and 1 if something is wrong or no daemon runs; with --prometheus it is 0 once
    the file is written. A meter that is off or out of
    range is not wrong. Gaps are those of the last 24 hours; 'today' is the last 24 hours.

    With --json: running, version, process, station, data, since, uptime (s), meters (each with name, address, state,
    detail, at, gaps, gap_seconds, lost, dropped_packets), radio_error, packets_waiting, commits_waiting, longest_pause
    (s, of the daemon, in the last hour), broker, outbox, set_aside, messages_dropped, readings_dropped, database_bytes,
    disk_free_bytes, bytes_per_day, days_left, clock_set, clock_steps, problems (each with source, level, text).
    \f

    Raises:
        CommandError: the daemon is just starting.
        LinkError: the daemon has another version, or is just stopping.
        StoreError: the database cannot be read.
        InputError: the file cannot be written.
        click.UsageError: two forms are wanted.
    """
    folder = existing_data_dir(data)
    view = read_status(folder)
    if prometheus:
        if form.is_for_programs:
            raise click.UsageError("Give either --prometheus, or --json or --lines.")
        _write_exposition(prometheus, view)
        return
    if not form.prints(view, cast("list[dict[str, object]]", view["meters"])):
        _print_status(view)
    click.get_current_context().exit(1 if view["problems"] else 0)


def _write_exposition(name: str, view: StatusView) -> None:
    """Write the state as text for Prometheus.

    Raises:
        InputError: the file cannot be written.
    """
    if name == STANDARD_OUTPUT:
        click.echo(exposition(view), nl=False)
        return
    try:
        write_output(name, exposition(view).encode())
    except InputError as error:
        raise InputError(error.message, "Give another file to --prometheus.") from error


def read_status(folder: Path) -> StatusView:
    """Return the state of the daemon of ``folder``, or of the folder if none runs or answers.

    Raises:
        CommandError: the daemon is just starting.
        LinkError: the daemon has another version, or is just stopping.
        StoreError: the database cannot be read.
        SettingsError: no daemon runs, and the settings cannot be read.
    """
    try:
        return asyncio.run(_ask_daemon(folder))
    except (NoDaemonError, TimeoutError):
        view = status_without_daemon(folder)
    holder = lock_holder(folder / DATABASE_FILE)
    if holder:
        text = f"The daemon on {folder} (process {holder}) does not answer. End it and start it again."
    else:
        elsewhere = f" The service of this machine has its data in {SERVICE_FOLDER}." if _is_elsewhere(folder) else ""
        text = f"No daemon runs on {folder}. {start_remedy(folder)}{elsewhere}"
    view["problems"].insert(0, ProblemView(source="daemon", level=NoticeLevel.ALARM, text=text))
    return view


def _is_elsewhere(folder: Path) -> bool:
    """Return whether the data folder of the service of this machine is another one."""
    return SERVICE_FOLDER.exists() and folder != SERVICE_FOLDER


async def _ask_daemon(folder: Path) -> StatusView:
    async with asyncio.timeout(_ANSWER_TIMEOUT):
        client = await connect(folder)
        try:
            reply = await client.request(CommandName.STATUS)
        finally:
            await client.close()
    require_success(reply)
    view = cast("StatusView", reply["data"])
    if client.other_version:
        text = (
            f"The daemon is version {client.other_version}; this program is version {VERSION}. Start the daemon again."
        )
        view["problems"].append(ProblemView(source="daemon", level=NoticeLevel.WARNING, text=text))
    return view


def _print_status(view: StatusView) -> None:
    if view["running"] and view["since"] and view["uptime"] is not None:
        print_text(
            f"Station {view['station']}: up since {local_time_text(view['since'])} ({length_text(view['uptime'])}), "
            f"process {view['process']}, version {view['version']}."
        )
    for problem in view["problems"]:
        level = styled(problem["level"].upper(), _COLOURS[NoticeLevel(problem["level"])])
        print_text(f"{level}: {problem['text']}")
    if not view["problems"]:
        print_text("Nothing is wrong.")
    click.echo()
    if view["meters"]:
        _print_meters(view["meters"], running=view["running"])
        click.echo()
    for name, text in _facts(view):
        print_text(f"{name + ':':10} {text}")


def _print_meters(meters: list[MeterStatusView], *, running: bool) -> None:
    now = SystemClock().now().utc_ns
    rows: list[list[str | Cell]] = []
    for meter in meters:
        gaps = count_phrase(meter["gaps"], "gap") + (f", {length_text(meter['gap_seconds'])}" if meter["gaps"] else "")
        rows.append(
            [
                meter["name"] or meter["address"],
                str(meter["state"] or "") if running else "",
                _age_text(meter["at"], now),
                gaps,
                f"{meter['lost']:,}" if meter["lost"] else "",
            ]
        )
    print_table(("Meter", "State", "Last reading", "Today", "Packets lost"), rows, shortened=("Meter",))


def _age_text(at: str | None, now_utc_ns: int) -> str:
    """Return the time of a reading and how long ago that was; the age alone is no proof where a clock jumps."""
    if at is None:
        return "none yet"
    age = (now_utc_ns - utc_nanoseconds(datetime.fromisoformat(at))) / 1e9
    return f"{local_time_text(at)} ({length_text(age)} ago)" if age >= 0 else f"{local_time_text(at)} (in the future)"


def _facts(view: StatusView) -> Iterator[tuple[str, str]]:
    if view["packets_waiting"] is not None and view["commits_waiting"] is not None:
        packets = count_phrase(view["packets_waiting"], "packet")
        yield "Waiting", f"{packets} to be read, {count_phrase(view['commits_waiting'], 'commit')} to be made"
    if view["longest_pause"] is not None:
        yield "Pauses", f"{view['longest_pause']:.1f} s at most in the last hour"
    waiting = f"{view['outbox']:,} in the outbox, {view['set_aside']:,} set aside"
    broker = {None: "", "": "none in the settings; "}.get(view["broker"], f"{view['broker']}; ")
    yield "Broker", f"{broker}{waiting}"
    dropped = (view["readings_dropped"], view["messages_dropped"])
    yield "Dropped", f"{dropped[0]:,} readings, {dropped[1]:,} messages since the database was made"
    yield "Disk", f"{size_text(view['disk_free_bytes'])} free; {_days_text(view['bytes_per_day'], view['days_left'])}"
    yield "Database", size_text(view["database_bytes"])
    state = {True: "set", False: "not set", None: "this machine does not say whether it is set"}[view["clock_set"]]
    yield "Clock", f"{state}; {count_phrase(view['clock_steps'], 'step')} today"


def _days_text(rate: int, days: float | None) -> str:
    if days is None:
        return "no raw readings today"
    return f"{days_text(days)} left at today's rate ({size_text(rate)})"
