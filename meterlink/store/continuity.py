"""The log beside the readings: connections, gaps and clock steps.

SQL inside the writer's transaction, and the queries that read the rows.
"""

import sqlite3
from collections.abc import Iterable

from meterlink.core.clock import Timestamp
from meterlink.core.errors import StoreError
from meterlink.store.decoding import METER_COLUMNS, decode_meter, decode_rows
from meterlink.store.rows import (
    ClockStep,
    EndReason,
    GapCause,
    NewConnection,
    NewGap,
    StoredConnection,
    StoredGap,
)

# A start of the station, and ns on its monotonic clock: in the order in which things came, which nobody sets.
Moment = tuple[int, int]


def newest_connection_id(connection: sqlite3.Connection) -> int:
    """Return the row id of the newest connection, 0 for none."""
    (newest,) = connection.execute("SELECT COALESCE(MAX(id), 0) FROM connections").fetchone()
    return int(newest)


def insert_connection(connection: sqlite3.Connection, boot: int, connection_id: int, new: NewConnection) -> None:
    """Insert a meter's connection with a row id of its own."""
    connection.execute(
        "INSERT INTO connections (id, boot, meter_id, driver, profile, profile_hash, connected_utc_ns,"
        " connected_monotonic_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            connection_id,
            boot,
            new.meter_id,
            new.driver,
            new.profile,
            new.profile_hash,
            new.connected.utc_ns,
            new.connected.monotonic_ns,
        ),
    )


def end_connection(connection: sqlite3.Connection, connection_id: int, ended: Timestamp, reason: EndReason) -> None:
    """Save the end of a connection.

    Raises:
        StoreError: there is no such connection.
    """
    cursor = connection.execute(
        "UPDATE connections SET ended_utc_ns = ?, ended_monotonic_ns = ?, end_reason = ? WHERE id = ?",
        (ended.utc_ns, ended.monotonic_ns, reason, connection_id),
    )
    if cursor.rowcount != 1:
        raise StoreError(
            f"There is no connection {connection_id} in the database.", "It may belong to another data folder."
        )


def end_connections_of_killed_station(connection: sqlite3.Connection) -> None:
    """Mark the connections that an earlier run left open. The time of their end is unknown."""
    connection.execute("UPDATE connections SET end_reason = ? WHERE end_reason IS NULL", (EndReason.STATION_KILLED,))


def insert_gaps(connection: sqlite3.Connection, gaps: Iterable[NewGap]) -> None:
    """Insert gaps."""
    connection.executemany(
        "INSERT INTO gaps (connection_id, cause, began_utc_ns, began_monotonic_ns, ended_utc_ns, ended_monotonic_ns,"
        " lost) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            (
                gap.connection_id,
                gap.cause,
                gap.began.utc_ns,
                gap.began.monotonic_ns,
                None if gap.ended is None else gap.ended.utc_ns,
                None if gap.ended is None else gap.ended.monotonic_ns,
                gap.lost,
            )
            for gap in gaps
        ),
    )


def end_gap(connection: sqlite3.Connection, connection_id: int, cause: GapCause, ended: Timestamp) -> None:
    """Save the end of the present gap of a connection with this cause."""
    connection.execute(
        "UPDATE gaps SET ended_utc_ns = ?, ended_monotonic_ns = ?"
        " WHERE connection_id = ? AND cause = ? AND ended_utc_ns IS NULL",
        (ended.utc_ns, ended.monotonic_ns, connection_id, cause),
    )


def insert_clock_step(connection: sqlite3.Connection, boot: int, step: ClockStep) -> None:
    """Insert a jump of the wall clock."""
    connection.execute(
        "INSERT INTO clock_steps (boot, before_utc_ns, before_monotonic_ns, after_utc_ns, after_monotonic_ns, step_ns)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (
            boot, step.before.utc_ns, step.before.monotonic_ns, step.after.utc_ns, step.after.monotonic_ns,
            step.step_ns,
        ),
    )  # fmt: skip


def connections(connection: sqlite3.Connection) -> list[StoredConnection]:
    """Return all connections in the order in which they were made."""
    rows = connection.execute(
        f"SELECT c.*, b.boot_id, {METER_COLUMNS} FROM connections c"  # noqa: S608  # constants
        " JOIN boots b ON b.id = c.boot JOIN meters m ON m.id = c.meter_id ORDER BY c.id"
    )
    return decode_rows(_stored_connection, rows)


def gaps(
    connection: sqlite3.Connection,
    since_utc_ns: int | None = None,
    until_utc_ns: int | None = None,
    meter: str | None = None,
) -> list[StoredGap]:
    """Return the gaps in the order in which they were saved; see `Reader.gaps`."""
    rows = connection.execute(
        f"SELECT g.*, c.boot, {METER_COLUMNS} FROM gaps g"  # noqa: S608  # constants
        " JOIN connections c ON c.id = g.connection_id JOIN meters m ON m.id = c.meter_id"
        " WHERE (:since IS NULL OR MAX(g.began_utc_ns, COALESCE(g.ended_utc_ns, g.began_utc_ns)) >= :since"
        " OR (g.ended_utc_ns IS NULL AND c.boot = (SELECT MAX(id) FROM boots)))"
        " AND (:until IS NULL OR g.began_utc_ns < :until)"
        " AND (:meter IS NULL OR :meter COLLATE NOCASE IN (m.name, m.address, m.current_address)"
        " OR m.id IN (SELECT meter_id FROM meter_aliases WHERE address = :meter)) ORDER BY g.id",
        {"since": since_utc_ns, "until": until_utc_ns, "meter": meter},
    )
    return decode_rows(_stored_gap, rows)


def gaps_between(connection: sqlite3.Connection, begin: Moment, end: Moment) -> list[StoredGap]:
    """Return the gaps that began at ``begin`` or later, and before ``end``."""
    rows = connection.execute(
        f"SELECT g.*, c.boot, {METER_COLUMNS} FROM gaps g"  # noqa: S608  # constants
        " JOIN connections c ON c.id = g.connection_id JOIN meters m ON m.id = c.meter_id"
        " WHERE (c.boot, g.began_monotonic_ns) >= (?, ?) AND (c.boot, g.began_monotonic_ns) < (?, ?) ORDER BY g.id",
        (*begin, *end),
    )
    return decode_rows(_stored_gap, rows)


def clock_steps(
    connection: sqlite3.Connection, since_utc_ns: int | None = None, until_utc_ns: int | None = None
) -> list[ClockStep]:
    """Return the jumps of the wall clock in the order in which they were found; see `Reader.clock_steps`."""
    rows = connection.execute(
        "SELECT * FROM clock_steps WHERE (:since IS NULL OR MAX(before_utc_ns, after_utc_ns) >= :since)"
        " AND (:until IS NULL OR before_utc_ns < :until) ORDER BY id",
        {"since": since_utc_ns, "until": until_utc_ns},
    )
    return [_clock_step(row) for row in rows]


def clock_steps_between(connection: sqlite3.Connection, begin: Moment, end: Moment) -> list[ClockStep]:
    """Return the jumps of the wall clock that came at ``begin`` or later, and before ``end``."""
    rows = connection.execute(
        "SELECT * FROM clock_steps WHERE (boot, before_monotonic_ns) >= (?, ?) AND (boot, before_monotonic_ns) < (?, ?)"
        " ORDER BY id",
        (*begin, *end),
    )
    return [_clock_step(row) for row in rows]


class ClockSteps:
    """The jumps of the wall clock, to be asked for many readings."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._by_start: dict[int, list[tuple[int, int]]] = {}
        for start, after_ns, step_ns in map(
            tuple, connection.execute("SELECT boot, after_monotonic_ns, step_ns FROM clock_steps ORDER BY id")
        ):
            self._by_start.setdefault(start, []).append((after_ns, step_ns))

    def during_visit(self, start: int, visit_start: int, opened_ns: int, monotonic_ns: int) -> int:
        """Return the ns by which the clock was set during a visit, before its reading of ``monotonic_ns``.

        The reading came after one ``start`` of the station, the visit was opened at ``opened_ns`` (monotonic) after
        another or the same.
        """
        steps = self._by_start.get(start, ())
        since_ns = opened_ns if start == visit_start else -1
        return sum(step_ns for after_ns, step_ns in steps if since_ns < after_ns <= monotonic_ns)


def _clock_step(row: sqlite3.Row) -> ClockStep:
    return ClockStep(_timestamp(row, "before"), _timestamp(row, "after"), row["step_ns"], row["boot"])


def _timestamp(row: sqlite3.Row, name: str) -> Timestamp:
    return Timestamp(row[f"{name}_utc_ns"], row[f"{name}_monotonic_ns"])


def _end(row: sqlite3.Row) -> Timestamp | None:
    return None if row["ended_utc_ns"] is None else _timestamp(row, "ended")


def _stored_connection(row: sqlite3.Row) -> StoredConnection:
    return StoredConnection(
        row["id"],
        decode_meter(row),
        row["boot_id"],
        _timestamp(row, "connected"),
        row["driver"],
        row["profile"],
        row["profile_hash"],
        _end(row),
        None if row["end_reason"] is None else EndReason(row["end_reason"]),
    )


def _stored_gap(row: sqlite3.Row) -> StoredGap:
    return StoredGap(
        row["id"],
        row["boot"],
        decode_meter(row),
        row["connection_id"],
        GapCause(row["cause"]),
        _timestamp(row, "began"),
        _end(row),
        row["lost"],
    )
