"""The raw readings of all meters in the order in which they were saved, with the gaps between them, page by page."""

import asyncio
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Input, Static

from meterlink.core.errors import MeterlinkError
from meterlink.notebook.record import RawLine, Record, parse_local_time
from meterlink_tui.record_lines import local_time, raw_line
from meterlink_tui.scene import Scene
from meterlink_tui.sheets.record import RecordListSheet
from meterlink_tui.widgets.pages import PagedList

_LONGEST = 40  # characters of a time
_NOTHING_YET = "No raw readings yet."


class RawSheet(RecordListSheet[RawLine]):
    """The raw readings and gaps, newest last; begins at ``utc_ns``, or at the newest for None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "move(1)", "down", id="raw-down", show=False, tooltip="Go down, to later readings"),
        Binding("up", "move(-1)", "up", id="raw-up", show=False, tooltip="Go up"),
        Binding("pagedown", "page(1)", "page", id="raw-page-down", tooltip="Go down a screen"),
        Binding("pageup", "page(-1)", "page", id="raw-page-up", show=False, tooltip="Go up a screen"),
        Binding("home", "start", "oldest", id="raw-start", priority=True, tooltip="Go to the oldest reading"),
        Binding("end", "end", "newest", id="raw-end", priority=True, tooltip="Go to the newest reading"),
        Binding("ctrl+u", "clear", "clear", id="raw-clear", show=False, priority=True, tooltip="Clear the time"),
    ]

    def __init__(self, scene: Scene | None, record: Record, utc_ns: int | None) -> None:
        super().__init__(scene)
        self._record = record
        self._utc_ns = utc_ns

    def body(self) -> ComposeResult:
        """Yield the field for a time, and the list."""
        yield Static("Raw readings of all meters", classes="heading", markup=False)
        with Horizontal(classes="line"):
            yield Static("TIME", classes="line-label")
            field = Input(
                placeholder="2026-11-03 14:05, Enter goes there", max_length=_LONGEST, id="raw-time", compact=True
            )
            field.cursor_blink = False
            yield field
        yield PagedList[RawLine](raw_line, lambda _width: 1)
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Focus the field, and list the readings once the list has its size."""
        self.query_one(Input).focus()
        self.pages.show(self._record.raw_below, self._record.raw_above, (), _NOTHING_YET)
        self.call_after_refresh(self._begin)

    async def _begin(self) -> None:
        await self._show_thinned()
        if self._utc_ns is None:
            await self.pages.go_to_end()
        else:
            await self._go_to(self._utc_ns)

    async def _show_thinned(self) -> None:
        """Say in the heading which readings were deleted to save room."""
        try:
            before = await asyncio.to_thread(self._record.thinned_before)
        except MeterlinkError:
            return  # the list says so
        if before is not None:
            heading = f"Raw readings of all meters. From before {local_time(before, None)} the accepted ones: thinned."
            self.query_one(".heading", Static).update(heading)

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Go to the typed time."""
        if not submitted.value.strip():
            return
        try:
            utc_ns = parse_local_time(submitted.value)
        except MeterlinkError as error:
            self.query_one("#error", Static).update(f"✗ {error}")
            return
        await self._go_to(utc_ns)

    async def _go_to(self, utc_ns: int) -> None:
        try:
            row_id = await asyncio.to_thread(self._record.first_raw_since, utc_ns)
        except MeterlinkError as error:
            self.query_one("#error", Static).update(f"✗ {error}")
            return
        self.query_one("#error", Static).update("")
        await self.pages.go_to(row_id)
