"""The sheet on which a value is typed that somebody read off a meter without a radio."""

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.units import Quantity
from meterlink_tui.scene import ActivePoint
from meterlink_tui.sheets.rating import SubmitText
from meterlink_tui.sheets.sheet import Sheet

# One way of writing each that `meterlink.capture.capture_file.parse_shows` reads.
_EXAMPLES: dict[str, str] = {
    Quantity.CAPACITANCE: "43.7 uF",
    Quantity.RESISTANCE: "14.2 ohm, or OL",
    Quantity.VOLTAGE: "24.1 V AC",
    Quantity.CURRENT: "1.32 A AC",
    Quantity.TEMPERATURE: "9.8 degC",
    Quantity.FREQUENCY: "60.0 Hz",
}
_LONGEST = 64  # characters; no display shows more


class ManualEntrySheet(Sheet[None]):
    """Hands what is typed to ``ask``; closes when that returns no error, else shows the error and stays."""

    def __init__(self, cautions: tuple[str, ...], active: ActivePoint, submit: SubmitText) -> None:
        super().__init__(cautions)
        self._active = active
        self._submit = submit

    def body(self) -> ComposeResult:
        """What is asked for, an example, the field, and room for an error."""
        example = _EXAMPLES.get(self._active.quantity, "12.3, with the unit")
        yield Static(f"What does the meter show on the {self._active.title}?", classes="heading", markup=False)
        yield Static(
            f"For a meter without Bluetooth. As on its display, for example: {example}. Enter holds it, Esc leaves it.",
            markup=False,
        )
        field = Input(placeholder=example, max_length=_LONGEST, id="keyed")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Type at once."""
        super().on_mount()
        self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Have the station read and hold it; an error is shown in its words."""
        error = await self._submit(submitted.value) if submitted.value.strip() else "Nothing was typed."
        if error:
            self.query_one("#error", Static).update(f"✗ {error}")
        else:
            self.dismiss()
