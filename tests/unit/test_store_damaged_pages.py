"""The reader of pages against SQLite itself: the rows of a sound file are those that SQLite wrote."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import pytest

from meterlink.store.damaged_pages import LEAST, MOST, PageFile, Range

PAGE = 4096
# The record of a row in a leaf goes on in other pages above 4096 - 35 bytes, that of an index above
# (4096 - 12)·64/255 - 23 = 1002 bytes (SQLite's file format, 1.6); some sizes span several of them.
SIZES = [*range(4040, 4070), *range(985, 1010), 0, 1, 489, 490, 8137, 8138, 8180, 20_000]
IDS = [LEAST, LEAST + 1, -(2**31), -1, 0, 1, 127, 128, 2**14, 2**32, 2**55, 2**56 - 1, 2**56, MOST - 1, MOST]
NUMBERS = [*IDS, 2**7 - 1, 2**15, -(2**15) - 1, 2**23, 2**31, 2**47, -(2**47) - 1, 0.5, -1e300, None]


@pytest.fixture
def written(tmp_path: Path) -> Callable[..., Path]:
    def write(table: str, rows: list[tuple[Any, ...]], then: str = "") -> Path:
        path = tmp_path / "pages.db"
        with closing(sqlite3.connect(path)) as connection:
            connection.execute(f"PRAGMA page_size = {PAGE}")
            connection.execute(table)
            marks = ", ".join("?" * len(rows[0]))
            connection.executemany(f"INSERT INTO t VALUES ({marks})", rows)  # noqa: S608
            connection.commit()
            connection.executescript(then)
        return path

    return write


def root_of(path: Path, name: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()[0])


def test_rows_of_any_size_id_and_type_are_read_as_sqlite_wrote_them(written: Callable[..., Path]) -> None:
    random = Random(1)
    values = [*(random.randbytes(size) for size in SIZES), *("µ" * (size // 2) for size in SIZES), *NUMBERS]
    ids = [*IDS, *range(1000, 1000 + len(values) - len(IDS))]
    path = written("CREATE TABLE t (id INTEGER PRIMARY KEY, value ANY) STRICT", list(zip(ids, values, strict=True)))
    lost: list[Range] = []
    read = [(row.id, row.values) for row in PageFile(path).rows(root_of(path, "t"), lost, lambda _: True)]
    assert lost == []
    assert read == sorted((row_id, (None, value)) for row_id, value in zip(ids, values, strict=True))


def test_records_of_an_index_and_of_a_table_without_row_ids_are_read_too(written: Callable[..., Path]) -> None:
    rows = [(f"{number:05}" + "x" * size, number) for number, size in enumerate(SIZES * 3)]
    path = written("CREATE TABLE t (key TEXT PRIMARY KEY, n INTEGER) STRICT, WITHOUT ROWID", rows)
    pages = PageFile(path)
    assert list(pages.entries(root_of(path, "t"))) == rows
    records, is_whole = PageFile(path).sound_entries(root_of(path, "t"))
    assert (sorted(records), is_whole) == (rows, True)


@pytest.mark.parametrize("place", [0, 8])  # from the head of the page on, or behind it
def test_a_damaged_page_is_lost_with_its_range_and_the_others_stay(written: Callable[..., Path], place: int) -> None:
    rows = [(number, b"x" * 900) for number in range(1, 13)]  # four on each of three pages
    path = written("CREATE TABLE t (id INTEGER PRIMARY KEY, value BLOB) STRICT", rows)
    contents = bytearray(path.read_bytes())
    leaves = [number for number in range(3, len(contents) // PAGE + 1) if contents[(number - 1) * PAGE] == 0x0D]
    begin = (leaves[1] - 1) * PAGE
    contents[begin + place : begin + PAGE] = b"\xff" * (PAGE - place)
    path.write_bytes(contents)
    lost: list[Range] = []
    read = [row.id for row in PageFile(path).rows(root_of(path, "t"), lost, lambda _: True)]
    assert lost == [Range(4, 8)]
    assert read == [1, 2, 3, 4, 9, 10, 11, 12]


def test_pages_that_no_table_uses_are_listed(written: Callable[..., Path]) -> None:
    rows = [(n, b"x" * 900) for n in range(400)]
    path = written("CREATE TABLE t (id INTEGER PRIMARY KEY, value BLOB) STRICT", rows, "DELETE FROM t WHERE id > 20;")
    pages = PageFile(path)
    assert len(list(pages.rows(root_of(path, "t"), [], lambda _: True))) == 21
    with closing(sqlite3.connect(path)) as connection:
        (count,) = connection.execute("PRAGMA freelist_count").fetchone()
    free = pages.free_pages()
    assert free is not None
    assert len(free) == count > 90
    assert list(pages.stray_leaves()) == []
