"""``meterlink capture``: record a meter's packets, with typed-in values from its display."""

import asyncio
from pathlib import Path

import click

from meterlink.ble.capture_driver import parse_poll, parse_write
from meterlink.ble.discovery import Discovery
from meterlink.capture.capture_file import ConnectionRequests
from meterlink.cli.daemon_version import connect_to_daemon
from meterlink.cli.find import LISTEN_SECONDS
from meterlink.cli.output import data_option
from meterlink.cli.run import stop_on_signals
from meterlink.core.clock import SystemClock
from meterlink.core.errors import LinkError
from meterlink.core.text import count_phrase
from meterlink.link.client import NoDaemonError
from meterlink.settings import DATABASE_FILE, chosen_adapter, data_dir
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers
from meterlink.station.recording import CaptureCounts, CaptureFileWriter, CaptureRecorder
from meterlink.station.typed_lines import read_typed_lines
from meterlink.store.reader import Reader

_STANDARD_INPUT = 0  # the file descriptor


@click.command()
@click.argument("address", required=False)
@click.option("--meter", "name", metavar="NAME", default="", help="The meter's advertised name, instead of ADDRESS.")
@click.option(
    "-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), help="New capture file."
)
@click.option(
    "--write",
    "writes",
    metavar="UUID=HEX[@SECONDS]",
    multiple=True,
    help="Write these bytes at the start, or every SECONDS; repeatable.",
)
@click.option(
    "--poll", "polls", metavar="UUID[=SECONDS]", multiple=True, help="Read this value every SECONDS; repeatable."
)
@click.option("--seconds", type=click.FloatRange(min=0.1), help="Stop after so many seconds.")
@data_option
def command(
    *,
    address: str | None,
    name: str,
    output: Path,
    writes: tuple[str, ...],
    polls: tuple[str, ...],
    seconds: float | None,
    data: str | None,
) -> None:
    """Record the packets of the meter at ADDRESS to a capture file (JSON Lines), for `meterlink teach`.

    \b
        meterlink capture 00:00:5E:00:53:0A -o yard.jsonl
        meterlink capture --meter "clamp meter" -o yard.jsonl --seconds 60

    Read the display, type its value at once, and press Enter: 4.70 uF, -12.34 mV DC, OL Mohm. The value is that of your
    first key, so the display may change while you type. A line that no display can show is reported at once and not
    recorded. End the recording with Ctrl+D or Ctrl+C. No driver is needed: all notifications that the meter offers are
    recorded. The capture also lists --write and --poll, which the taught profile then repeats.

    \f

    Raises:
        click.UsageError: ADDRESS and --meter are both given or both missing.
        MeterlinkError: the recording failed.
    """
    if bool(address) == bool(name):
        raise click.UsageError("Give either ADDRESS or --meter NAME.")
    requests = ConnectionRequests(tuple(map(parse_write, writes)), tuple(map(parse_poll, polls)))
    counts = asyncio.run(_record(data_dir(data), address or "", name, output, requests, seconds))
    recorded = f"{count_phrase(counts.packets, 'packet')} and {count_phrase(counts.entries, 'entry')}"
    destination = f" to {output}" if counts.packets or counts.entries else ""
    _print_status(f"Recorded {recorded} in {counts.seconds:.1f} s{destination}.")


async def _record(
    folder: Path, address: str, name: str, output: Path, requests: ConnectionRequests, seconds: float | None
) -> CaptureCounts:
    await _check_no_station(folder)
    adapter = await asyncio.to_thread(chosen_adapter, folder)
    if name:
        address = await _find_address(folder, name, adapter)
    stop = asyncio.Event()
    stop_on_signals(stop.set)
    clock = SystemClock()
    with CaptureFileWriter(output) as file:
        _print_status("Read the display, type its value at once, press Enter. Ctrl+D or Ctrl+C ends the recording.")
        capture = CaptureRecorder(file, clock, _print_status)
        return await capture.run(
            address,
            read_typed_lines(_STANDARD_INPUT, clock),
            requests=requests,
            seconds=seconds,
            stop=stop,
            adapter=adapter,
        )


async def _check_no_station(folder: Path) -> None:
    """Check that no station uses the adapter: a meter has one connection only.

    Raises:
        LinkError: a station runs on the data folder.
    """
    try:
        client = await connect_to_daemon(folder)
    except NoDaemonError:
        return
    await client.close()
    raise LinkError(
        f"The station on {folder} uses Bluetooth now, and a meter connects to one program only.",
        "Stop the station, then capture.",
    )


async def _find_address(folder: Path, name: str, adapter: str) -> str:
    path = folder / DATABASE_FILE
    async with Discovery(adapter=adapter) as discovery:
        await discovery.scan(LISTEN_SECONDS)
        known = Reader(path).known_meters if path.exists() else lambda: ()
        drivers = await asyncio.to_thread(lambda: Drivers.load_tolerantly(folder, known()))
        return await MeterDiscovery(discovery, drivers, known).address_of(name)


def _print_status(text: str) -> None:
    click.echo(text, err=True)
