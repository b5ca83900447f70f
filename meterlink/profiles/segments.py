"""Seven-segment digits: which shape of lit segments is which character.

A shape has bit 0 for segment a (top), then b, c, d, e, f clockwise and around, bit 6 for g (middle).
"""

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from itertools import product
from math import prod

from meterlink.core.readings import Status
from meterlink.profiles.model import Bit, CandidateSegment, Segment, Segments, UnknownSegment
from meterlink.profiles.number_text import integer_or_negative_zero

DARK, MINUS, UNKNOWN = " ", "-", "\0"

_CACHE_SIZE = 4096  # displays of a meter with pools
_MOST_COMBINATIONS = 4096  # shapes of the digits that leave more doubt than this are no number

SEGMENT_SHAPES: dict[int, str] = {
    # Digits as every seven-segment decoder draws them; 6, 7 and 9 also without tail or with a hook (common practice).
    **dict(zip((0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F), "0123456789", strict=True)),
    0x7C: "6",
    0x27: "7",
    0x67: "9",
    0x00: DARK,
    0x40: MINUS,
    # Letters that displays spell words with; none of them makes a number. 0x3F and 0x6D are also O and S.
    **dict(zip((0x77, 0x39, 0x5E, 0x79, 0x71, 0x76, 0x38, 0x54, 0x5C, 0x73, 0x50, 0x78, 0x3E, 0x6E), "ACdEFHLnoPrtUy",
               strict=True)),
}  # fmt: skip

# Written on a display above its range (O and 0 are one shape), as far as letters go.
_OVERLOADS = frozenset({"0L", "oL", "-0L", "-oL"})

DisplayDecoder = Callable[[bytes], "int | Decimal | Status"]
"""The number on a display, out of a frame that is long enough."""


def compile_segments(segments: Segments) -> DisplayDecoder:
    """Return what reads the digits of a display: their number without its point, or why there is none.

    Blanks before a number are passed over, a minus before it counts; a shape that is not known, or a blank or a letter
    elsewhere, makes it invalid, so that half a display never passes for a number.
    """
    shapes = SEGMENT_SHAPES | dict(segments.glyphs)
    if segments.pools:
        return _PoolDecoder(segments, shapes).read
    digits = tuple(_DigitCharacters.for_digit(digit, shapes) for digit in segments.digits)

    def read(frame: bytes) -> int | Decimal | Status:
        word = int.from_bytes(frame, "little")
        text = ""
        for glyphs in digits:
            text += glyphs[word & glyphs.mask]
        return int(text) if text.isdecimal() else _parse_display_text(text)

    return read


def _parse_display_text(text: str) -> int | Decimal | Status:
    shown = text.strip(DARK)
    bare = shown.removeprefix(MINUS).lstrip(DARK)
    if bare.isdecimal() and text.endswith(bare):
        return int(bare) if bare == shown else integer_or_negative_zero(-int(bare), negative=True)
    return Status.OVERLOAD if shown in _OVERLOADS else Status.INVALID


class _DigitCharacters(dict[int, str]):
    """The characters of one digit, by the bits of the frame that are its segments; filled as they are met."""

    def __init__(self, bits: Sequence[tuple[int, Bit]], characters: Mapping[int, str]) -> None:
        super().__init__()
        self.mask = 0
        for _, bit in bits:
            self.mask |= 1 << 8 * bit.byte + bit.bit
        self._bits = bits
        self._characters = characters

    @classmethod
    def for_digit(cls, digit: Sequence[Segment], shapes: Mapping[int, str]) -> "_DigitCharacters":
        """Return the characters of a digit; a shape with unknown segments is one only where the others decide."""
        known = [(number, one) for number, one in enumerate(digit) if isinstance(one, Bit)]
        seen = sum(1 << number for number, one in enumerate(digit) if one is not UnknownSegment.UNKNOWN)
        candidates: dict[int, set[str]] = {}
        for shape, character in shapes.items():
            candidates.setdefault(shape & seen, set()).add(character)
        return cls(known, {shape: one.pop() for shape, one in candidates.items() if len(one) == 1})

    def __missing__(self, key: int) -> str:
        shape = 0
        for number, bit in self._bits:
            if (key >> 8 * bit.byte + bit.bit & 1) != bit.inverted:
                shape |= 1 << number
        self[key] = character = self._characters.get(shape, UNKNOWN)
        return character


class _PoolDecoder:
    """Reads digits of which some segments are known to have one of several bits."""

    def __init__(self, segments: Segments, shapes: Mapping[int, str]) -> None:
        self._shapes = tuple(shapes.items())
        self._digits = segments.digits
        self._pools = segments.pools
        every = [one for digit in segments.digits for one in digit if isinstance(one, CandidateSegment)]
        self._pool_is_exact = [
            len(pool) == sum(one.pool == number for one in every) for number, pool in enumerate(self._pools)
        ]
        self._mask = 0
        for bit in (one for ones in (*self._digits, *self._pools) for one in ones if isinstance(one, Bit)):
            self._mask |= 1 << 8 * bit.byte + bit.bit
        self._cache: dict[int, int | Decimal | Status] = {}

    def read(self, frame: bytes) -> int | Decimal | Status:
        """Return the number that the segments leave no doubt of, INVALID where they do."""
        word = int.from_bytes(frame, "little") & self._mask
        found = self._cache.get(word)
        if found is None:
            if len(self._cache) >= _CACHE_SIZE:
                self._cache.clear()
            found = self._cache[word] = self._read(word)
        return found

    def _read(self, word: int) -> int | Decimal | Status:
        lit = [sum(_lit(word, bit) for bit in pool) for pool in self._pools]
        candidates = [self._candidates(digit, word, lit) for digit in self._digits]
        if not 0 < prod(map(len, candidates)) <= _MOST_COMBINATIONS:
            return Status.INVALID
        texts: dict[str, bool] = {}
        for combination in product(*candidates):
            asked = self._required_bit_counts([shape for shape, _ in combination])
            agrees = [count == there for count, there in zip(asked, lit, strict=True)]
            if all(one or not exact for one, exact in zip(agrees, self._pool_is_exact, strict=True)):
                text = "".join(character for _, character in combination)
                texts[text] = texts.get(text, False) or all(agrees)
        if len(texts) != 1:
            return Status.INVALID
        ((text, confirmed),) = texts.items()
        number = _parse_display_text(text)
        return number if confirmed or number is Status.OVERLOAD else Status.INVALID

    def _candidates(self, digit: Sequence[Segment], word: int, lit: Sequence[int]) -> list[tuple[int, str]]:
        seen = shape = 0
        for number, one in enumerate(digit):
            state = self._state(one, word, lit)
            if state is not None:
                seen |= 1 << number
                shape |= state << number
        return [(one, character) for one, character in self._shapes if one & seen == shape]

    def _state(self, segment: Segment, word: int, lit: Sequence[int]) -> bool | None:
        """Return whether a segment is lit, None where nothing says so for itself."""
        match segment:
            case Bit():
                return _lit(word, segment)
            case CandidateSegment(pool=pool, inverted=inverted) if lit[pool] == 0:
                return inverted
            case CandidateSegment(pool=pool, inverted=inverted) if self._pool_is_exact[pool] and lit[pool] == len(
                self._pools[pool]
            ):
                return not inverted
            case UnknownSegment.ABSENT:
                return False
        return None

    def _required_bit_counts(self, shapes: Sequence[int]) -> list[int]:
        """Return how many bits of each pool must be lit where the digits have these shapes."""
        asked = [0] * len(self._pools)
        for digit, shape in zip(self._digits, shapes, strict=True):
            for number, one in enumerate(digit):
                if isinstance(one, CandidateSegment) and (shape >> number & 1) != one.inverted:
                    asked[one.pool] += 1
        return asked


def _lit(word: int, bit: Bit) -> bool:
    return (word >> 8 * bit.byte + bit.bit & 1) != bit.inverted
