"""The raw readings of another database: copied as they are, or compared where both have readings of one connection.

SQL inside the transaction of `meterlink.store.merge`; see there. Two raw readings are the same if they came over one
connection at one time (by both clocks, to the ns), with the same display (quantity, unit, digits, status, flags …),
channel and packet. Of several such readings, as many are kept as the database has that has more of them.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Sequence

from meterlink.store.copying import Progress
from meterlink.store.merge_kinds import columns_of, create_id_table, id_here, newest_id
from meterlink.store.stretches import LONGEST_OFFSET

# Row ids copied in one statement: a tenth of a second, so that a progress bar moves.
_SLICE = 50_000

# A stretch's own columns; the others say how its readings are displayed.
_OF_STRETCH = {
    "id", "connection_id", "visit_id", "point_id", "clock_set", "base_factor", "base_divisor", "base_offset",
    "first_utc_ns", "first_monotonic_ns", "first_reading_id", "last_reading_id",
}  # fmt: skip
# Its columns with a row id, and the table of that row.
_REFERENCES = {"connection_id": "connections", "visit_id": "visits", "point_id": "test_points"}

# Rows that are compared at once.
_ROWS = 1_000
_LARGEST_ID = 2**63 - 1  # of SQLite

_Identity = tuple[object, ...]


class RawMerge:
    """Merges the raw readings; with ``copy`` false they are only counted.

    The boots, meters, connections, visits and test points must be merged before. ``first_new_connection`` is the row id
    of the first connection that this database did not have: the readings of those are all new.
    """

    def __init__(self, connection: sqlite3.Connection, first_new_connection: int, *, copy: bool) -> None:
        self._connection = connection
        self._first_new_connection = first_new_connection
        self._copy = copy
        self._columns = [column for column in columns_of(connection, "stretches") if column != "id"]
        self._display = [column for column in self._columns if column not in _OF_STRETCH]
        self._same_display = " AND ".join(f"{column} IS ?" for column in self._display)
        # An open stretch would reach over the rows that follow now.
        connection.execute(
            "UPDATE main.stretches SET last_reading_id = ? WHERE last_reading_id IS NULL",
            (newest_id(connection, "raw_readings"),),
        )

    def run(self, progress: Progress) -> int:
        """Merge all; return the number of new readings.

        ``same_raw_readings`` has the row here of each raw reading that is an accepted one there.
        """
        connection = self._connection
        create_id_table(connection, "raw_readings")
        create_id_table(connection, "stretches")
        (self._all,) = connection.execute("SELECT COUNT(*) FROM other.raw_readings").fetchone()
        self._done, self._progress = 0, progress
        new = self._copy_connections() + self._compare_connections()
        self._separate_accepted()
        return new

    def _copy_connections(self) -> int:
        """Copy the readings of the connections that are new here."""
        connection = self._connection
        first_reading, first_stretch = (newest_id(connection, table) for table in ("raw_readings", "stretches"))
        (newest,) = connection.execute("SELECT COALESCE(MAX(id), 0) FROM other.raw_readings").fetchone()
        connection.execute(
            "INSERT INTO temp.same_stretches SELECT o.id, ? + ROW_NUMBER() OVER (ORDER BY o.id) FROM other.stretches o"
            " WHERE o.connection_id IN (SELECT old FROM temp.same_connections WHERE new >= ?)",
            (first_stretch, self._first_new_connection),
        )
        connection.execute(
            "INSERT INTO temp.same_raw_readings SELECT a.raw_reading_id, a.raw_reading_id + ?"
            " FROM other.accepted_readings a JOIN other.raw_readings r ON r.id = a.raw_reading_id"
            " JOIN temp.same_stretches s ON s.old = r.stretch_id",
            (first_reading,),
        )
        if self._copy:
            self._insert_stretches(
                {
                    "first_reading_id": "o.first_reading_id + ?2",
                    "last_reading_id": "COALESCE(o.last_reading_id, ?1) + ?2",
                },
                (newest, first_reading),
            )
        new = 0
        for begin in range(0, newest, _SLICE):
            source = (
                "FROM other.raw_readings o CROSS JOIN temp.same_stretches s ON s.old = o.stretch_id"
                " WHERE o.id > :begin AND o.id <= :end"
            )
            values = {"offset": first_reading, "begin": begin, "end": begin + _SLICE}
            if self._copy:
                number = connection.execute(
                    "INSERT INTO main.raw_readings (id, stretch_id, utc_offset_us, clock_shift_us, digits, packet)"
                    f" SELECT o.id + :offset, s.new, o.utc_offset_us, o.clock_shift_us, o.digits, o.packet {source}"
                    " ORDER BY o.id",
                    values,
                ).rowcount
            else:
                (number,) = connection.execute(f"SELECT COUNT(*) {source}", values).fetchone()
            new += number
            self._report(number)
        return new

    def _insert_stretches(self, instead: dict[str, str], values: tuple[int, int]) -> None:
        self._connection.execute(
            f"INSERT INTO main.stretches (id, {', '.join(self._columns)})"
            f" SELECT s.new, {self._selected('other', instead)}"
            " FROM other.stretches o JOIN temp.same_stretches s ON s.old = o.id ORDER BY s.new",
            values,
        )

    def _selected(self, schema: str, instead: dict[str, str]) -> str:
        """Return SQL for the columns of the stretch ``o`` of a database, with the row ids of this one.

        ``instead`` is ``{column: SQL}`` for columns that are not taken as they are.
        """
        here = {column: id_here(table, f"o.{column}") for column, table in _REFERENCES.items()}
        chosen = instead | (here if schema == "other" else {})
        return ", ".join(chosen.get(column, f"o.{column}") for column in self._columns)

    def _compare_connections(self) -> int:
        """Insert those readings of the connections that both have which are missing here."""
        connection = self._connection
        wanted = {
            row[0]
            for row in connection.execute(
                "SELECT raw_reading_id FROM other.accepted_readings"
                " WHERE raw_reading_id NOT IN (SELECT old FROM temp.same_raw_readings)"
                " AND uid NOT IN (SELECT uid FROM main.accepted_readings)"
            )
        }
        shared = connection.execute(
            "SELECT o.*, c.new AS connection_here FROM other.stretches o"
            " JOIN temp.same_connections c ON c.old = o.connection_id"
            " WHERE c.new < ? ORDER BY o.first_reading_id, o.id",
            (self._first_new_connection,),
        ).fetchall()
        new = 0
        for stretch in shared:
            last = stretch["last_reading_id"] or _LARGEST_ID
            if not any(stretch["first_reading_id"] <= reading_id <= last for reading_id in wanted):
                # Mostly a record is merged again that has grown since.
                number = self._count_if_here(stretch)
                if number is not None:
                    self._report(number)
                    continue
            here = self._readings_here(stretch)
            missing: list[int] = []
            number = 0
            for reading_id, identity in _readings(connection, "other", stretch["id"]):
                number += 1
                if same := here.get(identity):
                    found = same.pop(0)
                    if reading_id in wanted:
                        connection.execute("INSERT INTO temp.same_raw_readings VALUES (?, ?)", (reading_id, found))
                else:
                    missing.append(reading_id)
            self._insert_missing(stretch, missing, wanted)
            new += len(missing)
            self._report(number)
        return new

    def _count_if_here(self, stretch: sqlite3.Row) -> int | None:
        """Return the number of readings of a stretch if a stretch here begins with the same ones, else None."""
        same = self._connection.execute(
            "SELECT id FROM main.stretches WHERE connection_id = ? AND first_utc_ns = ? AND first_monotonic_ns = ?"
            f" AND {self._same_display} ORDER BY id LIMIT 1",
            (
                stretch["connection_here"], stretch["first_utc_ns"], stretch["first_monotonic_ns"],
                *(stretch[column] for column in self._display),
            ),
        ).fetchone()  # fmt: skip
        if same is None:
            return None
        here, there = (
            _columns_in_order(self._connection, schema, stretch_id)
            for schema, stretch_id in (("main", same["id"]), ("other", stretch["id"]))
        )
        number = 0
        while rows := there.fetchmany(_ROWS):
            if here.fetchmany(len(rows)) != rows:
                return None
            number += len(rows)
        return number

    def _readings_here(self, stretch: sqlite3.Row) -> dict[_Identity, list[int]]:
        """Return the row ids of this database's readings of the same connection, display and time."""
        span = LONGEST_OFFSET * 1000
        found: dict[_Identity, list[int]] = defaultdict(list)
        candidates = self._connection.execute(
            "SELECT id FROM main.stretches WHERE connection_id = ? AND first_utc_ns BETWEEN ? AND ?"
            f" AND {self._same_display} ORDER BY first_reading_id, id",
            (
                stretch["connection_here"], stretch["first_utc_ns"] - span, stretch["first_utc_ns"] + span,
                *(stretch[column] for column in self._display),
            ),
        ).fetchall()  # fmt: skip
        for (stretch_id,) in map(tuple, candidates):
            for reading_id, identity in _readings(self._connection, "main", stretch_id):
                found[identity].append(reading_id)
        return found

    def _insert_missing(self, stretch: sqlite3.Row, missing: list[int], wanted: set[int]) -> None:
        """Insert readings of a stretch that are missing here, as a stretch of their own."""
        if not missing:
            return
        first = newest_id(self._connection, "raw_readings") + 1
        if self._copy:
            self._copy_readings("other", stretch["id"], missing, first)
        self._connection.executemany(
            "INSERT INTO temp.same_raw_readings VALUES (?, ?)",
            ((reading_id, first + number) for number, reading_id in enumerate(missing) if reading_id in wanted),
        )

    def _copy_readings(self, schema: str, stretch_id: int, reading_ids: Sequence[int], first: int) -> None:
        """Insert copies of readings of a stretch, as rows from ``first`` on, in a copy of the stretch."""
        instead = {"first_reading_id": str(first), "last_reading_id": str(first + len(reading_ids) - 1)}
        copied = self._connection.execute(
            f"INSERT INTO main.stretches ({', '.join(self._columns)}) SELECT {self._selected(schema, instead)}"
            f" FROM {schema}.stretches o WHERE id = ?",
            (stretch_id,),
        ).lastrowid
        self._connection.executemany(
            "INSERT INTO main.raw_readings (id, stretch_id, utc_offset_us, clock_shift_us, digits, packet)"
            f" SELECT ?, ?, utc_offset_us, clock_shift_us, digits, packet FROM {schema}.raw_readings WHERE id = ?",
            ((first + number, copied, reading_id) for number, reading_id in enumerate(reading_ids)),
        )

    def _separate_accepted(self) -> None:
        """Copy the raw readings that were accepted in both databases apart: each is one accepted reading's own."""
        connection = self._connection
        twice = connection.execute(
            "SELECT s.old, s.new FROM temp.same_raw_readings s"
            " JOIN other.accepted_readings o ON o.raw_reading_id = s.old"
            " WHERE o.uid NOT IN (SELECT uid FROM main.accepted_readings) AND ("
            "  s.new IN (SELECT raw_reading_id FROM main.accepted_readings)"
            "  OR EXISTS (SELECT 1 FROM temp.same_raw_readings WHERE new = s.new AND old < s.old)"
            " )"
        ).fetchall()
        for old, new in map(tuple, twice):
            copy_id = newest_id(connection, "raw_readings") + 1
            (stretch_id,) = connection.execute(
                "SELECT stretch_id FROM main.raw_readings WHERE id = ?", (new,)
            ).fetchone()
            self._copy_readings("main", stretch_id, [new], copy_id)
            connection.execute("UPDATE temp.same_raw_readings SET new = ? WHERE old = ?", (copy_id, old))

    def _report(self, number: int) -> None:
        self._done += number
        self._progress("Merging", self._done, self._all)


def _columns_in_order(connection: sqlite3.Connection, schema: str, stretch_id: int) -> sqlite3.Cursor:
    """Return the readings of a stretch as they are kept, in their order, as plain tuples."""
    cursor = connection.cursor()
    cursor.row_factory = None
    return cursor.execute(
        _select_readings(schema, "r.utc_offset_us, r.clock_shift_us, r.digits, r.packet"), (stretch_id,)
    )


def _readings(connection: sqlite3.Connection, schema: str, stretch_id: int) -> Iterator[tuple[int, _Identity]]:
    columns = (
        "r.id, s.first_utc_ns + r.utc_offset_us * 1000,"
        " s.first_monotonic_ns + (r.utc_offset_us + r.clock_shift_us) * 1000, r.digits, r.packet"
    )
    rows = connection.execute(_select_readings(schema, columns), (stretch_id,))
    for reading_id, *identity in map(tuple, rows):
        yield reading_id, tuple(identity)


def _select_readings(schema: str, columns: str) -> str:
    """Return SQL for the readings ``r`` of the stretch ``s`` with the row id ``?``, in their order."""
    return (
        f"SELECT {columns} FROM {schema}.stretches s JOIN {schema}.raw_readings r ON r.id BETWEEN s.first_reading_id"
        f" AND COALESCE(s.last_reading_id, {_LARGEST_ID}) AND r.stretch_id = s.id WHERE s.id = ? ORDER BY r.id"
    )
