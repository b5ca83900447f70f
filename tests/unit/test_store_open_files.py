"""The look at the files of an open database: the states it tells apart, its cost, and which files it may move."""

import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing
from pathlib import Path

import pytest

from meterlink.store import open_files
from meterlink.store.connections import connect_for_reading, connect_for_writing
from meterlink.store.open_files import FileFault, OpenFiles
from support.writers import running_writer

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be removed or moved there")


@pytest.fixture(scope="module")
def new_record(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("new") / "meterlink.db"
    with running_writer(path):
        pass
    return path.read_bytes()


@pytest.fixture
def path(tmp_path: Path, new_record: bytes) -> Path:
    path = tmp_path / "meterlink.db"
    path.write_bytes(new_record)
    return path


@pytest.fixture
def connection(path: Path) -> Iterator[sqlite3.Connection]:
    """The writing connection of a station: its log and the index of the log are beside the database."""
    with closing(connect_for_writing(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT INTO sites (name) VALUES ('Mill Lane bakery')")
        connection.execute("COMMIT")
        yield connection


@pytest.fixture
def files(path: Path, connection: sqlite3.Connection) -> OpenFiles:
    (uid,) = connection.execute("SELECT uid FROM boots").fetchone()
    return OpenFiles(path, uid)


def beside(path: Path, end: str) -> Path:
    return path.with_name(path.name + end)


def test_a_touched_file_is_read_through_only_once(
    files: OpenFiles, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The files are looked at every second and after each commit; a record of years takes seconds to read through."""
    looks: list[Path] = []

    def counted(path: Path) -> AbstractContextManager[sqlite3.Connection]:
        looks.append(path)
        return connect_for_reading(path)

    monkeypatch.setattr(open_files, "connect_for_reading", counted)
    os.utime(path, (1, 1))
    assert [files.fault() for _ in range(3)] == [None, None, None]
    assert len(looks) == 1


def test_the_log_of_another_program_is_not_moved(files: OpenFiles, path: Path, tmp_path: Path) -> None:
    """Only the log that the station had open has its last changes; a file that took the place is somebody else's."""
    beside(path, "-wal").unlink()
    beside(path, "-wal").write_bytes(b"somebody else's")
    assert files.fault() is FileFault.LOG_LOST
    assert not files.move_log(tmp_path / "kept-wal")
    assert beside(path, "-wal").read_bytes() == b"somebody else's"
    assert not (tmp_path / "kept-wal").exists()


def test_the_log_is_moved_without_its_index(files: OpenFiles, path: Path, tmp_path: Path) -> None:
    """The index describes a log that is not there any more; SQLite would believe it."""
    log = beside(path, "-wal").read_bytes()
    assert files.move_log(tmp_path / "kept-wal")
    assert (tmp_path / "kept-wal").read_bytes() == log
    assert not beside(path, "-wal").exists()
    assert not beside(path, "-shm").exists()
