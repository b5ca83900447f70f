"""Tables for a terminal: columns that follow its width, measured in cells, so that wide characters stay in line."""

import textwrap
import unicodedata
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import NamedTuple

import click

_GAP = "  "
_MIN_COLUMN = 12  # cells that a shortened column keeps: enough to tell two names of a list apart


class Cell(NamedTuple):
    """A text in a table; ``colour`` is one of click's, empty for none. It never says more than the text does."""

    text: str
    colour: str = ""

    @classmethod
    def of(cls, text: "str | Cell") -> "Cell":
        """Return a text as a cell."""
        return text if isinstance(text, Cell) else cls(text)


def cell_width(text: str) -> int:
    """Return the cells of a terminal that ``text`` takes: two for a wide character, none for a combining one."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text
    )


def table_lines(
    headings: Sequence[str],
    rows: Sequence[Sequence[str | Cell]],
    width: int | None,
    shortened: Collection[str] = (),
) -> list[str] | None:
    """Return a table as lines, headings first; None if it does not fit ``width`` cells.

    Without a width, as in a pipe, nothing is cut. Otherwise the columns with the headings ``shortened`` lose their ends
    (``…``), the widest first, until it fits; never a value, a limit or a verdict, which would read as another one. A
    column that is empty in every row is left out.
    """
    cells = [[Cell.of(cell) for cell in row] for row in rows]
    used = [column for column in range(len(headings)) if any(row[column].text for row in cells)]
    headings, cells = [headings[column] for column in used], [[row[column] for column in used] for row in cells]
    widths = [
        max(map(cell_width, (heading, *(row[column].text for row in cells)))) for column, heading in enumerate(headings)
    ]
    if width is not None:
        while sum(widths) + len(_GAP) * (len(widths) - 1) > width:
            long = [
                column for column, name in enumerate(headings) if name in shortened and widths[column] > _MIN_COLUMN
            ]
            if not long:
                return None
            widths[max(long, key=widths.__getitem__)] -= 1
    heading_row = [Cell(heading, "bold") for heading in headings]
    return list(_lines([heading_row, *cells], widths))


def _lines(rows: Sequence[Sequence[Cell]], widths: Sequence[int]) -> Iterator[str]:
    for row in rows:
        texts = [_fitted(cell.text, width) for cell, width in zip(row, widths, strict=True)]
        used = max((number for number, text in enumerate(texts, 1) if text.strip()), default=0)
        texts[used - 1 :] = [text.rstrip() for text in texts[used - 1 :]]
        yield _GAP.join(styled(text, cell.colour) for text, cell in zip(texts[:used], row[:used], strict=True))


def _fitted(text: str, width: int) -> str:
    """Return ``text`` padded to ``width`` cells, or shortened to them."""
    excess = cell_width(text) - width
    if excess <= 0:
        return text + " " * -excess
    kept = ""
    for char in text:
        if cell_width(kept + char) > width - 1:
            break
        kept += char
    return f"{kept}…" + " " * (width - 1 - cell_width(kept))


def styled(text: str, colour: str) -> str:
    """Return ``text`` in a colour, or ``bold``; `click.echo` takes it out again where no colours are wanted."""
    if not colour:
        return text
    return click.style(text, bold=True) if colour == "bold" else click.style(text, fg=colour)


def wrap_facts(facts: Iterable[str], width: int, indent: int) -> Iterator[str]:
    """Yield the facts two spaces apart; a fact that does not fit begins a new line, two columns deeper."""
    lead, line = " " * indent, ""
    for fact in facts:
        joined = f"{line}  {fact}" if line else lead + fact
        if not line or len(joined) <= width:
            line = joined
        else:
            yield from _wrap_line(line, width, indent)
            line = " " * (indent + 2) + fact
    yield from _wrap_line(line, width, indent)


def _wrap_line(line: str, width: int, indent: int) -> list[str]:
    if len(line) <= width:
        return [line]
    # textwrap needs about 10 columns, even on a terminal narrower than a word.
    return textwrap.wrap(
        line.strip(), max(width, 10), initial_indent=line[: len(line) - len(line.lstrip())],
        subsequent_indent=" " * (indent + 2),
    )  # fmt: skip
