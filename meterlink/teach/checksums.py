"""Checksums, found from the frames alone: they must hold in every frame, with or without an entry.

A CRC is affine: its start value and its final exclusive-or cancel in the difference (exclusive-or) of two equally long
frames. The rest, read as a polynomial over GF(2), is a multiple of the generator. So the generator is a common divisor
of all differences, and Euclid's algorithm finds it without trying any (W. W. Peterson, D. T. Brown, "Cyclic codes for
error detection", 1961, for the algebra).
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from math import log2

from meterlink.profiles.checksums import HEX_DIGITS, compile_checksum, compile_checksum_algorithm
from meterlink.profiles.model import ByteOrder, Checksum, ChecksumKind
from meterlink.teach import limits

_LAST = 5  # bytes: a CRC of 32 bits and an end mark
_KEYS = 255  # values of a one-byte key; 0 is no key
_KEYED = tuple(bytes(byte ^ key for byte in range(256)) for key in range(_KEYS + 1))
_ORDERS: tuple[ByteOrder, ByteOrder] = ("big", "little")
_CRC_SIZES = (4, 2, 1)  # bytes, the longest first: a short CRC also divides the bytes that a long one covers
_MIRRORED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def find_checksum(frames: Sequence[bytes]) -> Checksum | None:
    """Return the checksum that all ``frames`` (equally long) pass; None if chance explains every candidate.

    The last bytes of the frame are tried first.
    """
    distinct = list(dict.fromkeys(frames))
    return _search(distinct[: limits.FRAMES_CHECKED], distinct) or _in_hexadecimal(distinct) or _under_a_key(distinct)


def find_majority_checksum(frames: Sequence[bytes]) -> Checksum | None:
    """Return the checksum that most of ``frames`` (equally long) pass: some may be pieces of two frames; None for none.

    Each group of neighbouring frames is tried for itself, because some groups have no damaged frame. Only the last
    bytes are tried: nearly every checksum is there (common practice, no source).
    """
    distinct = list(dict.fromkeys(frames))
    apart = max(limits.FRAMES_OF_A_GROUP, len(distinct) // limits.MOST_GROUPS)
    for first in range(0, len(distinct) - limits.FRAMES_OF_A_GROUP + 1, apart):
        group = distinct[first : first + limits.FRAMES_OF_A_GROUP]
        found = _search(group, group, len(group[0]) - _LAST)
        if found is not None and len(valid_frames(found, distinct)) >= limits.LEAST_SHARE_SOUND * len(distinct):
            return found
    return None


def valid_frames(checksum: Checksum, frames: Sequence[bytes]) -> list[bytes]:
    """Return the frames that pass ``checksum``."""
    passes = compile_checksum(checksum)
    return [frame for frame in frames if passes(frame, frame)]


def _search(some: Sequence[bytes], distinct: Sequence[bytes], least: int = 1) -> Checksum | None:
    """Return the checksum at byte ``least`` or later that ``some`` frames lead to and all ``distinct`` frames pass."""
    if len(some) < 2:
        return None
    size = len(some[0])
    varying = [len({frame[at] for frame in some}) > 1 for at in range(size)]
    for at in reversed(range(max(1, least), size)):
        if any(varying[at : at + 2]):
            for found in _plain_wide_sums(some, at, varying):
                if _holds(found, distinct):
                    return found
        if not varying[at]:
            continue
        for found in (*_sums(some, at, varying), *_crcs(some, at, varying)):
            if _holds(found, distinct):
                return found
    return None


def _in_hexadecimal(frames: Sequence[bytes]) -> Checksum | None:
    """Return the checksum written as hexadecimal digits, over bytes before it; None for none."""
    size = len(frames[0]) if len(frames) > 1 else 0
    for at in reversed(range(1, size - 1)):
        for width in (2, 1):
            digits = [frame[at : at + 2 * width] for frame in frames]
            if len(digits[0]) < 2 * width or not all(HEX_DIGITS.fullmatch(one) for one in digits):
                continue
            short = [frame[:at] + bytes.fromhex(one.decode()) for frame, one in zip(frames, digits, strict=True)]
            some = list(dict.fromkeys(short))[: limits.FRAMES_CHECKED]
            varying = [len({frame[byte] for frame in some}) > 1 for byte in range(at + width)]
            if not varying[at + width - 1]:
                continue
            for found in (*_sums(some, at, varying), *_crcs(some, at, varying)):
                if found.size == width and (width == 1 or found.order == "big") and _holds(found, short):
                    return replace(found, order="little", hex=True) if width == 1 else replace(found, hex=True)
    return None


def _under_a_key(frames: Sequence[bytes]) -> Checksum | None:
    """Return the 8-bit sum at the end of ``frames`` that was exclusive-ored with one byte afterwards; None for none.

    An exclusive-or or a CRC under a key equals one without a key and with another start value; a sum does not.
    """
    size = len(frames[0]) if frames else 0
    if not _enough(8, len(frames), _KEYS * 2 * size):
        return None
    varying = [len({frame[at] for frame in frames}) > 1 for at in range(size)]
    for at in range(size - 1, max(0, size - _LAST), -1):
        if not varying[at]:
            continue
        for begin, end in _ranges(at, 1, size, varying):
            for key in range(1, _KEYS + 1):
                plain = [frame.translate(_KEYED[key]) for frame in frames[: limits.FRAMES_PER_KEY]]
                for negate in (False, True):
                    found = _started(
                        Checksum(ChecksumKind.SUM, at, 1, "big", begin, end, raw=True, negate=negate), plain
                    )
                    if found is not None and _holds(check := replace(found, key=key), frames):
                        return check
    return None


def find_line_checksum(lines: Sequence[bytes]) -> Checksum | None:
    """Return the checksum of two hexadecimal digits at the end of lines of any lengths; None for none.

    It is a sum or an exclusive-or of the bytes before it, from one of the first bytes on. Its start value accounts for
    a mark before the digits.
    """
    distinct = list(dict.fromkeys(lines))
    if not all(HEX_DIGITS.fullmatch(line[-2:]) and len(line) > limits.LONGEST_HEAD + 2 for line in distinct):
        return None
    short = [line[:-2] + bytes.fromhex(line[-2:].decode()) for line in distinct]
    if not _enough(8, len({line[-2:] for line in distinct}), limits.LONGEST_HEAD * 3):
        return None
    for begin in range(limits.LONGEST_HEAD):
        for kind, negate in ((ChecksumKind.SUM, False), (ChecksumKind.SUM, True), (ChecksumKind.XOR, False)):
            check = Checksum(kind, -1, begin=begin, negate=negate)
            if (found := _started(check, short)) is not None:
                return replace(found, at=-2, hex=True)
    return None


def find_trailing_checksum(frames: Sequence[bytes]) -> Checksum | None:
    """Return the checksum at the end of frames of several lengths; None if none fits them all."""
    by_length: dict[int, list[bytes]] = {}
    for frame in dict.fromkeys(frames):
        by_length.setdefault(len(frame), []).append(frame)
    most = max(by_length.values(), key=len)
    found = find_checksum(most)
    if found is None or found.end != found.at or len(most[0]) - found.at > min(by_length):
        return None
    check = replace(found, at=found.at - len(most[0]), end=None)
    for same in by_length.values():
        if not all(_ends_in(check, frame) for frame in same):
            solved = _started_alike(check, most[0], same[0])
            if solved is None:
                return None
            check = solved
    return check if all(_ends_in(check, frame) for frame in frames) else None


def _ends_in(check: Checksum, frame: bytes) -> bool:
    end = len(frame) + check.at
    return int.from_bytes(frame[end : end + check.size], check.order) == compile_checksum_algorithm(check)(
        frame[check.begin : end]
    )


def _started_alike(check: Checksum, one: bytes, other: bytes) -> Checksum | None:
    """Return the CRC with the start value under which frames of two lengths pass; it is linear in that value."""
    if check.kind is not ChecksumKind.CRC:
        return None
    bits = 8 * check.size

    def rest(frame: bytes, init: int) -> int:
        end = len(frame) + check.at
        told = int.from_bytes(frame[end : end + check.size], check.order)
        return told ^ compile_checksum_algorithm(replace(check, init=init, xor_out=0))(frame[check.begin : end])

    wanted = rest(one, 0) ^ rest(other, 0)
    rows: list[tuple[int, int]] = []  # (effect of a start value, the start value), reduced
    for bit in range(bits):
        init = 1 << bit
        effect = rest(one, init) ^ rest(one, 0) ^ rest(other, init) ^ rest(other, 0)
        for known, start in rows:
            if effect ^ known < effect:
                effect, init = effect ^ known, init ^ start
        if effect:
            rows.append((effect, init))
            rows.sort(reverse=True)
    init = 0
    for known, start in rows:
        if wanted ^ known < wanted:
            wanted, init = wanted ^ known, init ^ start
    if wanted:
        return None
    return replace(check, init=init, xor_out=rest(one, init))


def _enough(bits: int, frames: int, tried: int) -> bool:
    return bits * (frames - 1) - log2(tried) >= limits.LEAST_EVIDENCE_BITS


def _holds(check: Checksum, frames: Sequence[bytes]) -> bool:
    passes = compile_checksum(check)
    return all(passes(frame, frame) for frame in frames)


def _sums(frames: Sequence[bytes], at: int, varying: Sequence[bool]) -> Iterator[Checksum]:
    size = len(frames[0])
    for width in (1, 2):
        if at + width > size or not _enough(8 * width, len(frames), 8 * size * size):
            continue
        for order in _ORDERS[:width]:
            for begin, end in _ranges(at, width, size, varying):
                for kind, negate in ((ChecksumKind.SUM, False), (ChecksumKind.SUM, True), (ChecksumKind.XOR, False)):
                    if kind is ChecksumKind.XOR and width > 1:
                        continue
                    check = Checksum(kind, at, width, order, begin, end, raw=True, negate=negate)
                    found = _started(check, frames)
                    if found is not None:
                        yield found


def _plain_wide_sums(frames: Sequence[bytes], at: int, varying: Sequence[bool]) -> Iterator[Checksum]:
    """Yield 16-bit sums that start from 0: their upper byte may never have changed, yet it is no constant."""
    if at + 2 > len(frames[0]) or not _enough(8, len(frames), len(frames[0])):
        return
    for order in _ORDERS:
        for begin, end in _ranges(at, 2, len(frames[0]), varying):
            for first in range(begin + 1):
                check = Checksum(ChecksumKind.SUM, at, 2, order, first, end, raw=True)
                if _started(check, frames) == check:
                    yield check


def _ranges(at: int, width: int, size: int, varying: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Yield ``(begin, end)``, one for each set of changing bytes, before the checksum or after it to the end."""
    seen = set()
    for begin, end in (
        *((begin, at) for begin in range(at)),
        *((at + width, end) for end in range(at + width + 1, size + 1)),
    ):
        covered = tuple(byte for byte in range(begin, end) if varying[byte])
        if len(covered) >= limits.FEWEST_COVERED and covered not in seen:
            seen.add(covered)
            yield begin, end


def _started(check: Checksum, frames: Sequence[bytes]) -> Checksum | None:
    """Return the checksum with the start value that all frames share; None if they share none."""
    compute = compile_checksum_algorithm(check)
    first = _start(check, compute, frames[0])
    if any(_start(check, compute, frame) != first for frame in frames[1:]):
        return None
    return replace(check, init=first)


def _start(check: Checksum, compute: Callable[[bytes], int], frame: bytes) -> int:
    """Return the start value with which ``frame`` passes a sum or an exclusive-or, computed by ``compute``."""
    at = check.at if check.at >= 0 else len(frame) + check.at
    told = int.from_bytes(frame[at : at + check.size], check.order)
    bare = compute(frame[check.begin : at if check.end is None else check.end])
    if check.kind is ChecksumKind.XOR:
        return told ^ bare
    return (bare - told if check.negate else told - bare) % (1 << 8 * check.size)


def _crcs(frames: Sequence[bytes], at: int, varying: Sequence[bool]) -> Iterator[Checksum]:
    first = frames[0]
    differences = [bytes(a ^ b for a, b in zip(frame, first, strict=True)) for frame in frames[1:]]
    for width in _CRC_SIZES:
        if at + width > len(first) or not _enough(8 * width, len(frames), 1 << 8 * width + 8):
            continue
        for order in _ORDERS[: min(width, 2)]:
            for reflected in (False, True):
                for begin, end in _ranges(at, width, len(first), varying):
                    found = _generator(differences, at, width, order, begin, end, reflected=reflected)
                    if found:
                        check = Checksum(
                            ChecksumKind.CRC, at, width, order, begin, end, raw=True, polynomial=found,
                            reflect_in=reflected, reflect_out=reflected,
                        )  # fmt: skip
                        told = int.from_bytes(first[at : at + width], order)
                        yield replace(check, xor_out=told ^ compile_checksum_algorithm(check)(first[begin:end]))


def _generator(
    differences: Sequence[bytes], at: int, width: int, order: ByteOrder, begin: int, end: int, *, reflected: bool
) -> int:
    """Return the generator without its highest term; 0 for none."""
    bits = 8 * width
    common = 0
    for difference in differences:
        covered, told = difference[begin:end], difference[at : at + width]
        if reflected:
            # The lowest bit goes first: with the bits of each byte reversed, the division is the same.
            covered = covered.translate(_MIRRORED)
            remainder = int(f"{int.from_bytes(told, order):0{bits}b}"[::-1], 2)
        else:
            remainder = int.from_bytes(told, order)
        common = _gcd(common, int.from_bytes(covered, "big") << bits ^ remainder)
        if common.bit_length() <= bits and common:
            return 0
    if not common:
        return 0
    while not common & 1:
        common >>= 1  # a generator has the term 1
    if common.bit_length() == bits + 1:
        return common ^ 1 << bits
    return 0


def _gcd(one: int, other: int) -> int:
    while other:
        one, other = other, _remainder(one, other)
    return one


def _remainder(one: int, other: int) -> int:
    length = other.bit_length()
    while (excess := one.bit_length() - length) >= 0:
        one ^= other << excess
    return one


def checksum_positions(checksum: Checksum) -> frozenset[int]:
    """Return the positions of the checksum's own bits."""
    return frozenset(range(8 * checksum.at, 8 * (checksum.at + checksum.encoded_size)))
