"""The sheet for a value from a meter without Bluetooth."""

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.units import Quantity
from meterlink_tui.scene import ActivePoint
from meterlink_tui.sheets.rating import SubmitText
from meterlink_tui.sheets.sheet import Sheet

# One example per quantity; `meterlink.capture` reads each.
_EXAMPLES: dict[str, str] = {
    Quantity.CAPACITANCE: "43.7 uF",
    Quantity.RESISTANCE: "14.2 ohm, or OL",
    Quantity.VOLTAGE: "24.1 V AC",
    Quantity.CURRENT: "1.32 A AC",
    Quantity.TEMPERATURE: "9.8 degC",
    Quantity.FREQUENCY: "60.0 Hz",
}
_LONGEST = 64  # characters; longer than any display


class ManualEntrySheet(Sheet[None]):
    """Passes the typed text to ``submit``; closes if it returns no error, else displays the error."""

    has_field = True

    def __init__(self, cautions: tuple[str, ...], active: ActivePoint, submit: SubmitText) -> None:
        super().__init__(cautions)
        self._active = active
        self._submit = submit

    def body(self) -> ComposeResult:
        """Yield the question, an example, the field and an empty row for an error."""
        example = _EXAMPLES.get(self._active.quantity, "12.3, with the unit")
        yield Static(f"What does the meter show on the {self._active.title}?", classes="heading", markup=False)
        yield Static(
            f"For a meter without Bluetooth. Type the value on its display, for example: {example}. "
            "Enter accepts the value, Esc cancels.",
            markup=False,
        )
        field = Input(placeholder=example, max_length=_LONGEST, id="manual-entry")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Focus the field, so that typing starts at once."""
        super().on_mount()
        self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the text to the station; display its error."""
        with self.sending() as may_send:
            if not may_send:
                return
            error = await self._submit(submitted.value) if submitted.value.strip() else "Nothing was typed."
            if error:
                self.query_one("#error", Static).update(f"✗ {error}")
            else:
                self.dismiss()
