"""The history as JSON against a bare fetch with ``json.dumps``; one unit's among many; in one run each.

Run with ``--benchmark-enable``; without it each runs once on few readings, as a test.
"""

import json
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from meterlink.settings import DATABASE_FILE
from meterlink.store.history_fields import _SELECT_FIELDS
from meterlink.store.history_query import PAGE, HistoryFilter
from meterlink.store.part_values import _SELECT as SELECT_VALUES
from meterlink.store.reader import Reader
from support.commands import run_command
from support.large_records import write_accepted

# In one run on two cores the ratio was 2.2; the objects that were made of each row before took it to 6.
MOST_RATIO = 3.5
# In one run 10, which was 1.8 s: the objects and the trends of 8,630 parts are most of the time.
MOST_RATIO_DUE = 20


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    folder = tmp_path_factory.mktemp("history")
    write_accepted(folder / DATABASE_FILE, 20_000 if request.config.getoption("--benchmark-enable") else 500)
    return folder


def best_of_three(work: Callable[[], object]) -> float:
    durations = []
    for _ in range(3):
        started = time.perf_counter()
        work()
        durations.append(time.perf_counter() - started)
    return min(durations)


def shortest(benchmark: BenchmarkFixture) -> float:
    assert benchmark.stats is not None
    return float(benchmark.stats["min"])


def bare(path: Path) -> int:
    """Fetch the same columns in pages of the same size, and write each row as a JSON array; return the characters."""
    with closing(sqlite3.connect(path)) as connection:
        ids = [row[0] for row in connection.execute("SELECT id FROM accepted_readings ORDER BY id")]
        size = 0
        for first in range(0, len(ids), PAGE):
            rows = connection.execute(_SELECT_FIELDS, (json.dumps(ids[first : first + PAGE]),)).fetchall()
            size += len("\n".join(map(json.dumps, rows)))
    return size


def test_json_against_a_bare_fetch(benchmark: BenchmarkFixture, data: Path) -> None:
    path = data / DATABASE_FILE
    out = benchmark(lambda: run_command("history", "--data", str(data), "--json").out)
    records = json.loads(out)
    assert len(records) == Reader(path).counts()["accepted_readings"]
    if benchmark.enabled:
        ratio = shortest(benchmark) / best_of_three(lambda: bare(path))
        benchmark.extra_info.update(us_a_reading=shortest(benchmark) / len(records) * 1e6, ratio=ratio)
        assert ratio < MOST_RATIO


def test_the_first_reading_of_a_stream(benchmark: BenchmarkFixture, data: Path) -> None:
    """The first record comes after one page, not after all."""
    reader = Reader(data / DATABASE_FILE)
    first = benchmark(lambda: next(reader.history_fields(HistoryFilter())))
    assert first["revision"] == 1
    if benchmark.enabled:
        share = shortest(benchmark) / best_of_three(lambda: list(reader.history_fields(HistoryFilter())))
        benchmark.extra_info["share_of_all"] = share
        assert share < 0.2  # a page is a twentieth of the readings


def test_one_unit_among_many(benchmark: BenchmarkFixture, data: Path) -> None:
    reader = Reader(data / DATABASE_FILE)
    row = reader.history(limit=1)[0]
    chosen = HistoryFilter(site=row.site.name, unit=row.site.unit)
    found = benchmark(lambda: list(reader.history_fields(chosen)))
    assert {(fields["site"], fields["unit"]) for fields in found} == {(row.site.name, row.site.unit)}
    if benchmark.enabled:
        everything = best_of_three(lambda: list(reader.history_fields(HistoryFilter())))
        share, part = shortest(benchmark) / everything, len(found) / reader.counts()["accepted_readings"]
        benchmark.extra_info.update(share_of_time=share, share_of_readings=part)
        assert share < part + 0.05


@pytest.fixture(scope="module")
def many_units(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    folder = tmp_path_factory.mktemp("units")
    units, readings = (2_000, 20_000) if request.config.getoption("--benchmark-enable") else (50, 500)
    write_accepted(folder / DATABASE_FILE, readings, units)
    return folder


def test_parts_that_are_due_at_many_units(benchmark: BenchmarkFixture, many_units: Path) -> None:
    """2,000 units and 20,000 readings: one query, and the trend of every part."""

    def fetch() -> None:
        with closing(sqlite3.connect(many_units / DATABASE_FILE)) as connection:
            connection.execute(SELECT_VALUES, (None, None, None, False)).fetchall()

    out = benchmark(lambda: run_command("due", "--data", str(many_units), "--json", "--every-part").out)
    assert len(json.loads(out)) > 10
    if benchmark.enabled:
        ratio = shortest(benchmark) / best_of_three(fetch)
        benchmark.extra_info["ratio_to_bare_query"] = ratio
        assert ratio < MOST_RATIO_DUE
