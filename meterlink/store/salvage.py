"""The readable rows of a damaged record are written to a new one, table by table, and the others are counted.

Rows come from the sound pages of the file (`meterlink.store.damaged_pages`), and SQLite checks each by the rules of
its table. A record of an older version is brought up to date afterwards. A row that refers to a lost one would be of
no use, so a few lost rows are made again, and counted as such: the raw reading of an accepted one, which has a copy of
it, and empty places in the names of 'lost' sites, units, visits, test points and meters, so that no accepted reading
is dropped for the name of its unit.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from functools import partial
from pathlib import Path
from typing import NamedTuple

from meterlink.core.errors import InputError, NewerDatabaseError, NoDatabaseError, StoreError
from meterlink.store.backup import check_name
from meterlink.store.connections import APPLICATION_ID, SCHEMA_VERSION, connect_for_writing, raise_store_errors
from meterlink.store.copying import Progress, check_contents, no_progress, rename_over, save_on_disk, temporary_database
from meterlink.store.damaged_pages import MOST, PageFile, Range, Row, UnsoundPageError, Value
from meterlink.store.file_errors import store_error_class
from meterlink.store.lock import exclusive_folder
from meterlink.store.migration import migrate
from meterlink.store.queries import UNUSED_READING_IDS
from meterlink.store.salvaged_references import mend_references
from meterlink.store.word_index import drop_word_triggers, rebuild_word_index

# The order of the report: the tables that a visit rests on, then the others.
TABLES = (
    "accepted_readings", "visits", "replacements", "verdicts", "voids", "corrections", "test_points", "sites", "units",
    "site_facts", "unit_facts", "circuits", "components", "notes", "seals", "seal_salts", "station_keys",
    "stock_movements", "stock_marks", "meters", "meter_aliases", "meter_facts", "raw_readings", "stretches",
    "connections", "gaps", "clock_steps", "boots", "thinnings", "outbox", "rejected_messages", "counters",
)  # fmt: skip

# The spread of row ids up to which a damaged page's rows are counted from its range: beyond it the range says nothing.
_MOST_COUNTED = 10**12


class SavedTable(NamedTuple):
    """The rows of a table that were saved and lost. Of ``lost`` the number is exact, or, with ``at_most``, no more.

    ``lost`` is None where nothing is left to tell it. ``made_again``: rows beside the saved ones, for others' sake.
    """

    name: str
    saved: int
    lost: int | None
    at_most: bool
    made_again: int


class Salvage(NamedTuple):
    """All tables, and the size of the new file in bytes."""

    tables: tuple[SavedTable, ...]
    size: int

    @property
    def is_whole(self) -> bool:
        """Whether no row was lost."""
        return all(table.lost == 0 for table in self.tables)


def salvage(path: Path, target: Path, *, progress: Progress = no_progress) -> Salvage:
    """Write the readable rows of the record at ``path`` to the new file ``target``; the record stays as it is.

    Raises:
        InputError: ``target`` exists, or is no name for it.
        NoDatabaseError: there is no record.
        DatabaseLockedError: a station runs on its folder.
        NewerDatabaseError: a newer Meterlink wrote it.
        StoreError: nothing of it can be read, or the disk is full or fails.
    """
    if not path.exists():
        raise NoDatabaseError(f"There is no database at {path}.", "Name its folder with --data.")
    target = target.resolve()
    check_name(path, target)
    if target.exists():
        raise InputError(f"{target} exists already.", "Give another file to -o.")
    with exclusive_folder(path, "salvaging"), temporary_database(target.parent, target.name) as temporary:
        try:
            pages = PageFile(path)
        except OSError as error:
            raise store_error_class(error)(
                f"{path} cannot be read: {error.strerror}.", "Copy the disk first."
            ) from error
        with raise_store_errors(temporary), closing(connect_for_writing(temporary)) as connection:
            migrate(connection, temporary, _version(pages))
            connection.execute("PRAGMA foreign_keys = OFF")
            connection.execute("BEGIN IMMEDIATE")
            drop_word_triggers(connection)
            work = _Salvage(pages, connection, progress)
            tables = work.run()
            connection.execute("COMMIT")
            migrate(connection, temporary)
            connection.execute("BEGIN IMMEDIATE")
            drop_word_triggers(connection)
            rebuild_word_index(connection)
            connection.execute("COMMIT")
            connection.execute("PRAGMA journal_mode = DELETE")
        contents = check_contents(temporary, progress)
        if not any(table.saved for table in tables if table.name != "counters"):
            raise StoreError(f"Nothing of {path} can be read: no page of it is sound.", "Restore a backup.")
        save_on_disk(temporary)
        rename_over(temporary, target)
    return Salvage(tables, contents.size)


def _version(pages: PageFile) -> int:
    """Return the version of the tables by the first page; the present one where that page is lost.

    Raises:
        NewerDatabaseError: a newer Meterlink wrote them.
    """
    if not pages.has_header:
        return SCHEMA_VERSION
    header = pages.page(1)
    version, owner = (int.from_bytes(header[at : at + 4], "big") for at in (60, 68))
    if owner == APPLICATION_ID and version > SCHEMA_VERSION:
        raise NewerDatabaseError(
            f"The damaged record has tables of version {version}; this Meterlink salvages up to {SCHEMA_VERSION}.",
            "Use the Meterlink that wrote it.",
        )
    return version if owner == APPLICATION_ID and version > 0 else SCHEMA_VERSION


class _Table(NamedTuple):
    """A table as the schema declares it; ``stored`` are its columns in the order in which a record has them.

    ``indexes``: of its unique columns, the first page and the columns.
    """

    name: str
    columns: tuple[str, ...]
    types: Mapping[str, str]
    stored: tuple[str, ...]
    row_id: str
    has_row_ids: bool
    root: int
    indexes: tuple[tuple[int, tuple[str, ...]], ...]


class _Own(NamedTuple):
    """The rows of a table that were read, and the missing ones; None where nothing tells their number."""

    rows: int
    missing: int | None
    is_exact: bool


class _Salvage:
    def __init__(self, pages: PageFile, connection: sqlite3.Connection, progress: Progress) -> None:
        self._pages = pages
        self._connection = connection
        self._progress = progress
        self._ranges: dict[str, list[Range]] = {}
        self._damaged: set[str] = set()  # tables without row ids
        self._with_uid: list[str] = []
        self._made: Mapping[str, int] = {}

    def run(self) -> tuple[SavedTable, ...]:
        tables = self._tables()
        for done, table in enumerate(tables):
            self._progress("Reading", done, len(tables))
            if table.has_row_ids:
                self._ranges[table.name] = []
                lost = self._ranges[table.name]
                self._insert_rows(table, self._pages.rows(table.root, lost, partial(_fits, table)))
            else:
                self._insert_records(table)
        self._insert_strays([table for table in tables if table.has_row_ids])
        self._with_uid = [table.name for table in tables if "uid" in table.columns]
        own = {table.name: self._own(table) for table in tables}
        self._made = mend_references(self._connection, [table.name for table in tables])
        saved = tuple(self._saved(table, own[table.name]) for table in tables)
        self._count_unused_ids()
        return saved

    def _tables(self) -> list[_Table]:
        roots = self._roots()
        found = []
        for name in self._names():
            info = self._connection.execute(f"PRAGMA table_info({name})").fetchall()
            columns = tuple(row[1] for row in info)
            types = {row[1]: row[2] for row in info}
            (sql,) = self._connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (name,)).fetchone()
            has_row_ids = "WITHOUT ROWID" not in sql
            keys = [row[1] for row in sorted(info, key=lambda row: row[5]) if row[5]]
            row_id = keys[0] if has_row_ids and len(keys) == 1 and types[keys[0]] == "INTEGER" else ""
            stored = columns if has_row_ids else (*keys, *(column for column in columns if column not in keys))
            indexes = tuple(self._indexes(name, roots)) if has_row_ids else ()
            found.append(_Table(name, columns, types, stored, row_id, has_row_ids, roots.get(name, 0), indexes))
        return found

    def _names(self) -> list[str]:
        """Return the names of the tables that a record of this version has."""
        rows = self._connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        present = {name for (name,) in rows}
        return [name for name in TABLES if name in present]

    def _roots(self) -> dict[str, int]:
        """Return the first page of each table and index: by the file, or as a new database has them."""
        own = self._schema_rows()
        new = self._connection.execute("SELECT type, name, tbl_name, rootpage, sql FROM sqlite_master").fetchall()
        known = {row[1] for row in own}
        # A row of the schema that is lost: a database that was never written anew has its tables where a new one has.
        rows = [*own, *(tuple(row) for row in new if row[1] not in known)]
        return {str(row[1]): int(row[3] or 0) for row in rows if row[0] in {"table", "index"}}

    def _indexes(self, table: str, roots: Mapping[str, int]) -> Iterator[tuple[int, tuple[str, ...]]]:
        for _, name, is_unique, origin, *_ in self._connection.execute(f"PRAGMA index_list({table})").fetchall():
            if is_unique and origin != "c" and name in roots:  # not of a statement CREATE INDEX, which may be partial
                columns = self._connection.execute(f"PRAGMA index_info({name})").fetchall()
                yield roots[name], tuple(column for _, _, column in columns)

    def _schema_rows(self) -> list[tuple[Value, ...]]:
        if not self._pages.has_header:
            return []
        return [row.values for row in self._pages.rows(1, [], _is_schema_row)]

    def _insert_rows(self, table: _Table, rows: Iterable[Row]) -> None:
        insert = _insert_statement(table)
        for row in rows:
            self._insert(insert, _values(table, row))

    def _insert_records(self, table: _Table) -> None:
        records, is_whole = self._pages.sound_entries(table.root)
        if not (is_whole and all(_has_types(table, table.stored, record) for record in records)):
            self._damaged.add(table.name)
        insert = f"INSERT INTO {table.name} ({', '.join(table.stored)}) VALUES ({_marks(table.stored)})"  # noqa: S608  # constants
        for record in records:
            if _has_types(table, table.stored, record):
                self._insert(insert, record)

    def _insert(self, statement: str, values: Sequence[Value]) -> None:
        # An error means: no row that the table may have. It counts as lost.
        with suppress(sqlite3.IntegrityError, sqlite3.InterfaceError, OverflowError):
            self._connection.execute(statement, values)

    def _insert_strays(self, tables: list[_Table]) -> None:
        """Insert the rows of pages that lost the page above: of a table where they fit, and of no other."""
        if not any(self._ranges.values()):
            return
        for rows in self._pages.stray_leaves():
            ids = Range(rows[0].id - 1, rows[-1].id)
            homes = [
                table
                for table in tables
                if all(_fits(table, row) for row in rows)
                and any(lost.after <= ids.after and ids.last <= lost.last for lost in self._ranges[table.name])
            ]
            if len(homes) == 1:
                self._insert_rows(homes[0], rows)

    def _own(self, table: _Table) -> _Own:
        missing, is_sure = self._check_by_indexes(table)
        (count,) = self._connection.execute(f"SELECT COUNT(*) FROM {table.name}").fetchone()  # noqa: S608  # a constant
        if missing is None and self._ranges.get(table.name):
            return _Own(count, self._most_lost(table), is_exact=False)
        return _Own(count, missing or 0, is_exact=is_sure)

    def _check_by_indexes(self, table: _Table) -> tuple[int | None, bool]:
        """Take out each row that is another one in an index of unique values: of an old page, or of another table.

        Return the number of rows that an index has, and the table has not, and whether it is sure; None where no index
        is whole. An index that knows none of the rows may itself be another's: then only rows that another table has,
        too, are taken out.
        """
        missing, is_sure = None, True
        for root, columns in table.indexes:
            try:
                entries = {record[-1]: record[:-1] for record in self._pages.entries(root)}
            except UnsoundPageError:
                continue
            names = ", ".join(columns)
            own = {
                row_id: tuple(values)
                for row_id, *values in self._connection.execute(f"SELECT rowid, {names} FROM {table.name}")  # noqa: S608  # constants
            }
            strange = {row_id for row_id, values in own.items() if values != entries.get(row_id)}
            is_known = len(strange) < len(own) or bool(self._ranges[table.name])
            if strange and not is_known:
                strange = {row_id for row_id in strange if self._is_elsewhere(table, columns, own[row_id])}
                if not strange:
                    continue
            for row_id in strange:
                self._connection.execute(f"DELETE FROM {table.name} WHERE rowid = ?", (row_id,))  # noqa: S608  # a constant
            missing = len(entries) - len(own) + len(strange)
            is_sure = is_known or not missing
        return missing, is_sure

    def _is_elsewhere(self, table: _Table, columns: Sequence[str], values: Sequence[Value]) -> bool:
        """Return whether another table has a row with this uid."""
        if tuple(columns) != ("uid",):
            return False
        others = [name for name in self._with_uid if name != table.name]
        return any(
            self._connection.execute(f"SELECT 1 FROM {name} WHERE uid = ?", tuple(values)).fetchone()  # noqa: S608  # a constant
            for name in others
        )

    def _most_lost(self, table: _Table) -> int | None:
        """Return the number of row ids on the damaged pages of a table that no saved row has; None if it is unknown."""
        newest = self._newest_reading() if table.name == "raw_readings" else MOST
        lost = 0
        for after, last in self._ranges[table.name]:
            begin, end = max(after, 0), min(last, newest)
            if end - begin > _MOST_COUNTED:
                return None
            (saved,) = self._connection.execute(
                f"SELECT COUNT(*) FROM {table.name} WHERE rowid > ? AND rowid <= ?",  # noqa: S608  # a constant
                (begin, end),
            ).fetchone()
            lost += max(end - begin, 0) - saved
        return lost

    def _newest_reading(self) -> int:
        """Return the largest row id of a raw reading that anything saved knows of."""
        (newest,) = self._connection.execute(
            "SELECT MAX((SELECT COALESCE(MAX(id), 0) FROM raw_readings),"
            " (SELECT COALESCE(MAX(last_reading_id), 0) FROM stretches),"
            " (SELECT COALESCE(MAX(raw_reading_id), 0) FROM accepted_readings))"
        ).fetchone()
        return int(newest)

    def _count_unused_ids(self) -> None:
        # The number of raw readings is the newest id without the unused ones (`meterlink.store.queries.counts`).
        self._connection.execute(
            "INSERT OR REPLACE INTO counters (name, value) SELECT ?, COALESCE(MAX(id), 0) - COUNT(*) FROM raw_readings",
            (UNUSED_READING_IDS,),
        )

    def _saved(self, table: _Table, own: _Own) -> SavedTable:
        (left,) = self._connection.execute(f"SELECT COUNT(*) FROM {table.name}").fetchone()  # noqa: S608  # a constant
        made = self._made[table.name]
        saved = left - made
        dropped = own.rows - saved  # for the sake of the rows that they refer to
        if table.name in self._damaged or own.missing is None:
            return SavedTable(table.name, saved, None, at_most=False, made_again=made)
        return SavedTable(table.name, saved, own.missing + dropped, at_most=not own.is_exact, made_again=made)


def _is_schema_row(row: Row) -> bool:
    """Return whether a record is one of `sqlite_schema`: type, name, table, first page, SQL."""
    types = (str, str, str, int | None, str | None)
    return len(row.values) == len(types) and all(map(isinstance, row.values, types))


def _fits(table: _Table, row: Row) -> bool:
    """Return whether a record has the columns of a table, of its types."""
    return row.id >= 1 and _has_types(table, table.columns, row.values)


def _has_types(table: _Table, columns: Sequence[str], values: Sequence[Value]) -> bool:
    if len(values) != len(columns):
        return False
    for column, value in zip(columns, values, strict=True):
        allowed: tuple[type, ...] = () if column == table.row_id else _TYPES[table.types[column]]
        if value is not None and not isinstance(value, allowed):
            return False
    return True


_TYPES: dict[str, tuple[type, ...]] = {
    "INTEGER": (int,),
    "REAL": (int, float),  # SQLite stores 2.0 as 2
    "TEXT": (str,),
    "BLOB": (bytes,),
    "ANY": (int, float, str, bytes),
}


def _insert_statement(table: _Table) -> str:
    columns = table.columns if table.row_id else ("rowid", *table.columns)
    return f"INSERT INTO {table.name} ({', '.join(columns)}) VALUES ({_marks(columns)})"  # noqa: S608  # constants


def _values(table: _Table, row: Row) -> Sequence[Value]:
    if not table.row_id:
        return (row.id, *row.values)
    return [
        row.id if column == table.row_id else value for column, value in zip(table.columns, row.values, strict=True)
    ]


def _marks(columns: Sequence[str]) -> str:
    return ", ".join("?" * len(columns))
