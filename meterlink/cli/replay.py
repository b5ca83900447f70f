"""``meterlink replay``: recorded packets through the same driver, settling, verdicts and database as live packets."""

import asyncio
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import click

from meterlink.capture.capture_file import Capture
from meterlink.cli.completion import complete_plan
from meterlink.cli.output import accepted_json, accepted_line
from meterlink.cli.recorded_capture import load_capture
from meterlink.cli.run import read_boot_id, stop_on_signals
from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Site, TestPoint
from meterlink.core.errors import InputError, PlanError
from meterlink.core.text import clean_text, count_phrase
from meterlink.driver_api import Driver
from meterlink.plans import DEFAULT_PLAN, check_plan, read_plan_text
from meterlink.profiles import compile_profile
from meterlink.settings import DATABASE_FILE, data_dir, load_settings
from meterlink.station.drivers import load_all_drivers
from meterlink.station.profile_files import load_profile
from meterlink.station.replay import Replay, Speed, choose_driver, open_driver_on_capture
from meterlink.station.station import Station, StationConfig
from meterlink.station.visit import AcceptedReading
from meterlink.store.reader import Reader


@dataclass(frozen=True, slots=True)
class ReplayOptions:
    """A recording and how to replay it.

    ``name`` names the recording; ``point`` is the key of the test point to start at, empty for the plan's first;
    ``driver`` is empty for the best fit; ``profile`` is a profile's file, used instead of a driver.
    """

    capture: Capture
    name: str
    plan: str = DEFAULT_PLAN
    point: str = ""
    speed: Speed = "top"
    driver: str = ""
    profile: Path | None = None


@dataclass(slots=True)
class ReplayResult:
    """Counts of a replay: the accepted readings and all stored readings; sentences on assumed answers of its plan."""

    accepted: int = 0
    readings: int = 0
    assumptions: tuple[str, ...] = ()


@click.command()
@click.argument("capture", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--profile", type=click.Path(dir_okay=False, path_type=Path), help="Decode with this profile file.")
@click.option("--driver", default="", metavar="NAME", help="Decode with this driver; default: the best fit.")
@click.option(
    "--speed",
    type=click.Choice(["recorded", "top"]),
    default="top",
    show_default=True,
    help="At the recorded pace, or as fast as possible.",
)
@click.option(
    "--plan",
    shell_complete=complete_plan,
    default=DEFAULT_PLAN,
    show_default=True,
    help="A plan file, or the name of a shipped plan.",
)
@click.option("--point", default="", metavar="KEY", help="Start at this test point; default: the plan's first.")
@click.option("--data", type=click.Path(file_okay=False), help="Keep the readings in this folder, marked as replayed.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object per accepted reading.")
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
    """Replay the packets of the capture file CAPTURE and print each accepted reading with its verdict.

    \b
        meterlink replay yard.jsonl --profile yard.toml
        meterlink replay yard.jsonl --plan plan.toml --point herm

    The packets pass through driver, settling, verdict and database as live packets do. Nothing is kept unless --data
    names a folder; there the meter is called 'replayed', so that nobody mistakes the readings for a visit's. Nothing is
    published.

    \f

    Raises:
        click.UsageError: a profile and a driver are both given.
        InputError: the capture, the plan or the profile cannot be used.
        DriverError: no driver fits the recording.
    """
    if profile and driver:
        raise click.UsageError("Give either --profile or --driver.")
    name = clean_text(capture.stem) or "recording"
    options = ReplayOptions(load_capture(capture), name, plan, point, cast("Speed", speed), driver, profile)
    format_accepted = accepted_json if as_json else accepted_line
    with ExitStack() as stack:
        folder = data_dir(data or stack.enter_context(tempfile.TemporaryDirectory(prefix="meterlink-replay-")))
        result = asyncio.run(
            run_replay(
                folder,
                options,
                lambda test_point, accepted: click.echo(format_accepted(test_point, accepted)),
                serve=data is not None,
            )
        )
    packets = count_phrase(len(options.capture.packets), "packet")
    hint = "" if result.accepted else " No reading settled at the test point: give the right --plan and --point."
    click.echo(
        f"{packets}, {count_phrase(result.readings, 'reading')}, {result.accepted or 'none'} accepted.{hint}",
        err=True,
    )
    for sentence in result.assumptions:
        click.echo(sentence, err=True)


async def run_replay(
    folder: Path,
    options: ReplayOptions,
    on_accepted: Callable[[TestPoint, AcceptedReading], None],
    *,
    serve: bool = False,
    clock: Clock | None = None,
    on_station: Callable[[Station], None] = lambda _: None,
) -> ReplayResult:
    """Replay a recording in a station of its own with its data in ``folder``; return the counts.

    ``on_accepted`` gets each accepted reading with its test point, ``on_station`` the station before it runs.

    Raises:
        InputError: the recording has no packets, or the plan, the test point or the profile cannot be used.
        DriverError: no driver fits the recording.
    """
    if not options.capture.packets:
        raise InputError(f"The recording {options.name} has no packets.", "Record it again with meterlink capture.")
    clock = clock or SystemClock()
    driver_name, driver = await asyncio.to_thread(_choose_driver, folder, options)
    plan_text = await asyncio.to_thread(read_plan_text, options.plan)
    asking = check_plan(plan_text).require(options.plan, PlanError)
    plan = asking.with_usual_answers({})  # a recording has nobody who answers
    station = Station(
        StationConfig(
            folder=folder,
            # Old readings must not be published as new ones.
            settings=replace(load_settings(folder), meters=(), mqtt=None),
            site=Site("replay", options.name),
            plan=plan,
            plan_text=plan_text,
            answers=asking.usual_answers({}),
            boot_id=read_boot_id(),
            new_visit=True,
            serve=serve,
            clock=clock,
            first_point=options.point,
            packet_source=Replay(options.capture, driver_name, driver, options.name, clock, options.speed),
        )
    )
    result = ReplayResult(assumptions=plan.assumptions)

    def count_accepted(point: TestPoint, accepted: AcceptedReading) -> None:
        result.accepted += 1
        on_accepted(point, accepted)

    station.add_accepted_listener(count_accepted)
    on_station(station)
    stop_on_signals(station.stop)
    before = _reading_count(folder)
    await station.run()
    result.readings = _reading_count(folder) - before
    return result


def _choose_driver(folder: Path, options: ReplayOptions) -> tuple[str, Driver]:
    if options.profile is not None:
        factory = compile_profile(load_profile(options.profile))
        return factory.name, open_driver_on_capture(factory, options.capture)
    return choose_driver(options.capture, load_all_drivers(folder).factories, options.driver)


def _reading_count(folder: Path) -> int:
    path = folder / DATABASE_FILE
    return Reader(path).counts()["readings"] if path.exists() else 0
