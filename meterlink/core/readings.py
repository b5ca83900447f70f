"""A reading: one value from a meter, with everything needed to judge it and to replay it."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.core.clock import Timestamp
from meterlink.core.units import Quantity, to_base


class Status(StrEnum):
    """Whether a reading carries a value."""

    OK = "ok"
    OVERLOAD = "overload"  # above the range: on ohms, what an open circuit shows
    INVALID = "invalid"  # the meter says it has no value (not a number, not at this resolution, unknown)


class Coupling(StrEnum):
    """Alternating or direct, where the meter says so."""

    AC = "AC"
    DC = "DC"


@dataclass(frozen=True, slots=True)
class Reading:
    """One value from a meter.

    ``digits`` is the number as the display shows it, in the display unit ``unit``, trailing zeros kept; None unless
    ``status`` is ok. ``resolution`` is one count of that display in ``unit``, None where the meter does not tell
    (a binary float). ``channel`` and ``packet`` are what it was decoded from. ``hold`` is whether the display is
    frozen, ``relative`` whether it shows a difference: neither is what the probes measure now.
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
        """Whether it is what the probes measure now, and so may be judged."""
        return not (self.display_hold or self.relative)

    @property
    def value(self) -> float | None:
        """The value in the base unit of its quantity (V, A, Ω, F, Hz, °C, %), None when there is none."""
        return None if self.digits is None else float(to_base(self.digits, self.unit))

    @property
    def text(self) -> str:
        """What the display would show: ``4.70 µF``, ``OL Ω``, ``--- V``; with AC or DC where known."""
        number = {Status.OVERLOAD: "OL", Status.INVALID: "---"}.get(self.status) or f"{self.digits:f}"
        return f"{number} {self.unit}" + (f" {self.coupling}" if self.coupling else "")
