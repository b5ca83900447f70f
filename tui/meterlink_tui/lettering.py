"""Large lettering for a screen read from two metres: a 3×5 dot font of our own, drawn with half blocks.

Sizes are written (columns, half rows) of one dot. (2, 2) is square where a cell is twice as tall as wide; a line needs
5 rows. (1, 2) is condensed at the same height. (1, 1) needs 3 rows. A dot is never narrower than half its height.
"""

from collections.abc import Iterator
from typing import NamedTuple

# Rows from top to bottom, separated by `/`; `#` is a lit dot. Only the characters of displays and verdicts.
_GLYPHS = {
    "0": "###/#.#/#.#/#.#/###",
    "1": ".#./##./.#./.#./###",
    "2": "###/..#/###/#../###",
    "3": "###/..#/.##/..#/###",
    "4": "#.#/#.#/###/..#/..#",
    "5": "###/#../###/..#/###",
    "6": "###/#../###/#.#/###",
    "7": "###/..#/..#/..#/..#",
    "8": "###/#.#/###/#.#/###",
    "9": "###/#.#/###/..#/###",
    "A": ".#./#.#/###/#.#/#.#",
    "B": "##./#.#/##./#.#/##.",
    "C": "###/#../#../#../###",
    "D": "##./#.#/#.#/#.#/##.",
    "E": "###/#../##./#../###",
    "F": "###/#../##./#../#..",
    "G": "###/#../#.#/#.#/###",
    "H": "#.#/#.#/###/#.#/#.#",
    "I": "#/#/#/#/#",
    "J": "..#/..#/..#/#.#/###",
    "K": "#.#/#.#/##./#.#/#.#",
    "L": "#../#../#../#../###",
    "M": "#...#/##.##/#.#.#/#...#/#...#",
    "N": "#..#/##.#/#.##/#..#/#..#",
    "O": "###/#.#/#.#/#.#/###",
    "P": "###/#.#/###/#../#..",
    "R": "###/#.#/##./#.#/#.#",
    "S": ".##/#../.#./..#/##.",
    "T": "###/.#./.#./.#./.#.",
    "U": "#.#/#.#/#.#/#.#/###",
    "V": "#.#/#.#/#.#/#.#/.#.",
    "W": "#...#/#...#/#.#.#/##.##/#...#",
    "k": "#../#.#/##./##./#.#",
    "m": "...../...../####./#.#.#/#.#.#",
    "n": ".../.../##./#.#/#.#",
    "z": ".../###/.##/##./###",
    "µ": ".../#.#/#.#/###/#..",
    "Ω": ".###./#...#/#...#/.#.#./##.##",
    "°": "##/##/../../..",
    "%": "#.#/..#/.#./#../#.#",
    ".": "././././#",
    "-": ".../.../###/.../...",
    "+": ".../.#./###/.#./...",
    "?": "###/..#/.##/.../.#.",
    "!": "#/#/#/./#",
    "≈": ".#..#/#.##./...../.#..#/#.##.",
    " ": "././././.",
    "\u2009": "////",  # thin space: between a mark and its word
    "✓": "...#/..##/#.#./###./.#..",
    "✗": "#.#/#.#/.#./#.#/#.#",
    "…": "...../...../...../...../#.#.#",
}
DOTS_TALL = 5


class DotSize(NamedTuple):
    """The size of one dot in columns and half rows."""

    columns: int
    half_rows: int

    @property
    def rows(self) -> int:
        """The height of one line of lettering, in terminal rows."""
        return -(-DOTS_TALL * self.half_rows // 2)


def dot_sizes(dots: int, width: int, rows: int) -> Iterator[DotSize]:
    """Yield the sizes in which ``dots`` dots fit ``width`` columns and a line fits ``rows`` rows, the largest first."""
    for half_rows in range(min(2 * rows // DOTS_TALL, 2 * width // max(1, dots)), 0, -1):
        columns = min(half_rows, width // max(1, dots))
        if columns and 2 * columns >= half_rows:
            yield DotSize(columns, half_rows)


def can_draw(text: str) -> bool:
    """Return whether the font has every character of ``text``."""
    return all(char in _GLYPHS for char in text)


def text_width(text: str, size: DotSize) -> int:
    """Return the width of ``text`` in columns: one dot of space between characters, none after the last."""
    return text_dots(text) * size.columns


def text_dots(text: str) -> int:
    """Return the width of ``text`` in dots."""
    return max(0, sum(_GLYPHS[char].index("/") + 1 for char in text) - 1)


def draw_text(text: str, size: DotSize) -> list[str]:
    """Return ``text`` as ``size.rows`` lines of equal width.

    Raises:
        KeyError: the font lacks a character of ``text``.
    """
    rows = [".".join(_GLYPHS[char].split("/")[row] for char in text) for row in range(DOTS_TALL)]
    half_rows = [wide for row in rows for wide in ["".join(dot * size.columns for dot in row)] * size.half_rows]
    if len(half_rows) % 2:
        half_rows.append("." * len(half_rows[0]))
    blocks = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}
    return [
        "".join(blocks[a + b] for a, b in zip(*pair, strict=True))
        for pair in zip(half_rows[::2], half_rows[1::2], strict=True)
    ]
