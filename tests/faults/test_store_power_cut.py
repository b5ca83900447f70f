"""Acknowledged means on the disk: a power cut at any moment after an acknowledgement keeps the reading.

Killing a process (`test_store_kill`) cannot show it: the system still writes the
bytes that a killed process has handed over.
"""

import random
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.core.errors import MeterlinkError
from meterlink.store import queries
from meterlink.store.connections import connect_for_writing
from meterlink.store.reader import Reader
from support.power_cuts import Call, Disk, traced_calls
from support.writers import OUTER, running_writer

FULL = 2  # of PRAGMA synchronous

# Accepts readings one after another, and prints the number of each after its acknowledgement. The log is small, so that
# it goes into the database several times.
CHILD = """
import sqlite3, sys
from decimal import Decimal
from pathlib import Path
from meterlink.core.clock import SystemClock
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer

level = sys.argv[2]
class Connection(sqlite3.Connection):
    def execute(self, statement, *values):
        if statement == "PRAGMA synchronous = FULL":
            super().execute("PRAGMA wal_autocheckpoint = 60")
            statement = f"PRAGMA synchronous = {level}"
        return super().execute(statement, *values)

connect = sqlite3.connect
sqlite3.connect = lambda *args, **named: connect(*args, factory=Connection, **named)

clock = SystemClock()
writer = Writer(Path(sys.argv[1]), station="van-3", clock=clock, boot_id="b", on_alarm=print)
writer.start()
point = TestPoint("herm", "compressor", "run capacitor", ("C", "HERM"), Quantity.CAPACITANCE,
                  CircuitState.ISOLATED, PointKind.CAPACITOR)
visit = writer.open_visit(Site("Mill Lane bakery", "condenser"), Plan("p", (point,)), clock.now()).result()
meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result()
connection = writer.open_connection(NewConnection(meter, clock.now()))
judgement = Judgement(Verdict.NO_LIMITS, None, None, None, None, None, "assumed", "No rating yet.")
for number in range(60):
    reading = Reading(Quantity.CAPACITANCE, Decimal("45.10"), "µF", clock.now(), packet=b"p" * 60)
    row = ReadingRow(reading, connection, visit.visit_id, visit.point_ids["herm"])
    writer.submit(Batch(accepted=(AcceptedRow(row, judgement, 1.0, f"reading-{number}"),))).result()
    print(f"acknowledged reading-{number}", flush=True)
writer.close()
"""


def trace(folder: Path, level: str) -> list[Call]:
    data = folder / "data"
    data.mkdir()
    return traced_calls([sys.executable, "-c", CHILD, str(data / "meterlink.db"), level], folder / "trace")


def acknowledged(call: Call) -> str:
    """Return the uid of the reading that the child has just acknowledged; empty for another call."""
    text = call.data.decode(errors="replace") if call.name == "write" and call.descriptor == 1 else ""
    return text.removeprefix("acknowledged ").strip() if text.startswith("acknowledged ") else ""


def readings_after_cuts(calls: list[Call], folder: Path) -> tuple[list[str], list[str]]:
    """Cut the power at every acknowledgement; return the uids that were acknowledged, and those that were missing."""
    rng = random.Random(20_261_127)
    disk, told, missing = Disk(folder / "data"), [], []
    for call in calls:
        disk.apply(call)
        uid = acknowledged(call)
        if not uid:
            continue
        told.append(uid)
        cut = folder / f"cut-{len(told)}"
        disk.cut(cut, rng)
        try:
            kept = {row.uid for row in Reader(cut / "meterlink.db").history(None)}
            with closing(sqlite3.connect(cut / "meterlink.db")) as connection:
                assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        except (MeterlinkError, sqlite3.Error, AssertionError):  # a damaged file: nothing of it counts as kept
            kept = set()
        missing += [uid for uid in told if uid not in kept]
    return told, missing


@pytest.mark.fault("power-cut")
def test_a_power_cut_after_an_acknowledgement_keeps_the_reading(tmp_path: Path) -> None:
    told, missing = readings_after_cuts(trace(tmp_path, "FULL"), tmp_path)
    assert told == [f"reading-{number}" for number in range(60)]
    assert missing == []


@pytest.mark.fault("power-cut")
@pytest.mark.parametrize("level", ["OFF", "NORMAL"])
def test_the_same_power_cuts_show_a_commit_that_was_not_synced(tmp_path: Path, level: str) -> None:
    """The negative control: without it the test above might find nothing in any case."""
    told, missing = readings_after_cuts(trace(tmp_path, level), tmp_path)
    assert len(told) == 60
    assert missing != []


@pytest.mark.fault("power-cut")
def test_every_commit_is_synced_before_its_acknowledgement(tmp_path: Path) -> None:
    """The log of the database has no unsynced write when a reading is acknowledged: SQLite's WAL with FULL.

    Source: https://sqlite.org/pragma.html#pragma_synchronous, "the WAL file is synced after each transaction" (M).
    """
    log = str(tmp_path / "data" / "meterlink.db-wal")
    disk, writes, syncs, told = Disk(tmp_path / "data"), 0, 0, 0
    for call in trace(tmp_path, "FULL"):
        disk.apply(call)
        writes += call.name == "pwrite64" and call.path == log
        syncs += call.name in {"fsync", "fdatasync"} and call.path == log
        if acknowledged(call):
            assert writes > 0, "nothing was written before this acknowledgement"
            assert syncs > 0, "nothing was synced before this acknowledgement"
            assert disk.unsynced(log) == 0
            writes = syncs = 0
            told += 1
    assert told == 60


def test_the_connection_of_the_writer_runs_at_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A test for machines without strace: the very connection that commits, not one opened like it."""

    def levels(connection: sqlite3.Connection) -> list[int]:
        pragmas = ("synchronous", "fullfsync")
        return [int(connection.execute(f"PRAGMA {pragma}").fetchone()[0]) for pragma in pragmas]

    monkeypatch.setattr(queries, "known_meters", levels)
    with running_writer(tmp_path / "meterlink.db") as writer:
        assert writer.known_meters().result(OUTER) == [FULL, 1]


def test_every_writing_connection_runs_at_full(tmp_path: Path) -> None:
    with closing(connect_for_writing(tmp_path / "meterlink.db")) as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (FULL,)


def test_a_child_without_a_trace_prints_what_the_trace_is_read_for(tmp_path: Path) -> None:
    """The child works by itself: a skipped trace hides no fault of it."""
    ended = subprocess.run(
        [sys.executable, "-c", CHILD, str(tmp_path / "meterlink.db"), "FULL"],
        capture_output=True, text=True, check=True, timeout=OUTER,
    )  # fmt: skip
    assert ended.stdout.split() == [word for number in range(60) for word in ("acknowledged", f"reading-{number}")]
