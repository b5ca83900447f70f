"""The rows of another database, kind by kind: which row is known already, and how a new one is inserted.

SQL inside the transaction of `meterlink.store.merge`, on a connection with the other database attached as ``other``.
A temporary table ``same_TABLE (old, new)`` keeps the row id of each row of the other database in this one.
"""

import sqlite3
from collections.abc import Iterable, Mapping
from typing import NamedTuple


class Kind(NamedTuple):
    """A table with row ids.

    ``same`` is the SQL condition under which row ``o`` of the other database is row ``m`` of this one. ``references``
    is ``{column: table that it refers to}``; ``{column}`` in ``same`` stands for that row's id here.
    ``instead`` is ``{column: SQL}`` for a column that is not taken as it is.
    """

    table: str
    same: str = "m.uid = o.uid"
    references: Mapping[str, str] = {}
    instead: Mapping[str, str] = {}


BOOTS = Kind("boots")
PLACES = (
    Kind("sites", "m.name = o.name"),
    Kind("site_facts", references={"site_id": "sites"}),
    Kind("units", "m.site_id = {site_id} AND m.name = o.name", {"site_id": "sites"}),
    Kind("unit_facts", references={"unit_id": "units"}),
    Kind("circuits", "m.unit_id = {unit_id} AND m.name = o.name", {"unit_id": "units"}),
    Kind(
        "components",
        "m.circuit_id = {circuit_id} AND m.name = o.name AND m.section = o.section",
        {"circuit_id": "circuits"},
    ),
)
VISITS = (
    Kind("visits", references={"unit_id": "units", "boot": "boots"}, instead={"active": "0"}),
    Kind(
        "test_points",
        "m.visit_id = {visit_id} AND m.key = o.key",
        {"visit_id": "visits", "component_id": "components"},
    ),
    Kind("notes", references={"visit_id": "visits", "point_id": "test_points"}),
    Kind("replacements", references={"visit_id": "visits"}),
    Kind("stock_movements", references={"replacement_id": "replacements"}),
    Kind("seals", references={"visit_id": "visits"}),
    Kind("thinnings"),
)
# By the address as it was first seen: a seal covers it, and both stations may have readings of it.
METERS = Kind("meters", "m.address = o.address")
CONNECTIONS = (
    Kind(
        "connections",
        "m.boot = {boot} AND m.meter_id = {meter_id} AND m.connected_monotonic_ns = o.connected_monotonic_ns"
        " AND m.connected_utc_ns = o.connected_utc_ns",
        {"boot": "boots", "meter_id": "meters"},
    ),
    Kind(
        "gaps",
        "m.connection_id = {connection_id} AND m.cause = o.cause AND m.began_monotonic_ns = o.began_monotonic_ns"
        " AND m.began_utc_ns = o.began_utc_ns",
        {"connection_id": "connections"},
    ),
    Kind(
        "clock_steps",
        "m.boot = {boot} AND m.before_monotonic_ns = o.before_monotonic_ns"
        " AND m.after_monotonic_ns = o.after_monotonic_ns AND m.step_ns = o.step_ns",
        {"boot": "boots"},
    ),
)
ACCEPTED = Kind(
    "accepted_readings",
    references={"visit_id": "visits", "point_id": "test_points", "raw_reading_id": "raw_readings"},
)
JUDGEMENTS = (
    Kind("verdicts", references={"accepted_id": "accepted_readings"}),
    Kind("voids", references={"accepted_id": "accepted_readings"}),
    Kind("corrections", references={"accepted_id": "accepted_readings"}),
)


def insert_new_rows(connection: sqlite3.Connection, kinds: Iterable[Kind]) -> dict[str, int]:
    """Insert those rows of the other database that this one has not; return ``{table: number of new rows}``.

    They have the highest row ids, in the order that they have in the other database.
    """
    return {kind.table: _insert_new(connection, kind) for kind in kinds}


def newest_id(connection: sqlite3.Connection, table: str) -> int:
    """Return the highest row id of a table of this database, 0 for none."""
    (newest,) = connection.execute(f"SELECT COALESCE(MAX(id), 0) FROM main.{table}").fetchone()
    return int(newest)


def create_id_table(connection: sqlite3.Connection, table: str) -> None:
    """Create the empty temporary table ``same_TABLE``."""
    connection.execute(f"CREATE TEMP TABLE same_{table} (old INTEGER PRIMARY KEY, new INTEGER NOT NULL)")


def id_here(table: str, column: str) -> str:
    """Return SQL for the row id in this database of the row of ``table`` that a column of the other one refers to."""
    return f"(SELECT new FROM temp.same_{table} WHERE old = {column})"


def columns_of(connection: sqlite3.Connection, table: str) -> list[str]:
    """Return the names of the columns of a table."""
    return [row[1] for row in connection.execute(f"PRAGMA main.table_info({table})")]


def _insert_new(connection: sqlite3.Connection, kind: Kind) -> int:
    table = kind.table
    here = {column: id_here(referred, f"o.{column}") for column, referred in kind.references.items()}
    before = newest_id(connection, table)
    create_id_table(connection, table)
    connection.execute(
        f"INSERT INTO temp.same_{table} SELECT o.id, MIN(m.id) FROM other.{table} o"
        f" JOIN main.{table} m ON {kind.same.format(**here)} GROUP BY o.id"
    )
    connection.execute(
        f"INSERT INTO temp.same_{table} SELECT o.id, ? + ROW_NUMBER() OVER (ORDER BY o.id) FROM other.{table} o"
        f" WHERE o.id NOT IN (SELECT old FROM temp.same_{table})",
        (before,),
    )
    columns = [column for column in columns_of(connection, table) if column != "id"]
    values = [kind.instead.get(column) or here.get(column, f"o.{column}") for column in columns]
    return connection.execute(
        f"INSERT INTO main.{table} (id, {', '.join(columns)}) SELECT s.new, {', '.join(values)}"
        f" FROM temp.same_{table} s JOIN other.{table} o ON o.id = s.old WHERE s.new > ? ORDER BY s.new",
        (before,),
    ).rowcount
