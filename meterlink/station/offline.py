"""A station without a radio: it carries out a watcher's commands where no daemon runs, under the daemon's lock."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from meterlink.ble.connection import ReceivedPacket
from meterlink.settings import load_settings
from meterlink.station.station import Station, StationConfig


class _Silence:
    """Stands in the radio's place, and sends nothing until it is ended."""

    def __init__(self) -> None:
        self.ended = asyncio.Event()

    async def run(
        self, _put: Callable[[ReceivedPacket], None], _wait_until_handled: Callable[[], Awaitable[None]]
    ) -> None:
        """Return when it is ended."""
        await self.ended.wait()


@asynccontextmanager
async def station_without_radio(folder: Path, boot_id: str) -> AsyncIterator[None]:
    """Serve the data folder's socket while the context lasts; messages for a broker wait for the next daemon.

    Raises:
        DatabaseLockedError: a station runs on the folder.
        StoreError: the database cannot be used.
        SettingsError: the settings cannot be used.
        LinkError: the socket cannot be opened.
    """
    silence = _Silence()
    settings = await asyncio.to_thread(load_settings, folder)
    station = Station(StationConfig(folder, settings, None, None, boot_id, publish=False, packet_source=silence))
    running = asyncio.create_task(station.run())
    started = asyncio.create_task(station.started.wait())
    try:
        await asyncio.wait({running, started}, return_when=asyncio.FIRST_COMPLETED)
        if not running.done():
            yield
    finally:
        started.cancel()
        silence.ended.set()
        await running  # what was commanded is committed now; an error that ended it is raised
