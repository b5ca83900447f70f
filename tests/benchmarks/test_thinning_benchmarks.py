"""How long readings wait while old ones are deleted. Run with ``--benchmark-enable``; else it runs once, as a test."""

import sqlite3
import threading
import time
import uuid
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Self

from pytest_benchmark.fixture import BenchmarkFixture

from meterlink.core.clock import SystemClock
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.station.committer import FLUSH_PERIOD
from meterlink.store.rows import Batch, ReadingRow
from meterlink.store.writer import Writer
from support.large_records import FIRST_DAY, write_raw
from support.writers import OUTER, open_visit, running_writer

DAY = 86_400 * 10**9
BETWEEN_COMMITS = 0.02  # s; a technician accepts readings far more seldom


class Readings:
    """A thread that commits a reading again and again, and measures how long each waits."""

    def __init__(self, writer: Writer) -> None:
        visit, connection = open_visit(writer)
        reading = Reading(Quantity.CAPACITANCE, Decimal("45.10"), "µF", SystemClock().now(), packet=bytes(14))
        self._row = ReadingRow(reading, connection, visit.visit_id, visit.point_ids["run-capacitor-herm"])
        self._writer = writer
        self._ended = threading.Event()
        self.waits: list[float] = []
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._ended.wait(BETWEEN_COMMITS):
            started = time.perf_counter()
            self._writer.submit(Batch(readings=(self._row,))).result(OUTER)
            self.waits.append(time.perf_counter() - started)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()


def test_the_longest_wait_of_a_reading_while_old_ones_are_deleted(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """Without the pauses of the station's schedule: slice after slice, which is the worst case.

    A ratio to the interval between two commits: readings are late only where it is above 1.
    """
    path = tmp_path / "meterlink.db"
    write_raw(path, 1_000_000 if benchmark.enabled else 30_000)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE stretches SET last_reading_id = (SELECT MAX(id) FROM raw_readings)"
                           " WHERE last_reading_id IS NULL")  # fmt: skip
        connection.commit()
    slices: list[float] = []

    def thin(writer: Writer) -> int:
        run, deleted, after_id = str(uuid.uuid4()), 0, 0
        while True:
            started = time.perf_counter()
            done = writer.thin_slice(run, FIRST_DAY + 30 * DAY, after_id).result(OUTER)
            slices.append(time.perf_counter() - started)
            deleted, after_id = deleted + done.deleted, done.after_id
            if done.done:
                return deleted

    with running_writer(path) as writer:
        with Readings(writer) as alone:
            while len(alone.waits) < (100 if benchmark.enabled else 3):
                threading.Event().wait(BETWEEN_COMMITS)
        with Readings(writer) as together:
            deleted = benchmark.pedantic(thin, (writer,), rounds=1)
    assert deleted >= 30_000
    assert alone.waits
    if benchmark.enabled:
        benchmark.extra_info["longest_wait_alone_ms"] = max(alone.waits) * 1e3
        benchmark.extra_info["longest_wait_ms"] = max(together.waits) * 1e3
        benchmark.extra_info["longest_slice_ms"] = max(slices) * 1e3
        benchmark.extra_info["longest_wait_to_commit_interval"] = max(together.waits) / FLUSH_PERIOD
        benchmark.extra_info["rows_per_s"] = deleted / sum(slices)
