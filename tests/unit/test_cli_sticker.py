"""``meterlink sticker``: which parts, which values; compared with the database; nothing personal."""

import re
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pypdf
import pytest
import zxingcpp
from PIL import Image

from meterlink.core.equipment import Site
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from support.commands import run_command
from support.fitted_parts import COIL, FAN, HERM, NEW_DUAL, PLACE, Event, Fitted, Labelled, Read, store_visit

COIL_24 = Fitted("contactor coil", {COIL.key: "10 to 18 Ω"}, "10 to 18 Ω")


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def store(data: Path, day: str, *events: Event, place: Site = PLACE) -> None:
    store_visit(data / DATABASE_FILE, day, events, place)


def printed(data: Path, *args: str) -> list[str]:
    """Return the text of each page of the stickers in a PDF, its lines joined."""
    status, out, err = run_command("sticker", "condenser 1", "-o", "new.pdf", "--size", "100x60", *args)
    assert (status, err) == (0, ""), err
    pages = pypdf.PdfReader(BytesIO((data / "new.pdf").read_bytes())).pages
    assert out.startswith(f"{len(pages)} sticker")
    return [" ".join(page.extract_text().split()) for page in pages]


def test_a_fitted_part_shows_its_rating_and_the_first_reading_of_each_section(data: Path) -> None:
    """The old part's readings, and those after the first of the new one, say nothing of the part when it was new."""
    store(
        data, "2026-07-01",
        Read(HERM, "28.1 uF"), Read(FAN, "4.9 uF"), NEW_DUAL, Read(HERM, "45.2 uF"), Read(HERM, "45.9 uF"),
    )  # fmt: skip
    (text,) = printed(data)
    (stored,) = Reader(data / DATABASE_FILE).replacements()
    value, volts = "45+5 µF", "440 V, ±6 %"
    assert stored.replacement.new_rating == "45+5 µF ±6 % 440 V"
    assert f"Run capacitor HERM + FAN compressor, condenser fan {value} {volts} Fitted 2026-07-01" in text
    assert "New HERM: 45.2 µF New FAN: not read" in text
    assert "verify" in text  # the caution
    for absent in ("28.1", "45.9", "Mill", "bakery", "Condenser 1", "Robin", "J-4711", "clamp meter"):
        assert absent not in text


def test_a_voided_reading_is_no_value_of_the_part(data: Path) -> None:
    """The technician voided a reading with the probes on the wrong terminals: the next one counts."""
    store(data, "2026-07-01", NEW_DUAL, Read(HERM, "5.1 uF", void="wrong terminal"), Read(HERM, "45.1 uF"))
    (text,) = printed(data)
    assert "New HERM: 45.1 µF" in text


def test_a_reading_of_a_later_visit_stands_with_its_day(data: Path) -> None:
    """A part first read a year after it was fitted has aged: its value is not called new."""
    store(data, "2026-07-01", NEW_DUAL, Read(FAN, "5.02 uF"))
    store(data, "2027-06-01", Read(HERM, "44.0 uF"), Read(FAN, "4.9 uF"))
    (text,) = printed(data)
    assert "HERM 2027-06-01: 44.0 µF New FAN: 5.02 µF" in text
    assert "Fitted 2026-07-01" in text


def test_a_new_part_outside_its_limits_is_said_to_be_so(data: Path) -> None:
    store(data, "2026-07-01", NEW_DUAL, Read(HERM, "40.1 uF"))
    (text,) = printed(data)
    assert "New HERM: 40.1 µF, outside" in text


def test_an_overload_is_no_value_but_an_open_part_is_named(data: Path) -> None:
    """OL on a coil proves it open; OL on a capacitance function proves nothing of the part."""
    store(data, "2026-07-01", COIL_24, Read(COIL, "OL Mohm"))
    (text,) = printed(data)
    assert "New: OL MΩ, open" in text


def test_the_newest_part_counts(data: Path) -> None:
    single = Fitted("run capacitor", {HERM.key: "45 µF 440 V"}, "45 µF 440 V", sections=("HERM",))
    store(data, "2026-07-01", NEW_DUAL, Read(HERM, "45.2 uF"), Read(FAN, "5.02 uF"))
    store(data, "2027-07-01", NEW_DUAL, Read(HERM, "45.3 uF"))
    (text,) = printed(data)
    assert "Fitted 2027-07-01 New HERM: 45.3 µF New FAN: not read" in text
    store(data, "2028-07-01", single, Read(HERM, "45.4 uF"))
    dual, other = printed(data)
    # The dual goes on serving the fan.
    assert dual.startswith("Run capacitor FAN condenser fan 45+5 µF 440 V, ±6 % Fitted 2027-07-01 New FAN: not read")
    assert other.startswith("Run capacitor HERM compressor 45 µF 440 V, tolerance not read Fitted 2028-07-01")
    assert "New HERM: 45.4 µF" in other


def test_a_label_read_again_counts_and_two_labels_are_refused(data: Path) -> None:
    """The label was typed in wrongly at the repair, and put right in the next visit."""
    store(data, "2026-07-01", NEW_DUAL)
    better = "40+5 µF ±6 % 440 V"
    store(data, "2027-07-01", Labelled({HERM.key: better, FAN.key: better}))
    (text,) = printed(data)
    assert "40+5 µF 440 V, ±6 %" in text
    store(data, "2028-07-01", Labelled({HERM.key: "35 µF 440 V"}))
    status, _, err = run_command("sticker", "condenser 1", "-o", "new.pdf")
    assert status == 2
    assert "The sections of the run capacitor have different ratings: HERM 35 µF 440 V, FAN 40+5 µF" in err


def test_without_a_replacement_the_parts_whose_rating_was_read(data: Path) -> None:
    """Nobody knows how old such a part is: its newest value stands with its day, and is not called new."""
    dual = "45+5 µF 370/440 V"
    store(data, "2026-07-01", Labelled({HERM.key: dual, FAN.key: dual}), Read(HERM, "45.2 uF"))
    store(data, "2027-07-01", Read(HERM, "44.9 uF"))
    (text,) = printed(data)
    assert "45+5 µF 370/440 V, tolerance not read Day of fitting not known" in text
    assert "HERM 2027-07-01: 44.9 µF FAN: not read" in text
    assert "New" not in text


def test_a_part_is_chosen_by_its_name(data: Path) -> None:
    store(data, "2026-07-01", NEW_DUAL, COIL_24, Read(COIL, "12.4 ohm"))
    assert len(printed(data)) == 2
    (text,) = printed(data, "--part", "Contactor Coil")
    assert text.startswith("Contactor coil control 10 to 18 Ω Fitted 2026-07-01 New: 12.4 Ω")


def test_a_code_carries_the_same_text_in_every_form(data: Path) -> None:
    store(data, "2026-07-01", NEW_DUAL, Read(HERM, "45.2 uF"), Read(FAN, "5.02 uF"))
    assert run_command("sticker", "Condenser 1", "--qr", "-o", "new.png").status == 0
    (code,) = zxingcpp.read_barcodes(Image.open(data / "new.png"))
    assert code.text == (
        "Run capacitor HERM + FAN\ncompressor, condenser fan\n45+5 µF\n440 V, ±6 %\nFitted 2026-07-01\n"
        "New HERM: 45.2 µF\nNew FAN: 5.02 µF"
    )
    assert run_command("sticker", "Condenser 1", "--qr", "-o", "new.svg").status == 0
    size = re.search(rb'width="([\d.]+)pt" height="([\d.]+)pt"', (data / "new.svg").read_bytes())
    assert size is not None
    assert [round(float(side) / 72 * 25.4, 2) for side in size.groups()] == [60, 40]


def test_a_sheet_begins_behind_the_stickers_that_are_used(data: Path) -> None:
    store(data, "2026-07-01", NEW_DUAL, COIL_24)
    args = ("sticker", "Condenser 1", "--sheet", "2x1:70x37", "-o", "new.pdf")
    for skip, pages in ((0, 1), (1, 2)):
        assert run_command(*args, "--skip", str(skip)).status == 0
        read = pypdf.PdfReader(data / "new.pdf").pages
        assert len(read) == pages
        assert [round(float(side) / 72 * 25.4, 1) for side in (read[0].mediabox.width, read[0].mediabox.height)] == [
            210, 297,
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("args", "error"),
    [
        (["Condensr 1", "-o", "a.pdf"], "There is no unit 'Condensr 1'. Did you mean Condenser 1?"),
        (["Condenser 1", "--part", "run capacitr", "-o", "a.pdf"], "Did you mean run capacitor?"),
        (["Condenser 1", "-o", "a.txt"], "a.txt does not end in .pdf, .svg, .png: name FILE so, or give --format."),
        (["Condenser 1", "-o", "-"], "- does not end in .pdf, .svg, .png"),
        (["Condenser 1", "-o", "a.png"], "A PNG has one page, and these are 2: run capacitor, contactor coil. Name"),
        (["Condenser 1", "--skip", "1", "-o", "a.pdf"], "--margins, --paper and --skip are those of a sheet"),
        (
            ["Condenser 1", "--size", "50x25", "--sheet", "3x8:70x37", "-o", "a.pdf"],
            "--sheet has the size of its stickers: leave --size out.",
        ),
        (["Condenser 1", "--size", "19x40", "-o", "a.pdf"], "A sticker of 19 x 40 mm is out of bounds. Give 20 to 300"),
        (["Condenser 1", "--size", "big", "-o", "a.pdf"], "'big' is no size of a sticker. Write two numbers of mm"),
        (["Condenser 1", "--size", "25x14", "-o", "a.pdf"], "does not fit 25 x 14 mm: letters below 1.2 mm"),
        (["Condenser 1", "--sheet", "9x9:70x37", "-o", "a.pdf"], "9 stickers of 70 mm across do not fit the 210 mm"),
        (["Condenser 1", "--sheet", "3x8:70x37", "--skip", "24", "-o", "a.pdf"], "--skip 24 leaves no sticker"),
        (["Condenser 1", "-o", "no/folder.pdf"], "no/folder.pdf cannot be written: No such file or directory."),
    ],
)
def test_a_mistake_is_answered_in_one_line(data: Path, args: list[str], error: str) -> None:
    store(data, "2026-07-01", NEW_DUAL, COIL_24)
    status, out, err = run_command("sticker", *args)
    assert (status, out) == (2, "")
    assert error in err
    assert len(err.splitlines()) == 1
    assert not list(data.glob("a.*"))


def test_a_unit_at_several_sites_is_asked_for(data: Path) -> None:
    store(data, "2026-07-01", NEW_DUAL)
    store(data, "2026-07-02", COIL_24, place=Site("School", "Condenser 1"))
    err = run_command("sticker", "Condenser 1", "-o", "a.pdf").err
    assert "Several sites have a unit 'Condenser 1': Mill Lane bakery, School. Name one with --site." in err
    (text,) = printed(data, "--site", "school")
    assert text.startswith("Contactor coil")


def test_a_part_without_a_rating_has_no_sticker(data: Path) -> None:
    store(data, "2026-07-01", Fitted("contactor coil", {}, ""))
    status, _, err = run_command("sticker", "Condenser 1", "-o", "a.pdf")
    assert status == 2
    assert err.splitlines() == [
        "No sticker for the contactor coil: its rating was not read.",
        "meterlink: No rating of a part of Condenser 1 is known. Enter one in a visit: meterlink visit rating.",
    ]


def test_a_day_is_that_of_the_site(data: Path) -> None:
    """At noon UTC it is the next day on an island 14 hours ahead."""
    store(data, "2026-07-01", NEW_DUAL)
    assert run_command("site", "set", PLACE.name, "--time-zone", "Pacific/Kiritimati").status == 0
    (text,) = printed(data)
    assert "Fitted 2026-07-02" in text


@pytest.mark.parametrize(
    ("old", "objection", "line"),
    [
        ("45+5 µF 370 V", "", ""),  # the same values, more volts: the right part
        ("", "", ""),
        ("50+5 µF 440 V", "", "In place of 50+5 µF 440 V Fitted"),  # another rated value
        ("45+5 µF 660 V", "440 V is below 660 V.", "In place of 45+5 µF 660 V Fitted"),
    ],
)
def test_a_makeshift_names_the_part_that_belongs_there(data: Path, old: str, objection: str, line: str) -> None:
    """The next technician would buy the rating that is on the sticker."""
    store(data, "2026-07-01", replace(NEW_DUAL, old_rating=old, objection=objection))
    (text,) = printed(data)
    assert line in text
    assert ("In place of" in text) is bool(line)


def test_a_contactor_of_another_rating_is_a_makeshift_too(data: Path) -> None:
    store(data, "2026-07-01", replace(COIL_24, old_rating="8 to 14 Ω"))
    (text,) = printed(data)
    assert "10 to 18 Ω In place of 8 to 14 Ω Fitted" in text
