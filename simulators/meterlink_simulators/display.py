"""The display of a simulated meter: the interface between bench and radio."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Protocol

from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity


@dataclass(frozen=True, slots=True)
class DisplayState:
    """One refresh of a display.

    ``digits`` is the number in ``unit`` (a display unit: µF, kΩ, V …) with its trailing zeros. It is None while the
    display shows overload (``overload`` true) or no value (``blank`` true: autoranging). ``battery_percent`` is 0..100.
    """

    quantity: Quantity
    digits: Decimal | None
    unit: str
    overload: bool = False
    blank: bool = False
    coupling: Coupling | None = None
    low_battery: bool = False
    battery_percent: int = 100


class Instrument(Protocol):
    """A simulated meter as the radio sees it."""

    @property
    def name(self) -> str:
        """The advertised name; invented."""
        ...

    @property
    def rate(self) -> float:
        """Display refreshes a second, in Hz."""
        ...

    def show(self, now: float) -> DisplayState:
        """Measure and return the display at ``now``, s since the bench was powered; ``now`` never decreases."""
        ...
