"""The customer's report as files of the data folder: whole, named safely, never over another file."""

import os
import re
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.core.errors import InputError
from meterlink.notebook.reports import write_customer_reports
from meterlink.settings import DATABASE_FILE
from support.doc_examples import SEASONS
from support.recorded_visits import store_visits


@pytest.fixture
def data(tmp_path: Path) -> Path:
    store_visits(tmp_path / DATABASE_FILE, SEASONS)
    return tmp_path


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "reports").iterdir())


def test_the_newest_closed_visit_is_written_as_html_and_pdf_and_none_is_overwritten(data: Path) -> None:
    first, again = write_customer_reports(data), write_customer_reports(data)
    day = SEASONS[-1].day
    assert [path.name for path in first] == [f"{day}-condenser-1.html", f"{day}-condenser-1.pdf"]
    assert [path.name for path in again] == [f"{day}-condenser-1-2.html", f"{day}-condenser-1-2.pdf"]
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in again]
    assert names(data) == sorted(path.name for path in (*first, *again))  # no temporary file
    assert (data / "reports").stat().st_mode & 0o077 == 0


def test_a_visit_that_is_open_or_paused_is_not_the_one(data: Path) -> None:
    with closing(sqlite3.connect(data / DATABASE_FILE)) as connection:
        connection.execute("UPDATE visits SET closed_utc_ns = NULL WHERE id = (SELECT max(id) FROM visits)")
        connection.commit()
    (page, _) = write_customer_reports(data)
    assert page.name == f"{SEASONS[-2].day}-condenser-1.html"


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("../../etc/passwd", "etc-passwd"), ('C:\\con|<>"?*\x00\n', "c-con"), ("\u202eesrever", "esrever"),
        ("Kühlzelle Süd", "kuhlzelle-sud"),
        ("冷凍庫", "unit"), ("...", "unit"), ("a" * 10_000, "a" * 40), ("nul", "nul"), ("-rf", "rf"), ("~/.ssh", "ssh"),
    ],
)  # fmt: skip
def test_a_name_of_a_unit_is_no_path(data: Path, unit: str, name: str) -> None:
    with closing(sqlite3.connect(data / DATABASE_FILE)) as connection:
        connection.execute("UPDATE units SET name = ?", (unit,))
        connection.commit()
    (page, _) = write_customer_reports(data)
    assert page.name == f"{SEASONS[-1].day}-{name}.html"
    assert re.fullmatch(r"[a-z0-9.-]+", page.name)
    assert page.parent == data / "reports"
    assert {path.name.partition(".")[0] for path in data.iterdir()} <= {"meterlink", "station", "reports"}


def test_without_the_library_of_the_pdf_there_is_the_html(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    assert [path.suffix for path in write_customer_reports(data)] == [".html"]


def test_a_full_disk_leaves_no_file_and_says_so(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left on device") as caught:
        write_customer_reports(data)
    assert "meterlink report -o FILE" in str(caught.value)
    assert names(data) == []


def test_a_memory_card_without_second_names_is_written_to(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_path: Path, _target: Path) -> None:
        raise PermissionError(1, "Operation not permitted")  # as Linux answers on FAT

    monkeypatch.setattr(Path, "hardlink_to", refused)
    write_customer_reports(data)
    write_customer_reports(data)
    day = SEASONS[-1].day
    assert names(data) == [f"{day}-condenser-1{number}{kind}" for number in ("-2", "") for kind in (".html", ".pdf")]


def test_a_file_in_place_of_the_folder_is_named(data: Path) -> None:
    (data / "reports").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"cannot be written to .*reports: File exists"):
        write_customer_reports(data)
