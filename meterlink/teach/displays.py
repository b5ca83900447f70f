"""Frames that carry the segments of a display, in any order of bits, any of them inverted.

The entries give the state of each segment in every sample. One bit of the frame, or its complement, must have had the
same states. So the bits are found in any order.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product
from math import log2

from meterlink.profiles.model import Bit, CandidateSegment, Code, Segment, Segments, UnknownSegment
from meterlink.teach import limits
from meterlink.teach.columns import bit_at
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, agreement_code
from meterlink.teach.samples import Sample
from meterlink.teach.wishes import digit_wish

_SEGMENTS = 7
PLAIN_SHAPES = dict(zip("0123456789", (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F), strict=True))
# 6 without its tail, 7 with a hook, 9 without its tail: displays differ (common practice).
_WITHOUT_TAIL = {"6": 0x7C, "7": 0x27, "9": 0x67}
_MINUS = 0x40  # the middle segment

_EVERY_SHAPE = sorted({*PLAIN_SHAPES.values(), *_WITHOUT_TAIL.values(), 0, _MINUS})

_Bits = dict[tuple[int, int], tuple[int, bool]]
_Candidates = list[tuple[int, bool]]


@dataclass(frozen=True, slots=True)
class _Target:
    """A segment whose state changed over the samples, and the bits that changed with it."""

    digit: int  # from the right, 0 is the last
    segment: int
    sequence: int
    candidates: _Candidates


def segment_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encoding of the shown digits as segments, if there is one."""
    shown = table.number_samples
    if len({sample.counts for sample in shown}) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    best: tuple[int, list[list[int]], list[_Target]] | None = None
    for texts in display_texts(shown):
        for shapes in _shapes({char for sample in shown for char in sample.digit_text}):
            states = [[shapes[text[-1 - digit]] for text in texts] for digit in range(len(texts[0]))]
            targets = _targets(table, states)
            found = len(targets) - 2 * _without_bit(targets, states, table.number_mask)
            if best is None or found > best[0]:
                best = (found, states, targets)
    if best is None:
        return
    _, states, targets = best
    if not targets or _without_bit(targets, states, table.number_mask):
        return
    different = len({sample.counts for sample in shown})
    distinct = len({target.sequence for target in targets})
    if distinct * (different - 1 - log2(2 * table.columns.bits)) < limits.LEAST_EVIDENCE_BITS:
        return
    assigned = _assigned(table, targets, _certain(table, states, targets))
    yield _encoding(table, states, assigned, signed=any(_MINUS in digit for digit in states))


def display_texts(shown: Sequence[Sample]) -> Iterator[list[str]]:
    """Yield the possible texts of the display, equally long: leading zeros or blanks, the minus elsewhere or in front.

    The texts have no point.
    """
    width = max(len(sample.digit_text) for sample in shown)
    for lead in " 0":
        yield [sample.digit_text.rjust(width, lead) for sample in shown]
    if any(sample.negative for sample in shown):
        texts = ["-" * sample.negative + sample.digit_text for sample in shown]
        width = max(map(len, texts))
        yield [text.rjust(width) for text in texts]


def _shapes(digits: set[str]) -> Iterator[dict[str, int]]:
    """Yield ``{character: segments}`` for each way of drawing digits: 6, 7 and 9 have two each."""
    optional = [digit for digit in _WITHOUT_TAIL if digit in digits]
    for choice in product((False, True), repeat=len(optional)):
        changed = {digit: _WITHOUT_TAIL[digit] for digit, other in zip(optional, choice, strict=True) if other}
        yield {" ": 0, "-": _MINUS} | PLAIN_SHAPES | changed


def _targets(table: SampleMatrix, states: Sequence[Sequence[int]]) -> list[_Target]:
    targets = []
    for digit, shapes in enumerate(states):
        for segment in range(_SEGMENTS):
            sequence = table.column_of([bool(shape >> segment & 1) for shape in shapes])
            if sequence in (0, table.number_mask):
                continue
            targets.append(_Target(digit, segment, sequence, table.matching_positions(sequence)))
    return targets


def _without_bit(targets: Sequence[_Target], states: Sequence[Sequence[int]], care: int) -> int:
    """Return the number of segments for which there is no bit: each has one of its own.

    Only the two segments of a first digit that shows a 1 or nothing may share one.
    """
    groups: dict[int, list[_Target]] = {}
    for target in targets:
        groups.setdefault(min(target.sequence, target.sequence ^ care), []).append(target)
    missing = 0
    for group in groups.values():
        halves = {target.digit for target in group if set(states[target.digit]) <= {0, PLAIN_SHAPES["1"]}}
        own = sum(target.digit not in halves for target in group) + len(halves)
        missing += max(0, own - len(group[0].candidates))
    return missing


@dataclass(frozen=True, slots=True)
class _Assigned:
    """Each segment's bit, or the pool of bits that it shares; ``agreements`` are codes of bits that must agree."""

    bits: _Bits
    pooled: dict[tuple[int, int], CandidateSegment]
    pools: list[_Candidates]
    agreements: list[Code]


def _assigned(table: SampleMatrix, targets: Sequence[_Target], certain: _Bits) -> _Assigned:
    """Return the bit or the pool of each segment.

    Segments that always changed together share their bits if there are exactly as many bits: their order is unknown,
    but the number of lit segments is known. If there are more bits than segments, some are not segments, so all must
    agree.
    """
    bits = dict(certain)
    pooled: dict[tuple[int, int], CandidateSegment] = {}
    pools: list[_Candidates] = []
    taken = {position for position, _ in certain.values()}
    agreements: list[Code] = []
    groups: dict[int, list[_Target]] = {}
    for target in targets:
        if (target.digit, target.segment) not in certain:
            groups.setdefault(min(target.sequence, target.sequence ^ table.number_mask), []).append(target)
    for group in groups.values():
        candidates = [one for one in group[0].candidates if one[0] not in taken] or group[0].candidates
        if len(candidates) == len(group) > 1:
            for target in group:
                pooled[target.digit, target.segment] = CandidateSegment(
                    len(pools), target.sequence != group[0].sequence
                )
            pools.append(candidates)
            continue
        for place, target in enumerate(group):
            turned = target.sequence != group[0].sequence
            position, inverted = candidates[min(place, len(candidates) - 1)]
            bits[target.digit, target.segment] = (position, inverted != turned)
        if len(candidates) > 1:
            agreements.append(agreement_code(candidates))
    return _Assigned(bits, pooled, pools, agreements)


def _certain(table: SampleMatrix, states: Sequence[Sequence[int]], targets: Sequence[_Target]) -> _Bits:
    """Return the segments whose bit is certain.

    A segment is certain if it alone changed as one bit did. Frames without an entry add others: where the certain
    segments of a digit leave only one digit, the states of its other segments are known there, too, and must fit one
    bit only.
    """
    times = Counter(min(target.sequence, target.sequence ^ table.number_mask) for target in targets)
    bits: _Bits = {
        (target.digit, target.segment): target.candidates[0]
        for target in targets
        if len(target.candidates) == 1 and times[min(target.sequence, target.sequence ^ table.number_mask)] == 1
    }
    open_ = {(target.digit, target.segment): target.candidates for target in targets}
    frames = [
        int.from_bytes(frame, "little") for frame in list(dict.fromkeys(table.all_frames))[: limits.FRAMES_OF_A_DISPLAY]
    ]
    constant = [
        (position, bool(table.columns[position] & table.number_mask))
        for position in range(table.columns.bits)
        if position not in table.exempt_positions and table.columns.is_constant(position, table.number_mask)
    ]
    for _ in range(limits.MOST_ROUNDS):
        readable = [_shapes_in(frame, bits, len(states)) for frame in frames]
        found: _Bits = {}
        taken = {position for position, _ in bits.values()}
        for digit, segment in product(range(len(states)), range(_SEGMENTS)):
            if (digit, segment) in bits:
                continue
            known = [
                (frame, shape >> segment & 1)
                for frame, shapes in zip(frames, readable, strict=True)
                if shapes is not None and (shape := shapes[digit]) is not None
            ]
            lit = states[digit][0] >> segment & 1
            candidates = open_.get((digit, segment)) or [(position, on != lit) for position, on in constant]
            left = [
                (position, inverted)
                for position, inverted in candidates
                if position not in taken and all((frame >> position & 1) ^ inverted == state for frame, state in known)
            ]
            moved = sum(state != lit for _, state in known)
            if len(left) == 1 and moved >= limits.FEWEST_MOVES_OF_A_SEGMENT:
                found[digit, segment] = left[0]
        # Each segment has a bit of its own.
        twice = Counter(position for position, _ in found.values())
        found = {key: one for key, one in found.items() if twice[one[0]] == 1}
        if not found:
            break
        bits |= found
    return bits


def _shapes_in(frame: int, bits: _Bits, digits: int) -> list[int | None] | None:
    """Return the shape of each digit, None for a digit that is still open; None if some digit has no shape."""
    found: list[int | None] = []
    for digit in range(digits):
        seen, lit = 0, 0
        for segment in range(_SEGMENTS):
            if (one := bits.get((digit, segment))) is not None:
                seen |= 1 << segment
                lit |= ((frame >> one[0] & 1) ^ one[1]) << segment
        fitting = [shape for shape in _EVERY_SHAPE if shape & seen == lit]
        if not fitting:
            return None
        found.append(fitting[0] if len(fitting) == 1 else None)
    return found


def _encoding(table: SampleMatrix, states: Sequence[Sequence[int]], found: _Assigned, *, signed: bool) -> Encoding:
    bits, pooled = found.bits, found.pooled
    used = {position for position, _ in (*bits.values(), *(one for pool in found.pools for one in pool))}
    used |= {8 * bit.byte + bit.bit for code in found.agreements for bit in code.location.bits}
    wanted = []
    digits: list[tuple[Segment, ...]] = []
    for digit in reversed(range(len(states))):
        row: list[Segment] = []
        for segment in range(_SEGMENTS):
            if (digit, segment) in bits:
                position, inverted = bits[digit, segment]
                row.append(bit_at(position, inverted=inverted))
            elif (digit, segment) in pooled:
                row.append(pooled[digit, segment])
            elif states[digit][0] >> segment & 1:
                # It was always lit, so its bit is one of those that never changed.
                row.append(CandidateSegment(len(found.pools), inverted=True))
            else:
                row.append(UnknownSegment.ABSENT)
        digits.append(tuple(row))
        if missing := _missing(digit, {*bits, *pooled}, states[digit]):
            wanted.append(missing)
    wanted += [wish for number in range(len(found.pools)) if (wish := _separating(number, pooled))]
    return Encoding(
        name="segments of a display",
        source=Segments(
            tuple(digits),
            pools=tuple(tuple(bit_at(at, inverted=inverted) for at, inverted in pool) for pool in found.pools),
        ),
        used_positions=frozenset(used),
        scalings=tuple(Scaling(sample.places if sample.is_number else None) for sample in table.samples),
        signed=signed,
        guard_codes=tuple(found.agreements),
        suggested_readings=tuple(wanted),
    )


def lacks_constant_pool(source: Segments) -> bool:
    """Return whether a segment's bit is among the bits that never changed: that pool must still be added."""
    return any(
        isinstance(one, CandidateSegment) and one.pool == len(source.pools) for digit in source.digits for one in digit
    )


def add_constant_pool(source: Segments, constant_bits: tuple[Bit, ...]) -> Segments:
    """Return the segments with a pool of the bits that never changed; without such bits, they are unknown."""
    if constant_bits:
        return replace(source, pools=(*source.pools, constant_bits))
    lost = CandidateSegment(len(source.pools), inverted=True)
    digits = tuple(tuple(UnknownSegment.UNKNOWN if one == lost else one for one in digit) for digit in source.digits)
    return replace(source, digits=digits)


def _missing(digit: int, known: set[tuple[int, int]], states: Sequence[int]) -> str:
    """Return the reading that would show the segments of this digit that have never changed; empty for none."""
    for segment in range(_SEGMENTS):
        if (digit, segment) not in known:
            lit = bool(states[0] >> segment & 1)
            others = [char for char, shape in PLAIN_SHAPES.items() if bool(shape >> segment & 1) != lit]
            return digit_wish(others, digit)
    return ""


def _separating(pool: int, pooled: dict[tuple[int, int], CandidateSegment]) -> str:
    """Return the reading that would tell apart two segments that have always changed together; empty for none."""
    keys = [key for key, one in pooled.items() if one.pool == pool]
    for one, other in combinations(sorted(keys), 2):
        if one[0] == other[0]:
            apart = [char for char, shape in PLAIN_SHAPES.items() if (shape >> one[1] & 1) != (shape >> other[1] & 1)]
            return digit_wish(apart, one[0])
    return ""
