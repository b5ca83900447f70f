"""Acknowledged means committed: a child that reports every acknowledged reading is killed without warning."""

import random
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from meterlink.core.errors import StoreError
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer

# Writes as fast as it can, several batches at a time, and prints the name of each batch after its acknowledgement.
CHILD = """
import sys
from decimal import Decimal
from pathlib import Path
from meterlink.core.clock import SystemClock
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, TestPoint
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.core.readings import Reading
from meterlink.store.rows import AcceptedRow, Batch, EndReason, NewConnection, OutboxRow, ReadingRow
from meterlink.store.writer import Writer
from meterlink.core.units import Quantity

clock = SystemClock()
run = sys.argv[2]
writer = Writer(Path(sys.argv[1]), station="van-3", clock=clock, boot_id=run, on_alarm=print)
writer.start()
point = TestPoint("herm", "compressor", "run capacitor", ("C", "HERM"), Quantity.CAPACITANCE,
                  CircuitState.ISOLATED, PointKind.CAPACITOR)
visit = writer.open_visit(Site("Mill Lane bakery", "condenser"), Plan("p", (point,)), clock.now()).result()
meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result()
connection = writer.open_connection(NewConnection(meter, clock.now()))
judgement = Judgement(Verdict.NO_LIMITS, None, None, None, None, None, "assumed", "No rating yet.")
number = 0
while True:
    waiting = []
    for _ in range(7):
        number += 1
        name = f"{run}/{number}"
        # Two stretches alternate, and every connection ends them: the kill finds some open and some ended.
        channel = str(number % 2)
        if number % 150 == 0:
            writer.end_connection(connection, clock.now(), EndReason.LINK_LOST)
            connection = writer.open_connection(NewConnection(meter, clock.now()))
        packet = name.encode().ljust(60)
        reading = Reading(Quantity.CAPACITANCE, Decimal("45.10"), "µF", clock.now(), channel=channel, packet=packet)
        row = ReadingRow(reading, connection, visit.visit_id, visit.point_ids["herm"])
        accepted = (AcceptedRow(row, judgement, 1.0),) if number % 10 == 0 else ()
        batch = Batch(readings=(row,), accepted=accepted, outbox=(OutboxRow(name, "t", b"[]", True),))
        waiting.append((name, writer.submit(batch)))
    for name, future in waiting:
        future.result()
        print(name, flush=True)
"""


def stored_names(path):
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        readings = connection.execute("SELECT packet FROM readings ORDER BY id").fetchall()
        messages = connection.execute("SELECT message_id FROM outbox").fetchall()
    return [packet.decode().strip() for (packet,) in readings], {name for (name,) in messages}


@pytest.mark.fault("killed-daemon")
@pytest.mark.study(everyday=3, sample=5, full=200)  # kills
def test_everything_acknowledged_survives_kill_minus_9(tmp_path, study_size):
    path = tmp_path / "meterlink.db"
    rng = random.Random(20260714)  # decides when to kill
    acknowledged = []
    for turn in range(study_size):
        lines = rng.randint(1, 400)
        with subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path), f"run-{turn}"], stdout=subprocess.PIPE, text=True
        ) as child:
            try:
                acknowledged += [child.stdout.readline().strip() for _ in range(lines)]
            finally:
                child.kill()
            # Lines printed before the kill were acknowledged, too; an incomplete last line does not count.
            acknowledged += [line.strip() for line in child.stdout if line.endswith("\n")]
        assert "" not in acknowledged

        # The log of the killed station is still there: a reader and the next turn's writer can use it.
        assert path.with_name("meterlink.db-wal").stat().st_size > 0
        readings, messages = stored_names(path)
        assert set(acknowledged) <= set(readings)
        assert messages == set(readings)  # every batch is complete or absent
        reader = Reader(path)
        by_visit = [stored for visit in reader.visits() for stored in reader.readings(visit.uid)]
        assert [stored.reading.packet.decode().strip() for stored in by_visit] == readings
        # Every tenth reading is accepted, too, under the same name.
        assert len(Reader(path).history()) == len(readings) - len(set(readings))
    assert len(Reader(path).history()) > 0
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


@pytest.mark.fault("killed-daemon")
def test_a_killed_station_leaves_no_lock_and_the_error_names_a_running_one(tmp_path):
    path = tmp_path / "meterlink.db"

    class NoClock:
        def now(self):
            raise AssertionError("refused before the clock is read")

    second = Writer(path, station="van-3", clock=NoClock(), boot_id="b", on_alarm=print)
    with subprocess.Popen([sys.executable, "-c", CHILD, str(path), "run"], stdout=subprocess.PIPE, text=True) as child:
        try:
            child.stdout.readline()
            with pytest.raises(StoreError, match=rf"process {child.pid}\) is already recording"):
                second.start()
        finally:
            child.kill()
    with pytest.raises(StoreError, match="refused before the clock is read"):  # it has the lock
        second.start()
