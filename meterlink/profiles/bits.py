"""Bits in a profile: ``"3.7"`` is bit 7 of byte 3, ``"!3.7"`` its opposite, ``"3.7-4"`` short for 3.7 to 3.4."""

import re

from meterlink.core.errors import InputError
from meterlink.profiles.model import Bit
from meterlink.tomlfile.field_types import ListOf, Parsed
from meterlink.tomlfile.problems import quote_value

LONGEST_FRAME = 256  # bytes; no display needs more
LARGEST_OFFSET = LONGEST_FRAME - 1
MOST_BITS = 64  # of one number

_BYTE = r"(?:25[0-5]|2[0-4][0-9]|[01]?[0-9]{1,2})"  # 0 to LARGEST_OFFSET
BIT_PATTERN = rf"!?{_BYTE}\.[0-7]"
_RANGE_PATTERN = rf"{BIT_PATTERN}(?:-[0-7])?"
_RANGE = re.compile(rf"(!?)({_BYTE})\.([0-7])(?:-([0-7]))?")
_REMEDY = 'Write "3.7" for bit 7 of byte 3, "!3.7" for its opposite.'


def find_bit(text: str) -> Bit | None:
    """Return the bit of ``"3.7"`` or ``"!3.7"``; None for any other text."""
    match = _RANGE.fullmatch(text)
    return Bit(int(match[2]), int(match[3]), bool(match[1])) if match and match[4] is None else None


def parse_bit(text: str) -> Bit:
    """Return the bit of ``"3.7"`` or ``"!3.7"``.

    Raises:
        InputError: it is any other text.
    """
    bit = find_bit(text)
    if bit is None:
        raise InputError(f"{quote_value(text)} is not a bit.", _REMEDY)
    return bit


def parse_bits(text: str) -> tuple[Bit, ...]:
    """Return the bits of ``"3.7"`` or ``"3.7-4"``, in that order.

    Raises:
        InputError: it is any other text.
    """
    match = _RANGE.fullmatch(text)
    if match is None:
        raise InputError(f"{quote_value(text)} is not a bit.", _REMEDY)
    first, last = int(match[3]), int(match[4] or match[3])
    step = -1 if first >= last else 1
    return tuple(Bit(int(match[2]), bit, bool(match[1])) for bit in range(first, last + step, step))


BIT = Parsed(parse_bit, '"3.7"', pattern=f"^(?:{BIT_PATTERN})$")
BIT_RANGES = ListOf(
    Parsed(parse_bits, '"3.7"', pattern=f"^(?:{_RANGE_PATTERN})$"), 1, MOST_BITS, example='["3.7", "3.6"]'
)
"""A list of bits and ranges of bits: a tuple of the bits of each item."""
