"""An outbox in memory, for tests of the publisher."""

import asyncio
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from meterlink.core.errors import StoreError

_OUTER_TIMEOUT = 30.0  # s; an outer limit, not a wait


@dataclass(frozen=True)
class OutboxEntry:
    """A message that waits for the broker."""

    id: int
    message_id: str
    topic: str
    payload: bytes


class MemoryOutbox:
    """An outbox that begins with a message of each of ``topics``; its ids count from 1."""

    def __init__(self, topics: Iterable[str] = ()) -> None:
        self.changed = asyncio.Event()
        self.removed = asyncio.Event()
        self.entries: dict[int, OutboxEntry] = {}
        self.rejected: dict[int, str] = {}
        self.failures = 0  # number of calls of `delete_sent` that fail
        self._last = 0
        for topic in topics:
            self.add(topic)

    def add(self, topic: str, text: str = "[]") -> None:
        self._last += 1
        self.entries[self._last] = OutboxEntry(self._last, f"id-{self._last}", topic, text.encode())
        self.changed.set()

    async def pending(self, limit: int, after_id: int) -> list[OutboxEntry]:
        return [entry for id_, entry in sorted(self.entries.items()) if id_ > after_id][:limit]

    async def delete_sent(self, ids: Sequence[int]) -> None:
        if self.failures:
            self.failures -= 1
            raise StoreError("The disk is full.", "Make room.")
        for id_ in ids:
            del self.entries[id_]
        self.removed.set()

    async def reject(self, reasons: Mapping[int, str]) -> None:
        for id_ in reasons:
            del self.entries[id_]
        self.rejected.update(reasons)
        self.removed.set()

    async def empty(self) -> None:
        """Return when every entry is sent or rejected."""
        async with asyncio.timeout(_OUTER_TIMEOUT):
            while self.entries:
                self.removed.clear()
                await self.removed.wait()
