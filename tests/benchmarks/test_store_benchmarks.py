"""Readings a second that reach the disk. Run with ``--benchmark-enable``; without it each runs once, as a test."""

import time
from decimal import Decimal

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.store.reader import Reader
from meterlink.store.rows import AcceptedRow, Batch, OutboxRow, ReadingRow
from support.writers import OUTER, open_visit, running_writer

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
    with running_writer(path) as writer:
        yield writer


@pytest.fixture
def row(writer):
    visit, connection = open_visit(writer)
    reading = Reading(Quantity.CAPACITANCE, Decimal("45.10"), "µF", SystemClock().now(), channel="c", packet=bytes(14))
    row = ReadingRow(reading, connection, visit.visit_id, visit.point_ids["run-capacitor-herm"])
    writer.submit(Batch(readings=(row,))).result(OUTER)
    return row


def commit_in_groups(writer, row):
    for future in [writer.submit(Batch(readings=(row,))) for _ in range(ROWS)]:
        future.result(OUTER)


def commit_singly(writer, row):
    for _ in range(ROWS):
        writer.submit(Batch(readings=(row,))).result(OUTER)


def test_rows_committed_in_groups(benchmark, writer, row, path):
    benchmark(commit_in_groups, writer, row)
    assert Reader(path).counts()["readings"] >= ROWS
    if benchmark.enabled:
        benchmark.extra_info["rows_per_s"] = ROWS / benchmark.stats["mean"]


def test_group_commit_against_one_by_one(benchmark, writer, row):
    """Both ways run in one test, so that the ratio does not depend on disk and machine."""
    started = time.perf_counter()
    commit_singly(writer, row)
    single_duration = time.perf_counter() - started
    benchmark(commit_in_groups, writer, row)
    if benchmark.enabled:
        benchmark.extra_info["one_by_one_rows_per_s"] = ROWS / single_duration
        benchmark.extra_info["ratio"] = single_duration / benchmark.stats["mean"]


def test_history_of_a_season(benchmark, writer, row, path):
    """Read the newest 50 of 2,000 accepted readings, among 20,000 raw ones."""
    accepted = AcceptedRow(row, JUDGEMENT, 1.0)
    message = OutboxRow("m", "t", b"[]", droppable=True)
    writer.submit(Batch((row,) * 20_000, (accepted,) * 2_000, (message,))).result(OUTER)
    rows = benchmark(Reader(path).history, unit="condenser", limit=50)
    assert [history_row.id for history_row in rows] == list(range(1951, 2001))
