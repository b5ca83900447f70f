import asyncio
import functools
import json
import logging
import re
import sqlite3
import threading
import uuid
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import (
    Answer,
    CircuitState,
    DerivedPoint,
    DerivedPointKind,
    Meter,
    Plan,
    PlanQuestion,
    PointKind,
    Rating,
    Site,
    Span,
    TestPoint,
)
from meterlink.core.errors import DatabaseLockedError, DiskFullError, InputError, StoreError, VisitError
from meterlink.core.meter_facts import FactName
from meterlink.core.questions import Choice, Question
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.replacements import Replacement
from meterlink.core.site_facts import SiteFact
from meterlink.core.stock import Movement, MovementKind, StockItem
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.store import queries, transactions
from meterlink.store.connections import connect_for_writing
from meterlink.store.reader import Reader
from meterlink.store.rows import (
    AcceptedRow,
    Activity,
    Batch,
    ClockStep,
    GapCause,
    NewConnection,
    NewReplacement,
    OutboxRow,
    ReadingRow,
)
from meterlink.store.writer import Writer

OUTER = 60  # s; the limit for an immediate result
SITE = Site("Mill Lane bakery", "condenser east")
HERM = TestPoint(
    key="herm",
    circuit="compressor",
    component="run capacitor",
    section="HERM",
    terminals=("C", "HERM"),
    quantity=Quantity.CAPACITANCE,
    state=CircuitState.ISOLATED,
    kind=PointKind.CAPACITOR,
    specification=Rating(Amount(Decimal(45), "µF"), "±6 %"),
)
COIL = TestPoint(
    key="coil",
    circuit="control 24 V",
    component="contactor coil",
    terminals=("A1", "A2"),
    quantity=Quantity.RESISTANCE,
    state=CircuitState.ISOLATED,
    kind=PointKind.COIL,
    specification=Span(Decimal(10), Decimal(18), "Ω"),
)
PLAN = Plan("single-phase split condenser", (HERM, COIL))
METER = Meter("00:00:5E:00:53:0A", "bench meter", "presented", "A-17")
OTHER = "00:00:5E:00:53:0B"
LIMITS = Limits(Decimal("42.3"), Decimal("47.7"), "µF", "45 µF ±6 %", Decimal(45))
JUDGEMENT = Judgement(
    Verdict.WITHIN, Margin.CLEAR, LIMITS, Decimal("45.10"), Decimal("0.22"), Decimal("0.5"), "1 % + 3", "Fine."
)


class HandClock:
    def __init__(self):
        self.utc_ns = 1_783_958_400_000_000_000
        self.monotonic_ns = 0

    def now(self):
        self.utc_ns += 1000
        self.monotonic_ns += 1000
        return Timestamp(self.utc_ns, self.monotonic_ns)


class Watched(sqlite3.Connection):
    """A connection that records its statements, waits at a gate, and fails at the statement of ``fault``."""

    statements: list[str]
    gate: threading.Event
    fault: tuple[str, int, str] | None  # (statement, code, name)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.set_trace_callback(self.statements.append)

    def execute(self, statement, *values):
        if statement == "BEGIN IMMEDIATE":
            assert self.gate.wait(OUTER)
        fault = type(self).fault
        if fault and statement == fault[0]:
            error = sqlite3.OperationalError("injected")
            error.sqlite_errorcode, error.sqlite_errorname = fault[1:]
            raise error
        return super().execute(statement, *values)


@pytest.fixture
def watched(monkeypatch):
    factory: Any = type("Watched", (Watched,), {"statements": [], "gate": threading.Event(), "fault": None})
    factory.gate.set()
    monkeypatch.setattr(sqlite3, "connect", functools.partial(sqlite3.connect, factory=factory))
    return factory


@pytest.fixture
def path(tmp_path):
    return tmp_path / "data" / "meterlink.db"


@pytest.fixture
def alarms():
    return []


@pytest.fixture
def make_writer(path, alarms):
    writers = []

    def make(**settings):
        settings = {"clock": HandClock(), "boot_id": "boot-a", "on_alarm": alarms.append, **settings}
        writer = Writer(path, station="van-3", retry_delays=(0.001, 0.002), **settings)
        writers.append(writer)
        return writer

    yield make
    for writer in writers:
        writer.close()
    assert [thread for thread in threading.enumerate() if thread.name == "meterlink-store"] == []


@pytest.fixture
def writer(make_writer):
    writer = make_writer()
    writer.start()
    return writer


def reading(digits="45.10", unit="µF", **more):
    fields = {"quantity": Quantity.CAPACITANCE, "timestamp": Timestamp(1_783_958_401_000_000_000, 77), **more}
    return Reading(digits=None if digits is None else Decimal(digits), unit=unit, **fields)


class Visit:
    def __init__(self, writer):
        meter = writer.register_meter(METER).result(OUTER)
        self.connection = writer.open_connection(NewConnection(meter, Timestamp(1_783_958_400_000_000_000, 1)))
        self.ids = writer.open_visit(SITE, PLAN, Timestamp(1_783_958_400_500_000_000, 5)).result(OUTER)

    def row(self, *args, key="herm", **kwargs):
        return ReadingRow(reading(*args, **kwargs), self.connection, self.ids.visit_id, self.ids.point_ids[key])

    def accepted(self, *args, **kwargs):
        return AcceptedRow(self.row(*args, **kwargs), JUDGEMENT, 1.5)

    def raw(self, path, **kwargs):
        return Reader(path).readings(self.ids.uid, **kwargs)


def message(name, *, droppable=True):
    return OutboxRow(name, "meterlink/van-3/reading", b"[]", droppable)


# Rows are read as they were written.


@pytest.mark.parametrize(
    "original",
    [
        reading("4.70"),
        reading("0.000"),
        reading("-12.50", "V", quantity=Quantity.VOLTAGE, coupling=Coupling.AC, resolution=Decimal("0.01")),
        reading("100", "°F", quantity=Quantity.TEMPERATURE),
        reading(None, "MΩ", quantity=Quantity.RESISTANCE, status=Status.OVERLOAD),
        reading(None, status=Status.INVALID, low_battery=True, channel="2b18@7", packet=bytes(range(256))),
    ],
)
def test_a_reading_is_read_as_it_was_written(writer, path, original):
    visit = Visit(writer)
    row = ReadingRow(original, visit.connection, visit.ids.visit_id, visit.ids.point_ids["herm"], clock_set=False)
    writer.submit(Batch(readings=(row,))).result(OUTER)
    (stored,) = visit.raw(path)
    assert stored.reading == original
    assert stored.reading.text == original.text
    assert (stored.meter, stored.visit_uid, stored.point_key, stored.boot, stored.clock_set) == (
        METER, visit.ids.uid, "herm", "boot-a", False,
    )  # fmt: skip


@pytest.mark.parametrize(
    "original",
    [
        reading("4.70", resolution=Decimal("0.01"), display_hold=True),
        reading("-12.50", "V", quantity=Quantity.VOLTAGE, coupling=Coupling.AC, relative=True, low_battery=True),
        reading(None, "MΩ", quantity=Quantity.RESISTANCE, status=Status.OVERLOAD, channel="2b18@7", packet=b"ol"),
    ],
)
def test_an_accepted_reading_comes_back_as_it_was_shown(writer, path, original):
    """An accepted overload is an open part, also in the history; a value on hold is said to be one."""
    visit = Visit(writer)
    row = ReadingRow(original, visit.connection, visit.ids.visit_id, visit.ids.point_ids["herm"])
    writer.submit(Batch(accepted=(AcceptedRow(row, JUDGEMENT, 1.5),))).result(OUTER)
    (stored,) = Reader(path).history()
    assert stored.reading == original


def test_the_value_is_kept_in_the_base_si_unit(writer, path):
    visit = Visit(writer)
    rows = (
        visit.row("45.20"),
        visit.row("14.2", "kΩ", quantity=Quantity.RESISTANCE),
        visit.row(None, status="invalid"),
        visit.row("98.6", "°F", quantity=Quantity.TEMPERATURE),
    )
    writer.submit(Batch(readings=rows)).result(OUTER)
    with closing(sqlite3.connect(path)) as connection:
        values = connection.execute("SELECT value, digits, unit FROM readings ORDER BY id").fetchall()
    assert values[:3] == [(45.2e-6, "45.20", "µF"), (14200.0, "14.2", "kΩ"), (None, None, "µF")]
    assert values[3] == (pytest.approx(37), "98.6", "°F")  # temperatures in °C


def test_a_reading_needs_no_visit(writer, path):
    meter = writer.register_meter(METER).result(OUTER)
    connection = writer.open_connection(NewConnection(meter, Timestamp(0, 0)))
    writer.submit(Batch(readings=(ReadingRow(reading(), connection),))).result(OUTER)
    assert Reader(path).counts()["readings"] == 1


@pytest.mark.parametrize(
    "judgement",
    [
        JUDGEMENT,
        replace(JUDGEMENT, limits=replace(LIMITS, high=None, nominal=None), deviation_percent=None),
        Judgement(Verdict.NO_LIMITS, None, None, Decimal("45.10"), None, None, "assumed", "No rating yet."),
        Judgement(Verdict.OPEN, None, LIMITS, None, None, None, "assumed", "Overload."),
    ],
)
def test_an_accepted_reading_keeps_the_judgement_and_rating_of_its_time(writer, path, judgement):
    visit = Visit(writer)
    accepted = visit.accepted()._replace(judgement=judgement)
    writer.submit(Batch(accepted=(accepted,))).result(OUTER)
    writer.set_rating(visit.ids.point_ids["herm"], "35 µF ±5 %").result(OUTER)
    (row,) = Reader(path).history()
    assert row.judgement == judgement
    assert row.rating == "45 µF ±6 %"
    assert (row.settled_in, row.judgement.rule, row.site, row.plan) == (1.5, "simple acceptance", SITE, PLAN.name)
    assert (row.circuit, row.component, row.section, row.terminals) == (
        "compressor", "run capacitor", "HERM", ("C", "HERM"),
    )  # fmt: skip
    assert (row.state, row.kind, row.point_key, row.station) == (
        CircuitState.ISOLATED,
        PointKind.CAPACITOR,
        "herm",
        "van-3",
    )


def test_a_later_verdict_is_the_current_one_and_the_earlier_one_stays(writer, path):
    visit = Visit(writer)
    writer.submit(Batch(accepted=(visit.accepted("45.10"), visit.accepted("45.20")))).result(OUTER)
    first, second = Reader(path).history()
    writer.set_rating(visit.ids.point_ids["herm"], "35 µF ±5 %").result(OUTER)
    writer.close()
    again = replace(JUDGEMENT, verdict=Verdict.OUTSIDE, reason="Too high.")
    with closing(connect_for_writing(path)) as connection:
        transactions.insert_verdict(connection, first.id, again, 2_000)
        with pytest.raises(StoreError, match="accepted reading 99"):
            transactions.insert_verdict(connection, 99, again, 2_000)
    assert Reader(path).history() == [first._replace(judgement=again, rating="35 µF ±5 %", revision=2), second]
    with closing(sqlite3.connect(path)) as connection:
        verdicts = connection.execute(
            "SELECT id, verdict, rating, current FROM verdict_history ORDER BY judged_at, id"
        ).fetchall()
        current = connection.execute("SELECT id, verdict FROM history ORDER BY id").fetchall()
    assert verdicts == [
        (1, "outside", "35 µF ±5 %", 1), (1, "within", "45 µF ±6 %", 0), (2, "within", "45 µF ±6 %", 1),
    ]  # fmt: skip
    assert current == [(1, "outside"), (2, "within")]


def test_answers_bring_their_test_points_and_ratings_but_keep_those_read_off_a_part(writer, path):
    question = Question("Which?", (Choice("one", "", Answer()), Choice("two", "", Answer())))
    rated = replace(COIL, specification=None, rated_by="which")
    optional = replace(HERM, key="spare", when=(("which", "two"),))
    plan = Plan(
        "asking", (HERM, rated, optional), asked=(PlanQuestion("which", question),),
        ratings=(("coil", "two", Span(Decimal(10), Decimal(18), "Ω")),),
    )  # fmt: skip
    opened = writer.open_visit(SITE, plan, HandClock().now()).result(OUTER)
    assert set(opened.point_ids) == {"herm", "coil"}
    writer.set_rating(opened.point_ids["herm"], "40 µF ±5 %").result(OUTER)
    answered = writer.set_answers(opened.visit_id, plan, {"which": "two"}).result(OUTER)
    assert set(answered) == {"herm", "coil", "spare"}
    assert {key: answered[key] for key in opened.point_ids} == opened.point_ids
    stored = Reader(path).plan(opened.uid)
    assert stored.ratings == {"herm": "40 µF ±5 %", "coil": "10 to 18 Ω", "spare": "45 µF ±6 %"}
    resumed = writer.resume_visit(SITE, plan).result(OUTER)
    assert (resumed.ids.visit_id, resumed.answers) == (opened.visit_id, {"which": "two"})
    with pytest.raises(StoreError, match="visit 99"):
        writer.set_answers(99, plan, {"which": "two"}).result(OUTER)


def test_ids_of_visits_and_accepted_readings_are_unique_across_stations(make_writer, path):
    writer = make_writer()
    writer.start()
    visits = [Visit(writer), Visit(writer)]
    writer.submit(Batch(accepted=tuple(visit.accepted() for visit in visits))).result(OUTER)
    uids = [row.uid for row in Reader(path).history()] + [visit.ids.uid for visit in visits]
    assert len(set(uids)) == 4
    assert {uuid.UUID(uid).version for uid in uids} == {4}


def test_later_accepted_readings_are_kept_with_the_rating_read_off_the_part(writer, path):
    visit = Visit(writer)
    writer.set_rating(visit.ids.point_ids["herm"], "35 µF ±5 %").result(OUTER)
    writer.submit(Batch(accepted=(visit.accepted(),))).result(OUTER)
    assert Reader(path).history()[0].rating == "35 µF ±5 %"


def test_the_next_visit_has_the_rating_that_was_read_last(writer, path):
    """A part may be swapped for another size between visits: the newest rating is that of the part in the unit."""
    for rating in ("35 µF ±5 %", "40 µF ±5 %"):
        visit = Visit(writer)
        writer.set_rating(visit.ids.point_ids["herm"], rating).result(OUTER)
    assert Reader(path).plan(Visit(writer).ids.uid).ratings["herm"] == "40 µF ±5 %"


def test_a_visit_brings_back_its_own_unit_and_no_other(writer, path):
    other = replace(SITE, unit="condenser west")
    for site in (SITE, other):
        opened = writer.open_visit(site, PLAN, Timestamp(0, 0)).result(OUTER)
        writer.close_visit(opened.visit_id, Timestamp(1, 1))
        writer.archive_unit(site, archived=True).result(OUTER)
    Visit(writer)
    assert {unit.site.unit: unit.archived for unit in Reader(path).units()} == {SITE.unit: False, other.unit: True}


def asking_plan():
    """Return a plan that asks which of two units it is; the second one has a further capacitor."""
    question = Question("Which?", (Choice("one", "", Answer()), Choice("two", "", Answer())))
    spare = replace(HERM, key="spare", when=(("which", "two"),))
    return Plan("asking", (HERM, COIL, spare), asked=(PlanQuestion("which", question),))


WEST = replace(SITE, unit="condenser west")


def test_a_unit_brings_back_its_own_answers_and_no_others(writer):
    """A question is about the unit: what was answered at its neighbour is asked here again."""
    plan, clock = asking_plan(), HandClock()
    for site, answer in ((SITE, "two"), (WEST, "one"), (SITE, None), (WEST, None)):
        opened = writer.open_visit(site, plan, clock.now()).result(OUTER)
        if answer:
            writer.set_answers(opened.visit_id, plan, {"which": answer}).result(OUTER)
        else:
            assert writer.resume_visit(site, plan).result(OUTER).answers == {"which": "two" if site is SITE else "one"}


@pytest.mark.parametrize(("keep", "answer"), [((), "one"), (("spare",), "two")])
def test_a_visit_that_is_moved_keeps_the_points_that_have_readings(writer, path, keep, answer):
    """The visit was opened at the wrong unit, and a part was measured that the other one is not known to have."""
    plan, clock = asking_plan(), HandClock()
    for site, key in ((WEST, "one"), (SITE, "two")):
        ids = writer.open_visit(site, plan, clock.now()).result(OUTER)
        writer.set_answers(ids.visit_id, plan, {"which": key}).result(OUTER)
        writer.close_visit(ids.visit_id, clock.now()).result(OUTER)
    wrong = writer.open_visit(SITE, plan, clock.now()).result(OUTER)
    writer.move_visit(wrong.visit_id, WEST, plan, keep).result(OUTER)
    with closing(sqlite3.connect(path)) as connection:
        (answers,) = connection.execute("SELECT answers FROM visits WHERE id = ?", (wrong.visit_id,)).fetchone()
        assert json.loads(answers) == {"which": answer}
        places = connection.execute(
            "SELECT DISTINCT ci.unit_id = v.unit_id FROM test_points p JOIN visits v ON v.id = p.visit_id"
            " JOIN components co ON co.id = p.component_id JOIN circuits ci ON ci.id = co.circuit_id"
        ).fetchall()
        circuits = connection.execute(
            "SELECT p.key, ci.name FROM test_points p JOIN components co ON co.id = p.component_id"
            " JOIN circuits ci ON ci.id = co.circuit_id WHERE p.visit_id = ? AND p.key IN ('herm', 'coil')",
            (wrong.visit_id,),
        ).fetchall()
    assert places == [(1,)]  # every test point belongs to the unit of its visit
    assert dict(circuits) == {"herm": HERM.circuit, "coil": COIL.circuit}


def test_only_one_visit_is_active_and_a_closed_one_never(writer, path):
    """Readings go to the active visit: two would share them."""

    def active():
        with closing(sqlite3.connect(path)) as connection:
            return [uid for (uid,) in connection.execute("SELECT uid FROM visits WHERE active")]

    first, second = (writer.open_visit(site, PLAN, HandClock().now()).result(OUTER) for site in (SITE, WEST))
    assert active() == [second.uid]
    assert writer.activate_visit(first.uid).result(OUTER).ids.uid == first.uid
    assert active() == [first.uid]
    writer.close_visit(second.visit_id, HandClock().now()).result(OUTER)
    assert writer.activate_visit(second.uid).result(OUTER) is None
    assert active() == [first.uid]


def test_only_a_reading_that_is_assigned_later_has_the_time_of_it(writer, path):
    visit = Visit(writer)
    first = visit.accepted()
    writer.submit(Batch(readings=(first.reading_row,), accepted=(first,))).result(OUTER)
    with closing(sqlite3.connect(path)) as connection:
        (raw,) = connection.execute("SELECT min(id) FROM raw_readings").fetchone()
        writer.submit(Batch(accepted=(visit.accepted()._replace(raw_reading_id=raw),))).result(OUTER)
        assigned = connection.execute("SELECT assigned_utc_ns IS NULL FROM accepted_readings ORDER BY id").fetchall()
    assert assigned == [(1,), (0,)]


def test_an_accepted_reading_without_a_test_point_is_refused(writer, path):
    visit = Visit(writer)
    stray = visit.accepted()._replace(reading_row=ReadingRow(reading(), visit.connection))
    with pytest.raises(StoreError, match="belongs to no test point"):
        writer.submit(Batch(accepted=(stray,))).result(OUTER)
    assert Reader(path).counts()["readings"] == 0


# Visits.


def test_the_same_names_are_the_same_sites_and_components(writer, path):
    first, second = Visit(writer), Visit(writer)
    assert first.ids.uid != second.ids.uid
    other_site = replace(SITE, name="Harbour cold store")
    writer.open_visit(other_site, PLAN, Timestamp(0, 0)).result(OUTER)
    with closing(sqlite3.connect(path)) as connection:
        rows = [
            connection.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]  # noqa: S608
            for table in ("sites", "units", "circuits", "components", "test_points", "visits")
        ]
    assert rows == [2, 2, 4, 4, 6, 3]


def test_ratings_of_a_plan_are_kept_as_a_person_writes_them(writer, path):
    Visit(writer)
    with closing(sqlite3.connect(path)) as connection:
        ratings = connection.execute("SELECT rating FROM test_points ORDER BY id").fetchall()
    assert ratings == [("45 µF ±6 %",), ("10 to 18 Ω",)]
    assert transactions.rating_text(None) == ""


def test_a_visit_is_closed(writer, path):
    visit = Visit(writer)
    assert Reader(path).visits()[0].closed_utc_ns is None
    writer.close_visit(visit.ids.visit_id, Timestamp(123, 4)).result(OUTER)
    assert Reader(path).visits()[0].closed_utc_ns == 123


@pytest.mark.parametrize("call", ["close_visit", "set_rating", "set_bound"])
def test_changing_a_missing_row_is_an_error(writer, call):
    calls = {
        "close_visit": lambda: writer.close_visit(99, Timestamp(1, 1)),
        "set_rating": lambda: writer.set_rating(99, "45 µF"),
        "set_bound": lambda: writer.set_bound(99, bound=True),
    }
    with pytest.raises(StoreError, match=r"There is no .* 99"):
        calls[call]().result(OUTER)


def test_a_restarted_station_resumes_its_visit(make_writer, path):
    first = make_writer()
    first.start()
    visit = Visit(first)
    first.submit(Batch(accepted=(visit.accepted("45.10"), visit.accepted("45.12")))).result(OUTER)
    first.set_rating(visit.ids.point_ids["coil"], "12-15 ohm").result(OUTER)
    first.close()
    second = make_writer(boot_id="boot-b")
    second.start()
    resumed = second.resume_visit(SITE, PLAN).result(OUTER)
    assert resumed.ids == visit.ids
    assert resumed.opened == Timestamp(1_783_958_400_500_000_000, 5)
    assert [row.reading.text for row in resumed.accepted] == ["45.10 µF", "45.12 µF"]
    assert resumed.ratings == {"coil": "12-15 ohm"}
    assert Reader(path).resumable_visit(SITE, PLAN, HandClock().now(), "boot-a") == resumed


def test_a_resumed_visit_has_the_derived_points_of_the_plan_as_it_is_now(writer, path):
    points = [
        replace(COIL, key=key, section=key, terminals=(key[0], key[-1]), kind=PointKind.RANGE)
        for key in ("c-s", "c-r", "r-s")
    ]
    inputs = (("first", "c-s"), ("second", "c-r"), ("third", "r-s"))
    opened = writer.open_visit(SITE, Plan("motor", tuple(points)), HandClock().now()).result(OUTER)
    windings = DerivedPoint("windings", DerivedPointKind.WINDINGS, "windings", inputs)
    assert writer.resume_visit(SITE, Plan("motor", tuple(points), (windings,))).result(OUTER).ids == opened
    assert Reader(path).plan(opened.uid).plan.derived == (windings,)


@pytest.mark.parametrize("reason", ["none", "closed", "other points", "other terminals", "too old", "newer is closed"])
def test_no_visit_is_resumed(make_writer, reason):
    clock, plan = HandClock(), PLAN
    writer = make_writer(clock=clock)
    writer.start()
    if reason != "none":
        visit = Visit(writer)
    match reason:
        case "closed":
            writer.close_visit(visit.ids.visit_id, Timestamp(1, 1))
        case "other points":
            plan = replace(PLAN, points=(HERM,))
        case "other terminals":
            plan = replace(PLAN, points=(replace(HERM, terminals=("HERM", "FAN")), COIL))
        case "too old":
            clock.utc_ns += (queries.RESUME_WITHIN + 1) * 1_000_000_000
        case "newer is closed":
            writer.close_visit(Visit(writer).ids.visit_id, Timestamp(1, 1))
    assert writer.resume_visit(SITE, plan).result(OUTER) is None


@pytest.mark.fault("clock-step")
@pytest.mark.parametrize(
    ("boot", "clock_set", "step_h", "is_seen", "resumes"),
    [
        ("boot-a", None, 100, True, True),  # a step that the station saw
        ("boot-b", None, 100, True, True),
        ("boot-b", True, -100, True, True),
        ("boot-a", None, 100, False, False),  # asleep for so long, for all that the clocks tell
        ("boot-a", False, 100, False, True),  # the clock was not set before: the monotonic clock tells
        ("boot-b", False, 100, False, True),  # nothing tells; there is no newer visit
        ("boot-b", None, -100, False, True),  # a negative age is no age
        ("boot-b", True, 100, False, False),  # the clock was right then, and four days have passed
    ],
)
def test_a_step_of_the_clock_does_not_lose_the_visit(make_writer, boot, clock_set, step_h, is_seen, resumes):
    clock, step_ns = HandClock(), step_h * 3600 * 10**9
    first = make_writer(clock=clock)
    first.start()
    visit = Visit(first)
    row = visit.accepted(timestamp=clock.now())
    row = row._replace(reading_row=row.reading_row._replace(clock_set=clock_set))
    first.submit(Batch(accepted=(row,))).result(OUTER)
    before, after = clock.now(), clock.now()
    clock.utc_ns += step_ns
    if is_seen:
        first.add_clock_step(ClockStep(before, Timestamp(clock.utc_ns, after.monotonic_ns), step_ns)).result(OUTER)
    first.close()
    if boot == "boot-b":
        clock.monotonic_ns = 0
    second = make_writer(clock=clock, boot_id=boot)
    second.start()
    resumed = second.resume_visit(SITE, PLAN).result(OUTER)
    assert (None if resumed is None else resumed.ids) == (visit.ids if resumes else None)


@pytest.mark.parametrize(
    ("clock_set", "steps_s", "now_s", "boot", "age"),
    [
        (True, 0, (160, 30), "boot-a", 60),
        (None, 0, (160, 30), "boot-b", 60),  # the wall clock tells across a start
        (True, 3600, (3760, 30), "boot-b", 60),  # of 3660 s on the wall clock 3600 are a step
        (False, 0, (9999, 30), "boot-a", 20),  # it was not set then: 30 s less 10 s on the monotonic clock
        (False, 3600, (3760, 30), "boot-a", 60),  # its step was seen, so the wall clock tells
        (True, 0, (40, 30), "boot-a", 20),  # a negative age is no age
        (True, 0, (100, 10), "boot-a", 0),
        (True, 0, (40, 30), "boot-b", None),  # the monotonic clock of another start begins anew
        (False, 0, (9999, 30), "boot-b", None),
    ],
)
def test_the_age_of_a_visit_by_the_clock_that_tells(clock_set, steps_s, now_s, boot, age):
    at = Activity(Timestamp(100 * 10**9, 10 * 10**9), "boot-a", clock_set, steps_s * 10**9)
    now = Timestamp(*(second * 10**9 for second in now_s))
    assert at.age(now, boot) == age


def test_a_long_visit_is_resumed_by_its_last_accepted_reading(make_writer):
    clock = HandClock()
    writer = make_writer(clock=clock)
    writer.start()
    visit = Visit(writer)
    clock.utc_ns += (queries.RESUME_WITHIN + 1) * 1_000_000_000
    writer.submit(Batch(accepted=(visit.accepted(timestamp=clock.now()),)))
    assert writer.resume_visit(SITE, PLAN).result(OUTER).ids == visit.ids


def test_a_slip_of_a_place_disappears_and_a_site_with_facts_stays(writer, path):
    """Visits begun at the wrong place are moved; of one of these places the customer was written down."""
    for name in ("noted", "slip"):
        wrong = writer.open_visit(Site(name, "condenser"), PLAN, Timestamp(0, 0)).result(OUTER)
        if name == "noted":
            writer.add_site_fact(name, SiteFact.CUSTOMER, "Fenwick estates")
        writer.close_visit(wrong.visit_id, Timestamp(1, 1))
        writer.move_visit(wrong.visit_id, SITE, None).result(OUTER)
    assert {site.name for site in Reader(path).sites()} == {SITE.name, "noted"}


def test_each_replacement_has_the_item_that_it_took_from_the_truck(writer, path):
    visit = Visit(writer)
    sizes = ("45 µF", "5 µF")
    for number, size in enumerate(sizes):
        replacement = Replacement("run capacitor", "compressor", (), utc_ns=number)
        used = Movement(MovementKind.USED, StockItem("capacitor", size), 1, number, "", "")
        writer.replace_part(visit.ids.visit_id, NewReplacement(replacement, {}, used)).result(OUTER)
    assert [stored.item for stored in Reader(path).replacements()] == [StockItem("capacitor", size) for size in sizes]


def test_a_single_reading_is_found_by_a_time_before_it(writer, path):
    visit = Visit(writer)
    writer.submit(Batch(readings=(visit.row("45.10"),))).result(OUTER)
    (only,) = visit.raw(path)
    assert Reader(path).first_reading_since(only.reading.timestamp.utc_ns - 10**9) == only.id


def test_the_value_of_a_part_has_the_margin_of_its_verdict(writer, path):
    visit = Visit(writer)
    close = replace(JUDGEMENT, margin=Margin.CLOSE_CALL)
    writer.submit(Batch(accepted=(visit.accepted()._replace(judgement=close),))).result(OUTER)
    (value,) = Reader(path).part_values()
    assert value.judgement.margin is Margin.CLOSE_CALL


def test_only_a_closed_visit_is_forgotten_whatever_else_is_open(writer, path):
    closed, is_open = Visit(writer), Visit(writer)
    writer.close_visit(closed.ids.visit_id, Timestamp(1, 1)).result(OUTER)
    writer.forget_visit(closed.ids.uid).result(OUTER)
    with pytest.raises(VisitError, match="is open"):
        writer.forget_visit(is_open.ids.uid).result(OUTER)


@pytest.mark.parametrize("forget", ["site", "visit"])
def test_what_is_forgotten_leaves_the_file_even_if_it_was_deleted_long_ago(make_writer, path, forget):
    """An earlier name was deleted by a build of SQLite that leaves deleted text in free space."""
    writer = make_writer()
    writer.start()
    visit = Visit(writer)
    writer.close_visit(visit.ids.visit_id, Timestamp(1, 1)).result(OUTER)
    with closing(connect_for_writing(path)) as connection:
        connection.execute("PRAGMA secure_delete = OFF")
        connection.execute("INSERT INTO counters VALUES ('Ravensthorpe ledger', 1)")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("DELETE FROM counters WHERE name = 'Ravensthorpe ledger'")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert b"Ravensthorpe" in path.read_bytes()
    done = writer.forget_site(SITE.name, units=True) if forget == "site" else writer.forget_visit(visit.ids.uid)
    pseudonym = done.result(OUTER)
    assert b"Ravensthorpe" not in path.read_bytes()
    if forget == "site":
        assert {unit.site.name for unit in Reader(path).units()} == {pseudonym}
        assert SITE.name.encode() not in path.read_bytes()


# Meters.


def test_a_meter_has_the_name_that_was_set_last(writer, path):
    for name in ("bench meter", "blue clamp"):
        writer.set_meter_fact(METER.address, FactName.NAME, name).result(OUTER)
    (meter,) = Reader(path).known_meters()
    assert meter.meter.name == "blue clamp"
    writer.close()
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT name FROM meters").fetchall() == [("blue clamp",)]


def test_a_meter_is_identified_by_its_address(writer, path):
    first = writer.register_meter(METER).result(OUTER)
    again = writer.register_meter(Meter(METER.address, "bench meter 2")).result(OUTER)
    clamp_id = writer.register_meter(Meter("00:00:5E:00:53:0B", "clamp")).result(OUTER)
    writer.set_bound(clamp_id, bound=True).result(OUTER)
    assert first == again != clamp_id
    bench, clamp = Reader(path).known_meters()
    assert bench.meter == replace(METER, name="bench meter 2")  # empty fields change nothing
    assert bench.last_seen_utc_ns > bench.first_seen_utc_ns
    assert (bench.bound, clamp.bound) == (False, True)


# The outbox.


def test_messages_wait_in_order_until_they_are_sent(writer, path):
    writer.submit(Batch(outbox=tuple(message(f"m{n}") for n in range(5)))).result(OUTER)
    reader = Reader(path)
    entries = reader.outbox(3)
    assert [(entry.message_id, entry.payload) for entry in entries] == [("m0", b"[]"), ("m1", b"[]"), ("m2", b"[]")]
    assert [entry.message_id for entry in reader.outbox(9, after_id=entries[-1].id)] == ["m3", "m4"]
    writer.delete_sent_messages([entry.id for entry in entries]).result(OUTER)
    assert [entry.message_id for entry in reader.outbox(9)] == ["m3", "m4"]


def test_ids_of_messages_are_never_used_again(make_writer, path):
    first = make_writer()
    first.start()
    first.submit(Batch(outbox=(message("m1"),))).result(OUTER)
    (entry,) = Reader(path).outbox(1)
    first.delete_sent_messages([entry.id]).result(OUTER)
    first.close()
    second = make_writer()
    second.start()
    second.submit(Batch(outbox=(message("m2"),))).result(OUTER)
    assert Reader(path).outbox(1)[0].id > entry.id


def test_a_refused_message_is_rejected_with_the_reason(writer, path):
    writer.submit(Batch(outbox=(message("m1"), message("m2")))).result(OUTER)
    writer.reject_messages({1: "not authorized"}).result(OUTER)
    writer.reject_messages({1: "not authorized"}).result(OUTER)  # rejecting it twice is no error
    assert [entry.message_id for entry in Reader(path).outbox(9)] == ["m2"]
    assert Reader(path).counts()["rejected_messages"] == 1
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT message_id, reason FROM rejected_messages").fetchall() == [
            ("m1", "not authorized")
        ]


@pytest.mark.fault("broker-down")
def test_a_full_outbox_drops_the_oldest_droppable_messages_and_counts_them(make_writer, path):
    writer = make_writer(outbox_limit=10)
    writer.start()
    writer.submit(Batch(outbox=(message("accepted", droppable=False),))).result(OUTER)
    for n in range(25):
        writer.submit(Batch(outbox=(message(f"m{n}"),))).result(OUTER)
    assert [entry.message_id for entry in Reader(path).outbox(99)] == ["accepted", *(f"m{n}" for n in range(16, 25))]
    assert Reader(path).counts()["outbox_dropped"] == 16


@pytest.mark.fault("broker-down")
def test_messages_of_accepted_readings_are_kept_even_beyond_the_limit(make_writer, path):
    writer = make_writer(outbox_limit=3)
    writer.start()
    writer.submit(Batch(outbox=tuple(message(f"a{n}", droppable=False) for n in range(5)))).result(OUTER)
    writer.submit(Batch(outbox=(message("raw"),))).result(OUTER)
    assert [entry.message_id for entry in Reader(path).outbox(99)] == [f"a{n}" for n in range(5)]


def test_an_outbox_left_too_full_is_trimmed_by_the_next_run(make_writer, path):
    first = make_writer()
    first.start()
    first.submit(Batch(outbox=tuple(message(f"m{n}") for n in range(50)))).result(OUTER)
    first.close()
    second = make_writer(outbox_limit=1000)
    second.start()
    second.close()
    third = make_writer(outbox_limit=20)
    third.start()
    third.register_meter(METER).result(OUTER)
    assert Reader(path).counts()["outbox"] == 20


# Transactions.


def boundaries(connection_type):
    return [
        statement for statement in connection_type.statements if statement in {"BEGIN IMMEDIATE", "COMMIT", "ROLLBACK"}
    ]


def test_all_waiting_batches_share_one_transaction(watched, writer, path):
    visit = Visit(writer)
    watched.statements.clear()
    watched.gate.clear()
    futures = [writer.submit(Batch(readings=(visit.row(),)))]
    while writer._queue:  # until the thread has the first batch and waits at the gate
        threading.Event().wait(0.001)
    futures += [writer.submit(Batch(readings=(visit.row(),))) for _ in range(49)]
    assert writer.backlog == 50
    assert writer.busy
    assert not any(future.done() for future in futures)
    watched.gate.set()
    for future in futures:
        assert future.result(OUTER) is None
    assert not writer.busy
    assert boundaries(watched) == ["BEGIN IMMEDIATE", "COMMIT"] * 2
    assert len(visit.raw(path)) == 50


def test_a_future_is_resolved_only_after_commit(watched, writer):
    visit = Visit(writer)
    watched.statements.clear()
    statements = []
    writer.submit(Batch(readings=(visit.row(),))).add_done_callback(lambda _: statements.extend(boundaries(watched)))
    writer.register_meter(METER).result(OUTER)
    assert statements[:2] == ["BEGIN IMMEDIATE", "COMMIT"]


def test_a_batch_is_committed_whole_or_not_at_all(writer, path):
    visit = Visit(writer)
    broken = Batch(readings=(visit.row(),), accepted=(visit.accepted(),), outbox=(message("twice"), message("twice")))
    with pytest.raises(StoreError, match="UNIQUE"):
        writer.submit(broken).result(OUTER)
    counts = Reader(path).counts()
    assert (counts["readings"], counts["accepted_readings"], counts["outbox"]) == (0, 0, 0)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda row: row._replace(connection_id=12345),
        lambda row: row._replace(point_id=12345),
        lambda row: row._replace(connection_id=2**70),
        lambda row: row._replace(reading=replace(row.reading, digits=None)),
        lambda row: row._replace(reading=replace(row.reading, channel="\ud800")),
        lambda row: row._replace(reading=replace(row.reading, packet=object())),
        lambda row: row._replace(reading=None),
    ],
)
def test_a_batch_with_wrong_data_fails_alone(watched, writer, path, alarms, caplog, spoil):
    visit = Visit(writer)
    caplog.set_level(logging.CRITICAL)
    watched.gate.clear()
    before = writer.submit(Batch(readings=(visit.row("1.00"),)))
    wrong = writer.submit(Batch(readings=(visit.row("2.00"), spoil(visit.row("3.00")))))
    after = writer.submit(Batch(readings=(visit.row("4.00"),)))
    watched.gate.set()
    before.result(OUTER)
    after.result(OUTER)
    assert isinstance(wrong.exception(OUTER), StoreError)
    assert [row.reading.text for row in visit.raw(path)] == ["1.00 µF", "4.00 µF"]
    assert alarms == []
    assert not writer.busy


@pytest.mark.parametrize(
    ("refused", "answer"),
    [
        (lambda writer: writer.rename_site("Nowhere", "Somewhere"), "There is no site"),
        (lambda writer: writer.bind(replace(METER, serial="B-18")), "serial number A-17, not B-18"),
        (lambda writer: writer.bind(replace(METER, address=OTHER, serial="")), "Another bound meter has the name"),
        (lambda writer: writer.unbind(OTHER), "No meter is bound to"),
        (lambda writer: writer.add_alias(OTHER, METER.address), "No meter is known under"),
        (lambda writer: writer.add_alias(METER.address, METER.address), "are the same meter already"),
        (lambda writer: writer.set_meter_fact(OTHER, FactName.NAME, METER.name), "Another bound meter has the name"),
    ],
)
def test_a_refused_command_is_no_error_of_the_log(writer, caplog, refused, answer):
    """The person who asked gets the answer; an error of the log is a fault of the station."""
    writer.bind(METER).result(OUTER)
    with pytest.raises((InputError, VisitError), match=answer):
        refused(writer).result(OUTER)
    assert caplog.records == []


async def test_cancelling_a_future_does_not_stop_the_commit(watched, writer, path):
    visit = Visit(writer)
    watched.gate.clear()
    waiting = asyncio.ensure_future(asyncio.wrap_future(writer.submit(Batch(readings=(visit.row(),)))))
    await asyncio.sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    watched.gate.set()
    await asyncio.wrap_future(writer.register_meter(METER))
    assert len(visit.raw(path)) == 1


# Faults of the disk.

FULL = ("COMMIT", sqlite3.SQLITE_FULL, "SQLITE_FULL")


def wait_for(condition):
    for _ in range(OUTER * 1000):
        if condition():
            return
        threading.Event().wait(0.001)
    raise TimeoutError


@pytest.mark.fault("disk-full", "write-refused")
@pytest.mark.parametrize(
    ("fault", "message"),
    [
        (FULL, "is full.*Free some space"),
        (("COMMIT", sqlite3.SQLITE_IOERR_WRITE, "SQLITE_IOERR_WRITE"), "failed to read or write"),
        (("BEGIN IMMEDIATE", sqlite3.SQLITE_BUSY, "SQLITE_BUSY"), "Another program has locked"),
        (("BEGIN IMMEDIATE", sqlite3.SQLITE_READONLY, "SQLITE_READONLY"), "cannot be opened for writing or reading"),
        (("SAVEPOINT job", sqlite3.SQLITE_CORRUPT, "SQLITE_CORRUPT"), "is damaged"),
        (("RELEASE job", sqlite3.SQLITE_NOMEM, "SQLITE_NOMEM"), "injected"),
    ],
)
def test_a_fault_is_retried_with_one_alarm_at_its_start_and_one_at_its_end(
    watched, writer, path, alarms, fault, message
):
    visit = Visit(writer)
    watched.statements.clear()
    watched.fault = fault
    futures = [writer.submit(Batch(readings=(visit.row(),))) for _ in range(5)]
    wait_for(lambda: writer._failures >= 4)
    assert not any(future.done() for future in futures)
    assert writer.backlog == 5
    assert len(alarms) == 1
    assert alarms[0].startswith("Readings are not being saved.")
    assert re.search(message, alarms[0])
    watched.fault = None
    for future in futures:
        future.result(OUTER)
    assert alarms[1:] == [""]
    assert len(visit.raw(path)) == 5


@pytest.mark.fault("disk-full")
def test_readings_before_and_after_a_fault_come_back(watched, writer, path):
    """A stretch that was begun in a transaction that failed is not used again."""
    visit = Visit(writer)
    writer.submit(Batch(readings=(visit.row("1.00"),))).result(OUTER)
    watched.fault = FULL
    failing = [writer.submit(Batch(readings=(visit.row("2.0"), visit.row("3.00"))))]
    wait_for(lambda: writer._failures >= 2)
    watched.fault = None
    failing.append(writer.submit(Batch(readings=(visit.row("4.0"),))))
    for future in failing:
        future.result(OUTER)
    assert [row.reading.text for row in visit.raw(path)] == ["1.00 µF", "2.0 µF", "3.00 µF", "4.0 µF"]
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_dropped_readings_with_wrong_data_do_not_stop_the_writing(watched, make_writer, path, caplog):
    caplog.set_level(logging.CRITICAL)
    writer = make_writer(buffer_limit=1)
    writer.start()
    visit = Visit(writer)
    watched.fault = FULL
    wrong = writer.submit(Batch(readings=(visit.row()._replace(connection_id=12345),) * 3))
    after = writer.submit(Batch(accepted=(visit.accepted(),)))
    assert wrong.exception(OUTER) is not None
    watched.fault = None
    after.result(OUTER)
    assert len(Reader(path).history()) == 1


@pytest.mark.fault("disk-full")
@pytest.mark.parametrize("fault", [FULL, ("BEGIN IMMEDIATE", sqlite3.SQLITE_BUSY, "SQLITE_BUSY")])
def test_a_full_buffer_drops_the_oldest_raw_readings_never_accepted_ones(watched, make_writer, path, fault):
    writer = make_writer(buffer_limit=20)
    writer.start()
    visit = Visit(writer)
    watched.fault = fault
    accepted = [writer.submit(Batch(accepted=(visit.accepted(),), outbox=(message("accepted", droppable=False),)))]
    raw = [
        writer.submit(Batch(readings=(visit.row(f"{n}.00"), visit.row(f"{n}.50")), outbox=(message(f"m{n}"),)))
        for n in range(20)
    ]
    wait_for(lambda: writer._failures >= 2 and sum(future.done() for future in raw) == 14)
    opened = writer.open_visit(SITE, PLAN, Timestamp(0, 0))
    watched.fault = None
    accepted[0].result(OUTER)
    opened.result(OUTER)
    # 1 accepted + 1 message + 6 batches of 3 = 20 rows; the visit is never dropped and may displace one more batch.
    lost = [future for future in raw if future.exception(OUTER)]
    assert lost == raw[: len(lost)]
    assert len(lost) in {14, 15}
    assert "dropped" in str(lost[0].exception()) or "full" in str(lost[0].exception())
    assert Reader(path).counts()["readings_dropped"] == 2 * len(lost)
    gap = Reader(path).gaps()[0]
    assert (gap.cause, gap.connection_id, gap.meter) == (GapCause.NOT_SAVED, visit.connection, METER)
    assert sum(gap.lost or 0 for gap in Reader(path).gaps()) == 2 * len(lost)
    assert gap.began == gap.ended == visit.row().reading.timestamp
    assert len(Reader(path).history()) == 1
    assert [row.reading.text for row in visit.raw(path)][-2:] == ["19.00 µF", "19.50 µF"]


def test_closing_while_the_disk_fails_ends_after_one_more_try(watched, writer, alarms):
    visit = Visit(writer)
    watched.fault = FULL
    future = writer.submit(Batch(accepted=(visit.accepted(),)))
    wait_for(lambda: alarms)
    writer.close()
    with pytest.raises(DiskFullError, match="is full"):
        future.result(0)
    assert not writer.busy


def test_an_alarm_listener_that_fails_does_not_stop_the_writing(watched, make_writer, caplog):
    caplog.set_level(logging.CRITICAL)

    def broken(_text):
        raise RuntimeError("a broken listener")

    writer = make_writer(on_alarm=broken)
    writer.start()
    watched.fault = FULL
    future = writer.register_meter(METER)
    wait_for(lambda: writer._failures >= 2)
    watched.fault = None
    assert future.result(OUTER) == 1


def test_a_fault_in_the_writer_itself_fails_every_future(writer, alarms, caplog, monkeypatch):
    caplog.set_level(logging.CRITICAL)
    writer.register_meter(METER).result(OUTER)

    def broken(*_):
        raise RuntimeError("a mistake in the program")

    monkeypatch.setattr(writer, "_commit", broken)
    with pytest.raises(StoreError, match="a mistake in the program"):
        writer.register_meter(METER).result(OUTER)
    (alarm,) = alarms
    assert "not being saved any more" in alarm
    with pytest.raises(StoreError, match="not open"):
        writer.register_meter(METER)
    assert not writer.busy


# Starting and closing.


def test_closing_writes_all_waiting_batches(watched, writer, path):
    visit = Visit(writer)
    watched.gate.clear()
    futures = [writer.submit(Batch(readings=(visit.row(),))) for _ in range(30)]
    threading.Timer(0.01, watched.gate.set).start()
    writer.close()
    assert all(future.done() and future.exception() is None for future in futures)
    assert sorted(file.name for file in path.parent.iterdir()) == ["meterlink.db", "meterlink.db.lock"]  # no log left
    assert len(visit.raw(path)) == 30


def test_a_closed_writer_refuses_work(writer):
    writer.close()
    writer.close()
    with pytest.raises(StoreError, match="not open"):
        writer.submit(Batch())


def test_a_writer_can_be_started_again(writer):
    writer.close()
    writer.start()
    assert writer.register_meter(METER).result(OUTER) == 1


@pytest.mark.fault("two-writers")
def test_a_second_writer_is_refused_until_the_first_has_closed(writer, make_writer):
    second = make_writer()
    with pytest.raises(
        DatabaseLockedError, match=r"Another station \(process \d+\) is already recording.*Stop it first"
    ):
        second.start()
    writer.close()
    second.start()
    assert second.register_meter(METER).result(OUTER) == 1


def test_the_error_names_a_folder_that_cannot_be_created(tmp_path, alarms):
    (tmp_path / "file").write_text("")
    writer = Writer(
        tmp_path / "file" / "meterlink.db", station="s", clock=HandClock(), boot_id="b", on_alarm=alarms.append
    )
    with pytest.raises(StoreError, match="cannot be created"):
        writer.start()


def test_every_start_is_recorded(make_writer, path):
    for boot in ("boot-a", "boot-b"):
        writer = make_writer(boot_id=boot)
        writer.start()
        writer.close()
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT boot_id, station, sqlite FROM boots ORDER BY id").fetchall()
    assert rows == [(boot, "van-3", sqlite3.sqlite_version) for boot in ("boot-a", "boot-b")]
