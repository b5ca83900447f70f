"""Rows that two databases share and that changed in one of them: which change counts after a merge.

SQL inside the transaction of `meterlink.store.merge`; see there. Each function returns remarks for the person who
merges: where the two contradict each other, this database keeps its own.
"""

import json
import sqlite3

from meterlink.store.merge_kinds import id_here
from meterlink.store.places import remove_if_empty
from meterlink.store.transactions import move_visit

# The columns of a visit that change until it is closed, beside its place.
_OPEN_COLUMNS = ("plan", "plan_text", "derived", "answers", "carried_answers", "technician", "job")
_CLOSED_COLUMNS = ("closed_utc_ns", "outcome", "power_on", "covers_on")


def merge_units(connection: sqlite3.Connection) -> None:
    """A unit stays archived only where both archived it: no unit disappears from a list unasked."""
    connection.execute(
        "UPDATE main.units AS m SET archived_utc_ns = (SELECT MAX(m.archived_utc_ns, o.archived_utc_ns)"
        " FROM temp.same_units s JOIN other.units o ON o.id = s.old WHERE s.new = m.id)"
        " WHERE archived_utc_ns IS NOT NULL AND id IN (SELECT new FROM temp.same_units)"
    )


def merge_visits(connection: sqlite3.Connection) -> list[str]:
    """Close the visits that are closed in the other database; of two closed in different ways keep this one's."""
    remarks = []
    shared = connection.execute(
        "SELECT m.id, m.unit_id, o.id AS other_id, m.closed_utc_ns, o.closed_utc_ns AS other_closed,"
        f" {id_here('units', 'o.unit_id')} AS other_unit,"
        f" ({_tuple('m', _CLOSED_COLUMNS)}) IS NOT ({_tuple('o', _CLOSED_COLUMNS)}) AS closed_otherwise,"
        f" ({_tuple('m', _OPEN_COLUMNS)}) <> ({_tuple('o', _OPEN_COLUMNS)}) AS written_otherwise"
        " FROM main.visits m JOIN other.visits o ON o.uid = m.uid"
    ).fetchall()
    for row in shared:
        if row["closed_utc_ns"] is None and row["other_closed"] is not None:
            columns = ", ".join((*_OPEN_COLUMNS, *_CLOSED_COLUMNS))
            connection.execute(
                f"UPDATE main.visits SET ({columns}, active) = (SELECT {columns}, 0 FROM other.visits WHERE id = ?)"
                " WHERE id = ?",
                (row["other_id"], row["id"]),
            )
        elif row["other_closed"] is not None and row["closed_otherwise"]:
            remarks.append(f"{_visit_name(connection, row['id'])} was closed in two ways: that of this database stays.")
        elif row["closed_utc_ns"] is None and row["written_otherwise"]:
            remarks.append(
                f"{_visit_name(connection, row['id'])} is open in both, with different answers, technician or job:"
                " those of this database stay."
            )
        if row["unit_id"] != row["other_unit"]:
            remarks.append(f"{_visit_name(connection, row['id'])} belongs to another unit in the other database.")
    return remarks


def merge_points(connection: sqlite3.Connection) -> None:
    """Take the newer rating of each shared test point; let those of a visit belong to the components of its unit."""
    # A rating that a replacement gave counts only while the replacement does.
    connection.execute(
        f"""
        UPDATE main.test_points AS m SET (rating, rating_set_utc_ns) = (o.rating, o.rating_set_utc_ns)
        FROM temp.same_test_points s JOIN other.test_points o ON o.id = s.old
        WHERE s.new = m.id AND o.rating_set_utc_ns > COALESCE(m.rating_set_utc_ns, 0)
            AND NOT EXISTS (
                SELECT 1 FROM main.replacements r WHERE r.visit_id = {id_here("visits", "o.visit_id")}
                    AND r.undone_utc_ns IS NOT NULL AND r.utc_ns = o.rating_set_utc_ns
            )
        """
    )
    moved = connection.execute(
        "SELECT DISTINCT v.id, v.unit_id, ci.unit_id AS left_id FROM main.visits v"
        " JOIN main.test_points p ON p.visit_id = v.id JOIN main.components co ON co.id = p.component_id"
        " JOIN main.circuits ci ON ci.id = co.circuit_id WHERE ci.unit_id <> v.unit_id"
    ).fetchall()
    for row in moved:
        move_visit(connection, row["id"], row["unit_id"])
    left = connection.execute(
        "SELECT DISTINCT u.id FROM temp.same_units s JOIN main.units u ON u.id = s.new"
        " JOIN other.visits v ON v.unit_id = s.old WHERE u.id NOT IN (SELECT unit_id FROM main.visits)"
    ).fetchall()
    for row in left:  # the only visit of that unit was moved from it in this database
        remove_if_empty(connection, row["id"])


def merge_undone_replacements(connection: sqlite3.Connection) -> None:
    """Undo the replacements that were undone in the other database: the old part's ratings are back."""
    undone = connection.execute(
        "SELECT m.id, m.visit_id, m.utc_ns, m.ratings, o.undone_utc_ns FROM main.replacements m"
        " JOIN other.replacements o ON o.uid = m.uid WHERE m.undone_utc_ns IS NULL AND o.undone_utc_ns IS NOT NULL"
    ).fetchall()
    for row in undone:
        connection.execute(
            "UPDATE main.replacements SET undone_utc_ns = ? WHERE id = ?", (row["undone_utc_ns"], row["id"])
        )
        for key, (rating, set_utc_ns, _) in json.loads(row["ratings"]).items():
            connection.execute(
                "UPDATE main.test_points SET rating = ?, rating_set_utc_ns = ?"
                " WHERE visit_id = ? AND key = ? AND rating_set_utc_ns = ?",
                (rating, set_utc_ns, row["visit_id"], key, row["utc_ns"]),
            )


def merge_meters(connection: sqlite3.Connection, first_new_id: int) -> list[str]:
    """Merge the knowledge about the meters: of aliases and facts the newer entry counts, empty fields are filled.

    ``first_new_id`` is the row id of the first meter that this database did not know.
    """
    connection.execute(
        """
        UPDATE main.meters AS m SET
            current_address = CASE
                WHEN o.last_seen_utc_ns <= m.last_seen_utc_ns THEN m.current_address
                ELSE o.current_address
            END,
            name = CASE m.name WHEN '' THEN o.name ELSE m.name END,
            driver = CASE m.driver WHEN '' THEN o.driver ELSE m.driver END,
            serial = CASE m.serial WHEN '' THEN o.serial ELSE m.serial END,
            service_uuid = CASE m.service_uuid WHEN '' THEN o.service_uuid ELSE m.service_uuid END,
            bound = MAX(m.bound, o.bound),
            first_seen_utc_ns = MIN(m.first_seen_utc_ns, o.first_seen_utc_ns),
            last_seen_utc_ns = MAX(m.last_seen_utc_ns, o.last_seen_utc_ns)
        FROM temp.same_meters s JOIN other.meters o ON o.id = s.old
        WHERE s.new = m.id AND m.id < ?
        """,
        (first_new_id,),
    )
    connection.execute(
        f"INSERT INTO main.meter_aliases (address, meter_id, since_utc_ns)"
        f" SELECT o.address, {id_here('meters', 'o.meter_id')}, o.since_utc_ns FROM other.meter_aliases o WHERE true"
        " ON CONFLICT (address) DO UPDATE SET meter_id = excluded.meter_id, since_utc_ns = excluded.since_utc_ns"
        " WHERE excluded.since_utc_ns > since_utc_ns"
    )
    connection.execute(
        f"INSERT INTO main.meter_facts (meter_id, fact, value, set_utc_ns)"
        f" SELECT {id_here('meters', 'o.meter_id')}, o.fact, o.value, o.set_utc_ns FROM other.meter_facts o WHERE true"
        " ON CONFLICT (meter_id, fact) DO UPDATE SET value = excluded.value, set_utc_ns = excluded.set_utc_ns"
        " WHERE excluded.set_utc_ns > set_utc_ns"
    )
    connection.execute(
        "UPDATE main.meters AS m SET name = f.value FROM main.meter_facts f"
        " WHERE f.meter_id = m.id AND f.fact = 'name' AND f.value <> m.name"
        " AND m.id IN (SELECT new FROM temp.same_meters)"
    )
    # A person, or its serial number, said that this is the former row of another meter.
    connection.execute(
        "UPDATE main.meters AS m SET bound = 0 WHERE bound AND ("
        " EXISTS (SELECT 1 FROM main.meter_aliases WHERE address = m.address AND meter_id <> m.id)"
        " OR EXISTS (SELECT 1 FROM main.meters WHERE bound AND address = m.address COLLATE NOCASE AND id < m.id))"
    )
    return _unbind_namesakes(connection)


def _unbind_namesakes(connection: sqlite3.Connection) -> list[str]:
    """Of bound meters with one name only the first stays bound: the others would be taken for it."""
    namesakes = connection.execute(
        "SELECT id, name, address FROM main.meters m WHERE bound AND name <> ''"
        " AND EXISTS (SELECT 1 FROM main.meters WHERE bound AND name = m.name AND id < m.id) ORDER BY id"
    ).fetchall()
    for row in namesakes:
        connection.execute("UPDATE main.meters SET bound = 0 WHERE id = ?", (row["id"],))
    return [
        f"Two bound meters have the name {row['name']}: {row['address']} is not bound any more. Give it another name."
        for row in namesakes
    ]


def merge_ends(connection: sqlite3.Connection) -> None:
    """Take the end of a connection or a gap where only the other database has it: a known time, else a known reason."""
    connection.execute(
        """
        UPDATE main.connections AS m SET
            (ended_utc_ns, ended_monotonic_ns, end_reason) = (o.ended_utc_ns, o.ended_monotonic_ns, o.end_reason)
        FROM temp.same_connections s JOIN other.connections o ON o.id = s.old
        WHERE s.new = m.id AND m.ended_utc_ns IS NULL AND o.end_reason IS NOT NULL
            AND (o.ended_utc_ns IS NOT NULL OR m.end_reason IS NULL)
        """
    )
    connection.execute(
        """
        UPDATE main.gaps AS m SET
            (ended_utc_ns, ended_monotonic_ns, lost) = (o.ended_utc_ns, o.ended_monotonic_ns, o.lost)
        FROM temp.same_gaps s JOIN other.gaps o ON o.id = s.old
        WHERE s.new = m.id AND m.ended_utc_ns IS NULL AND o.ended_utc_ns IS NOT NULL
        """
    )


def merge_rows_without_id(connection: sqlite3.Connection) -> None:
    """Merge the low marks (the newer counts), the salts of the seals and the stations' keys."""
    connection.execute(
        "INSERT INTO main.stock_marks (part, rating, low, set_utc_ns)"
        " SELECT part, rating, low, set_utc_ns FROM other.stock_marks WHERE true"
        " ON CONFLICT (part, rating) DO UPDATE SET low = excluded.low, set_utc_ns = excluded.set_utc_ns"
        " WHERE excluded.set_utc_ns > set_utc_ns"
    )
    connection.execute(
        f"INSERT OR IGNORE INTO main.seal_salts (visit_id, subject, salt)"
        f" SELECT {id_here('visits', 'o.visit_id')}, o.subject, o.salt FROM other.seal_salts o"
    )
    connection.execute(
        "INSERT INTO main.station_keys (public_key, station, since_utc_ns, ended_utc_ns, end_reason)"
        " SELECT public_key, station, since_utc_ns, ended_utc_ns, end_reason FROM other.station_keys WHERE true"
        " ON CONFLICT (public_key) DO UPDATE SET since_utc_ns = min(since_utc_ns, excluded.since_utc_ns),"
        " end_reason = iif(ended_utc_ns IS NULL, excluded.end_reason, end_reason),"
        " ended_utc_ns = ifnull(ended_utc_ns, excluded.ended_utc_ns)"
    )
    connection.execute(
        "UPDATE main.thinnings AS m SET deleted = o.deleted FROM other.thinnings o"
        " WHERE o.uid = m.uid AND o.deleted > m.deleted"
    )


def units_with_two_open_visits(connection: sqlite3.Connection) -> list[str]:
    """Return a remark for each unit with more than one open visit."""
    rows = connection.execute(
        "SELECT s.name AS site, u.name AS unit, COUNT(*) AS visits FROM main.visits v"
        " JOIN main.units u ON u.id = v.unit_id JOIN main.sites s ON s.id = u.site_id"
        " WHERE v.closed_utc_ns IS NULL GROUP BY u.id HAVING visits > 1"
    )
    return [f"{row['visits']} visits to {row['unit']} at {row['site']} are open: close all but one." for row in rows]


def _visit_name(connection: sqlite3.Connection, visit_id: int) -> str:
    row = connection.execute(
        "SELECT v.uid, s.name AS site, u.name AS unit FROM main.visits v JOIN main.units u ON u.id = v.unit_id"
        " JOIN main.sites s ON s.id = u.site_id WHERE v.id = ?",
        (visit_id,),
    ).fetchone()
    return f"Visit {row['uid'][:8]} to {row['unit']} at {row['site']}"


def _tuple(name: str, columns: tuple[str, ...]) -> str:
    return ", ".join(f"{name}.{column}" for column in columns)
