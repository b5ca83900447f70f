"""The PDF of a report: every value of the visit is in its text, it is tagged, and the same report is the same file."""

import re
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from importlib import resources
from io import BytesIO
from itertools import pairwise
from typing import Any

import pytest
import typst
from PIL import Image
from pypdf import PdfReader

from meterlink.core.equipment import Site
from meterlink.core.firm import Firm
from meterlink.record.model import Label, Picture, Report, Voice
from meterlink.record.paper import Paper
from meterlink.record.pdf import pdf_report
from meterlink.record.pictures import NOT_READABLE, make_picture
from meterlink.record.report import make_report
from support.pdf_structure import pdf_elements
from support.visit_records import customers_report, full_record

MARKUP = (
    '#panic("x") #read("/etc/passwd") #import "@preview/x:1.0.0": * = head *b* _i_ $x^2$ `raw` @ref <label> \\ // -- ~'
)


def make_pdf(report: Report, voice: Voice = Voice.CUSTOMER, paper: Paper = Paper.A4) -> bytes:
    document = pdf_report(report, voice, paper)
    assert document.remark == ""
    return document.content


def read(pdf: bytes) -> PdfReader:
    return PdfReader(BytesIO(pdf))


def squeezed(text: str) -> str:
    """Return a text without spaces: a line of a page may break anywhere."""
    return re.sub(r"\s+", "", text)


def text_of(pdf: bytes) -> str:
    return squeezed("".join(page.extract_text() for page in read(pdf).pages))


def picture(kind: str) -> bytes:
    file = BytesIO()
    Image.new("L", (40, 20), 128).save(file, kind)
    return file.getvalue()


@pytest.mark.parametrize("voice", Voice)
def test_every_reading_is_in_the_text(voice: Voice) -> None:
    record = full_record()
    text = text_of(make_pdf(make_report(record), voice))
    for row in record.rows:
        limits = row.judgement.limits
        assert limits is not None
        assert squeezed(row.reading.text) in text
        assert squeezed(f"{limits.low.normalize():f} to {limits.high.normalize():f} {limits.unit}") in text
    for entry in make_report(record).readings:
        assert squeezed(f"{entry.mark} {entry.verdict}") in text
        assert squeezed(entry.part) in text


def test_the_technical_pdf_has_all_that_the_report_has() -> None:
    report = make_report(full_record())
    text = text_of(make_pdf(report, Voice.TECHNICAL))
    texts = [
        *(fact.text for entry in report.readings for fact in entry.details),
        *(remark for entry in report.readings for remark in entry.remarks),
        *(before.reason for entry in report.readings for before in entry.earlier),
        *(fact.text for cause in report.causes for fact in cause.evidence), *(cause.title for cause in report.causes),
        *(part.ratings for part in report.replaced), *(point.text for point in report.untested),
        *(fact.text for fact in (*report.facts, *report.unit_facts)), *(photo.remark for photo in report.photos),
        *(part.objection for part in report.replaced), *report.seal,
        *report.proofs, *report.notes, *report.left, *report.cautions, *report.limitations, *report.made,
        *report.measured, *report.diagnosis_notes, report.summary, report.found, report.done, report.firm,
        report.firm_address, report.place,
    ]  # fmt: skip
    assert [shown for shown in texts if squeezed(shown) not in text] == []


def blanked(value: Any) -> Any:
    """Return a part of a report with ``o`` for every text that is shown."""
    match value:
        case Picture():
            return Picture("o", remark="o")
        case tuple():
            return tuple(map(blanked, value))
        case _ if is_dataclass(value) and not isinstance(value, type):
            return replace(value, **{field.name: blanked(getattr(value, field.name)) for field in fields(value)})
        case _:
            return "o" if type(value) is str else value


@pytest.mark.parametrize("voice", Voice)
def test_the_form_has_no_word_of_its_own(voice: Voice) -> None:
    report: Report = replace(blanked(make_report(full_record())), day="2026-07-01")
    text = text_of(make_pdf(report, voice))
    for label in sorted(map(squeezed, Label), key=len, reverse=True):
        text = text.replace(label, "")
    assert set(text) <= set("o✓✗≈?") | set("0123456789/•")  # numbers of pages, points of lists


@pytest.mark.parametrize("voice", Voice)
def test_it_is_tagged_for_screen_readers(voice: Voice) -> None:
    report = make_report(replace(full_record(), photos=[make_picture("plate.png", picture("PNG"))]))
    pdf = make_pdf(report, voice)
    root: Any = read(pdf).trailer["/Root"]
    assert b"<pdfuaid:part>1</pdfuaid:part>" in root["/Metadata"].get_data()
    assert root["/Lang"] == "en"
    assert read(pdf).metadata.title == f"Service report: {report.place}"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    elements = list(pdf_elements(pdf))
    levels = [int(element["/S"][2:]) for element in elements if re.fullmatch(r"/H\d", element["/S"])]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(below - above <= 1 for above, below in pairwise(levels))
    pictures = [element for element in elements if element["/S"] == "/Figure"]
    shown = {entry.scale for entry in report.readings}
    assert {element.get("/Alt") for element in pictures} == {*shown, "plate.png", "logo.png"}
    assert {"/TH", "/TD", "/L", "/LI"} <= {element["/S"] for element in elements}


@pytest.mark.parametrize("voice", Voice)
def test_the_same_report_is_the_same_file(voice: Voice) -> None:
    made = [make_pdf(make_report(full_record()), voice) for _ in range(2)]
    assert made[0] == made[1]
    assert read(made[0]).metadata.creation_date_raw == "D:20260701000000Z"


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> Callable[[Report, Voice], list[Image.Image]]:
    """The pages as pictures, 2 pixels to a mm."""
    compile_pdf = typst.compile

    def compile_pictures(path: Any, *, root: Any, sys_inputs: Any, **_options: Any) -> Any:
        return compile_pdf(path, root=root, sys_inputs=sys_inputs, format="png", ppi=50.8)

    def draw(report: Report, voice: Voice) -> list[Image.Image]:
        with monkeypatch.context() as patched:
            patched.setattr(typst, "compile", compile_pictures)
            made: Any = pdf_report(report, voice).content
        return [Image.open(BytesIO(page)).convert("RGB") for page in (made if isinstance(made, list) else [made])]

    return draw


def test_text_is_dark_on_white() -> None:
    # Each fill of a text is one of two greys; their contrast on white is 7 to 1 or more (WCAG 2.2, 1.4.6).
    form = resources.files("meterlink.record").joinpath("report.typ").read_text(encoding="utf-8")
    greys = dict(re.findall(r"#let (\w+) = luma\((\d+)%\)", form))
    assert set(re.findall(r"fill: (\w+)", form)) == set(greys)
    for percent in greys.values():
        part = int(percent) / 100
        luminance = part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
        assert 1.05 / (luminance + 0.05) >= 7


@pytest.mark.parametrize("voice", Voice)
def test_all_is_black_and_grey(drawn: Callable[[Report, Voice], list[Image.Image]], voice: Voice) -> None:
    for page in drawn(make_report(full_record()), voice):
        red, green, blue = (band.tobytes() for band in page.split())
        assert red == green == blue
        assert len(set(red)) > 2


def test_the_customers_pdf_names_customer_objection_seal_rule_and_software() -> None:
    report = make_report(full_record())
    text = text_of(make_pdf(report))
    shown = [*(fact.text for fact in report.customer_facts), *report.seal, *report.made, report.replaced[0].objection]
    assert [line for line in shown if squeezed(line) not in text] == []


@pytest.mark.parametrize("paper", Paper)
@pytest.mark.parametrize(("count", "pages"), [(3, 1), (10, 2)])
def test_the_customers_pdf_has_few_pages(count: int, pages: int, paper: Paper) -> None:
    report = customers_report(count)
    (first, *others) = read(make_pdf(report, paper=paper)).pages
    assert (round(first.mediabox.width), round(first.mediabox.height)) == {
        Paper.A4: (595, 842), Paper.LETTER: (612, 792)
    }[paper]  # fmt: skip
    assert 1 + len(others) <= pages


@pytest.mark.parametrize("voice", Voice)
def test_markup_in_a_name_is_text(voice: Voice) -> None:
    record = full_record()
    record = replace(record, stored=record.stored._replace(site=Site(MARKUP, "Condenser 1"), technician=MARKUP))
    text = text_of(make_pdf(make_report(record), voice))
    assert text.count(squeezed(MARKUP)) == (2 if voice is Voice.CUSTOMER else 3)  # place, site, technician


@pytest.mark.parametrize("voice", Voice)
def test_a_long_word_stays_on_the_page_and_whole_in_the_text(
    drawn: Callable[[Report, Voice], list[Image.Image]], voice: Voice
) -> None:
    record, word = full_record(), "W" * 250
    record = replace(
        record,
        stored=record.stored._replace(site=Site("s", word), technician=word),
        rows=[row._replace(component=word, void_reason=row.void_reason and word) for row in record.rows],
        facts=[(fact, word, at) for fact, _, at in record.facts],
        firm=Firm(word, word),
    )
    report = make_report(record)
    assert word in text_of(make_pdf(report, voice))
    for page in drawn(report, voice):
        margin = page.crop((page.width - 26, 0, page.width, page.height))  # 13 of 14 mm
        assert margin.getcolors() == [(margin.width * margin.height, (255, 255, 255))]


def test_a_character_that_no_font_has_is_said_and_makes_no_file_impossible() -> None:
    record, name = full_record(), "Anna \U00012000\U00012001"  # cuneiform
    record = replace(record, stored=record.stored._replace(technician=name))
    pdf, remark = pdf_report(make_report(record))
    assert remark.startswith("Some characters are boxes in the PDF")
    assert "TechnicianAnna" in text_of(pdf)
    root: Any = read(pdf).trailer["/Root"]
    assert b"pdfuaid" not in root["/Metadata"].get_data()
    assert any(element["/S"] == "/H1" for element in pdf_elements(pdf))


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "GIF", "WEBP"])
def test_a_picture_is_in_the_file_and_a_broken_one_is_named(kind: str) -> None:
    whole, half = make_picture("plate", picture(kind)), make_picture("half", picture(kind)[:30])
    pdf = make_pdf(make_report(replace(full_record(), photos=[whole, half])))
    assert [element["/Alt"] for element in pdf_elements(pdf) if element.get("/Alt") in {"plate", "half"}] == ["plate"]
    assert squeezed(f"half {NOT_READABLE}") in text_of(pdf)
