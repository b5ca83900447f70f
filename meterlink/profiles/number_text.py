"""Numbers as instruments write them: IEEE 488.2 NR1, NR2, NR3, and what stands for no number."""

import re
from decimal import Decimal

from meterlink.core.binary_numbers import has_plausible_magnitude
from meterlink.core.readings import Status

NUMBER = r"[+-]?(?:[0-9]{1,30}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,3})?"
"""A number: digits (NR1), with a point (NR2), with an exponent (NR3). IEEE 488.2-1992, 8.7.2 to 8.7.4."""

# SCPI-1999, vol. 1, 7.2.1.4 and .5: infinity, either way, and not a number. What a meter without a value answers.
_OVERLOAD = Decimal("9.9E37")
_NOT_A_NUMBER = Decimal("9.91E37")

NEGATIVE_ZERO = Decimal("-0")
"""What stands for -0 among integers: a display shows -000 as it shows -001, and its places are still to come."""

_NUMBER = re.compile(NUMBER)
_OVERLOAD_WORD = re.compile(r"[+-]?[0oO][lL]")  # its points taken away
_BLANK = re.compile(r"-{2,}")
_SIGN = re.compile(r"([+-])\s+")


def parse_number_text(text: str) -> Decimal | Status:
    """Return the number that ``text`` is: its digits as written; INVALID for any other text, OVERLOAD for 9.9E37."""
    if _NUMBER.fullmatch(text) is None:
        return Status.INVALID
    number = Decimal(text)
    if abs(number) == _OVERLOAD:
        return Status.OVERLOAD
    if number == _NOT_A_NUMBER or (number and not has_plausible_magnitude(number)):
        return Status.INVALID
    return number


def is_overload(text: str) -> bool:
    """Return whether ``text`` is what a display shows above its range: OL or 0L, with a point anywhere."""
    return _OVERLOAD_WORD.fullmatch(text.replace(".", "")) is not None


def is_blank(text: str) -> bool:
    """Return whether ``text`` is what a display shows in the place of a number it has not: two dashes or more."""
    return _BLANK.fullmatch(text) is not None


def parse_ascii_number(data: bytes) -> int | Decimal | Status:
    """Return the number in ASCII characters, blanks and NULs around it; an integer where it has no point."""
    if not data.isascii():
        return Status.INVALID
    text = _SIGN.sub(r"\1", data.decode("ascii").strip(" \0"))
    number = parse_number_text(text)
    if isinstance(number, Status):
        return Status.OVERLOAD if is_overload(text) else number
    return (
        number
        if "." in text or "e" in text.lower()
        else integer_or_negative_zero(int(number), negative=number.is_signed())
    )


def integer_or_negative_zero(number: int, *, negative: bool) -> int | Decimal:
    """Return ``number``, `NEGATIVE_ZERO` where it is zero with a minus."""
    return NEGATIVE_ZERO if negative and not number else number
