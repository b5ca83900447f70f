"""``meterlink demo``: a service call on simulated meters."""

import asyncio
import shlex
import tempfile
import textwrap
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from meterlink.cli.terminal import is_interactive, text_width
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import MeterlinkError

if TYPE_CHECKING:
    from meterlink.station.station import StationConfig
    from meterlink.station.visit import AcceptedReading
    from meterlink_simulators.display import DisplayState
    from meterlink_simulators.scenario import Scenario
    from meterlink_simulators.service_call import ServiceCall


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
    """Play a whole service call on simulated meters over a virtual radio: no hardware.

    \b
        meterlink demo
        meterlink demo --data demo && meterlink history --data demo

    In a terminal it opens the dashboard and plays in real time; leave it with q to close the visit. In a pipe, or with
    --headless, it prints the same story as text. Nothing is kept unless --data names a folder. The scenario `workbench`
    has a meter without a driver, to be taught from its display.
    """
    headless = headless or not (serve or is_interactive())
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
        call = play(scenario, folder, _print_json if as_json else _print_line, None if as_json else _print_event)
        if call is not None and not as_json:
            _print_end(call, data)


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
        folder=path,
        settings=settings,
        site=scenario.site,
        plan=scenario.plan,
        plan_text=scenario.plan_text,
        boot_id="demo",
        new_visit=True,
        **more,
    )


PrintAccepted = Callable[[TestPoint, "AcceptedReading"], None]
PrintEvent = Callable[[str], None] | None


def _play_headless(
    scenario: "Scenario", folder: str, on_accepted: PrintAccepted, on_event: PrintEvent
) -> "ServiceCall":
    from meterlink_simulators.service_call import ServiceCall  # noqa: PLC0415
    from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time  # noqa: PLC0415

    calls: list[ServiceCall] = []

    async def play() -> None:
        clock = VirtualClock(start=datetime.now(UTC))
        config = _station_config(scenario, folder, serve=False, clock=clock)
        calls.append(ServiceCall(scenario, config, on_accepted, on_event=on_event))
        await calls[0].run()

    # Time must not pass while the database commits: an accepted reading would seem to be late.
    run_in_virtual_time(play(), busy=lambda: any(call.busy for call in calls))
    return calls[0]


def _play_served(
    scenario: "Scenario",
    folder: str,
    on_accepted: PrintAccepted,
    on_event: PrintEvent,
    on_display: "Callable[[str, DisplayState], None] | None",
) -> None:
    from meterlink.cli.run import stop_on_signals  # noqa: PLC0415
    from meterlink_simulators.service_call import ServiceCall  # noqa: PLC0415

    async def play() -> None:
        call = ServiceCall(
            scenario, _station_config(scenario, folder), on_accepted, on_display, on_event, ends_at_alarm=False
        )
        stop_on_signals(call.stop)
        await call.run(keep_running=True)

    asyncio.run(play())


def _play_on_screen(
    scenario: "Scenario", folder: str, _on_accepted: PrintAccepted, _on_event: PrintEvent
) -> "ServiceCall":
    from meterlink.link.client import connect  # noqa: PLC0415
    from meterlink.settings import DATABASE_FILE  # noqa: PLC0415
    from meterlink_simulators.service_call import ServiceCall  # noqa: PLC0415
    from meterlink_tui.app import run_dashboard  # noqa: PLC0415

    told: list[str] = []

    async def play() -> "ServiceCall":
        quitting = asyncio.Event()
        config = _station_config(scenario, folder)
        call = ServiceCall(scenario, config, on_event=told.append, before_leaving=quitting.wait, ends_at_alarm=False)
        playing = asyncio.create_task(call.run(), name="service-call")
        try:
            await run_dashboard(
                partial(connect, call.folder), keys=config.settings.keys, database=call.folder / DATABASE_FILE
            )
        finally:
            told.clear()  # they were seen on the screen
            quitting.set()
            if not call.is_leaving:
                playing.cancel()
            await asyncio.gather(playing, return_exceptions=True)
        return call

    call = asyncio.run(play())
    for event in told:
        _print_event(event)
    return call


def _print_line(point: TestPoint, accepted: "AcceptedReading") -> None:
    from meterlink.cli.output import accepted_line  # noqa: PLC0415

    click.echo(accepted_line(point, accepted))


def _print_event(text: str) -> None:
    click.echo(textwrap.fill(text, max(text_width(), 20), break_on_hyphens=False) if is_interactive() else text)


def _print_end(call: "ServiceCall", data: str | None) -> None:
    """Print the end of the story: the points left at the unit, and how the visit is seen again."""
    from meterlink.cli.stored_visits import SHORT_ID  # noqa: PLC0415

    if data is None:
        _print_event("Nothing was kept. To keep it, give it a folder:")
        command = "meterlink demo --data demo"
    elif call.visit:
        _print_event(f"The visit was kept, {'closed' if call.is_closed else 'still open'}. To see it:")
        command = f"meterlink visit show {call.visit[:SHORT_ID]} --data {shlex.quote(data)}"
    else:
        return
    click.echo(f"  {command}")  # in one piece, to be copied


def _print_display(name: str, display: "DisplayState") -> None:
    number = "OL" if display.digits is None else f"{display.digits:f}"
    click.echo(f"{name} shows {number} {display.unit} {display.coupling or ''}".rstrip())


def _print_json(point: TestPoint, accepted: "AcceptedReading") -> None:
    from meterlink.cli.output import accepted_json  # noqa: PLC0415

    click.echo(accepted_json(point, accepted))
