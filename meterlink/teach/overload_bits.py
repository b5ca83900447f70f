"""The overload: a value of the number's field that is no number, or bits of its own."""

from collections.abc import Sequence

from meterlink.core.readings import Status
from meterlink.profiles.fields import compile_number
from meterlink.profiles.model import Code, Flag, Meaning, Segments
from meterlink.teach import limits
from meterlink.teach.bit_evidence import BitEvidence, code_of, number_at
from meterlink.teach.columns import bits_value


def overload_values(evidence: BitEvidence) -> tuple[tuple[int, ...], bool]:
    """Return ``(values of the number's field that mean an overload, whether the field shows every overload)``.

    Such a value is no number: it has a digit above 9, is too great for the digits shown, or is a reserved end value.
    """
    source = evidence.encoding.source
    if isinstance(source, Segments):
        return (), True
    take = compile_number(source)
    raws = [take(_plain(evidence, evidence.frames[place])) for place in evidence.overloads]
    all_shown = all(raw is Status.OVERLOAD for raw in raws)
    if all_shown or not raws or evidence.encoding.key:
        return (), all_shown
    beyond = [
        raw is Status.INVALID or (isinstance(raw, int) and abs(raw) > evidence.encoding.largest_value) for raw in raws
    ]
    contents = {number_at(source.location, evidence.frames[place]) for place in evidence.overloads}
    no_numbers = all(beyond) or contents <= evidence.encoding.reserved_values
    if not no_numbers or len(contents) > limits.MOST_OVERLOAD_VALUES:
        return (), False
    return tuple(sorted(contents)), True


def find_overload_bits(evidence: BitEvidence, rest: Sequence[int]) -> tuple[list[Code], set[int]]:
    """Return codes and positions of the bits that show an overload, for a number whose field does not show it.

    Each bit had one value in every overload and the other value in every number.
    """
    bits = []
    for position in rest:
        under, over = evidence.values(position, evidence.numbers), evidence.values(position, evidence.overloads)
        if len(under) == len(over) == 1 and under != over:
            bits.append(position)
    if not bits:
        return [], set()
    normal, beyond = (bits_value(evidence.frames[places[0]], bits) for places in (evidence.numbers, evidence.overloads))
    return [code_of(bits, {normal: Meaning(), beyond: Meaning(flag=Flag.OVERLOAD)})], set(bits)


def _plain(evidence: BitEvidence, frame: bytes) -> bytes:
    return bytes(byte ^ evidence.encoding.key.get(at, 0) for at, byte in enumerate(frame))
