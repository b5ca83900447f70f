"""The sheet for the rating that is printed on a part."""

from collections.abc import Awaitable, Callable

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.units import Quantity
from meterlink_tui.scene import ActivePoint
from meterlink_tui.sheets.sheet import Sheet

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

SubmitText = Callable[[str], Awaitable[str]]  # sends a typed text; returns its error, or ""


class RatingSheet(Sheet[None]):
    """Passes the typed text to ``submit``; closes if it returns no error, else displays the error."""

    def __init__(self, cautions: tuple[str, ...], active: ActivePoint, submit: SubmitText) -> None:
        super().__init__(cautions)
        self._active = active
        self._submit = submit

    def body(self) -> ComposeResult:
        """Yield the question, an example, the field and an empty row for an error."""
        example = _EXAMPLES.get(self._active.quantity, "10 to 18, with the unit")
        now = f"Rating now: {self._active.rating}. " if self._active.rating else ""
        yield Static(f"What is printed on the {self._active.title}?", classes="heading", markup=False)
        yield Static(f"{now}Type the rating, for example: {example}. Enter saves it, Esc cancels.", markup=False)
        field = Input(placeholder=example, max_length=_LONGEST, id="rating")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Focus the field, so that typing starts at once."""
        super().on_mount()
        self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the text to the station; display its error."""
        error = await self._submit(submitted.value) if submitted.value.strip() else "Nothing was typed."
        if error:
            self.query_one("#error", Static).update(f"✗ {error}")
        else:
            self.dismiss()
