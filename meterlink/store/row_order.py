"""The order of rows after rows of another database came in: row ids rise with time, as if one station had saved all.

The history, the current verdict, the old part's readings and the ledger of the stock are all read in the order of the
row ids (see `meterlink.store.schema`). Within each of the two databases the order is kept, since a clock may have been
set; between the two the times decide.
"""

import heapq
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from meterlink.store.merge_kinds import id_here


class _Order(NamedTuple):
    """``time``: the column by which rows of two databases are put in order. ``references``: columns with the row id."""

    table: str
    time: str
    references: tuple[tuple[str, str], ...] = ()


_OF_VISITS = (
    "test_points", "notes", "replacements", "stretches", "accepted_readings", "seals", "seal_salts",
)  # fmt: skip
_OF_POINTS = ("notes", "stretches", "accepted_readings")
_IN_ORDER_OF_TIME = (
    _Order("visits", "opened_utc_ns", tuple((table, "visit_id") for table in _OF_VISITS)),
    _Order(
        "accepted_readings",
        "utc_ns",
        (
            ("verdicts", "accepted_id"),
            ("voids", "accepted_id"),
            ("corrections", "accepted_id"),
            ("replacements", "after_accepted_id"),
        ),
    ),
    _Order("notes", "utc_ns"),
    _Order("replacements", "utc_ns", (("stock_movements", "replacement_id"),)),
    _Order("stock_movements", "utc_ns"),
)
# Only the order of the verdicts on one reading counts, and it must be right: the newest is the current one.
_OF_READINGS = {"verdicts": "judged_utc_ns", "voids": "utc_ns", "corrections": "utc_ns"}

_Entry = tuple[int, str]
"""Time (ns since 1970 UTC) and uid of a row."""


def put_in_order(connection: sqlite3.Connection, first_new: Mapping[str, int]) -> None:
    """Give the rows new ids; ``first_new`` is ``{table: the first row id of a new row}`` for each table with new rows.

    The transaction must not enforce foreign keys, and the word index must be made anew afterwards.
    """
    for table, time in _OF_READINGS.items():
        if table in first_new:
            _order_by_reading(connection, table, time, first_new[table])
    for table, time, references in _IN_ORDER_OF_TIME:
        if table in first_new:
            _renumber(connection, table, _merged_ids(connection, table, time, first_new[table]), references)
    if "test_points" in first_new:
        ids = connection.execute("SELECT id FROM main.test_points ORDER BY visit_id, id")
        _renumber(connection, "test_points", (row[0] for row in ids), ((table, "point_id") for table in _OF_POINTS))


def merged_sequence(own: Sequence[_Entry], other: Sequence[_Entry]) -> list[str]:
    """Return the uids of two sequences of rows as one, in the order of time; each keeps its own order.

    A row of the other sequence stands behind the newest shared row that it has before it.
    """
    shared = {uid for _, uid in own} & {uid for _, uid in other}
    behind: dict[str, list[_Entry]] = defaultdict(list)
    anchor = ""
    for entry in other:
        if entry[1] in shared:
            anchor = entry[1]
        else:
            behind[anchor].append(entry)
    merged: list[str] = []
    segment: list[_Entry] = []
    anchor = ""
    for entry in own:
        if entry[1] in shared:
            merged += [uid for _, uid in heapq.merge(segment, behind[anchor])]
            merged.append(entry[1])
            anchor, segment = entry[1], []
        else:
            segment.append(entry)
    return merged + [uid for _, uid in heapq.merge(segment, behind[anchor])]


def _order_by_reading(connection: sqlite3.Connection, table: str, time: str, first_new: int) -> None:
    """Put the rows of those readings in order that have rows of both databases: they exchange their ids."""
    both = connection.execute(
        f"SELECT DISTINCT accepted_id FROM main.{table} n WHERE id >= ?"
        f" AND EXISTS (SELECT 1 FROM main.{table} WHERE accepted_id = n.accepted_id AND id < ?)",
        (first_new, first_new),
    ).fetchall()
    changed: list[tuple[int, int]] = []
    for (accepted_id,) in map(tuple, both):
        ids = dict(
            map(
                tuple,
                connection.execute(
                    f"SELECT uid, id FROM main.{table} WHERE accepted_id = ? ORDER BY id",
                    (accepted_id,),
                ),
            )
        )
        here = f"SELECT {time}, uid FROM main.{table} WHERE accepted_id = ? AND id < ? ORDER BY id"
        own = [(row[0], row[1]) for row in connection.execute(here, (accepted_id, first_new))]
        same_reading = f"{id_here('accepted_readings', 'o.accepted_id')} = ?"
        there = f"SELECT {time}, uid FROM other.{table} o WHERE {same_reading} ORDER BY id"
        other = [(row[0], row[1]) for row in connection.execute(there, (accepted_id,))]
        changed += zip((ids[uid] for uid in merged_sequence(own, other)), ids.values(), strict=True)
    _exchange_ids(connection, table, changed, ())


def _merged_ids(connection: sqlite3.Connection, table: str, time: str, first_new: int) -> Iterable[int]:
    halves = [
        (
            (row[0], row[1], row[2])
            for row in connection.execute(
                f"SELECT {time}, uid, id FROM main.{table} WHERE id {comparison} ? ORDER BY id",
                (first_new,),
            )
        )
        for comparison in ("<", ">=")
    ]
    return (row_id for *_, row_id in heapq.merge(*halves, key=lambda row: row[:2]))


def _renumber(
    connection: sqlite3.Connection, table: str, ids: Iterable[int], references: Iterable[tuple[str, str]]
) -> None:
    """Give the rows of a table the ids 1, 2, … in the order of their present ``ids``."""
    _exchange_ids(connection, table, ((row_id, number) for number, row_id in enumerate(ids, 1)), references)


def _exchange_ids(
    connection: sqlite3.Connection,
    table: str,
    changed: Iterable[tuple[int, int]],
    references: Iterable[tuple[str, str]],
) -> None:
    """Give rows other ids, ``(present, new)``, also in the columns that refer to them."""
    connection.execute("CREATE TEMP TABLE renumbered (old INTEGER PRIMARY KEY, new INTEGER NOT NULL)")
    connection.executemany("INSERT INTO temp.renumbered VALUES (?, ?)", changed)
    connection.execute("DELETE FROM temp.renumbered WHERE old = new")
    for referring, column in (*references, (table, "id")):
        # Negative at first: a row must not take an id that another row still has.
        connection.execute(
            f"UPDATE main.{referring} SET {column} = -(SELECT new FROM temp.renumbered WHERE old = {column})"
            f" WHERE {column} IN (SELECT old FROM temp.renumbered)"
        )
        connection.execute(f"UPDATE main.{referring} SET {column} = -{column} WHERE {column} < 0")
    connection.execute("DROP TABLE temp.renumbered")
