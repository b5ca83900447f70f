"""The layout of a sticker: it fits and is whole, or it is refused; the letters and widths of the type; the QR code."""

import json
import re
import unicodedata
from decimal import Decimal
from io import BytesIO
from itertools import pairwise

import pypdf
import pytest
import typst
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageFilter

from meterlink.core.cautions import sticker_cautions
from meterlink.core.errors import InputError
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.record import sticker_layout
from meterlink.record.paper import Paper
from meterlink.record.qr_code import qr_code
from meterlink.record.sticker import Sticker
from meterlink.record.sticker_layout import SMALLEST_DIGIT, SMALLEST_LETTER, lay_out
from meterlink.record.sticker_print import print_sheets, print_stickers
from meterlink.record.sticker_sheet import parse_sheet, parse_size
from meterlink.record.typesetting import PIXELS_PER_INCH, PrintForm
from support.examples import examples

NOTES = ("Fitted 2026-07-01", "New HERM: 45.1\u00a0µF", "New FAN: 5.02\u00a0µF")
INSET = Decimal("1.5")
ADVANCE = Decimal(1233) / 2048
# The heights of x and of a digit in ems, of the font file.
X_HEIGHT, DIGIT = Decimal("0.547"), Decimal("0.729")


def sticker(rating: str = "45+5\u00a0µF", more: str = "440\u00a0V, ±6\u00a0%", title: str = "Run capacitor HERM + FAN"):
    return Sticker(
        "run capacitor", title, "compressor, condenser fan", rating, more, NOTES, sticker_cautions(is_capacitor=True)
    )


def parts(given: Sticker) -> str:
    """Return the text of a sticker without any space: a line may end where there is none."""
    return re.sub(r"\s", "", given.plain_text)


# Sizes

sizes = st.tuples(st.integers(20, 300), st.integers(12, 300)).map(lambda size: tuple(map(Decimal, size)))
# The ledger may hold any text, cleaned as the station cleans it.
ledger_texts = st.text(max_size=80).map(lambda text: clean_text(text, LONGEST_REMARK)).filter(bool)
usual_texts = st.from_regex(r"[0-9]{1,3}(\.[0-9])?([+/][0-9]{1,2})? (µF|V|A|Ω)( ±[0-9]{1,2} %)?", fullmatch=True)


@examples(60)
@given(st.one_of(ledger_texts, usual_texts), st.one_of(ledger_texts, usual_texts), sizes, st.booleans())
def test_any_rating_of_the_ledger_fits_and_is_whole_or_is_refused(rating, title, size, with_code) -> None:
    """A rating that is cut reads as another one."""
    made = sticker(rating, title=title)
    width, height = size
    try:
        laid = lay_out(made, width, height, INSET, qr_code(made.plain_text) if with_code else None)
    except InputError:
        return
    lines = laid.lines
    text = re.sub(r"\s", "", "".join(line.text for line in lines))
    assert text.startswith(parts(made))  # all of it, in order, then the caution or nothing
    largest = max(line.size for line in lines)
    assert largest * DIGIT >= SMALLEST_DIGIT
    for line in lines:
        assert line.size * X_HEIGHT >= SMALLEST_LETTER
        assert line.x >= INSET
        assert line.x + ADVANCE * line.size * len(line.text) <= width - INSET
        assert line.y + Decimal("1.17") * line.size <= height - INSET
    for above, below in pairwise(lines):
        assert above.y + Decimal("1.17") * above.size <= below.y
    if laid.code is not None:
        code = laid.code
        assert 0 <= code.x <= code.x + code.width <= width
        assert 0 <= code.y <= code.y + code.width <= height
        for line in lines:
            right, bottom = line.x + ADVANCE * line.size * len(line.text), line.y + Decimal("1.17") * line.size
            assert right <= code.x or bottom <= code.y


@examples(20)
@given(st.one_of(ledger_texts, usual_texts), sizes)
def test_a_pdf_has_the_whole_text_in_one_page_of_its_size(rating, size) -> None:
    made = sticker(rating)
    try:
        (pdf,) = print_stickers([made], size, PrintForm.PDF)
    except InputError:
        return
    (page,) = pypdf.PdfReader(BytesIO(pdf)).pages
    assert re.sub(r"\s", "", page.extract_text()).startswith(parts(made))
    box = [round(float(side) / 72 * 25.4, 1) for side in (page.mediabox.width, page.mediabox.height)]
    assert box == [float(side) for side in size]


def test_the_largest_type_is_chosen() -> None:
    made = sticker()
    sizes = [max(line.size for line in lay_out(made, Decimal(w), Decimal(h), INSET).lines) for w, h in
             ((40, 25), (60, 40), (100, 50), (200, 100))]  # fmt: skip
    assert sizes == sorted(sizes)
    assert len(set(sizes)) == len(sizes)


def test_the_caution_stands_where_there_is_room_and_gives_way_to_the_rating() -> None:
    full, brief, least = sticker_cautions(is_capacitor=True)
    for size, caution in (("60x40", full), ("50x38", brief), ("50x33", least), ("40x25", "")):
        lines = lay_out(sticker(), *parse_size(size), INSET).lines
        text = " ".join(line.text for line in lines)
        assert text.endswith(f"⚠ {caution}" if caution else NOTES[-1]), (size, text)


def test_no_caution_says_that_a_part_may_be_touched() -> None:
    for is_capacitor in (True, False):
        for caution in sticker_cautions(is_capacitor=is_capacitor):
            assert caution.endswith("before you touch.")
            assert "verify" in caution
            assert "safe" not in caution


# Letters


def glyphs(texts: list[str]) -> list[list[tuple[str, str]]]:
    """Return, for each text, the glyphs of the bold and the plain type, and their places."""
    template = """
    #set page(width: 60mm, height: 40mm, margin: 0mm)
    #set text(font: "DejaVu Sans Mono", fallback: false, ligatures: false, size: 10pt)
    #for line in json(bytes(sys.inputs.data)) {
      place(top + left, text(line + line)); place(top + left, text(weight: 700, line + line)); pagebreak(weak: true)
    }
    """
    pages = typst.compile(
        template.encode(), format="svg", sys_inputs={"data": json.dumps(texts)},
        font_paths=typst.Fonts(include_system_fonts=False),
    )  # fmt: skip
    assert isinstance(pages, list)
    return [re.findall(r'<use xlink:href="#(\w+)" x="([\d.]+)"', page.decode()) for page in pages]


def test_every_letter_that_is_let_through_has_a_glyph_of_the_width_that_is_reckoned_with() -> None:
    """A letter without a glyph is a box on paper; the boxes are told by a letter that no such font has."""
    allowed = [
        letter
        for letter in map(chr, range(0x21, 0x3000))
        if sticker_layout._LETTERS.fullmatch(letter) and unicodedata.category(letter) != "Zs"
    ]
    assert len(allowed) > 500
    boxes = {name for name, _ in glyphs(["冷", "x"])[0]}
    assert boxes
    for letter, found in zip(allowed, glyphs(allowed), strict=True):
        assert not {name for name, _ in found} & boxes, letter
        assert len(found) == 4, letter  # twice in bold, twice in plain type
        assert max(float(place) for _, place in found) <= float(ADVANCE) * 10 + 0.001, letter


@pytest.mark.parametrize("letter", ["冷", "🔥", "ش", "א", "\u0301\u20dd"])
def test_a_letter_without_a_glyph_is_refused_by_name(letter: str) -> None:
    with pytest.raises(InputError, match="its type has no sign"):
        lay_out(sticker(f"45 {letter}"), Decimal(100), Decimal(100), INSET)


# Sheets


def test_a_sheet_without_margins_is_in_the_middle_and_margins_give_the_gaps() -> None:
    plain = parse_sheet("3x8:70x37", Paper.A4)
    assert plain.corners[:2] == ((0, Decimal("0.5")), (70, Decimal("0.5")))
    assert plain.corners[-1] == (140, Decimal("259.5"))
    spaced = parse_sheet("3x7:63.5x38.1", Paper.A4, "7.2x15.1")
    # By hand: (210 - 2 * 7.2 - 3 * 63.5) / 2 = 2.55 between the columns, (297 - 2 * 15.1 - 7 * 38.1) / 6 = 0.0167.
    assert spaced.corners[1][0] - spaced.corners[0][0] == Decimal("63.5") + Decimal("2.55")
    assert round(spaced.corners[3][1] - spaced.corners[0][1], 3) == Decimal("38.117")
    assert spaced.corners[-1][0] + Decimal("63.5") == 210 - Decimal("7.2")


@pytest.mark.parametrize("paper", Paper)
def test_no_sticker_lies_outside_the_paper_or_on_another(paper: Paper) -> None:
    sheet = parse_sheet("2x5:99.1x50", paper)
    (pdf,) = print_sheets([sticker()] * 13, sheet, 2, PrintForm.PDF)
    pages = pypdf.PdfReader(BytesIO(pdf)).pages
    assert [page.extract_text().count("Run capacitor") for page in pages] == [8, 5]
    for x, y in sheet.corners:
        assert 0 <= x <= x + sheet.width <= paper.size[0]
        assert 0 <= y <= y + sheet.height <= paper.size[1]


# The QR code, read by another implementation (zxing-cpp) than the one that makes it (segno)


def picture(size: str = "60x40") -> Image.Image:
    (png,) = print_stickers([sticker()], parse_size(size), PrintForm.PNG, with_code=True)
    return Image.open(BytesIO(png)).convert("L")


def read_code(image: Image.Image) -> str:
    codes = zxingcpp.read_barcodes(image, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode))
    return codes[0].text if len(codes) == 1 else f"{len(codes)} codes"


@pytest.mark.parametrize("angle", [0, 17, 45, 90, 180, 271])
@pytest.mark.parametrize("size", ["60x40", "100x50", "30x60"])
def test_a_code_is_read_in_grey_at_any_angle(angle: int, size: str) -> None:
    turned = picture(size).rotate(angle, Image.Resampling.BICUBIC, expand=True, fillcolor=200)
    assert read_code(turned) == sticker().plain_text


# A module is 0.375 mm: 4.4 dots of 300 an inch. A camera out of focus, or a label that has run, blurs half of it.
@pytest.mark.parametrize("radius", [1.0, 2.0])
@pytest.mark.parametrize("angle", [0, 17])
def test_a_blurred_code_is_read(radius: float, angle: int) -> None:
    blurred = picture().rotate(angle, Image.Resampling.BICUBIC, expand=True, fillcolor=200)
    assert read_code(blurred.filter(ImageFilter.GaussianBlur(radius))) == sticker().plain_text


def test_a_code_is_read_from_the_side_and_on_grey_ground() -> None:
    image = picture()
    width, height = image.size
    # The right edge is nearer than the left one: a trapezium.
    corners = (0, -height * 0.12, 0, height * 1.12, width, height, width, 0)
    aslant = image.transform(image.size, Image.Transform.QUAD, corners, Image.Resampling.BICUBIC, fillcolor=255)
    faded = aslant.point(lambda level: 90 + level * 130 // 255)  # ink that has faded, on a grey label
    assert read_code(faded) == sticker().plain_text


def test_a_code_is_read_with_a_stain_on_a_hundredth_of_it() -> None:
    """Level M restores 15 % of the codewords (ISO/IEC 18004)."""
    image = picture()
    (code,) = zxingcpp.read_barcodes(image)
    corner = code.position.bottom_right
    image.paste(0, (corner.x - 30, corner.y - 30, corner.x, corner.y))
    assert read_code(image) == sticker().plain_text


def test_a_code_says_that_it_is_utf_8() -> None:
    """Without ECI a reader takes bytes as ISO 8859-1 (ISO/IEC 18004), and µ would be two letters."""
    for text in ("45+5 µF", "Ω", "Łódź", "мкФ"):
        made = sticker(text)
        (png,) = print_stickers([made], parse_size("100x60"), PrintForm.PNG, with_code=True)
        (code,) = zxingcpp.read_barcodes(Image.open(BytesIO(png)))
        assert code.text == made.plain_text
        assert code.bytes.decode("utf-8") == made.plain_text
        assert "http" not in code.text


def test_a_png_is_in_black_grey_and_white_and_in_its_size() -> None:
    (png,) = print_stickers([sticker()], parse_size("60x40"), PrintForm.PNG, with_code=True)
    image = Image.open(BytesIO(png)).convert("RGB")
    colours = image.getcolors(1 << 24)
    assert colours is not None
    assert all(isinstance(colour, tuple) and len(set(colour)) == 1 for _, colour in colours)
    millimetres = [side / PIXELS_PER_INCH * 25.4 for side in image.size]
    assert millimetres == pytest.approx([60, 40], abs=0.1)


def test_a_text_beyond_a_code_is_refused() -> None:
    with pytest.raises(InputError, match="longer than a QR code holds"):
        qr_code("µ" * 3000)
