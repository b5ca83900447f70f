"""The list of the visit's test points with their accepted readings."""

from collections.abc import Sequence
from functools import lru_cache

from rich.cells import cell_len, set_cell_size
from textual.content import Content
from textual.geometry import Size
from textual.widget import Widget

from meterlink_tui.scene import CLOSE_CALL_WORD, PointRow

_SHORTEST_TITLE = 16  # columns; with less, the titles of a plan are no longer different, and get lines of their own
_SHORTEST_CUT = 4  # columns: a character, the ellipsis and a wide character
_HEAD_COLUMNS = 4  # columns of the mark and the number in front of a title
_LONGEST_TITLE = 60  # columns; a wide screen has the verdict within sight of its title


def point_lines(rows: Sequence[PointRow], width: int) -> list[Content]:
    """Return a line of at most ``width`` columns for each row: ► for the active point, number, title, reading, verdict.

    ``+2`` at the end counts two earlier accepted readings. Long titles are cut in their middle; they stay different.
    Where a line has too little room for both, the reading and its verdict stand on a second line.
    """
    tails = [_tail(row) for row in rows]
    heads = [Content.styled(f"{'►' if row.active else ' '}{row.number:>2} ", _style(row)) for row in rows]
    rooms = [width - head.cell_length - tail.cell_length - 1 for head, tail in zip(heads, tails, strict=True)]
    widest = max((cell_len(row.title) for row in rows), default=0)
    room = min(min(rooms, default=0), widest, _LONGEST_TITLE)
    gap = " "
    if room < min(widest, _SHORTEST_TITLE):
        room, gap = max(1, min(width - _HEAD_COLUMNS, widest)), "\n" + " " * _HEAD_COLUMNS
    titles = short_titles(tuple(row.title for row in rows), room)
    return [
        Content.assemble(head, (title, _style(row)), gap, tail)
        for row, head, title, tail in zip(rows, heads, titles, tails, strict=True)
    ]


def _style(row: PointRow) -> str:
    return "bold $strong" if row.active else "$strong"


def _tail(row: PointRow) -> Content:
    word = CLOSE_CALL_WORD if row.close_call else row.verdict
    return Content.assemble(
        (f"{row.accepted_text} " if row.accepted_text else "", _style(row)),
        (row.mark, f"bold ${row.tone}" if row.accepted_text else "$faint"),
        (f" {word}" if word else " not measured", f"bold ${row.tone}" if word else "$faint"),
        (f" +{row.repeats}" if row.repeats else "", "$faint"),
    )


@lru_cache(maxsize=16)
def short_titles(titles: tuple[str, ...], width: int) -> list[str]:
    """Return ``titles`` at ``width`` columns each. A long one is cut in its middle.

    Titles begin with the component and end with the section, the terminals or the state: the cut leaves them apart.
    """
    distinct = len(set(titles))
    width = max(width, _SHORTEST_CUT)
    cuts = [[_cut_middle(title, width, front) for title in titles] for front in range(width // 2, 0, -1)]
    return next((cut for cut in cuts if len(set(cut)) == distinct), cuts[0])


def _cut_middle(title: str, width: int, front: int) -> str:
    """Return ``title`` at ``width`` columns, ``front`` of them in front of the cut, if it needs one."""
    if cell_len(title) <= width:
        return set_cell_size(title, width)
    start, end = set_cell_size(title, front), title[1:]
    while cell_len(end) > width - front - 1:
        end = end[1:]
    return set_cell_size(f"{start}…{end}", width)


def visible_rows(count: int, active: int | None, height: int) -> range:
    """Return the indices of the rows to draw in ``height`` rows: those around the active row."""
    first = min(max(0, (active or 0) - height // 2), max(0, count - height))
    return range(first, min(count, first + height))


class PointList(Widget):
    """The test points that fit; the active point is always among them."""

    def __init__(self) -> None:
        super().__init__(id="points")
        self._rows: tuple[PointRow, ...] = ()

    def show(self, rows: tuple[PointRow, ...]) -> None:
        """List ``rows``."""
        if rows != self._rows:
            new_length = len(rows) != len(self._rows)
            self._rows = rows
            self.refresh(layout=new_length)

    def get_content_height(self, _container: Size, _viewport: Size, width: int) -> int:
        """Return the rows of the whole list in ``width`` columns."""
        return sum(line.plain.count("\n") + 1 for line in point_lines(self._rows, width)) or 1

    def render(self) -> Content:
        """Return the rows that fit."""
        width, height = self.content_size
        if not self._rows:
            return Content.styled("No test points yet.", "$faint")
        lines = point_lines(self._rows, width)
        active = next((index for index, row in enumerate(self._rows) if row.active), None)
        indices = visible_rows(len(lines), active, max(1, height // (lines[0].plain.count("\n") + 1)))
        return Content("\n").join(lines[index] for index in indices)
