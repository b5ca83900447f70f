"""``meterlink replay``: recorded packets through the same driver, settling, verdicts and database as live ones."""

import asyncio
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import click

from meterlink.capture.files import Capture, read_capture
from meterlink.cli.output import counted, held_json, held_line
from meterlink.cli.run import boot_id, stop_on_signals
from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Place, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.text import clean_name
from meterlink.driver_api import Driver
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.profiles import kind_of, load_profile
from meterlink.settings import DATABASE, data_dir, load_settings
from meterlink.station.drivers import all_drivers
from meterlink.station.replay import Replay, Speed, choose_driver, open_on
from meterlink.station.station import Orders, Station
from meterlink.station.visit import Held
from meterlink.store.reader import Reader


@dataclass(frozen=True, slots=True)
class Recording:
    """What is to be replayed, and how. ``point`` is the test point it was recorded at; empty for the plan's first."""

    capture: Capture
    name: str
    plan: str = DEFAULT_PLAN
    point: str = ""
    speed: Speed = "top"
    driver: str = ""
    profile: Path | None = None


@dataclass(slots=True)
class Outcome:
    """How a replay went."""

    held: int = 0
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
    name = clean_name(capture.stem) or "recording"
    recording = Recording(read_capture(capture), name, plan, point, cast("Speed", speed), driver, profile)
    show = held_json if as_json else held_line
    with ExitStack() as stack:
        folder = data_dir(data or stack.enter_context(tempfile.TemporaryDirectory(prefix="meterlink-replay-")))
        outcome = asyncio.run(
            replayed(folder, recording, lambda at, held: click.echo(show(at, held)), serve=data is not None)
        )
    packets = counted(len(recording.capture.packets), "packet")
    hint = "" if outcome.held else " No reading settled at the active test point: give its --plan and --point."
    click.echo(f"{packets}, {counted(outcome.readings, 'reading')}, {outcome.held or 'none'} held.{hint}", err=True)


async def replayed(
    folder: Path,
    recording: Recording,
    on_held: Callable[[TestPoint, Held], None],
    *,
    serve: bool = False,
    clock: Clock | None = None,
    on_station: Callable[[Station], None] = lambda _: None,
) -> Outcome:
    """Replay a recording with a station of its own on ``folder``; return how it went.

    ``on_station`` is handed that station before it runs. InputError, DriverError in words where it cannot be replayed.
    """
    if not recording.capture.packets:
        raise InputError(f"The recording {recording.name} holds no packets.", "Record some: meterlink capture")
    clock = clock or SystemClock()
    kind, driver = await asyncio.to_thread(_driver, folder, recording)
    station = Station(
        Orders(
            folder=folder,
            # What was recorded once must not be published as measured now.
            settings=replace(load_settings(folder), meters=(), mqtt=None),
            place=Place("replay", recording.name),
            plan=load_plan(recording.plan),
            boot_id=boot_id(),
            new_visit=True,
            serve=serve,
            clock=clock,
            focus=recording.point,
            feed=Replay(recording.capture, kind, driver, recording.name, clock, recording.speed),
        )
    )
    outcome = Outcome()

    def note(point: TestPoint, held: Held) -> None:
        outcome.held += 1
        on_held(point, held)

    station.on_held(note)
    on_station(station)
    stop_on_signals(station.stop)
    before = _kept(folder)
    await station.run()
    outcome.readings = _kept(folder) - before
    return outcome


def _driver(folder: Path, recording: Recording) -> tuple[str, Driver]:
    if recording.profile is not None:
        kind = kind_of(load_profile(recording.profile))
        return kind.name, open_on(kind, recording.capture)
    return choose_driver(recording.capture, all_drivers(folder).kinds, recording.driver)


def _kept(folder: Path) -> int:
    path = folder / DATABASE
    return Reader(path).counts()["readings"] if path.exists() else 0
