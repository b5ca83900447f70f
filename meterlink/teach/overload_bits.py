"""The overload: a value of the number's field that is no number, or bits of its own."""

from collections.abc import Sequence
from decimal import Decimal

from meterlink.core.readings import Status
from meterlink.profiles.fields import RawValue, compile_number
from meterlink.profiles.model import Code, Flag, Meaning, NumberField, Segments
from meterlink.teach import limits
from meterlink.teach.bit_evidence import BitEvidence, code_of, number_at
from meterlink.teach.columns import bits_value
from meterlink.teach.unexplained import UnexplainedError


def overload_values(evidence: BitEvidence) -> tuple[tuple[int, ...], bool]:
    """Return ``(values of the number's field that mean an overload, whether the field shows every overload)``.

    Such a value is no number: it has a digit above 9, is too great for the digits shown, or is a reserved end value.

    Raises:
        UnexplainedError: one overload alone has a number in its frame, and the field shows all others.
    """
    source, overloads = evidence.encoding.source, evidence.overloads
    if isinstance(source, Segments):
        return (), True
    values = _told_in_field(evidence, source, overloads)
    if values is not None:
        return values, True
    with_number = [place for place in overloads if _has_number(evidence, source, place)]
    others = [place for place in overloads if place not in with_number]
    if len(with_number) == 1 and others and _told_in_field(evidence, source, others) is not None:
        entry = evidence.table.samples[with_number[0]].entry
        raise UnexplainedError(f"the packets of the entry {entry.text!r} hold a number, as those of no other overload")
    return (), False


def _told_in_field(evidence: BitEvidence, source: NumberField, overloads: Sequence[int]) -> tuple[int, ...] | None:
    """Return the values of the field that show all of ``overloads`` and need to be named; None if it shows not all."""
    take = compile_number(source)
    raws = [take(_plain(evidence, place)) for place in overloads]
    if all(raw is Status.OVERLOAD for raw in raws):
        return ()
    if evidence.encoding.key:
        return None
    contents = {number_at(source.location, evidence.frames[place]) for place in overloads}
    no_numbers = all(_is_no_number(evidence, raw) for raw in raws) or contents <= evidence.encoding.reserved_values
    return tuple(sorted(contents)) if no_numbers and len(contents) <= limits.MOST_OVERLOAD_VALUES else None


def _is_no_number(evidence: BitEvidence, raw: RawValue) -> bool:
    """Return whether a field's content has a digit above 9, or is too great for the digits shown."""
    return isinstance(raw, Status) or abs(Decimal(raw)) > evidence.encoding.largest_value


def _has_number(evidence: BitEvidence, source: NumberField, place: int) -> bool:
    """Return whether a person may have typed OL for the number in the field under the overload ``place``.

    Many meters clear the field under an overload, and nobody types OL for a zero.
    """
    raw = compile_number(source)(_plain(evidence, place))
    return not _is_no_number(evidence, raw) and bool(raw)


def is_lone_with_number(evidence: BitEvidence) -> bool:
    """Return whether there is one overload only, and its frame has a number: the person may have typed OL for it."""
    source = evidence.encoding.source
    if isinstance(source, Segments) or len(evidence.overloads) != 1:
        return False
    return _has_number(evidence, source, evidence.overloads[0])


def find_overload_bits(evidence: BitEvidence, rest: Sequence[int]) -> tuple[list[Code], set[int]]:
    """Return codes and positions of the bits that show an overload, for a number whose field does not show it.

    Each bit had one value in every overload and the other value in every number. A frame with the bits of an overload
    that may be a slip has no reading.
    """
    bits = []
    for position in rest:
        under, over = evidence.values(position, evidence.numbers), evidence.values(position, evidence.overloads)
        if len(under) == len(over) == 1 and under != over:
            bits.append(position)
    if not bits:
        return [], set()
    normal, beyond = (bits_value(evidence.frames[places[0]], bits) for places in (evidence.numbers, evidence.overloads))
    flag = Flag.INVALID if is_lone_with_number(evidence) else Flag.OVERLOAD
    return [code_of(bits, {normal: Meaning(), beyond: Meaning(flag=flag)})], set(bits)


def _plain(evidence: BitEvidence, place: int) -> bytes:
    return bytes(byte ^ evidence.encoding.key.get(at, 0) for at, byte in enumerate(evidence.frames[place]))
