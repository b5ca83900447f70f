"""The daemon notices that it stands still: its event loop, and its writer's thread."""

import asyncio
import logging
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter
from meterlink.station.liveness import LONG_PAUSE, WRITER_LIMIT, LoopLag, stall
from meterlink.store.writer import Writer
from meterlink_simulators.virtual_time import run_in_virtual_time
from support.fault_marks import FaultTimes
from support.writers import OUTER

SECOND = 10**9


class HandClock:
    def __init__(self) -> None:
        self.ns = 0

    def now(self) -> Timestamp:
        return Timestamp(self.ns, self.ns)


@pytest.mark.fault("stalled-loop")
def test_a_pause_is_kept_for_an_hour_and_logged(caplog: pytest.LogCaptureFixture) -> None:
    now = [0.0]
    lag = LoopLag(lambda: now[0])
    with caplog.at_level(logging.WARNING):
        lag.add(0.3)
        lag.add(LONG_PAUSE + 6)
        lag.add(0.1)
    assert lag.longest == LONG_PAUSE + 6
    assert [record.message for record in caplog.records] == ["The event loop stood still for 7.0 s."]
    now[0] = 1900.0
    lag.add(0.2)
    assert lag.longest == LONG_PAUSE + 6
    now[0] = 3800.0
    lag.add(0.1)
    assert lag.longest == 0.2


@pytest.mark.fault("stalled-loop")
def test_blocking_work_in_the_loop_is_measured() -> None:
    async def run() -> None:
        ahead = [0.0]  # the time for which a callback blocks the loop
        loop = asyncio.get_running_loop()
        lag = LoopLag(lambda: loop.time() + ahead[0])
        task = asyncio.create_task(lag.run())
        await asyncio.sleep(10)
        assert lag.longest < 0.01
        ahead[0] = 4.0
        await asyncio.sleep(2)
        assert lag.longest == pytest.approx(4.0, abs=0.01)
        task.cancel()

    run_in_virtual_time(run())


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def writer(tmp_path: Path, clock: HandClock) -> Iterator[Writer]:
    writer = Writer(
        tmp_path / "meterlink.db", station="van-3", clock=clock, boot_id="b", on_alarm=lambda _: None,
        retry_delays=(OUTER, OUTER),
    )  # fmt: skip
    yield writer
    writer.close()


def test_a_writer_that_waits_is_no_stall(writer: Writer, clock: HandClock) -> None:
    writer.start()
    writer.register_meter(Meter("00:00:5E:00:53:0A", "bench")).result(OUTER)
    clock.ns += 10 * 3600 * SECOND  # a night without a reading
    assert stall(writer) == ""
    writer.close()
    assert stall(writer) == ""


@pytest.mark.fault("stalled-writer")
def test_a_commit_that_hangs_is_a_stall(writer: Writer, clock: HandClock, fault_times: FaultTimes) -> None:
    hangs, goes_on = threading.Event(), threading.Event()

    def hang(_connection: sqlite3.Connection) -> None:
        hangs.set()
        goes_on.wait(OUTER)

    writer.start()
    done = writer._enqueue(hang)
    assert hangs.wait(OUTER)
    begun = clock.ns
    clock.ns += round((WRITER_LIMIT - 1) * SECOND)
    assert stall(writer) == ""
    clock.ns += 2 * SECOND
    assert stall(writer) == "The writer's thread has waited for the disk for 61 s."
    fault_times.noticed((clock.ns - begun) / SECOND)
    goes_on.set()
    done.result(OUTER)
    writer.register_meter(Meter("00:00:5E:00:53:0A", "bench")).result(OUTER)
    clock.ns += 3600 * SECOND
    writer.close()
    assert stall(writer) == ""


@pytest.mark.fault("stalled-writer")
def test_a_writer_whose_disk_is_full_works_on(
    writer: Writer, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    # It tries again by itself; a restart would lose the readings that wait in its memory.
    failed = threading.Event()

    def fail(*_args: object) -> None:
        failed.set()
        error = sqlite3.OperationalError("disk is full")
        error.sqlite_errorcode, error.sqlite_errorname = sqlite3.SQLITE_FULL, "SQLITE_FULL"
        raise error

    writer.start()
    monkeypatch.setattr(writer, "_commit", fail)
    writer.register_meter(Meter("00:00:5E:00:53:0A", "bench"))
    assert failed.wait(OUTER)
    while writer._working_since_ns is not None:  # it is about to wait
        time.sleep(0.001)
    clock.ns += 3600 * SECOND
    assert stall(writer) == ""


@pytest.mark.fault("stalled-writer")
def test_a_thread_that_has_died_is_a_stall(writer: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    def break_down(*_args: object) -> None:
        raise RuntimeError("a fault of our own")

    writer.start()
    monkeypatch.setattr(writer, "_commit", break_down)
    with pytest.raises(Exception, match="fault of our own"):
        writer.register_meter(Meter("00:00:5E:00:53:0A", "bench")).result(OUTER)
    thread = writer._thread
    assert thread is not None
    thread.join(OUTER)
    assert stall(writer) == "The writer's thread has ended: nothing is saved."
