"""The sheets for a sentence of the technician: a note on the visit, a skipped test point, a voided reading."""

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.widget import Widget

from meterlink.core.text import LONGEST_REMARK
from meterlink_tui.scene import QuestionChoice
from meterlink_tui.sheets.text import Submit, TextSheet
from meterlink_tui.widgets.choices import ChoiceList

VOID_REASONS = ("typing slip", "wrong terminals", "wrong part", "meter on the wrong function", "probes slipped")
SKIP_REASONS = ("not there on this unit", "cannot be reached", "not safe to do now", "not needed after the repair")


class RemarkSheet(TextSheet):
    """Passes a typed text, or one of the usual ``reasons``, to ``submit``.

    A reason is chosen by its digit: no typing with a glove on.
    """

    def __init__(self, cautions: tuple[str, ...], heading: str, submit: Submit, reasons: Sequence[str] = ()) -> None:
        instruction = (
            "A digit chooses, Tab goes to the field for other words. Esc cancels."
            if reasons
            else "Enter keeps it, Esc cancels."
        )
        example = "other words" if reasons else ""
        super().__init__(cautions, heading, instruction, submit, example=example, longest=LONGEST_REMARK)
        self._choices = [QuestionChoice(reason, reason, "", usual=False) for reason in reasons]

    def above_field(self) -> ComposeResult:
        """Yield the reasons."""
        yield ChoiceList()

    def on_mount(self) -> None:
        """Display the reasons."""
        self.query_one(ChoiceList).show(self._choices)

    def first_widget(self) -> Widget:
        """Return the reasons, or the field without any."""
        return self.query_one(ChoiceList) if self._choices else super().first_widget()

    async def on_choice_list_chosen(self, chosen: ChoiceList.Chosen) -> None:
        """Send the chosen reason."""
        await self.send_text(chosen.key)
