"""The typesetter: one template makes a PDF, an SVG or a PNG. The only importer of typst.

Texts reach a template as data, never as markup: a name is set as it stands.
"""

import json
import struct
import zlib
from enum import StrEnum
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from meterlink.core.errors import InputError

if TYPE_CHECKING:
    import typst

PIXELS_PER_INCH = 300
"""The resolution of a PNG: that of an office printer at its least, and a whole number of dots on those of 600."""

_MILLIMETRES_PER_INCH = 25.4
_PNG_HEAD = 33  # bytes: the signature (8), and the chunk IHDR, which is first (PNG, 5.2 and 5.6)
_DOTS_PER_METRE = 1  # the unit of pHYs (PNG, 11.3.4.3)


_NO_GLYPH = "could not be displayed"  # of the library's error where no font has a character: PDF/UA-1 demands all
_BOXES = "Some characters are boxes in the PDF: no font of this machine has them. Install a font for their script."
_PICTURE_ALONE = "#set document(title: sys.inputs.data)\n#image(sys.inputs.data, alt: sys.inputs.data)"


class PrintForm(StrEnum):
    """The forms of a typeset document."""

    PDF = "pdf"
    SVG = "svg"
    PNG = "png"


def typeset(template: str, data: object, form: PrintForm) -> list[bytes]:
    """Return a document: one file of all pages as PDF, a file for each page as SVG and PNG.

    ``template`` is the program of the typesetter; it reads ``data`` by ``json(bytes(sys.inputs.data))``. The same
    arguments give the same bytes: only the fonts of the typesetter count, and no clock. A PNG has `PIXELS_PER_INCH`.

    Raises:
        InputError: the typesetter is not installed.
    """
    try:
        import typst  # noqa: PLC0415  # 80 MB, of an extra: only where something is printed
    except ImportError as error:
        raise InputError(
            f"A {form.upper()} needs a typesetter that is not installed.", "Add it: pip install 'meterlink[pdf]'"
        ) from error
    # The types of the library promise bytes; several pages of SVG and PNG are a list.
    made: bytes | list[bytes] = typst.compile(
        template.encode(),
        format=form.value,
        ppi=PIXELS_PER_INCH,
        sys_inputs={"data": json.dumps(data)},
        font_paths=_fonts(),
        timestamp=0,  # the default is the time of this machine
    )
    pages: list[bytes] = made if isinstance(made, list) else [made]
    return [_with_resolution(page) if form is PrintForm.PNG else page for page in pages]


class Document(NamedTuple):
    """A PDF. ``remark`` names what the PDF lacks; a whole one has an empty remark."""

    content: bytes
    remark: str = ""


def is_typesetter_installed() -> bool:
    """Return whether the typesetter, which is an extra, is there."""
    return find_spec("typst") is not None


def typeset_tagged(template: str, data: str, folder: Path) -> Document:
    """Return a PDF for screen readers (PDF/UA-1, ISO 14289-1); no file is read but those in ``folder``.

    A script that the fonts of the typesetter lack takes those of the machine. A character that none has is drawn as a
    box: the file is then tagged, but claims no PDF/UA, and the document has a remark.

    Raises:
        TypstError: a picture cannot be decoded.
    """
    import typst  # noqa: PLC0415  # as in `typeset`

    path = folder / "template.typ"
    path.write_text(template, encoding="utf-8")
    try:
        return Document(typst.compile(path, root=folder, format="pdf", pdf_standards="ua-1", sys_inputs={"data": data}))
    except typst.TypstError as error:
        if _NO_GLYPH not in str(error):
            raise
        return Document(typst.compile(path, root=folder, format="pdf", sys_inputs={"data": data}), _BOXES)


def can_decode(picture: str, folder: Path) -> bool:
    """Return whether the typesetter can decode the picture of this name in ``folder``."""
    import typst  # noqa: PLC0415  # as in `typeset`

    try:
        typeset_tagged(_PICTURE_ALONE, picture, folder)
    except typst.TypstError:
        return False
    return True


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
