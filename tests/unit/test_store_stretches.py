"""Raw readings come back as they were written, whatever stretches they were kept in, and are found without a scan."""

import functools
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, TestPoint
from meterlink.core.errors import InputError, StoreError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.store import continuity, meters, stretches, transactions
from meterlink.store.connections import connect_for_writing
from meterlink.store.migration import migrate
from meterlink.store.reader import Reader
from meterlink.store.rows import EndReason, NewConnection, ReadingRow
from meterlink.store.stretches import LARGEST_SHIFT, LONGEST_OFFSET, MOST_OPEN, StretchWriter

NOON = 1_783_944_000 * 1_000_000_000  # 2026-07-13T12:00:00Z
PROFILE_HASH = "5e" * 32
PLAN = Plan(
    "fans",
    tuple(
        TestPoint(key, "fan", "run capacitor", ("C", "FAN"), Quantity.CAPACITANCE, CircuitState.ISOLATED,
                  PointKind.CAPACITOR, section=key)
        for key in ("a", "b")
    ),
)  # fmt: skip


class Database:
    """A database with two connections and a visit, written in transactions of its own."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "meterlink.db"
        self.open()
        self.connection.execute("BEGIN")
        boot = transactions.begin_boot(self.connection, "boot-a", "van-3", Timestamp(NOON, 1))
        for number in (1, 2):
            meter = Meter(f"00:00:5E:00:53:0{number}", f"meter {number}")
            meter_id = meters.get_or_create_meter(self.connection, meter, NOON).id
            hashes = ("", "") if number == 1 else ("invented", PROFILE_HASH)
            new = NewConnection(meter_id, Timestamp(NOON, 1), f"driver {number}", *hashes)
            continuity.insert_connection(self.connection, boot, number, new)
        self.visit = transactions.open_visit(
            self.connection, boot, Site("Mill Lane bakery", "condenser"), PLAN, Timestamp(NOON, 1)
        )
        self.connection.execute("COMMIT")

    def open(self) -> None:
        self.connection = connect_for_writing(self.path)
        self.connection.execute("PRAGMA synchronous = OFF")  # no power cut is tested here
        migrate(self.connection, self.path)
        self.writer = StretchWriter()

    def close(self) -> None:
        self.connection.close()

    def insert(self, *rows: ReadingRow, commit: bool = True) -> None:
        self.connection.execute("BEGIN")
        self.writer.insert(self.connection, rows)
        if commit:
            self.connection.execute("COMMIT")
        else:
            self.connection.execute("ROLLBACK")
            self.writer.forget()

    def insert_and_undo(self, *rows: ReadingRow) -> None:
        """Insert rows in a savepoint that is rolled back, in a transaction that is committed."""
        self.connection.execute("BEGIN")
        self.connection.execute("SAVEPOINT job")
        self.writer.insert(self.connection, rows)
        self.connection.execute("ROLLBACK TO job")
        self.writer.forget()
        self.connection.execute("COMMIT")

    def row(
        self, digits: str | None = "4.70", offset_ns: int = 0, *, shift_ns: int = 0, **fields: object
    ) -> ReadingRow:
        timestamp = Timestamp(NOON + offset_ns, 77 + offset_ns + shift_ns)
        number = None if digits is None else Decimal(digits)
        reading = Reading(Quantity.CAPACITANCE, number, "µF", timestamp, resolution=Decimal("0.01"))
        return ReadingRow(replace(reading, **fields), 1, self.visit.visit_id, self.visit.point_ids["a"])  # type: ignore[arg-type]

    def stored(self) -> list[Reading]:
        return [stored.reading for stored in Reader(self.path).readings(self.visit.uid)]

    def query(self, sql: str) -> list[tuple[object, ...]]:
        return self.connection.execute(sql).fetchall()


@pytest.fixture
def database(tmp_path):
    database = Database(tmp_path)
    yield database
    database.close()


# Any readings.

DIGITS = st.one_of(
    st.decimals(allow_nan=False, allow_infinity=False),
    st.integers(-99_999, 99_999).flatmap(
        lambda counts: st.integers(0, 6).map(lambda places: Decimal(counts).scaleb(-places))
    ),
    st.sampled_from([Decimal(text) for text in ("-0.00", "-0", "0.000", "1E+2", "0E-9", "1" * 18, "1" * 19)]),
)
FORMS = st.fixed_dictionaries(
    {
        "quantity": st.sampled_from([Quantity.CAPACITANCE, Quantity.VOLTAGE]),
        "unit": st.sampled_from(["µF", "V", "°F", "kΩ"]),
        "coupling": st.sampled_from([None, *Coupling]),
        "resolution": st.sampled_from([None, Decimal("0.1"), Decimal("0.10"), Decimal(1)]),
        "low_battery": st.booleans(),
        "display_hold": st.booleans(),
        "relative": st.booleans(),
        "channel": st.sampled_from(["", "2b18", "2b18@7"]),
    }
)
VALUES = st.one_of(
    DIGITS.map(lambda digits: {"digits": digits, "status": Status.OK}),
    st.sampled_from([Status.OVERLOAD, Status.INVALID]).map(lambda status: {"digits": None, "status": status}),
)
# Mostly short steps of both clocks together, sometimes a jump of one of them, forward or back.
STEPS = st.one_of(
    st.integers(0, 10**9).map(lambda step: (step, step)),
    st.tuples(st.integers(-(10**15), 10**15), st.integers(-(10**15), 10**15)),
)
TAGS = st.tuples(
    st.integers(1, 2), st.booleans(), st.sampled_from([None, "a", "b"]), st.sampled_from([None, False, True])
)
READINGS = st.lists(st.tuples(STEPS, FORMS, VALUES, TAGS, st.binary(max_size=20)), max_size=8)
ACTS = st.lists(st.tuples(st.sampled_from(["commit", "roll back", "undo", "reopen"]), READINGS), max_size=6)


@settings(max_examples=150, deadline=None)
@given(ACTS)
def test_any_readings_come_back_as_they_were_written(acts):
    utc_ns, monotonic_ns = NOON, 1_000_000
    expected = []
    with tempfile.TemporaryDirectory() as folder:
        database = Database(Path(folder))
        with closing(database):
            for act, drawn in acts:
                rows = []
                for (utc_step, monotonic_step), form, value, (connection_id, in_visit, key, clock_set), packet in drawn:
                    utc_ns, monotonic_ns = utc_ns + utc_step, monotonic_ns + monotonic_step
                    reading = Reading(timestamp=Timestamp(utc_ns, monotonic_ns), packet=packet, **form, **value)
                    visit_id = database.visit.visit_id if in_visit else None
                    point_id = database.visit.point_ids[key] if in_visit and key else None
                    rows.append(ReadingRow(reading, connection_id, visit_id, point_id, clock_set))
                if act == "reopen":
                    database.close()
                    database.open()
                elif act == "commit":
                    database.insert(*rows)
                    expected += rows
                elif act == "roll back":
                    database.insert(*rows, commit=False)
                else:
                    database.insert_and_undo(*rows)
            reader = Reader(database.path)
            everything = reader.readings_between(-(2**62), 2**62)
            view = database.query("SELECT digits, utc_ns, monotonic_ns, value FROM readings ORDER BY id")
            assert [stored.id for stored in everything] == list(range(1, len(expected) + 1))
            for row, stored, shown in zip(expected, everything, view, strict=True):
                check_reading(row, stored, database)
                check_shown(stored.reading, shown)
            by_visit = [stored.id for stored in everything if stored.visit_uid is not None]
            assert [stored.id for stored in reader.readings(database.visit.uid)] == by_visit
            at_point = [stored.id for stored in everything if stored.point_key == "a"]
            assert [stored.id for stored in reader.readings(database.visit.uid, "a")] == at_point


def check_reading(row, stored, database):
    written, read = row.reading, stored.reading
    for clock in ("utc_ns", "monotonic_ns"):
        assert 0 <= getattr(written.timestamp, clock) - getattr(read.timestamp, clock) < 1000
    assert replace(read, timestamp=written.timestamp) == written
    for number in ("digits", "resolution"):
        texts = [None if n is None else f"{n:f}" for n in (getattr(written, number), getattr(read, number))]
        assert texts[0] == texts[1]
    assert (stored.connection_id, stored.clock_set) == (row.connection_id, row.clock_set)
    assert (stored.meter.name, stored.driver) == (f"meter {row.connection_id}", f"driver {row.connection_id}")
    assert stored.profile_hash == ("" if row.connection_id == 1 else PROFILE_HASH)
    assert stored.visit_uid == (database.visit.uid if row.visit_id else None)
    assert database.visit.point_ids.get(stored.point_key) == row.point_id


def check_shown(reading, shown):
    digits, utc_ns, monotonic_ns, value = shown
    assert digits == (None if reading.digits is None else f"{reading.digits:f}")
    assert (utc_ns, monotonic_ns) == (reading.timestamp.utc_ns, reading.timestamp.monotonic_ns)
    if reading.value is None:
        assert value is None
    elif abs(reading.value) < 1e300:  # SQLite has no greater numbers
        parts = reading.digits.as_tuple()
        exact = reading.unit != "°F" and len(parts.digits) < 15 and parts.exponent >= -15
        assert value == (reading.value if exact else pytest.approx(reading.value, rel=1e-14, abs=1e-13))


# Digits.


@pytest.mark.parametrize(
    ("number", "kept_as", "shown"),
    [
        ("4.70", 470, "4.70"),
        ("0.05", 5, "0.05"),
        ("-0.05", -5, "-0.05"),
        ("-12.50", -1250, "-12.50"),
        ("0.000", 0, "0.000"),
        ("100", 100, "100"),
        ("1E+2", 100, "100"),
        ("1E-9", 1, "0.000000001"),
        ("999999999999999.999", 999999999999999999, "999999999999999.999"),
        ("9999999999999999.999", "9999999999999999.999", "9999999999999999.999"),  # 19 digits
        ("-0.00", "-0.00", "-0.00"),  # an integer has no negative zero
        ("-0", "-0", "-0"),
        ("NaN", "NaN", "NaN"),
    ],
)
def test_digits_are_kept_as_an_integer_where_they_fit(database, number, kept_as, shown):
    database.insert(database.row(number))
    assert database.query("SELECT digits FROM raw_readings") == [(kept_as,)]
    assert database.query("SELECT digits FROM readings") == [(shown,)]
    assert f"{database.stored()[0].digits:f}" == shown


@pytest.mark.parametrize("status", list(Status))
def test_a_value_belongs_to_the_status_ok_and_to_no_other(database, status):
    wrong = database.row("4.70" if status is not Status.OK else None, status=status)
    with pytest.raises(StoreError, match=rf"status {status} has the digits"):
        database.insert(wrong)


def test_a_value_in_an_unknown_unit_is_refused(database):
    with pytest.raises(InputError, match="furlong"):
        database.insert(database.row(unit="furlong"))


# Stretches.


def stretch_ids(database):
    return [stretch for (stretch,) in database.query("SELECT stretch_id FROM raw_readings ORDER BY id")]


def test_one_stretch_has_the_readings_of_one_display_form(database):
    database.insert(*(database.row(f"{n}.70", n * 100_000_000) for n in range(50)))
    database.insert(*(database.row(f"{n}.70", n * 100_000_000) for n in range(50, 100)))
    assert set(stretch_ids(database)) == {1}
    assert database.query("SELECT first_reading_id, last_reading_id FROM stretches") == [(1, None)]


@pytest.mark.parametrize(
    "change",
    [
        {"digits": "4.7"}, {"digits": None, "status": Status.OVERLOAD}, {"unit": "nF"}, {"coupling": Coupling.DC},
        {"resolution": Decimal("0.010")}, {"low_battery": True}, {"display_hold": True}, {"relative": True},
        {"channel": "other"}, {"quantity": Quantity.VOLTAGE},
    ],
)  # fmt: skip
def test_two_display_forms_that_alternate_have_two_stretches(database, change):
    other = database.row(**change)
    database.insert(database.row(), other, database.row(), other)
    assert stretch_ids(database) == [1, 2, 1, 2]
    assert database.stored() == [row.reading for row in (database.row(), other, database.row(), other)]


@pytest.mark.parametrize("tag", [{"connection_id": 2}, {"visit_id": None}, {"point_id": 2}, {"clock_set": False}])
def test_a_stretch_has_one_connection_visit_and_test_point(database, tag):
    database.insert(database.row(), database.row()._replace(**tag))
    assert stretch_ids(database) == [1, 2]


@pytest.mark.parametrize(
    ("offset_ns", "shift_ns", "stretch"),
    [
        (LONGEST_OFFSET * 1000, 0, 1),
        ((LONGEST_OFFSET + 1) * 1000, 0, 2),
        (-LARGEST_SHIFT * 1000, 0, 1),
        (-(LARGEST_SHIFT + 1) * 1000, 0, 2),
        (1000, LARGEST_SHIFT * 1000, 1),
        (1000, (LARGEST_SHIFT + 1) * 1000, 2),
        (1000, -LARGEST_SHIFT * 1000, 1),
        (1000, -(LARGEST_SHIFT + 1) * 1000, 2),
    ],
)
def test_a_long_time_or_a_clock_step_begins_a_new_stretch(database, offset_ns, shift_ns, stretch):
    rows = [database.row(), database.row(offset_ns=offset_ns, shift_ns=shift_ns)]
    database.insert(*rows)
    assert stretch_ids(database) == [1, stretch]
    assert database.stored() == [row.reading for row in rows]


def test_readings_of_one_packet_are_kept_one_by_one(database):
    packet = bytes(range(20))
    rows = [
        database.row("21.5", quantity=Quantity.TEMPERATURE, unit="°C", packet=packet),
        database.row("44", quantity=Quantity.RATIO, unit="%", packet=packet),
    ]
    database.insert(*rows)
    assert database.stored() == [row.reading for row in rows]


def test_the_end_of_a_connection_ends_its_stretches(database):
    database.insert(database.row(), database.row("5.1"), database.row()._replace(connection_id=2), database.row())
    database.connection.execute("BEGIN")
    continuity.end_connection(database.connection, 1, Timestamp(NOON, 1), EndReason.LINK_LOST)
    database.writer.end_connection(database.connection, 1)
    database.connection.execute("COMMIT")
    assert database.query("SELECT last_reading_id FROM stretches ORDER BY id") == [(4,), (2,), (None,)]


def test_the_oldest_stretch_ends_when_too_many_are_open(database):
    database.insert(*(database.row(channel=str(n)) for n in range(MOST_OPEN + 3)))
    (still_open,) = database.query("SELECT COUNT(*) FROM stretches WHERE last_reading_id IS NULL")
    assert still_open == (MOST_OPEN,)
    database.insert(database.row(channel="0"))  # its stretch has ended: it begins another
    assert stretch_ids(database)[-1] == MOST_OPEN + 4
    assert len(database.stored()) == MOST_OPEN + 4


def test_a_stretch_that_a_killed_station_left_open_ends_before_the_next_reading(database):
    database.insert(database.row(), database.row("5.1"), database.row())
    database.close()  # nothing was written at the end, as after a kill
    database.open()
    database.insert(database.row())
    assert database.query("SELECT first_reading_id, last_reading_id FROM stretches ORDER BY id") == [
        (1, 3), (2, 3), (4, None),
    ]  # fmt: skip
    assert len(database.stored()) == 4


def test_no_stretch_of_a_rolled_back_transaction_is_used_again(database):
    database.insert(database.row())
    database.insert(database.row("5.1"), commit=False)
    database.insert_and_undo(database.row("5.1"))
    database.insert(database.row("5.1"))
    assert [reading.text for reading in database.stored()] == ["4.70 µF", "5.1 µF"]
    assert database.query("PRAGMA foreign_key_check") == []


# Queries.


class Traced(sqlite3.Connection):
    """A connection that records its statements with their values."""

    statements: list[str]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.set_trace_callback(self.statements.append)


@pytest.fixture
def traced(monkeypatch):
    statements: list[str] = []
    monkeypatch.setattr(Traced, "statements", statements, raising=False)
    monkeypatch.setattr(sqlite3, "connect", functools.partial(sqlite3.connect, factory=Traced))
    return statements


@pytest.mark.parametrize("search", ["visit", "point", "time"])
def test_readings_are_found_without_a_scan(database, traced, search):
    minute = 60 * 10**9
    for n in range(200):  # 10 s apart: stretches of 36 min
        database.insert(database.row(offset_ns=n * minute // 6), database.row("5.1", n * minute // 6))
    reader = Reader(database.path)
    traced.clear()
    found = {
        "visit": lambda: reader.readings(database.visit.uid),
        "point": lambda: reader.readings(database.visit.uid, "a"),
        "time": lambda: reader.readings_between(NOON + 10 * minute, NOON + 12 * minute),
    }[search]()
    assert len(found) == (26 if search == "time" else 400)
    selects = [statement for statement in traced if "FROM stretches" in statement or "raw_readings r" in statement]
    assert len(selects) >= 2
    steps = [step[3] for statement in selects for step in database.query(f"EXPLAIN QUERY PLAN {statement}")]
    assert any(step.startswith("SEARCH s USING INDEX stretches_") for step in steps)
    assert any(step.startswith("SEARCH r USING INTEGER PRIMARY KEY (rowid>? AND rowid<?)") for step in steps)
    assert [step for step in steps if "SCAN" in step and step != "SCAN CONSTANT ROW"] == []


@pytest.mark.parametrize(
    "condition", ["visit_uid = 'x'", "visit_uid = 'x' AND point = 'a'", "visit_id = 1", "point_id = 1", "id > 5"]
)
def test_the_view_of_readings_is_searched_without_a_scan(database, condition):
    steps = [step[3] for step in database.query(f"EXPLAIN QUERY PLAN SELECT * FROM readings WHERE {condition}")]  # noqa: S608
    assert [step for step in steps if "SCAN" in step] == []


def test_a_time_is_found_across_the_stretches_that_reach_into_it(database):
    second = 10**9
    database.insert(*(database.row(offset_ns=n * second) for n in range(3000)))  # two stretches
    database.insert(database.row(offset_ns=1000 * second))  # late, in a stretch of its own
    found = Reader(database.path).readings_between(NOON + 1000 * second, NOON + 1001 * second)
    assert [stored.id for stored in found] == [1001, 1002, 3001]
    page = Reader(database.path).readings_between(NOON + 1000 * second, NOON + 1001 * second, after_id=1001, limit=1)
    assert [stored.id for stored in page] == [1002]


@pytest.mark.fault("clock-step")
def test_a_time_is_found_when_the_clock_was_wrong_for_a_while(database):
    day = 86_400 * 10**9
    database.insert(database.row(), database.row(offset_ns=-300 * day, shift_ns=300 * day + 1000), database.row())
    assert [stored.id for stored in Reader(database.path).readings_between(NOON - 301 * day, NOON - 299 * day)] == [2]
    assert [stored.id for stored in Reader(database.path).readings_between(NOON - day, NOON + day)] == [1, 3]


def test_pages_of_several_meters_come_in_the_order_of_arrival(database):
    database.insert(*(database.row(f"{n}.70", n * 10**8)._replace(connection_id=1 + n % 2) for n in range(40)))
    reader = Reader(database.path)
    pages, after = [], 0
    while page := reader.readings(database.visit.uid, after_id=after, limit=7):
        pages += page
        after = page[-1].id
    assert [stored.id for stored in pages] == list(range(1, 41))


# The size of a row: the benchmark measures a large database; this holds the layout.


def test_a_reading_needs_28_bytes_beside_its_packet_at_most(database):
    empty = database.query("PRAGMA page_count")[0][0]
    packet = bytes(20)
    for hour in range(5):
        base = hour * 3_600 * 10**9
        database.insert(
            *(database.row(f"{40 + n % 10}.{n % 100:02}", base + n * 10**8, packet=packet) for n in range(10_000))
        )
    size = (database.query("PRAGMA page_count")[0][0] - empty) * 4096 / 50_000
    assert size <= 48
    assert stretches.MOST_DIGITS == 18
