"""The meaning of the rest of a frame: unit, point, sign, overload; and the bits that no reading has explained.

A profile must never read a packet wrongly. So a combination of bits is read only if it was seen; others are refused,
not guessed. Every bit outside the number, the check bytes and the counters is one of

- a *state*: it never differs between frames with equal entries, and differs between others. All states together are one
  code; a combination without an entry is refused, because a range code may mean something else in another function;
- the *sign*, the *overload* or another flag: equal to it, or to its opposite, in every sample. If several bits are,
  they must agree;
- *constant*: the same in every frame with an entry. A frame in which it differs is refused: it may be a range, a unit
  or an overload that was never shown;
- *idle*: it changes while the entries stay the same, so the entries do not depend on it.
"""

from collections.abc import Sequence
from dataclasses import replace

from meterlink.profiles.model import Bit, Code, FieldLocation, Flag, Meaning, Segments
from meterlink.teach.bit_evidence import BitEvidence, number_at
from meterlink.teach.columns import bit_at, bits_value
from meterlink.teach.constant_bits import divide_slow_bytes, guard_codes
from meterlink.teach.displays import lacks_constant_pool
from meterlink.teach.encodings import Encoding, SampleMatrix, agreement_code
from meterlink.teach.flag_bits import FLAG_WORDS, add_flag, find_optional_flag, find_signs
from meterlink.teach.frame_meanings import FoundMeanings, FrameMeaning
from meterlink.teach.overload_bits import find_overload_bits, is_lone_with_number, overload_values
from meterlink.teach.samples import may_overload
from meterlink.teach.state_codes import find_state_codes
from meterlink.teach.wishes import A_NEGATIVE_READING, A_SECOND_OVERLOAD, AN_OVERLOAD, BOTH_SIGNS, range_wish


def find_meanings(
    table: SampleMatrix,
    encoding: Encoding,
    meanings: Sequence[FrameMeaning | None],
    exempt_positions: frozenset[int],
    equivalent_frames: Sequence[Sequence[bytes]],
) -> FoundMeanings:
    """Return the meanings of the bits outside the number.

    ``exempt_positions`` are the positions of check bytes and counters. ``equivalent_frames`` are, for each sample, the
    frames that certainly showed the same display, its own included.

    Raises:
        UnexplainedError: no bit explains a difference between entries.
    """
    evidence = BitEvidence(table, encoding, meanings, equivalent_frames)
    rest = evidence.remaining_bits(exempt_positions)

    codes: list[Code] = []
    lit: list[tuple[Bit, Meaning]] = []
    signs = find_signs(evidence, rest)
    add_flag(signs, Flag.NEGATIVE, codes, lit)
    taken = {position for position, _ in signs}
    for word, flag in FLAG_WORDS.items():
        bits = find_optional_flag(evidence, rest, word, taken)
        add_flag(bits, flag, codes, lit)
        taken |= {position for position, _ in bits}
    rest = [position for position in rest if position not in taken]

    values, told_in_field = overload_values(evidence)
    over_bits: set[int] = set()
    lone = evidence.overloads[0] if not told_in_field and is_lone_with_number(evidence) else None
    if evidence.overloads and not told_in_field:
        over, over_bits = find_overload_bits(evidence, rest)
        codes += over
        rest = [position for position in rest if position not in over_bits]

    states = find_state_codes(evidence, rest)
    told = states.positions
    constant = [one for one in rest if one not in told and len(evidence.values(one, evidence.numbers)) == 1]
    codes += [*_agreements(evidence), *_extensions(evidence, rest), *states.codes]

    claimed = frozenset(told | taken | over_bits) | encoding.used_positions
    freed, pinned = divide_slow_bytes(evidence, claimed, frozenset(constant))
    free = {position for one in freed for position in one.own_positions()}
    constant = [position for position in constant if position not in free]
    source = encoding.source
    guarded = [] if isinstance(source, Segments) and lacks_constant_pool(source) else constant
    codes += guard_codes(evidence, guarded, states.everywhere)
    if states.everywhere != Meaning() and not guarded:
        codes.append(Code(FieldLocation(bits=(bit_at(0),)), ((0, states.everywhere), (1, states.everywhere))))

    first = evidence.frames[evidence.numbers[0]]
    return FoundMeanings(
        codes=tuple(codes),
        annunciators=tuple(lit),
        overload_values=values,
        constant_bits=tuple(bit_at(one, inverted=bool(bits_value(first, [one]))) for one in constant),
        unexplained_positions=frozenset(rest) - told - free - set(constant),
        suggested_readings=_wanted(evidence, signs, lone),
        doubtful=states.doubtful,
        freed_bytes=tuple(one.at for one in freed),
        pinned_bytes=tuple(pinned),
        lone_overload=None if lone is None else evidence.table.samples[lone],
    )


def _agreements(evidence: BitEvidence) -> list[Code]:
    """Return the codes of bits of the number that must agree; under an overload they may have other values."""
    agreements = []
    for code in evidence.encoding.guard_codes:
        known = dict(code.meanings)
        over = {number_at(code.location, evidence.frames[place]) for place in evidence.overloads} - known.keys()
        known |= dict.fromkeys(over, Meaning(flag=Flag.NO_NUMBER))
        agreements.append(replace(code, meanings=tuple(sorted(known.items(), key=lambda pair: pair[0]))))
    return agreements


def _extensions(evidence: BitEvidence, rest: Sequence[int]) -> list[Code]:
    """Return codes that keep whole bytes equal to the sign if all their bits always were.

    They are the upper end of a number wider than the field found. Where they differ from the sign, the field is not
    the number.
    """
    sign, columns, care = evidence.encoding.sign_position, evidence.table.columns, evidence.table.number_mask
    if sign is None or columns.is_constant(sign, care):
        return []
    found = [(sign, False)]
    for first in range(0, columns.bits, 8):
        byte = range(first, first + 8)
        turned = [columns.inversion_of(one, columns[sign], care) for one in byte]
        if set(byte) <= set(rest) and None not in turned:
            found += zip(byte, map(bool, turned), strict=True)
    return [agreement_code(found)] if len(found) > 1 else []


def _wanted(evidence: BitEvidence, signs: Sequence[tuple[int, bool]], lone_overload: int | None) -> tuple[str, ...]:
    """Return the readings that would show more: a minus, an overload, another range."""
    samples, wanted = evidence.table.samples, []
    if not any(sample.negative for sample in samples):
        if any(sample.function.signed for sample in samples):
            wanted.append(A_NEGATIVE_READING)
    elif len(signs) > 1:
        wanted.append(BOTH_SIGNS)
    if may_overload(samples) and (lone_overload is not None or not evidence.overloads):
        wanted.append(AN_OVERLOAD if lone_overload is None else A_SECOND_OVERLOAD)
    said = {one for one in evidence.said if one is not None}
    still = [
        unit
        for unit in sorted({one.unit for one in said})
        if len({one.places for one in said if one.unit == unit}) == 1
    ]
    return (*wanted, *map(range_wish, still))
