"""``meterlink capture``: record what a meter sends, with what its display shows typed alongside."""

import asyncio
from pathlib import Path

import click

from meterlink.ble.capture_driver import parse_poll, parse_write
from meterlink.ble.discovery import Discovery
from meterlink.capture.capture_file import ConnectionRequests
from meterlink.cli.find import LISTEN_SECONDS
from meterlink.cli.output import count_phrase
from meterlink.cli.run import stop_on_signals
from meterlink.core.clock import SystemClock
from meterlink.core.errors import LinkError
from meterlink.link.client import NoDaemonError, connect
from meterlink.settings import DATABASE_FILE, data_dir
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers
from meterlink.station.recording import CaptureCounts, CaptureFileWriter, CaptureRecorder, read_typed_lines
from meterlink.store.reader import Reader

_STANDARD_INPUT = 0  # the file descriptor


@click.command()
@click.argument("address", required=False)
@click.option("--meter", "name", metavar="NAME", default="", help="Instead of ADDRESS: what the meter calls itself.")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), help="A new file.")
@click.option(
    "--write",
    "writes",
    metavar="UUID=HEX[@SECONDS]",
    multiple=True,
    help="Write these bytes at the start, or again and again; repeatable.",
)
@click.option(
    "--poll", "polls", metavar="UUID[=SECONDS]", multiple=True, help="Read this value again and again; repeatable."
)
@click.option("--seconds", type=click.FloatRange(min=0.1), help="End after so long, whatever is typed.")
@click.option("--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's own place.")
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

    Type what its display shows, a line each, and press Enter at the moment it shows that: 4.70 uF, -12.34 mV DC,
    OL Mohm. A line that no display shows is told at once and not written. The end of the input (Ctrl+D) or Ctrl+C ends
    the recording. No driver is needed: everything the meter offers to subscribe to is recorded. What it had to be told
    is noted, too, and goes into the profile that is taught.
    """
    if bool(address) == bool(name):
        raise click.UsageError("Give either ADDRESS or --meter NAME.")
    asked = ConnectionRequests(tuple(map(parse_write, writes)), tuple(map(parse_poll, polls)))
    tally = asyncio.run(_record(data_dir(data), address or "", name, output, asked, seconds))
    recorded = f"{count_phrase(tally.packets, 'packet')} and {count_phrase(tally.labels, 'label')}"
    where = f" to {output}" if tally.packets or tally.labels else ""
    _print_status(f"Recorded {recorded} in {tally.seconds:.1f} s{where}.")


async def _record(
    folder: Path, address: str, name: str, output: Path, requests: ConnectionRequests, seconds: float | None
) -> CaptureCounts:
    await _check_no_station(folder)
    if name:
        address = await _find_address(folder, name)
    stop = asyncio.Event()
    stop_on_signals(stop.set)
    clock = SystemClock()
    with CaptureFileWriter(output) as file:
        _print_status("Type what the display shows and press Enter. Ctrl+D or Ctrl+C ends the recording.")
        capture = CaptureRecorder(file, clock, _print_status)
        return await capture.run(
            address, read_typed_lines(_STANDARD_INPUT, clock), requests=requests, seconds=seconds, stop=stop
        )


async def _check_no_station(folder: Path) -> None:
    """LinkError where a station has the adapter: a meter holds one connection only."""
    try:
        client = await connect(folder)
    except NoDaemonError:
        return
    await client.close()
    raise LinkError(
        f"The station on {folder} uses Bluetooth now, and a meter talks to one program only.",
        "Stop the station, then capture.",
    )


async def _find_address(folder: Path, name: str) -> str:
    path = folder / DATABASE_FILE
    async with Discovery() as survey:
        await survey.scan(LISTEN_SECONDS)
        known = Reader(path).known_meters if path.exists() else lambda: ()
        return await MeterDiscovery(survey, await asyncio.to_thread(Drivers.load_tolerantly, folder), known).address_of(
            name
        )


def _print_status(text: str) -> None:
    click.echo(text, err=True)
