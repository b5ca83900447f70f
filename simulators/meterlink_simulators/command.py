"""``meterlink demo``: a service call on simulated meters."""

import asyncio
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import MeterlinkError

if TYPE_CHECKING:
    from meterlink.station.station import StationConfig
    from meterlink.station.visit import AcceptedReading
    from meterlink_simulators.display import DisplayState
    from meterlink_simulators.scenario import Scenario


@click.command()
@click.option("--headless", is_flag=True, help="Without a screen, in simulated time: moments instead of minutes.")
@click.option("--json", "as_json", is_flag=True, help="With --headless: one JSON object per accepted reading.")
@click.option("--data", type=click.Path(file_okay=False), help="Keep the database in this folder.")
@click.option(
    "--scenario", "name", default="demo", show_default=True, help="A scenario file, or the name of a shipped one."
)
@click.option("--serve", is_flag=True, help="Without a screen, in real time, for `meterlink watch --data` elsewhere.")
@click.option("--displays", is_flag=True, help="With --serve: print the meters' displays.")
def command(*, headless: bool, as_json: bool, data: str | None, name: str, serve: bool, displays: bool) -> None:
    """Play a service call on simulated meters over a virtual radio: the whole job, no hardware.

    In a terminal it opens the dashboard and plays in real time. Nothing is kept unless --data names a folder.
    The scenario `workbench` has a meter without a driver, to be taught from its display.
    """
    _require_radio()
    _check_options(headless=headless, as_json=as_json, data=data, serve=serve, displays=displays)
    if not (headless or serve):
        from meterlink_tui.terminal import check_terminal  # noqa: PLC0415

        check_terminal()
    scenario = _find_scenario(name)
    with ExitStack() as stack:
        folder = data or stack.enter_context(tempfile.TemporaryDirectory(prefix="meterlink-demo-"))
        served = partial(_play_served, on_display=_print_display if displays else None)
        play = _play_headless if headless else served if serve else _play_on_screen
        play(scenario, folder, _print_json if as_json else _print_line)


def _require_radio() -> None:
    try:
        import bumble  # noqa: F401, PLC0415  # only to name the missing extra
    except ImportError as error:
        raise MeterlinkError(
            "The demo needs the virtual radio, which is not installed.",
            "Install meterlink with its extra: meterlink[demo].",
        ) from error


def _check_options(*, headless: bool, as_json: bool, data: str | None, serve: bool, displays: bool) -> None:
    if as_json and not headless:
        raise click.UsageError("--json needs --headless.")
    if serve and (headless or data is None):
        raise click.UsageError("--serve needs --data, and excludes --headless.")
    if displays and not serve:
        raise click.UsageError("--displays needs --serve.")


def _find_scenario(name: str) -> "Scenario":
    from meterlink_simulators.scenario import load_scenario, shipped_scenario, shipped_scenarios  # noqa: PLC0415

    return shipped_scenario(name) if name in shipped_scenarios() else load_scenario(Path(name))


def _station_config(scenario: "Scenario", folder: str, **more: Any) -> "StationConfig":  # fields of StationConfig
    from meterlink.settings import data_dir, load_settings  # noqa: PLC0415
    from meterlink.station.station import StationConfig  # noqa: PLC0415

    path = data_dir(folder)
    # In the folder of a real station, its settings must not publish a demo's readings.
    settings = replace(load_settings(path), station="demo", meters=(), mqtt=None)
    return StationConfig(
        folder=path, settings=settings, site=scenario.site, plan=scenario.plan, boot_id="demo", new_visit=True, **more
    )


PrintAccepted = Callable[[TestPoint, "AcceptedReading"], None]


def _play_headless(scenario: "Scenario", folder: str, on_accepted: PrintAccepted) -> None:
    from meterlink_simulators.service_call import ServiceCall  # noqa: PLC0415
    from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time  # noqa: PLC0415

    calls: list[ServiceCall] = []

    async def play() -> None:
        clock = VirtualClock(start=datetime.now(UTC))
        calls.append(ServiceCall(scenario, _station_config(scenario, folder, serve=False, clock=clock), on_accepted))
        await calls[0].run()

    # Time must not pass while the database commits: an accepted reading would seem to be late.
    run_in_virtual_time(play(), busy=lambda: any(call.busy for call in calls))


def _play_served(
    scenario: "Scenario",
    folder: str,
    on_accepted: PrintAccepted,
    on_display: "Callable[[str, DisplayState], None] | None",
) -> None:
    from meterlink.cli.run import stop_on_signals  # noqa: PLC0415
    from meterlink_simulators.service_call import ServiceCall  # noqa: PLC0415

    async def play() -> None:
        call = ServiceCall(scenario, _station_config(scenario, folder), on_accepted, on_display)
        stop_on_signals(call.stop)
        await call.run(keep_running=True)

    asyncio.run(play())


def _play_on_screen(scenario: "Scenario", folder: str, _on_accepted: PrintAccepted) -> None:
    from meterlink.link.client import connect  # noqa: PLC0415
    from meterlink_simulators.service_call import ServiceCall  # noqa: PLC0415
    from meterlink_tui.app import run_dashboard  # noqa: PLC0415

    async def play() -> None:
        call = ServiceCall(scenario, _station_config(scenario, folder))
        playing = asyncio.create_task(call.run(keep_running=True), name="service-call")
        try:
            await run_dashboard(partial(connect, call.folder))
        finally:
            playing.cancel()
            await asyncio.gather(playing, return_exceptions=True)

    asyncio.run(play())


def _print_line(point: TestPoint, accepted: "AcceptedReading") -> None:
    from meterlink.cli.output import accepted_line  # noqa: PLC0415

    click.echo(accepted_line(point, accepted))


def _print_display(name: str, display: "DisplayState") -> None:
    number = "OL" if display.digits is None else f"{display.digits:f}"
    click.echo(f"{name} shows {number} {display.unit} {display.coupling or ''}".rstrip())


def _print_json(point: TestPoint, accepted: "AcceptedReading") -> None:
    from meterlink.cli.output import accepted_json  # noqa: PLC0415

    click.echo(accepted_json(point, accepted))
