"""SFLOAT and FLOAT: the decimal floating-point numbers of IEEE 11073-20601, kept exact.

Both are a two's-complement mantissa times a power of ten, so 20 × 10⁻¹ is ``2.0`` and 2 × 10⁰ is ``2``: the exponent
says how finely the instrument resolves, and Decimal keeps that. Special values are whole words, met before the
mantissa is looked at.
"""

from decimal import Decimal

from meterlink.driver_api import Status

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


def sfloat(packet: bytes) -> Decimal | Status:
    """Return the number in two little-endian bytes (4-bit exponent, 12-bit mantissa), or why there is none."""
    word = int.from_bytes(packet, "little")
    special = _SFLOAT_SPECIAL.get(word)
    return special or Decimal(_signed(word, 12)).scaleb(_signed(word >> 12, 4))


def medfloat32(packet: bytes) -> Decimal | Status:
    """Return the number in four little-endian bytes (8-bit exponent, 24-bit mantissa), or why there is none."""
    word = int.from_bytes(packet, "little")
    special = _FLOAT_SPECIAL.get(word)
    return special or Decimal(_signed(word, 24)).scaleb(_signed(word >> 24, 8))


def _signed(word: int, bits: int) -> int:
    """Return the lowest ``bits`` of ``word`` as a two's-complement number."""
    low = word & ((1 << bits) - 1)
    return low - (1 << bits) if low >> (bits - 1) else low
