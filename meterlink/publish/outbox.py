"""The publisher's interface to an outbox, and its implementation with the database."""

import asyncio
from collections.abc import Mapping, Sequence
from typing import Protocol

from meterlink.store.reader import Reader
from meterlink.store.writer import Writer


class OutboxMessage(Protocol):
    """A message in the outbox. ``id`` grows with every entry and is never used again."""

    @property
    def id(self) -> int:
        """Position in the queue."""
        ...

    @property
    def message_id(self) -> str:
        """Unique identifier by which a consumer drops duplicates."""
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
    """Messages committed to disk and not yet acknowledged by the broker. The methods raise StoreError."""

    @property
    def changed(self) -> asyncio.Event:
        """Set when entries may have been added; the publisher clears it."""
        ...

    async def pending(self, limit: int, after_id: int) -> Sequence[OutboxMessage]:
        """Return at most ``limit`` entries with an id above ``after_id``, lowest first, without rejected ones."""
        ...

    async def delete_sent(self, ids: Sequence[int]) -> None:
        """Delete entries that the broker acknowledged; return after the commit."""
        ...

    async def reject(self, reasons: Mapping[int, str]) -> None:
        """Set entries aside that the broker refused: ``{id: reason}``; return after the commit."""
        ...


class StoreOutbox:
    """The outbox of a database: read in a thread, written by the one writer.

    The station sets ``changed`` in the event loop's thread after it has committed messages.
    """

    def __init__(self, reader: Reader, writer: Writer) -> None:
        self._reader = reader
        self._writer = writer
        self.changed = asyncio.Event()

    async def pending(self, limit: int, after_id: int) -> Sequence[OutboxMessage]:
        """Return at most ``limit`` entries with an id above ``after_id``, lowest first.

        Raises:
            StoreError: the database cannot be read.
        """
        return await asyncio.to_thread(self._reader.outbox, limit, after_id)

    async def delete_sent(self, ids: Sequence[int]) -> None:
        """Delete entries that the broker acknowledged; while the disk fails, wait for the writer.

        Raises:
            StoreError: the writer was closed first.
        """
        await asyncio.wrap_future(self._writer.delete_sent_messages(ids))

    async def reject(self, reasons: Mapping[int, str]) -> None:
        """Set entries aside that the broker refused: ``{id: reason}``.

        Raises:
            StoreError: the writer was closed first.
        """
        await asyncio.wrap_future(self._writer.reject_messages(reasons))
