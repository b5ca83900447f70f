"""Check bytes: sums, exclusive-or, CRCs."""

import re
from collections.abc import Callable
from functools import reduce
from operator import xor

from meterlink.profiles.model import Checksum, ChecksumKind

HEX_DIGITS = re.compile(rb"[0-9A-Fa-f]+")

ChecksumVerifier = Callable[[bytes, bytes], bool]
"""Takes a frame as it came and the same frame without its key; returns whether its checksum is right."""


def compile_checksum(checksum: Checksum) -> ChecksumVerifier:
    """Return a verifier. A frame too short for the check bytes, or without a covered byte, does not pass."""
    compute = compile_checksum_algorithm(checksum)
    key_table = bytes(byte ^ checksum.key for byte in range(256))
    key_word = int.from_bytes(bytes([checksum.key]) * checksum.size)
    size, order, raw, at = checksum.size, checksum.order, checksum.raw, checksum.at
    needed = at + checksum.encoded_size if at >= 0 else -at
    # The end of a slice: at the end of the frame None, because 0 would be its beginning.
    until = at + checksum.encoded_size or None
    covered = slice(checksum.begin, checksum.end if checksum.end is not None else _covered_end(checksum))
    from_bytes = int.from_bytes

    def passes(received: bytes, plain: bytes) -> bool:
        frame = received if raw else plain
        data = frame[covered]
        if not data or len(frame) < needed:
            return False
        if key_word:
            data = data.translate(key_table)
        if checksum.hex:
            return _parse_hex_digits(frame[at:until]) == compute(data)
        return (frame[at] if size == 1 else from_bytes(frame[at:until], order)) ^ key_word == compute(data)

    return passes


def _parse_hex_digits(digits: bytes) -> int | None:
    return int(digits, 16) if HEX_DIGITS.fullmatch(digits) else None


def compile_checksum_algorithm(checksum: Checksum) -> Callable[[bytes], int]:
    """Return the function from the covered bytes to the value of the check bytes."""
    mask = (1 << 8 * checksum.size) - 1
    init, xor_out = checksum.init, checksum.xor_out
    match checksum.kind:
        case ChecksumKind.CRC:
            return _compile_crc(checksum)
        case ChecksumKind.SUM if checksum.negate:
            return lambda data: -(init + sum(data)) & mask ^ xor_out
        case ChecksumKind.SUM:
            return lambda data: (init + sum(data)) & mask ^ xor_out
        case ChecksumKind.XOR if checksum.negate:
            return lambda data: -reduce(xor, data, init) & mask ^ xor_out
        case ChecksumKind.XOR:
            return lambda data: reduce(xor, data, init) ^ xor_out


def _covered_end(checksum: Checksum) -> int | None:
    """Return the end of the covered bytes: the check bytes, or the end of the frame (None) where those come first."""
    comes_first = checksum.at >= 0 and checksum.at <= checksum.begin
    return None if comes_first else checksum.at


def _compile_crc(checksum: Checksum) -> Callable[[bytes], int]:
    """Return a CRC by table, a byte at a time (the parameters are those of R. Williams's CRC model, 1993)."""
    width = checksum.width or 8 * checksum.size
    xor_out = checksum.xor_out & ((1 << width) - 1)
    if checksum.reflect_in:
        table = [_reflected_table_entry(byte, _reflected(checksum.polynomial, width)) for byte in range(256)]
        initial = _reflected(checksum.init, width)

        def compute_reflected(data: bytes) -> int:
            register = initial
            for byte in data:
                register = table[(register ^ byte) & 0xFF] ^ register >> 8
            return (register if checksum.reflect_out else _reflected(register, width)) ^ xor_out

        return compute_reflected

    # A register narrower than a byte is kept in the highest bits of one.
    spare = max(0, 8 - width)
    high = width + spare - 8
    mask = (1 << width + spare) - 1
    table = [_table_entry(byte << high, checksum.polynomial << spare, width + spare) for byte in range(256)]
    initial = (checksum.init << spare) & mask

    def compute_direct(data: bytes) -> int:
        register = initial
        for byte in data:
            register = (register << 8 & mask) ^ table[(register >> high ^ byte) & 0xFF]
        register >>= spare
        return (_reflected(register, width) if checksum.reflect_out else register) ^ xor_out

    return compute_direct


def _reflected_table_entry(register: int, polynomial: int) -> int:
    for _ in range(8):
        register = register >> 1 ^ (polynomial if register & 1 else 0)
    return register


def _table_entry(register: int, polynomial: int, width: int) -> int:
    top = 1 << width - 1
    for _ in range(8):
        register = register << 1 ^ (polynomial if register & top else 0)
    return register & ((1 << width) - 1)


def _reflected(number: int, width: int) -> int:
    return int(f"{number & ((1 << width) - 1):0{width}b}"[::-1], 2)
