"""The list of the raw readings, with the gaps and the steps of the clock each at its place in time.

The place of a gap is after the last reading before it, in the order in which readings were saved: that of the monotonic
clock, which nobody sets.
"""

import sqlite3

from meterlink.store import continuity, raw_readings
from meterlink.store.continuity import Moment
from meterlink.store.rows import ClockStep, RawLine, StoredGap

# Lines between two readings have the ids after that of the first: more than the gaps of any record.
_IDS = 2**40
_BEFORE_ALL: Moment = (-1, 0)
_AFTER_ALL: Moment = (2**62, 0)


def line_of_reading(reading_id: int) -> int:
    """Return the id of a reading's line."""
    return reading_id * _IDS


def page(
    connection: sqlite3.Connection, limit: int, *, before: int | None = None, after: int | None = None
) -> list[RawLine]:
    """Return the newest ``limit`` lines with an id below ``before``, in order.

    With ``after`` instead, return the oldest ``limit`` ones above it; with neither, the newest ones.
    """
    if after is None:
        last_id = None if before is None else (before - 1) // _IDS
        readings = raw_readings.page(connection, limit, before_id=None if last_id is None else last_id + 1)
        first_id = readings[0].id if len(readings) == limit else None
    else:
        first_id = after // _IDS
        readings = raw_readings.page(connection, limit, after_id=first_id)
        last_id = readings[-1].id if len(readings) == limit else None
    lines = [RawLine(line_of_reading(reading.id), reading) for reading in readings]
    lines += _lines_between(connection, first_id, last_id)
    lines = sorted(
        (line for line in lines if (before is None or line.id < before) and (after is None or line.id > after)),
        key=lambda line: line.id,
    )
    return lines[-limit:] if after is None else lines[:limit]


def _lines_between(connection: sqlite3.Connection, first_id: int | None, last_id: int | None) -> list[RawLine]:
    """Return the lines of the gaps and steps after each of these readings; None is the beginning, or the end."""
    begin, end = raw_readings.moments_around(connection, first_id, last_id)
    window = (begin or _BEFORE_ALL, end or _AFTER_ALL)
    gaps, steps = continuity.gaps_between(connection, *window), continuity.clock_steps_between(connection, *window)
    found: list[tuple[Moment, StoredGap | ClockStep]] = [
        *(((gap.start, gap.began.monotonic_ns), gap) for gap in gaps),
        *(((step.start, step.before.monotonic_ns), step) for step in steps),
    ]
    found.sort(key=lambda pair: pair[0])
    places = raw_readings.ids_before(connection, (moment for moment, _ in found))
    lines: list[RawLine] = []
    for place, (_, content) in zip(places, found, strict=True):
        newest = lines[-1].id if lines else 0
        lines.append(RawLine(max(newest, line_of_reading(place)) + 1, content))
    return lines
