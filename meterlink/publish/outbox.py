"""What the publisher needs of an outbox, and the database's outbox in that form."""

import asyncio
from collections.abc import Sequence
from typing import Protocol

from meterlink.store.reader import Reader
from meterlink.store.writer import Writer


class OutboxMessage(Protocol):
    """A message in the outbox. ``id`` grows with every entry and is never used again."""

    @property
    def id(self) -> int:
        """Place in the queue."""
        ...

    @property
    def message_id(self) -> str:
        """What a consumer drops duplicates by."""
        ...

    @property
    def topic(self) -> str:
        """Topic to publish under."""
        ...

    @property
    def payload(self) -> bytes:
        """SenML in JSON, UTF-8."""
        ...


class Outbox(Protocol):
    """Messages committed to disk and not yet acknowledged by the broker. Methods raise StoreError."""

    @property
    def changed(self) -> asyncio.Event:
        """Set whenever entries may have been added; the publisher clears it."""
        ...

    async def pending(self, limit: int, after_id: int) -> Sequence[OutboxMessage]:
        """Return at most ``limit`` entries with an id above ``after_id``, lowest first, without those set aside."""
        ...

    async def delete_sent(self, ids: Sequence[int]) -> None:
        """Delete entries the broker has taken; return once that is committed."""
        ...

    async def reject(self, id: int, reason: str) -> None:  # noqa: A002 - it is the entry's id
        """Keep an entry the broker will never take out of the queue, with the reason; return once committed."""
        ...


class StoreOutbox:
    """The outbox of a database: read in a thread, written by the one writer.

    Whoever commits messages sets ``changed`` afterwards, in the event loop's thread.
    """

    def __init__(self, reader: Reader, writer: Writer) -> None:
        self._reader = reader
        self._writer = writer
        self.changed = asyncio.Event()

    async def pending(self, limit: int, after_id: int) -> Sequence[OutboxMessage]:
        """Return what waits, lowest id first; StoreError when the database cannot be read."""
        return await asyncio.to_thread(self._reader.outbox, limit, after_id)

    async def delete_sent(self, ids: Sequence[int]) -> None:
        """Delete what the broker has taken. While the disk takes nothing this waits with the writer."""
        await asyncio.wrap_future(self._writer.delete_sent_messages(ids))

    async def reject(self, id: int, reason: str) -> None:  # noqa: A002 - it is the entry's id
        """Keep what the broker will never take, out of the queue."""
        await asyncio.wrap_future(self._writer.reject_message(id, reason))
