"""The accuracy sheet of a meter, in the settings.

Its rows follow the table of the meter::

    [[meter]]
    address = "00:00:5E:00:53:0A"
    temperature_coefficient = 0.1      # share of the line to add per °C outside 18 to 28 °C; default 0.1

    [[meter.accuracy]]
    quantity = "capacitance"
    line = "2 % + 5 digits"
    up_to = "100 uF"                   # the top of the range; without it: every range not listed
    resolution = "0.01 uF"             # one digit of the display; identifies the range of an autoranging meter

    [[meter.accuracy]]
    quantity = "voltage"
    coupling = "AC"                    # without it: both
    line = "1 % + 3 digits"
"""

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.accuracy import AccuracyRange, AccuracySheet
from meterlink.judge.measured_value import convert_interval
from meterlink.judge.uncertainty import DEFAULT_TEMPERATURE_COEFFICIENT, AccuracyLine, parse_accuracy
from meterlink.tomlfile.field_types import Choice, Number, Parsed, Text
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Tables

_MOST_ROWS = 100  # of one meter; a sheet has about five ranges for each of eight quantities


def _size(text: str | None, quantity: Quantity) -> Amount | None:
    if text is None:
        return None
    amount = parse_amount(text, quantity)
    if amount.digits <= 0:
        raise InputError(f"it must be above zero, not {amount}.", "Check the number.")
    return amount


def _top(up_to_text: str | None, quantity: Quantity) -> Amount | None:
    return _size(up_to_text, quantity)


def _step(resolution_text: str | None, quantity: Quantity) -> Amount | None:
    return _size(resolution_text, quantity)


def _check_step(up_to: Amount | None, resolution: Amount | None) -> Iterator[FieldError]:
    if up_to and resolution and convert_interval(resolution.digits, resolution.unit, up_to.unit) >= up_to.digits:
        message = f"a step of {resolution} does not fit a range up to {up_to}."
        yield FieldError("resolution", message, "Give one digit of its display.")


def _check_line(quantity: Quantity, line: AccuracyLine) -> Iterator[FieldError]:
    if line.degrees is not None and quantity is not Quantity.TEMPERATURE:
        yield FieldError("line", f"{line} is the accuracy of a thermometer.", "Write it as 2 % + 5 digits.")


def _size_text(example: str) -> Text:
    return Text(40, noun="text with a number and its unit", example=example)


RANGE = Table(
    AccuracyRange,
    Key("quantity", Choice(Quantity)),
    Key("line", Parsed(parse_accuracy, '"2 % + 5 digits"'), description="As in the meter's manual."),
    Key(
        "up_to",
        _size_text('"100 uF"'),
        None,
        "up_to_text",
        "The top of the range; without it, every range that is not listed.",
    ),
    Key(
        "resolution",
        _size_text('"0.01 uF"'),
        None,
        "resolution_text",
        "One digit of the display; identifies the range of an autoranging meter.",
    ),
    Key("coupling", Choice(Coupling), None, description="Without it, both."),
    computed=(Computed("up_to", _top, ("up_to",)), Computed("resolution", _step, ("resolution",))),
    checks=(_check_step, _check_line),
)
"""The table of a row."""

# A share above 1 would more than double the line for each degree.
TEMPERATURE_COEFFICIENT = Key(
    "temperature_coefficient",
    Number("0", "1"),
    None,
    description="Share of the accuracy line to add per °C outside 18 to 28 °C; default 0.1.",
)
ACCURACY = Key("accuracy", Tables(RANGE, 0, _MOST_ROWS), ())
"""The key of the rows, whose value is a tuple of `AccuracyRange`."""


def make_sheet(
    accuracy: tuple[AccuracyRange, ...], temperature_coefficient: Decimal | None = None
) -> AccuracySheet | None:
    """Return the sheet of these rows and the coefficient (per °C, 0 to 1); None without both."""
    if not accuracy and temperature_coefficient is None:
        return None
    default = DEFAULT_TEMPERATURE_COEFFICIENT
    return AccuracySheet(accuracy, default if temperature_coefficient is None else temperature_coefficient)


def check_rows(partial_accuracy: Sequence[AccuracyRange | Mapping[str, Any]]) -> Iterator[FieldError]:
    """Yield an error for each row whose range has another row before it."""
    taken: dict[tuple[Quantity, Coupling | None, Decimal | None, Decimal | None], int] = {}
    for number, row in enumerate(partial_accuracy):
        if isinstance(row, AccuracyRange):
            top, step = (None if size is None else size.base_value for size in (row.up_to, row.resolution))
            first = taken.setdefault((row.quantity, row.coupling, top, step), number)
            if first != number:
                yield FieldError(("accuracy", number), f"row {first + 1} is for the same range.", "Keep one of them.")
