"""Numbers as instruments write them: IEEE 488.2 NR1, NR2, NR3, and the texts that stand for no number."""

import re
from decimal import Decimal

from meterlink.core.binary_numbers import has_plausible_magnitude
from meterlink.core.readings import Status

NUMBER = r"[+-]?(?:[0-9]{1,30}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,3})?"
"""The pattern of a number: digits (NR1), with a point (NR2), an exponent (NR3). IEEE 488.2-1992, 8.7.2 to 8.7.4."""

# SCPI-1999, vol. 1, 7.2.1.4 and .5: infinity of either sign, and not-a-number. A meter without a value sends them.
_OVERLOAD = Decimal("9.9E37")
_NOT_A_NUMBER = Decimal("9.91E37")

NEGATIVE_ZERO = Decimal("-0")
"""-0 among integers: a display shows -000 like -001, and its places are applied later."""

_NUMBER = re.compile(NUMBER)
_OVERLOAD_WORD = re.compile(r"[+-]?[0oO][lL]")  # with its points removed
_BLANK = re.compile(r"-{2,}")
_SIGN = re.compile(r"([+-])\s+")


def parse_number_text(text: str) -> Decimal | Status:
    """Return the number in ``text``, its digits as written.

    OVERLOAD for 9.9E37 and -9.9E37; INVALID for 9.91E37, an implausible magnitude and any other text.
    """
    if _NUMBER.fullmatch(text) is None:
        return Status.INVALID
    number = Decimal(text)
    if abs(number) == _OVERLOAD:
        return Status.OVERLOAD
    if number == _NOT_A_NUMBER or (number and not has_plausible_magnitude(number)):
        return Status.INVALID
    return number


def number_form_of(text: str) -> tuple[str, int, int, bool]:
    """Return ``(sign, digits, exponent_digits, exponent_sign)``: ``("+", 4, 1, True)`` for ``+35.05E-6``."""
    mantissa, _, exponent = text.lower().partition("e")
    sign = mantissa[0] if mantissa[0] in "+-" else ""
    return sign, sum(map(str.isdigit, mantissa)), len(exponent.lstrip("+-")), exponent[:1] in {"+", "-"}


def states_no_number(text: str) -> bool:
    """Return whether a number in ``text`` is 9.91E37, by which an instrument says that it has no value."""
    return Decimal(text) == _NOT_A_NUMBER


def is_overload(text: str) -> bool:
    """Return whether ``text`` is an overload on a display: OL or 0L, with a point anywhere."""
    return _OVERLOAD_WORD.fullmatch(text.replace(".", "")) is not None


def is_blank(text: str) -> bool:
    """Return whether ``text`` is a display without a number: two dashes or more."""
    return _BLANK.fullmatch(text) is not None


def parse_ascii_number(data: bytes) -> int | Decimal | Status:
    """Return the number in ASCII characters, blanks and NULs around it removed.

    An integer where it has neither point nor exponent; OVERLOAD or INVALID where it is no number.
    """
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
    """Return ``number``, or `NEGATIVE_ZERO` where it is zero with a minus."""
    return NEGATIVE_ZERO if negative and not number else number
