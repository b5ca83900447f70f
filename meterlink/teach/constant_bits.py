"""Bits that never changed: those that must not change, and those of slow bytes, which may."""

from collections.abc import Sequence
from dataclasses import replace

from meterlink.profiles.model import Code, FieldLocation, Flag, Meaning
from meterlink.teach.bit_evidence import BitEvidence, number_at
from meterlink.teach.columns import bit_at
from meterlink.teach.slow_bytes import SlowByte


def divide_slow_bytes(
    evidence: BitEvidence, claimed: frozenset[int], constant: frozenset[int]
) -> tuple[list[SlowByte], list[SlowByte]]:
    """Return the slow bytes that may take any value, and those that may not, because a still bit may be a state.

    ``claimed`` are the positions of number, states, signs and flags: a byte whose moving bits are among them follows
    the display. A still bit is free if the number beside it carried into its byte; or if the number is a level that
    moved in both halves of the byte, or that shares a capture with everything else a display can say.
    """
    freed, pinned = [], []
    by_place = {one.at: one for one in evidence.table.slow_bytes}
    for one in evidence.table.slow_bytes:
        moving = one if one.beside is None else by_place[one.beside]
        follows_display = not moving.moved_positions().isdisjoint(claimed)
        if one.ended or follows_display or one.own_positions().isdisjoint(constant):
            continue
        level = one.certain and one.seconds_left is None
        if one.carried or (level and (one.spans_both_halves or _everything_shown(evidence))):
            freed.append(one)
        else:
            pinned.append(one)
    return freed, pinned


def _everything_shown(evidence: BitEvidence) -> bool:
    """Return whether the entries show two functions, two ranges of one, an overload, and a minus if one can be.

    Then bits elsewhere hold them, and a bit that never changed is none of them.
    """
    samples = [evidence.table.samples[place] for place in evidence.numbers]
    functions = {sample.function for sample in samples}
    ranges = {(one.unit, one.coupling): set[int]() for one in evidence.said if one is not None}
    for place, sample in zip(evidence.numbers, samples, strict=True):
        one = evidence.meaning(place)
        ranges[one.unit, one.coupling].add(sample.places)
    signs = any(sample.negative for sample in samples)
    return (
        len(functions) > 1
        and any(len(places) > 1 for places in ranges.values())
        and bool(evidence.overloads)
        and (signs or not any(function.signed for function in functions))
    )


def guard_codes(evidence: BitEvidence, constant: Sequence[int], meaning: Meaning) -> list[Code]:
    """Return codes that refuse a frame in which a constant bit differs; the first of them carries ``meaning``."""
    frame = evidence.frames[evidence.numbers[0]]
    by_byte: dict[int, list[int]] = {}
    for position in constant:
        by_byte.setdefault(position // 8, []).append(position)
    codes = []
    for byte, positions in sorted(by_byte.items()):
        place = (
            FieldLocation(at=byte)
            if len(positions) == 8
            else FieldLocation(bits=tuple(map(bit_at, reversed(positions))))
        )
        said = {number_at(place, frame): meaning}
        for over in evidence.overloads:
            said.setdefault(number_at(place, evidence.frames[over]), replace(meaning, flag=Flag.NO_NUMBER))
        codes.append(Code(place, tuple(sorted(said.items(), key=lambda pair: pair[0]))))
        meaning = Meaning()
    return codes
