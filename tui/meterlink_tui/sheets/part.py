"""A part over its visits: values, limits, replacements, the forecast."""

import asyncio
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from meterlink.core.errors import MeterlinkError
from meterlink.core.text import clean_text
from meterlink.notebook.record import HistoryRow, Record
from meterlink_tui.record_lines import part_name, place_name
from meterlink_tui.record_plots import PART_MARKS, left_out, part_plot
from meterlink_tui.scene import Scene
from meterlink_tui.sheets.record import RecordSheet
from meterlink_tui.widgets.plot_view import PlotView

_LONGEST = 480  # characters of a sentence


class PartSheet(RecordSheet[None]):
    """The part of the accepted reading ``row``; scrolls."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down,pagedown,space", "scroll(1)", "more", id="part-down", tooltip="Scroll down"),
        Binding("up,pageup", "scroll(-1)", "up", id="part-up", show=False, tooltip="Scroll up"),
        Binding("t,q", "dismiss", "close", id="close-part", show=False, tooltip="Close this screen"),
    ]

    def __init__(self, scene: Scene | None, record: Record, row: HistoryRow) -> None:
        super().__init__(scene)
        self._record = record
        self._row = row

    def body(self) -> ComposeResult:
        """Yield the part and the answer, the plot, then the reasons."""
        yield Static("", id="part-answer", classes="heading", markup=False)
        yield PlotView()
        yield Static("", id="part-reasons", markup=False)

    def on_mount(self) -> None:
        """Read the visits."""
        self.run_worker(self._show(), name="part")

    def readings_changed(self) -> None:
        """Read the visits again."""
        self.run_worker(self._show(), name="part")

    async def _show(self) -> None:
        terminals = " to ".join(clean_text(name) for name in self._row.terminals)
        name = f"{part_name(self._row)} · {terminals} · {place_name(self._row)}"
        try:
            series = await asyncio.to_thread(self._record.part, self._row)
        except MeterlinkError as error:
            self._draw(name, f"✗ {error}", ())
            return
        if series is None:
            self._draw(name, "All readings of this part are voided.", ())
            return
        answer, *reasons = series.answer
        if series.newest_part is not None:
            reasons.append(series.newest_part.sentence)
        self._draw(name, answer, (*reasons, *left_out(series)))
        self.query_one(PlotView).show(part_plot(series), "The clock was not set at any visit: nothing to plot.")

    def _draw(self, name: str, answer: str, reasons: tuple[str, ...]) -> None:
        self.query_one("#part-answer", Static).update(
            Content.assemble((name, "bold $strong"), "\n", (clean_text(answer, _LONGEST), "bold $hint"))
        )
        texts = [Content.styled(PART_MARKS, "$faint"), *(Content(clean_text(reason, _LONGEST)) for reason in reasons)]
        self.query_one("#part-reasons", Static).update(Content("\n").join(texts))

    def action_scroll(self, direction: int) -> None:
        """Scroll by a screen, down for a positive ``direction``."""
        body = self.query_one("#sheet-body")
        (body.scroll_page_down if direction > 0 else body.scroll_page_up)(animate=False)
