"""The places of the lines on a sticker: the largest type that fits, or a refusal. Pure; lengths are in mm.

All type is one monospaced font, so that a line's width follows from its length.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.record.qr_code import QUIET_MODULES, QrCode
from meterlink.record.sticker import Sticker

FONT = "DejaVu Sans Mono"
"""The one monospaced font inside the typesetter. Its measures below are those of the font file, in ems."""

_ADVANCE = Decimal(1233) / 2048  # the width of every glyph
_ASCENT, _DESCENT = Decimal("0.93"), Decimal("0.24")
_SMALL_LETTER = Decimal("0.547")  # the height of an x
_DIGIT = Decimal("0.729")
_PITCH = Decimal("1.22")  # from one line to the next: lines never touch

SMALLEST_LETTER = Decimal("1.2")
"""The least height of an x, mm: the least that the European Union allows on the label of food (Regulation
1169/2011, article 13), which people must be able to read. Below 80 cm² it allows 0.9 mm; it is dark in a unit."""

SMALLEST_DIGIT = Decimal(3)
"""The least height of a digit of the rating, mm: 1/200 of an arm's length (0.6 m). Common practice, no source."""

SMALLEST_MODULE = Decimal("0.375")
"""The least width of a module of a QR code, mm: three dots of a label printer of 203 dots an inch. ISO/IEC 18004 leaves
it to the application; common practice, no source."""

_MODULES = (2 * SMALLEST_MODULE, Decimal("0.5"), SMALLEST_MODULE)  # mm, six, four and three dots; the largest first
_MOST_OF_SIDE = Decimal("0.4")  # of the longer side of the sticker, for a code that is larger than the least

_LEAST_TEXT = (SMALLEST_LETTER / _SMALL_LETTER).quantize(Decimal("0.01"), "ROUND_UP")
_LEAST_RATING = (SMALLEST_DIGIT / _DIGIT).quantize(Decimal("0.01"), "ROUND_UP")
_MOST_TEXT = Decimal(8)  # larger type is for a poster
_STEP = Decimal("0.1")  # of the sizes that are tried
_RATING_TO_TEXT = Decimal(4)  # the rating is read from where the whole cover is seen, the rest close by
_MORE_TO_TEXT = Decimal("1.5")
_PART_OF_LARGEST = Decimal("0.8")  # of the rating beside the shortest caution, which a longer one must leave
_RATING_WITH_CAUTION = Decimal("5.5")  # a smaller rating gives way to no caution: its digits are 4 mm high

# The letters that the font has, of scripts from left to right, whose order on paper is that of the text.
_LETTERS = re.compile(
    "[ -~\u00a0-\u00ac\u00ae-\u017f\u0386\u0388-\u038a\u038c\u038e-\u03a1\u03a3-\u03ce\u0400-\u045f"
    "–—‘’“”„†‡…‰′″€™−≈≠≤≥√∞⌀⚠]*"
)
_BREAKS = re.compile(r"(?<=[+/,;])")  # a word that is too long for a line is parted behind these, nowhere else


@dataclass(frozen=True, slots=True)
class PlacedLine:
    """A line of text: its upper left corner and the size of its type, in mm."""

    text: str
    x: Decimal
    y: Decimal
    size: Decimal
    is_bold: bool


@dataclass(frozen=True, slots=True)
class PlacedCode:
    """A QR code: its upper left corner and its width, in mm, the quiet zone included."""

    code: QrCode
    x: Decimal
    y: Decimal
    width: Decimal


@dataclass(frozen=True, slots=True)
class StickerLayout:
    """The lines and the code of one sticker, from its upper left corner."""

    width: Decimal
    height: Decimal
    lines: tuple[PlacedLine, ...]
    code: PlacedCode | None = None


@dataclass(frozen=True, slots=True)
class _Row:
    text: str
    size: Decimal
    is_bold: bool = False


class _Rows(NamedTuple):
    """The rows from the top down, and those at the foot."""

    top: list[_Row]
    foot: list[_Row]


@dataclass(frozen=True, slots=True)
class _Area:
    x: Decimal
    y: Decimal
    width: Decimal
    height: Decimal


def lay_out(
    sticker: Sticker, width: Decimal, height: Decimal, inset: Decimal, code: QrCode | None = None
) -> StickerLayout:
    """Return the layout of a sticker of ``width`` x ``height`` mm with the largest type that fits.

    ``inset`` is the white rim. A QR code stands beside the text, or below it where that leaves the larger type. The
    caution is left out where the rest has no room for it.

    Raises:
        InputError: the type has no sign for a letter of the sticker, or its text or the code does not fit.
    """
    _check_letters(sticker)
    for module in (None,) if code is None else _MODULES:
        found = [
            (_rating_size(rows), tuple(_placed(rows, area)), placed)
            for area, placed in _areas(width, height, inset, code, module)
            if (rows := _largest_rows(sticker, area)) is not None
        ]
        if found:
            _, lines, placed = max(found, key=lambda sized: sized[0])
            return StickerLayout(width, height, lines, placed)
    raise InputError(*_refusal(sticker, width, height, code))


def _areas(
    width: Decimal, height: Decimal, inset: Decimal, code: QrCode | None, module: Decimal | None
) -> Iterator[tuple[_Area, PlacedCode | None]]:
    """Yield the places for the text with that of the code: beside it, and below it.

    The quiet zone of a code may lie on the white rim: both are white.
    """
    inner = _Area(inset, inset, width - 2 * inset, height - 2 * inset)
    if code is None or module is None:
        yield inner, None
        return
    side = module * (code.modules + 2 * QUIET_MODULES)
    rim = max(Decimal(), inset - module * QUIET_MODULES)
    too_large = module > SMALLEST_MODULE and side > _MOST_OF_SIDE * max(width, height)
    if too_large or side + 2 * rim > min(width, height):
        return
    right, bottom = width - rim - side, height - rim - side
    yield replace(inner, width=right - inset), PlacedCode(code, right, (height - side) / 2, side)
    yield replace(inner, height=bottom - inset), PlacedCode(code, (width - side) / 2, bottom, side)


def _largest_rows(sticker: Sticker, area: _Area) -> _Rows | None:
    """Return the rows in the largest type that fits; None if none does.

    A longer caution stands there where it makes the rating little smaller.
    """
    found = [rows for caution in sticker.cautions if (rows := _rows_with(sticker, area, caution)) is not None]
    if not found:
        return _rows_with(sticker, area, "")
    largest = max(_rating_size(rows) for rows in found)
    return next(rows for rows in found if _rating_size(rows) >= _PART_OF_LARGEST * largest)


def _rating_size(rows: _Rows) -> Decimal:
    return max(row.size for row in rows.top)


def _rows_with(sticker: Sticker, area: _Area, caution: str) -> _Rows | None:
    """Return the rows with this caution in the largest type that fits; None if none does."""
    text = _MOST_TEXT
    while text >= _LEAST_TEXT:
        rating = _RATING_TO_TEXT * text
        if (rows := _rows(sticker, area, (text, rating), caution)) is not None:
            return _with_larger_rating(sticker, area, (text, rating), caution) or rows
        text -= _STEP
    rating = _RATING_TO_TEXT * _LEAST_TEXT
    while rating >= (_RATING_WITH_CAUTION if caution else _LEAST_RATING):
        for more_to_text in (_MORE_TO_TEXT, Decimal(1)):
            if (rows := _rows(sticker, area, (_LEAST_TEXT, rating), caution, more_to_text)) is not None:
                return rows
        rating -= _STEP
    return None


def _with_larger_rating(sticker: Sticker, area: _Area, sizes: tuple[Decimal, Decimal], caution: str) -> _Rows | None:
    """Return the rows with the largest rating that the room beside the rest allows; None for no larger one."""
    text, rating = sizes
    largest = None
    while (rows := _rows(sticker, area, (text, rating + _STEP), caution)) is not None:
        largest, rating = rows, rating + _STEP
    return largest


def _rows(
    sticker: Sticker,
    area: _Area,
    sizes: tuple[Decimal, Decimal],
    caution: str,
    more_to_text: Decimal = _MORE_TO_TEXT,
) -> _Rows | None:
    """Return the rows with the ``sizes`` of text and rating; None if they do not fit the area."""
    text, rating = sizes
    given = [
        _Row(sticker.title, text, is_bold=True),
        _Row(sticker.circuits, text),
        _Row(sticker.rating, rating, is_bold=True),
        _Row(sticker.more_rating, min(rating, more_to_text * text), is_bold=True),
        *(_Row(note, text) for note in sticker.notes),
    ]
    top = _wrapped(given, area.width)
    foot = _wrapped([_Row(caution and f"⚠ {caution}", text, is_bold=True)], area.width)
    if top is None or foot is None:
        return None
    height = sum((row.size * _PITCH for row in (*top, *foot)), Decimal())
    return _Rows(top, foot) if height <= area.height else None


def _wrapped(rows: Sequence[_Row], width: Decimal) -> list[_Row] | None:
    """Return the rows broken into lines of ``width``; None where a word is longer than a line."""
    wrapped: list[_Row] = []
    for row in rows:
        lines = _broken(row.text, int(width / (_ADVANCE * row.size)))
        if lines is None:
            return None
        wrapped += [replace(row, text=line) for line in lines]
    return wrapped


def _broken(text: str, columns: int) -> list[str] | None:
    """Return a text as lines of at most so many characters; None where a word is longer."""
    lines: list[str] = []
    for word in text.split(" ") if text else ():
        for number, piece in enumerate([word] if len(word) <= columns else _BREAKS.split(word)):
            if len(piece) > columns:
                return None
            joint = " " if number == 0 else ""
            if lines and len(lines[-1]) + len(joint) + len(piece) <= columns:
                lines[-1] += joint + piece
            else:
                lines.append(piece)
    return lines


def _placed(rows: _Rows, area: _Area) -> Iterator[PlacedLine]:
    """Yield the rows from the top of an area down, and those at its foot."""
    foot_height = sum((row.size * _PITCH for row in rows.foot), Decimal())
    for own, start in (
        (rows.top, area.y),
        (rows.foot, area.y + area.height - foot_height),
    ):
        y = start
        for row in own:
            yield PlacedLine(row.text, area.x, y, row.size, row.is_bold)
            y += row.size * _PITCH


def _check_letters(sticker: Sticker) -> None:
    """Refuse a sticker with a letter that would be a blank box on paper.

    Raises:
        InputError: there is such a letter.
    """
    if letter := find_unknown_letter(sticker.plain_text.replace("\n", " ")):
        raise InputError(
            f"The sticker for the {sticker.part} cannot be printed: its type has no sign {letter!r}.",
            "Its letters are Latin, Greek and Cyrillic.",
        )


def find_unknown_letter(text: str) -> str:
    """Return the first letter of a text for which `FONT` has no glyph; empty where it has all."""
    fits = _LETTERS.match(text)
    return text[fits.end() : fits.end() + 1] if fits is not None else ""


def _refusal(sticker: Sticker, width: Decimal, height: Decimal, code: QrCode | None) -> tuple[str, str]:
    """Return the reason why a sticker is refused, and the remedy."""
    smallest = f"letters below {SMALLEST_LETTER} mm, and digits of a rating below {SMALLEST_DIGIT} mm, are hard to read"
    if code is not None:
        smallest += f", and a QR code with modules below {SMALLEST_MODULE} mm is hard to scan"
    return (
        f"The sticker for the {sticker.part} does not fit {width:f} x {height:f} mm: {smallest}.",
        "Give a larger size." if code is None else "Give a larger size, or leave --qr out.",
    )
