"""Queries on raw readings. The stretches find them: the largest table is only searched by its row ids."""

import sqlite3
from collections.abc import Iterable, Iterator
from decimal import Decimal

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.store.decoding import METER_COLUMNS, decode_decimal, decode_flag, decode_meter, decode_rows
from meterlink.store.rows import StoredReading
from meterlink.store.stretches import LARGEST_SHIFT, LONGEST_OFFSET

# SQL for a WHERE clause on the stretch ``s``, and the values of its question marks.
StretchCondition = tuple[str, tuple[str | int, ...]]

_OF_VISIT = "s.visit_id = (SELECT id FROM visits WHERE uid = ?)"
_OF_POINT = (
    "s.point_id = (SELECT p.id FROM test_points p JOIN visits v ON v.id = p.visit_id WHERE v.uid = ? AND p.key = ?)"
)
_BY_TIME = "s.first_utc_ns BETWEEN ? AND ?"

_SELECT_STRETCHES = """
    SELECT s.first_reading_id, COALESCE(s.last_reading_id, (SELECT MAX(id) FROM raw_readings)) FROM stretches s
    WHERE {condition} ORDER BY s.first_reading_id
"""
# CROSS JOIN makes SQLite start at the range of row ids. Of two columns with one name the first counts: ``id`` is that
# of the reading.
_SELECT_READINGS = f"""
    SELECT r.*, s.*, c.driver, c.profile_hash, b.boot_id, {METER_COLUMNS}, v.uid, p.key
    FROM raw_readings r
    CROSS JOIN stretches s ON s.id = r.stretch_id
    CROSS JOIN connections c ON c.id = s.connection_id
    CROSS JOIN boots b ON b.id = c.boot
    CROSS JOIN meters m ON m.id = c.meter_id
    LEFT JOIN visits v ON v.id = s.visit_id
    LEFT JOIN test_points p ON p.id = s.point_id
    WHERE r.id BETWEEN ? AND ? AND {{condition}} ORDER BY r.id LIMIT ?
"""  # noqa: S608  # constants only


def readings_of_visit(
    connection: sqlite3.Connection, visit_uid: str, point_key: str | None, after_id: int, limit: int | None
) -> list[StoredReading]:
    """Return the first ``limit`` readings of a visit, or of one of its test points, with an id above ``after_id``."""
    condition = (_OF_VISIT, (visit_uid,)) if point_key is None else (_OF_POINT, (visit_uid, point_key))
    return _select(connection, condition, condition, after_id, limit)


def readings_between(
    connection: sqlite3.Connection, begin_utc_ns: int, end_utc_ns: int, after_id: int, limit: int | None
) -> list[StoredReading]:
    """Return the first ``limit`` readings of a time, both ends included, with an id above ``after_id``."""
    stretches = (_BY_TIME, (begin_utc_ns - LONGEST_OFFSET * 1000, end_utc_ns + LARGEST_SHIFT * 1000))
    readings = (
        f"{_BY_TIME} AND s.first_utc_ns + r.utc_offset_us * 1000 BETWEEN ? AND ?",
        (*stretches[1], begin_utc_ns, end_utc_ns),
    )
    return _select(connection, stretches, readings, after_id, limit)


def _select(
    connection: sqlite3.Connection,
    stretches: StretchCondition,
    readings: StretchCondition,
    after_id: int,
    limit: int | None,
) -> list[StoredReading]:
    found: list[StoredReading] = []
    for first, last in _id_ranges(connection, stretches):
        rest = -1 if limit is None else limit - len(found)  # SQLite: a negative LIMIT means no limit
        if rest and last > after_id:
            rows = connection.execute(
                _SELECT_READINGS.format(condition=readings[0]), (max(first, after_id + 1), last, *readings[1], rest)
            )
            found += decode_rows(_stored_reading, rows)
    return found


def _id_ranges(connection: sqlite3.Connection, condition: StretchCondition) -> Iterator[tuple[int, int]]:
    """Yield ``(first, last)`` row ids of the readings in the stretches, ascending and not overlapping.

    Stretches of several meters overlap, and their readings must come in the order in which they were saved.
    """
    stretches: Iterable[tuple[int, int]] = connection.execute(
        _SELECT_STRETCHES.format(condition=condition[0]), condition[1]
    )
    first, last = 1, 0
    for begin, end in stretches:
        if begin > last + 1:
            if last:
                yield first, last
            first = begin
        last = max(last, end)
    if last:
        yield first, last


def _stored_reading(row: sqlite3.Row) -> StoredReading:
    utc_offset_us = row["utc_offset_us"]
    timestamp = Timestamp(
        row["first_utc_ns"] + utc_offset_us * 1000,
        row["first_monotonic_ns"] + (utc_offset_us + row["clock_shift_us"]) * 1000,
    )
    reading = Reading(
        quantity=Quantity(row["quantity"]),
        digits=_decode_digits(row["digits"], row["places"]),
        unit=row["unit"],
        timestamp=timestamp,
        status=Status(row["status"]),
        coupling=None if row["coupling"] is None else Coupling(row["coupling"]),
        resolution=decode_decimal(row["resolution"]),
        low_battery=bool(row["low_battery"]),
        channel=row["channel"],
        packet=row["packet"],
        display_hold=bool(row["display_hold"]),
        relative=bool(row["relative"]),
    )
    return StoredReading(
        row["id"],
        reading,
        decode_meter(row),
        row["uid"],
        row["key"],
        row["boot_id"],
        decode_flag(row["clock_set"]),
        row["connection_id"],
        row["driver"],
        row["profile_hash"],
    )


def _decode_digits(digits: int | str | None, places: int | None) -> Decimal | None:
    if isinstance(digits, int):
        return Decimal(digits).scaleb(-(places or 0))
    return decode_decimal(digits)
