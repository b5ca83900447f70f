"""A simulated Rowan: its radio protocol, written from its description, apart from the driver."""

from collections.abc import Sequence
from decimal import Decimal

from meterlink.driver_api import Coupling, Quantity
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition

SERVICE = "7b0e0000-3f52-4c1e-9d5a-6f1c2a9b4e10"
DISPLAY = "7b0e0001-3f52-4c1e-9d5a-6f1c2a9b4e10"
CODES = {
    (Quantity.VOLTAGE, Coupling.AC): 1,
    (Quantity.VOLTAGE, Coupling.DC): 2,
    (Quantity.RESISTANCE, None): 3,
    (Quantity.CAPACITANCE, None): 4,
}


class RowanEncoder:
    """Puts a display on the air as a Rowan does."""

    def services(self) -> Sequence[tuple[str, Sequence[CharacteristicDefinition]]]:
        return [(SERVICE, [CharacteristicDefinition("display", DISPLAY, frozenset({"notify"}))])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        if display.blank:
            return []
        digits = display.digits if display.digits is not None else Decimal(0)
        decimals = -int(digits.as_tuple().exponent)
        head = bytes([0x52, CODES[display.quantity, display.coupling], decimals])
        counts = int(digits.scaleb(decimals)).to_bytes(2, "big", signed=True)
        frame = head + counts + bytes([display.overload | display.low_battery << 1])
        return [("display", frame + bytes([sum(frame) % 256]))]


class Steady:
    """An instrument with one constant display."""

    name = "Rowan 12"
    rate = 4.0

    def __init__(self, display: DisplayState) -> None:
        self.display = display

    def show(self, _now: float) -> DisplayState:
        return self.display
