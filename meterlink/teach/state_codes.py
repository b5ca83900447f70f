"""The codes that tell unit and decimal point: bits that differ between states and never within one."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from meterlink.profiles.model import Code, Flag, Meaning
from meterlink.teach import limits
from meterlink.teach.bit_evidence import BitEvidence, code_of
from meterlink.teach.columns import bits_value
from meterlink.teach.frame_meanings import FrameMeaning
from meterlink.teach.unexplained import UnexplainedError

_NIBBLE = 4  # bits


@dataclass(frozen=True, slots=True)
class StateCodes:
    """The codes of unit and point, the positions of their bits, and the meaning that no bit tells: it never changed.

    ``doubtful``: these bits may tell the states apart by chance.
    """

    codes: list[Code]
    positions: set[int]
    everywhere: Meaning = field(default_factory=Meaning)
    doubtful: bool = False


def find_state_codes(evidence: BitEvidence, rest: Sequence[int]) -> StateCodes:
    """Return the codes of unit and point among the bits ``rest``. Points with bits of their own have their own code.

    Raises:
        UnexplainedError: two meanings have no bit that differs.
    """
    apart = _points_apart(evidence, rest)
    if apart is not None:
        return apart
    bits, doubtful = _state_bits(evidence, rest)
    said = {one for one in evidence.said if one is not None}
    if not bits and len(said) == 1:
        return StateCodes([], set(), said.pop().as_profile_meaning(), doubtful)
    try:
        return StateCodes([_table(evidence, bits, lambda said: said)], set(bits), Meaning(), doubtful)
    except UnexplainedError:
        bits = _nibbles(evidence, rest)
        if not bits:
            raise
        return StateCodes([_table(evidence, bits, lambda said: said)], set(bits), Meaning(), doubtful)


def _points_apart(evidence: BitEvidence, rest: Sequence[int]) -> StateCodes | None:
    """Return the codes where each decimal point has bits of its own; None elsewhere."""
    places = {one.places for one in evidence.said if one is not None}
    if len(places) < 2 or None in places:
        return None
    by_place = evidence.groups(_point)
    points = evidence.following(by_place, rest)
    if not evidence.segmented and not _one_hot(evidence, points, by_place):
        return None
    if evidence.segmented and not _told_apart(evidence, points, by_place):
        points = evidence.following(by_place, [*rest, *_shared(evidence)])
    by_unit = evidence.groups(_without_point)
    units = evidence.following(by_unit, rest)
    try:
        codes = [_table(evidence, sorted(points, reverse=True), _point)]
        if len(by_unit) == 1:
            only = _without_point(next(one for one in evidence.said if one is not None))
            return StateCodes(codes, set(points), only.as_profile_meaning())
        codes.append(_table(evidence, sorted(units, reverse=True), _without_point))
    except UnexplainedError:
        return None
    return StateCodes(codes, {*points, *units})


def _point(said: FrameMeaning) -> FrameMeaning:
    return FrameMeaning("", None, said.places)


def _without_point(said: FrameMeaning) -> FrameMeaning:
    return replace(said, places=None)


def _one_hot(evidence: BitEvidence, points: Sequence[int], groups: Sequence[Sequence[int]]) -> bool:
    """Return whether each group has one bit of the points to itself, lit or dark."""
    known = [bits_value(evidence.frames[group[0]], points) for group in groups]
    apart = all((one ^ other).bit_count() == 2 for one, other in combinations(known, 2))
    return apart and len(points) == len(groups) >= limits.FEWEST_POINTS_APART


def _told_apart(evidence: BitEvidence, bits: Sequence[int], groups: Sequence[Sequence[int]]) -> bool:
    return len({bits_value(evidence.frames[group[0]], bits) for group in groups}) == len(groups)


def _shared(evidence: BitEvidence) -> list[int]:
    """Return the bits of segments that have always changed together.

    A point that always changed with them is one of these bits. They must agree in every frame that is read, so any
    of them shows the point.
    """
    codes = evidence.encoding.guard_codes
    return sorted({8 * bit.byte + bit.bit for code in codes for bit in code.location.bits})


def _state_bits(evidence: BitEvidence, rest: Sequence[int]) -> tuple[list[int], bool]:
    """Return the bits that tell the ranges apart, the last one first, and whether they may do so by chance."""
    groups = _ranges(evidence)
    bits = set(evidence.following(groups, rest))
    steady = {position for position in rest if evidence.is_steady(position)}
    moving = {one for one in steady if len(evidence.values(one, evidence.numbers)) > 1}
    # By chance, each of these bits follows the groups with a probability of 1/2 for every entry beyond their first.
    doubtful = len(moving - bits) * 2.0 ** (len(groups) - len(evidence.numbers)) > limits.MOST_CHANCE
    # A code of several bits may have several values for one state; its other bits are next to those found.
    if not evidence.segmented:
        beside = {position // _NIBBLE for position in bits}
        bits |= {one for one in moving if one // _NIBBLE in beside}
    return sorted(bits, reverse=True), doubtful


def _ranges(evidence: BitEvidence) -> list[list[int]]:
    """Return the samples of each range, as far as entries show it: the same meaning and the same places."""
    groups: dict[tuple[FrameMeaning | None, int], list[int]] = {}
    for place in evidence.numbers:
        groups.setdefault((evidence.said[place], evidence.table.samples[place].places), []).append(place)
    return list(groups.values())


def _nibbles(evidence: BitEvidence, rest: Sequence[int]) -> list[int]:
    """Return the bits of the one or two half bytes that tell the states, though several values mean the same."""
    halves: dict[int, list[int]] = {}
    for position in rest:
        if evidence.is_steady(position):
            halves.setdefault(position // _NIBBLE, []).append(position)
    moving = [bits for bits in halves.values() if any(len(evidence.values(one, evidence.numbers)) > 1 for one in bits)]
    found: list[tuple[int, list[int]]] = []
    for size in (1, 2):
        for chosen in combinations(moving, size):
            bits = sorted((one for half in chosen for one in half), reverse=True)
            known: dict[int, FrameMeaning | None] = {}
            pairs = [(bits_value(evidence.frames[place], bits), evidence.said[place]) for place in evidence.numbers]
            if all(known.setdefault(key, said) == said for key, said in pairs) and 2 * len(known) <= len(pairs):
                found.append((len(known), bits))
    return min(found)[1] if found else []


def _table(evidence: BitEvidence, bits: Sequence[int], by: Callable[[FrameMeaning], FrameMeaning]) -> Code:
    """Return the code of ``bits``; ``by`` selects the part of each meaning that it gives.

    Raises:
        UnexplainedError: one value of the bits has two meanings, or there are no bits.
    """
    known: dict[int, FrameMeaning] = {}
    for place in evidence.numbers:
        one = by(evidence.meaning(place))
        for frame in evidence.alike[place]:
            told = known.setdefault(bits_value(frame, bits), one)
            if told != one:
                raise UnexplainedError(f"no bit tells {_difference(told, one)} apart")
    if not bits and len(known) == 1:
        raise UnexplainedError("nothing tells one state from another")
    meanings = {key: said.as_profile_meaning() for key, said in known.items()}
    # In a state in which only an overload was shown, it is unknown how to read a number.
    overloads: dict[int, list[Meaning]] = {}
    for place in evidence.overloads:
        overloads.setdefault(bits_value(evidence.frames[place], bits), []).append(_overloaded(evidence, place, by))
    for key, shown in overloads.items():
        meanings.setdefault(key, _likeliest(shown))
    return code_of(bits, meanings)


def _overloaded(evidence: BitEvidence, place: int, by: Callable[[FrameMeaning], FrameMeaning]) -> Meaning:
    shows = evidence.table.samples[place].displayed
    return replace(by(FrameMeaning(shows.unit, shows.coupling)).as_profile_meaning(), flag=Flag.NO_NUMBER)


def _likeliest(told: Sequence[Meaning]) -> Meaning:
    """Return the meaning that most overloads of one state tell; one with AC or DC, which people forget, before others.

    In one state a meter shows one unit. A person may leave out its AC or DC, but adds none that the display lacks.
    """
    return max(told, key=lambda one: (one.coupling is not None, told.count(one)))


def _difference(one: FrameMeaning, other: FrameMeaning) -> str:
    if one.unit != other.unit:
        return f"{one.unit} and {other.unit}"
    if one.coupling != other.coupling:
        return f"{one.unit} {one.coupling or ''} and {other.unit} {other.coupling or ''}"
    return f"{one.places} and {other.places} digits behind the point in {one.unit or 'a reading'}"
