"""Tolerances as written on parts: percent, two-sided percent, IEC 60062 letters, absolute."""

import re
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, parse_amount, parse_number, quantity_of

# The trade assumes ±6 % for a run capacitor without a printed tolerance. Common practice, no source; the setting
# judge.capacitor_tolerance changes it.
DEFAULT_CAPACITOR_TOLERANCE = "6 %"

# IEC 60062, letter codes for tolerance, symmetric, in percent (B and E from memory).
_SYMMETRIC_LETTERS = {
    "E": "0.005", "L": "0.01", "P": "0.02", "W": "0.05", "B": "0.1", "C": "0.25", "D": "0.5",
    "F": "1", "G": "2", "H": "3", "J": "5", "K": "10", "M": "20", "N": "30",
}  # fmt: skip
# IEC 60062, asymmetric, (minus, plus) in percent.
_ASYMMETRIC_LETTERS = {"Q": ("10", "30"), "S": ("20", "50"), "T": ("10", "50"), "Z": ("20", "80")}
# IEC 60062: below 10 pF these letters are picofarads, not percent (F and G from memory).
_PICOFARAD_LETTERS = {"B": "0.1", "C": "0.25", "D": "0.5", "F": "1", "G": "2"}
_PICOFARAD_LETTERS_BELOW = Decimal("10e-12")  # farads

_TWO_SIDED = re.compile(
    r"(?P<first>[+-]\s*[0-9.]+)\s*%?\s*[/,;]?\s*(?P<second>[+-]\s*[0-9.]+)\s*(?P<unit>\S.*)", re.ASCII
)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The deviation below (``minus``) and above (``plus``) the rated value that is still within; both ≥ 0.

    ``unit`` is ``%`` of the rated value, or a display unit.
    """

    minus: Decimal
    plus: Decimal
    unit: str = "%"

    def __str__(self) -> str:
        minus, plus = (f"{side.normalize():f}" for side in (self.minus, self.plus))
        return f"±{plus} {self.unit}" if minus == plus else f"-{minus}/+{plus} {self.unit}"


def parse_tolerance(text: str, rated: Amount) -> Tolerance:
    """Return the tolerance written in ``text``, for a part rated ``rated``.

    Accepts ``6 %``, ``±6%``, ``+/-6 %``, ``-10/+30 %``, ``-0 +20 %``, an IEC 60062 letter (``J``) and an absolute
    tolerance in a unit of the rated quantity (``±0.5 uF``).

    Raises:
        InputError: the text is none of these, has no unit (percent or microfarad?), is negative or zero, or allows
            100 % or more below the rated value.
    """
    cleaned = text.strip().replace("+/-", "±").replace("+-", "±").replace("\u2212", "-")
    letter = cleaned.upper()
    if len(letter) == 1 and letter.isalpha():
        return _from_letter(letter, rated)
    two_sided = _TWO_SIDED.fullmatch(cleaned)
    if two_sided:
        return _two_sided(two_sided["first"], two_sided["second"], two_sided["unit"].strip(), text, rated)
    number, rest = parse_number(cleaned.removeprefix("±").strip())
    if not rest:
        raise InputError(f"Tolerance {text!r} has no unit.", "Write 6 % or 0.5 uF.")
    return _checked(number, number, rest, text, rated)


def _from_letter(letter: str, rated: Amount) -> Tolerance:
    if letter in _PICOFARAD_LETTERS and rated.unit.endswith("F") and rated.base_value < _PICOFARAD_LETTERS_BELOW:
        side = Decimal(_PICOFARAD_LETTERS[letter])
        return Tolerance(side, side, "pF")
    if letter in _SYMMETRIC_LETTERS:
        side = Decimal(_SYMMETRIC_LETTERS[letter])
        return Tolerance(side, side)
    if letter in _ASYMMETRIC_LETTERS:
        minus, plus = _ASYMMETRIC_LETTERS[letter]
        return Tolerance(Decimal(minus), Decimal(plus))
    known = " ".join(sorted(_SYMMETRIC_LETTERS | _ASYMMETRIC_LETTERS))
    raise InputError(f"{letter!r} is not an IEC 60062 tolerance letter.", f"Use one of {known}, or write 6 %.")


def _two_sided(first: str, second: str, unit: str, text: str, rated: Amount) -> Tolerance:
    sides = {}
    for side in (first, second):
        number, rest = parse_number(side[1:])
        if rest or side[0] in sides:
            raise InputError(f"Tolerance {text!r} is not understood.", "Write it as -10/+30 %.")
        sides[side[0]] = number
    return _checked(sides["-"], sides["+"], unit, text, rated)


def _checked(minus: Decimal, plus: Decimal, unit: str, text: str, rated: Amount) -> Tolerance:
    if minus < 0 or plus < 0 or minus + plus == 0:
        raise InputError(f"Tolerance {text!r} must be above zero.", "Write it as 6 % or -0/+20 %.")
    if unit != "%":
        # parse_amount raises for a unit of another quantity.
        minus, plus = (parse_amount(f"{side} {unit}", quantity_of(rated.unit)).to(rated.unit) for side in (minus, plus))
        unit = rated.unit
    rated_value = Decimal(100) if unit == "%" else rated.digits
    if minus >= rated_value:
        raise InputError(f"Tolerance {text!r} puts the low limit at zero or below.", "Check the number.")
    return Tolerance(minus, plus, unit)
