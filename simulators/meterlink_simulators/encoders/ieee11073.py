"""FLOAT-Type and SFLOAT-Type of IEEE 11073-20601, as used by GATT (formats 0x17 and 0x16 of the GATT Supplement).

Both are mantissa times ten to the exponent, two's complement, little-endian on the air. The exponent is the place of
the last digit, so trailing zeros carry the resolution.
"""

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal


@dataclass(frozen=True, slots=True)
class DecimalFloat:
    """One of the two formats: total size in bytes, mantissa and exponent widths in bits."""

    size: int
    mantissa_bits: int
    exponent_bits: int

    @property
    def largest(self) -> int:
        """The largest mantissa that is a number; the codes above it, and their negatives, are special."""
        return (1 << (self.mantissa_bits - 1)) - 3

    @property
    def nan(self) -> bytes:
        """Not a number."""
        return self._special((1 << (self.mantissa_bits - 1)) - 1)

    @property
    def nres(self) -> bytes:
        """Not at this resolution."""
        return self._special(1 << (self.mantissa_bits - 1))

    @property
    def infinity(self) -> bytes:
        """Above the range (+INFINITY)."""
        return self._special((1 << (self.mantissa_bits - 1)) - 2)

    def _special(self, mantissa: int) -> bytes:
        return mantissa.to_bytes(self.size, "little")

    def pack(self, number: Decimal) -> bytes:
        """Return the bytes of ``number``; its last place gives the exponent.

        Digits that do not fit the mantissa are rounded away, half to even; a number above the range becomes +INFINITY,
        one below it (the negative side) -INFINITY.
        """
        least = -(1 << (self.exponent_bits - 1))
        greatest = -least - 1
        exponent = int(number.as_tuple().exponent)  # an int: callers pass finite numbers
        exponent = max(exponent, least)
        while exponent <= greatest:
            mantissa = int(number.scaleb(-exponent).to_integral_value(ROUND_HALF_EVEN))
            if abs(mantissa) <= self.largest:
                return self._combine(mantissa, exponent)
            exponent += 1
        if abs(mantissa := int(number.scaleb(-greatest))) <= self.largest:
            return self._combine(mantissa, greatest)
        return self.infinity if number > 0 else self._special((1 << (self.mantissa_bits - 1)) + 2)

    def _combine(self, mantissa: int, exponent: int) -> bytes:
        mantissa_field = mantissa & ((1 << self.mantissa_bits) - 1)
        exponent_field = exponent & ((1 << self.exponent_bits) - 1)
        return (exponent_field << self.mantissa_bits | mantissa_field).to_bytes(self.size, "little")


FLOAT = DecimalFloat(size=4, mantissa_bits=24, exponent_bits=8)
SFLOAT = DecimalFloat(size=2, mantissa_bits=12, exponent_bits=4)
