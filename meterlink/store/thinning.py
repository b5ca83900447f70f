"""Thinning: old raw readings are deleted to save room, in slices, so that a station goes on between them.

A reading stays if it is an accepted reading's own, if its visit is open, if the station's clock was not set when it
came (its time is not known), or if its stretch is still open. The record rests on the accepted readings, which are
copies (see `meterlink.store.schema`): verdicts, reports, trends and seals stay as they are.
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from meterlink.store.connections import connect_for_writing, raise_store_errors, write_anew
from meterlink.store.queries import UNUSED_READING_IDS
from meterlink.store.transactions import increment_counter

LEAST_AGE = 86_400 * 10**9
"""Readings younger than a day (in ns) are never thinned: a visit may be given them, or go on with them."""

# Raw readings that one slice looks at: some hundredths of a second, so that the readings of the meters never wait. The
# longest wait, with a move of the log in it, is half of the interval between two commits on two cores that are busy
# with six other programs; with four times as many it was above it (tests/benchmarks/test_thinning_benchmarks.py).
_SLICE = 2_500
# Bytes of a row beside its packet: header, row id, stretch, times and digits, as measured in records of all kinds.
ROW_SIZE = 18

_MAY_GO = """
    s.first_utc_ns < :before AND s.first_utc_ns + r.utc_offset_us * 1000 < :before AND s.clock_set IS NOT 0
    AND s.last_reading_id IS NOT NULL AND (v.id IS NULL OR v.closed_utc_ns IS NOT NULL)
    AND NOT EXISTS (SELECT 1 FROM accepted_readings WHERE raw_reading_id = r.id)
"""
_DELETE = f"""
    DELETE FROM raw_readings WHERE id > :after AND id <= :last AND id IN (
        SELECT r.id FROM raw_readings r CROSS JOIN stretches s ON s.id = r.stretch_id
        LEFT JOIN visits v ON v.id = s.visit_id WHERE r.id > :after AND r.id <= :last AND {_MAY_GO}
    ) RETURNING stretch_id
"""  # noqa: S608  # constants only


class Thinnable(NamedTuple):
    """The raw readings that thinning would delete, and about how many bytes they take."""

    readings: int
    size: int


class Slice(NamedTuple):
    """``after_id``: where the next slice begins; ``done``: this was the last one."""

    deleted: int
    after_id: int
    done: bool


class Thinning(NamedTuple):
    """A run of thinning: at ``utc_ns`` it deleted raw readings from before ``before_utc_ns``."""

    uid: str
    utc_ns: int
    before_utc_ns: int
    deleted: int


def thinnable(connection: sqlite3.Connection, before_utc_ns: int) -> Thinnable:
    """Count the raw readings that thinning would delete."""
    readings, packets = connection.execute(
        f"""
        SELECT COUNT(*), COALESCE(SUM(LENGTH(r.packet)), 0) FROM stretches s
        CROSS JOIN raw_readings r ON r.id BETWEEN s.first_reading_id AND s.last_reading_id AND r.stretch_id = s.id
        LEFT JOIN visits v ON v.id = s.visit_id WHERE {_MAY_GO}
        """,  # noqa: S608  # constants only
        {"before": before_utc_ns},
    ).fetchone()
    return Thinnable(readings, packets + readings * ROW_SIZE)


def delete_slice(connection: sqlite3.Connection, uid: str, before_utc_ns: int, after_id: int, now_utc_ns: int) -> Slice:
    """Delete the raw readings of one slice, those after the row ``after_id``; ``uid`` is the run's.

    The run has one row in ``thinnings``, which is true at any time, also if the next slice never comes.
    """
    (last, newest) = connection.execute(
        "SELECT MAX(id), (SELECT MAX(id) FROM raw_readings) FROM"
        " (SELECT id FROM raw_readings WHERE id > ? ORDER BY id LIMIT ?)",
        (after_id, _SLICE),
    ).fetchone()
    (end,) = connection.execute(
        "SELECT COALESCE(MAX(last_reading_id), 0) FROM stretches WHERE first_utc_ns < ?", (before_utc_ns,)
    ).fetchone()
    if last is None or after_id >= end:
        return Slice(0, after_id, done=True)
    stretches = [
        row[0]
        for row in connection.execute(_DELETE, {"before": before_utc_ns, "after": after_id, "last": last}).fetchall()
    ]
    if stretches:
        _shorten(connection, set(stretches), last)
        (newest_now,) = connection.execute("SELECT COALESCE(MAX(id), 0) FROM raw_readings").fetchone()
        # Ids above the newest reading are used again.
        increment_counter(connection, UNUSED_READING_IDS, len(stretches) - (newest - newest_now))
        connection.execute(
            "INSERT INTO thinnings (uid, utc_ns, before_utc_ns, deleted) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (uid) DO UPDATE SET utc_ns = excluded.utc_ns, deleted = deleted + excluded.deleted",
            (uid, now_utc_ns, before_utc_ns, len(stretches)),
        )
    return Slice(len(stretches), last, done=last >= end)


def free_room(connection: sqlite3.Connection) -> int:
    """Return the bytes of deleted rows in the file: new ones go there first."""
    (pages,) = connection.execute("PRAGMA freelist_count").fetchone()
    (size,) = connection.execute("PRAGMA page_size").fetchone()
    return int(pages) * int(size)


def oldest_raw_time(connection: sqlite3.Connection) -> int | None:
    """Return the time (ns since 1970 UTC) of the oldest stretch with readings whose time is known; None without one."""
    row = connection.execute(
        "SELECT first_utc_ns FROM stretches WHERE last_reading_id >= first_reading_id AND clock_set IS NOT 0"
        " ORDER BY first_utc_ns LIMIT 1"
    ).fetchone()
    return None if row is None else int(row[0])


def newest_raw_time(connection: sqlite3.Connection) -> int | None:
    """Return the time (ns since 1970 UTC) of the stretch that was begun last; None without one."""
    row = connection.execute("SELECT first_utc_ns FROM stretches ORDER BY id DESC LIMIT 1").fetchone()
    return None if row is None else int(row[0])


def thinnings(connection: sqlite3.Connection) -> list[Thinning]:
    """Return all runs of thinning, oldest first."""
    rows = connection.execute("SELECT uid, utc_ns, before_utc_ns, deleted FROM thinnings ORDER BY utc_ns, uid")
    return [Thinning(*row) for row in rows]


def compact(path: Path) -> None:
    """Give the room of deleted rows back to the disk, as `write_anew` does.

    The caller holds the lock of the folder.

    Raises:
        StoreError: the disk is full or fails; the file keeps its size.
        DatabaseLockedError: another program reads the database, and keeps its log; the file keeps its size.
    """
    with raise_store_errors(path), closing(connect_for_writing(path)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")  # nothing refers to a stretch without readings
        connection.execute("DELETE FROM stretches WHERE last_reading_id < first_reading_id")
    write_anew(path)


def _shorten(connection: sqlite3.Connection, stretch_ids: set[int], last: int) -> None:
    """Let stretches begin with the first reading that is left up to the row ``last``, or behind that row.

    A stretch without readings ends before it begins, and stays: to delete it SQLite would look for its readings in the
    whole table, which has no index. `compact` removes it.
    """
    for stretch_id in stretch_ids:
        connection.execute(
            "UPDATE stretches SET first_reading_id = COALESCE((SELECT id FROM raw_readings"
            " WHERE id BETWEEN first_reading_id AND ?1 AND stretch_id = ?2 ORDER BY id LIMIT 1), ?1 + 1)"
            " WHERE id = ?2",
            (last, stretch_id),
        )
