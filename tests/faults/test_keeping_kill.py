"""kill -9 in a backup, a restore, a merge, a move: no half file under a final name, no lost row; a rerun succeeds."""

import random
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

from meterlink.store.backup import back_up
from meterlink.store.folder_archive import is_archive, pack_folder, unpack_folder
from meterlink.store.merge import merge_file
from meterlink.store.reader import Reader
from support.keeping_work import start_work
from support.kept_records import LAST_VISIT, SECOND, keep_record
from support.large_records import write_accepted, write_raw
from support.record_contents import Contents, check_database, record_contents
from support.recorded_visits import OUTER_TIMEOUT
from support.thinned_records import keep_closed_record, thin_record

WORKS = ("backup", "restore", "merge", "pack", "unpack")


class Place:
    """A data folder with a record, and the file that the work reads or writes; ``before`` is the record's contents."""

    def __init__(self, templates: Path, folder: Path, work: str) -> None:
        shutil.copytree(templates / "station", folder / "station")
        self.folder = folder
        self.work = work
        self.database = folder / "station" / "meterlink.db"
        self.file = folder / {"pack": "station.zip", "unpack": "station.zip"}.get(work, "weekly.db")
        source = {"unpack": "other.zip", "pack": "older.zip", "backup": "older.db"}.get(work, "other.db")
        shutil.copy(templates / source, self.file)

    def start(self, kill_before: int = 0) -> "subprocess.Popen[str]":
        return start_work(self.work, self.database, self.file, kill_before=kill_before)

    def run(self) -> None:
        with self.start() as child:
            _, errors = child.communicate(timeout=OUTER_TIMEOUT)
        assert child.returncode == 0, errors

    def states(self) -> tuple[Contents, Contents]:
        """Return the contents of the record, and of the file under its final name."""
        check_database(self.database)
        if is_archive(self.file):
            unpacked = self.folder / "unpacked"
            shutil.rmtree(unpacked, ignore_errors=True)
            unpacked.mkdir()
            unpack_folder(self.file, unpacked / "meterlink.db")
            return record_contents(self.database), record_contents(unpacked / "meterlink.db")
        return record_contents(self.database), record_contents(self.file)

    def old_records(self) -> list[Contents]:
        """Return the contents of the old records that a restore has kept."""
        return [record_contents(path) for path in self.database.parent.glob("meterlink.before-*.db")]

    def leftovers(self) -> list[str]:
        return [path.name for path in self.folder.rglob(".meterlink-*")]


@pytest.fixture(scope="module")
def templates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a station, and older and other records as backups and archives."""
    folder = tmp_path_factory.mktemp("templates")
    database = folder / "station" / "meterlink.db"
    database.parent.mkdir()
    keep_record(database)
    (database.parent / "settings.toml").write_text("station = 'van-3'")
    back_up(database, folder / "older.db")
    pack_folder(database, folder / "older.zip")
    write_raw(folder / "raw.db", 5_000)
    merge_file(database, folder / "raw.db")
    write_accepted(folder / "other.db", 60)
    back_up(folder / "other.db", folder / "copy.db")
    shutil.move(folder / "copy.db", folder / "other.db")
    other = folder / "van-4" / "meterlink.db"
    other.parent.mkdir()
    shutil.copy(folder / "other.db", other)
    (other.parent / "settings.toml").write_text("station = 'van-4'")
    pack_folder(other, folder / "other.zip")
    return folder


def check_after_kill(place: Place, before: tuple[Contents, Contents], after: tuple[Contents, Contents]) -> None:
    """Check the state that a killed process left behind, then that a second run goes through."""
    record, file = place.states()
    assert record in (before[0], after[0])
    assert file in (before[1], after[1])
    for old in place.old_records():
        assert old == before[0]
    if record != before[0] and place.work in {"restore", "unpack"}:
        assert before[0] in place.old_records()  # nothing is lost
    place.run()
    assert place.states() == after
    assert place.leftovers() == []
    if place.work in {"restore", "unpack"}:
        assert before[0] in place.old_records()


@pytest.fixture(params=WORKS)
def work(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def outcome(
    templates: Path, tmp_path: Path, work: str
) -> tuple[tuple[Contents, Contents], tuple[Contents, Contents], float]:
    """The state before and after the work without a kill, and the time in s that it takes."""
    whole = Place(templates, tmp_path / "whole", work)
    before = whole.states()
    begin = time.monotonic()
    whole.run()
    return before, whole.states(), time.monotonic() - begin


@pytest.mark.fault("interrupted-file")
@pytest.mark.timeout(600)
@pytest.mark.study(everyday=1, sample=5, full=1000)  # file operations; a work has some dozens
def test_killed_before_each_file_operation(templates, tmp_path, work, outcome, study_size):
    before, after, _ = outcome
    operations = list(range(1, 1000))
    for number in operations if study_size >= len(operations) else sample_operations(study_size):
        place = Place(templates, tmp_path / str(number), work)
        with place.start(kill_before=number) as child:
            child.communicate(timeout=OUTER_TIMEOUT)
        if child.returncode == 0:
            break  # the work has fewer file operations
        assert child.returncode == -signal.SIGKILL
        check_after_kill(place, before, after)
        shutil.rmtree(place.folder)
    else:
        assert study_size < len(operations)


def sample_operations(size: int) -> list[int]:
    """Return some of the first file operations of a work: each work has more than 12."""
    return sorted(random.Random(20261127).sample(range(1, 13), size))


@pytest.mark.timeout(600)
@pytest.mark.study(everyday=1, sample=4, full=50)  # kills of each work
def test_killed_at_random_moments(templates, tmp_path, work, outcome, study_size):
    before, after, seconds = outcome
    rng = random.Random(f"{work} 20261127")  # decides when to kill
    for turn in range(study_size):
        place = Place(templates, tmp_path / str(turn), work)
        with place.start() as child:
            try:
                child.wait(rng.uniform(0, seconds))
            except subprocess.TimeoutExpired:
                child.kill()
            child.communicate()
        check_after_kill(place, before, after)
        shutil.rmtree(place.folder)


@pytest.mark.timeout(600)
@pytest.mark.study(everyday=1, sample=6, full=50)  # kills
def test_thinning_killed_at_random_moments(tmp_path, study_size):
    """Some slices are deleted and counted, the others are not; nothing else is changed."""
    template = tmp_path / "template"
    database = template / "station" / "meterlink.db"
    keep_closed_record(database)
    write_raw(template / "raw.db", 30_000)
    merge_file(database, template / "raw.db")
    before = record_contents(database)
    rng = random.Random("thin 20261127")  # decides when to kill
    seconds = 0.5
    for turn in range(study_size):
        path = tmp_path / str(turn) / "meterlink.db"
        shutil.copytree(database.parent, path.parent)
        begin = time.monotonic()
        with start_work("thin", path) as child:
            try:
                child.wait(rng.uniform(0, seconds))
            except subprocess.TimeoutExpired:
                child.kill()
            else:
                seconds = time.monotonic() - begin
            child.communicate()
        check_database(path)
        after = record_contents(path)
        for table in set(after) - {"raw_readings", "thinnings", "boots", "connections"}:
            assert after[table] == before[table], table
        assert after["raw_readings"] <= before["raw_readings"]
        reader = Reader(path)
        gone = before["raw_readings"].total() - after["raw_readings"].total()
        assert sum(run.deleted for run in reader.thinnings()) == gone
        assert reader.counts()["readings"] == after["raw_readings"].total()
        thin_record(path, LAST_VISIT + 3600 * SECOND, "rerun")
        assert reader.counts()["readings"] == 118  # the accepted ones, and those of the day after
        shutil.rmtree(path.parent)


@pytest.mark.fault("interrupted-file")
@pytest.mark.timeout(600)
@pytest.mark.study(everyday=2, sample=4, full=50)  # kills
def test_an_export_killed_at_random_moments(templates, tmp_path, study_size):
    """Under the final name is the older file or the whole new one, and the record is not touched."""
    database = tmp_path / "station" / "meterlink.db"
    shutil.copytree(templates / "station", database.parent)
    before = record_contents(database)
    target = tmp_path / "readings.csv"

    def export(seconds: float | None = None) -> float:
        begin = time.monotonic()
        with start_work("export", database, target) as child:
            try:
                child.wait(seconds)
            except subprocess.TimeoutExpired:
                child.kill()
            child.communicate()
        return time.monotonic() - begin

    seconds = export()
    whole = target.read_bytes()
    assert whole.count(b"\n") > 28
    rng = random.Random("export 20261127")  # decides when to kill
    for _ in range(study_size):
        target.write_bytes(b"older")
        export(rng.uniform(0, seconds))
        assert target.read_bytes() in (b"older", whole)
        check_database(database)
        assert record_contents(database) == before
    export()
    assert target.read_bytes() == whole
