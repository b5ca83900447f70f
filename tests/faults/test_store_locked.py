"""Another program (a backup, a database browser) has locked the database."""

import sqlite3
import threading
from contextlib import closing
from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter
from meterlink.core.errors import DatabaseLockedError
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.store.reader import Reader
from meterlink.store.rows import Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer

OUTER = 60  # s


class StoppedClock:
    def now(self):
        return Timestamp(1_000, 1)


class Alarms:
    def __init__(self):
        self.texts = []
        self.raised, self.passed = threading.Event(), threading.Event()

    def __call__(self, text):
        self.texts.append(text)
        (self.raised if text else self.passed).set()


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    monkeypatch.setattr("meterlink.store.connections.LOCK_TIMEOUT", 0.02)


@pytest.fixture
def alarms():
    return Alarms()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "meterlink.db"


@pytest.fixture
def writer(path, alarms):
    writer = Writer(
        path, station="van-3", clock=StoppedClock(), boot_id="b", on_alarm=alarms, retry_delays=(0.001, 0.01)
    )
    yield writer
    writer.close()


def batch(connection):
    return Batch(readings=(ReadingRow(Reading(Quantity.VOLTAGE, Decimal("24.0"), "V", Timestamp(1, 1)), connection),))


@pytest.mark.fault("database-locked")
def test_recording_waits_for_a_foreign_writer_and_resumes(writer, path, alarms):
    writer.start()
    meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(OUTER)
    connection = writer.open_connection(NewConnection(meter, Timestamp(0, 0)))
    with closing(sqlite3.connect(path, isolation_level=None)) as foreign:
        foreign.execute("BEGIN IMMEDIATE")
        futures = [writer.submit(batch(connection)) for _ in range(10)]
        assert alarms.raised.wait(OUTER)
        assert not any(future.done() for future in futures)
        assert Reader(path).counts()["readings"] == 0  # readers do not wait
        foreign.execute("ROLLBACK")
        for future in futures:
            future.result(OUTER)
    assert alarms.passed.wait(OUTER)
    assert len(alarms.texts) == 2
    assert "Another program has locked" in alarms.texts[0]
    assert Reader(path).counts()["readings"] == 10


@pytest.mark.fault("database-locked")
def test_an_open_read_transaction_delays_no_writer(writer, path):
    writer.start()
    meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(OUTER)
    connection = writer.open_connection(NewConnection(meter, Timestamp(0, 0)))
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, isolation_level=None)) as reading:
        reading.execute("BEGIN")
        count = "SELECT COUNT(*) FROM readings"
        assert reading.execute(count).fetchone() == (0,)
        for _ in range(20):
            writer.submit(batch(connection)).result(OUTER)
        assert reading.execute(count).fetchone() == (0,)  # it still sees the moment of its BEGIN
        assert Reader(path).counts()["readings"] == 20
        writer.close()  # does not wait for the reader
    assert Reader(path).counts()["readings"] == 20


@pytest.mark.fault("database-locked")
def test_starting_on_a_locked_database_is_an_error(writer, path):
    writer.start()
    writer.close()
    with closing(sqlite3.connect(path, isolation_level=None)) as foreign:
        foreign.execute("BEGIN IMMEDIATE")
        with pytest.raises(
            DatabaseLockedError, match=r"Another program has locked .*Close the program that has it open"
        ):
            writer.start()
        foreign.execute("ROLLBACK")
    writer.start()
