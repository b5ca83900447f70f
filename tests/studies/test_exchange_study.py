"""Ten million raw readings leave and come back in little memory."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.settings import DATABASE_FILE
from support.large_records import write_raw
from support.peak_memory import peak_memory

MOST_MEMORY = 150_000  # kB of resident memory, at the end of the study
_SUM = "SELECT COUNT(*), SUM(digits), SUM(utc_offset_us) FROM raw_readings"


@pytest.mark.timeout(7_200)
@pytest.mark.study(everyday=0, sample=20_000, full=10_000_000)
@pytest.mark.parametrize("form", ["csv", "jsonl", "senml", "cbor", "parquet"])
def test_ten_million_readings_in_little_memory(tmp_path: Path, study_size: int, form: str) -> None:
    source, new, file = tmp_path / "source", tmp_path / "new", tmp_path / f"raw.{form}"
    source.mkdir()
    write_raw(source / DATABASE_FILE, study_size)
    written = peak_memory("export", "--raw", "--data", str(source), "-o", str(file))
    read = peak_memory("import", str(file), "--data", str(new))
    print(f"\n{form}, {study_size:,} raw readings: {written:,} kB to write, {read:,} kB to read")  # noqa: T201  # its result
    assert max(written, read) < MOST_MEMORY
    sums = []
    for folder in (source, new):
        with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
            sums.append(connection.execute(_SUM).fetchone())
    assert sums[0] == sums[1]
