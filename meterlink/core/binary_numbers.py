"""Floating-point numbers in bytes: IEEE 754, and SFLOAT and FLOAT of IEEE 11073-20601, as exact Decimals.

SFLOAT and FLOAT are a two's-complement mantissa times a power of ten: 20 × 10⁻¹ is ``2.0``, 2 × 10⁰ is ``2``. The
exponent is the resolution of the instrument, and Decimal keeps it. Special values are whole words, compared before the
mantissa is read.
"""

import struct
from ctypes import c_float
from decimal import Context, Decimal

from meterlink.core.readings import Status

EXACT_CONTEXT = Context(prec=60)
"""Digits; a 128-bit integer has 39, the default of 28 would round it."""

# Beyond 10³⁰ or 10⁻³⁰ of any unit the bytes are not a measurement, and the number would fill a screen with zeros.
_LARGEST_EXPONENT = 30
_LONGEST_FLOAT32 = 9  # significant digits that distinguish any two float32 (IEEE 754-2019, 5.12.2)

# IEEE 11073-20601 (also Bluetooth Personal Health Devices Transcoding): ±INFINITY is beyond the range; NaN (no
# number), NRes (not at this resolution) and the reserved word have no value.
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
    """Return the number in two little-endian bytes (4-bit exponent, 12-bit mantissa), or a special word's status."""
    word = int.from_bytes(packet, "little")
    special = _SFLOAT_SPECIAL.get(word)
    return special or Decimal(_signed(word, 12)).scaleb(_signed(word >> 12, 4))


def decode_medfloat32(packet: bytes) -> Decimal | Status:
    """Return the number in four little-endian bytes (8-bit exponent, 24-bit mantissa), or a special word's status."""
    word = int.from_bytes(packet, "little")
    special = _FLOAT_SPECIAL.get(word)
    return special or Decimal(_signed(word, 24)).scaleb(_signed(word >> 24, 8))


def decode_float32(packet: bytes) -> Decimal | Status:
    """Return the shortest decimal that rounds to the IEEE 754 binary32 in four little-endian bytes.

    Infinity is ``Status.OVERLOAD``, not-a-number ``Status.INVALID``.
    """
    (value,) = struct.unpack("<f", packet)
    texts = [f"{value:.{places}g}" for places in range(1, _LONGEST_FLOAT32 + 1)]
    # c_float rounds as struct.pack does, but turns 3.403e+38 into infinity where struct.pack raises OverflowError.
    return _from_text(next((text for text in texts if c_float(float(text)).value == value), texts[-1]))


def decode_float64(packet: bytes) -> Decimal | Status:
    """Return the shortest decimal that rounds to the IEEE 754 binary64 in eight little-endian bytes.

    Infinity is ``Status.OVERLOAD``, not-a-number ``Status.INVALID``.
    """
    (value,) = struct.unpack("<d", packet)
    return _from_text(repr(value))


def has_plausible_magnitude(number: Decimal) -> bool:
    """Return whether the first digit of ``number`` is worth 10⁻³⁰ to 10³⁰."""
    return -_LARGEST_EXPONENT <= number.adjusted() <= _LARGEST_EXPONENT


def _from_text(text: str) -> Decimal | Status:
    number = Decimal(text)
    if not number.is_finite():
        return Status.OVERLOAD if number.is_infinite() else Status.INVALID
    # repr writes 230.0: normalize drops that zero. Adding 0 turns 2E+2 into 200 and -0 into 0.
    return EXACT_CONTEXT.add(number.normalize(EXACT_CONTEXT), Decimal(0))


def _signed(word: int, bits: int) -> int:
    """Return the lowest ``bits`` of ``word`` as a two's-complement number."""
    low = word & ((1 << bits) - 1)
    return low - (1 << bits) if low >> (bits - 1) else low
