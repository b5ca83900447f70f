"""A real station without any meter, in virtual time, for readings that are typed in."""

import asyncio
import shutil
from collections.abc import Awaitable, Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from meterlink.core.equipment import Plan, Site
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.virtual_time import VIRTUAL_START, VirtualClock, run_in_virtual_time

Body = Callable[[Station, dict[str, Any]], Awaitable[None]]

_OUTER_TIMEOUT = 600  # virtual s; a limit, not a wait


def passive_plan() -> Plan:
    """Return the points of the demo's plan that measure capacitance or resistance."""
    demo = shipped_scenario("demo").plan
    return Plan("demo", tuple(point for point in demo.points if point.quantity in {"capacitance", "resistance"}))


def at_station(folder: Path, body: Body, chosen: Plan | None = None, settings: Settings | None = None) -> None:
    """Run ``body`` at a station on ``folder``, in a visit to the bakery; see `run_at_station`."""
    run_at_station(folder, body, Site("Mill Lane bakery", "condenser"), chosen or passive_plan(), settings)


def run_at_station(
    folder: Path,
    body: Body,
    site: Site | None = None,
    plan: Plan | None = None,
    settings: Settings | None = None,
    *,
    later: timedelta = timedelta(),
    boot: str = "boot",
) -> None:
    """Run ``body`` at a station on ``folder``; it gets the station and the newest view of each topic.

    Without ``site`` and ``plan`` the station opens no visit. Its clock begins ``later`` than `VIRTUAL_START`; the
    machine was started once for each ``boot``.
    """
    stations: list[Station] = []

    async def run() -> None:
        async with Air() as air:  # without any meter
            config = StationConfig(
                folder, settings or Settings("test"), site, plan, boot, clock=VirtualClock(VIRTUAL_START + later),
                scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            station = Station(config)
            stations.append(station)
            views: dict[str, Any] = {}
            station.add_listener(lambda message: views.__setitem__(message["topic"], message))
            task = asyncio.create_task(station.run())
            await station.started.wait()
            try:
                async with asyncio.timeout(_OUTER_TIMEOUT):
                    await body(station, views)
            finally:
                station.stop()
                await task

    run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))


async def until(condition: Callable[[], bool]) -> None:
    """Return when ``condition`` holds."""
    while not condition():  # noqa: ASYNC110  # the condition has no event
        await asyncio.sleep(0.05)


async def enter(station: Station, text: str, **more: str) -> str:
    """Type a reading in; return the error, empty for none."""
    return await station.execute({"id": 1, "command": "enter", "text": text, **more})  # type: ignore[typeddict-item]


def accepted(views: dict[str, Any], number: int) -> Any:
    """Return the view of the accepted reading at the test point ``number``, None before one."""
    return views["visit"]["points"][number]["accepted"]


def kill(folder: Path, to: Path) -> Path:
    """Copy the database of a running station as a kill would leave it."""
    to.mkdir()
    for file in folder.glob(f"{DATABASE_FILE}*"):
        if not file.name.endswith(("-shm", ".lock")):
            shutil.copy(file, to)
    return to
