"""Large lettering for a screen read from two metres: a 3×5 dot font of our own, drawn with half blocks.

A dot is ``across`` columns wide and ``down`` half rows tall, so (2, 2) is square on a terminal whose cells are twice as
tall as wide: 5 rows a line. (1, 2) is the same height, condensed; (1, 1) takes 3 rows.
"""

from typing import NamedTuple

# Rows top to bottom, `/` between them, `#` a dot that is lit. Only what a meter or a verdict can say.
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
    " ": "././././.",
    "\u2009": "////",  # thin space: between a mark and its word
    "✓": "...#/..##/#.#./###./.#..",
    "✗": "#.#/#.#/.#./#.#/#.#",
    "…": "...../...../...../...../#.#.#",
}
DOTS_TALL = 5


class DotSize(NamedTuple):
    """How large one dot is drawn: columns across, half rows down."""

    columns: int
    half_rows: int

    @property
    def rows(self) -> int:
        """Terminal rows one line of lettering takes."""
        return -(-DOTS_TALL * self.half_rows // 2)


def can_draw(text: str) -> bool:
    """Whether the font has every character of ``text``."""
    return all(char in _GLYPHS for char in text)


def text_width(text: str, size: DotSize) -> int:
    """Columns that ``text`` takes: one dot's space between characters, none after the last."""
    dots = sum(_GLYPHS[char].index("/") + 1 for char in text)
    return max(0, dots - 1) * size.columns


def draw_text(text: str, size: DotSize) -> list[str]:
    """Return ``text`` as ``size.rows`` lines of equal width; KeyError for a character the font lacks."""
    rows = [".".join(_GLYPHS[char].split("/")[row] for char in text) for row in range(DOTS_TALL)]
    halves = [wide for row in rows for wide in ["".join(dot * size.columns for dot in row)] * size.half_rows]
    if len(halves) % 2:
        halves.append("." * len(halves[0]))
    blocks = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}
    return [
        "".join(blocks[a + b] for a, b in zip(*pair, strict=True))
        for pair in zip(halves[::2], halves[1::2], strict=True)
    ]
