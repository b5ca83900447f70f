"""The contents of a database without its row ids: two databases that say the same are equal."""

import json
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

Contents = dict[str, Counter[tuple[Any, ...]]]

# For each table the column by which a row is known outside, and the columns that refer to other tables.
_NAMES = {
    "boots": ("uid", {}),
    "sites": ("name", {}),
    "site_facts": ("uid", {"site_id": "sites"}),
    "units": ("name", {"site_id": "sites"}),
    "unit_facts": ("uid", {"unit_id": "units"}),
    "circuits": ("name", {"unit_id": "units"}),
    "components": ("name", {"circuit_id": "circuits"}),
    "visits": ("uid", {"unit_id": "units", "boot": "boots"}),
    "test_points": ("key", {"visit_id": "visits", "component_id": "components"}),
    "notes": ("uid", {"visit_id": "visits", "point_id": "test_points"}),
    "replacements": ("uid", {"visit_id": "visits", "after_accepted_id": "accepted_readings"}),
    "stock_movements": ("uid", {"replacement_id": "replacements"}),
    "stock_marks": ("", {}),
    "meters": ("address", {}),
    "meter_aliases": ("", {"meter_id": "meters"}),
    "meter_facts": ("", {"meter_id": "meters"}),
    "connections": ("connected_utc_ns", {"boot": "boots", "meter_id": "meters"}),
    "gaps": ("", {"connection_id": "connections"}),
    "clock_steps": ("", {"boot": "boots"}),
    "accepted_readings": (
        "uid",
        {"visit_id": "visits", "point_id": "test_points", "raw_reading_id": "raw_readings"},
    ),
    "verdicts": ("uid", {"accepted_id": "accepted_readings"}),
    "voids": ("uid", {"accepted_id": "accepted_readings"}),
    "corrections": ("uid", {"accepted_id": "accepted_readings"}),
    "thinnings": ("uid", {}),
    "seals": ("uid", {"visit_id": "visits"}),
    "seal_salts": ("", {"visit_id": "visits"}),
    "station_keys": ("", {}),
}  # fmt: skip
# A raw reading's stretch is a way to store it.
_RAW = """
    SELECT r.id, b.uid, m.address, s.first_utc_ns + r.utc_offset_us * 1000,
        s.first_monotonic_ns + (r.utc_offset_us + r.clock_shift_us) * 1000, v.uid, p.key, s.clock_set, s.quantity,
        s.unit, s.status, s.coupling, s.resolution, s.places, s.low_battery, s.display_hold, s.relative, s.channel,
        r.digits, r.packet
    FROM raw_readings r JOIN stretches s ON s.id = r.stretch_id
        AND r.id BETWEEN s.first_reading_id AND COALESCE(s.last_reading_id, r.id)
    JOIN connections c ON c.id = s.connection_id JOIN boots b ON b.id = c.boot JOIN meters m ON m.id = c.meter_id
    LEFT JOIN visits v ON v.id = s.visit_id LEFT JOIN test_points p ON p.id = s.point_id
"""


def record_contents(path: Path, *, raw: bool = True) -> Contents:
    """Return the rows of every table that belongs to the record, counted, with names in place of row ids."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        connection.row_factory = sqlite3.Row
        names: dict[str, dict[int, Any]] = {"raw_readings": {}}
        found: Contents = {"raw_readings": Counter()}
        for row in map(tuple, connection.execute(_RAW)):
            names["raw_readings"][row[0]] = row[1:]
            found["raw_readings"][row[1:]] += 1
        later = []
        for table, (name, references) in _NAMES.items():
            rows = connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608  # our own names
            if name:
                names[table] = {row["id"]: row[name] for row in rows}
            later.append((table, rows, references))
        for table, rows, references in later:
            if table == "components":
                names[table] = {row["id"]: (row["name"], row["section"]) for row in rows}
            found[table] = Counter(_named(dict(row), references, names) for row in rows)
        if not raw:
            del found["raw_readings"]
        return found


def _named(row: dict[str, Any], references: dict[str, str], names: dict[str, dict[int, Any]]) -> tuple[Any, ...]:
    row.pop("id", None)
    for column, table in references.items():
        row[column] = names[table].get(row[column], row[column])
    return tuple(json.dumps(value, default=repr, sort_keys=True) for value in row.values())


def without_active(contents: Contents) -> Contents:
    """Return the contents without which visit is active: that is the station's, not the record's."""
    visits: Counter[tuple[Any, ...]] = Counter()
    for row, count in contents["visits"].items():
        visits[row[:-1]] += count
    return {**contents, "visits": visits}


def check_database(path: Path) -> None:
    """Assert that a database is whole: its pages, its references, and that its word index has all readings."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        connection.execute("INSERT INTO accepted_words (accepted_words) VALUES ('integrity-check')")
        index = connection.execute("SELECT rowid, * FROM accepted_words ORDER BY rowid").fetchall()
        words = connection.execute("SELECT accepted_id, * FROM words_of_accepted ORDER BY accepted_id").fetchall()
        assert [tuple(row) for row in index] == [tuple(row[:-1]) for row in words]
        names = connection.execute("SELECT rowid, name FROM meter_words ORDER BY rowid").fetchall()
        meters = "SELECT id, CASE name WHEN '' THEN address ELSE name END FROM meters ORDER BY id"
        assert names == connection.execute(meters).fetchall()
        triggers = "SELECT COUNT(*) FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'words_of_%'"
        assert connection.execute(triggers).fetchone() == (12,)
