"""The sheet for a value from a meter without Bluetooth."""

from meterlink.core.units import Quantity
from meterlink_tui.scene import ActivePoint
from meterlink_tui.sheets.text import Submit, TextSheet

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


class ManualEntrySheet(TextSheet):
    """Passes the value of the test point ``active``, as its display shows it, to ``submit``."""

    def __init__(self, cautions: tuple[str, ...], active: ActivePoint, submit: Submit) -> None:
        example = _EXAMPLES.get(active.quantity, "12.3, with the unit")
        super().__init__(
            cautions,
            f"What does the meter show on the {active.title}?",
            f"For a meter without Bluetooth. Type the value on its display, for example: {example}. "
            "Enter accepts the value, Esc cancels.",
            submit,
            example=example,
            longest=_LONGEST,
        )
