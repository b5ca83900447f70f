"""The state of a database: messages that wait, losses, growth. Read-only."""

import sqlite3
from typing import NamedTuple

from meterlink.core.equipment import Meter
from meterlink.store import raw_readings
from meterlink.store.decoding import METER_COLUMNS, decode_meter
from meterlink.store.thinning import ROW_SIZE

# The size of a packet is that of the newest readings: a scan of a day's rows would take seconds.
_SAMPLE = 1_000


class StoredMeterStatus(NamedTuple):
    """The state of one meter in the database.

    ``newest_utc_ns`` is the time of its newest raw reading, None without one. ``gaps`` is the number of times without
    readings that began within the period asked for, ``gap_seconds`` the length of those that have ended, ``lost`` the
    packets and readings that are known to be missing from them.
    """

    meter: Meter
    newest_utc_ns: int | None
    gaps: int = 0
    gap_seconds: float = 0.0
    lost: int = 0


class StoredStatus(NamedTuple):
    """The state of a database.

    ``outbox`` and ``set_aside`` are messages for the broker; ``messages_dropped`` and ``readings_dropped`` count since
    the database was made. ``recent_bytes`` is the size of the raw readings of the period asked for, ``clock_steps`` the
    number of jumps of the wall clock in it.
    """

    meters: tuple[StoredMeterStatus, ...]
    outbox: int
    set_aside: int
    messages_dropped: int
    readings_dropped: int
    recent_bytes: int
    clock_steps: int


def stored_status(connection: sqlite3.Connection, since_utc_ns: int) -> StoredStatus:
    """Return the state of a database; ``since_utc_ns`` (ns since 1970 UTC) begins the period of gaps and growth."""
    counters = dict(map(tuple, connection.execute("SELECT name, value FROM counters")))
    (outbox,) = connection.execute("SELECT COUNT(*) FROM outbox").fetchone()
    (set_aside,) = connection.execute("SELECT COUNT(*) FROM rejected_messages").fetchone()
    (steps,) = connection.execute(
        "SELECT COUNT(*) FROM clock_steps WHERE after_utc_ns >= ?", (since_utc_ns,)
    ).fetchone()
    return StoredStatus(
        meters=tuple(_meters(connection, since_utc_ns)),
        outbox=outbox,
        set_aside=set_aside,
        messages_dropped=counters.get("outbox_dropped", 0),
        readings_dropped=counters.get("readings_dropped", 0),
        recent_bytes=round(_recent_readings(connection, since_utc_ns) * _bytes_of_reading(connection)),
        clock_steps=steps,
    )


def _recent_readings(connection: sqlite3.Connection, since_utc_ns: int) -> int:
    """Return the number of raw readings since a time, by their row ids: counting them would read them all."""
    (newest,) = connection.execute("SELECT COALESCE(MAX(id), 0) FROM raw_readings").fetchone()
    return max(0, int(newest) + 1 - raw_readings.first_id_since(connection, since_utc_ns))


def _bytes_of_reading(connection: sqlite3.Connection) -> float:
    (packet,) = connection.execute(
        "SELECT AVG(LENGTH(packet)) FROM (SELECT packet FROM raw_readings ORDER BY id DESC LIMIT ?)", (_SAMPLE,)
    ).fetchone()
    return ROW_SIZE + (packet or 0.0)


def _meters(connection: sqlite3.Connection, since_utc_ns: int) -> list[StoredMeterStatus]:
    newest = dict(
        map(
            tuple,
            connection.execute(
                "SELECT c.meter_id, MAX(s.id) FROM stretches s JOIN connections c ON c.id = s.connection_id"
                " GROUP BY c.meter_id"
            ),
        )
    )
    gaps = {
        row["meter_id"]: row
        for row in connection.execute(
            "SELECT c.meter_id, COUNT(*) AS number, COALESCE(SUM(g.lost), 0) AS lost,"
            " COALESCE(SUM(g.ended_monotonic_ns - g.began_monotonic_ns), 0) / 1e9 AS seconds"
            " FROM gaps g JOIN connections c ON c.id = g.connection_id WHERE g.began_utc_ns >= ? GROUP BY c.meter_id",
            (since_utc_ns,),
        )
    }
    meters = []
    for row in connection.execute(f"SELECT m.id, {METER_COLUMNS} FROM meters m ORDER BY m.id"):  # noqa: S608  # constants
        of_gaps = gaps.get(row["id"])
        meters.append(
            StoredMeterStatus(
                decode_meter(row),
                _newest_time(connection, newest.get(row["id"])),
                *(() if of_gaps is None else (of_gaps["number"], of_gaps["seconds"], of_gaps["lost"])),
            )
        )
    return meters


def _newest_time(connection: sqlite3.Connection, stretch_id: int | None) -> int | None:
    """Return the time of the newest reading of a stretch; None without a stretch."""
    if stretch_id is None:
        return None
    stretch = connection.execute("SELECT first_utc_ns, last_reading_id FROM stretches WHERE id = ?", (stretch_id,))
    first, last = stretch.fetchone()
    if last is None:  # it is open, so its last reading is among the newest rows
        row = connection.execute(
            "SELECT utc_offset_us FROM raw_readings WHERE stretch_id = ? ORDER BY id DESC LIMIT 1", (stretch_id,)
        ).fetchone()
    else:  # None where it was thinned out
        row = connection.execute("SELECT utc_offset_us FROM raw_readings WHERE id = ?", (last,)).fetchone()
    return int(first) + (0 if row is None else int(row[0]) * 1000)
