"""The messages for the broker in a record of this very station that was kept beside the present one.

Another station publishes its messages itself. The record that this station had before (its file was replaced while it
ran, or a backup was restored in its place) has no publisher any more: its messages would wait for ever.

SQL inside the transaction of `meterlink.store.merge`; see there.
"""

import sqlite3
from pathlib import Path

from meterlink.store.restore import KEPT

# The name of a counter, before the name of the file whose messages were taken; the value is their number. The file
# stays as it is, so a second merge would find them again, although they may have been published since.
_TAKEN = "messages_taken "

_WAITING = "message_id, topic, payload, droppable, created_utc_ns"
_COLUMNS = {"outbox": _WAITING, "rejected_messages": f"{_WAITING}, rejected_utc_ns, reason"}


def is_kept_beside(path: Path, other: Path) -> bool:
    """Return whether ``other`` is a record that was kept beside the database at ``path`` when that took its place."""
    target, kept = path.resolve(), other.resolve()
    return kept.parent == target.parent and kept.name.startswith(f"{target.stem}{KEPT}")


def take_messages(connection: sqlite3.Connection, other: Path) -> dict[str, int]:
    """Insert the waiting and the refused messages of the other database, once; return ``{table: number}``.

    They wait behind those of this one. A message that waits or was refused here stays as it is here. Readings that were
    in both files from the beginning may have been published from both: their messages have the same id.
    """
    known = connection.execute("SELECT 1 FROM main.counters WHERE name = ?", (_TAKEN + other.name,)).fetchone()
    if known:
        return {}
    taken = {table: _insert_missing(connection, table, columns) for table, columns in _COLUMNS.items()}
    connection.execute(
        "INSERT INTO main.counters (name, value) VALUES (?, ?)", (_TAKEN + other.name, sum(taken.values()))
    )
    # Of the files that were merged into the other one, too.
    connection.execute(
        "INSERT INTO main.counters (name, value) SELECT name, value FROM other.counters WHERE substr(name, 1, ?) = ?"
        " ON CONFLICT (name) DO NOTHING",
        (len(_TAKEN), _TAKEN),
    )
    return taken


def _insert_missing(connection: sqlite3.Connection, table: str, columns: str) -> int:
    return connection.execute(
        f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM other.{table}"
        " WHERE message_id NOT IN (SELECT message_id FROM main.outbox)"
        " AND message_id NOT IN (SELECT message_id FROM main.rejected_messages) ORDER BY id"
    ).rowcount
