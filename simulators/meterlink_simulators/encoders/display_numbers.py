"""The number on a display, split into the parts that frames carry."""

from dataclasses import dataclass

from meterlink.core.readings import Coupling
from meterlink.core.units import BASE_UNIT, Quantity
from meterlink_simulators.display import DisplayState

Mode = tuple[Quantity, Coupling | None]

# Positions of the dial of a simulated meter.
MODES: tuple[Mode, ...] = (
    (Quantity.VOLTAGE, Coupling.AC),
    (Quantity.VOLTAGE, Coupling.DC),
    (Quantity.CURRENT, Coupling.AC),
    (Quantity.CURRENT, Coupling.DC),
    (Quantity.RESISTANCE, None),
    (Quantity.CAPACITANCE, None),
    (Quantity.FREQUENCY, None),
    (Quantity.TEMPERATURE, None),
)

# SI prefixes by their power of ten (SI brochure, 9th edition, table 7).
PREFIX_POWERS = {"p": -12, "n": -9, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6}


@dataclass(frozen=True, slots=True)
class DisplayNumber:
    """A number on a display: ``counts`` with ``decimals`` places behind the point, times ten to ``power``.

    The unit is the base unit. ``counts`` is not negative; ``negative`` is the minus sign, which may stand before zero.
    """

    counts: int
    negative: bool
    decimals: int
    power: int

    @property
    def exponent(self) -> int:
        """The power of ten of one count, in the base unit."""
        return self.power - self.decimals


def dial_mode(display: DisplayState) -> Mode | None:
    """Return ``(quantity, coupling)``; None for a display that no frame of this package carries (a ratio, °F)."""
    mode = (display.quantity, display.coupling)
    return mode if mode in MODES and unit_prefix(display) in PREFIX_POWERS else None


def unit_prefix(display: DisplayState) -> str:
    """Return the SI prefix of the display's unit; the whole unit where it is not a multiple of the base unit."""
    return display.unit.removesuffix(BASE_UNIT[display.quantity])


def display_number(display: DisplayState) -> DisplayNumber | None:
    """Return the number on the display, None for overload and blank."""
    if display.digits is None:
        return None
    sign, digits, exponent = display.digits.as_tuple()
    return DisplayNumber(
        counts=int("".join(map(str, digits))),
        negative=bool(sign),
        decimals=max(0, -int(exponent)),  # an int: a display shows finite numbers only
        power=PREFIX_POWERS[unit_prefix(display)],
    )
