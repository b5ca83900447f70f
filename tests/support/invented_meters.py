"""Invented meters, drawn from a seed, for tests of teaching. The encoders share no code with the decoders.

Each meter draws its own layout: offsets, widths, byte and bit order, keys, inversions, scrambles, codes, check bytes,
counters, noise and framing.
"""

import struct
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from random import Random
from typing import Literal

from meterlink.capture.capture_file import (
    Capture,
    CapturedPacket,
    DisplayEntry,
    make_display_entry,
    parse_displayed_value,
)
from meterlink.core.readings import Reading, Status

CHANNEL = "7c2e0001-5a41-4d0e-9a55-31f0c7a8be10"
RATE = 8.0  # packets a second

# {function: ([(display unit, decimals), ...], coupling)}
FUNCTIONS = {
    "volts dc": ([("V", 3), ("V", 2), ("V", 1)], "DC"),
    "volts ac": ([("V", 3), ("V", 2), ("V", 1)], "AC"),
    "ohms": ([("ohm", 1), ("kohm", 3), ("kohm", 2), ("Mohm", 3)], ""),
    "farads": ([("nF", 2), ("uF", 3), ("uF", 2)], ""),
    "amps dc": ([("mA", 2), ("A", 3), ("A", 2)], "DC"),
    "hertz": ([("Hz", 2), ("Hz", 1), ("kHz", 3)], ""),
}
SIGNED = {"volts dc", "amps dc"}
EXPONENT = {"ohm": 0, "kohm": 3, "Mohm": 6, "nF": -9, "uF": -6, "mA": -3, "A": 0, "Hz": 0, "kHz": 3, "V": 0, "mV": -3}


@dataclass(frozen=True)
class InventedDisplay:
    """The content of a display."""

    function: str
    range: int
    counts: int
    negative: bool
    overload: bool = False

    @property
    def unit(self) -> str:
        return FUNCTIONS[self.function][0][self.range][0]

    @property
    def places(self) -> int:
        return FUNCTIONS[self.function][0][self.range][1]

    @property
    def digits(self) -> Decimal:
        value = Decimal(self.counts).scaleb(-self.places)
        return value.copy_negate() if self.negative else value

    @property
    def text(self) -> str:
        coupling = FUNCTIONS[self.function][1]
        number = "OL" if self.overload else f"{self.digits:f}"
        return f"{number} {self.unit} {coupling}".strip()


def agrees(reading: Reading, display: InventedDisplay) -> bool:
    """Return whether a reading is that of a display; a frame in base units does not carry the prefix of the display.

    A number sent finer than the display may be read as it is: it rounds to the digits shown.
    """
    expected = parse_displayed_value(display.text)
    if display.overload:
        return reading.status is Status.OVERLOAD
    if reading.digits is None or reading.quantity is not expected.quantity or reading.coupling is not expected.coupling:
        return False
    shown = float(display.digits) * 10.0 ** EXPONENT[display.unit]
    half = 0.5 * 10.0 ** (EXPONENT[display.unit] - display.places) if reading.resolution is None else 0.0
    return abs(float(reading.value or 0) - shown) <= half + max(1e-15, abs(shown) * 1e-9)


def draw_display(rng: Random, functions: Sequence[str], max_counts: int, overloads: float = 0.0) -> InventedDisplay:
    function = rng.choice(functions)
    number = rng.choice(range(len(FUNCTIONS[function][0])))
    counts = rng.randint(max_counts // 10, max_counts) if rng.random() < 0.8 else rng.randint(0, max_counts)
    negative = function in SIGNED and rng.random() < 0.4 and counts > 0
    return InventedDisplay(function, number, counts, negative, rng.random() < overloads)


def crc(data: bytes, width: int, polynomial: int, init: int, xor_out: int, reflected: bool) -> int:
    """Compute a CRC bit by bit, without a table."""
    register = init
    top = 1 << width - 1
    for byte in data:
        for bit in range(8):
            data_bit = byte >> (bit if reflected else 7 - bit) & 1
            feedback = bool(register & top) ^ data_bit
            register = register << 1 & (1 << width) - 1
            if feedback:
                register ^= polynomial
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ xor_out


# The bytes of one part of a frame, from the display, the number of the frame and a source of noise.
Maker = Callable[[InventedDisplay, int, Random], bytes]
Part = tuple[str, Maker]
Order = Literal["little", "big"]
ORDERS: tuple[Order, Order] = ("little", "big")


@dataclass
class FrameLayout:
    """The layout of a frame: ``parts`` are ``(name, maker of bytes)`` in the order of the body."""

    parts: list[Part] = field(default_factory=list)
    checksum: Callable[[bytes], bytes] | None = None
    xor_key: bytes = b""
    bits_reversed: bool = False

    def frame(self, display: InventedDisplay, count: int, rng: Random) -> bytes:
        body = b"".join(make(display, count, rng) for _, make in self.parts)
        if self.checksum is not None:
            body += self.checksum(body)
        if self.bits_reversed:
            body = bytes(int(f"{byte:08b}"[::-1], 2) for byte in body)
        if self.xor_key:
            body = bytes(byte ^ self.xor_key[at % len(self.xor_key)] for at, byte in enumerate(body))
        return body


def draw_checksum(rng: Random, masked: bool) -> Callable[[bytes], bytes] | None:
    kind = rng.choice(
        ["none", "sum", "negsum", "xor", "crc8", "crc16", "sum16"] if not masked else ["none", "xor", "crc8", "crc16"]
    )
    skip = rng.randrange(3)
    init = rng.randrange(256)
    if kind == "sum":
        return lambda body: bytes([(sum(body[skip:]) + init) & 0xFF])
    if kind == "negsum":
        return lambda body: bytes([-sum(body[skip:]) & 0xFF])
    if kind == "sum16":
        order = rng.choice(ORDERS)
        return lambda body: (sum(body) & 0xFFFF).to_bytes(2, order)
    if kind == "xor":

        def xor(body: bytes) -> bytes:
            total = init
            for byte in body[skip:]:
                total ^= byte
            return bytes([total])

        return xor
    if kind.startswith("crc"):
        width = int(kind[3:])
        polynomial, start, xor_out = (
            rng.randrange(1, 1 << width, 2),
            rng.randrange(1 << width),
            rng.randrange(1 << width),
        )
        reflected, order = rng.random() < 0.5, rng.choice(ORDERS)
        return lambda body: crc(body[skip:], width, polynomial, start, xor_out, reflected).to_bytes(width // 8, order)
    return None


def draw_state_parts(rng: Random, functions: Sequence[str], signed_apart: bool) -> list[Part]:
    """Return parts with the function, range, sign and overload."""
    style = rng.choice(["codes", "combined", "points"])
    parts: list[Part] = []
    codes = dict(zip(functions, rng.sample(range(256), len(functions)), strict=True))
    sign_bit, over_bit, hold_bit = rng.sample(range(8), 3)
    base = rng.randrange(256) & ~(1 << sign_bit | 1 << over_bit | 1 << hold_bit)

    def flags(display: InventedDisplay, count: int, noise: Random) -> bytes:
        value = base | display.overload << over_bit | (noise.random() < 0.2) << hold_bit
        if signed_apart:
            value |= display.negative << sign_bit
        return bytes([value])

    ranges = {}
    for name in functions:
        start = rng.randrange(0, 5)
        for number in range(len(FUNCTIONS[name][0])):
            ranges[name, number] = start + number
    if style == "codes":
        parts.append(("function", lambda display, _count, _noise: bytes([codes[display.function]])))
        parts.append(("range", lambda display, _count, _noise: bytes([ranges[display.function, display.range]])))
    elif style == "combined":
        nibbles = dict(zip(functions, rng.sample(range(16), len(functions)), strict=True))
        parts.append(
            (
                "mode",
                lambda display, _count, _noise: bytes(
                    [nibbles[display.function] << 4 | ranges[display.function, display.range]]
                ),
            )
        )
    else:
        units = sorted({unit + FUNCTIONS[name][1] for name in functions for unit, _ in FUNCTIONS[name][0]})
        words = dict(zip(units, rng.sample(range(1, 256), len(units)), strict=True))
        point_bits = rng.sample(range(8), 4)
        parts.append(
            ("unit", lambda display, _count, _noise: bytes([words[display.unit + FUNCTIONS[display.function][1]]]))
        )
        parts.append(("point", lambda display, _count, _noise: bytes([1 << point_bits[display.places]])))
    parts.append(("flags", flags))
    return parts


def draw_integer(rng: Random, max_counts: int) -> tuple[list[Part], bool]:
    size = rng.choice([2, 3, 4]) if max_counts < 30000 else rng.choice([3, 4])
    order = rng.choice(ORDERS)
    signed = rng.random() < 0.6

    def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
        value = display.counts
        if display.overload:
            return (
                (0x7F).to_bytes(1, "big") + b"\xff" * (size - 1) if order == "big" else b"\xff" * (size - 1) + b"\x7f"
            )
        return (-value if signed and display.negative else value).to_bytes(size, order, signed=signed)

    return [("value", make)], not signed


def draw_packed(rng: Random, max_counts: int) -> tuple[list[Part], bool]:
    style = rng.choice(["bcd", "bytes", "chars"])
    width = len(str(max_counts)) + rng.randrange(2)
    backwards = rng.random() < 0.5

    def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
        digits = [int(char) for char in f"{display.counts:0{width + width % 2}d}"]
        if display.overload:
            digits = [15] * len(digits) if style == "bcd" else [10] * len(digits)
        if backwards:
            digits.reverse()
        if style == "bcd":
            return bytes(a << 4 | b for a, b in zip(digits[::2], digits[1::2], strict=True))
        return bytes(digit + (0x30 if style == "chars" else 0) for digit in digits)

    return [("value", make)], True


def draw_float(rng: Random, max_counts: int) -> tuple[list[Part], bool]:
    code = rng.choice(["<f", ">f", "<d", ">d"])
    in_base = rng.random() < 0.4

    def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
        if display.overload:
            return struct.pack(code, float("inf"))
        value = display.digits.scaleb(EXPONENT[display.unit]) if in_base else display.digits
        return struct.pack(code, float(value))

    return [("value", make)], False


def draw_fine_float(rng: Random, max_counts: int) -> tuple[list[Part], bool]:
    code = rng.choice(["<f", ">f"])

    def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
        if display.overload:
            return struct.pack(code, float("inf"))
        value = float(display.digits) + (noise.random() - 0.5) * 0.9 * 10.0**-display.places
        return struct.pack(code, value)

    return [("value", make)], False


def draw_sfloat(rng: Random, max_counts: int) -> tuple[list[Part], bool]:
    wide = max_counts > 2000 or rng.random() < 0.5
    order = rng.choice(ORDERS)
    mantissa, size = (24, 4) if wide else (12, 2)

    def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
        if display.overload:
            word = (1 << mantissa - 1) - 2
        else:
            value = -display.counts if display.negative else display.counts
            word = (-display.places & (1 << 8 * size - mantissa) - 1) << mantissa | value & (1 << mantissa) - 1
        return word.to_bytes(size, order)

    return [("value", make)], False


def draw_text(rng: Random, max_counts: int) -> tuple[list[Part], bool]:
    width = len(str(max_counts)) + 2
    sign = rng.choice(["-+", "- "])
    pointed = rng.random() < 0.6

    def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
        if display.overload:
            return b"OL".rjust(width + 1)
        text = f"{abs(display.digits):f}" if pointed else f"{display.counts:d}"
        return (sign[0] if display.negative else sign[1]).encode() + text.rjust(width, "0").encode()

    return [("value", make)], False


def draw_fixed(rng: Random, max_counts: int) -> tuple[list[Part], bool]:
    size = 4
    order = rng.choice(ORDERS)
    # One unit for all ranges: the finest last place among them, or a tenth of it.
    finer = rng.randrange(2)

    def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
        last = EXPONENT[display.unit] - display.places
        finest = min(EXPONENT[unit] - places for unit, places in FUNCTIONS[display.function][0])
        value: int = display.counts * 10 ** (last - finest + finer)
        if display.overload:
            value = 0x7FFFFFFF
        return (-value if display.negative else value).to_bytes(size, order, signed=True)

    return [("value", make)], False


SEGMENTS = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc",
    "8": "abcdefg", "9": "abcdfg", " ": "", "L": "def",
}  # fmt: skip


class SegmentMeter:
    """A meter that sends the segments of its display: digits, points, minus, annunciators, each anywhere."""

    def __init__(self, rng: Random, functions: Sequence[str], max_counts: int) -> None:
        style = rng.choice(["scrambled", "regular"])
        self.places = len(str(max_counts))
        self.glyph_segments = {char: set(lit) for char, lit in SEGMENTS.items()}
        if rng.random() < 0.4:
            self.glyph_segments["6"] -= {"a"}
        if rng.random() < 0.4:
            self.glyph_segments["7"] |= {"f"}
        if rng.random() < 0.4:
            self.glyph_segments["9"] -= {"d"}
        units = sorted({unit for name in functions for unit, _ in FUNCTIONS[name][0]})
        names = [f"{place}{segment}" for place in range(self.places) for segment in "abcdefg."]
        annunciators = ["minus", "AC", "DC", *units, "hold", "spare1", "spare2", "spare3"]
        if style == "scrambled":
            all_names = names + annunciators
            self.size = (len(all_names) + 7) // 8 + 1
            positions = rng.sample(range(8 * self.size), len(all_names))
            self.bit_positions = dict(zip(all_names, positions, strict=True))
        else:
            order = rng.sample(range(8), 8)
            self.bit_positions = {name: 8 * (number // 8) + order[number % 8] for number, name in enumerate(names)}
            start = len(names)
            self.size = (start + len(annunciators) + 7) // 8
            self.bit_positions |= dict(
                zip(annunciators, rng.sample(range(start, 8 * self.size), len(annunciators)), strict=True)
            )
        self.inverted = rng.random() < 0.3

    def parts(self) -> list[Part]:
        def make(display: InventedDisplay, count: int, noise: Random) -> bytes:
            text = f"{display.counts:0{display.places + 1}d}".rjust(self.places)
            if display.overload:
                text = "0L".rjust(self.places)
            lit = {f"{place}{segment}" for place, char in enumerate(text) for segment in self.glyph_segments[char]}
            if display.places and not display.overload:
                lit.add(f"{self.places - 1 - display.places}.")
            lit.add(display.unit)
            lit |= {FUNCTIONS[display.function][1]} - {""}
            if display.negative:
                lit.add("minus")
            if noise.random() < 0.2:
                lit.add("hold")
            word = sum(1 << self.bit_positions[name] for name in lit)
            data = word.to_bytes(self.size, "little")
            return bytes(byte ^ 0xFF for byte in data) if self.inverted else data

        return [("display", make)]


NUMBER_FORMATS = {
    "integer": draw_integer, "packed": draw_packed, "float": draw_float, "fine float": draw_fine_float,
    "ieee11073": draw_sfloat, "characters": draw_text, "fixed unit": draw_fixed,
}  # fmt: skip
FAMILIES = (*NUMBER_FORMATS, "segments")


def draw_counter(rng: Random) -> Part:
    """Return a part that counts frames in one or two bytes, or milliseconds in four."""
    order = rng.choice(ORDERS)
    style = rng.choice(["byte", "byte", "word", "clock"])
    if style == "byte":
        return ("counter", lambda _face, count, _noise: bytes([count & 0xFF]))
    if style == "word":
        return ("counter", lambda _face, count, _noise: (count & 0xFFFF).to_bytes(2, order))
    return ("clock", lambda _face, count, noise: (125 * count + noise.randrange(9)).to_bytes(4, order))


class InventedMeter:
    """One meter of a family, drawn from a seed."""

    def __init__(self, family: str, seed: int, functions: int = 1) -> None:
        rng = Random(f"{family}/{seed}/{functions}")
        self.rng = rng
        self.functions = rng.sample(list(FUNCTIONS), functions) if functions < 6 else list(FUNCTIONS)
        self.max_counts = (
            rng.choice([1999, 5999, 9999]) if family == "segments" else rng.choice([1999, 5999, 9999, 40000])
        )
        if family == "ieee11073":
            self.max_counts = rng.choice([1999, 5999])
        if family == "fixed unit":
            self.max_counts = rng.choice([1999, 5999, 9999])  # more does not fit into 32 bits
        masked = rng.random() < 0.4 and family not in {"fine float", "fixed unit"}
        layout = FrameLayout()
        head = rng.randbytes(rng.randrange(1, 3))
        middle: list[Part] = []
        if family == "segments":
            middle = SegmentMeter(rng, self.functions, self.max_counts).parts()
        else:
            number, signed_apart = NUMBER_FORMATS[family](rng, self.max_counts)
            middle = [*number, *draw_state_parts(rng, self.functions, signed_apart)]
        if rng.random() < 0.6:
            middle.append(draw_counter(rng))
        if rng.random() < 0.4:
            middle.append(("noise", lambda _face, _count, noise: noise.randbytes(1)))
        if rng.random() < 0.4:
            filler = rng.randbytes(rng.randrange(1, 4))
            middle.append(("filler", lambda _face, _count, _noise: filler))
        rng.shuffle(middle)
        layout.parts = [("head", lambda _face, _count, _noise: head), *middle]
        layout.checksum = draw_checksum(rng, masked)
        layout.xor_key = rng.randbytes(rng.choice([1, 2, 4, 5])) if masked else b""
        if family in {"integer", "packed"}:
            layout.bits_reversed = rng.random() < 0.2
        self.layout = layout
        self.delivery = rng.choice(["whole", "whole", "pieces", "random", "joined"])
        self.masked = masked
        self.overloads = rng.choice([0.0, 0.1])
        self.count = rng.randrange(60_000)
        self.entered = Counter[tuple[str, int, bool]]()
        self.entered_signs = Counter[bool]()

    def is_confirmed(self, display: InventedDisplay) -> bool:
        """Whether two entries show the range and the sign of a display; a single one may be a slip."""
        state = self.entered[display.function, display.range, display.overload]
        return state >= 1 + (not display.overload) and self.entered_signs[display.negative] != 1

    def draw_display(self, rng: Random) -> InventedDisplay:
        return draw_display(rng, self.functions, self.max_counts, self.overloads)

    def frame(self, display: InventedDisplay, rng: Random) -> bytes:
        self.count += 1
        return self.layout.frame(display, self.count, rng)

    def capture(self, number: int, seed: int, between: int = 25, window: int = 3) -> Capture:
        rng = Random(f"capture/{seed}")
        frames: list[tuple[float, bytes]] = []
        entries: list[DisplayEntry] = []
        t = 0.0
        for _ in range(number):
            for _ in range(between):
                t += 1 / RATE
                frames.append((t, self.frame(self.draw_display(rng), rng)))
            t += 0.5
            display = self.draw_display(rng)
            self.entered[display.function, display.range, display.overload] += 1
            self.entered_signs[display.negative] += 1
            for _ in range(window):
                t += 1 / RATE
                frames.append((t, self.frame(display, rng)))
            entries.append(make_display_entry(round(t + 0.05, 6), display.text))
        return Capture(tuple(split_packets(self.delivery, frames, rng)), tuple(entries))

    def draw_unseen_frames(self, number: int, seed: int) -> list[tuple[InventedDisplay, bytes]]:
        rng = Random(f"unseen/{seed}")
        displays = [self.draw_display(rng) for _ in range(number)]
        return [(display, self.frame(display, rng)) for display in displays]


def split_packets(delivery: str, frames: Sequence[tuple[float, bytes]], rng: Random) -> list[CapturedPacket]:
    packets = []
    if delivery == "whole":
        return [CapturedPacket(round(t, 6), CHANNEL, data) for t, data in frames]
    if delivery == "pieces":
        return [
            CapturedPacket(round(t + at / 1000, 6), CHANNEL, data[at : at + 20])
            for t, data in frames
            for at in range(0, len(data), 20)
        ]
    # Split anywhere; "joined" sometimes sends the end of a frame with the next frame.
    kept = b""
    for t, frame in frames:
        data, kept, at = kept + frame, b"", 0
        if delivery == "joined" and rng.random() < 0.2:
            late_bytes = rng.randint(1, len(frame) - 1)
            data, kept = data[:-late_bytes], data[-late_bytes:]
        while at < len(data):
            size = rng.randint(1, len(frame))
            packets.append(CapturedPacket(round(t + at / 1000, 6), CHANNEL, data[at : at + size]))
            at += size
    return packets
