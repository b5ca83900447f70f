"""``meterlink report``: which visit, which form, and a file that is whole or not there."""

import json
import os
import sys
from io import BytesIO
from itertools import count
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from meterlink.cli.main import cli
from meterlink.cli.output_file import write_output
from meterlink.core.equipment import Site
from meterlink.core.errors import InputError
from meterlink.settings import DATABASE_FILE
from support.commands import run_command
from support.doc_examples import SEASONS
from support.hostile_visits import write_visit
from support.kept_records import VOID_REASON, keep_record
from support.recorded_visits import store_visits

ENDINGS = ".html, .htm, .pdf, .md, .json"
ELSEWHERE = Site("School", "Condenser 1")


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def visits(data: Path) -> Path:
    store_visits(data / DATABASE_FILE, SEASONS)
    return data


def test_the_newest_visit_by_default_in_the_form_of_the_ending(visits: Path) -> None:
    for name in ("a.html", "a.htm", "a.pdf", "a.md", "a.json"):
        code, out, err = run_command("report", "-o", name)
        assert (code, out, err) == (0, f"The report on Mill Lane bakery / Condenser 1: {name}\n", "")
    assert (visits / "a.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert (visits / "a.pdf").read_bytes().startswith(b"%PDF-")
    assert (visits / "a.md").read_text(encoding="utf-8").startswith("# Service report")
    report = json.loads((visits / "a.json").read_text(encoding="utf-8"))
    assert [reading["text"] for reading in report["readings"]] == ["43.2 µF", "7.49 µF"]
    assert sorted(path.name for path in visits.glob("*report*")) == []  # no temporary file is left


def test_standard_output_is_the_report_alone(visits: Path) -> None:
    _, out, err = run_command("report", "--last", "--format", "json")
    assert err == ""
    assert json.loads(out)["place"] == "Mill Lane bakery / Condenser 1"


def test_a_unit_at_several_sites_is_asked_for(visits: Path) -> None:
    store_visits(visits / DATABASE_FILE, [SEASONS[0].__class__("2025-11-01", ELSEWHERE, SEASONS[0].accepted)])
    code, _, err = run_command("report", "--unit", "condenser 1")
    assert (code, err) == (
        2,
        "meterlink: Several sites have a unit 'condenser 1': Mill Lane bakery, School. Name one with --site.\n",
    )
    _, out, _ = run_command("report", "--unit", "condenser 1", "--site", "school", "--format", "json")
    assert json.loads(out)["place"] == "School / Condenser 1"


@pytest.mark.parametrize(
    ("args", "error"),
    [
        (["--last", "--unit", "x"], "Give one of VISIT, --last and --unit. See: meterlink report --help"),
        (["--site", "x"], "--site says where --unit is: give that, too. See: meterlink report --help"),
        (["--unit", "Condensr 1"], "No visit is to a unit 'Condensr 1'. Did you mean Condenser 1?"),
        (
            ["-o", "x.docx"],
            f"No format has the ending .docx: use {ENDINGS}, or give --format. See: meterlink report --help",
        ),
        (["ffff0000ffff"], "There is no visit 'ffff0000ffff'. List them: meterlink visit list"),
        (
            ["-o", "no/folder.html"],
            "no/folder.html cannot be written: No such file or directory. Give another file to -o.",
        ),
    ],
)
def test_a_mistake_is_answered_in_one_line(visits: Path, args: list[str], error: str) -> None:
    assert run_command("report", *args) == (2, "", f"meterlink: {error}\n")


def test_without_the_library_of_the_pdf_one_line_says_how_to_go_on(
    visits: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    code, out, err = run_command("report", "-o", "report.pdf")
    assert (code, out) == (2, "")
    assert err == (
        "meterlink: PDF needs a library that is not installed. Install it: pip install 'meterlink[pdf]'. "
        "Or print the HTML: --format html\n"
    )
    assert list(visits.glob("*report*")) == []


def test_a_pdf_on_standard_output_is_the_file_alone(visits: Path) -> None:
    done = CliRunner().invoke(cli, ["report", "--format", "pdf", "--paper", "letter"])
    (page, *_) = PdfReader(BytesIO(done.stdout_bytes)).pages
    assert (round(page.mediabox.width), round(page.mediabox.height)) == (612, 792)


def test_a_voided_reading_of_the_database_is_struck_through(data: Path) -> None:
    keep_record(data / DATABASE_FILE)
    _, out, _ = run_command("report", "--last", "--voice", "technical")
    assert f"voided, it counts nowhere: {VOID_REASON}" in out
    assert "<del>" in out
    assert "judged again: an earlier verdict was replaced" in out


def test_brackets_in_the_name_of_a_part_hide_no_replacement(data: Path) -> None:
    # An own plan may call a part 'run capacitor [left]'. Its replacement divides the readings all the same.
    numbers = count()
    write_visit(data / DATABASE_FILE, lambda: f"part [{next(numbers)}]", Random(2))
    report = json.loads(run_command("report", "--format", "json").out)
    (replaced,) = report["replaced"]
    assert [point["outcome"] for point in replaced["points"]] == ["new part outside", "not proven"]


def test_the_firm_and_its_logo_stand_at_the_head(visits: Path) -> None:
    (visits / "logo.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(20))
    (visits / "settings.toml").write_text('[firm]\nname = "Harbour <Cooling>"\nlogo = "logo.png"\n', encoding="utf-8")
    _, out, _ = run_command("report")
    assert "Harbour &lt;Cooling&gt;" in out
    assert '<img src="data:image/png;base64,' in out
    assert str(visits) not in out  # no folder of this machine


def test_a_logo_that_is_no_picture_is_named_and_left_out(visits: Path) -> None:
    (visits / "settings.toml").write_text('[firm]\nname = "Harbour Cooling"\nlogo = "logo.svg"\n', encoding="utf-8")
    code, out, err = run_command("report")
    assert (code, err) == (0, "The logo logo.svg is not in the report. The file is not there.\n")
    assert "<img" not in out


def test_a_failed_write_leaves_the_file_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "report.html"
    target.write_text("before", encoding="utf-8")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left on device"):
        write_output(str(target), b"after")
    assert target.read_text(encoding="utf-8") == "before"
    assert list(tmp_path.iterdir()) == [target]


def test_a_device_is_written_to_and_a_link_is_followed(tmp_path: Path) -> None:
    fifo, link, target = tmp_path / "pipe", tmp_path / "link.html", tmp_path / "kept.html"
    os.mkfifo(fifo)
    reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_output(str(fifo), b"through")
        assert os.read(reader, 100) == b"through"
    finally:
        os.close(reader)
    assert fifo.is_fifo()
    link.symlink_to(target)
    write_output(str(link), b"followed")
    assert link.is_symlink()
    assert target.read_text(encoding="utf-8") == "followed"


def test_a_file_is_readable_as_any_new_one(tmp_path: Path) -> None:
    write_output(str(tmp_path / "report.html"), "µ".encode())
    (tmp_path / "other").touch()
    assert (tmp_path / "report.html").stat().st_mode == (tmp_path / "other").stat().st_mode
    with pytest.raises(InputError, match="cannot be written"):
        write_output(str(tmp_path), b"a folder")
