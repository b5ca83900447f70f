"""The sheet for picking a test point."""

from textual.app import ComposeResult
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from meterlink_tui.scene import PointRow
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.test_points import point_lines

_SIDE_COLUMNS = 4  # columns beside an option's text: the sheet's padding and the list's scrollbar


class PointPicker(Sheet[str]):
    """Closes with the key of the picked test point, or without a result."""

    def __init__(self, cautions: tuple[str, ...], rows: tuple[PointRow, ...], width: int) -> None:
        super().__init__(cautions)
        self._rows = rows
        self._width = width - _SIDE_COLUMNS

    def body(self) -> ComposeResult:
        """Yield the list of test points."""
        yield Static("Go to a test point: ↑ ↓, then Enter. Esc closes.", classes="heading", markup=False)
        # Options have no ids: keys from the link might repeat. Their text is plain, so that the highlighted line is
        # reversed from end to end, without colour too.
        lines = point_lines(self._rows, self._width)
        yield OptionList(*(Option(line.without_spans) for line in lines), markup=False)

    def on_mount(self) -> None:
        """Highlight the active test point."""
        option_list = self.query_one(OptionList)
        option_list.highlighted = next((index for index, row in enumerate(self._rows) if row.active), 0)
        option_list.focus()

    def on_option_list_option_selected(self, selected: OptionList.OptionSelected) -> None:
        """Close with the key of the selected test point."""
        self.dismiss(self._rows[selected.option_index].key)
