"""Stretches of raw readings: all that many readings have in common is kept once, so that a reading needs few bytes.

A stretch is a run of readings of one connection, visit, test point and display form (quantity, unit, decimal places,
flags …). A reading keeps its stretch, its times as offsets from the stretch's beginning, its digits and its packet.
Several stretches may be open at once: each meter has one, and one more for each display form that it changes to.
"""

import sqlite3
from collections.abc import Iterable
from decimal import Decimal
from functools import cache, lru_cache

from meterlink.core.errors import StoreError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import to_base
from meterlink.store.rows import ReadingRow

# A stretch lasts 36 minutes at most: until then the offset of a reading in µs fits into SQLite's integer of 4 bytes.
# The next size has 6 bytes; a new stretch costs less. A search by time also relies on it.
LONGEST_OFFSET = 2**31 - 1  # µs
# UTC and monotonic time of one stretch stay this close (SQLite's integer of 2 bytes), and no reading is earlier than
# the first by more: a step of the clock begins a new stretch.
LARGEST_SHIFT = 2**15 - 1  # µs
# Open stretches: 8 meters with 8 display forms each. Beyond it the oldest is closed; it begins again when it is needed.
MOST_OPEN = 64
# An integer of 64 bits holds every number of 18 digits. Longer numbers are kept as text, and a negative zero, too.
MOST_DIGITS = 18

_TEXT = -1  # in place of the decimal places, for digits kept as text

# Readings in one statement. Python gives up its lock for every statement: with one for each reading the writer waits
# for the event loop more than for SQLite. More than this many gain nothing.
_READINGS_PER_STATEMENT = 50
# Digits whose encoding is remembered: more than the values that the displays of a visit show.
_REMEMBERED_DIGITS = 4096
_INSERT_STRETCH = """
    INSERT INTO stretches (connection_id, visit_id, point_id, clock_set, quantity, unit, status, coupling, resolution,
        places, low_battery, display_hold, relative, channel, base_factor, base_divisor, base_offset, first_utc_ns,
        first_monotonic_ns, first_reading_id)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""

_VALUES_OF_READING = 6

_Key = tuple[object, ...]


class _OpenStretch:
    __slots__ = ("connection_id", "first_monotonic_ns", "first_utc_ns", "id", "last_reading_id")

    def __init__(self, stretch_id: int, connection_id: int, first_utc_ns: int, first_monotonic_ns: int) -> None:
        self.id = stretch_id
        self.connection_id = connection_id
        self.first_utc_ns = first_utc_ns
        self.first_monotonic_ns = first_monotonic_ns
        self.last_reading_id = 0


class StretchWriter:
    """Inserts raw readings, and begins and ends their stretches, in the writer's transaction.

    An open stretch has no last reading in the database; it is written once, when the stretch ends. Open stretches are
    remembered between transactions, so call `forget` after every rollback: the remembered ones may not exist any more.

    A time is exact to 1 µs. With ``exact_times``, for readings that a database has given out, it is exact to 1 ns: all
    readings of a stretch have the same ns beyond whole µs.
    """

    def __init__(self, *, exact_times: bool = False) -> None:
        self._exact_times = exact_times
        self._open: dict[_Key, _OpenStretch] = {}  # in the order in which they were begun
        self._next_id = 0  # of the next reading; 0: not read from the database yet

    def forget(self) -> None:
        """Forget all open stretches; the next `insert` ends those in the database and begins new ones."""
        self._open.clear()
        self._next_id = 0

    def insert(self, connection: sqlite3.Connection, rows: Iterable[ReadingRow]) -> int:
        """Insert readings in their order; return the id of the last one.

        Raises:
            StoreError: a reading has digits without the status ok, or that status without digits.
            InputError: the unit of a reading is unknown.
        """
        if not self._next_id:
            self._end_all(connection)
        inserts: list[object] = []
        open_stretches, exact_times = self._open, self._exact_times
        reading_id = self._next_id
        for row in rows:
            reading, connection_id, visit_id, point_id, clock_set = row
            utc_ns, monotonic_ns = reading.timestamp.utc_ns, reading.timestamp.monotonic_ns
            places, digits = _encode(reading.digits)
            # The text of the resolution: 0.1 and 0.10 are equal, but not the same.
            key = (
                connection_id, visit_id, point_id, clock_set, reading.quantity, reading.unit, reading.status,
                reading.coupling, str(reading.resolution), places, reading.low_battery, reading.display_hold,
                reading.relative, reading.channel,
                (utc_ns % 1000, monotonic_ns % 1000) if exact_times else None,
            )  # fmt: skip
            stretch = open_stretches.get(key)
            if stretch is not None:
                offset = (utc_ns - stretch.first_utc_ns) // 1000
                shift = (monotonic_ns - stretch.first_monotonic_ns) // 1000 - offset
                if not (-LARGEST_SHIFT <= shift <= LARGEST_SHIFT and -LARGEST_SHIFT <= offset <= LONGEST_OFFSET):
                    self._end(connection, key)
                    stretch = None
            if stretch is None:
                stretch = self._begin(connection, key, row, places, reading_id)
                offset = shift = 0
            inserts += (reading_id, stretch.id, offset, shift, digits, reading.packet)
            stretch.last_reading_id = reading_id
            reading_id += 1
        values_per_statement = _READINGS_PER_STATEMENT * _VALUES_OF_READING
        for first in range(0, len(inserts), values_per_statement):
            values = inserts[first : first + values_per_statement]
            connection.execute(_insert_statement(len(values) // _VALUES_OF_READING), values)
        self._next_id = reading_id
        return reading_id - 1

    def end_connection(self, connection: sqlite3.Connection, connection_id: int) -> None:
        """End the stretches of a connection that has ended."""
        for key in [key for key, stretch in self._open.items() if stretch.connection_id == connection_id]:
            self._end(connection, key)

    def _begin(
        self, connection: sqlite3.Connection, key: _Key, row: ReadingRow, places: int | None, reading_id: int
    ) -> _OpenStretch:
        reading, connection_id, *_ = row
        utc_ns, monotonic_ns = reading.timestamp.utc_ns, reading.timestamp.monotonic_ns
        while self._open:
            oldest = next(iter(self._open))
            age = (utc_ns - self._open[oldest].first_utc_ns) // 1000
            if len(self._open) < MOST_OPEN and abs(age) <= LONGEST_OFFSET:
                break
            self._end(connection, oldest)
        values = _stretch_values(row, places, reading_id)
        stretch_id = connection.execute(_INSERT_STRETCH, values).lastrowid
        assert stretch_id is not None  # noqa: S101  # sqlite3 sets it after every INSERT
        stretch = self._open[key] = _OpenStretch(stretch_id, connection_id, utc_ns, monotonic_ns)
        return stretch

    def _end(self, connection: sqlite3.Connection, key: _Key) -> None:
        stretch = self._open.pop(key)
        connection.execute(
            "UPDATE stretches SET last_reading_id = ? WHERE id = ?", (stretch.last_reading_id, stretch.id)
        )

    def _end_all(self, connection: sqlite3.Connection) -> None:
        """End the stretches that an earlier run or a rolled-back transaction left open.

        Their last readings are unknown. The newest of all readings is the bound: no later one belongs to them.
        """
        (newest,) = connection.execute("SELECT COALESCE(MAX(id), 0) FROM raw_readings").fetchone()
        connection.execute("UPDATE stretches SET last_reading_id = ? WHERE last_reading_id IS NULL", (newest,))
        self._next_id = newest + 1


def insert_alone(connection: sqlite3.Connection, reading_id: int, row: ReadingRow) -> None:
    """Insert a raw reading with this row id, in an ended stretch of its own.

    Raises:
        StoreError: it has digits without the status ok, or that status without digits.
        InputError: its unit is unknown.
    """
    places, digits = _encode(row.reading.digits)
    stretch_id = connection.execute(_INSERT_STRETCH, _stretch_values(row, places, reading_id)).lastrowid
    connection.execute("UPDATE stretches SET last_reading_id = first_reading_id WHERE id = ?", (stretch_id,))
    connection.execute(_insert_statement(1), (reading_id, stretch_id, 0, 0, digits, row.reading.packet))


def decimal_text(number: Decimal | None) -> str | None:
    """Return a number as a display shows it: no exponent, trailing zeros kept; None for None."""
    return None if number is None else f"{number:f}"


@cache
def _insert_statement(count: int) -> str:
    """Return the statement that inserts so many readings."""
    rows = ", ".join(["(?, ?, ?, ?, ?, ?)"] * count)
    return f"INSERT INTO raw_readings (id, stretch_id, utc_offset_us, clock_shift_us, digits, packet) VALUES {rows}"  # noqa: S608  # constants only


def _encode(number: Decimal | None) -> tuple[int | None, int | str | None]:
    """Return ``(decimal places, digits without the point)``: 4.70 → ``(2, 470)``."""
    return (None, None) if number is None else _encode_text(str(number))


@lru_cache(_REMEMBERED_DIGITS)
def _encode_text(text: str) -> tuple[int, int | str]:
    if "E" in text:
        text = f"{Decimal(text):f}"
    whole, _, fraction = text.partition(".")
    try:
        digits = int(whole + fraction)
    except ValueError:  # not a number
        return _TEXT, text
    if len(whole) + len(fraction) > MOST_DIGITS or (not digits and whole[0] == "-"):
        return _TEXT, text
    return len(fraction), digits


def _stretch_values(row: ReadingRow, places: int | None, reading_id: int) -> tuple[object, ...]:
    reading, connection_id, visit_id, point_id, clock_set = row
    if (reading.status == Status.OK) != (reading.digits is not None):
        raise StoreError(
            f"A reading with the status {reading.status} has the digits {reading.digits}.",
            "Report it to the author of the meter's driver.",
        )
    return (
        connection_id,
        visit_id,
        point_id,
        clock_set,
        reading.quantity,
        reading.unit,
        reading.status,
        reading.coupling,
        decimal_text(reading.resolution),
        None if places == _TEXT else places,
        reading.low_battery,
        reading.display_hold,
        reading.relative,
        reading.channel,
        *_base_conversion(reading, places),
        reading.timestamp.utc_ns,
        reading.timestamp.monotonic_ns,
        reading_id,
    )


def _base_conversion(reading: Reading, places: int | None) -> tuple[float | None, float | None, float | None]:
    """Return ``(factor, divisor, offset)``: stored digits * factor / divisor + offset is the value in the base unit.

    The division by a power of ten is rounded correctly: 45.10 µF is 4.51e-05 F, not 4.5100000000000004e-05.
    """
    if places is None:
        return None, None, None
    offset = to_base(Decimal(0), reading.unit)
    # The stored digits are a number of counts in the last place, or a text of whole units. Scaled after the
    # subtraction, which would cancel the digits of a small count.
    factor = (to_base(Decimal(1), reading.unit) - offset).scaleb(-max(places, 0))
    if factor < 1 and factor.normalize().as_tuple().digits == (1,):
        return 1.0, float(1 / factor), float(offset)
    return float(factor), 1.0, float(offset)
