"""Queries on raw readings. The stretches find them: the largest table is only searched by its row ids."""

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal
from functools import cache, partial

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.store.continuity import Moment
from meterlink.store.decoding import METER_COLUMNS, decode_decimal, decode_flag, decode_meter, decode_rows
from meterlink.store.rows import StoredReading
from meterlink.store.stretches import LARGEST_SHIFT, LONGEST_OFFSET, MOST_OPEN

# SQL for a WHERE clause on the stretch ``s``, and the values of its question marks.
StretchCondition = tuple[str, tuple[str | int, ...]]

_OF_VISIT = "s.visit_id = (SELECT id FROM visits WHERE uid = ?)"
_OF_POINT = (
    "s.point_id = (SELECT p.id FROM test_points p JOIN visits v ON v.id = p.visit_id WHERE v.uid = ? AND p.key = ?)"
)
_LARGEST_ID = 2**63 - 1  # of SQLite
_BY_TIME = "s.first_utc_ns BETWEEN ? AND ?"

# The last reading of a stretch that is open may be the newest of all.
_LAST_ID = "COALESCE(last_reading_id, (SELECT MAX(id) FROM raw_readings), 0)"
_SELECT_STRETCHES = f"""
    SELECT s.first_reading_id, {_LAST_ID} FROM stretches s
    WHERE {{condition}} ORDER BY s.first_reading_id
"""  # noqa: S608  # constants only
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
    WHERE r.id BETWEEN ? AND ? AND {{condition}} ORDER BY r.id {{order}} LIMIT ?
"""  # noqa: S608  # constants only
# Readings with the two times by which they are in order: nearly so, since a packet may wait, and the wall clock may be
# set.
_SELECT_TIMES = """
    SELECT r.id, s.first_utc_ns + r.utc_offset_us * 1000 AS utc_ns, c.boot,
        s.first_monotonic_ns + (r.utc_offset_us + r.clock_shift_us) * 1000 AS monotonic_ns
    FROM raw_readings r CROSS JOIN stretches s ON s.id = r.stretch_id CROSS JOIN connections c ON c.id = s.connection_id
    WHERE r.id BETWEEN ? AND ? ORDER BY r.id LIMIT ?
"""
_OF_METER_AND_TIME = """c.meter_id = ? AND c.boot = ?
    AND s.first_monotonic_ns + (r.utc_offset_us + r.clock_shift_us) * 1000 BETWEEN ? AND ?"""
_SECOND = 1_000_000_000
_LONGEST_STRETCH = (LONGEST_OFFSET + LARGEST_SHIFT) * 1000  # ns


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


def page(
    connection: sqlite3.Connection, limit: int, *, before_id: int | None = None, after_id: int | None = None
) -> list[StoredReading]:
    """Return the newest ``limit`` readings with an id below ``before_id``, in the order in which they were saved.

    With ``after_id`` instead, return the oldest ``limit`` ones above it.
    """
    first = 0 if after_id is None else after_id + 1
    last = _LARGEST_ID if before_id is None else before_id - 1
    order = "DESC" if after_id is None else "ASC"
    rows = connection.execute(_SELECT_READINGS.format(condition="1", order=order), (first, last, limit))
    found = decode_rows(_stored_reading, rows)
    return found[::-1] if after_id is None else found


def first_id_since(connection: sqlite3.Connection, utc_ns: int) -> int:
    """Return the id of the first reading at or after a time, or one above the newest; where the clock was set, nearly.

    The row ids rise with time only within the readings of one station: those of a merged database follow in a block.
    So each stretch that may have the time is searched, by some fifteen lookups, however many readings there are.
    """
    times_from = partial(_times_from, connection)
    found: list[tuple[int, int]] = []  # times and ids
    begun = connection.execute(
        f"SELECT first_reading_id, {_LAST_ID} FROM stretches WHERE first_utc_ns BETWEEN ? AND ?",  # noqa: S608  # constants
        (utc_ns - LONGEST_OFFSET * 1000, utc_ns),
    ).fetchall()
    for first, last in map(tuple, begun):
        reading_id = _bisect(times_from, first, last + 1, lambda row: row["utc_ns"] >= utc_ns)
        row = times_from(reading_id)
        if reading_id <= last and row is not None:
            found.append((row["utc_ns"], row["id"]))
    # Of a thinned stretch the first reading that is left may come late, or be another stretch's.
    following = connection.execute(
        f"SELECT first_reading_id FROM stretches WHERE first_utc_ns > ? AND first_reading_id <= {_LAST_ID}"  # noqa: S608  # constants
        " ORDER BY first_utc_ns, id LIMIT ?",
        (utc_ns, MOST_OPEN),
    ).fetchall()
    for (first,) in map(tuple, following):
        row = times_from(first)
        if row is not None and row["utc_ns"] >= utc_ns:
            found.append((row["utc_ns"], row["id"]))
    return min(found)[1] if found else _next_id(connection)


def moments_around(
    connection: sqlite3.Connection, first_id: int | None, last_id: int | None
) -> tuple[Moment | None, Moment | None]:
    """Return the earliest and the latest moment of the readings with these ids, of those between, and of the next one.

    None as an id is the beginning or the end of the table. None as a moment: there is no reading before, or no next.
    """
    (before,) = connection.execute("SELECT MAX(id) FROM raw_readings WHERE id <= ?", (first_id,)).fetchone()
    (beyond,) = connection.execute("SELECT MIN(id) FROM raw_readings WHERE id > ?", (last_id,)).fetchone()
    rows = connection.execute(_SELECT_TIMES, (before or 0, beyond or _LARGEST_ID, -1))  # -1: no limit
    moments = [_moment(row) for row in rows]
    return None if before is None else min(moments), None if beyond is None else max(moments)


def ids_before(connection: sqlite3.Connection, wanted: Iterable[Moment]) -> list[int]:
    """Return for each moment the id of the last reading before it, 0 if there is none.

    The next reading came after the moment. Some twenty lookups find the place, however many readings there are; moments
    near each other share them.
    """
    times_from = cache(partial(_times_from, connection))
    beyond = _next_id(connection)

    def first_after(moment: Moment) -> int:
        return _bisect(times_from, 1, beyond, lambda row: _moment(row) > moment)

    newest_below = "SELECT COALESCE(MAX(id), 0) FROM raw_readings WHERE id < ?"
    return [int(connection.execute(newest_below, (first_after(moment),)).fetchone()[0]) for moment in wanted]


def readings_around(
    connection: sqlite3.Connection, accepted_id: int, seconds_before: float, seconds_after: float, limit: int
) -> list[StoredReading]:
    """Return the readings of one meter around an accepted reading of it, in order; of more than ``limit`` the newest.

    The time is that of the monotonic clock, which nobody sets.
    """
    accepted = connection.execute(
        "SELECT r.id, c.meter_id, c.boot, a.monotonic_ns FROM accepted_readings a"
        " JOIN raw_readings r ON r.id = a.raw_reading_id JOIN stretches s ON s.id = r.stretch_id"
        " JOIN connections c ON c.id = s.connection_id WHERE a.id = ?",
        (accepted_id,),
    ).fetchone()
    if accepted is None:
        return []
    begin = accepted["monotonic_ns"] - round(seconds_before * _SECOND)
    end = accepted["monotonic_ns"] + round(seconds_after * _SECOND)
    boot = accepted["boot"]
    found: list[StoredReading] = []
    for first, last in reversed(_ranges_of_time(connection, accepted["meter_id"], boot, begin, end)):
        rows = connection.execute(
            _SELECT_READINGS.format(condition=_OF_METER_AND_TIME, order="DESC"),
            (first, last, accepted["meter_id"], boot, begin, end, limit - len(found)),
        )
        found += decode_rows(_stored_reading, rows)
    return found[::-1]


def _ranges_of_time(
    connection: sqlite3.Connection, meter_id: int, boot: int, begin: int, end: int
) -> list[tuple[int, int]]:
    """Return the ranges of row ids that have the readings of a meter from ``begin`` to ``end`` (ns, monotonic)."""
    stretches = connection.execute(
        f"SELECT first_reading_id, {_LAST_ID} FROM stretches"  # noqa: S608  # constants
        " WHERE connection_id IN (SELECT id FROM connections WHERE meter_id = ? AND boot = ?)"
        " AND first_monotonic_ns BETWEEN ? AND ? ORDER BY first_reading_id",
        (meter_id, boot, begin - _LONGEST_STRETCH, end + LARGEST_SHIFT * 1000),
    ).fetchall()
    # A second more on both sides: readings of several meters are not quite in the order of their times.
    # Readings of a later start come after all of these.
    times_from = partial(_times_from, connection)
    narrowed = [
        (
            _bisect(
                times_from, first, last + 1,
                lambda row: row["boot"] != boot or row["monotonic_ns"] >= begin - _SECOND,
            ),
            _bisect(
                times_from, first, last + 1,
                lambda row: row["boot"] != boot or row["monotonic_ns"] > end + _SECOND,
            ) - 1,
        )
        for first, last in map(tuple, stretches)
    ]  # fmt: skip
    return list(_joined_ranges(sorted(narrowed)))


def _next_id(connection: sqlite3.Connection) -> int:
    (newest,) = connection.execute("SELECT COALESCE(MAX(id), 0) FROM raw_readings").fetchone()
    return int(newest) + 1


def _times_from(connection: sqlite3.Connection, reading_id: int) -> sqlite3.Row | None:
    """Return the times of the reading with this id or of the next one; None if there is none."""
    row: sqlite3.Row | None = connection.execute(_SELECT_TIMES, (reading_id, _LARGEST_ID, 1)).fetchone()
    return row


def _moment(row: sqlite3.Row) -> Moment:
    return row["boot"], row["monotonic_ns"]


def _bisect(
    times_from: Callable[[int], sqlite3.Row | None], low: int, high: int, is_late: Callable[[sqlite3.Row], bool]
) -> int:
    """Return the first id from ``low`` whose reading is late, ``high`` if none is."""
    while low < high:
        middle = (low + high) // 2
        row = times_from(middle)
        if row is None or row["id"] >= high or is_late(row):
            high = middle
        else:
            low = row["id"] + 1
    return low


def _select(
    connection: sqlite3.Connection,
    stretches: StretchCondition,
    readings: StretchCondition,
    after_id: int,
    limit: int | None,
) -> list[StoredReading]:
    found: list[StoredReading] = []
    for first, last in stretch_id_ranges(connection, stretches):
        rest = -1 if limit is None else limit - len(found)  # SQLite: a negative LIMIT means no limit
        if rest and last > after_id:
            rows = connection.execute(
                _SELECT_READINGS.format(condition=readings[0], order="ASC"),
                (max(first, after_id + 1), last, *readings[1], rest),
            )
            found += decode_rows(_stored_reading, rows)
    return found


def stretch_id_ranges(connection: sqlite3.Connection, condition: StretchCondition) -> Iterator[tuple[int, int]]:
    """Yield ``(first, last)`` row ids of the readings in the stretches, ascending and not overlapping.

    Stretches of several meters overlap, and their readings must come in the order in which they were saved.
    """
    stretches: Iterable[tuple[int, int]] = connection.execute(
        _SELECT_STRETCHES.format(condition=condition[0]), condition[1]
    )
    return _joined_ranges(stretches)


def _joined_ranges(ranges: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Yield ranges of row ids, ascending and not overlapping; ``ranges`` are in the order of their beginnings."""
    first, last = 1, 0
    for begin, end in ranges:
        if begin > end:
            continue
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
