"""The list of the visit's test points with their accepted readings."""

from rich.cells import cell_len, set_cell_size
from textual.content import Content
from textual.widget import Widget

from meterlink_tui.scene import PointRow

_LONGEST_TITLE = 26


def point_line(row: PointRow, width: int) -> Content:
    """Return one line of at most ``width`` columns: ► for the active point, number, title, accepted reading, verdict.

    ``+2`` at the end counts two earlier accepted readings. A long title is cut, the verdict never.
    """
    style = "bold $strong" if row.active else "$strong"
    repeats = f" +{row.repeats}" if row.repeats else ""
    close = " close call" if row.close_call else ""
    tail = Content.assemble(
        (f"{row.accepted_text} " if row.accepted_text else "", style),
        (row.mark, f"bold ${row.tone}" if row.accepted_text else "$faint"),
        (f" {row.verdict}" if row.verdict else " not measured", f"bold ${row.tone}" if row.verdict else "$faint"),
        (close, "bold $warn"),
        (repeats, "$faint"),
    )
    head = Content.styled(f"{'►' if row.active else ' '}{row.number:>2} ", style)
    room = width - head.cell_length - tail.cell_length - 1
    return Content.assemble(head, (_shorten(row.title, max(4, min(room, _LONGEST_TITLE))), style), " ", tail)


def _shorten(title: str, width: int) -> str:
    """Cut the title at its start: 'run capacitor HERM' and 'run capacitor FAN' differ at the end."""
    if cell_len(title) <= width:
        return set_cell_size(title, width)
    while cell_len(title) >= width:
        title = title[1:]
    return set_cell_size(f"…{title}", width)


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

    def render(self) -> Content:
        """Return the rows that fit."""
        width, height = self.content_size
        if not self._rows:
            return Content.styled("No test points yet.", "$faint")
        active = next((index for index, row in enumerate(self._rows) if row.active), None)
        indices = visible_rows(len(self._rows), active, height or len(self._rows))
        return Content("\n").join(point_line(self._rows[index], width) for index in indices)
