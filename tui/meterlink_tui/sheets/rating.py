"""The sheet on which the rating is typed off the part."""

from collections.abc import Awaitable, Callable

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.units import Quantity
from meterlink_tui.scene import ActivePoint
from meterlink_tui.sheets.sheet import Sheet

# One way of writing each that `meterlink.judge` reads.
_EXAMPLES: dict[str, str] = {
    Quantity.CAPACITANCE: "45 uF 6 %",
    Quantity.RESISTANCE: "10 to 18 ohm",
    Quantity.VOLTAGE: "20.4 to 26.4 V",
    Quantity.CURRENT: "0 to 1.4 A",
    Quantity.TEMPERATURE: "8 to 12 degC",
    Quantity.FREQUENCY: "59 to 61 Hz",
}
_LONGEST = 64  # characters; no rating on a label is longer

SubmitText = Callable[[str], Awaitable[str]]


class RatingSheet(Sheet[None]):
    """Hands what is typed to ``ask``; closes when that returns no error, else shows the error and stays."""

    def __init__(self, cautions: tuple[str, ...], active: ActivePoint, submit: SubmitText) -> None:
        super().__init__(cautions)
        self._active = active
        self._submit = submit

    def body(self) -> ComposeResult:
        """What is asked for, an example, the field, and room for an error."""
        example = _EXAMPLES.get(self._active.quantity, "10 to 18, with the unit")
        now = f"Now: {self._active.rating}. " if self._active.rating else ""
        yield Static(f"What is printed on the {self._active.title}?", classes="heading", markup=False)
        yield Static(f"{now}For example: {example}. Enter keeps it, Esc leaves it.", markup=False)
        field = Input(placeholder=example, max_length=_LONGEST, id="rating")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Type at once."""
        super().on_mount()
        self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Have the station read it; an error is shown in its words."""
        error = await self._submit(submitted.value) if submitted.value.strip() else "Nothing was typed."
        if error:
            self.query_one("#error", Static).update(f"✗ {error}")
        else:
            self.dismiss()
