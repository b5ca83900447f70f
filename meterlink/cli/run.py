"""``meterlink run``: the collector daemon."""

import asyncio
import faulthandler
import io
import signal
import sys
import uuid
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import click

from meterlink.cli.hangup import obey_hangups
from meterlink.cli.log_output import LogForm, default_form, start_log
from meterlink.cli.log_size import keep_short
from meterlink.cli.service_manager import ServiceManager
from meterlink.core.equipment import Meter
from meterlink.core.text import clean_text
from meterlink.link.owner import wait_until_left
from meterlink.settings import data_dir, load_settings
from meterlink.station.station import Station, StationConfig

_BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")  # Linux; elsewhere each start counts as a new boot


@click.command()
@click.option("--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's folder for data.")
@click.option("--meter", "meters", multiple=True, metavar="ADDRESS", help="Also connect to this meter; repeatable.")
@click.option("--adopt", is_flag=True, help="Connect to every meter in range that a driver fits.")
@click.option("--owned", is_flag=True, hidden=True, help="End with the dashboard that writes to standard input.")
@click.option("--verbose", is_flag=True, help="Log details on standard error, and every line.")
@click.option(
    "--log-format",
    type=click.Choice([LogForm.TEXT.value, LogForm.JSON.value]),
    help="The form of the log; default: text, below systemd that of the journal.",
)
def command(
    *,
    data: str | None,
    meters: tuple[str, ...],
    adopt: bool,
    owned: bool,
    verbose: bool,
    log_format: str | None,
) -> None:
    """Collect readings from known Bluetooth meters until Ctrl+C, SIGTERM, or until the terminal is closed.

    \b
        meterlink run
        meterlink run --meter 00:00:5E:00:53:0A

    Known meters are those in settings.toml of the data folder and those given with --meter. The visit that was active
    when a station last ran goes on; `meterlink visit begin` begins another. SIGHUP reads the settings again.
    """
    with suppress(io.UnsupportedOperation):  # standard error is no file
        faulthandler.enable()  # the watchdog of systemd kills with SIGABRT: the log then has the place where it hung
    station: Station | None = None
    form = LogForm(log_format) if log_format else default_form(sys.stderr)
    start_log(sys.stderr, form, lambda: station.personal_names() if station else (), verbose=verbose)
    folder = data_dir(data)
    config = StationConfig(
        folder=folder,
        settings=load_settings(folder),
        site=None,
        plan=None,
        boot_id=read_boot_id(),
        meters=tuple(Meter(address=clean_text(address), name="") for address in meters),
        adopt=adopt,
    )
    station = Station(config)
    # On Windows aiomqtt needs the selector loop; elsewhere it is the default.
    loop_factory = asyncio.SelectorEventLoop if sys.platform == "win32" else None
    with asyncio.Runner(loop_factory=loop_factory) as runner:
        runner.run(run_until_signalled(station, owned=owned))


def read_boot_id() -> str:
    """Return an identifier of this boot of the machine: monotonic times compare only within one boot."""
    with suppress(OSError):
        return _BOOT_ID_FILE.read_text(encoding="ascii").strip()
    return str(uuid.uuid4())


async def run_until_signalled(station: Station, *, owned: bool = False) -> None:
    """Run a station until SIGINT, SIGTERM or the hang-up of its terminal; any other SIGHUP reads the settings again.

    An ``owned`` station also ends with the dashboard that started it.
    """
    manager = ServiceManager.of_environment()

    def stop() -> None:
        manager.stopping()
        station.stop()

    async def tell_when_ready() -> None:
        await station.started.wait()
        manager.ready()

    async def reload() -> None:
        manager.reloading()
        await station.reload_settings()
        manager.ready()

    stop_on_signals(stop)
    beside = [
        asyncio.create_task(tell_when_ready(), name="ready"),
        asyncio.create_task(manager.feed_watchdog(station.stall), name="watchdog"),
        asyncio.create_task(obey_hangups(stop, reload), name="hang-ups"),
    ]
    if owned:
        beside.append(asyncio.create_task(keep_short(sys.stderr.fileno()), name="log-size"))
        leaving = asyncio.create_task(wait_until_left(lambda: station.has_watchers), name="owner")
        leaving.add_done_callback(lambda task: None if task.cancelled() else station.stop())
        beside.append(leaving)
    try:
        await station.run()
    finally:
        for task in beside:
            task.cancel()


def stop_on_signals(stop: Callable[[], None]) -> None:
    """Call ``stop`` on SIGINT and SIGTERM; where the event loop has no signal handlers, Ctrl+C cancels instead."""
    loop = asyncio.get_running_loop()
    for name in ("SIGINT", "SIGTERM"):
        with suppress(NotImplementedError):  # Windows
            loop.add_signal_handler(getattr(signal, name), stop)
