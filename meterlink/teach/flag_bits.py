"""The bits of the sign and of the other flags: each equals its flag, or the opposite, in every sample."""

from collections.abc import Callable, Sequence
from itertools import pairwise

from meterlink.profiles.model import Bit, Code, FieldLocation, Flag, Meaning
from meterlink.teach import limits
from meterlink.teach.bit_evidence import BitEvidence
from meterlink.teach.columns import bit_at
from meterlink.teach.samples import Sample
from meterlink.teach.unexplained import UnexplainedError

FLAG_WORDS = {"hold": Flag.HOLD, "relative": Flag.RELATIVE, "low_battery": Flag.LOW_BATTERY}
"""The flags that an entry may name, by their words."""


_FlagBits = list[tuple[int, bool]]
"""``(position, inverted)`` of each bit that follows a flag."""


def find_signs(evidence: BitEvidence, rest: Sequence[int]) -> _FlagBits:
    """Return the bits of the minus.

    Raises:
        UnexplainedError: no bit follows the minus, or it was shown all the time.
    """
    return _flag(evidence, rest, lambda sample: sample.negative, "the minus", _signed_samples(evidence))


def find_optional_flag(evidence: BitEvidence, rest: Sequence[int], word: str, taken: set[int]) -> _FlagBits:
    """Return the bits of the flag ``word``; none where a bit is ``taken``, or none follows it."""
    try:
        found = _flag(evidence, rest, lambda sample: word in sample.displayed.flags, word, range(len(evidence.frames)))
    except UnexplainedError:
        return []  # people may leave such words out; the reading does not depend on them
    return found if taken.isdisjoint(position for position, _ in found) else []


def add_flag(bits: Sequence[tuple[int, bool]], flag: Flag, codes: list[Code], lit: list[tuple[Bit, Meaning]]) -> None:
    """Add the meaning of a flag's bits: to ``lit`` for one of them, to ``codes`` for several, which must agree."""
    places = tuple(bit_at(position, inverted=inverted) for position, inverted in bits)
    if len(places) == 1:
        lit.append((places[0], Meaning(flag=flag)))
    elif places:
        meanings = ((0, Meaning()), ((1 << len(places)) - 1, Meaning(flag=flag)))
        codes.append(Code(FieldLocation(bits=places), meanings))


def _signed_samples(evidence: BitEvidence) -> list[int]:
    """Return the samples in which the sign counts: a zero may carry either sign."""
    if evidence.encoding.signed:
        return []
    return [place for place in evidence.numbers if evidence.table.samples[place].counts]


def _flag(
    evidence: BitEvidence, rest: Sequence[int], true: Callable[[Sample], bool], what: str, among: Sequence[int]
) -> _FlagBits:
    """Return the bits that equal ``true`` in the samples ``among``.

    Raises:
        UnexplainedError: ``true`` holds for every sample, or no bit equals it.
    """
    care = sum(1 << place for place in among)
    sequence = sum(1 << place for place in among if true(evidence.table.samples[place]))
    if sequence == 0:
        return []
    if sequence == care:
        raise UnexplainedError(f"{what} was shown all the time")
    found = [
        (position, inverted)
        for position in rest
        if (inverted := evidence.table.columns.inversion_of(position, sequence, care)) is not None
        and all(len(evidence.values(position, [place])) == 1 for place in among)
    ]
    if not found:
        raise UnexplainedError(f"no bit follows {what}")
    return found if len(found) == 1 else _without_idle(evidence, found)


def _without_idle(evidence: BitEvidence, candidates: _FlagBits) -> _FlagBits:
    """Return the candidates without those that change often under the same number, if the others never do."""
    mask = sum(1 << position for position in evidence.encoding.used_positions)
    words = [int.from_bytes(frame, "little") for frame in evidence.table.all_frames]
    # A zero or an overload may be of any range, so a change under it proves nothing.
    empty = {
        int.from_bytes(frame, "little") & mask
        for frame, sample in zip(evidence.frames, evidence.table.samples, strict=True)
        if not sample.counts
    }
    changes = [one ^ other for one, other in pairwise(words) if not (one ^ other) & mask and one & mask not in empty]
    times = {position: sum(change >> position & 1 for change in changes) for position, _ in candidates}
    calm = [pair for pair in candidates if not times[pair[0]]]
    idle = [pair for pair in candidates if times[pair[0]] >= limits.FLAG_CHANGES]
    return calm if calm and len(calm) + len(idle) == len(candidates) else candidates
