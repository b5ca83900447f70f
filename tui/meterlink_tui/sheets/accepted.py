"""One accepted reading: its verdicts, and the raw readings of its meter around the moment when it was accepted."""

import asyncio
from collections.abc import Iterator
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from meterlink.core.errors import MeterlinkError
from meterlink.core.text import clean_text, length_text
from meterlink.notebook.record import HistoryRow, ReadingDetails, Record
from meterlink_tui.record_lines import VOIDED, local_time, part_name, place_name, verdict_mark, verdict_text
from meterlink_tui.record_plots import TRACE_MARKS, trace_plot
from meterlink_tui.scene import Scene
from meterlink_tui.sheets.part import PartSheet
from meterlink_tui.sheets.raw import RawSheet
from meterlink_tui.sheets.record import RecordSheet
from meterlink_tui.widgets.plot_view import PlotView

_LONGEST = 480  # characters of a sentence


class AcceptedSheet(RecordSheet[None]):
    """The accepted reading ``row``; scrolls."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t,f2", "part", "part", id="accepted-part", tooltip="Plot the part over its visits"),
        Binding("w,f3", "raw", "raw", id="accepted-raw", tooltip="List the raw readings from that moment"),
        Binding("down,pagedown,space", "scroll(1)", "down", id="accepted-down", show=False, tooltip="Scroll down"),
        Binding("up,pageup", "scroll(-1)", "up", id="accepted-up", show=False, tooltip="Scroll up"),
        Binding("h,q", "dismiss", "close", id="close-accepted", show=False, tooltip="Close this screen"),
    ]

    def __init__(self, scene: Scene | None, record: Record, row: HistoryRow) -> None:
        super().__init__(scene)
        self._record = record
        self._row = row

    def body(self) -> ComposeResult:
        """Yield the reading, the plot of the raw readings and the facts behind the verdict."""
        yield Static(_heading(self._row), classes="heading", markup=False)
        yield PlotView()
        yield Static("", id="accepted-facts", markup=False)

    def on_mount(self) -> None:
        """Read the details."""
        self.run_worker(self._show(), name="details")

    async def _show(self) -> None:
        try:
            details = await asyncio.to_thread(self._record.details, self._row)
        except MeterlinkError as error:
            self.query_one(PlotView).show(None, f"✗ {error}")
            return
        typed = "Typed in: no raw readings around it."
        sentence = typed if self._row.reading.is_typed else "No other raw readings of this meter around it."
        plot = trace_plot(details)
        self.query_one(PlotView).show(plot, sentence if plot else _thinned(details) or sentence)
        self.query_one("#accepted-facts", Static).update(
            Content("\n").join([*([Content.styled(TRACE_MARKS, "$faint")] if plot else []), *_facts(details)])
        )

    def action_scroll(self, direction: int) -> None:
        """Scroll by a screen, down for a positive ``direction``."""
        body = self.query_one("#sheet-body")
        (body.scroll_page_down if direction > 0 else body.scroll_page_up)(animate=False)

    def action_part(self) -> None:
        """Plot the part."""
        self.app.push_screen(PartSheet(self._scene, self._record, self._row))

    def action_raw(self) -> None:
        """List the raw readings from that moment."""
        self.app.push_screen(RawSheet(self._scene, self._record, self._row.reading.timestamp.utc_ns))


def _thinned(details: ReadingDetails) -> str:
    """Return the sentence on raw readings that were deleted; empty if none were."""
    if details.thinned_utc_ns is None or details.row.reading.is_typed:
        return ""
    return f"Thinned on {local_time(details.thinned_utc_ns, None)}: the raw readings around it were deleted."


def _heading(row: HistoryRow) -> Content:
    """Return the part, then value and verdict; voided ones are struck through."""
    mark, tone = verdict_mark(row.judgement.verdict, row.judgement.margin)
    verdict = f"{mark} {verdict_text(row.judgement.verdict, row.judgement.margin).upper()}"
    terminals = " to ".join(clean_text(name) for name in row.terminals)
    voided = row.void_reason is not None
    return Content.assemble(
        (f"{part_name(row)} · {terminals} · {place_name(row)}\n", "bold $strong"),
        (clean_text(row.reading.text), "strike $faint" if voided else "bold $strong"),
        "  ",
        (f"{VOIDED}, was ", "bold $warn") if voided else "",
        (verdict, "strike $faint" if voided else f"bold ${tone}"),
        (f"  {local_time(row.reading.timestamp.utc_ns, row.clock_set)}", "$faint"),
    )


def _facts(details: ReadingDetails) -> Iterator[Content]:
    row = details.row
    judgement = row.judgement
    if row.void_reason is not None:
        yield Content.assemble((f"{VOIDED}: ", "bold $warn"), clean_text(row.void_reason, _LONGEST))
    if row.correction is not None:
        yield Content.assemble(
            ("Decoded again: ", "bold $strong"),
            f"accepted as {clean_text(row.correction.accepted_as)}, by {clean_text(row.correction.driver)}"
            f" on {local_time(row.correction.utc_ns, None)}.",
        )
    yield Content(clean_text(judgement.reason, _LONGEST))
    limits = clean_text(judgement.limits.basis, _LONGEST) if judgement.limits else "none"
    settled = "" if row.reading.is_typed else f" Settled in {row.settled_in:.1f} s."
    meter = clean_text(row.meter.name or row.meter.address)
    yield Content(f"Limits: {limits}. Meter: {meter}.{settled}")
    if row.clock_set is False:
        yield Content("The station's clock was not set: the date is not known.")
    elif row.clock_step_ns:
        by = length_text(abs(row.clock_step_ns) / 1e9)
        yield Content(f"The station's clock was set {'back' if row.clock_step_ns < 0 else 'on'} by {by} before.")
    if len(details.around) > 1 and (thinned := _thinned(details)):
        yield Content(thinned)
    for earlier in reversed(details.earlier):
        mark, _ = verdict_mark(earlier.verdict, earlier.margin)
        basis = clean_text(earlier.limits_basis, _LONGEST) or "no limits"
        yield Content.assemble(
            ("Judged before: ", "bold $strong"),
            f"{mark} {verdict_text(earlier.verdict, earlier.margin)}, {basis},"
            f" on {local_time(earlier.judged_utc_ns, None)}.",
        )
