"""How many readings a second reach the disk. Run with ``--benchmark-enable``; otherwise each runs once, as a test."""

import time
from decimal import Decimal

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Meter, Site
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.store.reader import Reader
from meterlink.store.rows import AcceptedRow, Batch, OutboxRow, ReadingRow
from meterlink.store.writer import Writer

OUTER = 100  # s
ROWS = 1000
JUDGEMENT = Judgement(
    Verdict.WITHIN,
    Margin.CLEAR,
    Limits(Decimal("42.3"), Decimal("47.7"), "µF", "45 µF ±6 %", Decimal(45)),
    Decimal("45.10"),
    Decimal("0.22"),
    Decimal("0.5"),
    "assumed: 1 % of reading + 3 digits",
    "45.10 µF is within 45 µF ±6 %.",
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "meterlink.db"


@pytest.fixture
def writer(path):
    alarms = []
    writer = Writer(path, station="van-3", clock=SystemClock(), boot_id="b", on_alarm=alarms.append)
    writer.start()
    yield writer
    writer.close()
    assert alarms == []


@pytest.fixture
def row(writer):
    clock = SystemClock()
    visit = writer.open_visit(Site("Mill Lane bakery", "condenser"), load_plan(DEFAULT_PLAN), clock.now()).result(OUTER)
    meter = writer.remember_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(OUTER)
    reading = Reading(Quantity.CAPACITANCE, Decimal("45.10"), "µF", clock.now(), channel="c", packet=bytes(14))
    row = ReadingRow(reading, meter, visit.visit_id, visit.point_ids["run-capacitor-herm"])
    writer.submit(Batch(readings=(row,))).result(OUTER)  # the unit registry is loaded at the first conversion
    return row


def in_groups(writer, row):
    for future in [writer.submit(Batch(readings=(row,))) for _ in range(ROWS)]:
        future.result(OUTER)


def one_by_one(writer, row):
    for _ in range(ROWS):
        writer.submit(Batch(readings=(row,))).result(OUTER)


def test_rows_committed_in_groups(benchmark, writer, row, path):
    benchmark(in_groups, writer, row)
    assert Reader(path).counts()["readings"] >= ROWS
    if benchmark.enabled:
        benchmark.extra_info["rows_per_s"] = ROWS / benchmark.stats["mean"]


def test_group_commit_against_one_by_one(benchmark, writer, row):
    """Both ways in the same run, so that disk and machine cancel out of the ratio."""
    started = time.perf_counter()
    one_by_one(writer, row)
    alone = time.perf_counter() - started
    benchmark(in_groups, writer, row)
    if benchmark.enabled:
        benchmark.extra_info["one_by_one_rows_per_s"] = ROWS / alone
        benchmark.extra_info["ratio"] = alone / benchmark.stats["mean"]


def test_history_of_a_season(benchmark, writer, row, path):
    """2,000 held readings among 20,000 raw ones; the newest 50 are wanted."""
    held = AcceptedRow(row, JUDGEMENT, 1.0)
    writer.submit(Batch((row,) * 20_000, (held,) * 2_000, (OutboxRow("m", "t", b"[]", droppable=True),))).result(OUTER)
    rows = benchmark(Reader(path).history, unit="condenser", limit=50)
    assert [found.id for found in rows] == list(range(1951, 2001))
