"""The sheets for a sentence of the technician: a note on the visit, a skipped test point, a voided reading."""

from collections.abc import Awaitable, Callable, Sequence

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.text import LONGEST_REMARK
from meterlink_tui.scene import QuestionChoice
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.choices import ChoiceList

SubmitRemark = Callable[[str], Awaitable[str]]  # sends the text; returns its error, or ""

VOID_REASONS = ("typing slip", "wrong terminals", "wrong part", "meter on the wrong function", "probes slipped")
SKIP_REASONS = ("not there on this unit", "cannot be reached", "not safe to do now", "not needed after the repair")


class RemarkSheet(Sheet[None]):
    """Passes a typed text, or one of the usual ``reasons``, to ``submit``; closes if it returns no error.

    A reason is chosen by its digit or by Enter in the empty field: no typing with a glove on.
    """

    has_field = True

    def __init__(
        self, cautions: tuple[str, ...], heading: str, submit: SubmitRemark, reasons: Sequence[str] = ()
    ) -> None:
        super().__init__(cautions)
        self._heading = heading
        self._submit = submit
        self._reasons = tuple(reasons)

    def body(self) -> ComposeResult:
        """Yield the question, the reasons, the field and an empty row for an error."""
        yield Static(self._heading, classes="heading", markup=False)
        if self._reasons:
            yield Static("A digit chooses, Tab goes to the field for other words. Esc cancels.", markup=False)
        else:
            yield Static("Enter keeps it, Esc cancels.", markup=False)
        yield ChoiceList()
        field = Input(placeholder="other words" if self._reasons else "", max_length=LONGEST_REMARK, id="remark")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Focus the reasons, or the field without any."""
        super().on_mount()
        self.query_one(ChoiceList).show([QuestionChoice(reason, reason, "", usual=False) for reason in self._reasons])
        if not self._reasons:
            self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the typed text."""
        await self._send(submitted.value)

    async def on_choice_list_chosen(self, chosen: ChoiceList.Chosen) -> None:
        """Send the chosen reason."""
        await self._send(chosen.key)

    async def _send(self, text: str) -> None:
        with self.sending() as may_send:
            if not may_send:
                return
            error = await self._submit(text) if text.strip() else "Nothing was typed."
            if error:
                self.query_one("#error", Static).update(f"✗ {error}")
            else:
                self.dismiss()
