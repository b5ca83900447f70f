"""A visit as its seal covers it: names and values of the trade, no row ids and no tables.

It covers the visit, its test points, its accepted readings with their packets, every verdict on them, every void and
every correction, the replacements, and the notes. It does not cover raw readings, the names of meters, and facts about
the unit and the site. Personal texts are marked; a seal holds only their hashes.
"""

import hashlib
import json
import math
import sqlite3
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta

from meterlink.seal.edition import Contents, Personal
from meterlink.store.continuity import ClockSteps

_SELECT_VISIT = """
    SELECT v.*, u.name AS unit, s.name AS site FROM visits v
    JOIN units u ON u.id = v.unit_id JOIN sites s ON s.id = u.site_id WHERE v.id = ?
"""
_SELECT_POINTS = """
    SELECT p.*, ci.name AS circuit, co.name AS component, co.section FROM test_points p
    JOIN components co ON co.id = p.component_id JOIN circuits ci ON ci.id = co.circuit_id
    WHERE p.visit_id = ? ORDER BY p.id
"""
_SELECT_READINGS = """
    SELECT a.*, p.key AS point, r.packet, st.channel, c.driver, c.profile_hash, m.address
    FROM accepted_readings a
    JOIN test_points p ON p.id = a.point_id
    JOIN raw_readings r ON r.id = a.raw_reading_id
    JOIN stretches st ON st.id = r.stretch_id
    JOIN connections c ON c.id = st.connection_id
    JOIN meters m ON m.id = c.meter_id
    WHERE a.visit_id = ? ORDER BY a.id
"""
_SELECT_MOMENTS = """
    SELECT a.uid, c.boot, v.boot, v.opened_monotonic_ns, a.monotonic_ns
    FROM accepted_readings a
    JOIN visits v ON v.id = a.visit_id
    JOIN raw_readings r ON r.id = a.raw_reading_id
    JOIN stretches st ON st.id = r.stretch_id
    JOIN connections c ON c.id = st.connection_id
    WHERE a.visit_id = ? ORDER BY a.id
"""
_SELECT_REPLACEMENTS = """
    SELECT r.*, (
        SELECT a.uid FROM accepted_readings a WHERE a.visit_id = r.visit_id AND a.id <= r.after_accepted_id
        ORDER BY a.id DESC LIMIT 1
    ) AS after_uid
    FROM replacements r WHERE r.visit_id = ? ORDER BY r.id
"""
_SELECT_NOTES = """
    SELECT n.*, CASE WHEN n.point_id IS NOT NULL THEN COALESCE(p.key, '?') END AS point
    FROM notes n LEFT JOIN test_points p ON p.id = n.point_id
    WHERE n.visit_id = ? ORDER BY n.id
"""
_READING_TEXTS = (
    "point", "quantity", "digits", "unit", "status", "coupling", "resolution", "channel", "settled_in", "driver",
    "profile_hash",
)  # fmt: skip
_FLAGS = ("clock_set", "low_battery", "display_hold", "relative")
_POINT_TEXTS = ("key", "circuit", "component", "section", "quantity", "state", "kind", "rating")
_VERDICT_TEXTS = (
    "uid", "verdict", "margin", "limits_low", "limits_high", "limits_unit", "limits_basis", "limits_nominal", "digits",
    "deviation_percent", "expanded_uncertainty", "coverage_factor", "probability", "prior", "accuracy", "calibration",
    "rule", "reason", "next_measurement", "question", "answer", "resolution", "rating", "software",
)  # fmt: skip
_CORRECTION_TEXTS = (
    "uid", "quantity", "digits", "unit", "status", "coupling", "resolution", "driver", "profile", "profile_hash",
    "software",
)  # fmt: skip
_REPLACEMENT_TEXTS = ("uid", "circuit", "component", "old_rating", "new_rating", "objection")

Fields = dict[str, Contents]


def visit_contents(connection: sqlite3.Connection, visit_id: int) -> Fields:
    """Return a visit as its seal covers it."""
    visit = connection.execute(_SELECT_VISIT, (visit_id,)).fetchone()
    return {
        "uid": visit["uid"],
        "site": Personal("site", visit["site"]),
        "unit": Personal("unit", visit["unit"]),
        "technician": Personal("technician", visit["technician"]),
        "job": Personal("job", visit["job"]),
        "plan": visit["plan"],
        "plan_hash": _hash(visit["plan_text"]),
        "derived_hash": _hash(visit["derived"]),
        "answers": _json(visit["answers"]),
        "opened": time_text(visit["opened_utc_ns"]),
        "closed": time_text(visit["closed_utc_ns"]),
        "outcome": visit["outcome"],
        "power_on": _flag(visit["power_on"]),
        "covers_on": _flag(visit["covers_on"]),
        "points": _all(connection, _SELECT_POINTS, visit_id, _point),
        "readings": _readings(connection, visit_id),
        "replacements": _all(connection, _SELECT_REPLACEMENTS, visit_id, _replacement),
        "notes": _all(connection, _SELECT_NOTES, visit_id, _note),
    }


def sealed_clock_steps(connection: sqlite3.Connection, visit_id: int) -> dict[str, int]:
    """Return by how many ms the clock was set during a visit before a reading, by the uids of those after a step."""
    steps = ClockSteps(connection)
    found = {
        row["uid"]: round(steps.during_visit(*tuple(row)[1:]) / 1e6)
        for row in connection.execute(_SELECT_MOMENTS, (visit_id,))
    }
    return {uid: milliseconds for uid, milliseconds in found.items() if milliseconds}


def time_text(utc_ns: int | None) -> str | None:
    """Return a time as RFC 3339 text in UTC with all its nanoseconds; None for None."""
    if utc_ns is None:
        return None
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def _point(row: sqlite3.Row) -> Fields:
    return {
        **_texts(row, _POINT_TEXTS),
        "terminals": [row["terminal_a"], row["terminal_b"]],
        "rating_set": time_text(row["rating_set_utc_ns"]),
    }


def _readings(connection: sqlite3.Connection, visit_id: int) -> list[Contents]:
    verdicts = _by_reading(connection, "verdicts", visit_id, _verdict)
    voids = _by_reading(connection, "voids", visit_id, _void)
    corrections = _by_reading(connection, "corrections", visit_id, _correction)

    def reading(row: sqlite3.Row) -> Fields:
        return {
            "uid": row["uid"],
            "at": time_text(row["utc_ns"]),
            **_texts(row, _READING_TEXTS),
            **{name: _flag(row[name]) for name in _FLAGS},
            "assigned": time_text(row["assigned_utc_ns"]),
            "meter_address": Personal(f"meter of {row['uid']}", row["address"]),
            "packet": row["packet"].hex(),
            "verdicts": verdicts.get(row["id"], []),
            "voids": voids.get(row["id"], []),
            # Only where there are some: the seals of earlier versions have no such list.
            **({"corrections": corrections[row["id"]]} if row["id"] in corrections else {}),
        }

    return _all(connection, _SELECT_READINGS, visit_id, reading)


def _by_reading(
    connection: sqlite3.Connection, table: str, visit_id: int, fields_of: Callable[[sqlite3.Row], Fields]
) -> dict[int, list[Contents]]:
    """Return the rows of a table by the row id of their accepted reading."""
    found: dict[int, list[Contents]] = {}
    query = (
        f"SELECT t.* FROM {table} t JOIN accepted_readings a ON a.id = t.accepted_id WHERE a.visit_id = ?"  # noqa: S608  # our own names
        " ORDER BY t.id"
    )
    for row in connection.execute(query, (visit_id,)):
        found.setdefault(row["accepted_id"], []).append(fields_of(row))
    return found


def _verdict(row: sqlite3.Row) -> Fields:
    return {**_texts(row, _VERDICT_TEXTS), "judged": time_text(row["judged_utc_ns"])}


def _void(row: sqlite3.Row) -> Fields:
    return {
        "uid": row["uid"],
        "at": time_text(row["utc_ns"]),
        "voided": bool(row["voided"]),
        "reason": Personal(f"void {row['uid']}", row["reason"]),
    }


def _correction(row: sqlite3.Row) -> Fields:
    return {
        **_texts(row, _CORRECTION_TEXTS),
        **{name: _flag(row[name]) for name in _FLAGS if name != "clock_set"},
        "at": time_text(row["utc_ns"]),
        "technician": Personal(f"correction {row['uid']}", row["technician"]),
    }


def _replacement(row: sqlite3.Row) -> Fields:
    return {
        **_texts(row, _REPLACEMENT_TEXTS),
        "sections": _json(row["sections"]),
        "ratings": _json(row["ratings"]),
        "after": row["after_uid"],
        "at": time_text(row["utc_ns"]),
        "undone": time_text(row["undone_utc_ns"]),
    }


def _note(row: sqlite3.Row) -> Fields:
    return {
        "uid": row["uid"],
        "at": time_text(row["utc_ns"]),
        "point": row["point"],
        "text": Personal(f"note {row['uid']}", row["text"]),
    }


def _all(
    connection: sqlite3.Connection, query: str, visit_id: int, fields_of: Callable[[sqlite3.Row], Fields]
) -> list[Contents]:
    return [fields_of(row) for row in connection.execute(query, (visit_id,)).fetchall()]


def _texts(row: sqlite3.Row, names: Iterable[str]) -> Fields:
    return {name: _value(row[name]) for name in names}


def _value(value: str | float | None) -> str | float | None:
    is_number = not isinstance(value, float) or math.isfinite(value)
    return value if is_number else str(value)  # JSON has no infinity; no station writes one


def _flag(value: int | None) -> bool | None:
    return None if value is None else bool(value)


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest() if text else ""


def _json(text: str) -> Contents:
    """Return a column of JSON in its canonical order; its text where another program made it something else."""
    try:
        value: Contents = json.loads(text, parse_int=str, parse_constant=str)  # ns are beyond the integers of RFC 8785
    except (ValueError, RecursionError):
        return text
    return value
