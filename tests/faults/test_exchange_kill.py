"""An export or an import that is killed at any moment leaves no half file and no half record."""

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from meterlink.settings import DATABASE_FILE
from support.commands import run_command
from support.large_records import write_raw
from support.record_contents import check_database, record_contents


@pytest.mark.fault("interrupted-file")
@pytest.mark.study(everyday=2, sample=5, full=50)
def test_a_kill_leaves_a_whole_file_or_none(tmp_path: Path, study_seed: int) -> None:
    rng = random.Random(study_seed)
    source, new = tmp_path / "source", tmp_path / "new"
    source.mkdir()
    write_raw(source / DATABASE_FILE, 20_000)
    whole, file = tmp_path / "whole.csv", tmp_path / "killed.csv"
    begin = time.monotonic()
    run("export", "--raw", "--data", str(source), "-o", str(whole)).wait()
    longest = time.monotonic() - begin
    process = run("export", "--raw", "--data", str(source), "-o", str(file))
    kill_within(process, rng.uniform(0, longest))
    assert not file.exists() or file.read_bytes() == whole.read_bytes()

    begin = time.monotonic()
    run("import", str(whole), "--data", str(tmp_path / "measured")).wait()
    longest = time.monotonic() - begin
    kill_within(run("import", str(whole), "--data", str(new)), rng.uniform(0, longest))
    status, out, err = run_command("import", str(whole), "--data", str(new))
    assert (status, err) == (0, "")
    assert "20,000 raw readings" in out or "Nothing new" in out  # all of it was missing, or nothing
    check_database(new / DATABASE_FILE)
    here, there = (record_contents(folder / DATABASE_FILE)["raw_readings"] for folder in (new, source))
    assert here == there
    assert not [path.name for path in new.iterdir() if path.name.startswith(".meterlink-")]


def run(*arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "meterlink", *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def kill_within(process: subprocess.Popen[bytes], seconds: float) -> None:
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
