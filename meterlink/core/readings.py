"""A reading: one value from a meter, with all that judging and replaying need."""

from decimal import Decimal
from enum import StrEnum

from meterlink.core.clock import Timestamp
from meterlink.core.record import record
from meterlink.core.unit_words import Coupling
from meterlink.core.units import Quantity, to_base

__all__ = ["MANUAL_ENTRY", "Coupling", "DisplayMode", "Phase", "Reading", "Status"]


MANUAL_ENTRY = "manual_entry"
"""The address, the driver and the channel of values that were typed in."""


class Status(StrEnum):
    """Whether a reading has a value."""

    OK = "ok"
    OVERLOAD = "overload"  # above the range; on ohms, an open circuit
    INVALID = "invalid"  # the meter has no value (not a number, not at this resolution, unknown)


class DisplayMode(StrEnum):
    """Whether a display shows the value at the probes."""

    NORMAL = "normal"
    HOLD = "hold"  # it is frozen
    RELATIVE = "relative"  # it shows a difference to an earlier value


class Phase(StrEnum):
    """The phase of a measurement."""

    IDLE = "idle"  # nothing on the probes
    SETTLING = "settling"
    ACCEPTED = "accepted"


@record
class Reading:
    """One value from a meter.

    ``digits`` is the number on the display, in the display unit ``unit``, trailing zeros kept; None unless ``status``
    is ok. ``resolution`` is one count of that display in ``unit``, None if the meter does not report it (a binary
    float). ``packet`` holds the bytes it was decoded from, ``channel`` the characteristic that sent them.
    ``display_hold``: the display is frozen. ``relative``: the display shows a difference to an earlier value.
    """

    quantity: Quantity
    digits: Decimal | None
    unit: str
    timestamp: Timestamp
    status: Status = Status.OK
    coupling: Coupling | None = None
    resolution: Decimal | None = None
    low_battery: bool = False
    channel: str = ""
    packet: bytes = b""
    display_hold: bool = False
    relative: bool = False

    @property
    def is_judgeable(self) -> bool:
        """Whether the display shows the present measurement, and so may be judged."""
        return not (self.display_hold or self.relative)

    @property
    def is_typed(self) -> bool:
        """Whether a person typed it in, and may have left out zeros at the end of the display."""
        return self.channel == MANUAL_ENTRY

    @property
    def value(self) -> float | None:
        """The value in the base unit of its quantity (V, A, Ω, F, Hz, °C, %); None without a value."""
        return None if self.digits is None else float(to_base(self.digits, self.unit))

    @property
    def text(self) -> str:
        """The display as text: ``4.70 µF``, ``OL Ω``, ``--- V``; with AC or DC where known."""
        return f"{self.number_text} {self.unit_text}"

    @property
    def number_text(self) -> str:
        """The number on the display: ``4.70``, ``OL``, ``---``."""
        return {Status.OVERLOAD: "OL", Status.INVALID: "---"}.get(self.status) or f"{self.digits:f}"

    @property
    def unit_text(self) -> str:
        """The unit on the display, with AC or DC where known: ``µF``, ``V AC``."""
        return f"{self.unit} {self.coupling}" if self.coupling else self.unit

    @property
    def display_mode(self) -> DisplayMode:
        """Whether the display shows the value at the probes; a frozen difference is on hold."""
        if self.display_hold:
            return DisplayMode.HOLD
        return DisplayMode.RELATIVE if self.relative else DisplayMode.NORMAL
