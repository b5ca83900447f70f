"""Quantities and units: the trade's spellings in, exact Decimals out. The only importer of pint.

The units here are in a table (`meterlink.core.unit_words`); pint is loaded only for a typed name outside it.

Every amount is a Decimal in a *display unit* (the unit on a meter's display, such as µF), because limits are judged in
the digits a person reads. `to_base` returns the same amount in the base unit of its quantity (°C for temperature).
"""

import re
from dataclasses import dataclass
from decimal import Context, Decimal
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Any

from meterlink.core.errors import InputError
from meterlink.core.unit_words import (
    AMBIGUOUS_MICROFARAD_WORDS,
    OHM_PREFIX_WORDS,
    PREFIX_EXPONENTS,
    PREFIXED_UNITS,
    UnitWord,
    find_unit_word,
    normalize_symbols,
)

if TYPE_CHECKING:
    import pint


class Quantity(StrEnum):
    """A quantity that a meter measures. ``battery`` is the meter's own charge, never a test point's quantity."""

    VOLTAGE = "voltage"
    CURRENT = "current"
    RESISTANCE = "resistance"
    CAPACITANCE = "capacitance"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"
    RATIO = "ratio"
    BATTERY = "battery"


BASE_UNIT: dict[Quantity, str] = {
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.RESISTANCE: "Ω",
    Quantity.CAPACITANCE: "F",
    Quantity.FREQUENCY: "Hz",
    Quantity.TEMPERATURE: "°C",
    Quantity.RATIO: "%",
    Quantity.BATTERY: "%",
}

# (smallest pivot, symbol), largest first: the unit that a four-digit meter with a step of pivot/1000 prints.
# Capacitance has no mF: run and start capacitors are marked in µF.
_DISPLAY_UNITS: dict[Quantity, tuple[tuple[Decimal, str], ...]] = {
    Quantity.VOLTAGE: ((Decimal(1), "V"), (Decimal(0), "mV")),
    Quantity.CURRENT: ((Decimal(1), "A"), (Decimal("1e-3"), "mA"), (Decimal(0), "µA")),
    Quantity.RESISTANCE: ((Decimal("1e6"), "MΩ"), (Decimal("1e3"), "kΩ"), (Decimal(0), "Ω")),
    Quantity.CAPACITANCE: ((Decimal("1e-7"), "µF"), (Decimal(0), "nF")),
    # A meter that steps in whole Hz shows line frequency in Hz, too: 60 Hz, not 0.060 kHz.
    Quantity.FREQUENCY: ((Decimal("1e4"), "kHz"), (Decimal(0), "Hz")),
}

# Powers of ten of the display units, relative to the base unit of their quantity; exact, and compared with pint by
# tests/unit/test_unit_words.py. °F differs from °C by more than a factor.
_EXPONENTS = {prefix + base: exponent for base in PREFIXED_UNITS for prefix, exponent in PREFIX_EXPONENTS.items()} | {
    "°C": 0,
    "%": 0,
}
_QUANTITY_OF_UNIT = {
    prefix + BASE_UNIT[quantity]: quantity for quantity in _DISPLAY_UNITS for prefix in PREFIX_EXPONENTS
} | {"°C": Quantity.TEMPERATURE, "°F": Quantity.TEMPERATURE, "%": Quantity.RATIO}

# One of each display unit in the base unit of its quantity; without °F, which has an offset.
_IN_BASE_UNIT = {unit: Decimal((0, (1,), _EXPONENTS[unit])) for unit in _QUANTITY_OF_UNIT if unit != "°F"}

# Pint is asked only about a word that ends like one of its names for the units here: loading it takes 0.4 s.
_NAMED_LIKE_A_UNIT = re.compile(r".*(?:volt|amp|ampere|ohm|farad|hertz|celsius|fahrenheit|deg_?[cf])s?", re.IGNORECASE)
_PINT_UNITS = {
    "volt": "V", "ampere": "A", "ohm": "Ω", "farad": "F", "hertz": "Hz",
    "degree_Celsius": "°C", "degree_Fahrenheit": "°F",
}  # fmt: skip
_PINT_PREFIXES = {"pico": "p", "nano": "n", "micro": "µ", "milli": "m", "": "", "kilo": "k", "mega": "M"}

# ASCII digits only: str.isdigit and \d accept digits of every script, float() accepts "nan" and "1e400".
_AMOUNT = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(.*)")
_LONGEST_TEXT = 64  # characters; no reading on a display or a label is longer
_LARGEST_EXPONENT = 30  # powers of ten either way; far beyond any meter, well within float
_EXACT = Context(prec=60)  # digits; a 128-bit integer has 39, which the default of 28 would round


@dataclass(frozen=True, slots=True)
class Amount:
    """A number as written or displayed (trailing zeros kept), and its display unit."""

    digits: Decimal
    unit: str

    @property
    def base_value(self) -> Decimal:
        """The exact value in the base unit of its quantity (°F → °C to 28 digits)."""
        return to_base(self.digits, self.unit)

    @property
    def resolution(self) -> Decimal:
        """One step of the last decimal place, in ``unit``."""
        return resolution_of(self.digits)

    def to(self, unit: str) -> Decimal:
        """Return the number in another unit of the same quantity.

        Raises:
            InputError: ``unit`` belongs to another quantity.
        """
        return convert(self.digits, self.unit, unit)

    def __str__(self) -> str:
        return f"{self.digits:f} {self.unit}"


@cache
def _registry() -> "pint.UnitRegistry[Decimal]":
    # Imported on first use: it costs 0.4 s, and the units of the program itself are in a table.
    import pint  # noqa: PLC0415

    return pint.UnitRegistry(non_int_type=Decimal, cache_folder=None)


@cache
def _factor(unit: str, to_unit: str) -> Decimal:
    """Return the number of ``to_unit`` in one ``unit``, a power of ten; both are units of one quantity, not °F."""
    return Decimal((0, (1,), _EXPONENTS[unit] - _EXPONENTS[to_unit]))


# A comma between digits is a decimal sign; before three digits, and no more, it may divide thousands.
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_THOUSANDS = re.compile(r"(?<![0-9])[0-9]{1,3},[0-9]{3}(?![0-9])")


def quantity_of(unit: str) -> Quantity:
    """Return the quantity of a display unit (``%`` is a ratio).

    Raises:
        InputError: the symbol is unknown.
    """
    quantity = _QUANTITY_OF_UNIT.get(unit)
    if quantity is None:
        raise InputError(f"{unit!r} is not a unit known here.", "Use one of V, A, Ω, µF, Hz, °C, °F, %.")
    return quantity


def to_base(digits: Decimal, unit: str) -> Decimal:
    """Return ``digits`` of ``unit`` in the base unit of its quantity (V, A, Ω, F, Hz, °C, %).

    Raises:
        InputError: ``unit`` is unknown.
    """
    if unit == "°F":
        # Exact definition, T/°C = (T/°F - 32) / 1.8 (BIPM SI brochure 9th ed. gives °C; NIST SP 811 B.8 gives °F).
        return (digits - 32) / Decimal("1.8")
    return digits * (_IN_BASE_UNIT.get(unit) or _factor(unit, BASE_UNIT[quantity_of(unit)]))


def convert(digits: Decimal, unit: str, to_unit: str) -> Decimal:
    """Return ``digits`` of ``unit`` in ``to_unit``.

    Raises:
        InputError: the units belong to different quantities, or one of them is unknown.
    """
    if unit == to_unit:
        return digits
    if quantity_of(unit) is not quantity_of(to_unit):
        raise InputError(
            f"{digits:f} {unit} is {quantity_of(unit)}, but {quantity_of(to_unit)} is wanted here.",
            f"Give the amount in {to_unit}.",
        )
    if {unit, to_unit} == {"°C", "°F"}:
        return to_base(digits, unit) if to_unit == "°C" else digits * Decimal("1.8") + 32
    return digits * _factor(unit, to_unit)


def resolution_of(digits: Decimal) -> Decimal:
    """Return one step of the last decimal place of ``digits``: 4.70 → 0.01."""
    exponent = digits.as_tuple().exponent
    return Decimal((0, (1,), exponent if isinstance(exponent, int) else 0))


def display_amount(quantity: Quantity, base_value: Decimal, *, resolution_known: bool = True) -> Amount:
    """Return ``base_value`` (base unit; its last place is the meter's step) in the unit that a meter would print.

    The prefix follows the step, not the value, so it does not flip while a value wanders through a range. A step far
    finer than a display's (24 V sent in µV: more than 100 000 counts, beyond a hand-held meter) gets a larger prefix,
    which keeps the digits before the point readable. With ``resolution_known=False`` (a binary float) the prefix
    follows the magnitude. The decimal point moves; no digit is rounded.
    """
    ladder = _DISPLAY_UNITS.get(quantity)
    if ladder is None:
        return Amount(base_value, BASE_UNIT[quantity])
    pivot = max(resolution_of(base_value) * 1000, abs(base_value) / 10) if resolution_known else abs(base_value)
    symbol = next((symbol for least, symbol in ladder if pivot >= least), ladder[-1][1])
    shift = _factor(BASE_UNIT[quantity], symbol)
    return Amount(base_value.scaleb(shift.adjusted(), _EXACT), symbol)


# The text behind the first number of 88-108 uF.
_REST_OF_A_RANGE = re.compile(r"[-–]\d")


def parse_unit_word(text: str, quantity: Quantity | None = None) -> UnitWord:
    """Return the display unit that ``text`` spells (µ, μ, u, MFD, mfd, Ω, ohm, k …), and the coupling that it states.

    ``quantity`` is the expected quantity; it decides that a bare ``k`` means kΩ. This looks into a table and never
    loads pint, so it is quick for every word that a meter may send.

    Raises:
        InputError: the spelling is unknown or ambiguous, or the unit belongs to another quantity.
    """
    spelling = normalize_symbols(text).replace(" ", "")
    expected = f"Use {_examples(quantity)}."
    if spelling in AMBIGUOUS_MICROFARAD_WORDS:
        raise InputError(f"{text!r} could be microfarad or megafarad.", "Write µF, uF or MFD.")
    word = find_unit_word(spelling)
    if quantity is Quantity.RESISTANCE:
        word = word or OHM_PREFIX_WORDS.get(spelling)
    elif quantity is Quantity.TEMPERATURE and spelling == "F":
        word = UnitWord("", "°F")
    if word is None and _REST_OF_A_RANGE.match(spelling):
        raise InputError(f"{text.strip()!r} makes it a range, not one value.", "Give its two limits by themselves.")
    if word is None:
        message = f"{text.strip()!r} is not a unit known here." if spelling else "The unit is missing."
        raise InputError(message, expected)
    if spelling == "f" and quantity is not Quantity.TEMPERATURE:
        raise InputError(f"{text!r} could be farad or degree Fahrenheit.", expected)
    if quantity is not None and quantity_of(word.unit) is not quantity:
        raise InputError(f"{text.strip()!r} is a unit of {quantity_of(word.unit)}, not of {quantity}.", expected)
    return word


def parse_unit(text: str, quantity: Quantity | None = None) -> str:
    """Return the display unit that ``text`` spells, as `parse_unit_word` does; a coupling in it is dropped.

    A spelling that is not in the table, but ends like the name of a unit (``uohm``, ``mvolts``, ``degree Celsius``),
    is looked up in pint, which is loaded for it (0.4 s). So this is for texts that people type or write into files.

    Raises:
        InputError: the spelling is unknown or ambiguous, or the unit belongs to another quantity.
    """
    try:
        return parse_unit_word(text, quantity).unit
    except InputError:
        unit = _find_unit_in_pint(normalize_symbols(text).replace(" ", "_"))
        if unit is None or quantity not in {None, quantity_of(unit)}:
            raise
        return unit


def _find_unit_in_pint(spelling: str) -> str | None:
    """Return the display unit of a spelling that pint reads as one prefix and one unit known here; None for others."""
    if len(spelling) > _LONGEST_TEXT or not (spelling.isascii() and _NAMED_LIKE_A_UNIT.fullmatch(spelling)):
        return None
    readings = {
        (_PINT_PREFIXES[prefix], _PINT_UNITS[name])
        for prefix, name, _ in _registry().parse_unit_name(spelling)
        if prefix in _PINT_PREFIXES and name in _PINT_UNITS
    }
    unit = "".join(readings.pop()) if len(readings) == 1 else ""
    return unit if unit in _QUANTITY_OF_UNIT else None


def _examples(quantity: Quantity | None) -> str:
    match quantity:
        case Quantity.CAPACITANCE:
            return "µF, uF, MFD, nF or F"
        case Quantity.RESISTANCE:
            return "Ω, ohm, k, kohm or Mohm"
        case Quantity.TEMPERATURE:
            return "°C or °F"
        case Quantity():
            return BASE_UNIT[quantity]
        case None:
            return "V, A, Ω, µF, Hz, °C, °F or %"


def with_decimal_point(text: str) -> str:
    """Return a typed text with points for its decimal commas: ``43,7 uF`` -> ``43.7 uF``.

    Raises:
        InputError: a comma stands before three digits, where it may divide thousands: ``1,000``.
    """
    if match := _THOUSANDS.search(text):
        whole, fraction = match[0].split(",")
        raise InputError(
            f"{match[0]!r} may be {whole}{fraction} or {whole}.{fraction}.", "Write it with a point, or without a sign."
        )
    return _DECIMAL_COMMA.sub(".", text)


def parse_number(text: str) -> tuple[Decimal, str]:
    """Split ``text`` into ``(number, rest)``: its leading number and the text after it.

    The decimal sign is a point: a comma may be a decimal sign or a thousands mark, so it is refused, not guessed.

    Raises:
        InputError: the text starts with no number, or the number is too large, too small or ambiguous.
    """
    normal = normalize_symbols(text)
    match = _AMOUNT.fullmatch(normal) if len(normal) <= _LONGEST_TEXT else None
    if match is None:
        raise InputError(
            f"{text[:_LONGEST_TEXT]!r} does not start with a number.", "Write a number and a unit: 42.3 uF."
        )
    rest = match[2]
    if rest[:1] in {",", "."}:
        raise InputError(f"{text!r} has a second decimal sign or a comma.", "Write the number with one point: 42.3.")
    number = Decimal(match[1])
    if abs(number.adjusted()) > _LARGEST_EXPONENT or len(number.as_tuple().digits) > _LARGEST_EXPONENT:
        raise InputError(f"{text!r} is beyond the range of any meter.", "Check the exponent.")
    return number, rest


def parse_amount(text: str, quantity: Quantity | None = None, *, unit: str | None = None) -> Amount:
    """Return the number and the unit in ``text``: ``45uF``, ``42.3 MFD``, ``4.7k``, ``14.2 ohms``.

    ``quantity`` is the expected quantity. ``unit`` is the unit of a text that has none.

    Raises:
        InputError: the text is not a number with a unit of ``quantity``, or its unit is missing and ``unit`` is None.
    """
    number, rest = parse_number(text)
    if not rest and unit is not None:
        return Amount(number, unit)
    try:
        return Amount(number, parse_unit(rest, quantity))
    except InputError as error:
        # With the whole text an error names its value among several: the unit alone may stand on each of them.
        raise InputError(f"{text.strip()!r}: {error.message}", error.remedy) from None


_PINT_NAMES = {"°C": "degC", "°F": "degF", "%": "percent"}  # the symbols that pint spells differently


def pint_quantity(amount: Amount, registry: Any = None) -> Any:
    """Return ``amount`` as a quantity of pint, in ``registry`` or else in pint's application registry.

    The magnitude is a number of the registry's ``non_int_type``: a float, or an exact Decimal.
    """
    if registry is None:
        import pint  # noqa: PLC0415  # it costs 0.3 s, and only the caller of this function needs it

        registry = pint.get_application_registry()  # type: ignore[no-untyped-call]
    return registry.Quantity(registry.non_int_type(str(amount.digits)), _PINT_NAMES.get(amount.unit, amount.unit))
