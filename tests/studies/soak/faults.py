"""The faults of a soak: each comes at a moment of the random sequence, and is over, or noticed, when it returns."""

import asyncio
import os
from collections import Counter
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from random import Random

from meterlink.core.errors import LinkError
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from studies.soak.counting_meters import NAMES
from studies.soak.daemon_process import DaemonProcess
from studies.soak.faulty_broker import FaultyBroker
from studies.soak.technician import Technician
from support.small_disks import fill

OUTER_LIMIT = 120.0  # s; a limit, not a wait
# Offsets of the wall clock from the machine's, in s: the small and the large ones that a machine meets.
_OFFSETS = (-86_400.0, -3_600.0, -5.0, 0.0, 5.0, 3_600.0, 86_400.0)


class Faults:
    """The faults, counted. A killed daemon is left killed. The methods raise LinkError where it has ended by itself.

    Without ``may_kill`` no fault but `kill` kills it.
    """

    def __init__(
        self, disk: Path, daemon: DaemonProcess, technician: Technician, broker: FaultyBroker, rng: Random
    ) -> None:
        self._disk = disk
        self._daemon = daemon
        self._technician = technician
        self._broker = broker
        self._rng = rng
        self._path = daemon.folder / DATABASE_FILE
        self.may_kill = True
        self.counts: Counter[str] = Counter()

    @property
    def others(self) -> list[Callable[[], Awaitable[None]]]:
        """All faults but `kill`."""
        return [
            self.drop_link, self.stop_broker, self.deny, self.fill_disk, self.set_clock, self.move_database,
            self.begin_visit,
        ]  # fmt: skip

    # kill -9

    async def kill(self) -> None:
        """Kill the daemon in the middle of work; now and then also in the middle of its next start."""
        work = asyncio.create_task(self._work_on())
        await asyncio.sleep(self._rng.uniform(0, 0.6))
        await self._kill_during(work)
        if self._rng.random() < 0.15:
            await self._daemon.start()
            await asyncio.sleep(self._rng.uniform(0, 1.5))
            await self._kill_during(None, "kill -9 while it started")

    async def _work_on(self) -> None:
        while True:
            await self._technician.work()

    async def _kill_during(self, work: asyncio.Task[None] | None, kind: str = "") -> None:
        """Kill the daemon; read its last messages, and end the work that it has left unanswered."""
        self.counts["kill -9"] += 1
        if kind:
            self.counts[kind] += 1
        self._daemon.kill()
        await self._daemon.ended()
        await self._technician.read_rest()
        if work is not None:
            with suppress(LinkError):
                await work
        await self._technician.detach()

    def _kills_now(self) -> bool:
        return self.may_kill and self._rng.random() < 0.3

    # The meters and the broker

    async def drop_link(self) -> None:
        """A meter goes out of range, and comes back; now and then before the daemon has noticed."""
        self.counts["link drop"] += 1
        name = self._rng.choice(NAMES)
        await self._technician.until_meter(name, "connected")
        await self._daemon.tell(f"away {name}")
        if self._rng.random() < 0.8:
            await self._technician.until_meter(name, "lost")
        await self._daemon.tell(f"back {name}")
        if self._rng.random() < 0.5:
            await self._technician.until_meter(name, "connected")

    async def stop_broker(self) -> None:
        """The broker is killed, or stopped, and started again: at once, or when the fault comes again."""
        if self._broker.is_up:
            self.counts["broker outage"] += 1
            await (self._broker.kill(self._daemon) if self._rng.random() < 0.5 else self._broker.stop())
        if self._rng.random() < 0.6:
            await self._technician.work()
            await self._broker.start()

    async def deny(self) -> None:
        """The broker denies a kind of messages until some are set aside; then they are published after all."""
        self.counts["broker denial"] += 1
        await self._broker.start()
        await self._technician.until_online()
        await self._broker.deny(self._rng)
        try:
            while not (await self._technician.send(CommandName.STATUS))["set_aside"]:
                await self._technician.type_reading()
        finally:
            await self._broker.allow()
        await self._technician.retry_messages()

    # The disk, the clock and the database

    async def fill_disk(self) -> None:
        """The disk is full until the daemon says so; now and then it is killed then."""
        self.counts["disk full"] += 1
        fill(self._disk)
        noticed = asyncio.Event()
        notes = asyncio.create_task(self._write_notes(noticed))
        try:
            await self._technician.until(self._technician.has_alarm)
            noticed.set()
            if self._kills_now():
                await self._kill_during(notes, "kill -9 on a full disk")
                return
            typing = asyncio.create_task(self._technician.type_reading())
            self._make_room()
            await asyncio.gather(typing, notes)
            await self._technician.until(lambda: not self._technician.has_alarm())
        finally:
            self._make_room()
            notes.cancel()
            await asyncio.gather(notes, return_exceptions=True)

    def _make_room(self) -> None:
        (self._disk / "ballast").unlink(missing_ok=True)

    async def _write_notes(self, noticed: asyncio.Event) -> None:
        """Write until the full disk is noticed: SQLite's log may have room of its own for some time."""
        while not noticed.is_set():
            await self._technician.note()

    async def set_clock(self) -> None:
        """The wall clock is set, and the step is recorded."""
        self.counts["clock step"] += 1
        before = len(self._reader.clock_steps())
        await self._daemon.set_clock(self._rng.choice([one for one in _OFFSETS if one != self._daemon.offset]))
        await self._wait_for(lambda: len(self._reader.clock_steps()) > before)

    async def move_database(self) -> None:
        """The file is moved away: it is put back, or written again, or put back after a kill -9."""
        self.counts["database moved"] += 1
        away = self._disk / "away.db"
        self._path.rename(away)
        if self._kills_now():
            await self._kill_during(None, "kill -9 without the database")
            self._put_back(away)
        elif self._rng.random() < 0.5:
            self._put_back(away)
        else:
            await self._technician.work()
            await self._wait_for(self._path.exists)
            away.unlink()

    def _put_back(self, away: Path) -> None:
        """Put the file back in its place; where the daemon has written it again, remove it."""
        with suppress(FileExistsError):
            os.link(away, self._path)  # a rename would take the place of the new file
        away.unlink()

    async def begin_visit(self) -> None:
        """The technician goes to another unit."""
        self.counts["visit begun"] += 1
        await self._technician.begin_visit()

    async def _wait_for(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(OUTER_LIMIT):
            while not condition():
                if self._daemon.has_ended:
                    raise LinkError("The daemon has ended.")
                await asyncio.sleep(0.02)

    @property
    def _reader(self) -> Reader:
        return Reader(self._path)
