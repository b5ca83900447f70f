"""The typesetter: three forms of one template, exact in mm, the same bytes each time; texts are data."""

import re
import sys
from io import BytesIO

import pypdf
import pytest
from PIL import Image

from meterlink.core.errors import MeterlinkError
from meterlink.record.typesetting import PrintForm, typeset

PAGE = """
#let d = json(bytes(sys.inputs.data))
#set page(width: 60mm, height: 40mm, margin: 2mm)
#for name in d { text(name); pagebreak(weak: true) }
"""
MARKUP = '#panic("run") $a$ *b* // c'


def test_a_page_has_its_size_in_every_form() -> None:
    (pdf,) = typeset(PAGE, ["one"], PrintForm.PDF)
    box = pypdf.PdfReader(BytesIO(pdf)).pages[0].mediabox
    assert [round(float(side) / 72 * 25.4, 2) for side in (box.width, box.height)] == [60, 40]
    (svg,) = typeset(PAGE, ["one"], PrintForm.SVG)
    sides = re.findall(rb'(?:width|height)="([\d.]+)pt"', svg[:200])
    assert [round(float(side) / 72 * 25.4, 2) for side in sides] == [60, 40]
    (png,) = typeset(PAGE, ["one"], PrintForm.PNG)
    picture = Image.open(BytesIO(png))
    picture.load()  # checks the checksum of every chunk
    per_mm = picture.info["dpi"][0] / 25.4
    assert [side / per_mm for side in picture.size] == pytest.approx([60, 40], abs=0.1)


def test_a_pdf_has_all_pages_and_a_picture_has_one() -> None:
    assert [len(typeset(PAGE, ["one", "two"], form)) for form in PrintForm] == [1, 2, 2]


@pytest.mark.parametrize("form", PrintForm)
def test_the_same_data_are_the_same_bytes(form: PrintForm) -> None:
    assert typeset(PAGE, ["one"], form) == typeset(PAGE, ["one"], form)


def test_markup_in_a_text_is_set_as_it_stands() -> None:
    (pdf,) = typeset(PAGE, [MARKUP], PrintForm.PDF)
    assert " ".join(pypdf.PdfReader(BytesIO(pdf)).pages[0].extract_text().split()) == MARKUP


def test_a_missing_typesetter_is_named_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(MeterlinkError) as error:
        typeset(PAGE, [], PrintForm.PDF)
    assert str(error.value) == ("A PDF needs a typesetter that is not installed. Add it: pip install 'meterlink[pdf]'")
