"""The types of values in a scenario. Amounts and numbers are read as floats; amounts are in the base unit."""

from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.tomlfile.field_types import Converted, FieldType, ListOf, Number, Parsed, Text

_T = TypeVar("_T")

TEXT = Text(400)  # characters; no field is longer than a few lines
TERMINALS = ListOf(TEXT, 2, 2, distinct=True, example='["A1", "A2"]')
LARGEST_INTEGER = 10**9  # no seed, and no display, needs more


def amount(quantity: Quantity, example: str, *, zero: bool = False) -> FieldType[float]:
    """Return the type of an amount of ``quantity`` above zero; with ``zero`` it may be zero. A temperature is any."""

    def parse(text: str) -> float:
        value = float(parse_amount(text, quantity).base_value)
        if quantity is not Quantity.TEMPERATURE and (value < 0 or (value == 0 and not zero)):
            raise InputError(f"{text!r} is not above zero.", f"Write an amount such as {example}.")
        return value

    return Parsed(parse, example)


def number(low: str, high: str) -> FieldType[float]:
    """Return the type of a number from ``low`` to ``high``."""
    return Converted(Number(low, high), float)


OHMS = amount(Quantity.RESISTANCE, '"22 ohm"')
SECONDS = number("0", "3600")  # a longer step is a typing error


def by_name(partial_values: Iterable[_T | Mapping[str, Any]], key: str = "name") -> dict[str, _T | None]:
    """Return ``{text under key: value}``; a table with an error is given as a mapping, and its value is None."""
    named: dict[str, _T | None] = {}
    for value in partial_values:
        if not isinstance(value, Mapping):
            named[getattr(value, key)] = value
        elif key in value:
            named[value[key]] = None
    return named
