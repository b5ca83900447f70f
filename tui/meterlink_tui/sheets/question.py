"""The sheet for an open question about an accepted reading."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Static

from meterlink_tui.scene import OpenQuestion
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.choices import ChoiceList


class QuestionSheet(Sheet[str]):
    """Closes with the key of the chosen answer, or without a result: the question stays open."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("o,q", "dismiss", "close", id="close-question", show=False, tooltip="Close this")
    ]

    def __init__(self, cautions: tuple[str, ...], question: OpenQuestion) -> None:
        super().__init__(cautions)
        self.question = question

    def body(self) -> ComposeResult:
        """Yield the reading, the question, and the choices in words."""
        yield Static(f"{self.question.subject} (Esc closes)", classes="heading", markup=False)
        yield Static(f"{self.question.text} A digit answers, or ↑ ↓ and Enter.", markup=False)
        yield ChoiceList()

    def on_mount(self) -> None:
        """Display the choices."""
        self.query_one(ChoiceList).show(self.question.choices)

    def on_choice_list_chosen(self, chosen: ChoiceList.Chosen) -> None:
        """Close with the chosen answer."""
        self.dismiss(chosen.key)
