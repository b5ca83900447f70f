"""What a meter showed, ready to be judged."""

from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Amount, Quantity, convert, resolution_of

# A meter that does not tell its step (a binary float) is taken to show four significant digits, as the settling
# detector takes it. With no step at all the digits of an accuracy line would count for nothing.
ASSUMED_SIGNIFICANT_FIGURES = 4


@dataclass(frozen=True, slots=True)
class MeasuredValue:
    """What the meter showed: ``digits`` of ``unit`` to the nearest ``step``, or an overload (``digits`` None).

    ``coupling`` is alternating or direct, None where nobody says.
    """

    quantity: Quantity
    digits: Decimal | None
    unit: str
    resolution: Decimal
    coupling: Coupling | None = None

    @classmethod
    def from_reading(cls, reading: Reading) -> "MeasuredValue":
        """Take a reading that is ok or overload; InputError for one that carries no value."""
        if reading.status is Status.INVALID:
            raise InputError("The meter shows no value.", "Check its function and range.")
        step = reading.resolution
        if step is None:
            digits = reading.digits or Decimal(0)
            step = Decimal(1).scaleb(digits.adjusted() - ASSUMED_SIGNIFICANT_FIGURES + 1) if digits else Decimal(0)
        return cls(reading.quantity, reading.digits, reading.unit, step, reading.coupling)

    @classmethod
    def from_amount(cls, quantity: Quantity, amount: Amount, coupling: Coupling | None = None) -> "MeasuredValue":
        """Take what somebody read off a display: its last written place is the step."""
        return cls(quantity, amount.digits, amount.unit, resolution_of(amount.digits), coupling)

    def in_unit(self, unit: str) -> tuple[Decimal | None, Decimal]:
        """Return (digits, step) in ``unit``, which must be of the same quantity."""
        digits = None if self.digits is None else convert(self.digits, self.unit, unit)
        return digits, convert_interval(self.resolution, self.unit, unit)


def convert_interval(interval: Decimal, unit: str, to: str) -> Decimal:
    """Return a width (a step, a doubt) of ``unit`` in the unit ``to``: a difference, so without the offset of °F."""
    return convert(interval, unit, to) - convert(Decimal(0), unit, to)


def format_decimal(number: Decimal) -> str:
    """Return a Decimal without exponent and without trailing zeros: 42.30 → ``42.3``."""
    return f"{number.normalize():f}"
