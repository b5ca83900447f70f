"""The disk fills up while a station records: no acknowledged reading is lost, and saving resumes with free space."""

import json
import os
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.errors import DiskFailedError, DiskFullError
from meterlink.store.connections import as_store_error
from meterlink.store.writer import Writer
from support.small_disks import fill, small_disk

# Submits batches until some time after the alarm, then frees space and waits for every batch.
CHILD = """
import json, os, sys, threading
from decimal import Decimal
from pathlib import Path
from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Meter
from meterlink.core.readings import Reading
from meterlink.store.rows import Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer
from meterlink.core.units import Quantity

path = Path(sys.argv[1])
alarms, raised, passed = [], threading.Event(), threading.Event()

def on_alarm(text):
    alarms.append(text)
    (raised if text else passed).set()

clock = SystemClock()
writer = Writer(path, station="van-3", clock=clock, boot_id="b", on_alarm=on_alarm, retry_delays=(0.01, 0.02))
writer.start()
meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(60)
connection = writer.open_connection(NewConnection(meter, clock.now()))

@@fill_disk@@

submitted = []
def submit(number):
    packet = str(number).encode().ljust(500)
    reading = Reading(Quantity.CAPACITANCE, Decimal("45.10"), "µF", clock.now(), channel="c", packet=packet)
    submitted.append(writer.submit(Batch(readings=(ReadingRow(reading, connection),))))

number = 0
while not raised.is_set():
    submit(number)
    number += 1
    if number % 20 == 0 and not raised.is_set():
        # Either the batch is acknowledged or the alarm is raised.
        while not submitted[-1].done() and not raised.wait(0.001):
            pass
early = [n for n, future in enumerate(submitted) if future.done()]
for _ in range(50):
    submit(number)
    number += 1
late = [n for n, future in enumerate(submitted) if future.done()]
backlog = writer.backlog

@@free_space@@

for future in submitted:
    future.result(60)
assert passed.wait(60)
writer.close()
print(json.dumps({"early": early, "late": late, "backlog": backlog, "all": number, "alarms": alarms}))
"""


def run_and_check(path, fill_disk, free_space):
    script = CHILD.replace("@@fill_disk@@", textwrap.dedent(fill_disk))
    script = script.replace("@@free_space@@", textwrap.dedent(free_space))
    child = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, timeout=100, check=False
    )
    assert child.returncode == 0, child.stderr
    report = json.loads(child.stdout)
    assert len(report["early"]) > 0  # it recorded before the disk was full
    assert report["late"] == report["early"]  # no acknowledgement while the disk was full
    assert report["backlog"] >= 51
    alarm, passed = report["alarms"]  # once each
    assert alarm.startswith("Readings are not being saved.")
    assert str(path) in alarm
    assert passed == ""
    with closing(sqlite3.connect(path)) as connection:
        packets = [int(packet.decode()) for (packet,) in connection.execute("SELECT packet FROM readings ORDER BY id")]
        assert packets == list(range(report["all"]))  # each once, in order
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    return alarm


@pytest.mark.fault("write-refused")
@pytest.mark.skipif(sys.platform == "win32", reason="no RLIMIT_FSIZE")
def test_file_size_limit(tmp_path):
    alarm = run_and_check(
        tmp_path / "meterlink.db",
        """
        import resource
        _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (800_000, hard))
        """,
        "resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))",
    )
    assert "failed to read or write" in alarm or "is full" in alarm


# A file that may not grow is a fault that SQLite reports as a failed write, on a disk with free space.
REFUSED_WRITE = """
import resource, sys
from pathlib import Path
from meterlink.core.clock import SystemClock
from meterlink.core.errors import StoreError
from meterlink.store.writer import Writer

_, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
writer = Writer(Path(sys.argv[1]), station="van-3", clock=SystemClock(), boot_id="b", on_alarm=print)
try:
    writer.start()
except StoreError as error:
    print(type(error).__name__, error)
"""


@pytest.mark.fault("write-refused")
@pytest.mark.skipif(sys.platform == "win32", reason="no RLIMIT_FSIZE")
def test_a_write_that_the_disk_refuses_is_no_full_disk(tmp_path):
    child = subprocess.run(
        [sys.executable, "-c", REFUSED_WRITE, str(tmp_path / "meterlink.db")],
        capture_output=True,
        text=True,
        timeout=100,
        check=True,
    )
    assert child.stdout.startswith(f"{DiskFailedError.__name__} The disk that holds")
    assert "failed to read or write" in child.stdout


@pytest.fixture(name="small_disk")
def _small_disk(tmp_path):
    """A disk of 2 MiB."""
    with small_disk(tmp_path / "disk") as folder:
        yield folder


@pytest.mark.fault("disk-full")
def test_disk_full(small_disk):
    path = small_disk / "meterlink.db"
    alarm = run_and_check(
        path,
        """
        ballast = path.with_name("ballast")
        free = os.statvfs(path).f_bavail * os.statvfs(path).f_frsize
        ballast.write_bytes(bytes(free - 400_000))
        """,
        "ballast.unlink()",
    )
    assert "is full" in alarm or "failed to read or write" in alarm


@pytest.mark.fault("disk-full")
def test_a_failed_write_on_a_full_disk_is_a_full_disk(small_disk):
    refused = sqlite3.OperationalError("disk I/O error")
    refused.sqlite_errorcode = sqlite3.SQLITE_IOERR_SHMSIZE  # as for a shared-memory file that cannot grow
    refused.sqlite_errorname = "SQLITE_IOERR_SHMSIZE"
    path = small_disk / "meterlink.db"
    assert type(as_store_error(refused, path)) is DiskFailedError
    fill(small_disk)
    assert os.statvfs(small_disk).f_bavail == 0
    assert type(as_store_error(refused, path)) is DiskFullError
    (small_disk / "ballast").unlink()
    assert type(as_store_error(refused, path)) is DiskFailedError


@pytest.mark.fault("disk-full")
def test_starting_on_a_full_disk_is_an_error(small_disk):
    fill(small_disk)
    writer = Writer(
        small_disk / "meterlink.db", station="van-3", clock=SystemClock(), boot_id="b", on_alarm=lambda _: None
    )
    with pytest.raises(DiskFullError, match=r"is full|No space left"):
        writer.start()
    (small_disk / "ballast").unlink()
    writer.start()
    writer.close()
