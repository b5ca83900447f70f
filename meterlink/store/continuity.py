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


def gaps(connection: sqlite3.Connection) -> list[StoredGap]:
    """Return all gaps in the order in which they were saved."""
    rows = connection.execute(
        f"SELECT g.*, {METER_COLUMNS} FROM gaps g"  # noqa: S608  # constants
        " JOIN connections c ON c.id = g.connection_id JOIN meters m ON m.id = c.meter_id ORDER BY g.id"
    )
    return decode_rows(_stored_gap, rows)


def clock_steps(connection: sqlite3.Connection) -> list[ClockStep]:
    """Return all jumps of the wall clock in the order in which they were found."""
    rows = connection.execute("SELECT * FROM clock_steps ORDER BY id")
    return [ClockStep(_timestamp(row, "before"), _timestamp(row, "after"), row["step_ns"]) for row in rows]


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
        decode_meter(row),
        row["connection_id"],
        GapCause(row["cause"]),
        _timestamp(row, "began"),
        _end(row),
        row["lost"],
    )
