"""A damaged database does not pass a check."""

import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.errors import DamagedDatabaseError, NoDatabaseError, NotADatabaseError
from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.checking import full_check, quick_check
from meterlink.store.connections import SCHEMA_VERSION
from meterlink.store.reader import Reader
from support.fixture_databases import unpack
from support.virtual_stations import at_station, enter, until
from support.writers import running_writer

PAGE = 4096


@pytest.fixture
def path(tmp_path: Path) -> Path:
    database = tmp_path / "meterlink.db"
    unpack(SCHEMA_VERSION, database)
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
    return database


def overwrite(path: Path, page: int, new: bytes) -> None:
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE)
        file.write(new)


def pages_of(path: Path, kind: str) -> list[int]:
    with closing(sqlite3.connect(path)) as connection:
        return [
            page
            for (page,) in connection.execute(
                "SELECT rootpage FROM sqlite_master WHERE type = ? AND rootpage > 0", (kind,)
            )
        ]


def faults_or_error(check: Callable[[Path], tuple[str, ...]], path: Path) -> tuple[str, ...]:
    try:
        return check(path)
    except DamagedDatabaseError as error:
        return (error.message,)


def test_a_sound_database_passes(path: Path) -> None:
    assert quick_check(path) == full_check(path) == ()


@pytest.mark.fault("damaged-pages")
def test_every_damaged_table_and_index_is_found(path: Path) -> None:
    """A quick check compares no index with its table, but reads the pages of both."""
    original = path.read_bytes()
    rng = random.Random(20261127)
    for kind in ("table", "index"):
        for page in pages_of(path, kind):
            path.write_bytes(original)
            overwrite(path, page, rng.randbytes(PAGE))
            for check in (quick_check, full_check):
                assert faults_or_error(check, path), (kind, page, check)


def test_an_index_that_lacks_a_row_is_found_by_the_full_check(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        index = connection.execute("SELECT * FROM sqlite_master WHERE name = 'accepted_by_time'").fetchone()
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("DELETE FROM sqlite_master WHERE name = 'accepted_by_time'")
        connection.execute("PRAGMA writable_schema = RESET")
        connection.execute("UPDATE accepted_readings SET utc_ns = utc_ns + 1")
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("INSERT INTO sqlite_master VALUES (?, ?, ?, ?, ?)", index)
        connection.execute("PRAGMA writable_schema = RESET")
    assert any("accepted_by_time" in fault for fault in full_check(path))


def test_a_page_that_nothing_leads_to_is_found_by_the_full_check(path: Path) -> None:
    """An interior page from before leads to fewer leaves: their raw readings are gone, and no index misses them.

    SQLite 3.40 does not look for such pages itself where a view is the first in its list.
    """
    size = path.stat().st_size // PAGE
    with path.open("r+b") as file:
        file.seek(28)  # the number of pages (file format, 1.3)
        file.write((size + 1).to_bytes(4, "big"))
        file.seek(size * PAGE)
        file.write(b"\x0d" + bytes(4) + b"\x10" + bytes(PAGE - 6))  # an empty leaf
    (fault,) = full_check(path)
    assert "1 page in no table" in fault or "never used" in fault
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("VACUUM")
    assert full_check(path) == ()


def test_a_row_without_its_parent_is_found_by_the_full_check(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM stretches")
        connection.commit()
    assert "a row of raw_readings refers to a row of stretches that is missing" in full_check(path)


def test_a_database_that_cannot_be_opened_is_an_error(path: Path, tmp_path: Path) -> None:
    with pytest.raises(NoDatabaseError):
        quick_check(tmp_path / "none.db")
    overwrite(path, 1, b"\xff" * PAGE)
    for check in (quick_check, full_check):
        with pytest.raises(NotADatabaseError, match="meterlink salvage"):
            check(path)


def test_a_stopped_check_ends_at_once(path: Path) -> None:
    overwrite(path, pages_of(path, "table")[3], b"\xff" * PAGE)
    assert quick_check(path, lambda: True) == ()


@pytest.mark.fault("damaged-pages")
def test_a_station_says_at_its_start_that_its_record_is_damaged_and_goes_on(tmp_path: Path) -> None:
    """A damaged index of facts is nothing that recording needs: it must not pass in silence for all that."""
    database = tmp_path / DATABASE_FILE
    with running_writer(database):
        pass
    with closing(sqlite3.connect(database)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'facts_of_unit'").fetchone()
    overwrite(database, root, b"\xff" * PAGE)

    async def body(station: Station, views: dict[str, Any]) -> None:
        await until(lambda: "The record is damaged" in views.get("notice", {"text": ""})["text"])
        assert views["notice"]["level"] == "alarm"
        assert "meterlink salvage" in views["notice"]["text"]
        assert await enter(station, "43.7 uF", point="run-capacitor-herm") == ""

    at_station(tmp_path, body)
    assert [row.reading.text for row in Reader(database).history(None)] == ["43.7 µF"]
