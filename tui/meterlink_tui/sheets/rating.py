"""The sheet for the rating that is printed on a part."""

from collections.abc import Awaitable, Callable

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.text import clean_text
from meterlink.core.units import Quantity
from meterlink.link.messages import QuestionView
from meterlink_tui.scene import ActivePoint, question_choices
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.choices import ChoiceList

# One example per quantity; `meterlink.judge` reads each.
_EXAMPLES: dict[str, str] = {
    Quantity.CAPACITANCE: "45 uF 6 %",
    Quantity.RESISTANCE: "10 to 18 ohm",
    Quantity.VOLTAGE: "20.4 to 26.4 V",
    Quantity.CURRENT: "0 to 1.4 A",
    Quantity.TEMPERATURE: "8 to 12 degC",
    Quantity.FREQUENCY: "59 to 61 Hz",
}
_LONGEST = 64  # characters; longer than any rating on a label
_LONGEST_QUESTION = 240  # characters; a question quotes the label

SubmitText = Callable[[str], Awaitable[str]]  # sends a typed text; returns its error, or ""
# Sends a typed rating; returns its error, or "", and the question about a text with several meanings.
SubmitRating = Callable[[str], Awaitable[tuple[str, QuestionView | None]]]


class RatingSheet(Sheet[None]):
    """Passes the typed text to ``submit``; closes if it returns no error, else displays the error.

    For a text with several meanings it displays the choices; the chosen one is passed to ``submit``.
    """

    def __init__(self, cautions: tuple[str, ...], active: ActivePoint, submit: SubmitRating) -> None:
        super().__init__(cautions)
        self._active = active
        self._submit = submit

    def body(self) -> ComposeResult:
        """Yield the question, an example, the field and an empty row for an error."""
        example = _EXAMPLES.get(self._active.quantity, "10 to 18, with the unit")
        now = f"Rating now: {self._active.rating}. " if self._active.rating else ""
        yield Static(f"What is printed on the {self._active.title}?", classes="heading", markup=False)
        instruction = f"{now}Type the rating, for example: {example}. Enter saves it, Esc cancels."
        yield Static(instruction, id="instruction", markup=False)
        field = Input(placeholder=example, max_length=_LONGEST, id="rating")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)
        yield ChoiceList()

    def on_mount(self) -> None:
        """Focus the field, so that typing starts at once."""
        super().on_mount()
        self.query_one(ChoiceList).show(())
        self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the text to the station; display its error, or the choices for it."""
        if submitted.value.strip():
            await self._send(submitted.value)
        else:
            self._show("✗ Nothing was typed.")

    async def on_choice_list_chosen(self, chosen: ChoiceList.Chosen) -> None:
        """Send the chosen rating to the station."""
        await self._send(chosen.key)

    async def _send(self, text: str) -> None:
        error, question = await self._submit(text)
        if question is not None:
            self._show(f"? {clean_text(question['question'], _LONGEST_QUESTION)} Press a digit, or Tab to type again.")
            self.query_one("#instruction").display = False  # the choices need its rows on a small screen
            self.query_one(ChoiceList).show(question_choices(question))
        elif error:
            self._show(f"✗ {error}")
        else:
            self.dismiss()

    def _show(self, text: str) -> None:
        self.query_one("#error", Static).update(text)
        self.query_one(ChoiceList).show(())
