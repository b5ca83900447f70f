"""Decimal digits of four bits each, anywhere in the frame, under any constant exclusive-or.

These are packed BCD, one byte per digit, digits in either order, and the low half of characters.
"""

from collections.abc import Iterator, Sequence
from math import log2

from meterlink.profiles.model import Code, FieldLocation, Meaning, NumberField, NumberType
from meterlink.teach import limits
from meterlink.teach.columns import bit_at
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, agreement_code, largest_digits

_DIGIT = 4  # bits

_Nibble = tuple[tuple[int, bool], ...]  # (position, inverted), lowest bit first


def decimal_digit_encodings(table: SampleMatrix, scalings: Sequence[Scaling]) -> Iterator[Encoding]:
    """Yield the encoding of the shown digits as four bits each, if there is one."""
    shown = table.number_samples
    values = [sample.counts for sample in shown]
    if len(set(values)) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    places: list[list[_Nibble]] = []
    exercised: list[list[int]] = []
    for place in range(len(str(max(values)))):
        digits = [value // 10**place % 10 for value in values]
        sequences = [table.column_of([bool(digit >> bit & 1) for digit in digits]) for bit in range(_DIGIT)]
        exercised.append([bit for bit, sequence in enumerate(sequences) if sequence not in (0, table.number_mask)])
        if not exercised[-1]:
            return
        places.append(_nibbles(table, sequences))
    different = len(set(values))
    evidence = sum(len(bits) for bits in exercised) * (different - 1) - len(places) * log2(4 * table.columns.bits)
    if not all(places) or evidence < limits.LEAST_EVIDENCE_BITS:
        return
    chosen = _regular(places)
    if chosen is None:
        return
    agreements, also = _doubles(places, chosen, exercised)
    top = chosen[-1]
    wanted = [f"a reading of more than {max(values)} counts (the digits without the point)"]
    if len(exercised[-1]) < _DIGIT:
        # The highest digit of a display often does not reach 9, and bits of it that never changed may be flags. Values
        # above 9 may pass: they are no digit, so they decode to no number.
        moved = sum(1 << bit for bit in exercised[-1])
        still = values[0] // 10 ** (len(places) - 1) % 10 & ~moved
        allowed = [digit for digit in range(1 << _DIGIT) if digit & ~moved == still or digit > 9]
        agreements.append(
            Code(FieldLocation(bits=_bits(list(reversed(top)))), tuple((digit, Meaning()) for digit in allowed))
        )
        if allowed[0] > 0:
            wanted.append(f"a reading of less than {allowed[0] * 10 ** (len(places) - 1)} counts")
    yield Encoding(
        name="decimal digits of four bits",
        source=NumberField(
            NumberType.BCD,
            FieldLocation(bits=_bits([pair for nibble in reversed(chosen) for pair in reversed(nibble)])),
        ),
        used_positions=frozenset(position for nibble in (*chosen, *also) for position, _ in nibble),
        scalings=tuple(scalings),
        guard_codes=tuple(agreements),
        suggested_readings=tuple(wanted),
        largest_value=largest_digits(table.number_samples),
    )


def _bits(pairs: Sequence[tuple[int, bool]]) -> tuple:  # type: ignore[type-arg]
    return tuple(bit_at(position, inverted=inverted) for position, inverted in pairs)


def _nibbles(table: SampleMatrix, sequences: Sequence[int]) -> list[_Nibble]:
    """Return each group of four neighbouring bits, up or down, that follows a digit's bits in every sample."""
    found = []
    for start in range(table.columns.bits):
        for step in (1, -1):
            positions = [start + step * bit for bit in range(_DIGIT)]
            if not 0 <= positions[-1] < table.columns.bits or positions[0] // 8 != positions[-1] // 8:
                continue
            inverted = [
                table.columns.inversion_of(position, sequence, table.number_mask)
                for position, sequence in zip(positions, sequences, strict=True)
            ]
            if None not in inverted:
                found.append(tuple(zip(positions, map(bool, inverted), strict=True)))
    return table.prefer_unexempt(found, lambda nibble: [position for position, _ in nibble])


def _regular(places: list[list[_Nibble]]) -> list[_Nibble] | None:
    """Return one candidate for each digit, placed like the digits with a single candidate; None if a digit has none."""
    certain = [candidates[0] for candidates in places if len(candidates) == 1]
    chosen: list[_Nibble] = []
    for candidates in places:
        if len(candidates) == 1:
            chosen.append(candidates[0])
            continue
        taken = {position for nibble in (*certain, *chosen) for position, _ in nibble}
        free = [nibble for nibble in candidates if taken.isdisjoint(position for position, _ in nibble)]
        alike = [nibble for nibble in free if any(_lies_like(nibble, other) for other in certain)] or free
        near = sorted(
            alike, key=lambda nibble: min((abs(nibble[0][0] - other[0][0]) for other in (*certain, *chosen)), default=0)
        )
        if not near:
            return None
        chosen.append(near[0])
    return chosen


def _lies_like(nibble: _Nibble, other: _Nibble) -> bool:
    same_way = nibble[1][0] - nibble[0][0] == other[1][0] - other[0][0]
    return same_way and nibble[0][0] % _DIGIT == other[0][0] % _DIGIT


def _doubles(
    places: list[list[_Nibble]], chosen: list[_Nibble], exercised: list[list[int]]
) -> tuple[list[Code], list[_Nibble]]:
    """Return codes that make every other candidate agree with the chosen one, and the bits of those candidates."""
    agreements, also = [], []
    for candidates, nibble, bits in zip(places, chosen, exercised, strict=True):
        for other in candidates:
            if other != nibble:
                agreements += [agreement_code([nibble[bit], other[bit]]) for bit in bits if nibble[bit] != other[bit]]
                also.append(tuple(other[bit] for bit in bits))
    return agreements, also
