"""Whole numbers with one or two digits more than the display shows, which drops them or rounds.

The number follows the digits shown in every range, so it is in no unit of its own.
"""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import product
from math import log2

from meterlink.profiles.model import ByteOrder, FieldLocation, NumberField, NumberType, Rounding
from meterlink.teach import limits
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, largest_number, top_bit
from meterlink.teach.fixed_point import twos_complement, unused_bit_codes
from meterlink.teach.samples import Sample

_FACTORS = (10, 100)  # one or two digits more
_SIZES = (2, 3, 4)  # bytes
_ORDERS: tuple[ByteOrder, ByteOrder] = ("little", "big")


def dropped_digit_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings in whole bytes of which the display shows all digits but the last one or two."""
    shown = table.number_samples
    counts = [sample.counts for sample in shown]
    evidence = sum(log2(number) for number in set(counts) - {0})
    tried = len(_FACTORS) * len(_SIZES) * len(_ORDERS) * len(shown[0].frame) if shown else 1
    if len(set(counts)) < limits.FEWEST_DIFFERENT_NUMBERS or evidence - log2(tried) < limits.LEAST_EVIDENCE_BITS:
        return
    for size in reversed(_SIZES):
        for at in range(len(shown[0].frame) - size + 1):
            for order in _ORDERS:
                contents = [int.from_bytes(sample.frame[at : at + size], order) for sample in shown]
                for signed in (True, False):
                    raws = [twos_complement(one, size) if signed else one for one in contents]
                    if signed and not _has_the_signs(raws, shown):
                        continue
                    for factor in _FACTORS:
                        rounding = _rounding([abs(raw) for raw in raws], counts, factor)
                        if rounding is not None:
                            yield _encoding(table, FieldLocation(at, size, order), raws, factor, rounding)


def fitting_frames(samples: Sequence[Sample], frames: Sequence[Sequence[bytes]]) -> list[set[int]]:
    """Return for each sample the indexes of its ``frames`` whose number shows its digits, where most samples have one.

    All frames are equally long. The number is the one that shows the digits of the most samples; the sets are empty if
    none shows those of two in three.
    """
    best: tuple[int, list[set[int]]] = (0, [set() for _ in samples])
    most_misses = sum(sample.counts > 0 for sample in samples) // limits.MANY_SLIPS
    for size, order in product(_SIZES, _ORDERS):
        for at in range(len(frames[0][0]) - size + 1):
            raws = [[int.from_bytes(frame[at : at + size], order) for frame in some] for some in frames]
            signed = [[abs(twos_complement(raw, size)) for raw in some] for some in raws]
            for numbers, factor, half in product((raws, signed), _FACTORS, (0, 1)):
                fits = _fitting(samples, numbers, factor, half * factor // 2, most_misses)
                best = max(best, (sum(map(bool, fits)), fits), key=lambda one: one[0])
    return best[1]


def _fitting(
    samples: Sequence[Sample], numbers: Sequence[Sequence[int]], factor: int, added: int, most_misses: int
) -> list[set[int]]:
    """Return the indexes of the numbers that show the digits of each sample; nothing after ``most_misses`` misses."""
    found = []
    for sample, some in zip(samples, numbers, strict=True):
        counts = sample.counts
        found.append({index for index, number in enumerate(some) if counts and (number + added) // factor == counts})
        most_misses -= bool(counts) and not found[-1]
        if most_misses < 0:
            return []
    return found


def _has_the_signs(raws: Sequence[int], shown: Sequence[Sample]) -> bool:
    """Return whether the numbers carry the signs shown; a zero may carry either."""
    signs = [(raw < 0, sample.negative) for raw, sample in zip(raws, shown, strict=True) if sample.counts]
    return any(negative for negative, _ in signs) and all(negative == minus for negative, minus in signs)


def _rounding(magnitudes: Sequence[int], counts: Sequence[int], factor: int) -> Rounding | None:
    """Return how the display rounds; None where it does not show these numbers, or where no reading tells how.

    The digits dropped must once be a half or more: else dropping and rounding show the same, and later readings would
    differ by one count.
    """
    if all(magnitude % factor < factor // 2 for magnitude in magnitudes):
        return None
    half = factor // 2
    pairs = list(zip(magnitudes, counts, strict=True))
    if all(magnitude // factor == count for magnitude, count in pairs):
        return Rounding.DOWN
    if all((magnitude + half) // factor == count for magnitude, count in pairs):
        return Rounding.HALF_UP
    return None


def _encoding(
    table: SampleMatrix, place: FieldLocation, raws: Sequence[int], factor: int, rounding: Rounding
) -> Encoding:
    signed = any(raw < 0 for raw in raws)
    scalings = tuple(
        Scaling(sample.places, Decimal(1).scaleb(-sample.places) / factor) if sample.is_number else Scaling()
        for sample in table.samples
    )
    return Encoding(
        name=f"integer with {len(str(factor)) - 1} more digits than the display",
        source=NumberField(NumberType.INT if signed else NumberType.UINT, place),
        used_positions=frozenset(range(8 * place.at, 8 * (place.at + place.size))),
        guard_codes=unused_bit_codes(place, max(abs(raw) for raw in raws).bit_length(), signed=signed),
        scalings=scalings,
        largest_value=largest_number(table.samples, scalings),
        signed=signed,
        sign_position=top_bit(place) if signed else None,
        finer_than_display=True,
        rounding=rounding,
    )
