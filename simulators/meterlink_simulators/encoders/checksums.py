"""Checksums. A CRC is defined by the usual parameters (Williams, 'A painless guide to CRC error detection', 1993)."""

from dataclasses import dataclass
from functools import reduce
from operator import xor


def sum8(data: bytes, offset: int = 0) -> int:
    """Return the sum of all bytes and ``offset``, modulo 256."""
    return (sum(data) + offset) % 256


def xor8(data: bytes, start: int = 0) -> int:
    """Return the exclusive or of ``start`` and all bytes."""
    return reduce(xor, data, start)


@dataclass(frozen=True, slots=True)
class Crc:
    """A cyclic redundancy check of ``width`` bits (8 or more), computed bit by bit."""

    width: int
    poly: int
    init: int = 0
    xorout: int = 0
    reflected: bool = False

    def checksum(self, data: bytes) -> int:
        """Return the check value of ``data``."""
        top, mask = 1 << (self.width - 1), (1 << self.width) - 1
        register = self.init
        for byte in data:
            register ^= (_reflected(byte, 8) if self.reflected else byte) << (self.width - 8)
            for _ in range(8):
                register = ((register << 1) ^ self.poly if register & top else register << 1) & mask
        return (_reflected(register, self.width) if self.reflected else register) ^ self.xorout


def _reflected(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)
