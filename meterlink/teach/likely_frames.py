"""The frame that a person probably read, where the display moved, and how well each entry agrees with the others.

A guess, from which a search begins; a profile proves it. The number shown is written as bits in some
usual ways: whole number, decimal digits, segments, binary float. For each such bit, one bit of the frame follows it
best over all entries, even if some of them are slips or one count off; no bit of the frame follows two. The frame of a
look that agrees with most of these bits is the likely one; and again, with these frames.
"""

import re
import struct
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from meterlink.teach import digit_codes, dropped_digits, finer_floats, fixed_point, limits
from meterlink.teach.displays import PLAIN_SHAPES
from meterlink.teach.samples import Sample

_NO_DIGIT = re.compile(rb"[^0-9]")
_NUMBER = re.compile(rb"[+-]?[0-9]{1,9}(?:\.[0-9]{1,9})?(?:[eE][+-]?[0-9]{1,2})?")

_Bits = dict[tuple[int, int], bool]
"""Bits of the number shown by ``(place, bit)``."""

_Followers = dict[tuple[int, int], tuple[int, bool, float]]
"""The frame's bit that follows each bit of the number: position, inversion and weight, 1 where it misses no entry."""


@dataclass(frozen=True, slots=True)
class Look:
    """An entry's sample, and the frames that its person may have looked at, in order of time; the last at the key.

    One of those from ``first`` on was read; the others only show whether the display moved.
    """

    sample: Sample
    times: tuple[float, ...]
    frames: tuple[bytes, ...]
    first: int = 0


@dataclass(frozen=True, slots=True)
class Guess:
    """A guess: the ``likely`` frame of each look, and the looks ``ranked``, those that agree best first; by indexes.

    ``quality`` is 1 where bits of the frame follow all bits of the number; below `limits.LEAST_QUALITY` the frames
    hardly contain the number. ``exact``: it is the share of looks with a frame that contains the number as it is.
    Looks at an overload or a blank are not ranked.
    """

    quality: float
    likely: list[int]
    ranked: list[int]
    exact: bool = False

    @property
    def rank(self) -> tuple[bool, float]:
        """The greater, the better: the last bits of a number that flickers follow nothing, but the number is there."""
        return self.exact and self.quality >= limits.LEAST_QUALITY, self.quality


def likely_frames(looks: Sequence[Look], exempt: frozenset[int], common: int = 0) -> list[Guess]:
    """Return guesses, the best one first. ``exempt`` are the positions of counters and check bytes.

    ``common`` is the length of the part that all frames have; 0 for lines of text, which have none.
    """
    frames = _Frames(looks, exempt, common)
    writes = (_whole_bits, _signed_bits, _digit_bits, _segment_bits, _float_bits, _unit_bits(looks))
    guesses = [frames.follow(write, alone=alone) for write in writes for alone in (False, True)]
    guesses += [frames.find_text(), *frames.find_numbers()]
    return sorted(guesses, key=lambda guess: guess.rank, reverse=True)[: limits.MOST_GUESSES]


class _Frames:
    def __init__(self, looks: Sequence[Look], exempt: frozenset[int], common: int) -> None:
        self.looks, self.exempt = looks, exempt
        self.frames = [[frame[:common] if common else frame for frame in look.frames] for look in looks]
        size = Counter(len(frames[-1]) for frames in self.frames).most_common(1)[0][0]
        self.words = [
            [int.from_bytes(frame, "little") if len(frame) == size else None for frame in frames]
            for frames in self.frames
        ]
        lively = _lively_positions(self.words, size)
        self.positions = [position for position in range(8 * size) if position not in exempt | lively]
        self.mask = sum(1 << position for position in self.positions)
        self.shares = [self._shown_shares(index) for index in range(len(looks))]

    def follow(self, write: Callable[[Sample], _Bits], *, alone: bool) -> Guess:
        """Return the guess for one way of writing; ``alone``: no bit of the frame follows two of the number."""
        bits = [write(look.sample) if look.sample.is_number else {} for look in self.looks]
        likely = [max(shares, key=lambda at: (shares[at], at)) for shares in self.shares]
        trust = [shares[at] for shares, at in zip(self.shares, likely, strict=True)]
        quality = 0.0
        for _ in range(limits.MOST_ROUNDS):
            found, quality = self._followers(bits, likely, alone=alone)
            best = [self._best(index, bits[index], found) for index in range(len(self.looks))]
            before, likely, trust = likely, [at for at, _ in best], [share for _, share in best]
            if likely == before:
                break
        return Guess(quality, likely, self._ranked(trust))

    def find_text(self) -> Guess:
        """Return the guess for frames that contain the digits as text."""
        likely, trust = [], []
        for shares, look in zip(self.shares, self.looks, strict=True):
            digits = look.sample.digit_text.lstrip("0").encode()
            fits = [at for at in shares if digits and digits in _NO_DIGIT.sub(b"", look.frames[at])]
            fits = fits or [at for at in shares if digits and _has_number(look.frames[at], look.sample)]
            likely.append(max(fits or shares, key=lambda at: (shares[at], at)))
            trust.append(float(bool(fits)) + limits.WEIGHT_OF_TIME * shares[likely[-1]])
        return self._found_exactly(likely, trust)

    def find_numbers(self) -> list[Guess]:
        """Return the guesses for numbers in whole bytes; none for frames of several lengths.

        They are finer than the display, or flicker, or have digits by a table of the meter's own. No bit of such a
        number follows one of the number shown, but its digits do, or its value.
        """
        if any(word is None for words in self.words for word in words):
            return []
        samples, frames = [look.sample for look in self.looks], self.frames
        found = (
            dropped_digits.fitting_frames(samples, frames),
            fixed_point.fitting_frames(samples, frames, self.exempt),
            finer_floats.fitting_frames(samples, frames),
            self._coded_digits(samples),
        )
        return [self._of_fitting(fits) for fits in found]

    def _coded_digits(self, samples: Sequence[Sample]) -> list[set[int]]:
        """Return the indexes of the frames of each look that write its digits by one table."""
        shown = [
            {some[at]: share for at, share in shares.items()}
            for some, shares in zip(self.frames, self.shares, strict=True)
        ]
        fits = digit_codes.fitting_frames(samples, shown)
        return [
            {at for at in shares if some[at] in fitting}
            for some, shares, fitting in zip(self.frames, self.shares, fits, strict=True)
        ]

    def _of_fitting(self, fits: Sequence[set[int]]) -> Guess:
        """Return the guess for the frames ``fits`` of each look, which contain its number as it is."""
        likely, trust = [], []
        for shares, all_fitting in zip(self.shares, fits, strict=True):
            fitting = all_fitting & shares.keys()
            likely.append(max(fitting or shares, key=lambda at: (shares[at], at)))
            trust.append(float(bool(fitting)) + limits.WEIGHT_OF_TIME * shares[likely[-1]])
        return self._found_exactly(likely, trust)

    def _found_exactly(self, likely: list[int], trust: Sequence[float]) -> Guess:
        """Return the guess for frames of which those with a trust of 1 and more contain the number as it is."""
        numbers = sum(look.sample.is_number for look in self.looks)
        found = sum(share >= 1 for share in trust)
        return Guess(found / max(numbers, 1), likely, self._ranked(trust), exact=True)

    def _ranked(self, trust: Sequence[float]) -> list[int]:
        displayed = [look.sample.displayed for look in self.looks]
        coupled = {one.quantity for one in displayed if one.coupling is not None}
        # AC or DC forgotten: all digits agree, and yet it is a slip.
        forgotten = [one.coupling is None and one.quantity in coupled for one in displayed]
        numbers = [index for index, look in enumerate(self.looks) if look.sample.is_number]
        return sorted(numbers, key=lambda index: (forgotten[index], -trust[index], index))

    def _shown_shares(self, index: int) -> dict[int, float]:
        """Return for each frame that may have been read how much of the time of reading the display showed the same."""
        look, words = self.looks[index], self.words[index]
        key = look.times[-1] if look.sample.entry.first_key is None else look.sample.entry.first_key
        least, most = limits.READ_BEFORE_KEY
        readable = [at for at in range(look.first, len(words)) if words[at] is not None]
        readable = readable or list(range(look.first, len(words)))  # lines of text are not equally long
        read = [at for at in readable if key - most <= look.times[at] <= key - least] or readable
        shown = Counter(self._shown(index, at) for at in read)
        return {at: shown[self._shown(index, at)] / len(read) for at in readable}

    def _shown(self, index: int, at: int) -> int | bytes:
        """Return the content of a frame without counters, check bytes and noise."""
        word = self.words[index][at]
        return self.frames[index][at] if word is None else word & self.mask

    def _followers(self, bits: Sequence[_Bits], likely: Sequence[int], *, alone: bool) -> "tuple[_Followers, float]":
        """Return ``(the frame's bits that follow best, the share of the bits that something follows)``."""
        words = [self.words[index][at] or 0 for index, at in enumerate(likely)]
        columns = {
            position: sum(1 << index for index, word in enumerate(words) if word >> position & 1)
            for position in self.positions
        }
        pairs: list[tuple[float, tuple[int, int], int, bool]] = []
        wanted = set()
        for name in sorted({name for one in bits for name in one}):
            care = sum(1 << index for index, one in enumerate(bits) if name in one)
            lit = sum(1 << index for index, one in enumerate(bits) if one.get(name))
            number = care.bit_count()
            if min(lit.bit_count(), number - lit.bit_count()) < limits.FEWEST_ALIKE:
                continue
            wanted.add(name)
            for position, column in columns.items():
                misses = ((column ^ lit) & care).bit_count()
                share = min(misses, number - misses) / number
                if share <= limits.MOST_MISSES:
                    pairs.append((share, name, position, 2 * misses > number))
        found: _Followers = {}
        used = set()
        for share, name, position, inverted in sorted(pairs):
            if name not in found and not (alone and position in used):
                found[name] = position, inverted, 1 - 2 * share
                used.add(position)
        return found, sum(weight for _, _, weight in found.values()) / len(wanted) if wanted else 0.0

    def _best(self, index: int, bits: _Bits, found: "_Followers") -> tuple[int, float]:
        """Return ``(the frame that agrees best with the bits and was shown most, how well it agrees)``."""
        known = [(found[name], lit) for name, lit in bits.items() if name in found]
        total = sum(weight for (_, _, weight), _ in known)
        scores = []
        for at, share in self.shares[index].items():
            word = self.words[index][at] or 0
            agreed = sum(
                weight for (position, inverted, weight), lit in known if (word >> position & 1 ^ inverted) == lit
            )
            scores.append(((agreed / total if total else 0.0) + limits.WEIGHT_OF_TIME * share, at))
        score, at = max(scores)
        return at, score


def _has_number(line: bytes, sample: Sample) -> bool:
    """Return whether a number of a line, in the unit shown or in base units, rounds to the one shown."""
    shown, half = float(sample.displayed.digits or 0), 0.5 * 10.0**-sample.places
    numbers = [float(text) for text in _NUMBER.findall(line)]
    return any(abs(number / 10.0**power - shown) <= half for number in numbers for power in (0, sample.prefix or 0))


def _lively_positions(windows: Sequence[Sequence[int | None]], size: int) -> set[int]:
    changes = [
        one ^ other for words in windows for one, other in pairwise(words) if one is not None and other is not None
    ]
    return {
        position
        for position in range(8 * size)
        if sum(change >> position & 1 for change in changes) > limits.MOST_LIVELY * len(changes)
    }


# The usual ways of writing a number.


def _whole_bits(sample: Sample) -> _Bits:
    return {(0, bit): bool(sample.counts >> bit & 1) for bit in range(limits.WIDEST_FIELD)}


def _signed_bits(sample: Sample) -> _Bits:
    counts = -sample.counts if sample.negative else sample.counts
    return {(0, bit): bool(counts >> bit & 1) for bit in range(limits.WIDEST_FIELD)}


def _digit_bits(sample: Sample) -> _Bits:
    return {(place, bit): bool(int(digit) >> bit & 1) for place, digit in _places(sample) for bit in range(4)}


def _segment_bits(sample: Sample) -> _Bits:
    return {(place, bit): bool(PLAIN_SHAPES[digit] >> bit & 1) for place, digit in _places(sample) for bit in range(7)}


def _float_bits(sample: Sample) -> _Bits:
    """Write the value in base units as IEEE 754 binary32."""
    (word,) = struct.unpack(">I", struct.pack(">f", float(_base_value(sample))))
    return {(0, bit): bool(word >> bit & 1) for bit in range(32)}


def _unit_bits(looks: Sequence[Look]) -> Callable[[Sample], _Bits]:
    """Return a function that writes the value as a whole number of the finest step that any entry shows."""
    steps = [(look.sample.prefix or 0) - look.sample.places for look in looks if look.sample.is_number]
    finest = min(steps, default=0)

    def write(sample: Sample) -> _Bits:
        number = int(_base_value(sample).scaleb(-finest))
        return {(0, bit): bool(number >> bit & 1) for bit in range(32)}

    return write


def _base_value(sample: Sample) -> Decimal:
    return (sample.displayed.digits or Decimal(0)).scaleb(sample.prefix or 0)


def _places(sample: Sample) -> Iterator[tuple[int, str]]:
    """Yield ``(place from the right, digit)``, without the zeros at the left, which a display may leave dark."""
    yield from enumerate(reversed(sample.digit_text.lstrip("0")))
