"""The frames that a person probably read, of a meter that sends binary floats with more digits than its display.

Where the display moves, no bit of such a number follows one of the number shown. But times a power of ten for each
unit, it rounds to it. A guess, from which a search begins.
"""

import math
import struct
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import product

from meterlink.teach import limits
from meterlink.teach.samples import Sample

_FLOATS = ((4, "f"), (8, "d"))  # bytes of IEEE 754, and the letter that `struct` has for them
_SLACK = 1e-6  # of the last digit: decimals are compared as binary floats

_Numbers = list[list[float | None]]
"""For each sample the numbers in its frames; None where one is none."""


def fitting_frames(samples: Sequence[Sample], frames: Sequence[Sequence[bytes]]) -> list[set[int]]:
    """Return for each sample the indexes of its ``frames`` whose float rounds to the number shown.

    All frames are equally long. The float is the one that rounds to the numbers shown of the most samples; the sets
    are empty if none does for two in three.
    """
    shown = [index for index, sample in enumerate(samples) if sample.counts]
    some = [samples[index] for index in shown]
    most_misses = len(shown) // limits.MANY_SLIPS
    best: list[set[int]] = []
    for numbers in _floats([frames[index] for index in shown]):
        powers = _powers(some, numbers, most_misses)
        if powers is not None:
            best = max(best, _fitting(some, numbers, powers, most_misses), key=lambda one: sum(map(bool, one)))
    found: list[set[int]] = [set() for _ in samples]
    for index, fitting in zip(shown, best, strict=False):
        found[index] = fitting
    return found


def _floats(frames: Sequence[Sequence[bytes]]) -> Iterator[_Numbers]:
    """Yield the floats at each place, in each size and order of bytes."""
    length = len(frames[0][0]) if frames else 0
    for (size, letter), order in product(_FLOATS, "<>"):
        unpack = struct.Struct(order + letter).unpack_from
        for at in range(length - size + 1):
            yield [[_plausible(unpack(frame, at)[0]) for frame in some] for some in frames]


def _plausible(number: float) -> float | None:
    within = 10.0**-limits.FARTHEST_POWERS < abs(number) < 10.0 ** (2 * limits.FARTHEST_POWERS)
    return number if within or number == 0 else None


def _powers(samples: Sequence[Sample], numbers: _Numbers, most_misses: int) -> dict[object, float] | None:
    """Return the power of ten of each unit; None if more last frames than ``most_misses`` have none."""
    votes: dict[object, Counter[float]] = {}
    for sample, some in zip(samples, numbers, strict=True):
        number = some[-1]
        power = math.log10(abs(_value(sample) / number)) if number else 0.5
        if abs(power - round(power)) > math.log10(1 + limits.LARGEST_STEP_OF_A_FLOAT):
            most_misses -= 1
            if most_misses < 0:
                return None
        else:
            votes.setdefault(_unit(sample), Counter())[10.0 ** round(power)] += 1
    return {one: counted.most_common(1)[0][0] for one, counted in votes.items()}


def _fitting(
    samples: Sequence[Sample], numbers: _Numbers, powers: dict[object, float], most_misses: int
) -> list[set[int]]:
    """Return the indexes of the numbers that round to the number of each sample; none after ``most_misses`` misses."""
    found = []
    for sample, some in zip(samples, numbers, strict=True):
        power, value, half = powers.get(_unit(sample), 0.0), _value(sample), 0.5 * 10.0**-sample.places
        signed = any(number is not None and number < 0 for number in some)
        wanted = value if signed else abs(value)
        least = half * (1 + _SLACK)
        found.append({at for at, one in enumerate(some) if one is not None and abs(one * power - wanted) <= least})
        most_misses -= not found[-1]
        if most_misses < 0:
            return []
    return found


def _unit(sample: Sample) -> object:
    return sample.displayed.unit, sample.displayed.coupling


def _value(sample: Sample) -> float:
    return float(sample.displayed.digits or 0)
