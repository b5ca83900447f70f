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

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import reduce
from itertools import combinations, pairwise
from operator import or_

from meterlink.core.readings import Coupling, Status
from meterlink.core.units import BASE_UNIT
from meterlink.profiles.fields import compile_number
from meterlink.profiles.model import Bit, Code, FieldLocation, Flag, Meaning, Segments
from meterlink.teach.columns import bit_at, bits_value
from meterlink.teach.displays import lacks_constant_pool
from meterlink.teach.encodings import Encoding, SampleMatrix, agreement_code
from meterlink.teach.samples import Sample
from meterlink.teach.slow_bytes import SlowByte

_FLAGS = {"hold": Flag.HOLD, "relative": Flag.RELATIVE, "low_battery": Flag.LOW_BATTERY}
_NIBBLE = 4  # bits
_CHANCE = 0.02
_RESTLESS = 5  # bits of a byte; the others cannot hold much of a code
_IDLE = 3  # changes under the same number; swapping leads under a steady source shows other numbers in between
_MOST_CONTENTS = 2  # values that mean an overload: one of either sign
_ONE_HOT = 3  # decimal points with bits of their own; with two, a range code that counts 0, 1, 2 looks the same


@dataclass(frozen=True, slots=True)
class FrameMeaning:
    """The meaning that a frame must give its number: unit, coupling, places and scale."""

    unit: str
    coupling: Coupling | None
    places: int | None = None
    scale: Decimal | None = None

    def as_profile_meaning(self) -> Meaning:
        """Return the meaning in the profile's form."""
        return Meaning(unit=self.unit, coupling=self.coupling, places=self.places, scale=self.scale)


@dataclass(frozen=True, slots=True)
class FoundMeanings:
    """The meanings found beside the number, and the open questions.

    ``constant_bits`` never changed; those that were lit are inverted. ``unexplained_positions`` changed while the
    entries stayed the same. ``doubtful``: the bits that distinguish the ranges may do so by chance, because ranges have
    few entries and other bits change with every entry.

    ``freed_bytes`` follow time: bits of them that did not move may do so later. ``pinned_bytes`` seem to follow time,
    too, but a bit of them that did not move may be something else, and must not move.
    """

    codes: tuple[Code, ...]
    annunciators: tuple[tuple[Bit, Meaning], ...]
    overload_values: tuple[int, ...]
    constant_bits: tuple[Bit, ...]
    unexplained_positions: frozenset[int]
    suggested_readings: tuple[str, ...]
    doubtful: bool = False
    freed_bytes: tuple[int, ...] = ()
    pinned_bytes: tuple[SlowByte, ...] = ()


class UnexplainedError(Exception):
    """No bit of the frames explains a difference between entries; the text names the difference."""


class ContradictedWordError(UnexplainedError):
    """A word of the lines contradicts every entry: no other way of reading the packets would be right, either."""


def meaning_candidates(table: SampleMatrix, encoding: Encoding) -> Iterable[list[FrameMeaning | None]]:
    """Yield lists of meanings that the frames may carry: one per sample, None without a number; the fullest list first.

    A number that needs no places may come without them; a number in base units may come without the prefix shown.
    """
    full = [
        FrameMeaning(sample.displayed.unit, sample.displayed.coupling, scaling.places, scaling.scale)
        if sample.is_number
        else None
        for sample, scaling in zip(table.samples, encoding.scalings, strict=True)
    ]
    yield full
    if not (encoding.needs_no_places or encoding.finer_than_display):
        return
    yield [one and replace(one, places=None) for one in full]
    based = [one and _based(sample, one) for sample, one in zip(table.samples, full, strict=True)]
    if all(one is None or found is not None for one, found in zip(full, based, strict=True)):
        yield based


def _based(sample: Sample, said: FrameMeaning) -> FrameMeaning | None:
    if sample.prefix is None or sample.displayed.quantity is None:
        return None
    scale = (said.scale or Decimal(1)).scaleb(sample.prefix)
    return FrameMeaning(BASE_UNIT[sample.displayed.quantity], said.coupling, None, None if scale == 1 else scale)


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
    return _Search(table, encoding, meanings, exempt_positions, equivalent_frames).result()


class _Search:
    def __init__(
        self,
        table: SampleMatrix,
        encoding: Encoding,
        said: Sequence[FrameMeaning | None],
        exempt: frozenset[int],
        alike: Sequence[Sequence[bytes]],
    ) -> None:
        self.table, self.encoding, self.said = table, encoding, said
        self.rest = [
            one for one in range(table.columns.bits) if one not in exempt and one not in encoding.used_positions
        ]
        self.alike = alike
        self.numbers = [place for place, one in enumerate(said) if one is not None]
        self.rest = self._without_restless()
        self.overloads = [place for place, one in enumerate(table.samples) if one.displayed.overload]
        self.frames = [sample.frame for sample in table.samples]
        self.wanted: list[str] = []
        self.told_in_field = False
        self.doubtful = False

    def result(self) -> FoundMeanings:
        codes: list[Code] = []
        lit: list[tuple[Bit, Meaning]] = []
        signs = self._flag(lambda sample: sample.negative, "the minus", self._signed_samples())
        self._flagged(signs, Flag.NEGATIVE, codes, lit)
        taken = {position for position, _ in signs}
        for word, flag in _FLAGS.items():
            bits = self._optional_flag(word, taken)
            self._flagged(bits, flag, codes, lit)
            taken |= {position for position, _ in bits}
        self.rest = [position for position in self.rest if position not in taken]
        overload = self._overload()
        over, over_bits = self._overload_code()
        self.rest = [position for position in self.rest if position not in over_bits]
        codes += over
        tables, told, everywhere = self._tables()
        constant = [
            position
            for position in self.rest
            if position not in told and len(self._values(position, self.numbers)) == 1
        ]
        codes += [*self._agreements(), *self._extensions(), *tables]
        freed, pinned = self._follow_time(told | taken | over_bits, frozenset(constant))
        free = {position for one in freed for position in one.own_positions()}
        constant = [position for position in constant if position not in free]
        source = self.encoding.source
        guarded = [] if isinstance(source, Segments) and lacks_constant_pool(source) else constant
        codes += self._guards(guarded, everywhere)
        if everywhere != Meaning() and not guarded:
            codes.append(Code(FieldLocation(bits=(bit_at(0),)), ((0, everywhere), (1, everywhere))))
        idle = frozenset(self.rest) - told - free - set(constant)
        self._wish(signs)
        first = self.frames[self.numbers[0]]
        still = tuple(bit_at(one, inverted=bool(bits_value(first, [one]))) for one in constant)
        return FoundMeanings(
            tuple(codes), tuple(lit), overload, still, idle, tuple(self.wanted), self.doubtful,
            tuple(one.at for one in freed), tuple(pinned),
        )  # fmt: skip

    def _without_restless(self) -> list[int]:
        """Return the rest without bytes in which most bits change while the display does not: noise, unknown checksums.

        Their bits that never changed stay. So do all bits of a display, because its segments lie anywhere.
        """
        if isinstance(self.encoding.source, Segments) or not self.table.all_frames:
            return self.rest
        moving = Counter(position // 8 for position in self.rest if not self._steady(position))
        words = [int.from_bytes(frame, "little") for frame in self.table.all_frames]
        moved = reduce(or_, (word ^ words[0] for word in words))
        return [one for one in self.rest if moving[one // 8] < _RESTLESS or not moved >> one & 1]

    # Flags.

    def _signed_samples(self) -> list[int]:
        """Return the samples in which the sign counts: a zero may carry either sign."""
        if self.encoding.signed:
            return []
        return [place for place in self.numbers if self.table.samples[place].counts]

    def _flag(self, true: Callable[[Sample], bool], what: str, among: Sequence[int]) -> list[tuple[int, bool]]:
        """Return the bits ``(position, inverted)`` that equal ``true`` in the samples ``among``.

        Raises:
            UnexplainedError: ``true`` holds for every sample, or no bit equals it.
        """
        care = sum(1 << place for place in among)
        sequence = sum(1 << place for place in among if true(self.table.samples[place]))
        if sequence == 0:
            return []
        if sequence == care:
            raise UnexplainedError(f"{what} was shown all the time")
        found = [
            (position, inverted)
            for position in self.rest
            if (inverted := self.table.columns.inversion_of(position, sequence, care)) is not None
            and all(len(self._values(position, [place])) == 1 for place in among)
        ]
        if not found:
            raise UnexplainedError(f"no bit follows {what}")
        return found if len(found) == 1 else self._without_idle(found)

    def _without_idle(self, candidates: list[tuple[int, bool]]) -> list[tuple[int, bool]]:
        """Return the candidates without those that change often under the same number, if the others never do."""
        mask = sum(1 << position for position in self.encoding.used_positions)
        words = [int.from_bytes(frame, "little") for frame in self.table.all_frames]
        # A zero or an overload may be of any range, so a change under it proves nothing.
        empty = {
            int.from_bytes(frame, "little") & mask
            for frame, sample in zip(self.frames, self.table.samples, strict=True)
            if not sample.counts
        }
        changes = [
            one ^ other for one, other in pairwise(words) if not (one ^ other) & mask and one & mask not in empty
        ]
        times = {position: sum(change >> position & 1 for change in changes) for position, _ in candidates}
        calm = [pair for pair in candidates if not times[pair[0]]]
        idle = [pair for pair in candidates if times[pair[0]] >= _IDLE]
        return calm if calm and len(calm) + len(idle) == len(candidates) else candidates

    def _optional_flag(self, word: str, taken: set[int]) -> list[tuple[int, bool]]:
        try:
            found = self._flag(lambda sample: word in sample.displayed.flags, word, range(len(self.frames)))
        except UnexplainedError:
            return []  # people may leave such words out; the reading does not depend on them
        return found if taken.isdisjoint(position for position, _ in found) else []

    @staticmethod
    def _flagged(
        bits: Sequence[tuple[int, bool]], flag: Flag, codes: list[Code], lit: list[tuple[Bit, Meaning]]
    ) -> None:
        places = tuple(bit_at(position, inverted=inverted) for position, inverted in bits)
        if len(places) == 1:
            lit.append((places[0], Meaning(flag=flag)))
        elif places:
            meanings = ((0, Meaning()), ((1 << len(places)) - 1, Meaning(flag=flag)))
            codes.append(Code(FieldLocation(bits=places), meanings))

    # Overloads.

    def _overload(self) -> tuple[int, ...]:
        """Return values of the number's field that mean an overload; set whether the field shows every overload.

        Such a value is no number: it has a digit above 9, is too great for the digits shown, or is a reserved end
        value.
        """
        source = self.encoding.source
        if isinstance(source, Segments):
            self.told_in_field = True
            return ()
        take = compile_number(source)
        raws = [take(self._plain(self.frames[place])) for place in self.overloads]
        self.told_in_field = all(raw is Status.OVERLOAD for raw in raws)
        if self.told_in_field or not raws or self.encoding.key:
            return ()
        beyond = [
            raw is Status.INVALID or (isinstance(raw, int) and abs(raw) > self.encoding.largest_value) for raw in raws
        ]
        contents = {_number(source.location, self.frames[place]) for place in self.overloads}
        if not (all(beyond) or contents <= self.encoding.reserved_values) or len(contents) > _MOST_CONTENTS:
            return ()
        self.told_in_field = True
        return tuple(sorted(contents))

    def _overload_code(self) -> tuple[list[Code], set[int]]:
        """Return codes and positions of the bits that show an overload that the number's field does not.

        Each bit had one value in every overload and the other value in every number.
        """
        if self.told_in_field or not self.overloads:
            return [], set()
        bits = []
        for position in self.rest:
            under, over = self._values(position, self.numbers), self._values(position, self.overloads)
            if len(under) == len(over) == 1 and under != over:
                bits.append(position)
        if not bits:
            return [], set()
        normal, beyond = (bits_value(self.frames[places[0]], bits) for places in (self.numbers, self.overloads))
        return [_code(bits, {normal: Meaning(), beyond: Meaning(flag=Flag.OVERLOAD)})], set(bits)

    def _agreements(self) -> list[Code]:
        agreements = []
        for code in self.encoding.guard_codes:
            known = dict(code.meanings)
            over = {_number(code.location, self.frames[place]) for place in self.overloads} - known.keys()
            known |= dict.fromkeys(over, Meaning(flag=Flag.NO_NUMBER))
            agreements.append(replace(code, meanings=tuple(sorted(known.items(), key=lambda pair: pair[0]))))
        return agreements

    def _extensions(self) -> list[Code]:
        """Return codes that keep whole bytes equal to the sign if all their bits always were.

        They are the upper end of a number wider than the field found. Where they differ from the sign, the field is not
        the number.
        """
        sign, care = self.encoding.sign_position, self.table.number_mask
        if sign is None or self.table.columns.is_constant(sign, care):
            return []
        found = [(sign, False)]
        for first in range(0, self.table.columns.bits, 8):
            byte = range(first, first + 8)
            turned = [self.table.columns.inversion_of(one, self.table.columns[sign], care) for one in byte]
            if set(byte) <= set(self.rest) and None not in turned:
                found += zip(byte, map(bool, turned), strict=True)
        return [agreement_code(found)] if len(found) > 1 else []

    def _plain(self, frame: bytes) -> bytes:
        return bytes(byte ^ self.encoding.key.get(at, 0) for at, byte in enumerate(frame))

    # States.

    def _values(self, position: int, places: Iterable[int]) -> set[int]:
        byte, bit = position >> 3, position & 7
        return {frame[byte] >> bit & 1 for place in places for frame in self.alike[place]}

    def _following(self, groups: Sequence[Sequence[int]], among: Iterable[int] | None = None) -> list[int]:
        """Return the bits that are constant within each group of samples, but not over all of them."""
        found = []
        for position in self.rest if among is None else among:
            within = [self._values(position, group) for group in groups]
            if all(len(values) == 1 for values in within) and len(set().union(*within)) > 1:
                found.append(position)
        return found

    def _tables(self) -> tuple[list[Code], set[int], Meaning]:
        """Return the codes of unit and point, their bits, and a meaning that is in no bit because it never changed.

        Points with bits of their own have a code of their own.

        Raises:
            UnexplainedError: two meanings have no bit that differs.
        """
        apart = self._points_apart()
        if apart is not None:
            return apart
        bits = self._state_bits(self._ranges())
        said = {one for one in self.said if one is not None}
        if not bits and len(said) == 1:
            return [], set(), said.pop().as_profile_meaning()
        try:
            return [self._table(bits, lambda said: said)], set(bits), Meaning()
        except UnexplainedError:
            bits = self._nibbles()
            if not bits:
                raise
            return [self._table(bits, lambda said: said)], set(bits), Meaning()

    def _ranges(self) -> list[list[int]]:
        """Return the samples of each range, as far as entries show it: the same meaning and the same places."""
        groups: dict[tuple[FrameMeaning | None, int], list[int]] = {}
        for place in self.numbers:
            groups.setdefault((self.said[place], self.table.samples[place].places), []).append(place)
        return list(groups.values())

    def _nibbles(self) -> list[int]:
        """Return the bits of the one or two half bytes that tell the states, though several values mean the same."""
        halves: dict[int, list[int]] = {}
        for position in self.rest:
            if self._steady(position):
                halves.setdefault(position // _NIBBLE, []).append(position)
        moving = [bits for bits in halves.values() if any(len(self._values(one, self.numbers)) > 1 for one in bits)]
        found: list[tuple[int, list[int]]] = []
        for size in (1, 2):
            for chosen in combinations(moving, size):
                bits = sorted((one for half in chosen for one in half), reverse=True)
                known: dict[int, FrameMeaning | None] = {}
                pairs = [(bits_value(self.frames[place], bits), self.said[place]) for place in self.numbers]
                if all(known.setdefault(key, said) == said for key, said in pairs) and 2 * len(known) <= len(pairs):
                    found.append((len(known), bits))
        return min(found)[1] if found else []

    def _groups(self, by: Callable[[FrameMeaning], FrameMeaning]) -> list[list[int]]:
        groups: dict[FrameMeaning, list[int]] = {}
        for place in self.numbers:
            one = self.said[place]
            assert one is not None  # noqa: S101  # numbers are the samples with a meaning
            groups.setdefault(by(one), []).append(place)
        return list(groups.values())

    def _state_bits(self, groups: Sequence[Sequence[int]]) -> list[int]:
        bits = set(self._following(groups))
        steady = {position for position in self.rest if self._steady(position)}
        restless = sum(len(self._values(one, self.numbers)) > 1 for one in steady - bits)
        # By chance, each of these bits follows the groups with a probability of 1/2 for every entry beyond their first.
        self.doubtful = restless * 2.0 ** (len(groups) - len(self.numbers)) > _CHANCE
        # A code of several bits may have several values for one state; its other bits are next to those found.
        if not isinstance(self.encoding.source, Segments):
            beside = {position // _NIBBLE for position in bits}
            bits |= {
                one for one in steady
                if one // _NIBBLE in beside and len(self._values(one, self.numbers)) > 1
            }  # fmt: skip
        return sorted(bits, reverse=True)

    def _steady(self, position: int) -> bool:
        return all(len(self._values(position, [place])) == 1 for place in self.numbers)

    def _points_apart(self) -> tuple[list[Code], set[int], Meaning] | None:
        places = {one.places for one in self.said if one is not None}
        if len(places) < 2 or None in places:
            return None
        by_place = self._groups(lambda said: FrameMeaning("", None, said.places))
        segmented = isinstance(self.encoding.source, Segments)
        points = self._following(by_place)
        if not segmented and not self._one_hot(points, by_place):
            return None
        if segmented and not self._told_apart(points, by_place):
            points = self._following(by_place, [*self.rest, *self._shared()])
        by_unit = self._groups(lambda said: replace(said, places=None))
        units = self._following(by_unit)
        try:
            codes = [self._table(sorted(points, reverse=True), lambda said: FrameMeaning("", None, said.places))]
            if len(by_unit) == 1:
                only = next(one for one in self.said if one is not None)
                return codes, set(points), replace(only, places=None).as_profile_meaning()
            codes.append(self._table(sorted(units, reverse=True), lambda said: replace(said, places=None)))
        except UnexplainedError:
            return None
        return codes, {*points, *units}, Meaning()

    def _told_apart(self, bits: Sequence[int], groups: Sequence[Sequence[int]]) -> bool:
        return len({bits_value(self.frames[group[0]], bits) for group in groups}) == len(groups)

    def _shared(self) -> list[int]:
        """Return the bits of segments that have always changed together.

        A point that always changed with them is one of these bits. They must agree in every frame that is read, so any
        of them shows the point.
        """
        codes = self.encoding.guard_codes
        return sorted({8 * bit.byte + bit.bit for code in codes for bit in code.location.bits})

    def _one_hot(self, points: Sequence[int], groups: Sequence[Sequence[int]]) -> bool:
        """Return whether each group has one bit of the points to itself, lit or dark."""
        known = [bits_value(self.frames[group[0]], points) for group in groups]
        apart = all((one ^ other).bit_count() == 2 for one, other in combinations(known, 2))
        return apart and len(points) == len(groups) >= _ONE_HOT

    def _table(self, bits: Sequence[int], by: Callable[[FrameMeaning], FrameMeaning]) -> Code:
        """Return the code of ``bits``; ``by`` selects the part of each meaning that it gives.

        Raises:
            UnexplainedError: one value of the bits has two meanings, or there are no bits.
        """
        known: dict[int, FrameMeaning] = {}
        for place in self.numbers:
            one = self.said[place]
            assert one is not None  # noqa: S101  # as above
            for frame in self.alike[place]:
                told = known.setdefault(bits_value(frame, bits), by(one))
                if told != by(one):
                    raise UnexplainedError(f"no bit tells {_difference(told, by(one))} apart")
        if not bits and len(known) == 1:
            raise UnexplainedError("nothing tells one state from another")
        meanings = {key: said.as_profile_meaning() for key, said in known.items()}
        # In a state in which only an overload was shown, it is unknown how to read a number.
        for place in self.overloads:
            meanings.setdefault(bits_value(self.frames[place], bits), self._overloaded(place, by))
        return _code(bits, meanings)

    def _overloaded(self, place: int, by: Callable[[FrameMeaning], FrameMeaning]) -> Meaning:
        shows = self.table.samples[place].displayed
        return replace(by(FrameMeaning(shows.unit, shows.coupling)).as_profile_meaning(), flag=Flag.NO_NUMBER)

    # Bits that must stay constant.

    def _follow_time(self, claimed: set[int], constant: frozenset[int]) -> tuple[list[SlowByte], list[SlowByte]]:
        """Return the slow bytes that may take any value, and those that may not, because a still bit may be a state.

        ``claimed`` are the positions of states, signs and flags: a byte whose moving bits are among them follows the
        display. A still bit is free if the number beside it carried into its byte; or if the number is a level that
        moved in both halves of the byte, or that shares a capture with everything else a display can say.
        """
        freed, pinned = [], []
        claimed |= self.encoding.used_positions
        by_place = {one.at: one for one in self.table.slow_bytes}
        for one in self.table.slow_bytes:
            moving = one if one.beside is None else by_place[one.beside]
            follows_display = not moving.moved_positions().isdisjoint(claimed)
            if one.ended or follows_display or one.own_positions().isdisjoint(constant):
                continue
            level = one.certain and one.seconds_left is None
            if one.carried or (level and (one.spans_both_halves or self._everything_shown())):
                freed.append(one)
            else:
                pinned.append(one)
        return freed, pinned

    def _everything_shown(self) -> bool:
        """Return whether the entries show two functions, two ranges of one, an overload, and a minus if one can be.

        Then bits elsewhere hold them, and a bit that never changed is none of them.
        """
        functions = {self.table.samples[place].function for place in self.numbers}
        ranges = {(one.unit, one.coupling): set[int]() for one in self.said if one is not None}
        for place in self.numbers:
            one = self.said[place]
            assert one is not None  # noqa: S101  # as above
            ranges[one.unit, one.coupling].add(self.table.samples[place].places)
        signs = any(self.table.samples[place].negative for place in self.numbers)
        return (
            len(functions) > 1
            and any(len(places) > 1 for places in ranges.values())
            and bool(self.overloads)
            and (signs or not any(function.signed for function in functions))
        )

    def _guards(self, constant: Sequence[int], meaning: Meaning) -> list[Code]:
        """Return codes that refuse a frame in which a constant bit differs; the first of them carries ``meaning``."""
        frame = self.frames[self.numbers[0]]
        by_byte: dict[int, list[int]] = {}
        for position in constant:
            by_byte.setdefault(position // 8, []).append(position)
        codes = []
        for byte, positions in sorted(by_byte.items()):
            place = (
                FieldLocation(at=byte)
                if len(positions) == 8
                else FieldLocation(bits=tuple(map(bit_at, reversed(positions))))
            )
            said = {_number(place, frame): meaning}
            for over in self.overloads:
                said.setdefault(_number(place, self.frames[over]), replace(meaning, flag=Flag.NO_NUMBER))
            codes.append(Code(place, tuple(sorted(said.items(), key=lambda pair: pair[0]))))
            meaning = Meaning()
        return codes

    def _wish(self, signs: Sequence[tuple[int, bool]]) -> None:
        said = {one for one in self.said if one is not None}
        if not any(sample.negative for sample in self.table.samples):
            if any(sample.function.signed for sample in self.table.samples):
                self.wanted.append("a negative reading")
        elif len(signs) > 1:
            self.wanted.append("another negative reading and another positive one")
        if not self.overloads:
            self.wanted.append("an overload")
        for unit in sorted({one.unit for one in said}):
            if len({one.places for one in said if one.unit == unit}) == 1:
                self.wanted.append(f"another range of {unit}, so that the point moves")


def _difference(one: FrameMeaning, other: FrameMeaning) -> str:
    if one.unit != other.unit:
        return f"{one.unit} and {other.unit}"
    if one.coupling != other.coupling:
        return f"{one.unit} {one.coupling or ''} and {other.unit} {other.coupling or ''}"
    return f"{one.places} and {other.places} digits behind the point in {one.unit or 'a reading'}"


def _code(bits: Sequence[int], meanings: dict[int, Meaning]) -> Code:
    return Code(FieldLocation(bits=tuple(map(bit_at, bits))), tuple(sorted(meanings.items(), key=lambda pair: pair[0])))


def _number(place: FieldLocation, frame: bytes) -> int:
    if not place.bits:
        return int.from_bytes(frame[place.at : place.at + place.size], place.order)
    number = 0
    for bit in place.bits:
        number = number << 1 | _lit(bit, frame)
    return number


def _lit(bit: Bit, frame: bytes) -> int:
    return (frame[bit.byte] >> bit.bit & 1) ^ bit.inverted
