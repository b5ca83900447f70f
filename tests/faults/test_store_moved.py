"""The database is deleted, moved, replaced or overwritten while a station runs: no reading is 'kept' and gone."""

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Meter, Site
from meterlink.core.errors import DatabaseMovedError, NotADatabaseError
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.link.endpoint import socket_path
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.settings import DATABASE_FILE
from meterlink.station.collection import FILE_CHECK_PERIOD
from meterlink.station.station import Station
from meterlink.store.backup import back_up
from meterlink.store.file_in_use import note_closed
from meterlink.store.lock import FileLock
from meterlink.store.merge import merge_file
from meterlink.store.reader import Reader
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer
from support.kept_records import keep_record
from support.record_contents import check_database
from support.small_disks import fill, small_disk
from support.virtual_stations import accepted, at_station, enter, until
from support.writers import OUTER, running_writer

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be removed or moved there")

JUDGEMENT = Judgement(Verdict.NO_LIMITS, None, None, None, None, None, "assumed", "No rating yet.")
PACKETS = b"p" * 200  # some readings fill a page


class Recording:
    """A station's writer at ``path`` in a visit, which accepts readings."""

    def __init__(self, path: Path, retry_delays: tuple[float, float] = (0.001, 0.01)) -> None:
        self.path = path
        self.run = uuid.uuid4().hex
        self.alarms: list[str] = []
        self.restored: list[str] = []
        self.uids: list[str] = []
        self.writer = Writer(
            path, station="van-3", clock=SystemClock(), boot_id="b", on_alarm=self.alarms.append,
            on_restored=self.restored.append, retry_delays=retry_delays,
        )  # fmt: skip
        self.writer.start()
        now = SystemClock().now()
        plan = load_plan(DEFAULT_PLAN).with_usual_answers({})
        self.visit = self.writer.open_visit(Site("Mill Lane bakery", "condenser"), plan, now).result(OUTER)
        meter = self.writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(OUTER)
        self.connection = self.writer.open_connection(NewConnection(meter, now))

    def submit(self) -> Future[None]:
        """Submit an accepted reading."""
        uid = f"{self.run}-{len(self.uids)}"
        self.uids.append(uid)
        reading = Reading(Quantity.CAPACITANCE, Decimal("45.10"), "µF", SystemClock().now(), packet=PACKETS)
        point = self.visit.point_ids["run-capacitor-herm"]
        row = ReadingRow(reading, self.connection, self.visit.visit_id, point)
        return self.writer.submit(Batch(accepted=(AcceptedRow(row, JUDGEMENT, 1.0, uid),)))

    def accept(self, number: int) -> None:
        """Accept readings, each once the one before is acknowledged."""
        for _ in range(number):
            self.submit().result(OUTER)

    def kept(self, path: Path | None = None) -> list[str]:
        """Return the uids of the accepted readings in the file at ``path``; without one, in the record."""
        return [row.uid for row in Reader(path or self.path).history(None)]


def wait_for_tries(recording: Recording, monkeypatch: pytest.MonkeyPatch) -> None:
    """Return when the writer has tried three times to bring the record back."""
    tries: list[None] = []
    look = recording.writer._database.fault

    def counted() -> Any:
        tries.append(None)
        return look()

    with monkeypatch.context() as patch:
        patch.setattr(recording.writer._database, "fault", counted)
        wait_for(lambda: len(tries) >= 3)


def wait_for(condition: Callable[[], Any]) -> None:
    for _ in range(OUTER * 1000):
        if condition():
            return
        threading.Event().wait(0.001)
    raise TimeoutError


@pytest.fixture(scope="module")
def new_record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record without visits: a copy of it starts in a tenth of the time."""
    path = tmp_path_factory.mktemp("new") / DATABASE_FILE
    with running_writer(path):
        pass
    return path


@pytest.fixture
def path(tmp_path: Path, new_record: Path) -> Path:
    path = tmp_path / "data" / DATABASE_FILE
    path.parent.mkdir()
    shutil.copy(new_record, path)
    return path


@pytest.fixture
def recording(path: Path) -> Iterator[Recording]:
    recording = Recording(path)
    recording.accept(12)
    yield recording
    recording.writer.close()


def beside(path: Path, end: str) -> Path:
    return path.with_name(path.name + end)


def remove(path: Path, *ends: str) -> None:
    for end in ends:
        beside(path, end).unlink()


def remove_all(path: Path) -> None:
    for file in path.parent.iterdir():
        file.unlink()


def remove_folder(path: Path) -> None:
    shutil.rmtree(path.parent)


def move(path: Path) -> None:
    path.rename(path.parent.parent / "moved.db")


def move_folder(path: Path) -> None:
    path.parent.rename(path.parent.parent / "elsewhere")


def replace_by_nothing(path: Path) -> None:
    path.unlink()
    path.touch()


def replace_log(path: Path) -> None:
    beside(path, "-wal").unlink()
    beside(path, "-wal").write_bytes(b"7" * 8192)


FAULTS: dict[str, Callable[[Path], None]] = {
    "the file is removed": lambda path: remove(path, ""),
    "the file and its log are removed": lambda path: remove(path, "", "-wal", "-shm"),
    "all of its files are removed": remove_all,
    "the folder is removed": remove_folder,
    "the file is moved": move,
    "the folder is moved": move_folder,
    "an empty file takes its place": replace_by_nothing,
    "the log is removed": lambda path: remove(path, "-wal"),
    "the index of the log is removed": lambda path: remove(path, "-shm"),
    "another file takes the place of the log": replace_log,
}


def check_restored(recording: Recording) -> None:
    alarm, ended = recording.alarms
    assert alarm.startswith(f"Readings are not being saved. {recording.path} ")
    assert ended == ""
    (restored,) = recording.restored
    assert str(recording.path) in restored
    assert recording.writer.fault is None
    recording.writer.close()
    assert sorted(file.name for file in recording.path.parent.iterdir()) == [DATABASE_FILE, f"{DATABASE_FILE}.lock"]
    assert recording.kept() == recording.uids
    check_database(recording.path)


@pytest.mark.fault("database-removed")
@pytest.mark.parametrize("fault", FAULTS)
def test_the_record_is_back_before_the_next_reading_is_acknowledged(recording: Recording, fault: str) -> None:
    FAULTS[fault](recording.path)
    recording.submit().result(OUTER)
    assert recording.kept() == recording.uids  # at the moment of the acknowledgement
    recording.accept(12)
    check_restored(recording)


@pytest.mark.fault("database-removed")
@pytest.mark.parametrize("fault", FAULTS)
def test_the_record_is_back_although_nothing_is_written(recording: Recording, fault: str) -> None:
    """A record that is deleted in the pause between two parts must not wait for the next reading."""
    FAULTS[fault](recording.path)
    recording.writer.check_files()
    wait_for(lambda: recording.restored and recording.writer.fault is None)
    assert recording.kept() == recording.uids
    recording.accept(12)
    check_restored(recording)


@pytest.mark.fault("database-removed")
@pytest.mark.parametrize("fault", FAULTS)
def test_a_commit_to_a_file_without_a_name_is_not_acknowledged(
    recording: Recording, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fault comes between the commit and its acknowledgement."""
    commit = recording.writer._commit

    def commit_and_break(jobs: Any) -> list[object]:
        outcomes = commit(jobs)
        monkeypatch.undo()
        FAULTS[fault](recording.path)
        return outcomes

    monkeypatch.setattr(recording.writer, "_commit", commit_and_break)
    recording.submit().result(OUTER)
    assert recording.kept() == recording.uids
    recording.accept(3)
    check_restored(recording)


@pytest.mark.fault("database-removed")
@pytest.mark.parametrize("fault", FAULTS)
def test_a_station_that_ends_at_that_moment_leaves_the_record(recording: Recording, fault: str) -> None:
    FAULTS[fault](recording.path)
    recording.writer.close()
    check_restored(recording)


def test_again_and_again(recording: Recording) -> None:
    for fault in (*FAULTS, *FAULTS):
        for leftover in ("elsewhere", "moved.db"):
            left = recording.path.parent.parent / leftover
            shutil.rmtree(left) if left.is_dir() else left.unlink(missing_ok=True)
        FAULTS[fault](recording.path)
        recording.accept(3)
    assert recording.kept() == recording.uids
    assert len(recording.restored) == 2 * len(FAULTS)
    check_database(recording.path)


def test_nothing_is_written_to_the_moved_file(recording: Recording, path: Path) -> None:
    """It is somebody else's from now on: another station may already record to it."""
    move(path)
    moved = path.parent.parent / "moved.db"
    before = moved.read_bytes()
    recording.accept(5)
    recording.writer.close()
    assert moved.read_bytes() == before
    assert "A file that was moved may lack the newest readings" in recording.restored[0]


def test_a_file_that_is_back_in_its_place_is_gone_on_with(recording: Recording, path: Path) -> None:
    move(path)
    (path.parent.parent / "moved.db").rename(path)
    number = path.stat().st_ino
    recording.accept(5)
    assert path.stat().st_ino == number
    assert recording.alarms == recording.restored == []


def test_a_file_that_was_only_touched_is_the_same(recording: Recording, path: Path) -> None:
    os.utime(path, (1, 1))
    recording.accept(5)
    assert recording.alarms == recording.restored == []
    assert recording.kept() == recording.uids


@pytest.mark.fault("database-removed")
def test_a_folder_that_cannot_be_made_again_is_named_with_the_remedy(recording: Recording, path: Path) -> None:
    """Its disk is gone, say: the person is told to put it back, not that the program is at fault."""
    above = path.parent.parent
    shutil.rmtree(above)
    above.touch()
    recording.writer.check_files()
    wait_for(lambda: recording.alarms)
    assert f"The folder {path.parent} is gone and cannot be made again" in recording.alarms[0]
    assert recording.alarms[0].endswith("Put it back in its place.")
    above.unlink()
    recording.accept(3)
    assert recording.alarms[1:] == [""]
    assert recording.kept() == recording.uids


@pytest.mark.fault("database-removed")
def test_without_room_the_alarm_stays_and_nothing_is_acknowledged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with small_disk(tmp_path / "disk", "8m") as disk:
        recording = Recording(disk / DATABASE_FILE)
        try:
            recording.accept(30)
            fill(disk, 40_960)
            recording.path.unlink()
            waiting = [recording.submit() for _ in range(10)]
            wait_for(lambda: recording.alarms)
            wait_for_tries(recording, monkeypatch)
            assert not any(future.done() for future in waiting)
            assert not recording.path.exists()
            assert len(recording.alarms) == 1
            (disk / "ballast").unlink()
            for future in waiting:
                future.result(OUTER)
            assert recording.kept() == recording.uids
        finally:
            recording.writer.close()
        assert not list(disk.glob("*.part"))


def test_a_station_that_ends_without_room_says_so(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "8m") as disk:
        recording = Recording(disk / DATABASE_FILE, retry_delays=(60, 60))
        try:
            fill(disk, 40_960)
            recording.path.unlink()
            waiting = recording.submit()
            wait_for(lambda: recording.alarms)
        finally:
            recording.writer.close()
        with pytest.raises(DatabaseMovedError, match="is full"):
            waiting.result(0)
        assert isinstance(recording.writer.ended, DatabaseMovedError)


# Another file in its place


def other_record(path: Path) -> Path:
    other = path.parent.parent / "other.db"
    keep_record(other)
    return other


def older_copy(recording: Recording) -> Path:
    backup = recording.path.parent.parent / "backup.db"
    back_up(recording.path, backup)
    recording.accept(10)
    return backup


def ended(recording: Recording, waiting: list[Future[None]]) -> DatabaseMovedError:
    for future in waiting:
        with pytest.raises(DatabaseMovedError):
            future.result(OUTER)
    recording.writer.close()
    assert isinstance(recording.writer.ended, DatabaseMovedError)
    assert recording.alarms[-1].startswith("Readings are not being saved any more")
    assert recording.restored == []
    with pytest.raises(DatabaseMovedError):
        recording.submit().result(OUTER)
    recording.uids.pop()
    return recording.writer.ended


@pytest.mark.fault("database-replaced")
@pytest.mark.parametrize("replacement", ["another record", "an older backup", "another program's file"])
def test_another_file_in_its_place_is_left_alone_and_the_record_is_kept(
    recording: Recording, path: Path, replacement: str
) -> None:
    """The rows that the station knows are others in that file: nothing may be written to it."""
    if replacement == "another record":
        other = other_record(path)
    elif replacement == "an older backup":
        other = older_copy(recording)
    else:
        other = path.parent.parent / "notes.txt"
        other.write_bytes(b"not a database" * 1000)
    before = other.read_bytes()
    other.replace(path)
    error = ended(recording, [recording.submit() for _ in range(5)])
    assert path.read_bytes() == before
    (kept,) = path.parent.glob("meterlink.before-*.db")
    assert kept.name in str(error)
    assert "was replaced by another file" in str(error)
    assert recording.kept(kept) == recording.uids  # the five that waited, too
    check_database(kept)
    assert not beside(path, "-wal").exists()  # SQLite would take it for the log of the new file
    if replacement == "another program's file":
        with pytest.raises(NotADatabaseError):
            Recording(path)
        return
    own = {row.uid for row in Reader(path).history(None)}
    again = Recording(path)  # a new start goes on with it
    again.accept(3)
    again.writer.close()
    merge_file(path, kept)
    assert {row.uid for row in Reader(path).history(None)} >= own | set(recording.uids)
    check_database(path)


@pytest.mark.fault("database-replaced")
def test_the_station_reads_no_other_file_in_its_place(recording: Recording, path: Path) -> None:
    """SQLite would cut the index that the writer has in its memory: the system then ends the station (SIGBUS)."""
    index = beside(path, "-shm").read_bytes()
    other_record(path).replace(path)
    with pytest.raises(DatabaseMovedError, match="no longer the file that the station has open"):
        Reader(path).counts()
    assert beside(path, "-shm").read_bytes() == index
    ended(recording, [recording.submit()])
    assert not set(recording.uids) & {row.uid for row in Reader(path).history(None)}  # it can be read now


@pytest.mark.fault("database-overwritten")
def test_a_touched_record_stays_locked(recording: Recording, path: Path) -> None:
    """Another program that closes a database without locks takes itself for the last one, and removes the log."""
    os.utime(path)
    recording.accept(1)
    look = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('SELECT * FROM boots').fetchall()"
    subprocess.run([sys.executable, "-c", f"{look}; c.close()", path], check=True, timeout=OUTER)
    assert beside(path, "-wal").exists()


def test_the_log_of_the_new_file_is_left_alone(recording: Recording, path: Path) -> None:
    other = other_record(path)
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("INSERT INTO sites (name) VALUES ('Only in the log')")
        connection.commit()
        for end in ("", "-wal"):  # as a killed station leaves it
            shutil.copy(beside(other, end), path.parent / f"new{end}")
        (path.parent / "new").replace(path)
        (path.parent / "new-wal").replace(beside(path, "-wal"))
    before = beside(path, "-wal").read_bytes()
    ended(recording, [recording.submit()])
    assert beside(path, "-wal").read_bytes() == before
    assert "Only in the log" in {site.name for site in Reader(path).sites()}


@pytest.mark.fault("database-replaced")
def test_a_replaced_file_waits_for_room_to_keep_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with small_disk(tmp_path / "disk", "8m") as disk:
        recording = Recording(disk / DATABASE_FILE)
        try:
            recording.accept(12)
            (disk / "other").write_bytes(b"x" * 100)
            fill(disk, 40_960)
            (disk / "other").replace(recording.path)
            waiting = [recording.submit() for _ in range(3)]
            wait_for(lambda: recording.alarms)
            wait_for_tries(recording, monkeypatch)
            assert not any(future.done() for future in waiting)
            (disk / "ballast").unlink()
            ended(recording, waiting)
        finally:
            recording.writer.close()
        (kept,) = disk.glob("meterlink.before-*.db")
        assert recording.kept(kept) == recording.uids


@pytest.mark.fault("database-overwritten")
@pytest.mark.parametrize("checked", [True, False])
def test_a_file_that_was_copied_over_the_record_is_not_damaged_by_the_station(
    recording: Recording, path: Path, *, checked: bool
) -> None:
    """`cp backup.db meterlink.db` under a running station: its log must not go into the file of the person."""
    backup = older_copy(recording)
    shutil.copyfile(backup, path)
    if checked:
        recording.writer.check_files()
        wait_for(lambda: recording.writer.ended)
    error = ended(recording, [recording.submit()])
    assert path.read_bytes() == backup.read_bytes()
    assert "was overwritten by another program" in str(error)
    assert not beside(path, "-wal").exists()
    assert len(list(path.parent.glob("meterlink.before-*.db-wal"))) == 1
    check_database(path)
    again = Recording(path)
    again.accept(3)
    again.writer.close()
    check_database(path)


def test_a_removed_lock_is_locked_again(recording: Recording, path: Path) -> None:
    beside(path, ".lock").unlink()
    recording.accept(1)
    assert recording.alarms == []
    with pytest.raises(Exception, match="is already recording"):
        Recording(path)


@pytest.mark.fault("two-writers")
def test_another_station_that_took_the_folder_is_left_alone(recording: Recording, path: Path) -> None:
    beside(path, ".lock").unlink()
    other = FileLock(path)
    other.acquire()
    error = ended(recording, [recording.submit()])
    assert "is used by another station" in str(error)
    other.release()
    recording.uids = recording.uids[:12]
    assert recording.kept() == recording.uids  # nothing was acknowledged after it


@pytest.mark.fault("two-writers")
def test_another_station_in_the_folder_that_was_removed(recording: Recording, path: Path) -> None:
    shutil.rmtree(path.parent)
    note_closed(path)  # the other station is another process, which has no note of the file
    other = Recording(path)
    error = ended(recording, [recording.submit()])
    other.accept(3)
    other.writer.close()
    (kept,) = path.parent.glob("meterlink.before-*.db")
    assert kept.name in str(error)
    assert recording.kept(kept) == recording.uids[:12]
    assert other.kept() == other.uids


# The whole station


@pytest.mark.fault("database-removed")
def test_a_station_notices_it_within_a_second_and_shows_it(tmp_path: Path) -> None:
    """In virtual time: the look at the files is a timer of the station's clock."""
    assert FILE_CHECK_PERIOD <= 1.0
    database = tmp_path / DATABASE_FILE

    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await enter(station, "43.7 uF", point="run-capacitor-herm") == ""
        await until(lambda: accepted(views, 0) is not None)
        database.unlink()
        await until(lambda: "was removed or moved" in views.get("notice", {"text": ""})["text"])
        await until(lambda: "written again" in views["notice"]["text"])
        assert views["notice"]["level"] == "warning"
        assert [row.reading.text for row in Reader(database).history(None)] == ["43.7 µF"]
        assert await enter(station, "43.6 uF", point="run-capacitor-herm") == ""

    at_station(tmp_path, body)
    assert [row.reading.text for row in Reader(database).history(None)] == ["43.7 µF", "43.6 µF"]


@pytest.mark.fault("database-removed")
def test_a_station_whose_folder_is_removed_can_be_reached_again(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()

    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await enter(station, "43.7 uF", point="run-capacitor-herm") == ""
        await until(lambda: accepted(views, 0) is not None)
        shutil.rmtree(folder)
        await until(lambda: "written again" in views.get("notice", {"text": ""})["text"])
        await until(lambda: socket_path(folder).exists())

    at_station(folder, body)
    assert [row.reading.text for row in Reader(folder / DATABASE_FILE).history(None)] == ["43.7 µF"]


@pytest.mark.fault("database-replaced")
def test_a_station_ends_where_another_record_is_in_its_place(tmp_path: Path) -> None:
    other = tmp_path / "other" / DATABASE_FILE
    keep_record(other)

    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await enter(station, "43.7 uF", point="run-capacitor-herm") == ""
        await until(lambda: accepted(views, 0) is not None)
        other.replace(tmp_path / DATABASE_FILE)
        await until(lambda: "not being saved any more" in views.get("notice", {"text": ""})["text"])
        assert views["notice"]["level"] == "alarm"

    with pytest.raises(DatabaseMovedError, match="was replaced by another file"):
        at_station(tmp_path, body)
    (kept,) = tmp_path.glob("meterlink.before-*.db")
    assert [row.reading.text for row in Reader(kept).history(None)] == ["43.7 µF"]
