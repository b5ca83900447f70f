"""The rows of an export: accepted readings of one moment, raw readings in pages."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from decimal import Decimal
from functools import lru_cache
from math import isfinite
from pathlib import Path
from typing import NamedTuple

from meterlink.store.connections import connect_for_reading
from meterlink.store.exchange_fields import (
    ACCEPTED_FIELDS,
    CORRECTION_FIELDS,
    KEY_FIELDS,
    NOTE_FIELDS,
    POINT_FIELDS,
    READING_FIELDS,
    REPLACEMENT_FIELDS,
    SALT_FIELDS,
    SEAL_FIELDS,
    STRETCH_FIELDS,
    VERDICT_FIELDS,
    VISIT_FIELDS,
    VOID_FIELDS,
    Field,
    select_list,
)
from meterlink.store.queries import AT_UNIT, Condition
from meterlink.store.raw_readings import stretch_id_ranges
from meterlink.store.stretches import LARGEST_SHIFT, LONGEST_OFFSET

Value = str | int | float | bytes | None
Row = tuple[Value, ...]
RawRow = tuple[str, int, int, "str | None", "float | None", bytes]
"""The values of `RAW_ROW_FIELDS`."""
Page = Sequence[tuple[RawRow, "Stretch"]]
"""Raw readings, each with its stretch."""
_StoredRow = tuple[int, int, int, int, "int | str | None", bytes]
Nested = dict[str, "Value | list[Nested]"]

# Raw readings in one transaction: some milliseconds, so that the log of the station that writes can be cleared between.
_PAGE = 10_000
# Stretches remembered: many times those that are open at once (`stretches.MOST_OPEN`).
_REMEMBERED_STRETCHES = 512

_ENDLESS = 2**63  # ns

_FROM_ACCEPTED = """
    FROM current_readings a
    CROSS JOIN verdicts j ON j.id = (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id)
    LEFT JOIN voids x ON x.id = (SELECT MAX(id) FROM voids WHERE accepted_id = a.id)
    CROSS JOIN raw_readings r ON r.id = a.raw_reading_id
    CROSS JOIN stretches st ON st.id = r.stretch_id
    LEFT JOIN visits rv ON rv.id = st.visit_id
    LEFT JOIN test_points rp ON rp.id = st.point_id
    CROSS JOIN connections c ON c.id = st.connection_id
    CROSS JOIN boots b ON b.id = c.boot
    CROSS JOIN meters m ON m.id = c.meter_id
    CROSS JOIN visits v ON v.id = a.visit_id
    CROSS JOIN boots vb ON vb.id = v.boot
    CROSS JOIN test_points p ON p.id = a.point_id
    CROSS JOIN components co ON co.id = p.component_id
    CROSS JOIN circuits ci ON ci.id = co.circuit_id
    CROSS JOIN units u ON u.id = v.unit_id
    CROSS JOIN sites s ON s.id = u.site_id
"""
_FROM_STRETCHES = """
    FROM stretches st
    CROSS JOIN connections c ON c.id = st.connection_id
    CROSS JOIN boots b ON b.id = c.boot
    CROSS JOIN meters m ON m.id = c.meter_id
    LEFT JOIN visits v ON v.id = st.visit_id
    LEFT JOIN test_points p ON p.id = st.point_id
    WHERE st.id = ?
"""
_FROM_VISITS = """
    FROM visits v JOIN boots b ON b.id = v.boot JOIN units u ON u.id = v.unit_id JOIN sites s ON s.id = u.site_id
    WHERE v.uid = ?
"""
_FROM_POINTS = """
    FROM test_points p JOIN components co ON co.id = p.component_id JOIN circuits ci ON ci.id = co.circuit_id
    JOIN visits v ON v.id = p.visit_id WHERE v.uid = ? ORDER BY p.id
"""
_OF_VISIT = "JOIN visits v ON v.id = {0}.visit_id WHERE v.uid = ?"

_KEYS_OF_VISIT = f"""
    FROM station_keys z WHERE z.public_key IN (SELECT q.public_key FROM seals q {_OF_VISIT.format("q")})
    ORDER BY z.public_key
"""  # noqa: S608  # constants only


class ExportFilter(NamedTuple):
    """The readings to export; None selects all. Times are ns since 1970 UTC: at or after, and before.

    Readings accepted while the station's clock was known to be unset are in every time.
    """

    visit_uid: str | None = None
    unit: str | None = None
    since_utc_ns: int | None = None
    until_utc_ns: int | None = None

    @property
    def of_all_times(self) -> bool:
        """Whether readings of any time are chosen."""
        return self.since_utc_ns is None and self.until_utc_ns is None


class AcceptedReadings:
    """The chosen accepted readings at one moment, in the order of acceptance; made by `accepted_export`."""

    def __init__(self, connection: sqlite3.Connection, chosen: ExportFilter, *, whole_visits: bool) -> None:
        self._connection = connection
        conditions = [
            (text, value)
            for text, value in (
                ("a.visit_id = (SELECT id FROM visits WHERE uid = ?)", chosen.visit_uid),
                (AT_UNIT, chosen.unit),
                ("(a.utc_ns >= ? OR a.clock_set = 0)", chosen.since_utc_ns),
                ("(a.utc_ns < ? OR a.clock_set = 0)", chosen.until_utc_ns),
            )
            if value is not None
        ]
        where = " AND ".join(["1", *(text for text, _ in conditions)])
        if whole_visits:
            where = f"a.visit_id IN (SELECT a.visit_id FROM accepted_readings a WHERE {where})"  # noqa: S608  # values are bound
        self._where = where
        self._values = tuple(value for _, value in conditions)

    def count(self) -> tuple[int, int]:
        """Return the numbers of readings and of visits."""
        query = f"SELECT COUNT(*), COUNT(DISTINCT a.visit_id) FROM accepted_readings a WHERE {self._where}"  # noqa: S608  # values are bound
        readings, visits = self._connection.execute(query, self._values).fetchone()
        return readings, visits

    def rows(self) -> Iterator[Row]:
        """Yield each reading with its current verdict, its newest void and correction: `ACCEPTED_FIELDS`."""
        yield from self._select(ACCEPTED_FIELDS)

    def readings(self) -> Iterator[tuple[Nested, list[Nested], list[Nested], list[Nested]]]:
        """Yield each reading (`READING_FIELDS`) with all its verdicts, voids and corrections, oldest first."""
        names = [field.name for field in READING_FIELDS]
        for row in self._select(READING_FIELDS):
            reading: Nested = dict(zip(names, row, strict=True))
            of_reading = "JOIN accepted_readings a ON a.id = {0}.accepted_id WHERE a.uid = ? ORDER BY {0}.id"
            yield (
                reading,
                self._list(VERDICT_FIELDS, f"FROM verdicts j {of_reading.format('j')}", reading["uid"]),
                self._list(VOID_FIELDS, f"FROM voids x {of_reading.format('x')}", reading["uid"]),
                self._list(CORRECTION_FIELDS, f"FROM corrections w {of_reading.format('w')}", reading["uid"]),
            )

    def visit(self, uid: str) -> Nested:
        """Return a visit with its test points, notes, replacements and seals."""
        visit = visit_record(self._connection, uid)
        visit["notes"] = self._list(
            NOTE_FIELDS,
            f"FROM notes n LEFT JOIN test_points p ON p.id = n.point_id {_OF_VISIT.format('n')} ORDER BY n.id",
            uid,
        )
        for name, fields, source in (
            ("replacements", REPLACEMENT_FIELDS, f"FROM replacements k {_OF_VISIT.format('k')} ORDER BY k.id"),
            ("seals", SEAL_FIELDS, f"FROM seals q {_OF_VISIT.format('q')} ORDER BY q.id"),
            ("seal_salts", SALT_FIELDS, f"FROM seal_salts y {_OF_VISIT.format('y')} ORDER BY y.subject"),
            ("station_keys", KEY_FIELDS, _KEYS_OF_VISIT),
        ):
            visit[name] = self._list(fields, source, uid)
        return visit

    def _select(self, fields: tuple[Field, ...]) -> Iterator[Row]:
        query = f"SELECT {select_list(fields)} {_FROM_ACCEPTED} WHERE {self._where} ORDER BY a.id"  # values are bound
        yield from self._connection.execute(query, self._values)

    def _list(self, fields: tuple[Field, ...], source: str, uid: "Value | list[Nested]") -> list[Nested]:
        return _records(self._connection, fields, source, uid)


@contextmanager
def accepted_export(path: Path, chosen: ExportFilter, *, whole_visits: bool = False) -> Iterator[AcceptedReadings]:
    """Yield the chosen accepted readings of the database at ``path``; the context is one read transaction.

    ``whole_visits`` adds all other readings of a visit with a chosen one.

    Raises:
        StoreError: the database cannot be read.
    """
    with connect_for_reading(path) as connection:
        connection.row_factory = None
        yield AcceptedReadings(connection, chosen, whole_visits=whole_visits)


def visit_record(connection: sqlite3.Connection, uid: str) -> Nested:
    """Return a visit (`VISIT_FIELDS`) with its test points (``points``)."""
    (visit,) = _records(connection, VISIT_FIELDS, _FROM_VISITS, uid)
    visit["points"] = _records(connection, POINT_FIELDS, _FROM_POINTS, uid)
    return visit


def _records(
    connection: sqlite3.Connection, fields: tuple[Field, ...], source: str, uid: "Value | list[Nested]"
) -> list[Nested]:
    names = [field.name for field in fields]
    rows = connection.execute(f"SELECT {select_list(fields)} {source}", (uid,))  # values are bound
    return [dict(zip(names, row, strict=True)) for row in rows]


class Stretch(NamedTuple):
    """All that consecutive raw readings have in common. ``values`` are those of `STRETCH_FIELDS`."""

    values: Row
    visit_uid: str | None
    first_utc_ns: int
    first_monotonic_ns: int
    places: int | None
    factor: float | None
    divisor: float | None
    offset: float | None
    clock_is_trusted: bool  # not known to be unset


class RawReadings:
    """The chosen raw readings of the database at ``path``, in the order in which they came, up to the present one.

    Each page of them is a transaction of its own, so that a long export never keeps the station's log from being
    cleared. Readings that are thinned out meanwhile are missing; all others are as they were, since none ever changes.
    """

    def __init__(self, path: Path, chosen: ExportFilter) -> None:
        self._path = path
        self._chosen = chosen
        self._stretches: dict[int, Stretch] = {}
        self._since = -_ENDLESS if chosen.since_utc_ns is None else chosen.since_utc_ns
        self._until = _ENDLESS if chosen.until_utc_ns is None else chosen.until_utc_ns
        self._ranges = self._id_ranges()

    @property
    def upper_count(self) -> int:
        """A number that the readings do not exceed."""
        return sum(last - first + 1 for first, last in self._ranges)

    def rows(self) -> Iterator[tuple[RawRow, Stretch]]:
        """Yield the values of `RAW_ROW_FIELDS` of each reading, with its stretch."""
        for page in self.pages():
            yield from page

    def pages(self) -> Iterator[Page]:
        """Yield the readings as `rows` does, in lists.

        Raises:
            StoreError: the database cannot be read.
        """
        for first, last in self._ranges:
            after = first - 1
            while after < last:
                with connect_for_reading(self._path) as connection:
                    connection.row_factory = None
                    rows = connection.execute(
                        "SELECT id, stretch_id, utc_offset_us, clock_shift_us, digits, packet FROM raw_readings"
                        " WHERE id BETWEEN ? AND ? ORDER BY id LIMIT ?",
                        (after + 1, last, _PAGE),
                    ).fetchall()
                    page = self._page(connection, rows)
                if not rows:
                    break
                after = rows[-1][0]
                yield page

    def visit(self, uid: str) -> Nested:
        """Return a visit with its test points, but without all that accepted readings belong to.

        Raises:
            StoreError: the database cannot be read.
        """
        with connect_for_reading(self._path) as connection:
            connection.row_factory = None
            return visit_record(connection, uid)

    def _id_ranges(self) -> list[tuple[int, int]]:
        chosen = self._chosen
        conditions: list[Condition] = []
        if chosen.visit_uid is not None:
            conditions.append(("s.visit_id = (SELECT id FROM visits WHERE uid = ?)", (chosen.visit_uid,)))
        since_ns, until_ns = chosen.since_utc_ns, chosen.until_utc_ns
        if since_ns is not None:
            conditions.append(("s.first_utc_ns >= ? OR s.clock_set = 0", (since_ns - LONGEST_OFFSET * 1000,)))
        if until_ns is not None:
            conditions.append(("s.first_utc_ns < ? OR s.clock_set = 0", (until_ns + LARGEST_SHIFT * 1000,)))
        if chosen.unit is not None:
            of_unit = "s.visit_id IN (SELECT v.id FROM visits v JOIN units u ON u.id = v.unit_id WHERE {})"
            conditions.append((of_unit.format("u.name = ? COLLATE NOCASE"), (chosen.unit,)))
        where = " AND ".join(f"({text})" for text, _ in conditions) or "1"
        values = tuple(value for _, of_condition in conditions for value in of_condition)
        with connect_for_reading(self._path) as connection:
            return list(stretch_id_ranges(connection, (where, values)))

    def _page(self, connection: sqlite3.Connection, rows: list[_StoredRow]) -> list[tuple[RawRow, Stretch]]:
        known, since, until = self._stretches, self._since, self._until
        page: list[tuple[RawRow, Stretch]] = []
        is_limited = not self._chosen.of_all_times
        for _, stretch_id, offset_us, shift_us, digits, packet in rows:
            stretch = known.get(stretch_id)
            if stretch is None:
                stretch = self._load(connection, stretch_id)
            if stretch.places == _NOT_CHOSEN:
                continue
            utc_ns = stretch.first_utc_ns + offset_us * 1000
            if is_limited and stretch.clock_is_trusted and not since <= utc_ns < until:
                continue
            second, rest = divmod(utc_ns, 1_000_000_000)
            text, value = _number(digits, stretch.places, stretch.factor, stretch.divisor, stretch.offset)
            monotonic_ns = stretch.first_monotonic_ns + (offset_us + shift_us) * 1000
            at = f"{_second_text(second)}.{rest // 1000:06}Z"
            page.append(((at, utc_ns, monotonic_ns, text, value, packet), stretch))
        return page

    def _load(self, connection: sqlite3.Connection, stretch_id: int) -> Stretch:
        chosen = self._chosen
        *values, visit_uid, unit, utc, monotonic, places, factor, divisor, offset, unset = connection.execute(
            f"SELECT {select_list(STRETCH_FIELDS)}, v.uid, (SELECT name FROM units WHERE id = v.unit_id),"  # noqa: S608  # constants
            " st.first_utc_ns, st.first_monotonic_ns, st.places, st.base_factor, st.base_divisor, st.base_offset,"
            f" st.clock_set IS 0 {_FROM_STRETCHES}",
            (stretch_id,),
        ).fetchone()
        if chosen.visit_uid not in {None, visit_uid} or (
            chosen.unit is not None and (unit is None or unit.casefold() != chosen.unit.casefold())
        ):
            places = _NOT_CHOSEN
        if len(self._stretches) >= _REMEMBERED_STRETCHES:
            del self._stretches[next(iter(self._stretches))]
        stretch = Stretch(tuple(values), visit_uid, utc, monotonic, places, factor, divisor, offset, not unset)
        self._stretches[stretch_id] = stretch
        return stretch


_NOT_CHOSEN = -1  # in place of the decimal places, of a stretch whose readings are not exported


@lru_cache(64)  # readings come nearly in the order of their times
def _second_text(second: int) -> str:
    try:
        return f"{datetime.fromtimestamp(second, UTC):%Y-%m-%dT%H:%M:%S}"
    except (ValueError, OverflowError, OSError):  # a clock far off
        return "time unknown"


@lru_cache(65_536)  # more than the values that displays of four digits show, of some meters
def _number(
    digits: int | str | None, places: int | None, factor: float | None, divisor: float | None, offset: float | None
) -> tuple[str | None, float | None]:
    """Return the digits with their point, as the display showed them, and the value in the base unit."""
    if digits is None:
        return None, None
    text = f"{Decimal(digits).scaleb(-(places or 0)):f}" if isinstance(digits, int) else digits
    if factor is None or divisor is None or offset is None:
        return text, None
    value = float(digits) * factor / divisor + offset
    return text, value if isfinite(value) else None
