"""Sites and units: their names, their facts, and the readings of their earlier visits."""

import sqlite3
import uuid
from collections.abc import Sequence

from meterlink.core.equipment import Site, TestPoint
from meterlink.core.errors import VisitError
from meterlink.core.nameplate import SEVERAL, UnitFact
from meterlink.core.verdicts import Margin, Verdict
from meterlink.store.decoding import decode_reading_text, decode_rows
from meterlink.store.repairs import replacements
from meterlink.store.rows import ComponentRating, LastReading, StoredUnit
from meterlink.store.transactions import get_or_insert_unit, move_visit


def find_unit(connection: sqlite3.Connection, site: Site) -> int:
    """Return the row id of a unit.

    Raises:
        VisitError: there is no such unit.
    """
    row = connection.execute(
        "SELECT u.id FROM units u JOIN sites s ON s.id = u.site_id WHERE s.name = ? AND u.name = ?",
        (site.name, site.unit),
    ).fetchone()
    if row is None:
        raise VisitError(f"There is no unit {site.unit!r} at {site.name!r}.", "List them: meterlink unit list")
    return int(row["id"])


def find_site(connection: sqlite3.Connection, name: str) -> int:
    """Return the row id of a site.

    Raises:
        VisitError: there is no such site.
    """
    row = connection.execute("SELECT id FROM sites WHERE name = ?", (name,)).fetchone()
    if row is None:
        raise VisitError(f"There is no site {name!r}.", "List them: meterlink site list")
    return int(row["id"])


def move_visit_to(connection: sqlite3.Connection, visit_id: int, place: Site) -> None:
    """Let a visit be one of the unit at ``place``, known or new.

    Raises:
        VisitError: both the visit and another one of that unit are open.
    """
    unit_id = get_or_insert_unit(connection, place)
    row = connection.execute("SELECT unit_id, closed_utc_ns FROM visits WHERE id = ?", (visit_id,)).fetchone()
    if row["closed_utc_ns"] is None and row["unit_id"] != unit_id:
        _require_no_open_visit(connection, unit_id, place)
    move_visit(connection, visit_id, unit_id)
    remove_if_empty(connection, row["unit_id"])


def rename_site(connection: sqlite3.Connection, old: str, new: str) -> None:
    """Give a site another name.

    Raises:
        VisitError: there is no such site, or another one has the name.
    """
    site_id = find_site(connection, old)
    if _exists(connection, "SELECT 1 FROM sites WHERE name = ? AND id <> ?", (new, site_id)):
        raise VisitError(f"There is a site {new!r} already.", "Merge the two: meterlink site merge")
    connection.execute("UPDATE sites SET name = ? WHERE id = ?", (new, site_id))


def rename_unit(connection: sqlite3.Connection, site: Site, new: str) -> None:
    """Give a unit another name.

    Raises:
        VisitError: there is no such unit, or another one at the site has the name.
    """
    unit_id = find_unit(connection, site)
    query = "SELECT 1 FROM units WHERE name = ? AND id <> ? AND site_id = (SELECT site_id FROM units WHERE id = ?)"
    if _exists(connection, query, (new, unit_id, unit_id)):
        raise VisitError(f"There is a unit {new!r} at {site.name!r} already.", "Merge the two: meterlink unit merge")
    connection.execute("UPDATE units SET name = ? WHERE id = ?", (new, unit_id))


def merge_units(connection: sqlite3.Connection, one: Site, into: Site) -> None:
    """Give the visits and the facts of the unit ``one`` to the unit ``into``; ``one`` is gone.

    Raises:
        VisitError: one of the units does not exist, both are the same, or both have an open visit.
    """
    _merge_unit(connection, find_unit(connection, one), find_unit(connection, into), into)


def merge_sites(connection: sqlite3.Connection, one: str, into: str) -> None:
    """Give the units and the facts of the site ``one`` to the site ``into``; units of the same name are merged.

    Of a fact about both, the newer entry counts.

    Raises:
        VisitError: one of the sites does not exist, both are the same, or two units to merge have an open visit.
    """
    site_id, into_id = find_site(connection, one), find_site(connection, into)
    if site_id == into_id:
        raise VisitError(f"{one!r} cannot be merged with itself.", "Name another site.")
    for unit in connection.execute("SELECT id, name FROM units WHERE site_id = ?", (site_id,)).fetchall():
        same = connection.execute(
            "SELECT id FROM units WHERE site_id = ? AND name = ?", (into_id, unit["name"])
        ).fetchone()
        if same is None:
            connection.execute("UPDATE units SET site_id = ? WHERE id = ?", (into_id, unit["id"]))
        else:
            _merge_unit(connection, unit["id"], same["id"], Site(into, unit["name"]))
    connection.execute("UPDATE site_facts SET site_id = ? WHERE site_id = ?", (into_id, site_id))
    connection.execute("DELETE FROM sites WHERE id = ?", (site_id,))


def archive_unit(connection: sqlite3.Connection, site: Site, archived_utc_ns: int | None) -> None:
    """Take a unit off the list for new visits, or, with None, put it back.

    Raises:
        VisitError: there is no such unit, or a visit to it is open.
    """
    unit_id = find_unit(connection, site)
    if archived_utc_ns is not None:
        _require_no_open_visit(connection, unit_id, site)
    connection.execute("UPDATE units SET archived_utc_ns = ? WHERE id = ?", (archived_utc_ns, unit_id))


def add_fact(connection: sqlite3.Connection, site: Site, fact: UnitFact, text: str, now_utc_ns: int) -> None:
    """Add a fact about a unit; an empty text removes one that can be there once.

    Raises:
        VisitError: there is no such unit.
    """
    connection.execute(
        "INSERT INTO unit_facts (uid, unit_id, fact, text, utc_ns) VALUES (?, ?, ?, ?, ?)",
        (str(uuid.uuid4()), find_unit(connection, site), fact, text, now_utc_ns),
    )


def units(connection: sqlite3.Connection, site: Site | None = None) -> list[StoredUnit]:
    """Return all units in the order in which they were first visited, or the one at ``site`` if it exists."""
    rows = connection.execute(
        "SELECT u.id, u.name, u.archived_utc_ns, s.name AS site,"
        " (SELECT COUNT(*) FROM visits WHERE unit_id = u.id) AS visits FROM units u JOIN sites s ON s.id = u.site_id"
        " WHERE ?1 IS NULL OR (s.name = ?1 AND u.name = ?2) ORDER BY u.id",
        (site.name, site.unit) if site else (None, None),
    ).fetchall()
    return [
        StoredUnit(
            Site(row["site"], row["name"]),
            row["archived_utc_ns"] is not None,
            _facts(connection, row["id"]),
            _ratings(connection, row["id"]),
            row["visits"],
        )
        for row in rows
    ]


def last_readings(connection: sqlite3.Connection, visit_id: int, points: Sequence[TestPoint]) -> dict[str, LastReading]:
    """Return the newest reading of each of a visit's ``points`` in the unit's earlier visits, ``{key: reading}``."""
    rows = connection.execute(_LAST_READINGS, (visit_id,)).fetchall()
    if not rows:
        return {}
    replaced = [
        (stored.visit_id, stored.replacement.after_number or 0, stored.replacement.covered_keys(points))
        for stored in replacements(connection, before_visit=visit_id)
    ]

    def last_reading(row: sqlite3.Row) -> tuple[str, LastReading]:
        moment = (row["visit_id"], row["id"])
        of_old_part = any(row["key"] in keys and moment <= (visit, last) for visit, last, keys in replaced)
        margin = None if row["margin"] is None else Margin(row["margin"])
        text = decode_reading_text(row)
        return row["key"], LastReading(text, Verdict(row["verdict"]), margin, row["utc_ns"], of_old_part)

    return dict(decode_rows(last_reading, rows))


# A component belongs to a unit, and an index finds its test points of all visits.
_LAST_READINGS = """
    SELECT a.id, a.visit_id, new.key, a.digits, a.unit, a.status, a.coupling, a.utc_ns, j.verdict, j.margin
    FROM test_points new
    JOIN current_readings a ON a.id = (
        SELECT MAX(a.id) FROM test_points old JOIN accepted_readings a ON a.point_id = old.id
        WHERE old.component_id = new.component_id AND old.key = new.key AND old.kind = new.kind AND old.id < new.id
            AND COALESCE((SELECT voided FROM voids WHERE accepted_id = a.id ORDER BY id DESC LIMIT 1), 0) = 0
    )
    JOIN verdicts j ON j.id = (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id)
    WHERE new.visit_id = ?
"""


def _merge_unit(connection: sqlite3.Connection, unit_id: int, into_id: int, into: Site) -> None:
    if unit_id == into_id:
        raise VisitError(f"{into.unit!r} cannot be merged with itself.", "Name another unit.")
    if _has_open_visit(connection, unit_id):
        _require_no_open_visit(connection, into_id, into)
    for visit in connection.execute("SELECT id FROM visits WHERE unit_id = ?", (unit_id,)).fetchall():
        move_visit(connection, visit["id"], into_id)
    connection.execute("UPDATE unit_facts SET unit_id = ? WHERE unit_id = ?", (into_id, unit_id))
    remove_if_empty(connection, unit_id)


def remove_if_empty(connection: sqlite3.Connection, unit_id: int) -> None:
    """Remove a unit without visits and facts, and its site without units and facts: it was a slip of the keyboard."""
    for table in ("visits", "unit_facts"):
        if _exists(connection, f"SELECT 1 FROM {table} WHERE unit_id = ?", (unit_id,)):  # noqa: S608  # our own names
            return
    connection.execute(
        "DELETE FROM components WHERE circuit_id IN (SELECT id FROM circuits WHERE unit_id = ?)", (unit_id,)
    )
    connection.execute("DELETE FROM circuits WHERE unit_id = ?", (unit_id,))
    (site_id,) = connection.execute("SELECT site_id FROM units WHERE id = ?", (unit_id,)).fetchone()
    connection.execute("DELETE FROM units WHERE id = ?", (unit_id,))
    connection.execute(
        "DELETE FROM sites WHERE id = ?1 AND NOT EXISTS (SELECT 1 FROM units WHERE site_id = ?1)"
        " AND NOT EXISTS (SELECT 1 FROM site_facts WHERE site_id = ?1)",
        (site_id,),
    )


def _has_open_visit(connection: sqlite3.Connection, unit_id: int) -> bool:
    return _exists(connection, "SELECT 1 FROM visits WHERE unit_id = ? AND closed_utc_ns IS NULL", (unit_id,))


def _require_no_open_visit(connection: sqlite3.Connection, unit_id: int, site: Site) -> None:
    """Do nothing if no visit to a unit is open.

    Raises:
        VisitError: one is open.
    """
    if _has_open_visit(connection, unit_id):
        raise VisitError(f"A visit to {site.unit} at {site.name} is open.", "Close it first.")


def _exists(connection: sqlite3.Connection, query: str, values: Sequence[str | int]) -> bool:
    return connection.execute(query, values).fetchone() is not None


def _facts(connection: sqlite3.Connection, unit_id: int) -> tuple[tuple[UnitFact, str, int], ...]:
    rows = connection.execute("SELECT * FROM unit_facts WHERE unit_id = ? ORDER BY utc_ns, uid", (unit_id,))
    every = decode_rows(lambda row: (UnitFact(row["fact"]), str(row["text"]), int(row["utc_ns"])), rows)
    newest = {fact: number for number, (fact, _, _) in enumerate(every)}
    return tuple(
        entry for number, entry in enumerate(every) if entry[1] and (entry[0] in SEVERAL or newest[entry[0]] == number)
    )


def _ratings(connection: sqlite3.Connection, unit_id: int) -> tuple[ComponentRating, ...]:
    rows = connection.execute(
        "SELECT p.id, ci.name AS circuit, co.name AS component, co.section, p.key, p.rating, p.rating_set_utc_ns"
        " FROM circuits ci JOIN components co ON co.circuit_id = ci.id"
        " JOIN test_points p ON p.id = (SELECT MAX(id) FROM test_points"
        "    WHERE component_id = co.id AND rating_set_utc_ns IS NOT NULL AND key = p.key)"
        " WHERE ci.unit_id = ? ORDER BY ci.id, co.id, p.id",
        (unit_id,),
    )
    return tuple(
        ComponentRating(
            row["circuit"], row["component"], row["section"], row["key"], row["rating"], row["rating_set_utc_ns"]
        )
        for row in rows
    )
