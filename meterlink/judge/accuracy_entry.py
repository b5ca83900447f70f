"""The accuracy of a meter as a technician enters it: a class, or lines of its manual, as one text.

``good``, ``capacitance: 0.9 % + 2 digits``, ``good; voltage AC up to 600 V, step 0.1 V: 1 % + 3 digits``.
"""

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount, parse_unit, quantity_of
from meterlink.judge.accuracy import AccuracyRange, AccuracySheet
from meterlink.judge.measured_value import convert_interval
from meterlink.judge.uncertainty import (
    DEFAULT_TEMPERATURE_COEFFICIENT,
    AccuracyLine,
    assumed_accuracy,
    parse_accuracy,
)

_SEPARATOR = ";"
_PER_DEGREE = "per °C"  # begins the element with the temperature coefficient
_MOST_ROWS = 100  # as in the settings
_LONGEST = 100 * _MOST_ROWS  # characters
_HEAD = re.compile(
    r"(?P<quantity>\S+?)(?:\s+(?P<coupling>AC|DC))?(?:\s+up to\s+(?P<up_to>[^,]+?))?(?:,?\s+step\s+(?P<step>[^,]+?))?",
    re.IGNORECASE,
)
# Without a range the colon may be left out.
_WITHOUT_COLON = re.compile(r"(?P<head>\S+(?:\s+(?:AC|DC))?)\s+(?P<line>[±(]*\s*[0-9].*)", re.IGNORECASE)
_REMEDY = "Write a class (basic, good, lab), or a line: capacitance: 0.9 % + 2 digits."


class AccuracyClass(StrEnum):
    """A rough class of meters, for a meter whose manual is not at hand."""

    BASIC = "basic"
    GOOD = "good"
    LAB = "lab"


# Common practice, no source; from memory of the sheets of general-purpose handheld meters. ``basic`` is the line that
# is assumed for any meter. A class is a guess, so each of its lines is marked as assumed, and its quantities that are
# not here keep the assumed line.
_CLASS_LINES: dict[AccuracyClass, dict[Quantity, str]] = {
    AccuracyClass.BASIC: {},
    AccuracyClass.GOOD: {
        Quantity.CAPACITANCE: "2 % + 4 digits",
        Quantity.RESISTANCE: "0.8 % + 3 digits",
        Quantity.VOLTAGE: "1 % + 3 digits",
        Quantity.CURRENT: "2 % + 5 digits",
    },
    AccuracyClass.LAB: {
        Quantity.CAPACITANCE: "1 % + 2 digits",
        Quantity.RESISTANCE: "0.3 % + 2 digits",
        Quantity.VOLTAGE: "0.5 % + 3 digits",
        Quantity.CURRENT: "1 % + 3 digits",
    },
}


def class_line(accuracy_class: AccuracyClass, quantity: Quantity) -> AccuracyLine:
    """Return the line of a class; it is marked as assumed."""
    text = _CLASS_LINES[accuracy_class].get(quantity)
    if text is None:
        return assumed_accuracy(quantity)
    return replace(parse_accuracy(text), assumed=True, remark=f"class {accuracy_class}")


def describe_class(accuracy_class: AccuracyClass) -> str:
    """Return the lines of a class in words: ``good: capacitance 2 % + 4 digits, …``, with their trust."""
    shown = (Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.VOLTAGE, Quantity.CURRENT)
    lines = (replace(class_line(accuracy_class, quantity), assumed=False, remark="") for quantity in shown)
    texts = [f"{quantity} {_plain(line)}" for quantity, line in zip(shown, lines, strict=True)]
    return f"{accuracy_class}: {', '.join(texts)} (common practice, no source)"


@dataclass(frozen=True, slots=True)
class AccuracyEntry:
    """A class, and lines that take its place for their quantities and ranges."""

    accuracy_class: AccuracyClass = AccuracyClass.BASIC
    rows: tuple[AccuracyRange, ...] = ()
    temperature_coefficient: Decimal = DEFAULT_TEMPERATURE_COEFFICIENT

    @classmethod
    def from_sheet(cls, sheet: AccuracySheet | None) -> "AccuracyEntry":
        """Return the entry with the rows of a sheet; None gives the assumed lines."""
        return cls() if sheet is None else cls(rows=sheet.ranges, temperature_coefficient=sheet.temperature_coefficient)

    @property
    def sheet(self) -> AccuracySheet:
        """The sheet that judges: the rows, then the lines of the class for the rest."""
        taken = {_range_key(row) for row in self.rows}
        of_class = (
            AccuracyRange(quantity, class_line(self.accuracy_class, quantity))
            for quantity in _CLASS_LINES[self.accuracy_class]
        )
        rows = (*self.rows, *(row for row in of_class if _range_key(row) not in taken))
        return AccuracySheet(rows, self.temperature_coefficient)

    def with_text(self, text: str) -> "AccuracyEntry":
        """Return the entry after a person typed ``text``.

        A class replaces everything before it. A line replaces the one of its quantity, coupling and range.

        Raises:
            InputError: a part of the text is neither a class nor an accuracy line.
        """
        elements = [element.strip() for element in text.split(_SEPARATOR) if element.strip()]
        if not elements or len(text) > _LONGEST:
            raise InputError("This is no accuracy.", _REMEDY)
        entry = self
        for element in elements:
            if element.lower() in list(AccuracyClass):
                entry = AccuracyEntry(AccuracyClass(element.lower()))
            elif element.lower().startswith(_PER_DEGREE.lower()):
                entry = replace(entry, temperature_coefficient=_coefficient(element[len(_PER_DEGREE) :]))
            else:
                row = _parse_row(element)
                others = tuple(other for other in entry.rows if _range_key(other) != _range_key(row))
                entry = replace(entry, rows=(*others, row))
        if len(entry.rows) > _MOST_ROWS:
            raise InputError(f"These are more than {_MOST_ROWS} accuracy lines.", "Begin again with a class: basic.")
        return entry

    def __str__(self) -> str:
        """The text that gives this entry again."""
        elements = [str(self.accuracy_class), *map(_row_text, self.rows)]
        if self.temperature_coefficient != DEFAULT_TEMPERATURE_COEFFICIENT:
            elements.append(f"{_PER_DEGREE} {self.temperature_coefficient:f}")
        return f"{_SEPARATOR} ".join(elements)


def parse_accuracy_entry(text: str) -> AccuracyEntry:
    """Return the entry that ``text`` describes alone: ``good; capacitance: 0.9 % + 2 digits``.

    Raises:
        InputError: a part of the text is neither a class nor an accuracy line.
    """
    return AccuracyEntry().with_text(text)


def _parse_row(text: str) -> AccuracyRange:
    head, colon, line = text.partition(":")
    if not colon and (short := _WITHOUT_COLON.fullmatch(text)):
        head, line = short["head"], short["line"]
    found = _HEAD.fullmatch(" ".join(head.split()))
    if found is None or not line.strip():
        raise InputError(f"{text!r} is neither a class nor an accuracy line.", _REMEDY)
    quantity = _parse_quantity(found["quantity"])
    coupling = Coupling(found["coupling"].upper()) if found["coupling"] else None
    if coupling is not None and quantity not in {Quantity.VOLTAGE, Quantity.CURRENT}:
        raise InputError(f"{quantity.capitalize()} is neither AC nor DC.", _REMEDY)
    up_to, step = (_size(found[name], quantity) for name in ("up_to", "step"))
    if up_to and step and convert_interval(step.digits, step.unit, up_to.unit) >= up_to.digits:
        raise InputError(f"A step of {step} does not fit a range up to {up_to}.", "Give one digit of its display.")
    accuracy = parse_accuracy(line.strip())
    if not (accuracy.percent or accuracy.digits or accuracy.degrees):
        raise InputError("No meter is without any error.", "Copy the line from its manual: 2 % + 5 digits.")
    if accuracy.degrees is not None and quantity is not Quantity.TEMPERATURE:
        raise InputError(f"{accuracy} is the accuracy of a thermometer.", "Write it as 2 % + 5 digits.")
    return AccuracyRange(quantity, accuracy, up_to, step, coupling)


def _parse_quantity(word: str) -> Quantity:
    """Return the quantity with this name or unit: ``capacitance``, ``uF``, ``V``.

    Raises:
        InputError: it is neither, or a meter does not measure it.
    """
    named = next((quantity for quantity in Quantity if quantity == word.lower()), None)
    if named is None:
        try:
            named = quantity_of(parse_unit(word))
        except InputError:
            named = None
    if named is None or named is Quantity.BATTERY:
        names = ", ".join(quantity for quantity in Quantity if quantity is not Quantity.BATTERY)
        raise InputError(f"{word!r} is no quantity of a meter.", f"Use one of: {names}.")
    return named


def _size(text: str | None, quantity: Quantity) -> Amount | None:
    if text is None:
        return None
    amount = parse_amount(text, quantity)
    if amount.digits <= 0:
        raise InputError(f"{amount} is not the size of a range or of a step.", "Write a number above zero.")
    return amount


def _coefficient(text: str) -> Decimal:
    number = text.strip()
    if not re.fullmatch(r"[01](?:\.[0-9]{1,12})?", number) or Decimal(number) > 1:
        raise InputError(f"{number!r} is no share of an accuracy line per °C.", "Write a number from 0 to 1: 0.1.")
    return Decimal(number)


def _range_key(row: AccuracyRange) -> tuple[Quantity, Coupling | None, Decimal | None, Decimal | None]:
    top, step = (None if size is None else size.base_value for size in (row.up_to, row.resolution))
    return row.quantity, row.coupling, top, step


def _row_text(row: AccuracyRange) -> str:
    head = " ".join(filter(None, (row.quantity, row.coupling, f"up to {row.up_to}" if row.up_to else "")))
    step = f", step {row.resolution}" if row.resolution else ""
    return f"{head}{step}: {_plain(row.line)}"


def _plain(line: AccuracyLine) -> str:
    return str(line).removeprefix("±").strip("()")
