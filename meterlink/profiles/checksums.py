"""Check bytes: sums, exclusive-or, CRCs."""

import re
from collections.abc import Callable
from functools import reduce
from operator import xor

from meterlink.profiles.model import Checksum, ChecksumKind

HEX_DIGITS = re.compile(rb"[0-9A-Fa-f]+")

ChecksumVerifier = Callable[[bytes, bytes], bool]
"""Whether a frame, as it came and without its key, passes a check."""


def compile_checksum(checksum: Checksum) -> ChecksumVerifier:
    """Return what tells whether a frame passes; one too short to hold the check, or what it covers, does not."""
    compute = compile_checksum_algorithm(checksum)
    keyed, own = (
        bytes(byte ^ checksum.key for byte in range(256)),
        int.from_bytes(bytes([checksum.key]) * checksum.size),
    )
    size, order, raw, at = checksum.size, checksum.order, checksum.raw, checksum.at
    needed = at + checksum.encoded_size if at >= 0 else -at
    until = (
        None if at + checksum.encoded_size == 0 else at + checksum.encoded_size
    )  # the end of a slice; -1 + 1 would be its beginning
    covered = slice(checksum.begin, checksum.end if checksum.end is not None else _covered_end(checksum))
    from_bytes = int.from_bytes

    def passes(came: bytes, plain: bytes) -> bool:
        frame = came if raw else plain
        data = frame[covered]
        if not data or len(frame) < needed:
            return False
        if own:
            data = data.translate(keyed)
        if checksum.hex:
            return _parse_hex_digits(frame[at:until]) == compute(data)
        return (frame[at] if size == 1 else from_bytes(frame[at:until], order)) ^ own == compute(data)

    return passes


def _parse_hex_digits(digits: bytes) -> int | None:
    return int(digits, 16) if HEX_DIGITS.fullmatch(digits) else None


def compile_checksum_algorithm(checksum: Checksum) -> Callable[[bytes], int]:
    """Return what computes the check over the bytes it covers."""
    mask = (1 << 8 * checksum.size) - 1
    init, xor_out = checksum.init, checksum.xor_out
    match checksum.kind:
        case ChecksumKind.CRC:
            return _crc(checksum)
        case ChecksumKind.SUM if checksum.negate:
            return lambda data: -(init + sum(data)) & mask ^ xor_out
        case ChecksumKind.SUM:
            return lambda data: (init + sum(data)) & mask ^ xor_out
        case ChecksumKind.XOR if checksum.negate:
            return lambda data: -reduce(xor, data, init) & mask ^ xor_out
        case ChecksumKind.XOR:
            return lambda data: reduce(xor, data, init) ^ xor_out


def _covered_end(check: Checksum) -> int | None:
    """Return where the covered bytes end: at the check bytes, or, where those stand before them, with the frame."""
    front = check.at >= 0 and check.at <= check.begin
    return None if front else check.at


def _crc(check: Checksum) -> Callable[[bytes], int]:
    """Return a CRC by table, a byte at a time (the parameters are those of R. Williams's CRC model, 1993)."""
    width = check.width or 8 * check.size
    xor_out = check.xor_out & ((1 << width) - 1)
    if check.reflect_in:
        table = [_reflected_table_entry(byte, _reflected(check.polynomial, width)) for byte in range(256)]
        first = _reflected(check.init, width)

        def from_below(data: bytes) -> int:
            register = first
            for byte in data:
                register = table[(register ^ byte) & 0xFF] ^ register >> 8
            return (register if check.reflect_out else _reflected(register, width)) ^ xor_out

        return from_below

    # A register narrower than a byte is kept at the top of one.
    spare = max(0, 8 - width)
    high = width + spare - 8
    mask = (1 << width + spare) - 1
    table = [_table_entry(byte << high, check.polynomial << spare, width + spare) for byte in range(256)]
    first = (check.init << spare) & mask

    def from_above(data: bytes) -> int:
        register = first
        for byte in data:
            register = (register << 8 & mask) ^ table[(register >> high ^ byte) & 0xFF]
        register >>= spare
        return (_reflected(register, width) if check.reflect_out else register) ^ xor_out

    return from_above


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
