"""A measured value, ready to be judged."""

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import BASE_UNIT, Amount, Quantity, convert, parse_amount, resolution_of
from meterlink.judge.uncertainty import FAHRENHEIT_PER_CELSIUS, AccuracyLine

# A reading without a step (a binary float) is taken to show four significant digits, as in the settling detector.
# Without a step, the digits of an accuracy line would add no uncertainty.
ASSUMED_SIGNIFICANT_FIGURES = 4

# A handheld meter's display has at most five digits (60,000 counts). Common practice, no source.
MOST_DISPLAY_DIGITS = 5

# Displays show one of these for a reading above their range.
_OVERLOAD_TEXTS = {"ol", "o.l", "o.l.", "overload"}


@dataclass(frozen=True, slots=True)
class MeasuredValue:
    """A displayed value: ``digits`` of ``unit`` to the nearest ``resolution``, or an overload (``digits`` None).

    ``coupling`` is AC or DC, None where unknown. ``is_typed``: a person typed it, and may have left out zeros at the
    end of the display, so that ``resolution`` is the coarsest step it may have.
    """

    quantity: Quantity
    digits: Decimal | None
    unit: str
    resolution: Decimal
    coupling: Coupling | None = None
    is_typed: bool = False

    @classmethod
    def from_reading(cls, reading: Reading, answered_resolution: Decimal | None = None) -> "MeasuredValue":
        """Return the value of a reading that is ok or an overload.

        ``answered_resolution`` is the display step of a typed reading about which a question was answered.

        Raises:
            InputError: the reading is invalid.
        """
        if reading.status is Status.INVALID:
            raise InputError("The meter shows no value.", "Check its function and range.")
        step = reading.resolution
        if step is None:
            digits = reading.digits or Decimal(0)
            step = Decimal(1).scaleb(digits.adjusted() - ASSUMED_SIGNIFICANT_FIGURES + 1) if digits else Decimal(0)
        value = cls(reading.quantity, reading.digits, reading.unit, step, reading.coupling, reading.is_typed)
        return value if answered_resolution is None else value.with_resolution(answered_resolution)

    @classmethod
    def from_amount(cls, quantity: Quantity, amount: Amount, coupling: Coupling | None = None) -> "MeasuredValue":
        """Return the value of an amount read off a display; its last written decimal is the resolution."""
        return cls(quantity, amount.digits, amount.unit, resolution_of(amount.digits), coupling)

    @classmethod
    def from_text(cls, text: str, quantity: Quantity) -> "MeasuredValue":
        """Return the value in ``text``: an amount of ``quantity`` as read off a display, or OL for an overload.

        Raises:
            InputError: the text is neither.
        """
        if text.strip().split(" ")[0].lower() in _OVERLOAD_TEXTS:
            return cls(quantity, None, BASE_UNIT[quantity], Decimal(0))
        return cls.from_amount(quantity, parse_amount(text, quantity))

    def __str__(self) -> str:
        return "OL" if self.digits is None else f"{self.digits:f} {self.unit}"

    def with_resolution(self, resolution: Decimal) -> "MeasuredValue":
        """Return the value with the zeros that a display with steps of ``resolution`` shows."""
        digits = None if self.digits is None else self.digits.quantize(resolution)
        return replace(self, digits=digits, resolution=resolution, is_typed=False)

    def possible_displays(self) -> "tuple[MeasuredValue, ...]":
        """Return the values that the display may have shown, the coarsest first.

        A typed 5 may be 5, 5.0, 5.00 and so on, up to `MOST_DISPLAY_DIGITS`. A typed zero after the decimal point was
        copied, so that a typed 5.00 is the whole display.
        """
        digits = self.digits
        if not self.is_typed or digits is None:
            return (self,)
        decimals = max(-int(digits.as_tuple().exponent), 0)
        if decimals and digits.as_tuple().digits[-1] == 0:
            return (self,)
        left_out = MOST_DISPLAY_DIGITS - decimals - max(digits.adjusted() + 1, 1)
        return tuple(self.with_resolution(self.resolution.scaleb(-zeros)) for zeros in range(max(left_out, 0) + 1))

    def in_unit(self, unit: str) -> tuple[Decimal | None, Decimal]:
        """Return ``(digits, resolution)`` in ``unit``; ``digits`` is None for an overload.

        Raises:
            InputError: ``unit`` is of another quantity.
        """
        digits = None if self.digits is None else convert(self.digits, self.unit, unit)
        return digits, convert_interval(self.resolution, self.unit, unit)


class MeterReading(NamedTuple):
    """A measured value with the accuracy line and the name of its meter; all without a name are of one meter."""

    measured: MeasuredValue
    line: AccuracyLine
    meter: str = ""

    @property
    def step(self) -> Decimal:
        """The display step, in the base unit of its quantity."""
        return self.measured.in_unit(BASE_UNIT[self.measured.quantity])[1]

    def shares_errors_with(self, other: "MeterReading") -> bool:
        """Return whether both are of one meter on one range, and so have one gain error and one zero error."""
        return (self.meter, self.line, self.step) == (other.meter, other.line, other.step)


def shows_nothing(measured: MeasuredValue, line: AccuracyLine) -> bool:
    """Return whether a meter with this accuracy line may show the value where there is none; an overload is something.

    At zero only the digits of the line and half a display step remain.
    """
    if measured.digits is None:
        return False
    largest_error = line.half_width(Decimal(0), measured.resolution, measured.unit)
    return abs(measured.digits) <= largest_error + measured.resolution / 2


def convert_interval(interval: Decimal, unit: str, to: str) -> Decimal:
    """Convert a difference (a step, an uncertainty) from ``unit`` to the unit ``to``, without the offset of °F.

    Raises:
        InputError: the units are of different quantities.
    """
    if (unit, to) == ("°C", "°F"):
        return interval * FAHRENHEIT_PER_CELSIUS
    if (unit, to) == ("°F", "°C"):
        return interval / FAHRENHEIT_PER_CELSIUS
    return convert(interval, unit, to)


def exact_unit(unit: str) -> str:
    """Return the unit in which amounts of ``unit`` are compared: °F for a temperature, into which °C converts exactly.

    So the same air has the same verdict in both units, on a limit, too.
    """
    return "°F" if unit == "°C" else unit


def decimals_of(number: Decimal) -> int:
    """Return the number of decimal places of a finite number: 0.10 → 2."""
    exponent = number.as_tuple().exponent
    return max(-exponent, 0) if isinstance(exponent, int) else 0


def format_figures(number: Decimal | float, figures: int) -> str:
    """Return a number rounded to ``figures`` significant figures, never with an exponent: 211.4 by 2 → ``210``."""
    return f"{Decimal(f'{number:.{figures - 1}e}'):f}"


def format_decimal(number: Decimal) -> str:
    """Return a Decimal without exponent and without trailing zeros: 42.30 → ``42.3``."""
    return f"{number.normalize():f}"
