"""What a display shows, taken apart into the figures that frames carry."""

from dataclasses import dataclass

from meterlink.core.readings import Coupling
from meterlink.core.units import BASE_UNIT, Quantity
from meterlink_simulators.display import Shown

Mode = tuple[Quantity, Coupling | None]

# What the dial of a simulated meter can be turned to.
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
POWERS = {"p": -12, "n": -9, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6}


@dataclass(frozen=True, slots=True)
class Figures:
    """A number on a display: ``counts`` with ``decimals`` places behind the point, in ten to ``power`` of the unit.

    ``counts`` is not negative; a minus before zeros counts as lit.
    """

    counts: int
    negative: bool
    decimals: int
    power: int

    @property
    def exponent(self) -> int:
        """The power of ten of one count, in the base unit."""
        return self.power - self.decimals


def mode_of(shown: Shown) -> Mode | None:
    """Return where the dial is, None for what no frame of this package can carry (a ratio, °F)."""
    mode = (shown.quantity, shown.coupling)
    return mode if mode in MODES and prefix_of(shown) in POWERS else None


def prefix_of(shown: Shown) -> str:
    """Return the SI prefix of the display's unit; the whole unit where it is not a multiple of the base unit."""
    return shown.unit.removesuffix(BASE_UNIT[shown.quantity])


def figures_of(shown: Shown) -> Figures | None:
    """Return the number on the display, None for overload and blank."""
    if shown.digits is None:
        return None
    sign, digits, exponent = shown.digits.as_tuple()
    return Figures(
        counts=int("".join(map(str, digits))),
        negative=bool(sign),
        decimals=max(0, -int(exponent)),  # an int: a display shows finite numbers only
        power=POWERS[prefix_of(shown)],
    )
