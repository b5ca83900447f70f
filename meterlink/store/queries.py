"""Read-only queries that return objects of `rows`. All of them raise StoreError for a row that cannot be read."""

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Plan, PointKind, Site, TestPoint
from meterlink.core.errors import InputError, StoreError
from meterlink.core.meter_facts import Fact, FactName
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.plans.derived_table import load_derived_points
from meterlink.store import places, repairs
from meterlink.store.accepted_filter import AcceptedFilter, FilterWord, index_expression
from meterlink.store.continuity import ClockSteps
from meterlink.store.decoding import (
    METER_COLUMNS,
    decode_decimal,
    decode_flag,
    decode_limits,
    decode_meter,
    decode_reading_text,
    decode_rows,
)
from meterlink.store.history_query import AT_PLACE, COUNTS, OF_ACCEPTED, HistoryFilter, accepted_ids
from meterlink.store.question_text import load_question
from meterlink.store.rows import (
    Activity,
    Correction,
    EarlierVerdict,
    HistoryRow,
    MeterRow,
    StoredPlan,
    StoredVisit,
    UnitLeft,
    VisitIds,
    VisitNote,
    VisitWithReadings,
)

# After this many seconds without an accepted reading (16 h: a long working day) the technician has left. The next
# readings belong to a new visit, even if the old one was never closed.
RESUME_WITHIN = 16 * 3600

UNUSED_READING_IDS = "unused_reading_ids"
"""The counter of those row ids up to the highest that no raw reading has: after a merge, and after thinning."""

# SQL for a WHERE clause, and the values of its question marks.
Condition = tuple[str, tuple[str | int, ...]]

_SELECT_ACCEPTED = f"""
    SELECT a.*, j.verdict, j.margin, j.prior, j.limits_low, j.limits_high, j.limits_unit, j.limits_basis,
        j.limits_nominal, j.digits AS judged_digits,
        j.deviation_percent, j.expanded_uncertainty, j.coverage_factor, j.probability,
        j.accuracy, j.calibration, j.rule, j.reason, j.next_measurement, j.question, j.answer,
        j.resolution AS answered_resolution, (SELECT COUNT(*) FROM verdicts WHERE accepted_id = a.id)
            + (SELECT COUNT(*) FROM voids WHERE accepted_id = a.id) AS revision,
        (SELECT CASE voided WHEN 1 THEN reason END FROM voids WHERE accepted_id = a.id ORDER BY id DESC LIMIT 1)
            AS void_reason, c.boot, v.boot AS visit_boot, v.opened_monotonic_ns,
        j.rating, j.software, r.packet, st.channel, b.boot_id,
        b.station, {METER_COLUMNS}, s.name AS site, u.name AS site_unit, v.uid AS visit_uid, v.plan, p.key,
        p.terminal_a, p.terminal_b, p.state, p.kind, ci.name AS circuit, co.name AS component, co.section
    FROM current_readings a {OF_ACCEPTED}
    CROSS JOIN boots b ON b.id = c.boot
"""  # noqa: S608  # constants only

AT_UNIT = AT_PLACE.format("u.name = ? COLLATE NOCASE")
"""The SQL condition that a reading was accepted at a unit."""

_SELECT_VISITS = """
    SELECT v.*, u.name AS unit, u.archived_utc_ns, s.name AS site, b.boot_id FROM visits v
    JOIN units u ON u.id = v.unit_id JOIN sites s ON s.id = u.site_id JOIN boots b ON b.id = v.boot
"""

_SELECT_POINTS = """
    SELECT p.*, ci.name AS circuit, co.name AS component, co.section FROM test_points p
    JOIN components co ON co.id = p.component_id JOIN circuits ci ON ci.id = co.circuit_id WHERE p.visit_id = ?
"""


def accepted_readings(connection: sqlite3.Connection, conditions: Iterable[Condition] = ()) -> list[HistoryRow]:
    """Return the accepted readings that meet all ``conditions``, oldest first."""
    where, values = _where_clause(conditions)
    rows = connection.execute(f"{_SELECT_ACCEPTED} {where} ORDER BY a.id", values)
    steps = ClockSteps(connection)
    return decode_rows(lambda row: _history_row(row, steps), rows)


def history(
    connection: sqlite3.Connection, chosen: HistoryFilter, limit: int | None = None, *, oldest: bool = False
) -> list[HistoryRow]:
    """Return the newest ``limit`` accepted readings that ``chosen`` selects, or the ``oldest``; oldest first."""
    return _readings_with(connection, accepted_ids(connection, chosen, limit, oldest=oldest))


def _readings_with(connection: sqlite3.Connection, ids: Sequence[int]) -> list[HistoryRow]:
    return accepted_readings(connection, [("a.id IN (SELECT value FROM json_each(?))", (json.dumps(ids),))])


def assigned_readings(connection: sqlite3.Connection) -> set[int]:
    """Return the ids of the raw readings that were assigned to a visit afterwards."""
    query = "SELECT raw_reading_id FROM accepted_readings WHERE assigned_utc_ns IS NOT NULL"
    return {raw_reading_id for (raw_reading_id,) in map(tuple, connection.execute(query))}


def filtered_readings(
    connection: sqlite3.Connection,
    chosen: AcceptedFilter,
    limit: int,
    *,
    before_id: int | None = None,
    after_id: int | None = None,
) -> list[HistoryRow]:
    """Return the newest ``limit`` accepted readings that ``chosen`` selects, with an id below ``before_id``.

    With ``after_id`` instead, return the oldest ``limit`` ones above it. Both newest first.
    """
    conditions, values = _filter_conditions(connection, chosen)
    if before_id is not None:
        conditions.append("a.id < ?")
        values.append(before_id)
    if after_id is not None:
        conditions.append("a.id > ?")
        values.append(after_id)
    # The word index gives ids in their order, and stops at the limit.
    source = (
        "accepted_words w CROSS JOIN accepted_readings a ON a.id = w.rowid" if chosen.words else "accepted_readings a"
    )
    order = f"{'w.rowid' if chosen.words else 'a.id'} {'DESC' if after_id is None else 'ASC'}"
    where = f"WHERE {' AND '.join(conditions)}" if conditions else ""
    ids = [
        row["id"]
        for row in connection.execute(
            f"SELECT a.id FROM {source} {where} ORDER BY {order} LIMIT ?",  # noqa: S608  # values are bound
            (*values, limit),
        )
    ]
    return _readings_with(connection, ids)[::-1]


def part_readings(connection: sqlite3.Connection, accepted_id: int) -> list[HistoryRow]:
    """Return the accepted readings of the test point of one of them, over all visits to its unit, oldest first.

    The test point of another visit is the same if component, section, terminals and quantity are. Voided readings are
    left out.
    """
    point = connection.execute(
        "SELECT v.unit_id, p.component_id, p.terminal_a, p.terminal_b, a.quantity FROM current_readings a"
        " JOIN visits v ON v.id = a.visit_id JOIN test_points p ON p.id = a.point_id WHERE a.id = ?",
        (accepted_id,),
    ).fetchone()
    if point is None:
        return []
    conditions: list[Condition] = [
        ("a.visit_id IN (SELECT id FROM visits WHERE unit_id = ?)", (point["unit_id"],)),
        ("p.component_id = ? AND p.terminal_a = ? AND p.terminal_b = ? AND a.quantity = ?", tuple(point)[1:]),
        (COUNTS, ()),
    ]
    return accepted_readings(connection, conditions)


def _filter_conditions(connection: sqlite3.Connection, chosen: AcceptedFilter) -> tuple[list[str], list[str | int]]:
    conditions: list[str] = []
    values: list[str | int] = []
    if chosen.words:
        conditions.append("accepted_words MATCH ?")
        values.append(" AND ".join(_word_expression(connection, word) for word in chosen.words))
    if chosen.begin_utc_ns is not None and chosen.end_utc_ns is not None:
        span = (chosen.begin_utc_ns, chosen.end_utc_ns)
        first, last = connection.execute(
            "SELECT MIN(id), MAX(id) FROM accepted_readings WHERE utc_ns >= ? AND utc_ns < ?", span
        ).fetchone()
        # Times do not rise with the ids where the clock was set; the ids only bound the search.
        id_column = "w.rowid" if chosen.words else "a.id"
        conditions += [f"{id_column} BETWEEN ? AND ?", "a.utc_ns >= ? AND a.utc_ns < ?"]
        values += [first or 0, last or 0, *span]
    return conditions, values


def _word_expression(connection: sqlite3.Connection, word: FilterWord) -> str:
    """Return the search expression of a word; a meter stands in the index with its row id."""
    expression = index_expression(word)
    meters = connection.execute("SELECT rowid FROM meter_words WHERE meter_words MATCH ? ORDER BY rowid", (expression,))
    alternatives = [f"- meter : {expression}", *(f'meter : "meter{row[0]}"' for row in meters)]
    return f"({' OR '.join(alternatives)})"


def visits(connection: sqlite3.Connection) -> list[StoredVisit]:
    """Return all visits in the order in which they were opened."""
    rows = connection.execute(f"{_SELECT_VISITS} ORDER BY v.id")
    return decode_rows(_stored_visit, rows)


def visit_plan(connection: sqlite3.Connection, uid: str) -> StoredPlan:
    """Return the plan of the visit ``uid``.

    Raises:
        StoreError: there is no such visit, or a row cannot be read.
    """
    visit = connection.execute("SELECT id, plan, derived FROM visits WHERE uid = ?", (uid,)).fetchone()
    if visit is None:
        raise StoreError(f"There is no visit {uid} in the database.", "It may belong to another data folder.")
    rows = connection.execute(f"{_SELECT_POINTS} ORDER BY p.id", (visit["id"],)).fetchall()
    return StoredPlan(_stored_plan(visit, rows), {row["key"]: row["rating"] for row in rows if row["rating"]})


def known_meters(connection: sqlite3.Connection) -> list[MeterRow]:
    """Return all meters in the order in which they were first seen."""
    aliases: dict[int, tuple[str, ...]] = {}
    for row in connection.execute("SELECT meter_id, address FROM meter_aliases ORDER BY since_utc_ns, address"):
        aliases[row["meter_id"]] = (*aliases.get(row["meter_id"], ()), row["address"])
    facts: dict[int, dict[FactName, Fact]] = {}
    for row in connection.execute("SELECT meter_id, fact, value, set_utc_ns FROM meter_facts"):
        facts.setdefault(row["meter_id"], {})[FactName(row["fact"])] = Fact(row["value"], row["set_utc_ns"])
    rows = connection.execute(f"SELECT m.*, {METER_COLUMNS} FROM meters m ORDER BY m.id")  # noqa: S608  # constants
    return decode_rows(lambda row: _meter_row(row, aliases.get(row["id"], ()), facts.get(row["id"], {})), rows)


def counts(connection: sqlite3.Connection) -> dict[str, int]:
    """Return ``{name: number}``: the rows of each growing table and the counters of dropped items (`Reader.counts`)."""
    numbers = {"outbox_dropped": 0, "rejected_messages_dropped": 0, "readings_dropped": 0}
    for table in ("visits", "meters", "accepted_readings", "outbox", "rejected_messages"):
        (numbers[table],) = connection.execute(f"SELECT COUNT(*) FROM {table}").fetchone()  # noqa: S608  # constants
    # COUNT(*) would read a season's rows.
    (newest_id,) = connection.execute("SELECT COALESCE(MAX(id), 0) FROM raw_readings").fetchone()
    numbers.update(dict(map(tuple, connection.execute("SELECT name, value FROM counters"))))
    numbers["readings"] = newest_id - numbers.pop(UNUSED_READING_IDS, 0)
    return numbers


def resumable_visit(
    connection: sqlite3.Connection, site: Site, plan: Plan, now: Timestamp, boot: str
) -> VisitWithReadings | None:
    """Return the unit's newest visit, if it is open, recent (`RESUME_WITHIN`) and has the points of ``plan``.

    It counts as recent where the clocks do not tell its age: the unit has no newer one, and nobody closed it.
    Ratings may differ: the technician reads them off the parts during the visit.
    """
    visit = connection.execute(
        f"{_SELECT_VISITS} WHERE s.name = ? AND u.name = ? ORDER BY v.id DESC LIMIT 1", (site.name, site.unit)
    ).fetchone()
    if visit is None or visit["closed_utc_ns"] is not None:
        return None
    resumed = _visit_with_readings(connection, visit)
    age = resumed.last_activity.age(now, boot)
    is_old = age is not None and age > RESUME_WITHIN
    same_points = _planned_points(resumed.plan, {}) == _planned_points(plan, resumed.answers)
    return resumed if same_points and not is_old else None


def find_visit(connection: sqlite3.Connection, uid: str | None = None) -> VisitWithReadings | None:
    """Return the visit ``uid``, without a uid the active one; None if there is none."""
    condition, values = ("v.active = 1", ()) if uid is None else ("v.uid = ?", (uid,))
    visit = connection.execute(f"{_SELECT_VISITS} WHERE {condition}", values).fetchone()
    return None if visit is None else _visit_with_readings(connection, visit)


def _last_activity(connection: sqlite3.Connection, visit: sqlite3.Row, accepted: Sequence[HistoryRow]) -> Activity:
    at, start = Timestamp(visit["opened_utc_ns"], visit["opened_monotonic_ns"]), visit["boot"]
    boot, clock_set = visit["boot_id"], None
    if accepted:
        at, boot, clock_set = accepted[-1].reading.timestamp, accepted[-1].boot, accepted[-1].clock_set
        (start,) = connection.execute(
            "SELECT c.boot FROM accepted_readings a JOIN raw_readings r ON r.id = a.raw_reading_id"
            " JOIN stretches st ON st.id = r.stretch_id JOIN connections c ON c.id = st.connection_id WHERE a.id = ?",
            (accepted[-1].id,),
        ).fetchone()
    (steps_ns,) = connection.execute(
        "SELECT COALESCE(SUM(step_ns), 0) FROM clock_steps WHERE boot > ?1 OR (boot = ?1 AND after_monotonic_ns > ?2)",
        (start, at.monotonic_ns),
    ).fetchone()
    return Activity(at, boot, clock_set, steps_ns)


def _visit_with_readings(connection: sqlite3.Connection, visit: sqlite3.Row) -> VisitWithReadings:
    points = connection.execute(f"{_SELECT_POINTS} ORDER BY p.id", (visit["id"],)).fetchall()
    accepted = accepted_readings(connection, [("a.visit_id = ?", (visit["id"],))])
    plan = _stored_plan(visit, points)
    return VisitWithReadings(
        VisitIds(visit["id"], visit["uid"], {point["key"]: point["id"] for point in points}),
        Site(visit["site"], visit["unit"]),
        plan,
        visit["plan_text"],
        Timestamp(visit["opened_utc_ns"], visit["opened_monotonic_ns"]),
        visit["closed_utc_ns"],
        _last_activity(connection, visit, accepted),
        tuple(accepted),
        {point["key"]: point["rating"] for point in points if point["rating_set_utc_ns"] is not None},
        {point["key"]: point["rating"] for point in points if point["rating_set_utc_ns"] is None and point["rating"]},
        json.loads(visit["answers"]),
        tuple(repairs.replacements(connection, visit_id=visit["id"])),
        places.last_readings(connection, visit["id"], plan.points),
    )


def _stored_plan(visit: sqlite3.Row, rows: Iterable[sqlite3.Row]) -> Plan:
    points = decode_rows(_test_point, rows)
    (derived,) = decode_rows(lambda row: load_derived_points(row["derived"], points), [visit])
    return Plan(visit["plan"], tuple(points), derived)


def earlier_verdicts(connection: sqlite3.Connection, visit_uid: str) -> dict[str, list[EarlierVerdict]]:
    """Return ``{uid of an accepted reading: its verdicts before the current one, oldest first}`` of a visit."""
    rows = connection.execute(
        "SELECT a.uid, j.judged_utc_ns, j.verdict, j.margin, j.limits_basis, j.reason, j.accuracy,"
        " j.calibration, j.rule FROM verdicts j"
        " JOIN accepted_readings a ON a.id = j.accepted_id JOIN visits v ON v.id = a.visit_id"
        " WHERE v.uid = ? AND j.id < (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id) ORDER BY j.id",
        (visit_uid,),
    )
    found: dict[str, list[EarlierVerdict]] = {}
    for uid, earlier in decode_rows(_earlier_verdict, rows):
        found.setdefault(uid, []).append(earlier)
    return found


def _earlier_verdict(row: sqlite3.Row) -> tuple[str, EarlierVerdict]:
    margin = None if row["margin"] is None else Margin(row["margin"])
    return row["uid"], EarlierVerdict(
        row["judged_utc_ns"], Verdict(row["verdict"]), margin, row["limits_basis"], row["reason"], row["accuracy"],
        row["calibration"], row["rule"],
    )  # fmt: skip


def visit_notes(connection: sqlite3.Connection, uid: str) -> list[VisitNote]:
    """Return the notes on the visit ``uid``, and the reasons of its skipped test points, oldest first."""
    rows = connection.execute(
        "SELECT n.*, p.key FROM notes n JOIN visits v ON v.id = n.visit_id"
        " LEFT JOIN test_points p ON p.id = n.point_id WHERE v.uid = ? ORDER BY n.id",
        (uid,),
    )
    return decode_rows(lambda row: VisitNote(row["uid"], row["utc_ns"], row["text"], row["key"]), rows)


def _planned_points(plan: Plan, answers: Mapping[str, str]) -> set[tuple[str, ...]]:
    """Return the test points of ``plan`` for these answers; none where its questions have changed since."""
    try:
        points = plan.points_for(answers)
    except InputError:
        return set()
    return {(p.key, p.circuit, p.component, p.section, *p.terminals, p.quantity, p.state, p.kind) for p in points}


def _where_clause(conditions: Iterable[Condition]) -> tuple[str, list[str | int]]:
    texts: list[str] = []
    values: list[str | int] = []
    for text, bound_values in conditions:
        texts.append(f"({text})")
        values += bound_values
    return (f"WHERE {' AND '.join(texts)}" if texts else ""), values


def _reading(row: sqlite3.Row) -> Reading:
    return Reading(
        quantity=Quantity(row["quantity"]),
        digits=decode_decimal(row["digits"]),
        unit=row["unit"],
        timestamp=Timestamp(row["utc_ns"], row["monotonic_ns"]),
        status=Status(row["status"]),
        coupling=None if row["coupling"] is None else Coupling(row["coupling"]),
        resolution=decode_decimal(row["resolution"]),
        low_battery=bool(row["low_battery"]),
        channel=row["channel"],
        packet=row["packet"],
        display_hold=bool(row["display_hold"]),
        relative=bool(row["relative"]),
    )


def _judgement(row: sqlite3.Row) -> Judgement:
    return Judgement(
        Verdict(row["verdict"]),
        None if row["margin"] is None else Margin(row["margin"]),
        decode_limits(row),
        decode_decimal(row["judged_digits"]),
        decode_decimal(row["deviation_percent"]),
        decode_decimal(row["expanded_uncertainty"]),
        row["accuracy"],
        row["reason"],
        row["rule"],
        row["probability"],
        row["coverage_factor"],
        row["next_measurement"],
        row["prior"],
        row["calibration"],
        load_question(row["question"]),
        row["answer"],
        decode_decimal(row["answered_resolution"]),
    )


def _test_point(row: sqlite3.Row) -> TestPoint:
    return TestPoint(
        key=row["key"],
        circuit=row["circuit"],
        component=row["component"],
        section=row["section"],
        terminals=(row["terminal_a"], row["terminal_b"]),
        quantity=Quantity(row["quantity"]),
        state=CircuitState(row["state"]),
        kind=PointKind(row["kind"]),
    )


def _history_row(row: sqlite3.Row, steps: ClockSteps) -> HistoryRow:
    return HistoryRow(
        id=row["id"],
        uid=row["uid"],
        reading=_reading(row),
        judgement=_judgement(row),
        settled_in=row["settled_in"],
        site=Site(row["site"], row["site_unit"]),
        visit_uid=row["visit_uid"],
        plan=row["plan"],
        point_key=row["key"],
        circuit=row["circuit"],
        component=row["component"],
        section=row["section"],
        terminals=(row["terminal_a"], row["terminal_b"]),
        state=CircuitState(row["state"]),
        kind=PointKind(row["kind"]),
        rating=row["rating"],
        meter=decode_meter(row),
        station=row["station"],
        boot=row["boot_id"],
        software=row["software"],
        clock_set=decode_flag(row["clock_set"]),
        revision=row["revision"],
        void_reason=row["void_reason"],
        assigned_utc_ns=row["assigned_utc_ns"],
        correction=_correction(row),
        clock_step_ns=steps.during_visit(
            row["boot"], row["visit_boot"], row["opened_monotonic_ns"], row["monotonic_ns"]
        ),
    )


def _correction(row: sqlite3.Row) -> Correction | None:
    if row["corrected_utc_ns"] is None:
        return None
    return Correction(
        row["corrected_utc_ns"],
        row["correction_driver"],
        row["correction_profile_hash"],
        row["correction_technician"],
        decode_reading_text(row, "first_"),
    )


def _stored_visit(row: sqlite3.Row) -> StoredVisit:
    return StoredVisit(
        row["id"],
        row["uid"],
        Site(row["site"], row["unit"]),
        row["plan"],
        Timestamp(row["opened_utc_ns"], row["opened_monotonic_ns"]),
        row["closed_utc_ns"],
        bool(row["active"]),
        row["outcome"],
        row["technician"],
        row["job"],
        row["plan_text"],
        UnitLeft(decode_flag(row["power_on"]), decode_flag(row["covers_on"])),
        row["archived_utc_ns"] is not None,
    )


def _meter_row(row: sqlite3.Row, aliases: tuple[str, ...], facts: Mapping[FactName, Fact]) -> MeterRow:
    meter = replace(decode_meter(row), service_uuid=row["service_uuid"])
    return MeterRow(
        row["id"],
        meter,
        bool(row["bound"]),
        row["first_seen_utc_ns"],
        row["last_seen_utc_ns"],
        row["current_address"] or meter.address,
        aliases,
        facts,
    )
