"""Bytes, CPU time and lookups of raw readings, beside one plain table with a column for each field.

Run with ``--benchmark-enable -s`` for the large databases (a million readings take a minute or two); without it the
same code runs once on small ones, as a test.
"""

import random
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, TestPoint
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity, resolution_of
from meterlink.store import continuity, meters, raw_readings, transactions
from meterlink.store.connections import connect_for_reading, connect_for_writing
from meterlink.store.migration import migrate
from meterlink.store.rows import NewConnection, ReadingRow
from meterlink.store.stretches import StretchWriter

NOON = 1_783_944_000 * 10**9
METERS = 4
PERIOD = 100_000_000  # ns between two readings of one meter
AT_POINT = 400  # readings of each meter at one test point: 40 s
POINTS = 20
BATCH = 10  # readings in one transaction: what one meter sends in a second
CHANNEL = "6e40a003-b5a3-f393-e0a9-e50e24dcca9e"
BEST_OF = 3

# Bytes of a reading beside its packet.
LIMIT = 28

PLAIN_TABLE = """
    CREATE TABLE plain_readings (
        id INTEGER PRIMARY KEY,
        meter_id INTEGER NOT NULL,
        visit_id INTEGER REFERENCES visits(id),
        point_id INTEGER REFERENCES test_points(id),
        utc_ns INTEGER NOT NULL,
        monotonic_ns INTEGER NOT NULL,
        boot INTEGER NOT NULL REFERENCES boots(id),
        clock_set INTEGER CHECK (clock_set IN (0, 1)),
        quantity TEXT NOT NULL,
        value REAL,
        digits TEXT,
        unit TEXT NOT NULL,
        status TEXT NOT NULL,
        coupling TEXT,
        resolution TEXT,
        low_battery INTEGER NOT NULL CHECK (low_battery IN (0, 1)),
        channel TEXT NOT NULL,
        packet BLOB NOT NULL,
        display_hold INTEGER NOT NULL DEFAULT 0 CHECK (display_hold IN (0, 1)),
        relative INTEGER NOT NULL DEFAULT 0 CHECK (relative IN (0, 1)),
        CHECK ((status = 'ok') = (digits IS NOT NULL))
    ) STRICT;
    CREATE INDEX plain_readings_of_visit ON plain_readings(visit_id) WHERE visit_id IS NOT NULL;
    CREATE INDEX plain_readings_of_point ON plain_readings(point_id) WHERE point_id IS NOT NULL;
"""
INSERT_PLAIN = """
    INSERT INTO plain_readings (meter_id, visit_id, point_id, utc_ns, monotonic_ns, boot, clock_set, quantity, value,
        digits, unit, status, coupling, resolution, low_battery, channel, packet, display_hold, relative)
    VALUES (?, ?, ?, ?, ?, 1, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""


class Database:
    """A database that is filled with the readings of many visits."""

    def __init__(self, path):
        self.path = path
        self.connection = connect_for_writing(path)
        migrate(self.connection, path)
        self.connection.execute("PRAGMA synchronous = NORMAL")  # the time of the disk is not measured
        self.stretches = StretchWriter()
        self.boot = transactions.begin_boot(self.connection, "boot-a", "van-3", Timestamp(NOON, 1))
        self.meter_ids = [
            meters.get_or_create_meter(self.connection, Meter(f"00:00:5E:00:53:{n:02}", f"meter {n}"), NOON).id
            for n in range(METERS)
        ]

    def close(self):
        self.connection.close()

    def size(self):
        (pages,) = self.connection.execute("PRAGMA page_count").fetchone()
        (page_size,) = self.connection.execute("PRAGMA page_size").fetchone()
        return pages * page_size

    def visits(self, count, packet_size) -> Iterator[list[ReadingRow]]:
        """Yield batches of ``count`` readings in all: visits one after another, with the meters on the air at once."""
        rng = random.Random(20260714)
        sent, connections, per_visit = 0, 0, METERS * AT_POINT * POINTS
        while sent < count:
            opened = Timestamp(NOON + sent * PERIOD // METERS, 1)
            visit = transactions.open_visit(self.connection, self.boot, Site("bakery", f"unit {sent}"), PLAN, opened)
            for number, meter_id in enumerate(self.meter_ids, start=connections + 1):
                continuity.insert_connection(self.connection, self.boot, number, NewConnection(meter_id, opened))
            point_ids = list(visit.point_ids.values())
            for first in range(sent, min(count, sent + per_visit), BATCH):
                rows = []
                for index in range(first, first + BATCH):
                    jitter = rng.choice((0, 0, 300, -200, 900))
                    time_ns = index * PERIOD // METERS + rng.randrange(30_000_000)
                    timestamp = Timestamp(NOON + time_ns, time_ns + jitter)
                    at_point = (index - sent) // METERS
                    reading = draw_reading(rng, at_point % AT_POINT, timestamp, packet_size)
                    connection_id = connections + 1 + index % METERS
                    point_id = point_ids[at_point // AT_POINT]
                    rows.append(ReadingRow(reading, connection_id, visit.visit_id, point_id))
                yield rows
            for number in range(connections + 1, connections + METERS + 1):
                self.stretches.end_connection(self.connection, number)
            sent += per_visit
            connections += METERS


def draw_reading(rng, since_contact, timestamp, packet_size):
    """Probes in the air, then a number that settles: two display forms beside the overload."""
    packet = rng.randbytes(packet_size)
    if since_contact < AT_POINT // 4:
        digits, status = None, Status.OVERLOAD
    else:
        places = 2 if since_contact % 50 else 1  # now and then the range changes
        digits, status = Decimal(rng.randrange(10_000)).scaleb(-places), Status.OK
    resolution = None if digits is None else resolution_of(digits)
    return Reading(
        Quantity.CAPACITANCE, digits, "µF", timestamp, status, resolution=resolution, channel=CHANNEL, packet=packet
    )


PLAN = Plan(
    "points",
    tuple(
        TestPoint(f"point-{n}", "fan", f"capacitor {n}", ("C", "FAN"), Quantity.CAPACITANCE, CircuitState.ISOLATED,
                  PointKind.CAPACITOR)
        for n in range(POINTS)
    ),
)  # fmt: skip


def plain_values(row):
    """The values of a reading as texts and numbers, one for each column."""
    reading, connection_id, visit_id, point_id, clock_set = row
    return (
        connection_id, visit_id, point_id, reading.timestamp.utc_ns, reading.timestamp.monotonic_ns, clock_set,
        reading.quantity, reading.value, None if reading.digits is None else f"{reading.digits:f}", reading.unit,
        reading.status, reading.coupling, None if reading.resolution is None else f"{reading.resolution:f}",
        reading.low_battery, reading.channel, reading.packet, reading.display_hold, reading.relative,
    )  # fmt: skip


def fill(database, batches, insert):
    """Insert all batches, one transaction for each; return the CPU time in s, without the drawing of the readings."""
    spent = 0.0
    for rows in batches:
        started = time.process_time()
        database.connection.execute("BEGIN IMMEDIATE")
        insert(rows)
        database.connection.execute("COMMIT")
        spent += time.process_time() - started
    return spent


@pytest.fixture
def make_database(tmp_path):
    databases: list[Database] = []

    def make():
        databases.append(Database(tmp_path / f"{len(databases)}.db"))
        return databases[-1]

    yield make
    for database in databases:
        database.close()


@pytest.mark.parametrize("packet_size", [2, 10, 14, 20])
def test_bytes_of_a_reading(benchmark, make_database, packet_size):
    count = 320_000 if benchmark.enabled else 32_000
    sizes = []
    for plain in (True, False):
        database = make_database()
        if plain:
            database.connection.executescript(PLAIN_TABLE)
        before = database.size()
        batches = database.visits(count, packet_size)
        if plain:
            fill(database, batches, lambda rows: database.connection.executemany(INSERT_PLAIN, map(plain_values, rows)))  # noqa: B023
        else:
            benchmark.pedantic(
                fill,
                (database, batches, lambda rows: database.stretches.insert(database.connection, rows)),  # noqa: B023
                rounds=1,
            )
        sizes.append((database.size() - before) / count)
    plain_size, size = sizes
    limit = LIMIT + packet_size
    benchmark.extra_info |= {"plain": plain_size, "stretches": size, "of_limit": size / limit}
    report(
        f"\npacket of {packet_size:2} bytes: {size:5.1f} bytes a reading, {size / limit:.2f} of the limit {limit};"
        f" plain table {plain_size:5.1f}"
    )
    assert size <= limit


def test_cpu_time_of_a_reading(benchmark, make_database):
    """CPU time from a row to its commit. The two ways alternate, and the best of several runs counts."""
    count = 20_000 if benchmark.enabled else 2_000

    def measure():
        plain, compact = make_database(), make_database()
        plain.connection.executescript(PLAIN_TABLE)
        plain_batches, batches = list(plain.visits(count, 14)), list(compact.visits(count, 14))
        return (
            fill(
                plain, plain_batches, lambda rows: plain.connection.executemany(INSERT_PLAIN, map(plain_values, rows))
            ),
            fill(compact, batches, lambda rows: compact.stretches.insert(compact.connection, rows)),
        )

    runs = [measure() for _ in range(BEST_OF)]
    benchmark.pedantic(lambda: None, rounds=1)
    plain_time, compact_time = (min(run[way] for run in runs) / count * 1e6 for way in (0, 1))
    benchmark.extra_info |= {"plain_us": plain_time, "stretches_us": compact_time}
    report(f"\nCPU time of a committed reading: {compact_time:.1f} µs; plain table {plain_time:.1f} µs")


def test_lookups_in_a_large_database(benchmark, make_database):
    """By test point, by visit and by time; every plan is printed, and none has a scan."""
    count = 1_000_000 if benchmark.enabled else 64_000
    database = make_database()
    fill(database, database.visits(count, 14), lambda rows: database.stretches.insert(database.connection, rows))
    (visit_uid,) = database.connection.execute("SELECT uid FROM visits ORDER BY id LIMIT 1 OFFSET 1").fetchone()
    middle = NOON + count // 2 * PERIOD // METERS
    minute = 60 * 10**9
    lookups = {
        "a test point": lambda c: raw_readings.readings_of_visit(c, visit_uid, "point-7", 0, None),
        "a visit, 1000 readings": lambda c: raw_readings.readings_of_visit(c, visit_uid, None, 0, 1000),
        "a minute": lambda c: raw_readings.readings_between(c, middle, middle + minute, 0, None),
    }
    expected = {"a test point": METERS * AT_POINT, "a visit, 1000 readings": 1000, "a minute": 60 * 10 * METERS}
    with connect_for_reading(database.path) as connection:
        statements: list[str] = []
        report("")
        for name, lookup in lookups.items():
            started = time.perf_counter()
            found = lookup(connection)
            spent = time.perf_counter() - started
            assert len(found) == pytest.approx(expected[name], abs=10)
            report(f"{name}: {len(found)} of {count} readings in {spent * 1e3:.1f} ms")
            statements.clear()
            connection.set_trace_callback(statements.append)
            lookup(connection)
            connection.set_trace_callback(None)
            for step in query_plan(connection, statements):
                report(f"    {step}")
                assert "SCAN" not in step or step == "SCAN CONSTANT ROW"
        benchmark.pedantic(lookups["a minute"], (connection,), rounds=1)


def report(text):
    print(text)  # noqa: T201  # the figures are the result of this benchmark


def query_plan(connection, statements):
    steps = (step["detail"] for text in statements for step in connection.execute(f"EXPLAIN QUERY PLAN {text}"))
    return list(dict.fromkeys(steps))


def test_a_reading_is_found_as_it_was_written_among_many(make_database):
    database = make_database()
    batches = list(database.visits(2_000, 20))
    fill(database, batches, lambda rows: database.stretches.insert(database.connection, rows))
    written = [row.reading for rows in batches for row in rows]
    with closing(sqlite3.connect(database.path)) as connection:
        shown = connection.execute("SELECT digits, packet FROM readings ORDER BY id").fetchall()
    assert shown == [(None if r.digits is None else f"{r.digits:f}", r.packet) for r in written]
