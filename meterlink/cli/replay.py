"""``meterlink replay``: recorded packets through the same driver, settling, verdicts and database as live ones."""

import asyncio
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import click

from meterlink.capture.capture_file import Capture, read_capture
from meterlink.cli.output import accepted_json, accepted_line, count_phrase
from meterlink.cli.run import read_boot_id, stop_on_signals
from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Site, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.driver_api import Driver
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.profiles import compile_profile, load_profile
from meterlink.settings import DATABASE_FILE, data_dir, load_settings
from meterlink.station.drivers import load_all_drivers
from meterlink.station.replay import Replay, Speed, choose_driver, open_driver_on_capture
from meterlink.station.station import Station, StationConfig
from meterlink.station.visit import AcceptedReading
from meterlink.store.reader import Reader


@dataclass(frozen=True, slots=True)
class ReplayOptions:
    """What is to be replayed, and how. ``point`` is the test point it was recorded at; empty for the plan's first."""

    capture: Capture
    name: str
    plan: str = DEFAULT_PLAN
    point: str = ""
    speed: Speed = "top"
    driver: str = ""
    profile: Path | None = None


@dataclass(slots=True)
class ReplayResult:
    """How a replay went."""

    accepted: int = 0
    readings: int = 0


@click.command()
@click.argument("capture", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--profile", type=click.Path(dir_okay=False, path_type=Path), help="Decode with this profile.")
@click.option("--driver", default="", metavar="NAME", help="Decode with this driver; default: the one that fits best.")
@click.option("--speed", type=click.Choice(["recorded", "top"]), default="top", show_default=True)
@click.option("--plan", default=DEFAULT_PLAN, show_default=True, help="A plan file, or the name of a shipped plan.")
@click.option("--point", default="", metavar="KEY", help="The test point to begin at; default: the plan's first.")
@click.option("--data", type=click.Path(file_okay=False), help="Keep the readings in this folder, as replayed ones.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object per held reading.")
def command(
    *,
    capture: Path,
    profile: Path | None,
    driver: str,
    speed: str,
    plan: str,
    point: str,
    data: str | None,
    as_json: bool,
) -> None:
    """Replay the packets of the capture file CAPTURE, and print each reading as it is held, with its verdict.

    The packets take the way of live ones: driver, settling, verdict, database. Nothing is kept unless --data names a
    folder; there the meter is called 'replayed', so that nobody takes it for a visit. Nothing is published.
    """
    if profile and driver:
        raise click.UsageError("Give either --profile or --driver.")
    name = clean_text(capture.stem) or "recording"
    recording = ReplayOptions(read_capture(capture), name, plan, point, cast("Speed", speed), driver, profile)
    show = accepted_json if as_json else accepted_line
    with ExitStack() as stack:
        folder = data_dir(data or stack.enter_context(tempfile.TemporaryDirectory(prefix="meterlink-replay-")))
        outcome = asyncio.run(
            run_replay(folder, recording, lambda at, held: click.echo(show(at, held)), serve=data is not None)
        )
    packets = count_phrase(len(recording.capture.packets), "packet")
    hint = "" if outcome.accepted else " No reading settled at the active test point: give its --plan and --point."
    click.echo(
        f"{packets}, {count_phrase(outcome.readings, 'reading')}, {outcome.accepted or 'none'} held.{hint}", err=True
    )


async def run_replay(
    folder: Path,
    options: ReplayOptions,
    on_accepted: Callable[[TestPoint, AcceptedReading], None],
    *,
    serve: bool = False,
    clock: Clock | None = None,
    on_station: Callable[[Station], None] = lambda _: None,
) -> ReplayResult:
    """Replay a recording with a station of its own on ``folder``; return how it went.

    ``on_station`` is handed that station before it runs. InputError, DriverError in words where it cannot be replayed.
    """
    if not options.capture.packets:
        raise InputError(f"The recording {options.name} holds no packets.", "Record some: meterlink capture")
    clock = clock or SystemClock()
    kind, driver = await asyncio.to_thread(_choose_driver, folder, options)
    station = Station(
        StationConfig(
            folder=folder,
            # What was recorded once must not be published as measured now.
            settings=replace(load_settings(folder), meters=(), mqtt=None),
            site=Site("replay", options.name),
            plan=load_plan(options.plan),
            boot_id=read_boot_id(),
            new_visit=True,
            serve=serve,
            clock=clock,
            first_point=options.point,
            packet_source=Replay(options.capture, kind, driver, options.name, clock, options.speed),
        )
    )
    outcome = ReplayResult()

    def note(point: TestPoint, accepted: AcceptedReading) -> None:
        outcome.accepted += 1
        on_accepted(point, accepted)

    station.add_accepted_listener(note)
    on_station(station)
    stop_on_signals(station.stop)
    before = _reading_count(folder)
    await station.run()
    outcome.readings = _reading_count(folder) - before
    return outcome


def _choose_driver(folder: Path, options: ReplayOptions) -> tuple[str, Driver]:
    if options.profile is not None:
        kind = compile_profile(load_profile(options.profile))
        return kind.name, open_driver_on_capture(kind, options.capture)
    return choose_driver(options.capture, load_all_drivers(folder).factories, options.driver)


def _reading_count(folder: Path) -> int:
    path = folder / DATABASE_FILE
    return Reader(path).counts()["readings"] if path.exists() else 0
