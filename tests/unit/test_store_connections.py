"""Connections to a database, the causes of SQLite's errors, and the values of a row."""

import re
import sqlite3
from contextlib import closing
from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.errors import (
    DamagedDatabaseError,
    DatabaseAccessError,
    DatabaseLockedError,
    DiskFailedError,
    DiskFullError,
    NotADatabaseError,
    StoreError,
)
from meterlink.core.verdicts import Limits
from meterlink.store import copying
from meterlink.store.connections import as_store_error, connect_for_writing, connect_to_source
from meterlink.store.decoding import decode_flag, decode_limits
from support.writers import running_writer


def sqlite_error(name: str) -> sqlite3.OperationalError:
    """Return an error as Python raises it for SQLite's result code of this name."""
    error = sqlite3.OperationalError("in SQLite's words")
    error.sqlite_errorcode = getattr(sqlite3, name)
    error.sqlite_errorname = name
    return error


@pytest.mark.parametrize(
    ("name", "expected", "remedy"),
    [
        ("SQLITE_FULL", DiskFullError, "Free some space"),
        ("SQLITE_IOERR", DiskFailedError, "worn out or unplugged"),
        ("SQLITE_IOERR_WRITE", DiskFailedError, "worn out or unplugged"),  # an extended code
        ("SQLITE_BUSY", DatabaseLockedError, "Close the program"),
        ("SQLITE_LOCKED", DatabaseLockedError, "Close the program"),
        ("SQLITE_NOTADB", NotADatabaseError, "another folder"),
        ("SQLITE_CORRUPT", DamagedDatabaseError, "meterlink salvage"),
        ("SQLITE_CANTOPEN", DatabaseAccessError, "you may write in it"),
        ("SQLITE_READONLY", DatabaseAccessError, "you may write in it"),
        ("SQLITE_READONLY_DIRECTORY", DatabaseAccessError, "you may write in it"),
        ("SQLITE_PERM", DatabaseAccessError, "you may write in it"),
        ("SQLITE_CONSTRAINT", StoreError, "fault in Meterlink"),
    ],
)
def test_each_cause_has_its_error_and_remedy(
    tmp_path: Path, name: str, expected: type[StoreError], remedy: str
) -> None:
    """A person who is told to free space on a locked disk frees space, and the readings still are not saved."""
    path = tmp_path / "meterlink.db"
    error = as_store_error(sqlite_error(name), path)
    assert type(error) is expected
    assert remedy in error.remedy
    assert str(path) in error.message


def test_text_that_is_no_text_is_damage(tmp_path: Path) -> None:
    error = as_store_error(UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"), tmp_path)
    assert type(error) is DamagedDatabaseError
    assert "not UTF-8" in error.remedy


def test_a_file_that_a_person_named_has_remedies_for_a_file(tmp_path: Path) -> None:
    """It is no data folder: another name or another copy helps."""
    path = tmp_path / "backup.db"
    with running_writer(path):
        pass
    whole = path.read_bytes()
    path.write_bytes(whole[:4096] + b"\x55" * (len(whole) - 4096))
    with pytest.raises(DamagedDatabaseError, match="Take another copy of it"), connect_to_source(path) as connection:
        connection.execute("SELECT * FROM visits").fetchall()
    path.write_bytes(b"notes of a person" * 1000)
    with pytest.raises(NotADatabaseError, match="Check the name of the file"), connect_to_source(path):
        pass


def test_a_source_is_read_as_it_was_at_one_moment(tmp_path: Path) -> None:
    """A station that writes meanwhile must not give a copy half of a visit."""
    path = tmp_path / "meterlink.db"
    with running_writer(path):
        pass
    with connect_to_source(path) as source, closing(connect_for_writing(path)) as writer:
        count = source.execute("SELECT count(*) FROM sites").fetchone()
        writer.execute("INSERT INTO sites (name) VALUES ('Mill Lane bakery')")
        assert source.execute("SELECT count(*) FROM sites").fetchone() == count


@pytest.mark.parametrize(("name", "culprit"), [("SQLITE_FULL", "copy.db"), ("SQLITE_CORRUPT", "record.db")])
def test_a_copy_that_fails_names_the_disk_or_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, culprit: str
) -> None:
    """A full disk is that of the copy, and damage is in the record: the person looks at the right one."""
    with running_writer(tmp_path / "record.db"):
        pass

    def fail(_: Path) -> sqlite3.Connection:
        raise sqlite_error(name)

    monkeypatch.setattr(copying, "connect_to_copy", fail)
    with pytest.raises(StoreError, match=re.escape(str(tmp_path / culprit))):
        copying.copy_database(tmp_path / "record.db", tmp_path / "copy.db")


def test_limits_come_back_with_the_nominal_value() -> None:
    """The deviation from nominal is said beside the verdict: 45 µF ±6 % is not the same as 42.3 to 47.7 µF."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.row_factory = sqlite3.Row
        row = connection.execute(
            "SELECT '42.3' AS limits_low, '47.7' AS limits_high, 'µF' AS limits_unit, '45 µF ±6 %' AS limits_basis,"
            " '45' AS limits_nominal"
        ).fetchone()
    assert decode_limits(row) == Limits(Decimal("42.3"), Decimal("47.7"), "µF", "45 µF ±6 %", Decimal(45))


def test_a_flag_that_nobody_gave_is_unknown() -> None:
    """'Power was off' and 'nobody said' are two things at a disconnect."""
    assert (decode_flag(None), decode_flag(0), decode_flag(1)) == (None, False, True)
