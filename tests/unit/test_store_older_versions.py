"""Before the tables change, the record is kept beside: whole, checked, few in number."""

import logging
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from meterlink.core.errors import DamagedDatabaseError, DiskFullError, StoreError
from meterlink.store import connections, migration
from meterlink.store.copying import check_contents
from meterlink.store.merge import merge_file
from meterlink.store.older_versions import COPIES_KEPT, kept_versions
from meterlink.store.restore import restore
from meterlink.store.schema import MIGRATIONS
from support.fixture_databases import unpack
from support.record_contents import record_contents
from support.small_disks import fill, small_disk
from support.writers import running_writer

PRESENT = connections.SCHEMA_VERSION
NEXT = PRESENT + 1


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The record that a station of the present version left."""
    database = tmp_path / "meterlink.db"
    unpack(PRESENT, database)
    return database


@pytest.fixture
def update(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[Database], None]], None]:
    """Return a function that makes this a newer Meterlink with one more migration."""

    def update(change: Callable[[Database], None]) -> None:
        monkeypatch.setattr(MIGRATIONS, "_migrations", list(MIGRATIONS._migrations))
        MIGRATIONS(name="a later one")(change)
        for module in (connections, migration):
            monkeypatch.setattr(module, "SCHEMA_VERSION", NEXT)

    return update


def add_table(db: Database) -> None:
    db.execute("CREATE TABLE later (a INTEGER)")


def fail(db: Database) -> None:
    db.execute("CREATE TABLE half (a INTEGER)")
    raise sqlite3.OperationalError("half done")


def version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def start_and_close(path: Path) -> None:
    with running_writer(path):
        pass


def test_a_present_record_and_a_new_one_are_not_copied(path: Path, tmp_path: Path) -> None:
    start_and_close(path)
    start_and_close(tmp_path / "new" / "meterlink.db")
    assert kept_versions(path) == kept_versions(tmp_path / "new" / "meterlink.db") == []


@pytest.mark.fault("failed-migration")
def test_an_older_record_is_kept_whole(
    path: Path, update: Callable[..., None], caplog: pytest.LogCaptureFixture
) -> None:
    path.chmod(0o600)
    before = record_contents(path)
    update(add_table)
    with caplog.at_level(logging.INFO):
        start_and_close(path)
    (copy,) = kept_versions(path)
    assert copy.name.startswith(f"meterlink.version-{PRESENT}-")
    assert copy.stat().st_mode & 0o777 == 0o600
    assert (version(copy), version(path)) == (PRESENT, NEXT)
    assert record_contents(copy) == before
    check_contents(copy)
    assert copy.name in caplog.text
    start_and_close(path)
    assert kept_versions(path) == [copy]  # the next start copies nothing


def test_the_copy_has_the_log_of_a_killed_station(path: Path, update: Callable[..., None]) -> None:
    """The newest readings of a killed station are in the log beside the file only."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("INSERT INTO sites (name) VALUES ('Only in the log')")
        connection.commit()
        killed = path.with_name("killed.db")
        for end in ("", "-wal"):
            killed.with_name(killed.name + end).write_bytes(path.with_name(path.name + end).read_bytes())
    update(add_table)
    start_and_close(killed)
    (copy,) = kept_versions(killed)
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT COUNT(*) FROM sites WHERE name = 'Only in the log'").fetchone() == (1,)


def test_the_copy_can_be_restored(path: Path, update: Callable[..., None], monkeypatch: pytest.MonkeyPatch) -> None:
    """After an update that turned out bad, the older Meterlink restores it."""
    before = record_contents(path)
    with monkeypatch.context():
        update(add_table)
        start_and_close(path)
    monkeypatch.undo()
    (copy,) = kept_versions(path)
    restore(copy, path, replace=True)
    assert record_contents(path) == before


def test_few_copies_are_kept_and_no_other_file_goes(path: Path, update: Callable[..., None]) -> None:
    others = [path.with_name(name) for name in ("meterlink.before-2026-01-01-120000.db", "weekly.db")]
    for other in others:
        other.write_bytes(b"kept")
    olds = [path.with_name(f"meterlink.version-{number}-2026-01-0{number}-120000.db") for number in range(1, 5)]
    for number, old in enumerate(olds):
        old.write_bytes(b"older")
        os.utime(old, (number, number))
    update(add_table)
    start_and_close(path)
    kept = kept_versions(path)
    assert len(kept) == COPIES_KEPT == 2
    assert kept[0] == olds[-1]
    check_contents(kept[1])
    assert all(other.read_bytes() == b"kept" for other in others)


@pytest.mark.fault("failed-migration")
def test_a_migration_that_fails_leaves_the_record_and_no_copy(path: Path, update: Callable[..., None]) -> None:
    """A service manager starts a failing daemon again and again: a copy each time would fill the disk."""
    before = record_contents(path)
    update(fail)
    for _ in range(3):
        with pytest.raises(StoreError, match="half done"):
            start_and_close(path)
    assert kept_versions(path) == []
    assert record_contents(path) == before
    assert version(path) == PRESENT


@pytest.mark.fault("failed-migration")
def test_a_damaged_record_is_not_migrated(path: Path, update: Callable[..., None]) -> None:
    with path.open("r+b") as file:
        file.seek(5 * 4096)
        file.write(b"\xff" * 4096)
    before = path.read_bytes()
    update(add_table)
    with pytest.raises(DamagedDatabaseError):
        start_and_close(path)
    assert path.read_bytes() == before
    assert kept_versions(path) == []


@pytest.mark.fault("failed-migration")
def test_without_room_for_the_copy_nothing_changes(tmp_path: Path, update: Callable[..., None]) -> None:
    with small_disk(tmp_path / "disk") as disk:
        path = disk / "meterlink.db"
        unpack(PRESENT, path)
        fill(disk, 100_000)
        update(add_table)
        with pytest.raises(DiskFullError):
            start_and_close(path)
        assert version(path) == PRESENT
        assert kept_versions(path) == []
        (disk / "ballast").unlink()
        start_and_close(path)
        assert version(path) == NEXT


def test_a_merge_keeps_the_older_record_it_changes(
    path: Path, tmp_path: Path, update: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    other = tmp_path / "other" / "meterlink.db"
    other.parent.mkdir()
    unpack(PRESENT, other)
    update(add_table)
    monkeypatch.setattr("meterlink.store.merge.SCHEMA_VERSION", NEXT)
    merge_file(path, other)
    (copy,) = kept_versions(path)
    assert version(copy) == PRESENT
    assert kept_versions(other) == []  # it is only read
