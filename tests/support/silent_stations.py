"""A real station in real time whose radio sends nothing, and settings that change while it runs."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from meterlink.ble.connection import ReceivedPacket
from meterlink.settings import SETTINGS_FILE
from meterlink.station.station import Station, StationConfig

_OUTER_LIMIT = 120  # s; a limit, not a wait


def write_settings(folder: Path, text: str) -> None:
    """Write the settings, as a later file than the one before."""
    path = folder / SETTINGS_FILE
    before = path.stat().st_mtime_ns if path.exists() else 0
    path.write_text(text, encoding="utf-8")
    os.utime(path, ns=(before + 10**9, before + 10**9))


class Silence:
    """Stands in the radio's place, and sends nothing until it is ended."""

    def __init__(self) -> None:
        self.ended = asyncio.Event()

    async def run(self, _put: Callable[[ReceivedPacket], None], _wait: Callable[[], Awaitable[None]]) -> None:
        await self.ended.wait()


async def at_station(config: StationConfig, body: Callable[[Station, dict[str, Any]], Awaitable[None]]) -> None:
    """Run ``body`` at a station; it gets the station and the newest view of each topic."""
    station = Station(config)
    views: dict[str, Any] = {}
    station.add_listener(lambda message: views.__setitem__(message["topic"], message))
    task = asyncio.create_task(station.run())
    await station.started.wait()
    try:
        async with asyncio.timeout(_OUTER_LIMIT):
            await body(station, views)
    finally:
        station.stop()
        await task
