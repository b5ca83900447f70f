"""Frames as columns: one integer for each bit of the frame. Its bit s is the value of that bit in sample s.

A condition on every sample is then one comparison of two integers. A constant exclusive-or over the frame (a key, an
inverted display) only complements columns.
"""

from collections.abc import Iterable, Sequence

from meterlink.profiles.model import Bit


class Columns:
    """The bits of equally long frames over all samples. Positions are ``8 × byte + bit``; bit 0 has the value 1."""

    def __init__(self, frames: Sequence[bytes]) -> None:
        self.samples = len(frames)
        self.every = (1 << self.samples) - 1
        self.bits = 8 * len(frames[0]) if frames else 0
        self._columns = [0] * self.bits
        for byte in range(self.bits // 8):
            # int() of a text of 0 and 1 is the quickest way in plain Python to transpose a matrix of bits.
            rows = [f"{frame[byte]:08b}" for frame in reversed(frames)]
            for bit in range(8):
                self._columns[8 * byte + bit] = int("".join(row[7 - bit] for row in rows), 2)
        self._where: dict[int, list[tuple[int, bool]]] = {}
        for position, column in enumerate(self._columns):
            if column not in (0, self.every):
                self._where.setdefault(column, []).append((position, False))
                self._where.setdefault(column ^ self.every, []).append((position, True))

    def __getitem__(self, position: int) -> int:
        return self._columns[position]

    def positions_equal_to(self, column: int) -> list[tuple[int, bool]]:
        """Return ``(position, inverted)`` of the bits that equal ``column`` or its complement in every sample."""
        return self._where.get(column, [])

    def inversion_of(self, position: int, column: int, mask: int | None = None) -> bool | None:
        """Return False if the bit equals ``column`` in the samples of ``mask``, True if the complement, else None.

        ``mask`` None: all samples. If bit and column are constant there, their values decide.
        """
        mask = self.every if mask is None else mask
        difference = (self._columns[position] ^ column) & mask
        if difference == 0:
            return False
        return True if difference == mask else None

    def is_constant(self, position: int, mask: int | None = None) -> bool:
        """Return whether the bit is the same in all samples of ``mask`` (None: all samples)."""
        mask = self.every if mask is None else mask
        return self._columns[position] & mask in (0, mask)


def column_of(truths: Iterable[bool]) -> int:
    """Return the column of ``truths``: bit s is truth s."""
    return sum(1 << place for place, true in enumerate(truths) if true)


def bit_at(position: int, *, inverted: bool = False) -> Bit:
    """Return the bit at a position, as a profile names it."""
    return Bit(position // 8, position % 8, inverted)


def bits_value(frame: bytes, positions: Iterable[int]) -> int:
    """Return the number that the bits at ``positions`` (highest first) form in ``frame``."""
    number = 0
    for position in positions:
        number = number << 1 | frame[position >> 3] >> (position & 7) & 1
    return number
