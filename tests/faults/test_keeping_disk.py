"""The disk is full in a backup, a restore, a merge, a move, thinning: a message, the record as it was, no half file."""

import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from meterlink.core.errors import DiskFullError, StoreError
from meterlink.store.backup import back_up
from meterlink.store.folder_archive import pack_folder, unpack_folder
from meterlink.store.merge import merge_file
from meterlink.store.reader import Reader
from meterlink.store.restore import restore
from meterlink.store.thinning import compact
from support.keeping_work import start_work
from support.kept_records import LAST_VISIT, SECOND, keep_record
from support.large_records import write_raw
from support.record_contents import check_database, record_contents
from support.small_disks import fill, small_disk
from support.thinned_records import keep_closed_record, thin_record


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "disk", "4m") as folder:
        yield folder


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a record, and backups of it and of another one with many raw readings."""
    folder = tmp_path_factory.mktemp("records")
    keep_record(folder / "kept" / "meterlink.db")
    back_up(folder / "kept" / "meterlink.db", folder / "kept.db")
    pack_folder(folder / "kept" / "meterlink.db", folder / "kept.zip")
    write_raw(folder / "raw.db", 40_000)
    return folder


def files(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob("*")} - {"ballast", "meterlink.db.lock"}


WORKS: dict[str, Callable[[Path, Path], object]] = {
    "backup": lambda records, disk: back_up(records / "kept" / "meterlink.db", disk / "weekly.db"),
    "move": lambda records, disk: pack_folder(records / "kept" / "meterlink.db", disk / "station.zip"),
    "restore": lambda records, disk: restore(records / "kept.db", disk / "meterlink.db"),
    "unpack": lambda records, disk: unpack_folder(records / "kept.zip", disk / "meterlink.db"),
}


@pytest.mark.fault("interrupted-file")
@pytest.mark.parametrize("work", WORKS)
@pytest.mark.parametrize("free", [0, 40_960, 204_800])
def test_a_file_is_whole_or_not_there(records: Path, disk: Path, work: str, free: int) -> None:
    fill(disk, free)
    with pytest.raises(DiskFullError, match=r"is full|No space left|more than the disk") as raised:
        WORKS[work](records, disk)
    assert raised.value.remedy
    assert files(disk) == set()
    (disk / "ballast").unlink()
    WORKS[work](records, disk)
    check_database(records / "kept" / "meterlink.db")


@pytest.mark.fault("interrupted-file")
@pytest.mark.parametrize("free", [0, 102_400])
def test_the_record_stays_as_it_was(records: Path, disk: Path, free: int) -> None:
    path = disk / "meterlink.db"
    restore(records / "kept.db", path)
    before = record_contents(path)
    fill(disk, free)
    for work in (
        lambda: restore(records / "kept.db", path, replace=True),
        lambda: merge_file(path, records / "raw.db"),
        lambda: compact(path),
    ):
        with pytest.raises(StoreError) as raised:
            work()
        assert isinstance(raised.value, DiskFullError), raised.value
        assert record_contents(path) == before
        assert {name for name in files(disk) if "before" in name or ".part" in name} == set()
    (disk / "ballast").unlink()
    merge_file(path, records / "raw.db")
    check_database(path)
    assert Reader(path).counts()["readings"] == 40_128


@pytest.mark.fault("growing-disk")
def test_thinning_needs_little_room(records: Path, disk: Path) -> None:
    """Who thins because the disk is full must be able to: some pages of the log are enough."""
    keep_closed_record(disk / "meterlink.db")
    fill(disk, 409_600)
    assert thin_record(disk / "meterlink.db", LAST_VISIT + 3600 * SECOND) == 100
    check_database(disk / "meterlink.db")


@pytest.mark.skipif(sys.platform == "win32", reason="no RLIMIT_FSIZE")
@pytest.mark.parametrize("work", ["backup", "pack", "restore", "merge"])
def test_a_file_that_may_not_grow(records: Path, tmp_path: Path, work: str) -> None:
    """A quota, where no small disk can be mounted."""
    folder = tmp_path / "station"
    shutil.copytree(records / "kept", folder)
    before = record_contents(folder / "meterlink.db")
    source = {"restore": records / "kept.db", "merge": records / "raw.db"}.get(work)
    target = source or tmp_path / "target"
    with start_work(work, folder / "meterlink.db", target, largest_file=65_536) as child:
        _, errors = child.communicate()
    assert child.returncode == 1
    assert "Error: " in errors.splitlines()[-1]
    assert record_contents(folder / "meterlink.db") == before
    assert {path.name for path in tmp_path.iterdir()} == {"station"}
    assert {name for name in files(folder) if "before" in name or ".part" in name} == set()
