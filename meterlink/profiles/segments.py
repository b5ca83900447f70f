"""Seven-segment digits: the character of each shape of lit segments.

A shape has bit 0 for segment a (top), then b, c, d, e, f clockwise, bit 6 for g (middle).
"""

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from itertools import product
from math import prod

from meterlink.core.readings import Status
from meterlink.profiles.model import Bit, CandidateSegment, Segment, Segments, UnknownSegment
from meterlink.profiles.number_text import integer_or_negative_zero

DARK, MINUS, UNKNOWN = " ", "-", "\0"

_CACHE_SIZE = 4096  # numbers kept, of displays with pools
_MOST_COMBINATIONS = 4096  # of possible digits; a display with more is invalid

SEGMENT_SHAPES: dict[int, str] = {
    # Digits as every seven-segment decoder draws them; 6, 7 and 9 also without tail or with a hook (common practice).
    **dict(zip((0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F), "0123456789", strict=True)),
    0x7C: "6",
    0x27: "7",
    0x67: "9",
    0x00: DARK,
    0x40: MINUS,
    # Letters of words on displays; a display with a letter is no number. 0x3F and 0x6D are also O and S.
    **dict(zip((0x77, 0x39, 0x5E, 0x79, 0x71, 0x76, 0x38, 0x54, 0x5C, 0x73, 0x50, 0x78, 0x3E, 0x6E), "ACdEFHLnoPrtUy",
               strict=True)),
}  # fmt: skip

# The texts of a display above its range; O and 0 are one shape.
_OVERLOADS = frozenset({"0L", "oL", "-0L", "-oL"})

DisplayDecoder = Callable[[bytes], "int | Decimal | Status"]
"""Takes a frame that is long enough; returns the number on the display, or the reason for no number."""


def compile_segments(segments: Segments) -> DisplayDecoder:
    """Return a decoder of a display's digits: the number without its point, or the reason for no number.

    Blanks before a number are skipped, a minus before it counts. An unknown shape, or a blank or a letter elsewhere,
    makes it invalid, so that half a display never passes for a number.
    """
    shapes = SEGMENT_SHAPES | dict(segments.glyphs)
    if segments.pools:
        return _PoolDecoder(segments, shapes).read
    digits = tuple(_DigitCharacters.for_digit(digit, shapes) for digit in segments.digits)

    def read(frame: bytes) -> int | Decimal | Status:
        word = int.from_bytes(frame, "little")
        text = ""
        for characters in digits:
            text += characters[word & characters.mask]
        return int(text) if text.isdecimal() else parse_display_text(text)

    return read


def read_characters(segments: Segments, frame: bytes) -> str:
    """Return the characters of a display without pools, `UNKNOWN` for a digit that its segments do not decide."""
    shapes = SEGMENT_SHAPES | dict(segments.glyphs)
    word = int.from_bytes(frame, "little")
    digits = [_DigitCharacters.for_digit(digit, shapes) for digit in segments.digits]
    return "".join(characters[word & characters.mask] for characters in digits)


def parse_display_text(text: str) -> int | Decimal | Status:
    """Return the number of a display's digits without their point: ``"  -1234"``; a Status where there is none.

    Blanks before a number are skipped, a minus before it counts; a blank or a letter elsewhere makes it invalid.
    """
    lit_text = text.strip(DARK)
    digits = lit_text.removeprefix(MINUS).lstrip(DARK)
    if digits.isdecimal() and text.endswith(digits):
        return int(digits) if digits == lit_text else integer_or_negative_zero(-int(digits), negative=True)
    return Status.OVERLOAD if lit_text in _OVERLOADS else Status.INVALID


class _DigitCharacters(dict[int, str]):
    """The characters of one digit, by the bits of the frame that are its segments; filled on first use."""

    def __init__(self, bits: Sequence[tuple[int, Bit]], characters: Mapping[int, str]) -> None:
        super().__init__()
        self.mask = 0
        for _, bit in bits:
            self.mask |= 1 << 8 * bit.byte + bit.bit
        self._bits = bits
        self._characters = characters

    @classmethod
    def for_digit(cls, digit: Sequence[Segment], shapes: Mapping[int, str]) -> "_DigitCharacters":
        """Return the characters of a digit. With unknown segments a shape counts where the other segments decide it."""
        bits = [(number, segment) for number, segment in enumerate(digit) if isinstance(segment, Bit)]
        known = sum(1 << number for number, segment in enumerate(digit) if segment is not UnknownSegment.UNKNOWN)
        candidates: dict[int, set[str]] = {}
        for shape, character in shapes.items():
            candidates.setdefault(shape & known, set()).add(character)
        return cls(bits, {shape: characters.pop() for shape, characters in candidates.items() if len(characters) == 1})

    def __missing__(self, key: int) -> str:
        shape = 0
        for number, bit in self._bits:
            if (key >> 8 * bit.byte + bit.bit & 1) != bit.inverted:
                shape |= 1 << number
        self[key] = character = self._characters.get(shape, UNKNOWN)
        return character


class _PoolDecoder:
    """Reads digits that have segments with only a pool of possible bits."""

    def __init__(self, segments: Segments, shapes: Mapping[int, str]) -> None:
        self._shapes = tuple(shapes.items())
        self._digits = segments.digits
        self._pools = segments.pools
        pooled = [segment for digit in segments.digits for segment in digit if isinstance(segment, CandidateSegment)]
        self._pool_is_exact = [
            len(pool) == sum(segment.pool == number for segment in pooled) for number, pool in enumerate(self._pools)
        ]
        self._mask = 0
        for segment in (segment for group in (*self._digits, *self._pools) for segment in group):
            if isinstance(segment, Bit):
                self._mask |= 1 << 8 * segment.byte + segment.bit
        self._cache: dict[int, int | Decimal | Status] = {}

    def read(self, frame: bytes) -> int | Decimal | Status:
        """Return the only number that agrees with the segments.

        INVALID where there is none or more than one, or where the pools do not confirm it.
        """
        word = int.from_bytes(frame, "little") & self._mask
        number = self._cache.get(word)
        if number is None:
            if len(self._cache) >= _CACHE_SIZE:
                self._cache.clear()
            number = self._cache[word] = self._read(word)
        return number

    def _read(self, word: int) -> int | Decimal | Status:
        lit = [sum(_is_lit(word, bit) for bit in pool) for pool in self._pools]
        candidates = [self._candidates(digit, word, lit) for digit in self._digits]
        if not 0 < prod(map(len, candidates)) <= _MOST_COMBINATIONS:
            return Status.INVALID
        texts: dict[str, bool] = {}
        for combination in product(*candidates):
            required = self._required_bit_counts([shape for shape, _ in combination])
            agrees = [count == lit_count for count, lit_count in zip(required, lit, strict=True)]
            if all(agreed or not exact for agreed, exact in zip(agrees, self._pool_is_exact, strict=True)):
                text = "".join(character for _, character in combination)
                texts[text] = texts.get(text, False) or all(agrees)
        if len(texts) != 1:
            return Status.INVALID
        ((text, confirmed),) = texts.items()
        number = parse_display_text(text)
        return number if confirmed or number is Status.OVERLOAD else Status.INVALID

    def _candidates(self, digit: Sequence[Segment], word: int, lit: Sequence[int]) -> list[tuple[int, str]]:
        """Return the ``(shape, character)`` that agree with the segments of a digit whose state is known."""
        known = known_shape = 0
        for number, segment in enumerate(digit):
            state = self._state(segment, word, lit)
            if state is not None:
                known |= 1 << number
                known_shape |= state << number
        return [(shape, character) for shape, character in self._shapes if shape & known == known_shape]

    def _state(self, segment: Segment, word: int, lit: Sequence[int]) -> bool | None:
        """Return whether a segment is lit; None where its state depends on other segments."""
        match segment:
            case Bit():
                return _is_lit(word, segment)
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
        """Return the number of bits of each pool that must be lit for digits of these shapes."""
        required = [0] * len(self._pools)
        for digit, shape in zip(self._digits, shapes, strict=True):
            for number, segment in enumerate(digit):
                if isinstance(segment, CandidateSegment) and (shape >> number & 1) != segment.inverted:
                    required[segment.pool] += 1
        return required


def _is_lit(word: int, bit: Bit) -> bool:
    return (word >> 8 * bit.byte + bit.bit & 1) != bit.inverted
