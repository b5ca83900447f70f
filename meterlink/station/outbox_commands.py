"""The handlers of the commands on the messages for the broker."""

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError, PublishError
from meterlink.core.text import clean_text, count_phrase
from meterlink.store.reader import Reader
from meterlink.store.rows import RefusedMessage
from meterlink.store.writer import Writer

if TYPE_CHECKING:
    from meterlink.publish.publisher import Publisher

log = logging.getLogger(__name__)


class OutboxCommands:
    """Publishes now, and publishes refused messages again or deletes them.

    ``publisher`` returns the present one, None where none runs.
    """

    def __init__(self, writer: Writer, reader: Reader, publisher: "Callable[[], Publisher | None]") -> None:
        self._writer = writer
        self._reader = reader
        self._publisher = publisher

    async def retry(self, uid: str) -> Mapping[str, object]:
        """Let the refused message whose id begins with ``uid`` wait for the broker again; without one, all of them.

        The data: ``retried``, their number, and those of `publish` if a publisher runs.

        Raises:
            InputError: no refused message, or more than one, has such an id.
            StoreError: the database cannot be read or written.
        """
        found = await asyncio.to_thread(find_refused, self._reader, uid)
        retried = await asyncio.wrap_future(self._writer.retry_messages([message.id for message in found]))
        publisher = self._publisher()
        published = {} if publisher is None else await self._publish(publisher)
        return {"retried": retried, **published}

    async def delete(self, uid: str, until_utc_ns: int) -> Mapping[str, object]:
        """Delete the refused message whose id begins with ``uid``, for good; without one, all of them.

        Those that were refused after ``until_utc_ns`` stay: the person who asked has not seen them. The data:
        ``deleted``, the number of the messages.

        Raises:
            InputError: no refused message, or more than one, has such an id.
            StoreError: the database cannot be read or written.
        """
        found = await asyncio.to_thread(find_refused, self._reader, uid)
        seen = [message.id for message in found if message.refused_utc_ns <= until_utc_ns]
        deleted = await asyncio.wrap_future(self._writer.delete_refused_messages(seen))
        if deleted:
            log.info("%s deleted by a command.", count_phrase(deleted, "refused message"))
        return {"deleted": deleted}

    async def publish(self) -> Mapping[str, object]:
        """Try to reach the broker now instead of after the pause.

        The data: ``broker`` (the state of the publisher), ``problem`` (a sentence, empty for none), ``waiting`` and
        ``refused`` (numbers of messages).

        Raises:
            PublishError: no broker is in the settings, or no daemon runs.
            StoreError: the database cannot be read.
        """
        publisher = self._publisher()
        if publisher is None:
            raise PublishError(
                "Nothing publishes here: no daemon runs, or its settings name no broker.",
                "Start it: meterlink run. The table [mqtt] of settings.toml names the broker.",
            )
        return await self._publish(publisher)

    async def _publish(self, publisher: "Publisher") -> Mapping[str, object]:
        problem = await publisher.publish_now()
        counts = await asyncio.to_thread(self._reader.counts)
        return {
            "broker": publisher.state,
            "problem": problem,
            "waiting": counts["outbox"],
            "refused": counts["rejected_messages"],
        }


def find_refused(reader: Reader, uid: str) -> Sequence[RefusedMessage]:
    """Return the refused message whose id begins with ``uid``; without one, all of them.

    Raises:
        InputError: no refused message, or more than one, has such an id.
        StoreError: the database cannot be read.
    """
    found = reader.refused_messages(uid=uid)
    if uid and len(found) != 1:
        named = f"{len(found)} refused messages have" if found else "No refused message has"
        raise InputError(f"{named} an id that begins with {clean_text(uid)!r}.", "List them: meterlink outbox list")
    return found
