"""Seven-segment digits: which shape of lit segments is which character.

A shape has bit 0 for segment a (top), then b, c, d, e, f clockwise and around, bit 6 for g (middle).
"""

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal

from meterlink.profiles.model import Bit, Segments, Unmapped
from meterlink.profiles.written import integer
from meterlink.readings import Status

DARK, MINUS, UNKNOWN = " ", "-", "\0"

SHAPES: dict[int, str] = {
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

Digits = Callable[[bytes], "int | Decimal | Status"]
"""The number on a display, out of a frame that is long enough."""


def compile_segments(segments: Segments) -> Digits:
    """Return what reads the digits of a display: their number without its point, or why there is none.

    Blanks before a number are passed over, a minus before it counts; a shape that is not known, or a blank or a letter
    elsewhere, makes it invalid, so that half a display never passes for a number.
    """
    shapes = SHAPES | dict(segments.glyphs)
    digits = tuple(_Glyphs.of(digit, shapes) for digit in segments.digits)

    def read(frame: bytes) -> int | Decimal | Status:
        word = int.from_bytes(frame, "little")
        text = ""
        for glyphs in digits:
            text += glyphs[word & glyphs.mask]
        return int(text) if text.isdecimal() else _number_in(text)

    return read


def _number_in(text: str) -> int | Decimal | Status:
    shown = text.strip(DARK)
    bare = shown.removeprefix(MINUS).lstrip(DARK)
    if bare.isdecimal() and text.endswith(bare):
        return int(bare) if bare == shown else integer(-int(bare), negative=True)
    return Status.OVERLOAD if shown in _OVERLOADS else Status.INVALID


class _Glyphs(dict[int, str]):
    """The characters of one digit, by the bits of the frame that are its segments; filled as they are met."""

    def __init__(self, bits: Sequence[tuple[int, Bit]], characters: Mapping[int, str]) -> None:
        super().__init__()
        self.mask = 0
        for _, bit in bits:
            self.mask |= 1 << 8 * bit.byte + bit.bit
        self._bits = bits
        self._characters = characters

    @classmethod
    def of(cls, digit: Sequence[Bit | Unmapped], shapes: Mapping[int, str]) -> "_Glyphs":
        """Return the characters of a digit; a shape with unknown segments is one only where the others decide."""
        known = [(number, one) for number, one in enumerate(digit) if isinstance(one, Bit)]
        seen = sum(1 << number for number, one in enumerate(digit) if one is not Unmapped.UNKNOWN)
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
