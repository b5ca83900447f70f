"""Readers, the publisher and the history command run at the same time while a station records."""

import asyncio
import json
import threading
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal

import pytest
from click.testing import CliRunner

from meterlink.cli.history import command
from meterlink.core.clock import SystemClock
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.store.reader import Reader
from meterlink.store.rows import AcceptedRow, Batch, OutboxRow, ReadingRow
from support.writers import OUTER, open_visit, running_writer

BATCHES = 300
JUDGEMENT = Judgement(Verdict.NO_LIMITS, None, None, Decimal("45.1"), None, None, "assumed", "No rating yet.")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "meterlink.db"


@pytest.fixture
def writer(path):
    with running_writer(path) as writer:
        yield writer


@pytest.fixture
def tag(writer):
    """A function that returns a reading row with visit and test point."""
    clock = SystemClock()
    visit, connection = open_visit(writer)
    point = visit.point_ids["run-capacitor-herm"]

    def tagged():
        reading = Reading(Quantity.CAPACITANCE, Decimal("45.1"), "µF", clock.now())
        return ReadingRow(reading, connection, visit.visit_id, point)

    return tagged


async def test_readers_see_whole_batches_and_publishing_loses_nothing(writer, path, tag):
    finished = threading.Event()
    reader = Reader(path)
    (visit_uid,) = [visit.uid for visit in reader.visits()]

    def watch():
        count = 0
        while not finished.is_set():
            ids = [row.id for row in reader.history()]
            assert ids == list(range(1, len(ids) + 1))
            assert len(ids) >= count
            count = len(ids)
            counts = reader.counts()  # sees one moment: all rows of a batch or none
            assert counts["readings"] == 3 * counts["accepted_readings"]
            raw = [stored.id for stored in reader.readings(visit_uid)]  # of a stretch that is still open
            assert raw == list(range(1, len(raw) + 1))
            assert len(raw) >= counts["readings"]
        return count

    def command_line():
        runs = 0
        while not finished.is_set() or not runs:
            result = CliRunner().invoke(command, ["--data", str(path.parent), "--json"], catch_exceptions=False)
            assert len(json.loads(result.output)) <= BATCHES
            runs += 1
        return runs

    async def publish():
        sent: list[str] = []
        while len(sent) < BATCHES:
            entries = await asyncio.to_thread(reader.outbox, 17, 0)
            await asyncio.wrap_future(writer.delete_sent_messages([entry.id for entry in entries]))
            sent += [entry.message_id for entry in entries]
        return sent

    async def record():
        for number in range(BATCHES):
            row = tag()
            accepted = AcceptedRow(tag(), JUDGEMENT, 1.0)
            message = OutboxRow(f"m{number}", "t", b"[]", droppable=False)
            await asyncio.wrap_future(writer.submit(Batch((row, row), (accepted,), (message,))))

    loop = asyncio.get_running_loop()
    with ThreadPoolExecutor(3) as threads:
        watching = [loop.run_in_executor(threads, work) for work in (watch, watch, command_line)]
        try:
            async with asyncio.timeout(OUTER):
                _, sent = await asyncio.gather(record(), publish())
        finally:
            finished.set()
        await asyncio.gather(*watching)
    assert sent == [f"m{number}" for number in range(BATCHES)]
    assert reader.counts()["outbox"] == 0
    assert len(reader.history()) == BATCHES


def test_many_threads_may_submit(writer, path, tag):
    def submit(_):
        return [writer.submit(Batch(readings=(tag(),))) for _ in range(200)]

    with ThreadPoolExecutor(8) as threads:
        for futures in threads.map(submit, range(8)):
            for future in futures:
                future.result(OUTER)
    assert not writer.busy
    assert Reader(path).counts()["readings"] == 1600
