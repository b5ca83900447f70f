"""A backup is a whole record of one moment; restoring it never leaves a folder without one."""

import os
import re
import shutil
import sqlite3
import stat
import threading
import zipfile
from contextlib import closing
from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.errors import (
    DamagedDatabaseError,
    DatabaseLockedError,
    DiskFullError,
    InputError,
    NewerDatabaseError,
    NoDatabaseError,
    NotADatabaseError,
)
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.store import backup, connections, folder_archive, migration, restore
from meterlink.store.backup import back_up
from meterlink.store.connections import SCHEMA_VERSION
from meterlink.store.copying import Contents, size_text, temporary_database
from meterlink.store.folder_archive import pack_folder, unpack_folder
from meterlink.store.lock import FileLock
from meterlink.store.reader import Reader
from meterlink.store.restore import restore as restore_backup
from meterlink.store.rows import AcceptedRow, Batch, ReadingRow
from meterlink.store.schema import MIGRATIONS
from support.kept_records import keep_record
from support.record_contents import check_database, record_contents
from support.writers import OUTER, open_visit, running_writer

JUDGEMENT = Judgement(Verdict.NO_LIMITS, None, None, Decimal("45.1"), None, None, "assumed", "No rating yet.")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kept") / "meterlink.db"
    keep_record(path)
    return path


@pytest.fixture
def path(kept: Path, tmp_path: Path) -> Path:
    """A record in a folder of its own."""
    folder = tmp_path / "station"
    folder.mkdir()
    return Path(shutil.copy(kept, folder))


def names(folder: Path) -> list[str]:
    return sorted(file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file())


def test_a_backup_is_one_file_with_the_whole_record(path, tmp_path):
    target = tmp_path / "weekly.db"
    contents = back_up(path, target)
    assert str(contents).startswith("9 visits, 28 accepted readings, 128 raw readings: ")
    assert names(tmp_path) == [
        "station/meterlink.db", "station/meterlink.db-shm", "station/meterlink.db-wal", "weekly.db",
    ]  # fmt: skip
    target.chmod(0o400)
    with closing(sqlite3.connect(f"{target.as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    assert record_contents(target) == record_contents(path)


def test_a_backup_of_a_station_that_writes_is_of_one_moment(tmp_path, monkeypatch):
    """Each batch has three readings, one of them accepted: no backup has a part of a batch. The station never waits."""
    monkeypatch.setattr("meterlink.store.copying._PAGES", 4)  # many steps, between which the station writes
    source = tmp_path / "meterlink.db"
    clock = SystemClock()
    finished = threading.Event()
    with running_writer(source) as writer:
        visit, connection = open_visit(writer)

        def row() -> ReadingRow:
            reading = Reading(Quantity.CAPACITANCE, Decimal("45.1"), "µF", clock.now(), packet=bytes(200))
            return ReadingRow(reading, connection, visit.visit_id, visit.point_ids["run-capacitor-herm"])

        def record() -> None:
            while not finished.is_set():
                writer.submit(Batch((row(), row()), (AcceptedRow(row(), JUDGEMENT, 1.0),))).result(OUTER)

        recording = threading.Thread(target=record)
        recording.start()
        try:
            for number in range(8):
                target = tmp_path / f"backup-{number}.db"
                contents = back_up(source, target)
                assert contents.raw_readings == 3 * contents.accepted_readings
                check_database(target)
        finally:
            finished.set()
            recording.join(OUTER)
        assert Reader(source).counts()["accepted_readings"] > contents.accepted_readings > 0


def test_a_later_backup_replaces_the_earlier_one_of_this_record_only(path, tmp_path):
    target = tmp_path / "weekly.db"
    back_up(path, target)
    back_up(path, target)
    fresh = tmp_path / "fresh" / "meterlink.db"
    with running_writer(fresh):
        pass
    before = target.read_bytes()
    # A new machine, whose record was not restored yet, must not replace the only backup by an empty one.
    with pytest.raises(InputError, match=r"weekly\.db has 9 visits that this record has not"):
        back_up(fresh, target)
    assert target.read_bytes() == before
    back_up(fresh, target, force=True)
    assert Reader(target).visits() == []


def test_a_fault_of_the_record_is_not_taken_for_one_of_the_backup(path, tmp_path):
    """Else a person would hear that the only good copy is none, and that --force replaces it."""
    target = tmp_path / "weekly.db"
    back_up(path, target)
    before = target.read_bytes()
    with pytest.raises(NoDatabaseError, match="There is no database"):
        back_up(tmp_path / "empty" / "meterlink.db", target)
    path.write_bytes(b"garbage" * 2000)
    with pytest.raises(NotADatabaseError, match=re.escape(f"{path} is not a Meterlink database")):
        back_up(path, target)
    assert target.read_bytes() == before


def test_a_backup_replaces_no_other_file(path, tmp_path):
    settings = tmp_path / "settings.toml"
    settings.write_text("station = 'van-3'")
    with pytest.raises(InputError, match="is no backup of a record"):
        back_up(path, settings)
    with pytest.raises(InputError, match="is the record itself"):
        back_up(path, path, force=True)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for special in (tmp_path, pipe):  # a rename would put a file in the place of a pipe or a device
        with pytest.raises(InputError, match="is no file"):
            back_up(path, special)
        with pytest.raises(InputError, match="is no file"):
            back_up(path, special, force=True)
        with pytest.raises(InputError, match="is no file"):
            pack_folder(path, special, force=True)
    assert pipe.is_fifo()
    for name in ("meterlink.db-wal", "meterlink.db-journal", "other.db-shm", "meterlink.db.lock"):
        with pytest.raises(InputError, match="belongs to a database"):
            back_up(path, path.parent / name, force=True)
        with pytest.raises(InputError, match="belongs to a database"):
            pack_folder(path, path.parent / name, force=True)
    (tmp_path / "used.db-wal").touch()
    with pytest.raises(InputError, match="is in use"):
        back_up(path, tmp_path / "used.db", force=True)
    with pytest.raises(NoDatabaseError):
        back_up(tmp_path / "none.db", tmp_path / "weekly.db")
    assert settings.read_text() == "station = 'van-3'"


def test_an_earlier_backup_survives_a_failed_one(path, tmp_path, monkeypatch):
    target = tmp_path / "weekly.db"
    back_up(path, target)
    before = target.read_bytes()
    monkeypatch.setattr(backup, "check_contents", lambda *_: Contents(9, 27, 128, 1))
    with pytest.raises(DamagedDatabaseError, match="has not all its readings"):
        back_up(path, target)
    assert target.read_bytes() == before
    assert [name for name in names(tmp_path) if "part" in name] == []


def damage(path: Path) -> None:
    """Overwrite pages in the middle."""
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2)
        file.write(b"\xa5" * 20_000)


def test_a_damaged_record_gives_no_backup(path, tmp_path):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    damage(path)
    with pytest.raises(DamagedDatabaseError):
        back_up(path, tmp_path / "weekly.db")
    assert not (tmp_path / "weekly.db").exists()


def test_a_killed_backups_file_is_removed_by_the_next_and_a_running_ones_is_not(path, tmp_path):
    (tmp_path / ".meterlink-weekly.db-1.part").write_bytes(b"half")
    (tmp_path / ".meterlink-weekly.db-1.part-journal").write_bytes(b"half")
    with temporary_database(tmp_path, "other.db") as running:
        back_up(path, tmp_path / "weekly.db")
        assert running.exists()
    assert [name for name in names(tmp_path) if ".part" in name] == []


def test_sizes_in_words():
    assert [size_text(size) for size in (24_000, 430_000, 48_400_000)] == ["24 kB", "0.4 MB", "48 MB"]


# Restoring


def test_a_backup_is_restored_into_an_empty_folder(path, tmp_path):
    back_up(path, tmp_path / "weekly.db")
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    restored = restore_backup(tmp_path / "weekly.db", target)
    assert (restored.contents.visits, restored.kept, restored.updated) == (9, None, False)
    assert record_contents(target) == record_contents(path)
    assert names(target.parent) == ["meterlink.db", "meterlink.db.lock"]
    with running_writer(target):  # a station starts on it
        pass


def test_the_old_record_is_kept_with_the_readings_in_its_log(path, tmp_path):
    """The old station was killed: its last readings are in the log beside the database only."""
    back_up(path, tmp_path / "weekly.db")
    target = tmp_path / "old" / "meterlink.db"
    with running_writer(target) as writer:
        open_visit(writer)
        writer.known_meters().result(OUTER)  # all before it is committed
        for file in list(target.parent.iterdir()):
            shutil.copy(file, tmp_path)
    before = record_contents(target)
    for end in ("", "-wal", "-shm"):
        shutil.copy(tmp_path / f"meterlink.db{end}", target.parent)
    target.with_name("meterlink.db-journal").write_bytes(bytes(512))  # of a transaction that is over
    with pytest.raises(InputError, match="There is a record at"):
        restore_backup(tmp_path / "weekly.db", target)
    restored = restore_backup(tmp_path / "weekly.db", target, replace=True)
    assert restored.kept is not None
    # Its log was moved into it: a second log beside it, of another state, would spoil it.
    assert [name for name in names(target.parent) if name.startswith(restored.kept.name)] == [restored.kept.name]
    assert record_contents(restored.kept) == before
    assert record_contents(target) == record_contents(path)
    check_database(target)
    again = restore_backup(tmp_path / "weekly.db", target, replace=True)
    assert again.kept not in {None, restored.kept}


def test_a_damaged_old_record_is_kept_with_its_log(path, tmp_path):
    back_up(path, tmp_path / "weekly.db")
    path.write_bytes(b"spilt coffee" * 1000)
    for end in ("-wal", "-journal"):
        path.with_name(path.name + end).write_bytes(b"a log" * 1000)
    restored = restore_backup(tmp_path / "weekly.db", path, replace=True)
    check_database(path)
    assert restored.kept is not None
    for end in ("-wal", "-journal"):
        assert restored.kept.with_name(restored.kept.name + end).read_bytes() == b"a log" * 1000
    assert restored.kept.read_bytes() == b"spilt coffee" * 1000


def test_a_log_without_a_database_does_not_spoil_the_restored_one(path, tmp_path):
    back_up(path, tmp_path / "weekly.db")
    shutil.copy(path, tmp_path / "other.db")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("UPDATE sites SET name = 'elsewhere'")
        connection.commit()
        log = path.with_name("meterlink.db-wal").read_bytes()
    assert len(log) > 0
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    target.with_name("meterlink.db-wal").write_bytes(log)
    restore_backup(tmp_path / "weekly.db", target)
    assert record_contents(target) == record_contents(tmp_path / "weekly.db")
    (kept_log,) = [name for name in names(target.parent) if name.endswith("-wal")]
    assert target.with_name(kept_log).read_bytes() == log


def test_restoring_refuses_what_is_no_backup(path, tmp_path):
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    good = tmp_path / "weekly.db"
    back_up(path, good)
    foreign = tmp_path / "foreign.db"
    with closing(sqlite3.connect(foreign)) as connection:
        connection.execute("CREATE TABLE t (a)")
    newer, damaged = tmp_path / "newer.db", tmp_path / "damaged.db"
    shutil.copy(good, newer)
    with closing(sqlite3.connect(newer)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    shutil.copy(good, damaged)
    damage(damaged)
    (tmp_path / "text.db").write_text("A text. " * 1000)
    for file, error in (
        (foreign, NotADatabaseError),
        (newer, NewerDatabaseError),
        (damaged, DamagedDatabaseError),
        (tmp_path / "text.db", NotADatabaseError),
        (tmp_path / "none.db", NoDatabaseError),
    ):
        with pytest.raises(error):
            restore_backup(file, target)
        assert names(target.parent) in ([], ["meterlink.db.lock"])
    with pytest.raises(InputError, match="is the record itself"):
        restore_backup(path, path, replace=True)


def test_a_station_that_runs_keeps_its_record(path, tmp_path):
    back_up(path, tmp_path / "weekly.db")
    with running_writer(path):
        with pytest.raises(DatabaseLockedError, match=r"A station runs on .*: restoring needs it stopped\. End it"):
            restore_backup(tmp_path / "weekly.db", path, replace=True)
        with pytest.raises(DatabaseLockedError, match="moving needs it stopped"):
            pack_folder(path, tmp_path / "station.zip")


def test_an_older_backup_is_brought_up_to_date(path, tmp_path, monkeypatch):
    back_up(path, tmp_path / "weekly.db")
    before = (tmp_path / "weekly.db").read_bytes()
    monkeypatch.setattr(MIGRATIONS, "_migrations", list(MIGRATIONS._migrations))
    MIGRATIONS(name="002 test")(lambda db: db.execute("CREATE TABLE later (a INTEGER)"))
    for module in (connections, migration, restore):
        monkeypatch.setattr(module, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    restored = restore_backup(tmp_path / "weekly.db", path, replace=True)
    assert restored.updated
    assert len(Reader(path).visits()) == 9
    assert (tmp_path / "weekly.db").read_bytes() == before
    # The database of an older version can be backed up, too: before an update.
    assert restored.kept is not None
    back_up(restored.kept, tmp_path / "older.db")


# The whole folder


@pytest.fixture
def station(path: Path) -> Path:
    """A data folder with all that one may have."""
    folder = path.parent
    (folder / "settings.toml").write_text("station = 'van-3'")
    (folder / "profiles").mkdir()
    (folder / "profiles" / "yard.toml").write_text("name = 'yard'")
    (folder / "station.key").write_bytes(b"secret")
    (folder / "station.key").chmod(0o600)
    (folder / "meterlink.db.lock").write_text("1")
    (folder / "meterlink.before-2026-01-01-120000.db").write_bytes(b"old")
    (folder / "elsewhere").symlink_to("/etc/hostname")
    return folder


def test_a_folder_moves_to_another_machine(station, tmp_path):
    archive = tmp_path / "station.zip"
    contents, listed = pack_folder(station / "meterlink.db", archive)
    assert contents.visits == 9
    assert listed == ["profiles/yard.toml", "settings.toml", "station.key"]
    assert stat.S_IMODE(archive.stat().st_mode) == 0o600
    with pytest.raises(InputError, match="exists already"):
        pack_folder(station / "meterlink.db", archive)
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    restored, kept = unpack_folder(archive, target)
    assert (restored.contents.visits, kept) == (9, [])
    assert names(target.parent) == ["meterlink.db", "meterlink.db.lock", *listed]
    assert stat.S_IMODE((target.parent / "station.key").stat().st_mode) == 0o600
    assert (target.parent / "profiles" / "yard.toml").read_text() == "name = 'yard'"
    assert record_contents(target) == record_contents(station / "meterlink.db")


def test_a_folder_behind_a_link_moves_with_its_files(station, tmp_path):
    """A technician may keep the data folder on another disk, and name it by a link: the key must come along."""
    (tmp_path / "link").symlink_to(station)
    (station / "older.zip").write_bytes(b"older")
    archive = tmp_path / "link" / "older.zip"  # in the folder itself: it must not pack its own older copy
    _, listed = pack_folder(tmp_path / "link" / "meterlink.db", archive, force=True)
    assert listed == ["profiles/yard.toml", "settings.toml", "station.key"]


@pytest.mark.skipif("sys.platform != 'linux'", reason="other systems have no such file names")
@pytest.mark.parametrize("name", ["photo 14:25.jpg", "a\\b", "a\nb", "Settings.toml", "photo \udcff.jpg"])
def test_a_name_that_cannot_be_restored_is_refused_where_it_can_be_changed(station, tmp_path, name):
    """Not on the new machine, when the old one may be gone: a phone names its pictures by the time, with a colon."""
    (station / name).write_bytes(b"picture")
    with pytest.raises(InputError, match=r"not every machine can have|upper and lower case"):
        pack_folder(station / "meterlink.db", tmp_path / "station.zip")
    assert not (tmp_path / "station.zip").exists()


def test_more_files_than_can_be_restored_are_refused_at_once(station, tmp_path, monkeypatch):
    monkeypatch.setattr(folder_archive, "MOST_FILES", 3)  # the folder has three files beside its database
    with pytest.raises(InputError, match="at most 3"):
        pack_folder(station / "meterlink.db", tmp_path / "station.zip")


def test_files_that_are_there_are_kept_or_refused(station, tmp_path):
    archive = tmp_path / "station.zip"
    pack_folder(station / "meterlink.db", archive)
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    (target.parent / "settings.toml").write_text("station = 'van-4'")
    (target.parent / "station.key").write_bytes(b"secret")  # the same: no reason to stop
    with pytest.raises(InputError, match=r"settings\.toml is there already"):
        unpack_folder(archive, target)
    assert names(target.parent) == ["meterlink.db.lock", "settings.toml", "station.key"]
    restored, kept = unpack_folder(archive, target, replace=True)
    assert restored.kept is None
    assert [file.read_text() for file in kept] == ["station = 'van-4'"]
    assert (target.parent / "settings.toml").read_text() == "station = 'van-3'"
    with pytest.raises(InputError, match="There is a record"):
        unpack_folder(archive, target)


@pytest.mark.parametrize(
    "name",
    [
        "../evil.toml", "/evil.toml", "a/../../evil", "C:evil", "a\\evil", "meterlink.db-wal", "a//b", "./a", "a\nb",
        ".meterlink-x/y", "meterlink.db.lock", "METERLINK.DB",
    ],
)  # fmt: skip
def test_an_archive_with_a_strange_file_is_refused(path, tmp_path, name):
    archive = tmp_path / "station.zip"
    with zipfile.ZipFile(archive, "w") as writing:
        writing.write(path, "meterlink.db")
        writing.writestr(name, b"contents")
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    with pytest.raises(InputError, match=r"no data folder has|two files of one name"):
        unpack_folder(archive, target)
    assert names(target.parent) == ["meterlink.db.lock"]
    assert not (tmp_path / "evil.toml").exists()


def test_an_archive_with_a_link_or_too_much_is_refused(path, tmp_path, monkeypatch):
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    archive = tmp_path / "station.zip"
    link = zipfile.ZipInfo("settings.toml")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(archive, "w") as writing:
        writing.write(path, "meterlink.db")
        writing.writestr(link, "/etc/passwd")
    with pytest.raises(InputError, match="no data folder has"):
        unpack_folder(archive, target)
    with zipfile.ZipFile(archive, "w") as writing:
        writing.write(path, "meterlink.db")
        writing.writestr("a", b"a")
    monkeypatch.setattr(folder_archive, "MOST_FILES", 1)
    with pytest.raises(InputError, match="at most 1"):
        unpack_folder(archive, target)
    monkeypatch.undo()
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(DiskFullError, match="more than the disk"):
        unpack_folder(archive, target)
    with zipfile.ZipFile(archive, "w") as writing:
        writing.writestr("a", b"a")
    with pytest.raises(NotADatabaseError, match="no record in it"):
        unpack_folder(archive, target)
    assert names(target.parent) == ["meterlink.db.lock"]


def test_a_damaged_archive_is_refused(station, tmp_path):
    archive = tmp_path / "station.zip"
    pack_folder(station / "meterlink.db", archive)
    with archive.open("r+b") as file:
        file.seek(5000)
        file.write(b"\xa5" * 500)
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    with pytest.raises(DamagedDatabaseError, match="is damaged"):
        unpack_folder(archive, target)
    assert names(target.parent) == ["meterlink.db.lock"]
    with zipfile.ZipFile(archive, "w") as writing:
        writing.writestr("é.toml", b"contents")
    archive.write_bytes(archive.read_bytes().replace("é".encode(), b"\xff\xfe"))  # a name that is no text
    with pytest.raises(DamagedDatabaseError, match="is damaged"):
        unpack_folder(archive, target)


def test_an_archive_whose_list_names_a_place_before_the_file_is_refused(station, tmp_path):
    archive = tmp_path / "station.zip"
    pack_folder(station / "meterlink.db", archive)
    content = bytearray(archive.read_bytes())
    end = content.rindex(b"PK\x05\x06")  # the end of the list, and in it the place of its beginning (APPNOTE 4.3.16)
    place = int.from_bytes(content[end + 16 : end + 20], "little")
    content[end + 16 : end + 20] = (place + 1_000).to_bytes(4, "little")
    archive.write_bytes(content)
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    with pytest.raises(DamagedDatabaseError, match="is damaged"):
        unpack_folder(archive, target)


def test_a_database_with_a_name_that_is_no_text_is_damaged(path):
    """SQLite quotes the name in its message, which Python reads as UTF-8."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("UPDATE sqlite_master SET name = CAST(x'9f' AS TEXT), sql = 'x' WHERE name = 'notes'")
    for opened in (connections.connect_for_reading, connections.connect_to_source):
        with pytest.raises(DamagedDatabaseError, match="is damaged"), opened(path) as connection:
            connection.execute("SELECT COUNT(*) FROM visits")


@pytest.mark.parametrize("compression", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_an_archive_that_is_compressed_in_another_way_is_refused(path, tmp_path, compression):
    archive = tmp_path / "station.zip"
    with zipfile.ZipFile(archive, "w", compression) as writing:
        writing.write(path, "meterlink.db")
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    with pytest.raises(DamagedDatabaseError, match="compressed in another way"):
        unpack_folder(archive, target)
    assert names(target.parent) == ["meterlink.db.lock"]


def test_an_archive_with_a_nameless_file_is_refused(path, tmp_path):
    archive = tmp_path / "station.zip"
    with zipfile.ZipFile(archive, "w") as writing:
        writing.write(path, "meterlink.db")
        writing.writestr("x", b"contents")
    archive.write_bytes(archive.read_bytes()[::-1].replace(b"x", b"\0", 1)[::-1])  # in the list at the end of the file
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    with pytest.raises(InputError, match="no data folder has"):
        unpack_folder(archive, target)
    assert names(target.parent) == ["meterlink.db.lock"]


def test_a_link_in_the_folder_leads_nothing_out_of_it(station, tmp_path):
    archive = tmp_path / "station.zip"
    pack_folder(station / "meterlink.db", archive)
    target = tmp_path / "new" / "meterlink.db"
    target.parent.mkdir()
    outside = tmp_path / "outside"
    outside.mkdir()
    (target.parent / "profiles").symlink_to(outside)
    with pytest.raises(InputError, match="leads out of the data folder"):
        unpack_folder(archive, target)
    assert names(outside) == []


def test_a_lock_is_not_left_behind(path, tmp_path):
    back_up(path, tmp_path / "weekly.db")
    with pytest.raises(InputError):
        restore_backup(tmp_path / "weekly.db", path)
    lock = FileLock(path)
    lock.acquire()
    lock.release()
