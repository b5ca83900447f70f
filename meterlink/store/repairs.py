"""Replacements and the movements of the stock: the statements that write them, and the queries that return them."""

import json
import sqlite3
import uuid
from collections.abc import Mapping

from meterlink.core.equipment import Site
from meterlink.core.errors import StoreError
from meterlink.core.replacements import Replacement
from meterlink.core.stock import Movement, MovementKind, StockCount, StockItem, stock_counts, with_low_marks
from meterlink.store.decoding import decode_rows
from meterlink.store.rows import NewReplacement, StoredReplacement

# One query for a visit and for the history. The part that came off the truck is that of its first movement.
_SELECT_REPLACEMENTS = """
    SELECT r.*, v.uid AS visit_uid, s.name AS site, u.name AS unit, m.part AS item_part, m.rating AS item_rating
    FROM replacements r
    JOIN visits v ON v.id = r.visit_id JOIN units u ON u.id = v.unit_id JOIN sites s ON s.id = u.site_id
    LEFT JOIN stock_movements m ON m.id = (SELECT MIN(id) FROM stock_movements WHERE replacement_id = r.id)
    WHERE r.undone_utc_ns IS NULL
"""


def insert_replacement(connection: sqlite3.Connection, visit_id: int, new: NewReplacement, now_utc_ns: int) -> str:
    """Insert a replacement with the new ratings of its test points and its movement; return its uid.

    The readings of the visit that are accepted by now are the old part's.
    """
    (newest,) = connection.execute(
        "SELECT COALESCE(MAX(id), 0) FROM accepted_readings WHERE visit_id = ?", (visit_id,)
    ).fetchone()
    uid, replacement = str(uuid.uuid4()), new.replacement
    values = (
        uid, visit_id, replacement.circuit, replacement.component, json.dumps(replacement.sections),
        replacement.old_rating, replacement.new_rating, json.dumps(_ratings(connection, visit_id, new.ratings)), newest,
        new.objection, now_utc_ns,
    )  # fmt: skip
    cursor = connection.execute(
        "INSERT INTO replacements (uid, visit_id, circuit, component, sections, old_rating, new_rating, ratings,"
        " after_accepted_id, objection, utc_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        values,
    )
    for key, text in new.ratings.items():
        _set_rating(connection, visit_id, key, text, now_utc_ns)
    if new.movement is not None:
        insert_movement(connection, new.movement, cursor.lastrowid)
    return uid


def undo_replacement(connection: sqlite3.Connection, uid: str, movement: Movement | None, now_utc_ns: int) -> None:
    """Let a replacement count no more: the ratings of the old part are back, and ``movement`` brings the part back.

    Raises:
        StoreError: there is no such replacement, or it is undone already.
    """
    row = connection.execute(
        "SELECT id, visit_id, ratings FROM replacements WHERE uid = ? AND undone_utc_ns IS NULL", (uid,)
    ).fetchone()
    if row is None:
        raise StoreError(f"There is no replacement {uid} in the database.", "It may be undone already.")
    connection.execute("UPDATE replacements SET undone_utc_ns = ? WHERE id = ?", (now_utc_ns, row["id"]))
    for key, (text, set_utc_ns, _) in json.loads(row["ratings"]).items():
        _set_rating(connection, row["visit_id"], key, text, set_utc_ns)
    if movement is not None:
        insert_movement(connection, movement, row["id"])


def insert_movement(connection: sqlite3.Connection, movement: Movement, replacement_id: int | None = None) -> None:
    """Add a movement to the ledger; ``replacement_id`` is the row of the replacement that it belongs to."""
    item = movement.item
    connection.execute(
        "INSERT INTO stock_movements (uid, utc_ns, kind, part, rating, count, place, note, replacement_id)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            movement.uid or str(uuid.uuid4()), movement.utc_ns, movement.kind, item.part, item.rating,
            movement.count, movement.place, movement.note, replacement_id,
        ),
    )  # fmt: skip


def movements(connection: sqlite3.Connection) -> list[Movement]:
    """Return the ledger in the order in which it was written."""
    return decode_rows(_movement, connection.execute("SELECT * FROM stock_movements ORDER BY id"))


def stock(connection: sqlite3.Connection) -> list[StockCount]:
    """Return the count of each kind of part on the truck, and of each that has a low mark."""
    marks = decode_rows(
        lambda row: (StockItem(row["part"], row["rating"]), int(row["low"])),
        connection.execute("SELECT part, rating, low FROM stock_marks ORDER BY set_utc_ns, part, rating"),
    )
    return with_low_marks(stock_counts(movements(connection)), dict(marks))


def set_low_mark(connection: sqlite3.Connection, item: StockItem, low: int, now_utc_ns: int) -> None:
    """Set the count of a kind of part below which it is to be bought; 0 takes the mark away."""
    connection.execute(
        "INSERT INTO stock_marks (part, rating, low, set_utc_ns) VALUES (?, ?, ?, ?)"
        " ON CONFLICT (part, rating) DO UPDATE SET low = excluded.low, set_utc_ns = excluded.set_utc_ns",
        (item.part, item.rating, low, now_utc_ns),
    )


def replacements(
    connection: sqlite3.Connection,
    visit_uid: str | None = None,
    *,
    visit_id: int | None = None,
    before_visit: int | None = None,
) -> list[StoredReplacement]:
    """Return the replacements that count, in the order in which they were made.

    They are those of one visit, those in visits to the same unit before ``before_visit``, or all.
    """
    conditions, values = "", []
    for condition, value in (
        ("v.uid = ?", visit_uid),
        ("v.id = ?", visit_id),
        ("v.id < ?", before_visit),
        ("v.unit_id = (SELECT unit_id FROM visits WHERE id = ?)", before_visit),
    ):
        if value is not None:
            conditions += f" AND {condition}"
            values.append(value)
    return decode_rows(_replacement, connection.execute(f"{_SELECT_REPLACEMENTS}{conditions} ORDER BY r.id", values))


def _ratings(
    connection: sqlite3.Connection, visit_id: int, new: Mapping[str, str]
) -> dict[str, tuple[str, int | None, str]]:
    """Return the contents of the column ``ratings``."""
    rows = connection.execute("SELECT key, rating, rating_set_utc_ns FROM test_points WHERE visit_id = ?", (visit_id,))
    return {key: (rating, set_utc_ns, new[key]) for key, rating, set_utc_ns in rows if key in new}


def _set_rating(connection: sqlite3.Connection, visit_id: int, key: str, text: str, set_utc_ns: int | None) -> None:
    connection.execute(
        "UPDATE test_points SET rating = ?, rating_set_utc_ns = ? WHERE visit_id = ? AND key = ?",
        (text, set_utc_ns, visit_id, key),
    )


def _movement(row: sqlite3.Row) -> Movement:
    return Movement(
        MovementKind(row["kind"]), StockItem(row["part"], row["rating"]), row["count"], row["utc_ns"], row["place"],
        row["note"], row["uid"],
    )  # fmt: skip


def _replacement(row: sqlite3.Row) -> StoredReplacement:
    ratings = json.loads(row["ratings"])
    return StoredReplacement(
        row["uid"],
        row["visit_id"],
        row["visit_uid"],
        Site(row["site"], row["unit"]),
        Replacement(
            row["component"],
            row["circuit"],
            tuple(json.loads(row["sections"])),
            row["old_rating"],
            row["new_rating"],
            after_number=row["after_accepted_id"],
            utc_ns=row["utc_ns"],
        ),
        {key: (None if set_utc_ns is None else old, new) for key, (old, set_utc_ns, new) in ratings.items()},
        None if row["item_part"] is None else StockItem(row["item_part"], row["item_rating"]),
        row["objection"],
    )
