"""The messages for the broker: those that wait, and those that it refused, which are set aside for a person."""

import json
import sqlite3
from collections.abc import Collection, Iterable

from meterlink.store.rows import OutboxEntry, RefusedMessage


def waiting(connection: sqlite3.Connection, limit: int, after_id: int) -> list[OutboxEntry]:
    """Return the oldest ``limit`` waiting messages with an id above ``after_id``."""
    rows = connection.execute(
        "SELECT id, message_id, topic, payload, droppable, created_utc_ns FROM outbox WHERE id > ? ORDER BY id LIMIT ?",
        (after_id, limit),
    )
    return [OutboxEntry(*row) for row in rows.fetchall()]


def refused(connection: sqlite3.Connection, limit: int, after_id: int, uid: str) -> list[RefusedMessage]:
    """Return the oldest ``limit`` refused messages above ``after_id`` whose message id begins with ``uid``."""
    rows = connection.execute(
        "SELECT id, message_id, topic, payload, created_utc_ns, rejected_utc_ns, reason FROM rejected_messages"
        " WHERE id > ? AND substr(message_id, 1, length(?)) = ? ORDER BY id LIMIT ?",
        (after_id, uid, uid, limit),
    )
    return [RefusedMessage(*row) for row in rows.fetchall()]


def delete_sent(connection: sqlite3.Connection, ids: Iterable[int]) -> None:
    """Delete messages that the broker acknowledged; ids without a message are ignored."""
    # One statement: between two, this thread would wait for the event loop's, which sends the next messages meanwhile.
    connection.execute("DELETE FROM outbox WHERE id IN (SELECT value FROM json_each(?))", (json.dumps(list(ids)),))


def refuse(connection: sqlite3.Connection, outbox_id: int, reason: str, now_utc_ns: int) -> None:
    """Move a message that the broker refused to ``rejected_messages``; an id without a message is ignored."""
    connection.execute(
        """
        INSERT INTO rejected_messages (message_id, topic, payload, droppable, created_utc_ns, rejected_utc_ns, reason)
        SELECT message_id, topic, payload, droppable, created_utc_ns, ?, ? FROM outbox WHERE id = ?
        """,
        (now_utc_ns, reason, outbox_id),
    )
    connection.execute("DELETE FROM outbox WHERE id = ?", (outbox_id,))


def retry(connection: sqlite3.Connection, ids: Collection[int]) -> int:
    """Let refused messages wait for the broker again, behind all others; return their number."""
    chosen = (json.dumps(list(ids)),)
    moved = connection.execute(
        """
        INSERT INTO outbox (message_id, topic, payload, droppable, created_utc_ns)
        SELECT message_id, topic, payload, droppable, created_utc_ns FROM rejected_messages
        WHERE id IN (SELECT value FROM json_each(?)) ORDER BY id
        """,
        chosen,
    ).rowcount
    delete_refused(connection, ids)
    return moved


def delete_refused(connection: sqlite3.Connection, ids: Iterable[int]) -> int:
    """Delete refused messages; return their number."""
    chosen = (json.dumps(list(ids)),)
    return connection.execute(
        "DELETE FROM rejected_messages WHERE id IN (SELECT value FROM json_each(?))", chosen
    ).rowcount
