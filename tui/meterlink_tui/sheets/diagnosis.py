"""The sheet that says what the visit's readings point to, with what speaks for it and what against."""

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

_LONGEST = 480  # characters of a sentence; more would be nobody's finding

NO_DIAGNOSIS = "Nothing has been held yet that would point anywhere."


DERIVED_HEADING = "Worked out of several readings"


class DiagnosisSheet(Sheet[None]):
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
        """The summary, the findings, then what was worked out of several readings."""
        yield Static("What the readings point to (Esc goes back)", classes="heading", markup=False)
        findings = self._visit.get("causes", []) if self._visit else []
        summary = self._visit.get("summary", "") if self._visit else ""
        yield Static(clean_text(summary, _LONGEST) or NO_DIAGNOSIS, markup=False)
        for sentence in self._visit.get("replacements", []) if self._visit else []:
            yield Static(clean_text(sentence, _LONGEST), markup=False)
        for finding in findings:
            yield Static("", markup=False)
            yield Static(
                Content.assemble(
                    (clean_text(finding["title"], _LONGEST), "bold $strong"),
                    (f"  {clean_text(finding['confidence']).upper()}", "bold $hint"),
                ),
                markup=False,
            )
            for mark, sentences in (("+", finding["evidence_for"]), ("-", finding["evidence_against"])):
                for sentence in sentences:
                    yield Static(f" {mark} {clean_text(sentence, _LONGEST)}", markup=False)
            yield Static(
                Content.assemble((" NEXT ", "bold $hint"), clean_text(finding["next_measurement"], _LONGEST)),
                markup=False,
            )

        yield from _derived_blocks(self._visit.get("derived", []) if self._visit else [])

    def action_scroll(self, direction: int) -> None:
        """Scroll by a screen, down for a positive ``way``."""
        body = self.query_one("#sheet-body")
        (body.scroll_page_down if direction > 0 else body.scroll_page_up)(animate=False)


def _derived_blocks(views: Sequence[DerivedView]) -> ComposeResult:
    """One block a check: its figure and verdict, the reason with the numbers, what it rests on or what it needs."""
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
