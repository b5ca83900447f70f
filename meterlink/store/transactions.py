"""The statements of the writer's transactions: plain SQL on an open connection, no threads, no commits."""

import json
import sqlite3
import sys
import uuid
from collections.abc import Collection, Mapping
from typing import Any

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Plan, Site, Specification, TestPoint
from meterlink.core.errors import InputError, StoreError
from meterlink.core.readings import Reading
from meterlink.core.verdicts import Judgement
from meterlink.core.version import VERSION
from meterlink.plans.derived_table import dump_derived_points
from meterlink.store.continuity import end_connections_of_killed_station
from meterlink.store.question_text import dump_question
from meterlink.store.rows import (
    NO_DETAILS,
    NOT_SAID,
    AcceptedRow,
    Batch,
    CorrectionRow,
    OutboxRow,
    UnitLeft,
    VisitDetails,
    VisitIds,
)
from meterlink.store.stretches import StretchWriter, decimal_text

_INSERT_ACCEPTED = """
    INSERT INTO accepted_readings (uid, raw_reading_id, visit_id, point_id, utc_ns, monotonic_ns, clock_set, quantity,
        digits, unit, value, status, coupling, resolution, low_battery, display_hold, relative, settled_in,
        assigned_utc_ns)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_INSERT_VERDICT = """
    INSERT INTO verdicts (uid, accepted_id, judged_utc_ns, verdict, margin, limits_low, limits_high, limits_unit,
        limits_basis, limits_nominal, digits, deviation_percent, expanded_uncertainty, coverage_factor, probability,
        prior, accuracy, calibration, rule, reason, next_measurement, question, answer, resolution, rating, software)
    SELECT ?, a.id, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, p.rating, ?
    FROM accepted_readings a JOIN test_points p ON p.id = a.point_id WHERE a.id = ?
"""
# From the newest earlier test point of the same component and kind that was rated. A component belongs to a unit.
_CARRY_RATINGS = """
    UPDATE test_points AS new SET (rating, rating_set_utc_ns) = (
        SELECT old.rating, old.rating_set_utc_ns FROM test_points old
        WHERE old.component_id = new.component_id AND old.key = new.key AND old.kind = new.kind AND old.id < new.id
            AND old.rating_set_utc_ns IS NOT NULL ORDER BY old.id DESC LIMIT 1
    )
    WHERE visit_id = ?1 AND EXISTS (
        SELECT 1 FROM test_points old
        WHERE old.component_id = new.component_id AND old.key = new.key AND old.kind = new.kind AND old.id < new.id
            AND old.rating_set_utc_ns IS NOT NULL
    )
"""
_INSERT_VOID = """
    INSERT INTO voids (uid, accepted_id, utc_ns, voided, reason)
    SELECT ?, id, ?, ?, ? FROM accepted_readings WHERE uid = ?
"""
_INSERT_CORRECTION = """
    INSERT INTO corrections (uid, accepted_id, utc_ns, quantity, digits, unit, value, status, coupling, resolution,
        low_battery, display_hold, relative, driver, profile, profile_hash, technician, software)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_INSERT_MESSAGE = "INSERT INTO outbox (message_id, topic, payload, droppable, created_utc_ns) VALUES (?, ?, ?, ?, ?)"


def begin_boot(connection: sqlite3.Connection, boot_id: str, station: str, started: Timestamp) -> int:
    """Record a start of the station; return its row id."""
    end_connections_of_killed_station(connection)
    return _insert(
        connection,
        "INSERT INTO boots (uid, boot_id, software, sqlite, station, started_utc_ns, started_monotonic_ns)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (_new_uid(), boot_id, VERSION, sqlite3.sqlite_version, station, started.utc_ns, started.monotonic_ns),
    )


def insert_batch(connection: sqlite3.Connection, stretches: StretchWriter, batch: Batch, now_utc_ns: int) -> None:
    """Insert a batch: raw readings, accepted readings, later verdicts, voids and corrections, then messages.

    Raises:
        StoreError: an accepted reading has no visit or no test point, or a later row has no reading.
    """
    stretches.insert(connection, batch.readings)
    for accepted in batch.accepted:
        row = accepted.reading_row
        if row.visit_id is None or row.point_id is None:
            raise StoreError(
                f"The accepted reading {row.reading.text} belongs to no test point.",
                "Give it a visit and a test point.",
            )
        assigned_utc_ns = None if accepted.raw_reading_id is None else now_utc_ns
        raw_reading_id = accepted.raw_reading_id or stretches.insert(connection, (row,))
        values = (*_accepted_values(accepted, raw_reading_id), assigned_utc_ns)
        accepted_id = _insert(connection, _INSERT_ACCEPTED, values)
        insert_verdict(connection, accepted_id, accepted.judgement, now_utc_ns)
    for verdict in batch.verdicts:
        insert_verdict(connection, _accepted_id(connection, verdict.uid), verdict.judgement, now_utc_ns)
    for correction in batch.corrections:
        _insert_correction(connection, correction, now_utc_ns)
    for void in batch.voids:
        cursor = connection.execute(_INSERT_VOID, (_new_uid(), now_utc_ns, bool(void.reason), void.reason, void.uid))
        _require_one_row(cursor, f"accepted reading {void.uid}")
    connection.executemany(_INSERT_MESSAGE, (_message_values(row, now_utc_ns) for row in batch.outbox))


def _insert_correction(connection: sqlite3.Connection, correction: CorrectionRow, now_utc_ns: int) -> None:
    accepted_id = _accepted_id(connection, correction.uid)
    identity = (correction.driver, correction.profile, correction.profile_hash, correction.technician, VERSION)
    values = (_new_uid(), accepted_id, now_utc_ns, *_display_values(correction.reading), *identity)
    connection.execute(_INSERT_CORRECTION, values)
    insert_verdict(connection, accepted_id, correction.judgement, now_utc_ns)


def _accepted_id(connection: sqlite3.Connection, uid: str) -> int:
    """Return the row id of an accepted reading.

    Raises:
        StoreError: there is no such reading.
    """
    found = connection.execute("SELECT id FROM accepted_readings WHERE uid = ?", (uid,)).fetchone()
    if found is None:
        raise StoreError(
            f"There is no accepted reading {uid} in the database.", "It may belong to another data folder."
        )
    return int(found[0])


def insert_verdict(connection: sqlite3.Connection, accepted_id: int, judgement: Judgement, now_utc_ns: int) -> None:
    """Insert a verdict on an accepted reading, with the present rating of its test point; earlier verdicts stay.

    Raises:
        StoreError: there is no such accepted reading.
    """
    limits = judgement.limits
    values = (
        _new_uid(),
        now_utc_ns,
        judgement.verdict,
        judgement.margin,
        decimal_text(limits.low) if limits else None,
        decimal_text(limits.high) if limits else None,
        limits.unit if limits else None,
        limits.basis if limits else None,
        decimal_text(limits.nominal) if limits else None,
        decimal_text(judgement.digits),
        decimal_text(judgement.deviation_percent),
        decimal_text(judgement.expanded_uncertainty),
        judgement.coverage_factor,
        judgement.probability,
        judgement.prior,
        judgement.accuracy,
        judgement.calibration,
        judgement.rule,
        judgement.reason,
        judgement.next_measurement,
        dump_question(judgement.question),
        judgement.answer,
        decimal_text(judgement.resolution),
        VERSION,
        accepted_id,
    )
    _require_one_row(connection.execute(_INSERT_VERDICT, values), f"accepted reading {accepted_id}")


def open_visit(
    connection: sqlite3.Connection,
    boot: int,
    site: Site,
    plan: Plan,
    opened: Timestamp,
    details: VisitDetails = NO_DETAILS,
) -> VisitIds:
    """Insert a visit with its test points; reuse the site, unit, circuits and components of the same names.

    It is the active visit from now on; the one before is paused. Answers to the questions of ``plan`` and the ratings
    that were read off the same components are those of the unit's earlier visits. Its test points are those that exist
    with these answers.
    """
    pause_visits(connection)
    unit_id = get_or_insert_unit(connection, site)
    answers = _earlier_answers(connection, unit_id, plan)
    known = plan.for_answers(answers)
    uid = _new_uid()
    visit_id = _insert(
        connection,
        "INSERT INTO visits (uid, unit_id, plan, derived, answers, carried_answers, boot, opened_utc_ns,"
        " opened_monotonic_ns, plan_text, technician, job, active) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1)",
        (
            uid,
            unit_id,
            plan.name,
            dump_derived_points(known.derived),
            json.dumps(answers),
            json.dumps(answers),
            boot,
            opened.utc_ns,
            opened.monotonic_ns,
            *details,
        ),
    )
    point_ids = {point.key: _insert_point(connection, visit_id, unit_id, point) for point in known.points}
    connection.execute(_CARRY_RATINGS, (visit_id,))
    return VisitIds(visit_id, uid, point_ids)


def get_or_insert_unit(connection: sqlite3.Connection, site: Site) -> int:
    """Return the row id of a unit, which is listed again if it was archived."""
    site_id = get_or_insert(connection, "sites", name=site.name)
    unit_id = get_or_insert(connection, "units", site_id=site_id, name=site.unit)
    connection.execute("UPDATE units SET archived_utc_ns = NULL WHERE id = ?", (unit_id,))
    return unit_id


def move_visit(connection: sqlite3.Connection, visit_id: int, unit_id: int) -> None:
    """Let a visit be one of another unit: its test points belong to the components of that unit."""
    points = connection.execute(
        "SELECT p.id, ci.name AS circuit, co.name AS component, co.section FROM test_points p"
        " JOIN components co ON co.id = p.component_id JOIN circuits ci ON ci.id = co.circuit_id WHERE p.visit_id = ?",
        (visit_id,),
    ).fetchall()
    for point in points:
        component_id = get_or_insert_component(
            connection, unit_id, point["circuit"], point["component"], point["section"]
        )
        connection.execute("UPDATE test_points SET component_id = ? WHERE id = ?", (component_id, point["id"]))
    connection.execute("UPDATE visits SET unit_id = ? WHERE id = ?", (unit_id, visit_id))


def carry_over(connection: sqlite3.Connection, visit_id: int, plan: Plan, keep: Collection[str]) -> None:
    """Let an open visit that was moved have the answers and ratings of its new unit's earlier visits.

    The ratings and answers that came from the unit before are gone; those of this visit stay. So do all answers if a
    test point in ``keep``, one with a reading, exists only with those.
    """
    row = connection.execute(
        "SELECT unit_id, answers, carried_answers, opened_utc_ns FROM visits WHERE id = ?", (visit_id,)
    ).fetchone()
    given, carried = json.loads(row["answers"]), json.loads(row["carried_answers"])
    own = {key: answer for key, answer in given.items() if carried.get(key) != answer}
    earlier = _earlier_answers(connection, row["unit_id"], plan, before_visit=visit_id)
    answers = _possible_answers(plan, {**earlier, **own}, keep) or given
    connection.execute(
        "UPDATE test_points SET rating_set_utc_ns = NULL WHERE visit_id = ? AND rating_set_utc_ns < ?",
        (visit_id, row["opened_utc_ns"]),
    )
    set_answers(connection, visit_id, plan, answers)
    connection.execute(_CARRY_RATINGS, (visit_id,))
    connection.execute("UPDATE visits SET carried_answers = ? WHERE id = ?", (json.dumps(earlier), visit_id))


def _possible_answers(plan: Plan, answers: dict[str, str], keep: Collection[str]) -> dict[str, str] | None:
    """Return the answers if the plan takes them and has the test points ``keep`` with them, else None."""
    try:
        points = {point.key for point in plan.points_for(plan.checked_answers(answers))}
    except InputError:
        return None
    return answers if points.issuperset(keep) else None


def _earlier_answers(
    connection: sqlite3.Connection, unit_id: int, plan: Plan, before_visit: int = sys.maxsize
) -> dict[str, str]:
    """Return the answers of the unit's newest visit with a plan of this name; none where its questions have changed."""
    query = "SELECT answers FROM visits WHERE unit_id = ? AND plan = ? AND id < ? ORDER BY id DESC LIMIT 1"
    row = connection.execute(query, (unit_id, plan.name, before_visit)).fetchone()
    try:
        return plan.checked_answers(json.loads(row[0])) if row else {}
    except InputError:
        return {}


def set_answers(
    connection: sqlite3.Connection, visit_id: int, plan: Plan, answers: Mapping[str, str]
) -> dict[str, int]:
    """Save the answers to the questions of ``plan``, with the test points and the ratings that follow from them.

    A rating that somebody read off the part stays.

    Returns:
        ``{test-point key: row id}`` of all test points of the visit.

    Raises:
        StoreError: there is no such visit.
    """
    known = plan.for_answers(answers)
    values = (json.dumps(dict(answers)), dump_derived_points(known.derived), visit_id)
    cursor = connection.execute("UPDATE visits SET answers = ?, derived = ? WHERE id = ?", values)
    _require_one_row(cursor, f"visit {visit_id}")
    (unit_id,) = connection.execute("SELECT unit_id FROM visits WHERE id = ?", (visit_id,)).fetchone()
    ids = dict(map(tuple, connection.execute("SELECT key, id FROM test_points WHERE visit_id = ?", (visit_id,))))
    for point in known.points:
        if point.key in ids:
            connection.execute(
                "UPDATE test_points SET rating = ? WHERE id = ? AND rating_set_utc_ns IS NULL",
                (rating_text(point.specification), ids[point.key]),
            )
        else:
            ids[point.key] = _insert_point(connection, visit_id, unit_id, point)
    return ids


def set_derived_points(connection: sqlite3.Connection, visit_id: int, plan: Plan) -> None:
    """Save the derived points of ``plan``, which may have changed since the visit was opened."""
    connection.execute("UPDATE visits SET derived = ? WHERE id = ?", (dump_derived_points(plan.derived), visit_id))


def pause_visits(connection: sqlite3.Connection) -> None:
    """Leave no visit active."""
    connection.execute("UPDATE visits SET active = 0 WHERE active = 1")


def activate_visit(connection: sqlite3.Connection, visit_id: int) -> None:
    """Make an open visit the active one; the one before is paused.

    Raises:
        StoreError: there is no such visit, or it is closed.
    """
    pause_visits(connection)
    _require_one_row(
        connection.execute("UPDATE visits SET active = 1 WHERE id = ? AND closed_utc_ns IS NULL", (visit_id,)),
        f"open visit {visit_id}",
    )


def close_visit(
    connection: sqlite3.Connection, visit_id: int, closed: Timestamp, outcome: str = "", left: UnitLeft = NOT_SAID
) -> None:
    """Save the time when a visit ended, its outcome, and how the unit was left.

    Raises:
        StoreError: there is no such visit.
    """
    _require_one_row(
        connection.execute(
            "UPDATE visits SET closed_utc_ns = ?, outcome = ?, power_on = ?, covers_on = ?, active = 0 WHERE id = ?",
            (closed.utc_ns, outcome, left.power_on, left.covers_on, visit_id),
        ),
        f"visit {visit_id}",
    )


def insert_note(
    connection: sqlite3.Connection, visit_id: int, text: str, now_utc_ns: int, point_id: int | None = None
) -> None:
    """Insert a note on a visit; with ``point_id``, the reason why that test point is skipped."""
    _insert(
        connection,
        "INSERT INTO notes (uid, visit_id, point_id, utc_ns, text) VALUES (?, ?, ?, ?, ?)",
        (_new_uid(), visit_id, point_id, now_utc_ns, text),
    )


def set_rating(connection: sqlite3.Connection, point_id: int, text: str, now_utc_ns: int) -> None:
    """Save the rating that somebody read off the part; earlier accepted readings keep the rating of their verdict.

    Raises:
        StoreError: there is no such test point.
    """
    _require_one_row(
        connection.execute(
            "UPDATE test_points SET rating = ?, rating_set_utc_ns = ? WHERE id = ?", (text, now_utc_ns, point_id)
        ),
        f"test point {point_id}",
    )


def drop_excess(connection: sqlite3.Connection, table: str, limit: int) -> None:
    """Delete the oldest droppable messages of ``table`` beyond ``limit`` rows, and count them."""
    (rows,) = connection.execute(f"SELECT COUNT(*) FROM {table}").fetchone()  # noqa: S608  # our own table name
    if rows > limit:
        dropped = connection.execute(
            f"DELETE FROM {table} WHERE id IN (SELECT id FROM {table} WHERE droppable = 1 ORDER BY id LIMIT ?)",  # noqa: S608  # our own table name
            (rows - limit,),
        ).rowcount
        increment_counter(connection, f"{table}_dropped", dropped)


def increment_counter(connection: sqlite3.Connection, name: str, increment: int) -> None:
    """Add to a counter in the database."""
    connection.execute(
        "INSERT INTO counters (name, value) VALUES (?, ?)"
        " ON CONFLICT (name) DO UPDATE SET value = value + excluded.value",
        (name, increment),
    )


def rating_text(specification: Specification | None) -> str:
    """Return a plan's specification as it is printed on the part; empty if there is none."""
    return "" if specification is None else str(specification)


def _insert_point(connection: sqlite3.Connection, visit_id: int, unit_id: int, point: TestPoint) -> int:
    component_id = get_or_insert_component(connection, unit_id, point.circuit, point.component, point.section)
    return _insert(
        connection,
        "INSERT INTO test_points (visit_id, component_id, key, terminal_a, terminal_b, quantity, state, kind,"
        " rating) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            visit_id,
            component_id,
            point.key,
            *point.terminals,
            point.quantity,
            point.state,
            point.kind,
            rating_text(point.specification),
        ),
    )


def get_or_insert_component(
    connection: sqlite3.Connection, unit_id: int, circuit: str, component: str, section: str
) -> int:
    """Return the row id of a component of a unit; insert the row if there is none."""
    circuit_id = get_or_insert(connection, "circuits", unit_id=unit_id, name=circuit)
    return get_or_insert(connection, "components", circuit_id=circuit_id, name=component, section=section)


def _accepted_values(accepted: AcceptedRow, raw_reading_id: int) -> tuple[Any, ...]:
    row = accepted.reading_row
    reading = row.reading
    return (
        accepted.uid or _new_uid(),
        raw_reading_id,
        row.visit_id,
        row.point_id,
        reading.timestamp.utc_ns,
        reading.timestamp.monotonic_ns,
        row.clock_set,
        *_display_values(reading),
        accepted.settled_in,
    )


def _display_values(reading: Reading) -> tuple[Any, ...]:
    """Return the display of a reading, in the order of the columns of accepted readings and of corrections."""
    return (
        reading.quantity,
        decimal_text(reading.digits),
        reading.unit,
        reading.value,
        reading.status,
        reading.coupling,
        decimal_text(reading.resolution),
        reading.low_battery,
        reading.display_hold,
        reading.relative,
    )


def _message_values(row: OutboxRow, now_utc_ns: int) -> tuple[Any, ...]:
    return (row.message_id, row.topic, row.payload, row.droppable, now_utc_ns)


def _new_uid() -> str:
    return str(uuid.uuid4())


def get_or_insert(connection: sqlite3.Connection, table: str, **names: str | int) -> int:
    """Return the id of the row with these values; insert the row if there is none."""
    where = " AND ".join(f"{column} = ?" for column in names)
    values = tuple(names.values())
    row = connection.execute(f"SELECT id FROM {table} WHERE {where}", values).fetchone()  # noqa: S608  # our own names
    if row:
        return int(row[0])
    marks = ", ".join("?" * len(values))
    return _insert(connection, f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", values)  # noqa: S608  # our own names


def _insert(connection: sqlite3.Connection, statement: str, values: tuple[Any, ...]) -> int:
    row_id = connection.execute(statement, values).lastrowid
    assert row_id is not None  # noqa: S101  # sqlite3 sets it after every INSERT; its type allows for other statements
    return row_id


def _require_one_row(cursor: sqlite3.Cursor, row_name: str) -> None:
    if cursor.rowcount != 1:
        raise StoreError(f"There is no {row_name} in the database.", "It may belong to another data folder.")
