"""Stickers on paper: a page for each, or sheets of them."""

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from meterlink.record.qr_code import qr_code
from meterlink.record.sticker import Sticker
from meterlink.record.sticker_layout import FONT, StickerLayout, lay_out
from meterlink.record.sticker_sheet import StickerSheet, places
from meterlink.record.typesetting import PrintForm, typeset

_INSET = Decimal("1.5")  # the white rim of a sticker: knives and printers are this exact
_INSET_ON_SHEET = Decimal(2)  # of one on a sheet, which an office printer meets within a millimetre or two

# Black on white. Every line stands at its place: nothing flows, so nothing runs over.
_TEMPLATE = """
#let data = json(bytes(sys.inputs.data))
#set document(title: data.title, date: none)
#set text(
  font: data.font, fallback: false, lang: "en", ligatures: false, top-edge: 0.93em, bottom-edge: -0.24em, fill: black,
)
#set par(leading: 0pt, spacing: 0pt)
#set page(margin: 0pt)
#for sheet in data.pages {
  page(width: sheet.width * 1mm, height: sheet.height * 1mm, {
    for line in sheet.lines {
      place(top + left, dx: line.x * 1mm, dy: line.y * 1mm,
        box(text(size: line.size * 1mm, weight: if line.bold { 700 } else { 400 }, line.text)))
    }
    for code in sheet.codes {
      place(top + left, dx: code.x * 1mm, dy: code.y * 1mm,
        image(bytes(code.svg), format: "svg", width: code.width * 1mm, alt: "QR code of the text beside it"))
    }
  })
}
"""


def print_stickers(
    stickers: Sequence[Sticker], size: tuple[Decimal, Decimal], form: PrintForm, *, with_code: bool = False
) -> list[bytes]:
    """Return a page of ``size`` (width and height, mm) for each sticker: one file as PDF, a file each as SVG and PNG.

    Raises:
        InputError: a sticker does not fit, or has letters that the type has not, or the typesetter is not
            installed.
    """
    layouts = [_layout(sticker, *size, _INSET, with_code=with_code) for sticker in stickers]
    return _typeset([_page(*size, [(Decimal(), Decimal(), layout)]) for layout in layouts], form)


def print_sheets(
    stickers: Sequence[Sticker], sheet: StickerSheet, skip: int, form: PrintForm, *, with_code: bool = False
) -> list[bytes]:
    """Return the stickers on sheets, of which the first ``skip`` are used already.

    Raises:
        InputError: a sticker does not fit, or has letters that the type has not, ``skip`` leaves no place, or the
            typesetter is not installed.
    """
    layouts = [
        _layout(sticker, sheet.width, sheet.height, _INSET_ON_SHEET, with_code=with_code) for sticker in stickers
    ]
    remaining, pages = iter(layouts), []
    for corners in places(sheet, len(layouts), skip):
        placed = [(x, y, layout) for (x, y), layout in zip(corners, remaining, strict=False)]
        pages.append(_page(*sheet.paper.size, placed))
    return _typeset(pages, form)


def _layout(sticker: Sticker, width: Decimal, height: Decimal, inset: Decimal, *, with_code: bool) -> StickerLayout:
    return lay_out(sticker, width, height, inset, qr_code(sticker.plain_text) if with_code else None)


def _page(width: Decimal, height: Decimal, placed: Iterable[tuple[Decimal, Decimal, StickerLayout]]) -> dict[str, Any]:
    lines, codes = [], []
    for x, y, layout in placed:
        lines += [
            {
                "x": float(x + line.x),
                "y": float(y + line.y),
                "size": float(line.size),
                "bold": line.is_bold,
                "text": line.text,
            }
            for line in layout.lines
        ]
        if (code := layout.code) is not None:
            codes.append(
                {
                    "x": float(x + code.x),
                    "y": float(y + code.y),
                    "width": float(code.width),
                    "svg": code.code.svg(),
                }
            )
    return {"width": float(width), "height": float(height), "lines": lines, "codes": codes}


def _typeset(pages: Sequence[dict[str, Any]], form: PrintForm) -> list[bytes]:
    return typeset(_TEMPLATE, {"title": "Stickers", "font": FONT, "pages": pages}, form)
