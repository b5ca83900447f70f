"""The sheet that says what the visit's readings point to, with what speaks for it and what against."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from meterlink.text import clean_name
from meterlink.views import VisitView

from .sheet import Sheet

_LONGEST = 480  # characters of a sentence; more would be nobody's finding

NOTHING = "Nothing has been held yet that would point anywhere."


class Findings(Sheet[None]):
    """One block a finding, the foremost first; scrolls."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f,q", "dismiss", "close", id="close-findings", show=False, tooltip="Close this"),
        Binding("down,pagedown,space", "scroll(1)", "further", id="findings-down", show=False, tooltip="Read on"),
        Binding("up,pageup", "scroll(-1)", "back", id="findings-up", show=False, tooltip="Read back"),
    ]

    def __init__(self, cautions: tuple[str, ...], visit: VisitView | None) -> None:
        super().__init__(cautions)
        self._visit = visit

    def body(self) -> ComposeResult:
        """The summary, then the findings."""
        yield Static("What the readings point to (Esc goes back)", classes="heading", markup=False)
        findings = self._visit.get("findings", []) if self._visit else []
        summary = self._visit.get("summary", "") if self._visit else ""
        yield Static(clean_name(summary, _LONGEST) or NOTHING, markup=False)
        for sentence in self._visit.get("stock", []) if self._visit else []:
            yield Static(clean_name(sentence, _LONGEST), markup=False)
        for finding in findings:
            yield Static("", markup=False)
            yield Static(
                Content.assemble(
                    (clean_name(finding["title"], _LONGEST), "bold $strong"),
                    (f"  {clean_name(finding['confidence']).upper()}", "bold $hint"),
                ),
                markup=False,
            )
            for mark, sentences in (("+", finding["evidence_for"]), ("-", finding["evidence_against"])):
                for sentence in sentences:
                    yield Static(f" {mark} {clean_name(sentence, _LONGEST)}", markup=False)
            yield Static(
                Content.assemble((" NEXT ", "bold $hint"), clean_name(finding["next"], _LONGEST)), markup=False
            )

    def action_scroll(self, way: int) -> None:
        """Scroll by a screen, down for a positive ``way``."""
        body = self.query_one("#sheet-body")
        (body.scroll_page_down if way > 0 else body.scroll_page_up)(animate=False)
