"""The sheet for the rating that is printed on a part."""

from collections.abc import Awaitable, Callable

from textual import work
from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.equipment import PointKind
from meterlink.core.text import clean_text
from meterlink.core.units import Quantity
from meterlink.link.messages import QuestionView
from meterlink_tui.scene import ActivePoint, question_choices
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.choices import ChoiceList

# The prompt and an example, by the kind and the quantity of the test point; `meterlink.plans` reads each example.
_PROMPTS: dict[tuple[str, str], tuple[str, str]] = {
    (PointKind.CAPACITOR, Quantity.CAPACITANCE): ("Type its label", "45/5 MFD 440V"),
    (PointKind.COIL, Quantity.RESISTANCE): (
        # The figure: common practice, no source.
        "Type the maker's resistance. A 24 V contactor coil mostly reads 5 to 30 Ω, which is no limit",
        "10 to 18 ohm",
    ),
    (PointKind.RANGE, Quantity.CURRENT): ("Type RLA or FLA, and LRA, from the nameplate", "14.1 LRA 77"),
    (PointKind.RANGE, Quantity.VOLTAGE): ("Type the volts as marked", "240"),
    (PointKind.RANGE, Quantity.RESISTANCE): (
        "Nothing is marked on a winding: type limits from a service sheet. Of a heater type watts and volts",
        "1.2 to 1.8 ohm",
    ),
    (PointKind.INSULATION, Quantity.RESISTANCE): ("Type the least resistance, with its unit", "at least 1 Mohm"),
    (PointKind.RANGE, Quantity.TEMPERATURE): ("Type the limits, with the unit", "8 to 12 degC"),
    (PointKind.RANGE, Quantity.FREQUENCY): ("Type the limits", "59 to 61 Hz"),
}
_OTHER_PROMPT = ("Type the limits, with the unit", "10 to 18")
_LONGEST = 64  # characters; longer than any rating on a label
_LONGEST_QUESTION = 240  # characters; a question quotes the label

_LONGEST_MEANING = 160  # characters; two rows of 80 columns

# Sends a typed rating; returns its error, or "", and the question about a text with several meanings.
SubmitRating = Callable[[str], Awaitable[tuple[str, QuestionView | None]]]


# Returns in words how a text is understood, or why it is not; nothing is changed by it.
CheckRating = Callable[[str], Awaitable[str]]


class RatingSheet(Sheet[None]):
    """Passes the typed text to ``submit``; closes if it returns no error, else displays the error.

    While somebody types, ``check`` says how the text is understood. For a text with several meanings it displays the
    choices; the chosen one is passed to ``submit``.
    """

    has_field = True

    def __init__(
        self, cautions: tuple[str, ...], active: ActivePoint, submit: SubmitRating, check: CheckRating
    ) -> None:
        super().__init__(cautions)
        self._active = active
        self._submit = submit
        self._check = check

    def heading(self) -> str:
        """Return the question above the field."""
        return f"What is marked on the {self._active.title}?"

    def instruction(self) -> str:
        """Return the instruction, with an example."""
        prompt, example = _PROMPTS.get((self._active.kind, self._active.quantity), _OTHER_PROMPT)
        now = f"Now: {self._active.rating}. " if self._active.rating else ""
        return f"{now}{prompt}, for example: {example}. Enter saves it, Esc cancels."

    def body(self) -> ComposeResult:
        """Yield the question, an example, the field, its meaning, and an empty row for an error."""
        _, example = _PROMPTS.get((self._active.kind, self._active.quantity), _OTHER_PROMPT)
        yield Static(self.heading(), classes="heading", markup=False)
        yield Static(self.instruction(), id="instruction", markup=False)
        # The present marking stands in the field, selected: the first key replaces it.
        field = Input(self._active.label, placeholder=example, max_length=_LONGEST, id="rating")
        field.cursor_blink = False
        yield field
        yield Static("", id="meaning", markup=False)
        yield Static("", id="error", classes="error", markup=False)
        yield ChoiceList()

    def on_mount(self) -> None:
        """Focus the field, so that typing starts at once."""
        self.query_one(ChoiceList).show(())
        self.query_one(Input).focus()

    def on_input_changed(self, changed: Input.Changed) -> None:
        """Say how the text is understood; a newer text replaces the question about an older one."""
        self._show_meaning(changed.value)

    @work(exclusive=True, group="meaning")
    async def _show_meaning(self, text: str) -> None:
        meaning = await self._check(text) if text.strip() else ""
        self.query_one("#meaning", Static).update(clean_text(meaning, _LONGEST_MEANING))

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the text to the station; display its error, or the choices for it."""
        await self.submit(submitted.value)

    async def on_choice_list_chosen(self, chosen: ChoiceList.Chosen) -> None:
        """Go on with the chosen one."""
        await self.choose(chosen.key)

    # Textual calls the handlers of a class and of its base classes: a sheet of another kind changes these two instead.

    async def submit(self, text: str) -> None:
        """Send the typed text to the station."""
        if text.strip():
            await self.send_text(text)
        else:
            self.show_error("✗ Nothing was typed.")

    async def choose(self, key: str) -> None:
        """Send the chosen rating to the station."""
        await self.send_text(key)

    async def send_text(self, text: str) -> None:
        """Send a rating to the station, and close if it is taken."""
        with self.sending() as may_send:
            if may_send:
                self.show_reply(*await self._submit(text))

    def show_reply(self, error: str, question: QuestionView | None) -> None:
        """Close without an error; else display it, or the choices of the question."""
        if question is not None:
            self.show_error(
                f"? {clean_text(question['question'], _LONGEST_QUESTION)} Press a digit, or Tab to type again."
            )
            for name in ("#instruction", "#meaning"):  # the choices need their rows on a small screen
                self.query_one(name).display = False
            self.query_one(ChoiceList).show(question_choices(question))
        elif error:
            self.show_error(f"✗ {error}")
        else:
            self.dismiss()

    def show_error(self, text: str) -> None:
        """Display a text in the row of errors, without choices."""
        self.query_one("#error", Static).update(text)
        self.query_one(ChoiceList).show(())
