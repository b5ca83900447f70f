"""The sheet of causes that the visit's readings point to, with the evidence for and against each."""

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from meterlink.core.text import clean_text
from meterlink.core.verdicts import Margin
from meterlink.link.messages import DerivedView, VisitView
from meterlink_tui.scene import Tone, verdict_word
from meterlink_tui.sheets.sheet import Sheet

_LONGEST = 480  # characters of a sentence; no rule writes a longer one

NO_DIAGNOSIS = "No accepted reading points to a cause yet."
DERIVED_HEADING = "Derived from several readings"


class DiagnosisSheet(Sheet[None]):
    """One block per cause, the most likely first; scrolls."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("c,q", "dismiss", "close", id="close-diagnosis", show=False, tooltip="Close this"),
        Binding("down,pagedown,space", "scroll(1)", "down", id="diagnosis-down", show=False, tooltip="Scroll down"),
        Binding("up,pageup", "scroll(-1)", "up", id="diagnosis-up", show=False, tooltip="Scroll up"),
    ]

    def __init__(self, cautions: tuple[str, ...], visit: VisitView | None) -> None:
        super().__init__(cautions)
        self._visit = visit

    def body(self) -> ComposeResult:
        """Yield the summary, the replacements, the causes, then the derived points."""
        yield Static("Causes the readings point to: + for, - against (Esc closes)", classes="heading", markup=False)
        causes = self._visit.get("causes", []) if self._visit else []
        summary = self._visit.get("summary", "") if self._visit else ""
        yield Static(clean_text(summary, _LONGEST) or NO_DIAGNOSIS, markup=False)
        for sentence in self._visit.get("replacements", []) if self._visit else []:
            yield Static(clean_text(sentence, _LONGEST), markup=False)
        for cause in causes:
            yield Static("", markup=False)
            yield Static(
                Content.assemble(
                    (clean_text(cause["title"], _LONGEST), "bold $strong"),
                    (f"  {clean_text(cause['confidence']).upper()}", "bold $hint"),
                ),
                markup=False,
            )
            for mark, sentences in (("+", cause["evidence_for"]), ("-", cause["evidence_against"])):
                for sentence in sentences:
                    yield Static(f" {mark} {clean_text(sentence, _LONGEST)}", markup=False)
            yield Static(
                Content.assemble((" NEXT ", "bold $hint"), clean_text(cause["next_measurement"], _LONGEST)),
                markup=False,
            )

        yield from _derived_blocks(self._visit.get("derived", []) if self._visit else [])

    def action_scroll(self, direction: int) -> None:
        """Scroll by a screen, down for a positive ``direction``."""
        body = self.query_one("#sheet-body")
        (body.scroll_page_down if direction > 0 else body.scroll_page_up)(animate=False)


def _derived_blocks(views: Sequence[DerivedView]) -> ComposeResult:
    """Yield one block per derived point: its figure and verdict, the reason, then the limit and the formula."""
    if views:
        yield Static("", markup=False)
        yield Static(DERIVED_HEADING, classes="heading", markup=False)
    for view in views:
        word, mark, tone = verdict_word(view["verdict"]) if view["verdict"] else ("NOT JUDGED", "?", Tone.PLAIN)
        close = ", CLOSE CALL" if view["margin"] == Margin.CLOSE_CALL else ""
        colour = "$strong" if tone is Tone.PLAIN else f"${tone}"
        title, value = clean_text(view["title"], _LONGEST), clean_text(view["value"], _LONGEST)
        yield Static("", markup=False)
        yield Static(
            Content.assemble(
                (f"{title}  {value}".rstrip(), "bold $strong"), (f"  {mark} {word}{close}", f"bold {colour}")
            ),
            markup=False,
        )
        for text in (view["text"], view["basis"]):
            yield Static(f"   {clean_text(text, _LONGEST)}", markup=False)
