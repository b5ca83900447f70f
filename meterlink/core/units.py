"""Quantities and units: the trade's spellings in, exact Decimals out. The only importer of pint.

Every amount is a Decimal in a *display unit* (the unit a meter shows, such as µF), because limits are judged in the
digits a person can read; `to_base` gives the same amount in the SI unit of its quantity (°C for temperature).
"""

import re
from dataclasses import dataclass
from decimal import Context, Decimal
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError

if TYPE_CHECKING:
    import pint


class Quantity(StrEnum):
    """What a meter can measure. ``battery`` is the meter's own charge, never a test point's quantity."""

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

# (smallest pivot, symbol), largest first: what a four-digit meter whose step is pivot/1000 would print.
# Capacitance stays in µF as far as the trade reads it: run and start capacitors are marked in µF, never in mF.
_DISPLAY_UNITS: dict[Quantity, tuple[tuple[Decimal, str], ...]] = {
    Quantity.VOLTAGE: ((Decimal(1), "V"), (Decimal(0), "mV")),
    Quantity.CURRENT: ((Decimal(1), "A"), (Decimal("1e-3"), "mA"), (Decimal(0), "µA")),
    Quantity.RESISTANCE: ((Decimal("1e6"), "MΩ"), (Decimal("1e3"), "kΩ"), (Decimal(0), "Ω")),
    Quantity.CAPACITANCE: ((Decimal("1e-7"), "µF"), (Decimal(0), "nF")),
    # Line frequency is read in Hz also by a meter that steps in whole Hz: 60 Hz, not 0.060 kHz.
    Quantity.FREQUENCY: ((Decimal("1e4"), "kHz"), (Decimal(0), "Hz")),
}

# Prefixes found on meters and parts; pint knows more, but 45 zF is a slip, not a unit.
_QUANTITY_OF_UNIT = {
    prefix + BASE_UNIT[quantity]: quantity
    for quantity in _DISPLAY_UNITS
    for prefix in ("p", "n", "µ", "m", "", "k", "M")
} | {"°C": Quantity.TEMPERATURE, "°F": Quantity.TEMPERATURE, "%": Quantity.RATIO}

# Spellings beyond pint's own. Written lower-case; matched after the case-sensitive ones have been tried.
_SPELLINGS = {
    "mfd": "µF",
    "uf": "µF",
    "ufd": "µF",
    "µf": "µF",
    "µfd": "µF",
    "nf": "nF",
    "pf": "pF",
    "kω": "kΩ",
    "volt": "V",
    "volts": "V",
    "v": "V",
    "kv": "kV",
    "vac": "V",
    "vdc": "V",
    "amp": "A",
    "amps": "A",
    "a": "A",
    "hz": "Hz",
    "khz": "kHz",
    "degc": "°C",
    "degf": "°F",
    "°c": "°C",
    "°f": "°F",
    "c": "°C",
    "f": "°F",
    "%": "%",
    "percent": "%",
}
# Spellings whose case carries the meaning (milli against mega).
_CASE_SENSITIVE_SPELLINGS = {
    "F": "F",
    "mF": "mF",
    "µF": "µF",
    "Ω": "Ω",
    "mΩ": "mΩ",
    "MΩ": "MΩ",
    "mV": "mV",
    "mv": "mV",
    "mA": "mA",
    "ma": "mA",
    "µA": "µA",
    "uA": "µA",
    "MHz": "MHz",
}
# A bare prefix means ohms when ohms are expected ("4.7k" is how it is said and written).
_OHM_PREFIXES = {"k": "kΩ", "K": "kΩ", "M": "MΩ", "R": "Ω"}

_PINT_NAME = {"°C": "degC", "°F": "degF", "%": "percent"}

# ASCII digits only: str.isdigit and \d take digits of every script, float() takes "nan" and "1e400".
_OHM = re.compile(r"ohms?$", re.IGNORECASE)
_AMOUNT = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(.*)")
_LONGEST_TEXT = 64  # characters; no reading on a display or a label is longer
_LARGEST_EXPONENT = 30  # decimal places either way; far outside any meter, well inside float
_EXACT = Context(prec=60)  # digits; a 128-bit integer has 39, the default of 28 would round it


@dataclass(frozen=True, slots=True)
class Amount:
    """A number as written or displayed (trailing zeros kept) and its display unit."""

    digits: Decimal
    unit: str

    @property
    def base_value(self) -> Decimal:
        """The same amount in the base unit of its quantity, exactly (°F → °C to 28 digits)."""
        return to_base(self.digits, self.unit)

    @property
    def resolution(self) -> Decimal:
        """One step of the last written place, in ``unit``."""
        return resolution_of(self.digits)

    def to(self, unit: str) -> Decimal:
        """Return the digits in another unit of the same quantity; InputError for a unit of another quantity."""
        return convert(self.digits, self.unit, unit)

    def __str__(self) -> str:
        return f"{self.digits:f} {self.unit}"


@cache
def _registry() -> "pint.UnitRegistry[Decimal]":
    # Imported on first use: a quarter of a second that --help should not pay.
    import pint  # noqa: PLC0415

    return pint.UnitRegistry(non_int_type=Decimal, cache_folder=None)


def load_unit_registry() -> None:
    """Load pint now: a third of a second that must not stall an event loop at the first reading."""
    _registry()


@cache
def _factor(unit: str, base: str) -> Decimal:
    """How many ``base`` one ``unit`` is, for units that differ by a factor only."""
    ureg = _registry()
    name, base_name = (_PINT_NAME.get(symbol, symbol) for symbol in (unit, base))
    return Decimal(ureg.Quantity(Decimal(1), name).to(base_name).magnitude)


def quantity_of(unit: str) -> Quantity:
    """Return the quantity a display unit belongs to (``%`` is a ratio); InputError for an unknown symbol."""
    quantity = _QUANTITY_OF_UNIT.get(unit)
    if quantity is None:
        raise InputError(f"{unit!r} is not a unit known here.", "Use one of V, A, Ω, µF, Hz, °C, °F, %.")
    return quantity


def to_base(digits: Decimal, unit: str) -> Decimal:
    """Return ``digits`` of ``unit`` in the base unit of its quantity (V, A, Ω, F, Hz, °C, %)."""
    if unit == "°F":
        # Exact definition, T/°C = (T/°F - 32) / 1.8 (BIPM SI brochure 9th ed. gives °C; NIST SP 811 B.8 gives °F).
        return (digits - 32) / Decimal("1.8")
    return digits * _factor(unit, BASE_UNIT[quantity_of(unit)])


def convert(digits: Decimal, unit: str, to_unit: str) -> Decimal:
    """Return ``digits`` of ``unit`` in the unit ``to``; InputError when they measure different things."""
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
    """Return one step of the last place of ``digits``: 4.70 → 0.01."""
    exponent = digits.as_tuple().exponent
    return Decimal((0, (1,), exponent if isinstance(exponent, int) else 0))


def display_amount(quantity: Quantity, base_value: Decimal, *, resolution_known: bool = True) -> Amount:
    """Return ``base`` (in the base unit, its last place being the meter's step) as a meter would print it.

    The prefix follows the step rather than the value, so it does not flip while a value wanders through a range.
    Only where the step is far finer than a display's (24 V sent in µV) does a larger prefix keep the digits before the
    point readable; that takes 100 000 counts, more than a hand-held meter has. With ``resolution_known=False`` (a value that
    came as a binary float) it follows the magnitude. Digits are moved, never rounded.
    """
    ladder = _DISPLAY_UNITS.get(quantity)
    if ladder is None:
        return Amount(base_value, BASE_UNIT[quantity])
    pivot = max(resolution_of(base_value) * 1000, abs(base_value) / 10) if resolution_known else abs(base_value)
    symbol = next((symbol for least, symbol in ladder if pivot >= least), ladder[-1][1])
    shift = _factor(BASE_UNIT[quantity], symbol)
    return Amount(base_value.scaleb(shift.adjusted(), _EXACT), symbol)


def _normalize_symbols(text: str) -> str:
    # U+03BC (Greek mu) and U+00B5 (micro sign) look alike; U+2126 (ohm sign) is canonically U+03A9.
    return text.strip().replace("\u03bc", "µ").replace("\u2126", "Ω")


def parse_unit(text: str, quantity: Quantity | None = None) -> str:
    """Return the display unit that ``text`` spells (µ, μ, u, MFD, mfd, Ω, ohm, k …).

    ``quantity`` is what is expected; it gives a bare ``k`` its meaning. InputError, naming what was read, for an
    unknown or ambiguous spelling or another quantity.
    """
    given = _OHM.sub("Ω", _normalize_symbols(text).replace(" ", ""))
    expected = f"Use {_examples(quantity)}."
    if given in {"MF", "Mf"}:
        raise InputError(f"{text!r} could be microfarad or megafarad.", "Write µF, uF or MFD.")
    symbol = _CASE_SENSITIVE_SPELLINGS.get(given)
    if quantity is Quantity.RESISTANCE:
        symbol = symbol or _OHM_PREFIXES.get(given)
    elif quantity is Quantity.TEMPERATURE and given == "F":
        symbol = "°F"
    if symbol is None:
        symbol = _SPELLINGS.get(given.lower())
    if not symbol:
        what = f"{text.strip()!r} is not a unit known here." if given else "The unit is missing."
        raise InputError(what, expected)
    if symbol == "°F" and given == "f" and quantity is not Quantity.TEMPERATURE:
        raise InputError(f"{text!r} could be farad or degree Fahrenheit.", expected)
    if quantity is not None and quantity_of(symbol) is not quantity:
        raise InputError(f"{text.strip()!r} is a unit of {quantity_of(symbol)}, not of {quantity}.", expected)
    return symbol


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


def parse_number(text: str) -> tuple[Decimal, str]:
    """Split ``text`` into its leading number and the rest; InputError when there is no usable number.

    Decimal point only: a comma may be a decimal sign or a thousands mark, so it is refused, not guessed.
    """
    given = _normalize_symbols(text)
    match = _AMOUNT.fullmatch(given) if len(given) <= _LONGEST_TEXT else None
    if match is None:
        raise InputError(
            f"{text[:_LONGEST_TEXT]!r} does not start with a number.", "Write a number and a unit: 42.3 uF."
        )
    rest = match[2]
    if rest[:1] in {",", "."}:
        raise InputError(f"{text!r} has a second decimal sign or a comma.", "Write the number with one point: 42.3.")
    number = Decimal(match[1])
    if abs(number.adjusted()) > _LARGEST_EXPONENT or len(number.as_tuple().digits) > _LARGEST_EXPONENT:
        raise InputError(f"{text!r} is beyond what any meter shows.", "Check the exponent.")
    return number, rest


def parse_amount(text: str, quantity: Quantity | None = None, *, unit: str | None = None) -> Amount:
    """Return the number and unit written in ``text``: ``45uF``, ``42.3 MFD``, ``4.7k``, ``14.2 ohms``.

    ``unit`` is used where the text names none; without it a missing unit is an InputError, as is anything that is not
    a plain number followed by a unit of ``quantity``.
    """
    number, rest = parse_number(text)
    if not rest and unit is not None:
        return Amount(number, unit)
    return Amount(number, parse_unit(rest, quantity))
