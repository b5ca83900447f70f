"""Floating-point numbers in bytes: IEEE 754, and SFLOAT and FLOAT of IEEE 11073-20601, as exact Decimals.

The latter two are a two's-complement mantissa times a power of ten, so 20 × 10⁻¹ is ``2.0`` and 2 × 10⁰ is ``2``: the
exponent says how finely the instrument resolves, and Decimal keeps that. Special values are whole words, met before
the mantissa is looked at.
"""

import struct
from ctypes import c_float
from decimal import Context, Decimal

from meterlink.core.readings import Status

EXACT_CONTEXT = Context(prec=60)
"""Digits; a 128-bit integer has 39, the default of 28 would round it."""

# 10³⁰ or 10⁻³⁰ of any unit is no measurement but bytes of another kind, and would fill a screen with zeros.
_LARGEST_EXPONENT = 30
_LONGEST_FLOAT32 = 9  # significant digits that always tell one float32 from the next (IEEE 754-2019, 5.12.2)

# IEEE 11073-20601 (also Bluetooth Personal Health Devices Transcoding): ±INFINITY is beyond the range; NaN (no
# number), NRes (not at this resolution) and the reserved word carry no value.
_SFLOAT_SPECIAL = {
    0x07FE: Status.OVERLOAD,
    0x0802: Status.OVERLOAD,
    0x07FF: Status.INVALID,
    0x0800: Status.INVALID,
    0x0801: Status.INVALID,
}
_FLOAT_SPECIAL = {
    0x007FFFFE: Status.OVERLOAD,
    0x00800002: Status.OVERLOAD,
    0x007FFFFF: Status.INVALID,
    0x00800000: Status.INVALID,
    0x00800001: Status.INVALID,
}


def decode_medfloat16(packet: bytes) -> Decimal | Status:
    """Return the number in two little-endian bytes (4-bit exponent, 12-bit mantissa), or why there is none."""
    word = int.from_bytes(packet, "little")
    special = _SFLOAT_SPECIAL.get(word)
    return special or Decimal(_signed(word, 12)).scaleb(_signed(word >> 12, 4))


def decode_medfloat32(packet: bytes) -> Decimal | Status:
    """Return the number in four little-endian bytes (8-bit exponent, 24-bit mantissa), or why there is none."""
    word = int.from_bytes(packet, "little")
    special = _FLOAT_SPECIAL.get(word)
    return special or Decimal(_signed(word, 24)).scaleb(_signed(word >> 24, 8))


def decode_float32(packet: bytes) -> Decimal | Status:
    """Return the shortest decimal that rounds to the IEEE 754 binary32 in four little-endian bytes."""
    (value,) = struct.unpack("<f", packet)
    texts = [f"{value:.{places}g}" for places in range(1, _LONGEST_FLOAT32 + 1)]
    # c_float rounds as struct.pack does, but takes 3.403e+38 for infinity where that raises OverflowError.
    return _from_text(next((text for text in texts if c_float(float(text)).value == value), texts[-1]))


def decode_float64(packet: bytes) -> Decimal | Status:
    """Return the shortest decimal that rounds to the IEEE 754 binary64 in eight little-endian bytes."""
    (value,) = struct.unpack("<d", packet)
    return _from_text(repr(value))


def has_plausible_magnitude(number: Decimal) -> bool:
    """Return whether the first place of ``number`` lies within 10⁻³⁰ … 10³⁰."""
    return -_LARGEST_EXPONENT <= number.adjusted() <= _LARGEST_EXPONENT


def _from_text(text: str) -> Decimal | Status:
    number = Decimal(text)
    if not number.is_finite():
        return Status.OVERLOAD if number.is_infinite() else Status.INVALID
    # Zeros that only the notation put there go (repr writes 230.0); adding 0 writes 2E+2 out and makes -0 a 0.
    return EXACT_CONTEXT.add(number.normalize(EXACT_CONTEXT), Decimal(0))


def _signed(word: int, bits: int) -> int:
    """Return the lowest ``bits`` of ``word`` as a two's-complement number."""
    low = word & ((1 << bits) - 1)
    return low - (1 << bits) if low >> (bits - 1) else low
