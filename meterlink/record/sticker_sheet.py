"""The sizes of stickers, and sheets of them by their measures. Pure; lengths are in mm."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.errors import InputError
from meterlink.record.paper import Paper

NARROWEST, WIDEST = Decimal(20), Decimal(300)
LOWEST, HIGHEST = Decimal(12), Decimal(300)
"""The sizes of a sticker, mm: a smaller one holds no rating that is read, a larger one is a poster."""

_MOST_ON_SHEET = 400  # of a sheet: 20 x 20 of the least size fill more than A4
_NUMBER = r"(\d{1,4}(?:[.,]\d{1,2})?)"
_SIZE = re.compile(rf"\s*{_NUMBER}\s*[x×]\s*{_NUMBER}\s*(?:mm)?\s*", re.IGNORECASE)
_SHEET = re.compile(r"\s*(\d{1,3})\s*[x×]\s*(\d{1,3})\s*:(.*)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class StickerSheet:
    """A sheet of equal stickers: the upper left corner of each, row by row, in mm."""

    paper: Paper
    width: Decimal
    height: Decimal
    corners: tuple[tuple[Decimal, Decimal], ...]


def parse_size(text: str) -> tuple[Decimal, Decimal]:
    """Return the width and height, mm, of a sticker: ``60x40``.

    Raises:
        InputError: it is no size, or out of its bounds.
    """
    width, height = _two_numbers(text, "size of a sticker", "60x40")
    if not (NARROWEST <= width <= WIDEST and LOWEST <= height <= HIGHEST):
        raise InputError(
            f"A sticker of {width:f} x {height:f} mm is out of bounds.",
            f"Give {NARROWEST} to {WIDEST} mm by {LOWEST} to {HIGHEST} mm.",
        )
    return width, height


def parse_sheet(text: str, paper: Paper, margins: str = "") -> StickerSheet:
    """Return the sheet of ``COLUMNSxROWS:WIDTHxHEIGHT``: ``3x8:70x37``.

    ``margins``, ``LEFTxTOP`` in mm, are those outside the first sticker; right and bottom are equal to them, and
    the rest lies between the stickers. Without margins the stickers touch, in the middle of the paper.

    Raises:
        InputError: it is no sheet, or the stickers do not fit the paper.
    """
    found = _SHEET.fullmatch(text)
    if found is None:
        raise InputError(
            f"{text!r} is no sheet of stickers.", "Write columns, rows and the size of a sticker: 3x8:70x37."
        )
    columns, rows = int(found[1]), int(found[2])
    width, height = parse_size(found[3])
    if not 1 <= columns * rows <= _MOST_ON_SHEET:
        raise InputError(f"{columns} x {rows} stickers are no sheet.", f"Give 1 to {_MOST_ON_SHEET} stickers.")
    left, top = (None, None) if not margins else _two_numbers(margins, "pair of margins", "7x15", may_be_zero=True)
    lefts = _starts(columns, width, paper.size[0], left, f"{columns} stickers of {width:f} mm across")
    tops = _starts(rows, height, paper.size[1], top, f"{rows} stickers of {height:f} mm down")
    return StickerSheet(paper, width, height, tuple((x, y) for y in tops for x in lefts))


def places(sheet: StickerSheet, count: int, skip: int) -> Iterator[Sequence[tuple[Decimal, Decimal]]]:
    """Yield, for each sheet of paper, the corners for the next of ``count`` stickers; the first ``skip`` are used.

    Raises:
        InputError: the first sheet has no sticker left.
    """
    each = len(sheet.corners)
    if not 0 <= skip < each:
        raise InputError(f"--skip {skip} leaves no sticker of a sheet with {each}.", f"Give 0 to {each - 1}.")
    remaining, free = count, sheet.corners[skip:]
    while remaining > 0:
        yield free[:remaining]
        remaining, free = remaining - len(free), sheet.corners


def _starts(count: int, length: Decimal, paper: Decimal, margin: Decimal | None, words: str) -> list[Decimal]:
    """Return where each of ``count`` stickers begins along one side of the paper.

    Raises:
        InputError: they do not fit it.
    """
    spare = paper - count * length
    begin = spare / 2 if margin is None else margin
    between = Decimal() if margin is None or count == 1 else (spare - 2 * margin) / (count - 1)
    if spare < 0 or between < 0 or begin + count * length > paper:
        raise InputError(f"{words} do not fit the {paper:f} mm of the paper with these margins.", "Measure the sheet.")
    return [begin + place * (length + between) for place in range(count)]


def _two_numbers(text: str, name: str, example: str, *, may_be_zero: bool = False) -> tuple[Decimal, Decimal]:
    found = _SIZE.fullmatch(text)
    if found is None:
        raise InputError(f"{text!r} is no {name}.", f"Write two numbers of mm: {example}.")
    first, second = (Decimal(number.replace(",", ".")) for number in found.groups())
    if not may_be_zero and 0 in {first, second}:
        raise InputError(f"{text!r} is no {name}.", f"Write two numbers of mm: {example}.")
    return first, second
