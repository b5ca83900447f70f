"""The list of accepted readings, narrowed by a line of words."""

import asyncio
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Input, Static

from meterlink.core.errors import MeterlinkError
from meterlink.notebook.record import LONGEST_FILTER, HistoryRow, Record
from meterlink_tui.record_lines import accepted_height, accepted_lines
from meterlink_tui.scene import Scene
from meterlink_tui.sheets.accepted import AcceptedSheet
from meterlink_tui.sheets.part import PartSheet
from meterlink_tui.sheets.raw import RawSheet
from meterlink_tui.sheets.record import RecordListSheet
from meterlink_tui.widgets.pages import PagedList

_NOTHING_YET = "No accepted readings yet."
_NO_MATCH = "No accepted reading matches. Ctrl+U clears the line."


class HistorySheet(RecordListSheet[HistoryRow]):
    """The accepted readings that match a line of words, newest first; typing narrows them at once."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "open", "open", id="history-open", tooltip="Show the reading: raw readings, earlier verdicts"),
        Binding("f2,ctrl+t", "part", "part", id="history-part", tooltip="Plot the part over its visits"),
        Binding("f3,ctrl+r", "raw", "raw", id="history-raw", tooltip="List the raw readings from that moment"),
        Binding("down", "move(1)", "down", id="history-down", show=False, tooltip="Go down, to older readings"),
        Binding("up", "move(-1)", "up", id="history-up", show=False, tooltip="Go up"),
        Binding("pagedown", "page(1)", "page", id="history-page-down", show=False, tooltip="Go down a screen"),
        Binding("pageup", "page(-1)", "page", id="history-page-up", show=False, tooltip="Go up a screen"),
        Binding(
            "home", "start", "newest", id="history-start", show=False, priority=True, tooltip="Go to the newest reading"
        ),
        Binding(
            "end", "end", "oldest", id="history-end", show=False, priority=True, tooltip="Go to the oldest reading"
        ),
        Binding("ctrl+u", "clear", "clear", id="history-clear", priority=True, tooltip="Clear the line: all readings"),
    ]

    def __init__(self, scene: Scene | None, record: Record, line: str = "") -> None:
        super().__init__(scene)
        self._record = record
        self._wanted = line
        self._is_searching = False

    def body(self) -> ComposeResult:
        """Yield the line of words and the list."""
        yield Static("Accepted readings, newest first", classes="heading")
        with Horizontal(classes="line"):
            yield Static("FIND", classes="line-label")
            field = Input(
                self._wanted, placeholder="words or a date: bakery fan outside 2026-11", max_length=LONGEST_FILTER,
                id="filter", select_on_focus=False, compact=True,
            )  # fmt: skip
            field.cursor_blink = False
            yield field
        yield PagedList[HistoryRow](accepted_lines, accepted_height)

    def on_mount(self) -> None:
        """Focus the line, and list the readings once the list has its size."""
        self.query_one(Input).focus()
        self.call_after_refresh(self._search)

    def on_input_changed(self, changed: Input.Changed) -> None:
        """Narrow the list to the typed words."""
        self._wanted = changed.value
        self._search()

    def on_input_submitted(self) -> None:
        """Open the reading at the cursor."""
        self.action_open()

    def readings_changed(self) -> None:
        """List anew, unless the person reads further down."""
        if self.pages.is_at_start:
            self._search()

    def _search(self) -> None:
        if not self._is_searching:
            self._is_searching = True
            self.run_worker(self._search_newest(), name="filter")

    async def _search_newest(self) -> None:
        """Search in a thread until the newest line has been answered; lines typed in the meantime are left out."""
        try:
            answered = None
            while answered != self._wanted:
                answered = self._wanted
                await self._show(answered)
        finally:
            self._is_searching = False

    async def _show(self, line: str) -> None:
        def below(anchor: int | None, count: int) -> list[HistoryRow]:
            return self._record.accepted_below(line, anchor, count)

        def above(anchor: int | None, count: int) -> list[HistoryRow]:
            return self._record.accepted_above(line, anchor, count)

        try:
            rows = await asyncio.to_thread(below, None, self.pages.first_count)
        except MeterlinkError as error:
            rows, empty = [], f"✗ {error}"
        else:
            empty = _NO_MATCH if line.strip() else _NOTHING_YET
        if line == self._wanted:
            self.pages.show(below, above, rows, empty)

    def action_open(self) -> None:
        """Open the reading at the cursor."""
        if (row := self.pages.current) is not None:
            self.app.push_screen(AcceptedSheet(self._scene, self._record, row))

    def action_part(self) -> None:
        """Plot the part of the reading at the cursor."""
        if (row := self.pages.current) is not None:
            self.app.push_screen(PartSheet(self._scene, self._record, row))

    def action_raw(self) -> None:
        """List the raw readings from the moment of the reading at the cursor."""
        row = self.pages.current
        self.app.push_screen(RawSheet(self._scene, self._record, row.reading.timestamp.utc_ns if row else None))
