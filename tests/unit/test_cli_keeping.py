"""``meterlink backup``, ``restore`` and ``merge``: the words and the numbers that a person gets."""

import json
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.cli.progress import progress_bar
from meterlink.settings import DATABASE_FILE
from meterlink.store.backup import back_up
from meterlink.store.copying import size_text
from meterlink.store.reader import Reader
from support.commands import run_command
from support.doc_examples import SEASONS
from support.kept_records import keep_record
from support.recorded_visits import store_visits
from support.writers import running_writer


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "van-3"
    folder.mkdir()
    keep_record(folder / DATABASE_FILE)
    (folder / "settings.toml").write_text('station = "van-3"')
    monkeypatch.setenv("METERLINK_DATA", str(folder))
    monkeypatch.chdir(tmp_path)
    return folder


@pytest.fixture
def other(tmp_path: Path) -> Path:
    path = tmp_path / "van-4" / DATABASE_FILE
    store_visits(path, SEASONS)
    back_up(path, tmp_path / "other.db")
    return tmp_path / "other.db"


def test_a_backup_says_what_is_in_it_and_what_is_not(data: Path) -> None:
    code, out, err = run_command("backup", "-o", "weekly.db")
    assert (code, err) == (0, "")
    counts, rest = out.splitlines()
    size = size_text(Path("weekly.db").stat().st_size)
    assert counts == (
        f"9 visits, 28 accepted readings, 128 raw readings: {size}, in weekly.db. It was read back and checked."
    )
    assert rest == "Settings, profiles, plans, photos and the station's key are not in it: --whole takes them, too."
    _, out, _ = run_command("backup", "-o", "weekly.db", "--json")
    fields = json.loads(out)
    assert fields == {
        "file": "weekly.db", "visits": 9, "accepted_readings": 28, "raw_readings": 128,
        "bytes": Path("weekly.db").stat().st_size, "files": [],
    }  # fmt: skip


def test_a_backup_goes_to_a_file_only(data: Path) -> None:
    code, out, err = run_command("backup", "-o", "-")
    assert (code, out) == (2, "")
    assert err == (
        "meterlink: A backup cannot be written to standard output: it is read back and checked. Give a file to -o.\n"
    )
    code, _, err = run_command("backup", "-o", "nowhere/weekly.db")
    assert code == 1
    assert "nowhere cannot be written: No such file or directory" in err
    code, _, err = run_command("backup", "-o", "weekly.db", "--data", "none")
    assert code == 2
    assert "There is no data folder" in err


def test_a_station_moves_by_two_commands(data: Path) -> None:
    code, out, err = run_command("backup", "--whole", "-o", "station.zip")
    assert (code, err) == (0, "")
    assert "With it: settings.toml, station.key." in out
    assert "record no more on this one" in out
    code, out, err = run_command("restore", "station.zip", "--data", "new")
    assert (code, err) == (0, "")
    size = size_text(Path("new", DATABASE_FILE).stat().st_size)
    counts = f"9 visits, 28 accepted readings, 128 raw readings: {size}"
    assert out == f"Restored: {counts}, in {Path('new').resolve()}.\n"
    assert sorted(path.name for path in Path("new").iterdir()) == [
        "meterlink.db", "meterlink.db.lock", "settings.toml", "station.key",
    ]  # fmt: skip


def test_restoring_over_a_record_keeps_it(data: Path, other: Path) -> None:
    code, _, err = run_command("restore", "other.db")
    assert code == 2
    assert err == (
        f"meterlink: There is a record at {data / DATABASE_FILE} already."
        " Name an empty folder with --data, or keep it beside: --replace.\n"
    )
    code, out, err = run_command("restore", "other.db", "--replace")
    assert (code, err) == (0, "")
    (kept,) = data.glob("meterlink.before-*.db")
    assert out.splitlines()[1] == f"The old one is kept as {kept.name}."
    assert len(Reader(kept).visits()) == 9
    assert len(Reader(data / DATABASE_FILE).visits()) == len(SEASONS)
    _, out, _ = run_command("restore", str(kept), "--replace", "--json")
    assert json.loads(out)["visits"] == 9


def test_a_merge_counts_what_is_new(data: Path, other: Path) -> None:
    code, preview, err = run_command("merge", "other.db", "--preview")
    assert (code, err) == (0, "")
    assert preview.splitlines()[-1] == "Nothing is changed. Without --preview it is."
    assert len(Reader(data / DATABASE_FILE).visits()) == 9
    code, out, err = run_command("merge", "other.db")
    assert (code, err) == (0, "")
    assert out.splitlines()[0].removeprefix("New") == preview.splitlines()[0].removeprefix("Would come")
    assert run_command("merge", "other.db") == (0, "Nothing new: all of other.db is here already.\n", "")
    long = data / f"{'x' * 100}.db"
    shutil.copy("other.db", long)
    assert run_command("merge", str(long)).out == f"Nothing new: all of {long} is here already.\n"
    _, out, _ = run_command("merge", "other.db", "--json")
    assert json.loads(out) == {"new": {}, "remarks": [], "done": True}


def test_nothing_is_made_where_nothing_is_merged(data: Path, other: Path) -> None:
    assert run_command("merge", "other.db", "--preview", "--data", "none")[0] == 2
    assert not Path("none").exists()
    Path("empty").mkdir()
    assert run_command("merge", "other.db", "--preview", "--data", "empty")[0] == 0
    assert [path.name for path in Path("empty").iterdir()] == ["meterlink.db.lock"]
    code, _, err = run_command("merge", "none.db")
    assert code == 1
    assert err == "meterlink: There is no database none.db. Name the database of the other station.\n"


@pytest.mark.parametrize("line", [("merge", "other.db"), ("restore", "other.db", "--replace")])
def test_a_running_station_must_be_stopped(data: Path, other: Path, line: tuple[str, ...]) -> None:
    with running_writer(data / DATABASE_FILE):
        code, _, err = run_command(*line)
    assert code == 1
    assert err.startswith(
        f"meterlink: A station runs on {data}: {'merging' if line[0] == 'merge' else 'restoring'} needs"
    )
    assert err.endswith("End it (Ctrl+C in its window, or close the dashboard), then try again.\n")


def test_a_backup_needs_no_stopped_station(data: Path) -> None:
    with running_writer(data / DATABASE_FILE):
        assert run_command("backup", "-o", "weekly.db")[0] == 0
        code, _, err = run_command("backup", "--whole", "-o", "station.zip")
    assert code == 1
    assert "moving needs it stopped" in err
    assert not Path("station.zip").exists()


def test_the_progress_bar_is_for_a_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with progress_bar() as progress:
        progress("Copying", 1, 2)
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    with progress_bar() as progress:
        progress("Copying", 1, 2)
        progress("Checking", 2, 2)
    shown = capsys.readouterr().err
    assert "Copying" in shown
    assert "100%" in shown


def test_a_foreign_file_is_refused(data: Path) -> None:
    shutil.copy(data / "settings.toml", "weekly.db")
    for line in (("merge", "weekly.db"), ("restore", "weekly.db", "--data", "new")):
        code, _, err = run_command(*line)
        assert code == 1
        assert err.endswith("weekly.db is not a Meterlink database. Check the name of the file.\n")


@pytest.mark.fault("damaged-pages")
def test_a_damaged_record_is_salvaged_and_restored(data: Path) -> None:
    database = data / DATABASE_FILE
    contents = bytearray(database.read_bytes())
    with closing(sqlite3.connect(database)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'visits'").fetchone()
    contents[(root - 1) * 4096 : root * 4096] = b"\xff" * 4096
    database.write_bytes(contents)
    code, _, err = run_command("history")
    assert code == 1
    assert "is damaged. End the station, then save the readable part: meterlink salvage -o FILE." in err
    code, out, err = run_command("salvage", "-o", "salvaged.db")
    assert (code, err) == (0, "")
    first, *lines = out.splitlines()
    assert first.split() == ["Rows", "of", "saved", "lost", "made", "again"]
    assert "accepted readings  28     0" in [line.rstrip() for line in lines]
    assert "visits             0      9     9" in lines
    assert lines[-1] == "Go on with it: meterlink restore salvaged.db --replace"
    assert run_command("restore", "salvaged.db", "--replace")[0] == 0
    assert run_command("history")[0] == 0
    _, out, _ = run_command("salvage", "-o", "again.db", "--json")
    fields = json.loads(out)
    assert fields["whole"]
    assert fields["tables"][0] == {
        "name": "accepted_readings", "saved": 28, "lost": 0, "at_most": False, "made_again": 0
    }  # fmt: skip
    code, _, err = run_command("salvage", "-o", "again.db")
    assert code == 2
    assert "exists already" in err
