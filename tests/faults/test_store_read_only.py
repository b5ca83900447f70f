"""A database in a read-only folder (a backup medium, another user's folder) is read completely."""

import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.errors import DatabaseAccessError, NoDatabaseError
from meterlink.store.connections import APPLICATION_ID, SCHEMA_VERSION, connect_for_reading
from meterlink.store.writer import Writer

Freeze = Callable[[], object]


@pytest.fixture
def frozen(tmp_path: Path) -> Iterator[tuple[Path, Freeze]]:
    """Yield ``(folder, freeze)``: a folder on its own file system, and a function that makes it read-only."""
    folder = tmp_path / "medium"
    folder.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", folder], capture_output=True, check=False)
    if mounted.returncode != 0:
        pytest.skip("this user may not mount a file system")
    try:
        yield folder, lambda: subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
    finally:
        subprocess.run(["umount", folder], check=True)


def write(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    connection.execute("CREATE TABLE numbers (value)")
    connection.execute("INSERT INTO numbers VALUES (1)")
    return connection


def values(path: Path) -> list[int]:
    with connect_for_reading(path) as connection:
        return [value for (value,) in connection.execute("SELECT value FROM numbers ORDER BY value")]


def test_a_cleanly_closed_database_is_read(frozen: tuple[Path, Freeze]) -> None:
    folder, freeze = frozen
    write(folder / "meterlink.db").close()
    freeze()
    assert values(folder / "meterlink.db") == [1]
    assert [path.name for path in folder.iterdir()] == ["meterlink.db"]


@pytest.mark.parametrize("with_shared_memory", [True, False])
def test_commits_that_are_only_in_the_log_are_read(
    frozen: tuple[Path, Freeze], tmp_path: Path, *, with_shared_memory: bool
) -> None:
    folder, freeze = frozen
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    with closing(write(elsewhere / "meterlink.db")) as connection:
        connection.execute("INSERT INTO numbers VALUES (2)")
        for path in elsewhere.iterdir():  # like the files of a killed station
            shutil.copy(path, folder)
    if not with_shared_memory:
        (folder / "meterlink.db-shm").unlink()
    before = sorted((path.name, path.read_bytes()) for path in folder.iterdir())
    freeze()
    assert values(folder / "meterlink.db") == [1, 2]
    assert sorted((path.name, path.read_bytes()) for path in folder.iterdir()) == before


def test_the_error_names_a_missing_database(frozen: tuple[Path, Freeze]) -> None:
    folder, freeze = frozen
    freeze()
    with pytest.raises(NoDatabaseError, match=r"There is no database at .*meterlink\.db"):
        values(folder / "meterlink.db")


@pytest.mark.fault("write-refused")
@pytest.mark.parametrize("lock_file_exists", [True, False])
def test_a_station_cannot_record_there(frozen: tuple[Path, Freeze], *, lock_file_exists: bool) -> None:
    folder, freeze = frozen
    write(folder / "meterlink.db").close()
    if lock_file_exists:
        (folder / "meterlink.db.lock").touch()
    freeze()
    writer = Writer(folder / "meterlink.db", station="van-3", clock=SystemClock(), boot_id="b", on_alarm=print)
    with pytest.raises(DatabaseAccessError, match=r"cannot be opened"):
        writer.start()
