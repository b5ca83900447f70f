"""Exports and imports of many raw readings: their rates, and that of CSV beside Python's own writer in the same run.

Run with ``--benchmark-enable -s`` for 1,000,000 raw readings (some minutes); without it the same code runs on a small
database, as a test.
"""

import csv
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.settings import DATABASE_FILE
from support.commands import run_command
from support.large_records import write_raw

RAW, FEW_RAW = 1_000_000, 2_000
# The export has a half of the rate of `csv.writer` over the view at least: it also reads in pages, and checks.
LEAST_RATIO = 0.5


@pytest.fixture(scope="module")
def full(request: pytest.FixtureRequest) -> bool:
    return bool(request.config.getoption("benchmark_enable", default=False))


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory, full: bool) -> Path:
    folder = tmp_path_factory.mktemp("raw")
    write_raw(folder / DATABASE_FILE, RAW if full else FEW_RAW)
    return folder


def timed(action: Callable[[], object]) -> float:
    begin = time.perf_counter()
    action()
    return time.perf_counter() - begin


def write_view(folder: Path, file: Path) -> None:
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection, file.open("w", newline="") as output:
        csv.writer(output).writerows(connection.execute("SELECT * FROM readings"))


def test_csv_has_half_the_rate_of_the_standard_writer_at_least(raw: Path, tmp_path: Path, full: bool) -> None:
    ours = timed(lambda: run_command("export", "--raw", "--data", str(raw), "-o", str(tmp_path / "ours.csv")))
    theirs = timed(lambda: write_view(raw, tmp_path / "theirs.csv"))
    count = RAW if full else FEW_RAW
    report(f"\nraw readings as CSV: {count / ours:,.0f} a second; csv.writer over the view: {count / theirs:,.0f};")
    report(f"ratio {theirs / ours:.2f}")
    if full:
        assert theirs / ours > LEAST_RATIO


@pytest.mark.parametrize("form", ["csv", "jsonl", "senml", "cbor", "parquet"])
def test_the_rate_of_each_format(raw: Path, tmp_path: Path, full: bool, form: str) -> None:
    file, new = tmp_path / f"raw.{form}", tmp_path / "new"
    count = RAW if full else FEW_RAW
    written = timed(lambda: run_command("export", "--raw", "--data", str(raw), "-o", str(file)))
    results: list[str] = []
    read = timed(lambda: results.append(run_command("import", str(file), "--data", str(new)).out))
    assert f"{count:,} raw readings" in results[0]
    size = file.stat().st_size / count
    report(
        f"\n{form}: {count / written:,.0f} readings a second written, {count / read:,.0f} read, {size:.0f} bytes each"
    )


def report(text: str) -> None:
    print(text)  # noqa: T201  # the figures are the result of this benchmark
