"""The lock of a record: whose it is, and who may take it."""

import os
import sys
from pathlib import Path

import pytest

from meterlink.core.errors import DatabaseLockedError
from meterlink.store.lock import FileLock, lock_holder


def test_the_lock_says_which_process_holds_it_and_nothing_else(tmp_path: Path) -> None:
    database = tmp_path / "meterlink.db"
    assert lock_holder(database) == ""
    file = tmp_path / "meterlink.db.lock"
    file.write_text("4194303 of an earlier station", encoding="ascii")
    assert lock_holder(database) == ""
    lock = FileLock(database)
    lock.acquire()
    assert lock_holder(database) == str(os.getpid())  # while it is held: the id is on the disk at once
    with pytest.raises(DatabaseLockedError, match=f"process {os.getpid()}"):
        FileLock(database).acquire()
    lock.release()
    assert lock_holder(database) == ""
    assert file.read_text(encoding="ascii") == str(os.getpid())


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such permissions, and keeps the name")
def test_no_other_account_may_open_the_lock_and_a_lost_name_is_noticed(tmp_path: Path) -> None:
    lock = FileLock(tmp_path / "meterlink.db")
    assert not lock.is_in_place()
    lock.acquire()
    file = tmp_path / "meterlink.db.lock"
    assert file.stat().st_mode & 0o777 == 0o600
    assert lock.is_in_place()
    file.unlink()
    assert not lock.is_in_place()
    file.touch()
    assert not lock.is_in_place()  # another file of the same name
    lock.release()
