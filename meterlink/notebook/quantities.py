"""Readings and ratings in every form that a script may hold them in; quantities of pint, without importing it."""

from decimal import Context, Decimal
from typing import Any, Protocol

from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading
from meterlink.core.units import Amount, Quantity, parse_amount, parse_number, parse_unit, pint_quantity, quantity_of
from meterlink.judge.measured_value import MeasuredValue

__all__ = ["Amount", "QuantityLike", "RatingLike", "Reading", "ReadingLike", "as_pint", "parse_measured", "parse_rated"]

# The last digits of a calculated number are noise: 5 * 1.06 is 5.300000000000001, and would be outside a limit of 5.3.
# A float holds 15 digits and a Decimal may hold 28; no meter shows 12.
_CALCULATED = Context(prec=12)


class QuantityLike(Protocol):
    """A quantity of pint, or any object with a number ``magnitude`` and ``units`` whose text names a unit."""

    @property
    def magnitude(self) -> Any:
        """The number: int, float or Decimal."""
        ...

    @property
    def units(self) -> Any:
        """The unit: its ``format(units, "~D")`` is a symbol (``µF``), or it is a text itself."""
        ...


RatingLike = str | Amount | QuantityLike
ReadingLike = str | Amount | Reading | QuantityLike


def parse_rated(rated: RatingLike, quantity: Quantity) -> Amount:
    """Return the amount of ``quantity`` in a text, an `Amount` or a quantity of pint.

    Raises:
        InputError: it is none of these, or is of another quantity.
    """
    match rated:
        case str():
            return parse_amount(rated, quantity)
        case Amount():
            amount = rated
        case _:
            amount = _amount_of(rated, quantity)[0]
    _require(quantity, quantity_of(amount.unit), amount)
    return amount


def parse_measured(reading: ReadingLike, quantity: Quantity) -> MeasuredValue:
    """Return the reading of ``quantity`` in a text, an `Amount`, a `Reading` or a quantity of pint.

    Digits that were written (a text, a Decimal) show the resolution of the display. A magnitude that is an int, a float
    or a Decimal of more than 12 digits, which was calculated, shows none: it counts as four significant digits.

    Raises:
        InputError: it is none of these, is of another quantity, has no value, or the meter held its display.
    """
    match reading:
        case str():
            return MeasuredValue.from_text(reading, quantity)
        case Reading():
            _require(quantity, reading.quantity, reading.text)
            if not reading.is_judgeable:
                mode = "on hold" if reading.display_hold else "relative"
                raise InputError(
                    f"{reading.text} was read from a display that is {mode}, so it is not the value at the probes.",
                    "Read it again in the meter's normal mode.",
                )
            return MeasuredValue.from_reading(reading)
        case Amount():
            amount, is_written = reading, True
        case _:
            amount, is_written = _amount_of(reading, quantity)
    _require(quantity, quantity_of(amount.unit), amount)
    if is_written:
        return MeasuredValue.from_amount(quantity, amount)
    # A reading without a resolution: from_reading states the one that is assumed.
    return MeasuredValue.from_reading(Reading(quantity, amount.digits, amount.unit, Timestamp(0, 0)))


def as_pint(value: Amount | Reading, registry: Any = None) -> Any:
    """Return an amount or a reading as a quantity of pint (``pint.Quantity``), in its own unit.

    ``registry`` is the `pint.UnitRegistry` that the quantity belongs to; without it, pint's application registry. The
    magnitude is a float, or an exact Decimal where the registry has ``non_int_type=Decimal``.

    Raises:
        InputError: the reading has no value: an overload, or an invalid reading.
    """
    if isinstance(value, Amount):
        return pint_quantity(value, registry)
    if value.digits is None:
        raise InputError(f"{value.text} has no value.", "Look at its status first.")
    return pint_quantity(Amount(value.digits, value.unit), registry)


def _amount_of(given: object, quantity: Quantity) -> tuple[Amount, bool]:
    """Return the amount, and whether its digits were written, so that the last one shows the resolution.

    Raises:
        InputError: it has no magnitude or no units, or they are no number and no unit known here.
    """
    try:
        magnitude, units = given.magnitude, given.units  # type: ignore[attr-defined]  # any object may be passed
    except AttributeError:
        raise InputError(
            f"{given!r} is no {quantity} with a unit.", "Give a text (42.3 uF), an Amount or a quantity of pint."
        ) from None
    number, rest = parse_number(str(magnitude))
    if rest:
        raise InputError(f"{magnitude!r} is not one decimal number.", "Give one int, float or Decimal.")
    is_written = isinstance(magnitude, Decimal) and len(number.as_tuple().digits) <= _CALCULATED.prec
    if not is_written:
        number = _CALCULATED.plus(number).normalize()
    if isinstance(units, str):
        return Amount(number, parse_unit(units, quantity)), is_written
    # Only the exact symbols: pint writes C for coulomb, where the words of the trade have degrees Celsius.
    symbol = _symbol(units)
    try:
        quantity_of(symbol)
    except InputError as error:
        raise InputError(error.message, "Convert it first, with its method to().") from None
    return Amount(number, symbol), is_written


def _symbol(units: object) -> str:
    try:
        text = format(units, "~D")  # pint: symbols instead of names, in one line
    except (TypeError, ValueError):
        text = str(units)
    # U+03BC (Greek mu) and U+00B5 (micro sign) look alike; U+2126 (ohm sign) is canonically U+03A9 (omega).
    return text.replace("\u03bc", "µ").replace("\u2126", "Ω")


def _require(wanted: Quantity, given: Quantity, text: object) -> None:
    if given is not wanted:
        raise InputError(f"{text} is {given}, but {wanted} is wanted here.", "Check the reading, the rating, the unit.")
