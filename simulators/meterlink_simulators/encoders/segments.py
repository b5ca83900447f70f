"""Frames that carry the segments of a display: one bit each, scattered without order, some of them inverted.

The display has four digits of seven segments, three points, a minus, and annunciators for AC, DC, prefix, unit, low
battery and the radio link (which blinks). No number is shown as four dashes. The seed draws the bit of each segment,
the inverted bits, the constant bits, the shapes of 6, 7 and 9 (displays differ in them), and the position of ``0L`` for
overload.

`SegmentsEncoder` sends one constant byte, then the bits. `MaskedEncoder` sends two constant bytes, then the bits of
another display; all bytes are combined (exclusive or) with a key that repeats every few bytes.
"""

from random import Random

from meterlink.core.units import BASE_UNIT, Quantity
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.display_numbers import PREFIX_POWERS, dial_mode, display_number, unit_prefix

# Random bases (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "72f40000-c81e-4a59-97b6-4e0d3fa5182c"
FRAMES_UUID = "72f40001-c81e-4a59-97b6-4e0d3fa5182c"
MASKED_SERVICE_UUID = "d8230000-2e6b-4197-8c4f-b60a91e57d3c"
MASKED_FRAMES_UUID = "d8230001-2e6b-4197-8c4f-b60a91e57d3c"

DIGITS = 4

# Lit segments, by their usual letters: a at the top, then clockwise to f, g in the middle (common practice).
GLYPH_SEGMENTS = {
    "0": "abcdef",
    "1": "bc",
    "2": "abdeg",
    "3": "abcdg",
    "4": "bcfg",
    "5": "acdfg",
    "6": "acdefg",
    "7": "abc",
    "8": "abcdefg",
    "9": "abcdfg",
    "L": "def",
    "-": "g",
    " ": "",
}
# Without its tail 6 lacks a, and 9 lacks d; 7 may have f.
_VARIANT_GLYPH_SEGMENTS = {"6": "cdefg", "7": "abcf", "9": "abcfg"}

# Lit at three of six refreshes.
_BLINK_PERIOD = 6

_SEGMENT_NAMES = (
    *(f"{position}{segment}" for position in range(DIGITS) for segment in "abcdefg"),
    *(f"point {position}" for position in range(1, DIGITS)),  # in front of the digit at that position
    "minus",
    "AC",
    "DC",
    *(f"prefix {prefix}" for prefix in PREFIX_POWERS if prefix),
    *(f"unit {BASE_UNIT[quantity]}" for quantity in Quantity if quantity not in {Quantity.RATIO, Quantity.BATTERY}),
    "low battery",
    "link",
)


class SegmentsEncoder:
    """One meter of this family. ``size`` is the number of bytes that carry bits, 7 or more."""

    service_uuid = SERVICE_UUID
    frames_uuid = FRAMES_UUID
    _family = "segments"
    _head_bytes = 1
    size = 7

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"{self._family}/{seed}")
        bits = range(8 * self.size)
        self.bit_positions = dict(zip(_SEGMENT_NAMES, rng.sample(bits, len(_SEGMENT_NAMES)), strict=True))
        self.inverted = {name for name in _SEGMENT_NAMES if rng.random() < 0.5}
        self.constant_bits = {bit: rng.random() < 0.5 for bit in bits if bit not in self.bit_positions.values()}
        self.glyph_segments = GLYPH_SEGMENTS | {
            digit: shape for digit, shape in _VARIANT_GLYPH_SEGMENTS.items() if rng.random() < 0.5
        }
        self.overload_position = rng.randrange(DIGITS - 1)
        self.overload_point = rng.random() < 0.5
        self.head = rng.randbytes(self._head_bytes)
        self._refreshes = 0

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the frames."""
        return [(self.service_uuid, [CharacteristicDefinition("display", self.frames_uuid)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame as ``[(key, packet)]``; empty for a mode the meter does not have.

        Raises:
            ValueError: the number does not fit the digits.
        """
        if dial_mode(display) is None:
            return []
        lit = self.lit_segments(display)
        if self._refreshes % _BLINK_PERIOD < _BLINK_PERIOD // 2:
            lit.add("link")
        self._refreshes += 1
        return [("display", self.frame(lit))]

    def lit_segments(self, display: DisplayState) -> set[str]:
        """Return the names of the lit segments and annunciators, without the blinking one."""
        glyphs, points = self._glyphs(display)
        lit = {f"{n}{segment}" for n, glyph in enumerate(glyphs) for segment in self.glyph_segments[glyph]}
        lit |= {f"point {position}" for position in points}
        lit |= {f"prefix {unit_prefix(display)}", f"unit {BASE_UNIT[display.quantity]}"} & set(_SEGMENT_NAMES)
        if display.coupling:
            lit.add(str(display.coupling))
        if display.digits is not None and display.digits.is_signed():
            lit.add("minus")
        if display.low_battery:
            lit.add("low battery")
        return lit

    def frame(self, lit: set[str]) -> bytes:
        """Return the frame with these names lit. Bit 0 is the least significant of the first byte."""
        bits = sum(1 << bit for bit, on in self.constant_bits.items() if on)
        bits += sum(1 << bit for name, bit in self.bit_positions.items() if (name in lit) != (name in self.inverted))
        return self.head + bits.to_bytes(self.size, "little")

    def _glyphs(self, display: DisplayState) -> tuple[str, set[int]]:
        """Return ``(four characters, positions with a point in front)``.

        Raises:
            ValueError: the number does not fit the digits.
        """
        if display.overload:
            text = " " * self.overload_position + "0L"
            return text.ljust(DIGITS), {self.overload_position + 1} if self.overload_point else set()
        figures = display_number(display)
        if figures is None:
            return "-" * DIGITS, set()
        text = f"{figures.counts:0{figures.decimals + 1}d}".rjust(DIGITS)
        if len(text) > DIGITS:
            raise ValueError(f"{display.digits} does not fit a display of {DIGITS} digits.")
        return text, {DIGITS - figures.decimals} if figures.decimals else set()


class MaskedEncoder(SegmentsEncoder):
    """One meter whose frames are combined with a repeating key."""

    service_uuid = MASKED_SERVICE_UUID
    frames_uuid = MASKED_FRAMES_UUID
    _family = "masked"
    _head_bytes = 2
    size = 9

    def __init__(self, seed: int = 0) -> None:
        super().__init__(seed)
        rng = Random(f"{self._family} key/{seed}")
        self.key = rng.randbytes(rng.randrange(3, 6))

    def frame(self, lit: set[str]) -> bytes:
        """Return the frame with these names lit, combined with the key."""
        clear = super().frame(lit)
        return bytes(byte ^ self.key[index % len(self.key)] for index, byte in enumerate(clear))
