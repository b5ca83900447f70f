"""Whole numbers in a unit of the meter's own (µV, tenths of an ohm …), as fine as the display or finer."""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import lru_cache
from itertools import product
from math import floor, log10

from meterlink.core.binary_numbers import EXACT_CONTEXT
from meterlink.core.readings import Coupling
from meterlink.profiles.interpretation import DECIMAL_ROUNDING
from meterlink.profiles.model import ByteOrder, Code, FieldLocation, Meaning, NumberField, NumberType, Rounding
from meterlink.teach import limits
from meterlink.teach.columns import bit_at
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, agreement_code, largest_number, top_bit
from meterlink.teach.integers import integer_encodings
from meterlink.teach.samples import Sample

# Usual steps: powers of ten, halves, fifths and quarters of them, and binary fractions down to 1/256.
_STEPS = tuple(Decimal(text) for text in ("1", "2", "5", "2.5", "1.25", "4", "8")) + tuple(
    Decimal(1) / (1 << shift) for shift in range(1, 9)
)
# ``(logarithm, index, decade)`` of the usual steps: in the decade from 1 to 10, and in the next one.
_TWO_DECADES = sorted(
    (log10(step) % 1 + decade, number, decade) for number, step in enumerate(_STEPS) for decade in (0, 1)
)
_WIDEST_INTERVAL = 0.2  # of a step: a wider one holds two usual steps
_SIZES = (1, 2, 3, 4, 5, 6)  # bytes; more than 48 bits hold no number of a display
_ORDERS: tuple[ByteOrder, ByteOrder] = ("little", "big")

_Class = tuple[str, Coupling | None]
_Step = tuple[int, int]
"""A usual step: its index in `_STEPS`, and the power of ten of its first digit."""


def fixed_unit_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings that hold the shown numbers exactly, in one unit for each quantity."""
    shown = table.number_samples
    if any(sample.prefix is None for sample in shown):
        return
    last = [(sample.prefix or 0) - sample.places for sample in shown]  # power of ten of the last digit in base units
    finest: dict[object, int] = {}
    for sample, power in zip(shown, last, strict=True):
        finest[sample.displayed.quantity] = min(power, finest.get(sample.displayed.quantity, power))
    for finer in range(limits.MOST_FINER_POWERS + 1):
        if finer == 0 and len({(sample.displayed.unit, sample.places) for sample in shown}) == 1:
            continue  # these are plain counts
        values, scalings, place = [], [], 0
        for sample in table.samples:
            if not sample.is_number:
                scalings.append(Scaling())
                continue
            above = last[place] - finest[sample.displayed.quantity] + finer
            place += 1
            values.append((-sample.counts if sample.negative else sample.counts) * 10**above)
            scalings.append(Scaling(sample.places, Decimal(1).scaleb(-sample.places - above)))
        for found in integer_encodings(table, values, scalings, "integer in a fixed unit"):
            yield replace(found, needs_no_places=True)


def rounded_unit_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings in whole bytes that round to the shown numbers, at one scale for each unit."""
    shown = table.number_samples
    if len({sample.displayed.digits for sample in shown}) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    for size in reversed(_SIZES):
        for at in range(len(shown[0].frame) - size + 1):
            for order in _ORDERS:
                contents = [int.from_bytes(sample.frame[at : at + size], order) for sample in shown]
                if len(set(contents)) < limits.FEWEST_DIFFERENT_NUMBERS:
                    continue
                for kind in (NumberType.INT, NumberType.UINT):
                    raws = [twos_complement(one, size) if kind is NumberType.INT else one for one in contents]
                    if kind is NumberType.UINT and max(contents) >> 8 * size - 1 == 0:
                        continue  # the same as signed
                    found = _fits(table, shown, raws, kind, FieldLocation(at, size, order))
                    if found is not None:
                        yield found


def fitting_frames(
    samples: Sequence[Sample], frames: Sequence[Sequence[bytes]], exempt: frozenset[int]
) -> list[set[int]]:
    """Return for each sample the indexes of its ``frames`` whose number rounds to the one shown, at a usual step.

    All frames are equally long. The number is the one that fits most samples, with one step for each unit, or for each
    range of it: the narrowest one, because a byte of noise below a number would round it up or down. It has none of the
    ``exempt`` positions, those of counters and check bytes.
    """
    shown = [index for index, sample in enumerate(samples) if sample.counts]
    taken = {position // 8 for position in exempt}
    best: list[set[int]] = [set() for _ in samples]
    for size, order in product(_SIZES, _ORDERS):
        for at in range(len(frames[0][0]) - size + 1 if shown else 0):
            if not taken.isdisjoint(range(at, at + size)):
                continue
            steps = _steps(samples, frames, shown, FieldLocation(at, size, order), glance=True)
            votes = max(sum(map(bool, _fitting(samples, steps, by_range=by_range))) for by_range in (False, True))
            if votes < limits.LEAST_SHARE_AT_A_GLANCE * len(shown):
                continue
            steps = _steps(samples, frames, shown, FieldLocation(at, size, order), glance=False)
            for fits in (_fitting(samples, steps, by_range=by_range) for by_range in (False, True)):
                if sum(map(bool, fits)) > sum(map(bool, best)):
                    best = fits
    return best


def _steps(
    samples: Sequence[Sample], frames: Sequence[Sequence[bytes]], shown: Sequence[int], place: FieldLocation, *,
    glance: bool,
) -> dict[tuple[int, int], frozenset[_Step]]:  # fmt: skip
    """Return the usual steps by ``(index of the sample, index of the frame)``; at a ``glance``, of two frames each."""
    found = {}
    for index in shown:
        some = range(len(frames[index]))
        for at in {some[-1], some[len(some) // 2]} if glance else some:
            content = int.from_bytes(frames[index][at][place.at : place.at + place.size], place.order)
            raw = abs(twos_complement(content, place.size))
            found[index, at] = _usual_steps(raw, samples[index].counts, samples[index].places)
    return found


def _fitting(
    samples: Sequence[Sample], steps: Mapping[tuple[int, int], frozenset[_Step]], *, by_range: bool
) -> list[set[int]]:
    """Return for each sample the indexes of its frames that fit at the step most samples of its unit, or range, have.

    ``steps`` gives those that fit by ``(index of the sample, index of the frame)``.
    """
    told: dict[int, set[_Step]] = {}
    for (index, _), some in steps.items():
        told.setdefault(index, set()).update(some)
    kinds = [(one.displayed.unit, one.displayed.coupling, one.places if by_range else None) for one in samples]
    votes: dict[object, Counter[_Step]] = {}
    for index, every in told.items():
        votes.setdefault(kinds[index], Counter()).update(every)
    # One sample alone fits some step with any number, so a step needs two.
    elected = {kind: counter.most_common(1)[0] for kind, counter in votes.items() if counter}
    usual = {kind: step for kind, (step, times) in elected.items() if times > 1}
    fits: list[set[int]] = [set() for _ in samples]
    for (index, number), some in steps.items():
        if usual.get(kinds[index]) in some:
            fits[index].add(number)
    return fits


@lru_cache(maxsize=10_000)  # a display that stands still sends the same number again and again
def _usual_steps(raw: int, counts: int, places: int) -> frozenset[_Step]:
    """Return the usual steps with which ``raw`` rounds to the ``counts`` of a display with so many decimal places."""
    if not raw or 1 / counts > _WIDEST_INTERVAL:
        return frozenset()
    low = log10((counts - 0.5) / raw) - places
    high = log10((counts + 0.5) / raw) - places
    power = floor(low)
    begin = bisect_left(_TWO_DECADES, (low - power,))
    end = bisect_right(_TWO_DECADES, (high - power, len(_STEPS)))
    return frozenset((number, power + decade) for _, number, decade in _TWO_DECADES[begin:end])


def twos_complement(content: int, size: int) -> int:
    """Return the signed number of ``size`` bytes whose bits are ``content``."""
    return content - (1 << 8 * size) if content >> 8 * size - 1 else content


def _fits(
    table: SampleMatrix, shown: Sequence[Sample], raws: Sequence[int], kind: NumberType, place: FieldLocation
) -> Encoding | None:
    signed = any(raw < 0 for raw in raws)
    by_class: dict[_Class, list[tuple[int, Sample]]] = {}
    for raw, sample in zip(raws, shown, strict=True):
        if signed and (raw < 0) != sample.negative and sample.counts:
            return None
        by_class.setdefault((sample.displayed.unit, sample.displayed.coupling), []).append((abs(raw), sample))
    scales = {}
    roundings = [Rounding.HALF_UP, Rounding.HALF_EVEN]
    for one, pairs in by_class.items():
        scale = _scale(pairs)
        if scale is None:
            return None
        scales[one] = scale
        roundings = [rounding for rounding in roundings if _round_as_shown(pairs, scale, rounding)]
    if not roundings:
        return None
    # A number just between two displays shows how the display rounds. Until one is seen, such a number is not read.
    between = any(_is_between(raw * scales[one], sample) for one, pairs in by_class.items() for raw, sample in pairs)
    if len(raws) < limits.READINGS_PER_SCALE * len(scales):
        return None  # a scale of its own for every reading or two explains anything
    used = range(8 * place.at, 8 * (place.at + place.size))
    idle = unused_bit_codes(place, max(abs(raw) for raw in raws).bit_length(), signed=signed)
    scalings = tuple(
        Scaling(sample.places, scales[sample.displayed.unit, sample.displayed.coupling])
        if sample.is_number
        else Scaling()
        for sample in table.samples
    )
    return Encoding(
        name="integer in a fixed unit, rounded",
        source=NumberField(kind if signed else NumberType.UINT, place),
        used_positions=frozenset(used),
        guard_codes=idle,
        scalings=scalings,
        largest_value=largest_number(table.samples, scalings),
        signed=signed,
        sign_position=top_bit(place) if signed else None,
        finer_than_display=True,
        rounding=roundings[0] if between else Rounding.UNKNOWN,
    )


def _round_as_shown(pairs: Sequence[tuple[int, Sample]], scale: Decimal, rounding: Rounding) -> bool:
    """Return whether all numbers, times their scale, round to those shown."""
    return all(
        EXACT_CONTEXT.multiply(Decimal(raw), scale).quantize(
            _magnitude(sample), DECIMAL_ROUNDING[rounding], EXACT_CONTEXT
        )
        == _magnitude(sample)
        for raw, sample in pairs
    )


def _is_between(number: Decimal, sample: Sample) -> bool:
    """Return whether a number is just between two that the display of a sample can show."""
    return 2 * abs(number - _magnitude(sample)) == Decimal(1).scaleb(-sample.places)


def _magnitude(sample: Sample) -> Decimal:
    return abs(sample.displayed.digits or Decimal(0))


def unused_bit_codes(place: FieldLocation, exercised: int, *, signed: bool) -> tuple[Code, ...]:
    """Return codes that refuse a number at ``place`` in which a bit above the lowest ``exercised`` ones is used."""
    highest = [
        8 * (place.at + (number // 8 if place.order == "little" else place.size - 1 - number // 8)) + number % 8
        for number in range(exercised, 8 * place.size)
    ]
    if len(highest) <= signed:
        return ()
    if signed:
        return (agreement_code([(position, False) for position in highest]),)
    return (Code(FieldLocation(bits=tuple(bit_at(position) for position in highest)), ((0, Meaning()),)),)


def _scale(pairs: Sequence[tuple[int, Sample]]) -> Decimal | None:
    """Return the single usual step with which every number rounds to the shown one; None for none or several."""
    low, high = Decimal(0), Decimal("Infinity")
    for raw, sample in pairs:
        digits = _magnitude(sample)
        half = Decimal(5).scaleb(-sample.places - 1)
        if raw:
            low = max(low, (digits - half) / raw)
            high = min(high, (digits + half) / raw)
        elif digits:
            return None
    if not 0 < low <= high < Decimal("Infinity") or high > low * (1 + Decimal(_WIDEST_INTERVAL)):
        return None
    power = low.adjusted()
    usual = {
        step
        for base in _STEPS
        for exponent in range(power - 3, power + 2)
        if low <= (step := base.scaleb(exponent).normalize()) <= high
    }
    if len(usual) != 1:
        return None
    return usual.pop()
