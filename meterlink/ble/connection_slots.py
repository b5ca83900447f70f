"""The connections of an adapter: how many it holds is not told, so it is learned.

Controllers hold 5 or 7 connections (home-assistant/core PR 84331, bleak-retry-connector PR 67). One more is refused
with a code on some, and on others the device just vanishes.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from meterlink.ble.timeouts import RadioTimeouts


class ConnectionSlots:
    """Lets as many connections in as the adapter is believed to hold, ``limit``; the others wait.

    ``limit`` is ``timeouts.assumed_connections`` at first. With all of them in use, one more is tried at a time: if it
    connects, the limit grows, up to ``timeouts.max_connections``. A refusal lowers it. After a try that failed, the
    next waits for ``timeouts.slot_retry``: another program may have closed a connection.
    """

    def __init__(self, timeouts: RadioTimeouts) -> None:
        self.limit = timeouts.assumed_connections
        self._timeouts = timeouts
        self._in_use = 0
        self._established = 0
        self._next_try_at = 0.0  # event loop time
        self._trying: object | None = None
        self._changed = asyncio.Event()

    @property
    def full(self) -> bool:
        """Whether the next one has to wait, or to be tried beyond the limit."""
        return self._in_use >= self.limit

    @asynccontextmanager
    async def hold(self) -> AsyncIterator["Slot"]:
        """Wait for a free connection, and hold it."""
        slot = Slot(self)
        await self._wait(slot)
        self._in_use += 1
        try:
            yield slot
        finally:
            self._in_use -= 1
            if slot.established:
                self._established -= 1
            if self._trying is slot:  # neither connected nor refused: the device has vanished, perhaps for this reason
                self._end_try()
            self._changed.set()

    async def _wait(self, slot: "Slot") -> None:
        loop = asyncio.get_running_loop()
        while self.full:
            may_try = self._trying is None and self._in_use < self._timeouts.max_connections
            # The try shows nothing while others are being connected.
            if may_try and self._established == self._in_use and loop.time() >= self._next_try_at:
                self._trying, slot.beyond_limit = slot, True
                return
            self._changed.clear()
            try:
                async with asyncio.timeout_at(self._next_try_at if loop.time() < self._next_try_at else None):
                    await self._changed.wait()
            except TimeoutError:
                continue

    def _on_established(self, slot: "Slot") -> None:
        self._established += 1
        self.limit = max(self.limit, self._established)
        if self._trying is slot:
            self._trying = None
        self._changed.set()

    def _on_refused(self) -> None:
        """Learn that the adapter holds no more than it does now."""
        self.limit = max(1, self._established)
        self._end_try()

    def _end_try(self) -> None:
        self._trying = None
        self._next_try_at = asyncio.get_running_loop().time() + self._timeouts.slot_retry
        self._changed.set()


class Slot:
    """One connection of an adapter, while it is held."""

    def __init__(self, slots: ConnectionSlots) -> None:
        self.established = False
        self.beyond_limit = False
        self._slots = slots

    @property
    def failed_try(self) -> bool:
        """Whether it was one beyond the known limit and was not made: the adapter is the likely cause."""
        return self.beyond_limit and not self.established

    def on_established(self) -> None:
        """Record that the connection was made: the adapter holds as many."""
        if not self.established:
            self.established = True
            self._slots._on_established(self)  # noqa: SLF001 - a part of the slots

    def on_refused(self) -> None:
        """Record that the adapter has refused one more connection."""
        self._slots._on_refused()  # noqa: SLF001 - as above
