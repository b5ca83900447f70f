"""Meanings that rest on one entry: they are not read until a second entry confirms them.

A single slip of the person who types (mV for V, a point in the wrong place, a forgotten minus) is never noticed if no
other entry has the same code. So a range, a unit or a sign needs two entries, and a digit of a table two places.

The second need not be of the same range. If half bytes of the code determine the function in all entries, and other
half bytes the point and the prefix, then entries of other ranges that share them predict the meaning; the single entry
agrees, so it is confirmed. A slip would disagree.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations

from meterlink.profiles.fields import compile_location
from meterlink.profiles.model import (
    Bit,
    Code,
    FieldLocation,
    Flag,
    Meaning,
    NumberField,
    NumberType,
    Profile,
    TextFormat,
)
from meterlink.profiles.tokens import NUMBER_AND_UNIT, blank_out_checksums, compile_tokenizer
from meterlink.teach import limits
from meterlink.teach.samples import Sample

_OWN_SCALE = frozenset({NumberType.FLOAT32, NumberType.FLOAT64, NumberType.SFLOAT, NumberType.FLOAT})


def confirm_meanings(profile: Profile, samples: Sequence[Sample]) -> tuple[Profile, tuple[Sample, ...]]:
    """Return ``profile`` without the meanings that rest on one of ``samples``, and these samples.

    In the profile returned, a frame or line with such a meaning is invalid.
    """
    shown = [sample for sample in samples if sample.is_number]
    search = _Words(profile.text, shown) if profile.text is not None else _Codes(profile, shown)
    return search.confirmed(profile), tuple(sample for sample in shown if id(sample) in search.alone)


class _Codes:
    """The codes and annunciators of a framed or segmented profile."""

    def __init__(self, profile: Profile, shown: Sequence[Sample]) -> None:
        key = profile.framing.key if profile.framing is not None else b""
        self._frames = [_plain(sample.frame, key) for sample in shown]
        self._shown = shown
        source = profile.value.source if profile.value is not None else None
        self._own_scale = isinstance(source, NumberField) and source.type in _OWN_SCALE
        self.alone: set[int] = set()

    def confirmed(self, profile: Profile) -> Profile:
        """Return the profile without the meanings that rest on one sample; notes these samples in ``alone``."""
        codes = tuple(self._code(code) for code in profile.codes)
        annunciators = tuple(pair for bit, meaning in profile.annunciators for pair in self._annunciator(bit, meaning))
        value = profile.value
        if value is not None and isinstance(value.source, NumberField) and value.source.characters:
            value = replace(value, source=self._digits(value.source))
        return replace(profile, codes=codes, annunciators=annunciators, value=value)

    def _digits(self, number: NumberField) -> NumberField:
        """Return the number without the digits that were shown in one place of one sample only."""
        at, size = number.location.at, number.location.size
        fields = [frame[at : at + size] for frame in self._frames]
        times = Counter(byte for field in fields for byte in field)
        once = {byte for byte, character in number.characters if character.isdecimal() and times[byte] == 1}
        self.alone |= {id(one) for field, one in zip(fields, self._shown, strict=True) if not once.isdisjoint(field)}
        return replace(number, characters=tuple(pair for pair in number.characters if pair[0] not in once))

    def _code(self, code: Code) -> Code:
        if not any(_states(meaning) for _, meaning in code.meanings):
            return code
        read = compile_location(code.location)
        is_sign = any(meaning.flag is Flag.NEGATIVE for _, meaning in code.meanings)
        # A zero may carry either sign.
        counted = [(number, sample) for number, sample in zip(map(read, self._frames), self._shown, strict=True)
                   if sample.counts or not is_sign]  # fmt: skip
        known = dict(code.meanings)
        alike = Counter(self._kind(number, known[number]) for number, _ in counted if number in known)
        doubtful = {
            number: sample
            for number, sample in counted
            if number in known and known[number].flag in (None, Flag.NEGATIVE)
            and not self._is_predicted(code, sample)
            and alike[self._kind(number, known[number])] == 1
        }  # fmt: skip
        self.alone |= {id(sample) for sample in doubtful.values()}
        return replace(
            code,
            meanings=tuple(
                (number, replace(meaning, flag=Flag.INVALID) if number in doubtful else meaning)
                for number, meaning in code.meanings
            ),
        )

    def _is_predicted(self, code: Code, sample: Sample) -> bool:
        """Return whether other entries, of other ranges, predict the meaning of the code for ``sample``."""
        if not code.location.bits or any(meaning.flag is Flag.NEGATIVE for _, meaning in code.meanings):
            return False
        halves: dict[tuple[int, bool], list[Bit]] = {}
        for bit in code.location.bits:
            halves.setdefault((bit.byte, bit.bit > 3), []).append(bit)
        fields = [compile_location(FieldLocation(bits=tuple(bits))) for bits in halves.values()]
        rows = [tuple(field(frame) for field in fields) for frame in self._frames]
        at = next(place for place, one in enumerate(self._shown) if one is sample)

        def predicted(aspect: Callable[[Sample], object]) -> bool:
            told = [aspect(one) for one in self._shown]
            return any(
                _determines([tuple(row[field] for field in chosen) for row in rows], told, at)
                for size in (1, 2)
                for chosen in combinations(range(len(fields)), size)
            )

        return predicted(lambda one: one.function) and (
            predicted(lambda one: (one.prefix or 0) - one.places)
            or (predicted(lambda one: one.places) and predicted(lambda one: one.prefix))
        )

    def _kind(self, number: int, meaning: Meaning) -> object:
        """Return the feature that two entries must share to confirm each other: the code's number.

        A number that carries its own scale, or counts one unit in all ranges, shows where the point is: then any range
        of a unit confirms another.
        """
        if self._own_scale or meaning.scale is not None:
            return meaning.unit, meaning.coupling, meaning.scale
        return number

    def _annunciator(self, bit: Bit, meaning: Meaning) -> list[tuple[Bit, Meaning]]:
        if meaning.flag is not Flag.NEGATIVE:
            return [(bit, meaning)]
        code = self._code(Code(FieldLocation(bits=(bit,)), ((0, Meaning()), (1, meaning))))
        lit, dark = code.meanings[1][1], code.meanings[0][1]
        opposite = replace(bit, inverted=not bit.inverted)
        return [(bit, lit), *([(opposite, dark)] if dark.flag is not None else [])]


class _Words:
    """The words of a lined profile."""

    def __init__(self, text: TextFormat, shown: Sequence[Sample]) -> None:
        split = compile_tokenizer(text)
        self._shown = shown
        self._words = [
            {match[2] if (match := NUMBER_AND_UNIT.fullmatch(word)) else word
             for word in split(blank_out_checksums(sample.frame, text.checksums)).words}
            for sample in shown
        ]  # fmt: skip
        self.alone: set[int] = set()

    def confirmed(self, profile: Profile) -> Profile:
        """Return the profile without the meanings that rest on one sample; notes these samples in ``alone``."""
        text = profile.text
        assert text is not None  # noqa: S101  # the profile is lined
        return replace(profile, text=replace(text, words=tuple(map(self._word, text.words))))

    def _word(self, pair: tuple[str, Meaning]) -> tuple[str, Meaning]:
        word, meaning = pair
        there = [sample for sample, words in zip(self._shown, self._words, strict=True) if word in words]
        if len(there) != 1 or not _states(meaning) or meaning.flag is not None:
            return pair
        self.alone.add(id(there[0]))
        return word, replace(meaning, flag=Flag.INVALID)


def _determines(keys: Sequence[object], told: Sequence[object], at: int) -> bool:
    """Return whether equal keys always told the same, often enough, and another entry has the key of entry ``at``."""
    known: dict[object, object] = {}
    if any(known.setdefault(key, one) != one for key, one in zip(keys, told, strict=True)):
        return False
    return keys.count(keys[at]) > 1 and len(keys) - len(known) >= limits.FEWEST_PREDICTIONS


def _states(meaning: Meaning) -> bool:
    """Return whether a meaning gives a unit, a range or a sign."""
    return meaning.flag is Flag.NEGATIVE or replace(meaning, flag=None) != Meaning()


def _plain(frame: bytes, key: bytes) -> bytes:
    return bytes(byte ^ key[at] for at, byte in enumerate(frame)) if key else frame
