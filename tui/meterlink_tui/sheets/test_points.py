"""The sheet that a test point is picked from."""

from textual.app import ComposeResult
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from meterlink_tui.scene import PointRow
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.test_points import point_line

_SIDE_COLUMNS = 4  # columns beside an option's text: the sheet's padding and the list's scrollbar


class PointPicker(Sheet[str]):
    """Closes with the key of the point that was picked, or with nothing."""

    def __init__(self, cautions: tuple[str, ...], rows: tuple[PointRow, ...], width: int) -> None:
        super().__init__(cautions)
        self._rows = rows
        self._width = width - _SIDE_COLUMNS

    def body(self) -> ComposeResult:
        """The list, the active point highlighted."""
        yield Static("Go to a test point: ↑ ↓, then Enter. Esc goes back.", classes="heading", markup=False)
        # Options are told apart by position: keys come over the wire and might repeat.
        # Plain text, so that the highlighted one is reversed from end to end, without colour too.
        yield OptionList(*(Option(point_line(row, self._width).without_spans) for row in self._rows), markup=False)

    def on_mount(self) -> None:
        """Start from the active point."""
        super().on_mount()
        points = self.query_one(OptionList)
        points.highlighted = next((i for i, row in enumerate(self._rows) if row.active), 0)
        points.focus()

    def on_option_list_option_selected(self, chosen: OptionList.OptionSelected) -> None:
        """Go there."""
        self.dismiss(self._rows[chosen.option_index].key)
