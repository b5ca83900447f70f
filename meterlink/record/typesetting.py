"""The typesetter: one template makes a PDF, an SVG or a PNG. The only importer of typst.

Texts reach a template as data, never as markup: a name is set as it stands.
"""

import json
import struct
import zlib
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING

from meterlink.core.errors import MeterlinkError

if TYPE_CHECKING:
    import typst

PIXELS_PER_INCH = 300
"""The resolution of a PNG: that of an office printer at its least, and a whole number of dots on those of 600."""

_MILLIMETRES_PER_INCH = 25.4
_PNG_HEAD = 33  # bytes: the signature (8), and the chunk IHDR, which is first (PNG, 5.2 and 5.6)
_DOTS_PER_METRE = 1  # the unit of pHYs (PNG, 11.3.4.3)


class PrintForm(StrEnum):
    """The forms of a typeset document."""

    PDF = "pdf"
    SVG = "svg"
    PNG = "png"


def typeset(template: str, data: object, form: PrintForm, *, made_utc_ns: int = 0) -> list[bytes]:
    """Return a document: one file of all pages as PDF, a file for each page as SVG and PNG.

    ``template`` is the program of the typesetter; it reads ``data`` by ``json(bytes(sys.inputs.data))``. The same
    arguments give the same bytes: only the fonts of the typesetter count, and ``made_utc_ns`` (ns since 1970 UTC) is
    the time that a PDF names. A PNG has `PIXELS_PER_INCH`.

    Raises:
        MeterlinkError: the typesetter is not installed.
    """
    try:
        import typst  # noqa: PLC0415  # 22 MB, of an extra: only where something is printed
    except ImportError as error:
        raise MeterlinkError(
            f"A {form.upper()} needs a typesetter that is not installed.", "Add it: pip install 'meterlink[pdf]'"
        ) from error
    # The types of the library promise bytes; several pages of SVG and PNG are a list.
    made: bytes | list[bytes] = typst.compile(
        template.encode(),
        format=form.value,
        ppi=PIXELS_PER_INCH,
        sys_inputs={"data": json.dumps(data)},
        font_paths=_fonts(),
        timestamp=made_utc_ns // 1_000_000_000,
    )
    pages: list[bytes] = made if isinstance(made, list) else [made]
    return [_with_resolution(page) if form is PrintForm.PNG else page for page in pages]


@cache
def _fonts() -> "typst.Fonts":
    """Return the fonts inside the typesetter: those of the machine would set the same text in another way."""
    import typst  # noqa: PLC0415  # as in `typeset`

    return typst.Fonts(include_system_fonts=False)


def _with_resolution(png: bytes) -> bytes:
    """Return a PNG that names its resolution, so that a program prints it in its size."""
    dots = round(PIXELS_PER_INCH / _MILLIMETRES_PER_INCH * 1000)
    chunk = b"pHYs" + struct.pack(">IIB", dots, dots, _DOTS_PER_METRE)
    return b"".join(
        (png[:_PNG_HEAD], struct.pack(">I", len(chunk) - 4), chunk, struct.pack(">I", zlib.crc32(chunk)),
         png[_PNG_HEAD:])
    )  # fmt: skip
