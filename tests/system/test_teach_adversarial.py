"""Teaching from difficult captures: encodings unlike the simulated meters', and faulty captures.

The encoders share no code with teaching or decoding. One rule holds for every capture: a profile never decodes a wrong
value of a function that it was taught.
"""

import itertools
import random
import struct
from decimal import Decimal

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.driver_api import Characteristic
from meterlink.profiles import compile_profile
from meterlink.teach import teach
from meterlink_simulators.display import DisplayState
from studies.teaching.cases import typed_text
from studies.teaching.study import DisplayTally, count_displays

SERVICE = "91d60000-3f7a-4c25-8b0e-d4a7e61f5c38"
FRAMES = "91d60001-3f7a-4c25-8b0e-d4a7e61f5c38"
OTHER = "91d60002-3f7a-4c25-8b0e-d4a7e61f5c38"

PERIOD = 0.2  # s between two refreshes

CAPACITANCE = (Quantity.CAPACITANCE, None)
RESISTANCE = (Quantity.RESISTANCE, None)
AC_VOLTS = (Quantity.VOLTAGE, Coupling.AC)
DC_VOLTS = (Quantity.VOLTAGE, Coupling.DC)
FREQUENCY = (Quantity.FREQUENCY, None)
TEMPERATURE = (Quantity.TEMPERATURE, None)

# (unit, decimals) of the ranges; six thousand counts each.
RANGES = {
    CAPACITANCE: (("µF", 3), ("µF", 2), ("µF", 1)),
    RESISTANCE: (("Ω", 1), ("kΩ", 3), ("kΩ", 2)),
    AC_VOLTS: (("V", 3), ("V", 2), ("V", 1)),
    DC_VOLTS: (("mV", 1), ("V", 3), ("V", 2)),
    FREQUENCY: (("Hz", 2), ("Hz", 1)),
    TEMPERATURE: (("°C", 1),),
}
SIGNED = {DC_VOLTS, TEMPERATURE}
# Entries: every range, sign and overload of the six functions twice, all of them near full scale, and some others.
TWO_OF_EVERY_RANGE = 56
POWER = {"n": -9, "µ": -6, "m": -3, "": 0, "k": 3}
BASE = {Quantity.CAPACITANCE: "F", Quantity.RESISTANCE: "Ω", Quantity.VOLTAGE: "V", Quantity.FREQUENCY: "Hz"}


def make_display(mode, counts, unit, decimals):
    digits = None if counts is None else Decimal(counts).scaleb(-decimals)
    return DisplayState(mode[0], digits, unit, overload=counts is None, coupling=mode[1])


def blank(mode):
    """Return the display while the meter searches for its range."""
    return DisplayState(mode[0], None, RANGES[mode][-1][0], blank=True, coupling=mode[1])


def draw(modes, rng, max_counts=5999, overloads=0.08):
    """Return a random display of one of ``modes``."""
    mode = rng.choice(modes)
    unit, decimals = rng.choice(RANGES[mode])
    if rng.random() < overloads and mode is not TEMPERATURE:
        return make_display(mode, None, *RANGES[mode][-1])
    counts = rng.randrange(1, max_counts) if rng.random() < 0.8 else rng.randrange(1, 100)
    return make_display(mode, counts * (-1 if mode in SIGNED and rng.random() < 0.4 else 1), unit, decimals)


def tour(modes, number, rng, max_counts=5999):
    """Return displays to enter: every range and sign near full scale and overload, then random ones.

    Where there is room, every range, sign and overload is shown once more, anywhere on its scale.
    """

    def every_kind(least):
        once = [
            make_display(mode, rng.randrange(least, max_counts) * sign, unit, decimals)
            for mode in modes
            for unit, decimals in RANGES[mode]
            for sign in ((1, -1) if mode in SIGNED else (1,))
        ]
        once += [make_display(mode, None, *RANGES[mode][-1]) for mode in modes if mode is not TEMPERATURE]
        rng.shuffle(once)
        return once

    kinds = every_kind(max_counts * 7 // 10)
    if number >= 2 * len(kinds):
        kinds += every_kind(1)
    return (kinds + [draw(modes, rng, max_counts) for _ in range(number)])[:number]


# Random meters


def prefix(display):
    base = BASE.get(display.quantity)
    return display.unit.removesuffix(base) if base else ""


class Framed:
    """A binary frame. ``seed`` draws every part that is not given by name."""

    NUMBERS = ("i16be", "i24le", "i32be", "u16be+sign", "bcd-le", "digits", "ascii", "ascii-counts", "f32le", "bits20")
    # Never drawn. A number in a fixed unit needs no range. Profiles have no type for offset binary, so it may be
    # refused.
    SPECIAL = ("fixed unit", "offset binary", "sfloat", "float")
    CHECKSUMS = ("none", "sum", "negated sum", "xor", "crc8", "crc16")

    def __init__(self, seed, **options):
        rng = random.Random(f"framed/{seed}")
        self.number = options.get("number") or rng.choice(self.NUMBERS)
        self.checksum = options.get("checksum") or rng.choice(self.CHECKSUMS)
        self.counter = options.get("counter", rng.choice((None, 1, 3, 255)))
        self.key = options.get("key", rng.randbytes(rng.choice((0, 0, 1, 4, 7))))
        self.covers_from = rng.choice((0, 1))
        self.start = rng.randbytes(rng.choice((1, 2)))
        self.mode_code = dict(zip(RANGES, rng.sample(range(1, 64), len(RANGES)), strict=True))
        ranges = sorted({(prefix_of_unit(mode, unit), decimals) for mode in RANGES for unit, decimals in RANGES[mode]})
        self.range_code = dict(zip(ranges, rng.sample(range(16), len(ranges)), strict=True))
        self.code_shift = rng.choice((0, 2))
        self.mode_first = rng.random() < 0.5
        self.flags = rng.sample(range(8), 5)
        self.filler = rng.randbytes(rng.randrange(0, 4))
        self.noise = options.get("noise", rng.random() < 0.5)
        self.poly8, self.poly16 = rng.randrange(1, 256, 2), rng.randrange(1, 65536, 2)
        self.init = rng.randrange(256)
        self.count = options.get("count", rng.randrange(256))
        self.rng = random.Random(seed)

    def frame(self, display, *, low_battery=False):
        counts = None if display.digits is None else int(display.digits.scaleb(-display.digits.as_tuple().exponent))
        decimals = 0 if display.digits is None else -display.digits.as_tuple().exponent
        negative = display.digits is not None and display.digits.is_signed()
        mode = self.mode_code[display.quantity, display.coupling] << self.code_shift
        scale = self.range_code.get((prefix(display), decimals), 0)
        minus_bit, overload_bit, battery_bit, blink_bit, blank_bit = self.flags
        flags = negative << minus_bit | display.overload << overload_bit | low_battery << battery_bit
        flags |= (self.count >> 1 & 1) << blink_bit | display.blank << blank_bit
        encode = self._special if self.number in self.SPECIAL else self._number
        number = encode(counts, decimals, display)
        codes = bytes([mode, scale]) if self.mode_first else bytes([scale, mode])
        body = self.start + (codes + number if self.mode_first else number + codes) + bytes([flags]) + self.filler
        if self.counter is not None:
            body += bytes([self.count * self.counter % 256])
        if self.noise:
            body += bytes([100 + self.rng.randrange(-6, 7)])
        self.count += 1
        frame = body + self._checksum(body[self.covers_from :])
        if not self.key:
            return frame
        return bytes(byte ^ self.key[index % len(self.key)] for index, byte in enumerate(frame))

    def _number(self, counts, decimals, display):
        value = counts or 0
        match self.number:
            case "i16be":
                return (0x7FFF if display.overload else 0x7FFE if display.blank else value).to_bytes(
                    2, "big", signed=True
                )
            case "i24le":
                value = 0x7FFFFF if display.overload else 0x7FFFFE if display.blank else value
                return value.to_bytes(3, "little", signed=True)
            case "i32be":
                return value.to_bytes(4, "big", signed=True)
            case "u16be+sign":
                return (0xFFFF if display.overload else abs(value)).to_bytes(2, "big")
            case "bcd-le":
                return bytes.fromhex(f"{abs(value):06d}")[::-1]
            case "digits":
                return bytes(int(digit) for digit in f"{abs(value):05d}")
            case "ascii":
                text = "O.L" if display.overload else "- -" if display.blank else f"{display.digits:f}"
                return f"{text:>8}".encode()
            case "ascii-counts":
                return f"{value:+06d}".encode()
            case "f32le":
                special = float("inf" if display.overload else "nan")
                return struct.pack("<f", special if counts is None else float(Decimal(value).scaleb(-decimals)))
            case _:
                # Twenty bits, two's complement, in the upper part of three bytes; the rest has no meaning.
                return ((value & 0xFFFFF) << 4 | 0x5).to_bytes(3, "big")

    def _special(self, counts, decimals, display):
        value = counts or 0
        match self.number:
            case "fixed unit":
                mode = display.quantity, display.coupling
                finest = min(POWER[prefix_of_unit(mode, unit)] - places for unit, places in RANGES[mode])
                value *= 10 ** (POWER[prefix(display)] - decimals - finest)
                return value.to_bytes(4, "little", signed=True)
            case "offset binary":
                return ((value + 0x8000) & 0xFFFF).to_bytes(2, "big")
            case "sfloat" if abs(value) < 2046:
                return (-decimals % 16 << 12 | value & 0xFFF).to_bytes(2, "little")
            case "sfloat":
                return b"\xff\x07"
            case _:
                mantissa = 0x7FFFFE if display.overload else 0x7FFFFF if display.blank else value & 0xFFFFFF
                return (-decimals % 256 << 24 | mantissa).to_bytes(4, "little")

    def _checksum(self, data):
        match self.checksum:
            case "none":
                return b""
            case "sum":
                return bytes([(sum(data) + self.init) % 256])
            case "negated sum":
                return bytes([-sum(data) % 256])
            case "xor":
                checksum = self.init
                for byte in data:
                    checksum ^= byte
                return bytes([checksum])
            case "crc8":
                return crc(data, 8, self.poly8).to_bytes(1, "big")
            case _:
                return crc(data, 16, self.poly16).to_bytes(2, "big")


def prefix_of_unit(mode, unit):
    base = BASE.get(mode[0])
    return unit.removesuffix(base) if base else ""


def crc(data, width, poly):
    """Return the remainder of polynomial division over two elements."""
    remainder = int.from_bytes(data, "big") << width
    divisor = 1 << width | poly
    while remainder.bit_length() > width:
        remainder ^= divisor << (remainder.bit_length() - width - 1)
    return remainder


# One bit for each segment: a b c d e f g from the lowest.
SHAPES = dict(zip("0123456789", (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F), strict=True))
SHAPES |= {"L": 0x38, " ": 0, "-": 0x40, "O": 0x3F}


class Segmented:
    """Segments in any order, some inverted, with or without a counter and a repeating key, drawn from ``seed``."""

    def __init__(self, seed, *, key=None, counter=False):
        rng = random.Random(f"segmented/{seed}")
        names: list[tuple[int, int] | str] = [(digit, segment) for digit in range(4) for segment in range(7)]
        names += ["p1", "p2", "p3", "minus", "AC", "DC", "n", "µ", "m", "k", "V", "F", "Ω", "Hz", "°C"]
        self.size = 7
        positions = rng.sample(range(self.size * 8), len(names))
        self.bit_positions = dict(zip(names, positions, strict=True))
        self.inverted = rng.getrandbits(self.size * 8)
        self.start = rng.randbytes(rng.choice((0, 1, 3)))
        self.key = rng.randbytes(rng.choice((0, 2, 5))) if key is None else key
        self.counter = counter
        self.count = 0

    def frame(self, display, **_):
        lit = {str(display.coupling), "minus" if display.digits is not None and display.digits.is_signed() else ""}
        lit |= {prefix(display), BASE.get(display.quantity, "°C")}
        if display.overload:
            text, lit = " OL ", lit | {"p2"}
        elif display.blank:
            text = "----"
        else:
            decimals = -display.digits.as_tuple().exponent
            text = f"{abs(int(display.digits.scaleb(decimals))):0{decimals + 1}d}".rjust(4)
            lit |= {f"p{4 - decimals}"} if decimals else set()
        bits = 0
        for name, position in self.bit_positions.items():
            is_lit = SHAPES[text[name[0]]] >> name[1] & 1 if isinstance(name, tuple) else name in lit
            bits |= bool(is_lit) << position
        body = self.start + (bits ^ self.inverted).to_bytes(self.size, "big")
        if self.counter:
            body += bytes([self.count % 256])
        self.count += 1
        return bytes(byte ^ self.key[at % len(self.key)] for at, byte in enumerate(body)) if self.key else body


# Captures


class Recorder:
    """Shows displays on a meter and records packets, entries and the display of every packet."""

    def __init__(self, meter, seed=0):
        self.meter = meter
        self.rng = random.Random(f"recorder/{seed}")
        self.t = 0.0
        self.packets = []
        self.displays = []
        self.entries = []

    def show(self, display, times=1, **more):
        for _ in range(times):
            self.t = round(self.t + PERIOD, 6)
            self.packets.append(CapturedPacket(self.t, FRAMES, self.meter.frame(display, **more)))
            self.displays.append(display)

    def enter(self, text):
        self.entries.append(make_display_entry(round(self.t + 0.05, 6), text))

    def read(self, display, text=None, **more):
        """Show a display long enough for reading, and enter it."""
        self.show(display, self.rng.randrange(4, 7), **more)
        self.enter(typed_text(display, self.rng) if text is None else text)

    def capture(self):
        return Capture(tuple(self.packets), tuple(self.entries))


def teaching(meter, modes, number, seed, max_counts=5999, **more):
    recorder = Recorder(meter, seed)
    rng = random.Random(f"teaching/{seed}")
    for display in tour(modes, number, rng, max_counts):
        recorder.show(draw(modes, rng, max_counts), **more)
        recorder.read(display, **more)
    return recorder


def unseen(meter, modes, seed, number=150, max_counts=5999, **more):
    recorder = Recorder(meter, seed)
    rng = random.Random(f"unseen/{seed}")
    for _ in range(number):
        recorder.show(draw(modes, rng, max_counts), **more)
    return recorder


def tally(profile, recorder):
    """Return the tally of a recording in which every packet is one frame, decoded by a profile."""
    result = DisplayTally()
    driver = opened(profile)
    for packet, display in zip(recorder.packets, recorder.displays, strict=True):
        count_displays(result, feed(driver, packet), [display])
    return result


def opened(profile):
    channels = [Characteristic(uuid, uuid, SERVICE, frozenset({"notify"})) for uuid in (FRAMES, OTHER)]
    return compile_profile(profile).open(channels)


def feed(driver, packet):
    at = round(packet.seconds * 1e9)
    return list(driver.feed(packet.channel, packet.data, Timestamp(at, at)))


def taught(capture):
    """Return the profile taught from a capture; assert that there is one."""
    report = teach(capture)
    assert report.profile is not None, report.as_object()
    return report.profile


def assert_never_wrong(capture, later):
    """Return the report on a capture; if it has a profile, assert that it decodes no packet of ``later`` wrongly."""
    report = teach(capture)
    if report.profile is not None:
        result = tally(report.profile, later)
        assert result.wrong == 0, result.errors
    else:
        assert report.reason
    return report


# Random encodings


@pytest.mark.study(everyday=1, sample=4, full=100)
@pytest.mark.parametrize("mode", [CAPACITANCE, DC_VOLTS], ids=str)
def test_frames_of_one_function(mode, study_seed):
    meter = Framed(study_seed)
    profile = taught(teaching(meter, [mode], 12, study_seed).capture())
    result = tally(profile, unseen(meter, [mode], study_seed))
    assert (result.wrong, result.refused) == (0, 0), result.errors


@pytest.mark.parametrize("number", Framed.NUMBERS)
def test_every_kind_of_number(number):
    meter = Framed(7, number=number, key=b"")
    profile = taught(teaching(meter, [DC_VOLTS], 12, 7).capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], 7))
    assert (result.wrong, result.refused) == (0, 0), result.errors


@pytest.mark.parametrize("number", Framed.SPECIAL)
def test_special_kinds_of_number(number):
    meter = Framed(9, number=number, key=b"")
    if number == "fixed unit":
        meter.range_code = dict.fromkeys(meter.range_code, 3)
    max_counts = 2000 if number == "sfloat" else 5999  # a mantissa of twelve bits
    report = assert_never_wrong(
        teaching(meter, [DC_VOLTS], 25, 9, max_counts).capture(), unseen(meter, [DC_VOLTS], 9, max_counts=max_counts)
    )
    assert report.profile is not None or number == "offset binary"


@pytest.mark.parametrize("checksum", Framed.CHECKSUMS)
@pytest.mark.parametrize("key", [b"", b"\x5a", b"\x13\x9c\xe7\x42"], ids=["no key", "key of one", "key of four"])
def test_every_kind_of_checksum_under_keys(checksum, key):
    meter = Framed(8, number="i16be", checksum=checksum, key=key)
    profile = taught(teaching(meter, [DC_VOLTS], 25, 8).capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], 8))
    assert (result.wrong, result.refused) == (0, 0), result.errors


@pytest.mark.study(everyday=1, sample=4, full=40)
def test_frames_of_six_functions(study_seed):
    meter = Framed(100 + study_seed)
    for entries, most_refused in ((40, 0.3), (TWO_OF_EVERY_RANGE, 0)):
        profile = taught(teaching(meter, list(RANGES), entries, study_seed).capture())
        result = tally(profile, unseen(meter, list(RANGES), study_seed, 300))
        assert result.wrong == 0, result.errors
        assert result.refused <= most_refused * result.displays, result.errors


@pytest.mark.study(everyday=1, sample=3, full=100)
def test_scattered_segments(study_seed):
    """Random readings leave out some digits in some places; doubtful digits are refused, and asked for."""
    meter = Segmented(study_seed, counter=study_seed % 2 == 1)
    report = teach(teaching(meter, [DC_VOLTS], 25, study_seed).capture())
    assert report.profile is not None, report.as_object()
    result = tally(report.profile, unseen(meter, [DC_VOLTS], study_seed))
    assert result.wrong == 0, result.errors
    assert result.refused <= 0.05 * result.displays
    assert report.suggested_readings or not result.refused


@pytest.mark.study(everyday=1, sample=4, full=100)
def test_scattered_segments_with_every_digit_in_every_place(study_seed):
    seed = 6 + study_seed
    meter = Segmented(seed, counter=seed % 2 == 1)
    recorder, rng = Recorder(meter), random.Random(seed)
    ranges = itertools.cycle(RANGES[DC_VOLTS])
    for first in range(20):
        # 0123, 1234 … 9012 …: each digit twice in each of the lower places; in the upper place up to its greatest.
        counts = sum(((first + digit) % 10) * 10 ** (3 - digit) for digit in range(4))
        recorder.show(draw([DC_VOLTS], rng))
        recorder.read(make_display(DC_VOLTS, counts if first % 4 else -counts, *next(ranges)))
    for _ in range(3):
        recorder.read(make_display(DC_VOLTS, None, "V", 2))
    recorder.read(make_display(DC_VOLTS, 5, "V", 3))
    recorder.read(make_display(DC_VOLTS, -40, "mV", 1))
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], seed))
    assert (result.wrong, result.refused) == (0, 0), result.errors


@pytest.mark.study(everyday=1, sample=3, full=40)
def test_scattered_segments_of_six_functions(study_seed):
    seed = 20 + study_seed
    meter = Segmented(seed)
    profile = taught(teaching(meter, list(RANGES), TWO_OF_EVERY_RANGE, seed).capture())
    result = tally(profile, unseen(meter, list(RANGES), seed, 300))
    assert result.wrong == 0, result.errors
    assert result.refused <= 0.02 * result.displays


# Framings


@pytest.mark.parametrize("pieces", ["in two", "by chance"])
def test_frames_cut_anywhere_and_joined(pieces):
    meter = Framed(31, number="i16be", checksum="crc8", key=b"")
    rng = random.Random(31)

    def repacked(recorder):
        """Return the same bytes in other packets; each arrives when its last byte was sent."""
        packets, stream = [], b""
        for packet in recorder.packets:
            stream += packet.data
            size = len(packet.data) // 2 if pieces == "in two" else rng.randrange(1, 20)
            while len(stream) >= size:
                packets.append(CapturedPacket(packet.seconds, FRAMES, stream[:size]))
                stream = stream[size:]
                size = len(packet.data) // 2 if pieces == "in two" else rng.randrange(1, 20)
        return packets

    lessons = teaching(meter, [DC_VOLTS], 25, 31)
    profile = taught(Capture(tuple(repacked(lessons)), tuple(lessons.entries)))
    later = unseen(meter, [DC_VOLTS], 31)
    driver = opened(profile)
    readings = [reading for packet in repacked(later) for reading in feed(driver, packet)]
    result = DisplayTally()
    count_displays(result, readings, later.displays)
    assert result.wrong == 0, result.errors
    assert result.refused <= 2  # the first frame may have begun earlier, and the last may be incomplete


# Faulty captures


def lesson(seed, **options):
    meter = Framed(seed, number="i16be", checksum="crc8", key=b"", **options)
    return meter, teaching(meter, [DC_VOLTS], 16, seed)


def test_duplicate_packets_do_no_harm():
    meter, recorder = lesson(41)
    recorder.packets = [copy for packet in recorder.packets for copy in (packet, packet)]
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], 41))
    assert (result.wrong, result.refused) == (0, 0), result.errors


def test_lost_packets_do_no_harm():
    meter, recorder = lesson(42)
    rng = random.Random(42)
    recorder.packets = [packet for packet in recorder.packets if rng.random() < 0.7]
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], 42))
    assert (result.wrong, result.refused) == (0, 0), result.errors


def test_an_entry_whose_packets_were_all_lost_does_no_harm():
    meter, recorder = lesson(43)
    lost_entry = recorder.entries[5]
    recorder.packets = [
        packet for packet in recorder.packets if not lost_entry.begin <= packet.seconds <= lost_entry.end
    ]
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], 43))
    assert (result.wrong, result.refused) == (0, 0), result.errors


@pytest.mark.parametrize(
    "slip",
    [
        lambda text: text.replace(text[1], "7" if text[1] != "7" else "3", 1),  # a wrong digit
        lambda text: text.replace(".", "", 1),  # no point
        lambda text: text.removeprefix("-") if text[0] == "-" else f"-{text}",  # the other sign
        lambda text: text.replace("DC", "AC"),
    ],
    ids=["digit", "point", "sign", "coupling"],
)
@pytest.mark.parametrize("kind", ["frames", "segments"])
def test_a_typing_error_is_refused_and_named(kind, slip):
    meter = Framed(44, number="i16be", checksum="crc8", key=b"") if kind == "frames" else Segmented(44)
    recorder = teaching(meter, [DC_VOLTS], 25, 44)
    at = next(
        at for at, entry in enumerate(recorder.entries) if at > 8 and "OL" not in entry.text and "." in entry.text
    )
    wrong = slip(recorder.entries[at].text)
    recorder.entries[at] = make_display_entry(recorder.entries[at].seconds, wrong)
    report = teach(recorder.capture())
    assert report.profile is None
    assert [contradiction.entry for contradiction in report.contradictions] == [recorder.entries[at]]


def test_a_display_that_changed_within_an_entry_gives_no_wrong_value():
    meter = Framed(45, number="i16be", checksum="crc8", key=b"")
    recorder = teaching(meter, [DC_VOLTS], 25, 45)
    rng = random.Random(45)
    for at in (3, 9, 15):
        entry = recorder.entries[at]
        index = next(index for index, packet in enumerate(recorder.packets) if packet.seconds >= entry.begin)
        new_display = draw([DC_VOLTS], rng)
        recorder.packets[index] = CapturedPacket(recorder.packets[index].seconds, FRAMES, meter.frame(new_display))
    assert_never_wrong(recorder.capture(), unseen(meter, [DC_VOLTS], 45))


@pytest.mark.parametrize("kind", ["frames", "segments"])
def test_a_constant_reading_is_not_enough_and_more_is_asked_for(kind):
    meter = Framed(46, number="i16be", checksum="crc8", key=b"") if kind == "frames" else Segmented(46)
    recorder = Recorder(meter)
    for _ in range(12):
        recorder.read(make_display(CAPACITANCE, 4700, "µF", 3))
    report = teach(recorder.capture())
    assert report.profile is None
    assert report.suggested_readings


def test_a_second_channel_of_noise_is_ignored():
    meter, recorder = lesson(47)
    rng = random.Random(47)
    noise = [
        CapturedPacket(packet.seconds + 0.01, OTHER, rng.randbytes(rng.randrange(1, 20))) for packet in recorder.packets
    ]
    capture = Capture(
        tuple(sorted([*recorder.packets, *noise], key=lambda packet: packet.seconds)), tuple(recorder.entries)
    )
    profile = taught(capture)
    result = tally(profile, unseen(meter, [DC_VOLTS], 47))
    assert (result.wrong, result.refused) == (0, 0), result.errors
    driver = opened(profile)
    assert [reading for packet in noise for reading in feed(driver, packet) if reading.digits is not None] == []


def test_a_low_battery_bit_that_turns_on_halfway_has_no_other_meaning():
    meter = Framed(48, number="i16be", checksum="sum", key=b"")
    recorder = Recorder(meter)
    rng = random.Random(48)
    for index, display in enumerate(tour([DC_VOLTS], 24, rng)):
        recorder.show(draw([DC_VOLTS], rng), low_battery=index >= 12)
        recorder.read(display, low_battery=index >= 12)
    profile = taught(recorder.capture())
    for low_battery in (False, True):
        result = tally(profile, unseen(meter, [DC_VOLTS], 48, low_battery=low_battery))
        assert (result.wrong, result.refused) == (0, 0), result.errors


def test_a_low_battery_bit_never_seen_is_not_a_wrong_value():
    meter, recorder = lesson(49)
    result = tally(taught(recorder.capture()), unseen(meter, [DC_VOLTS], 49, low_battery=True))
    assert result.wrong == 0, result.errors


@pytest.mark.parametrize("step", [1, 3, 255])
def test_a_counter_that_rolls_over_does_no_harm(step):
    meter, recorder = lesson(50, counter=step, count=200)
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], 50, 300))
    assert (result.wrong, result.refused) == (0, 0), result.errors


def test_a_value_that_rises_with_the_counter_is_not_read_from_the_counter():
    """During teaching, each entry equals the counter at its last packet."""
    meter = Framed(51, number="u16be+sign", checksum="none", key=b"", counter=1, count=0, noise=False)
    recorder = Recorder(meter)
    for _ in range(12):
        counts = meter.count + 4  # the value of the counter at the fifth packet
        display = make_display(CAPACITANCE, counts, "µF", 3)
        recorder.show(display, 5)
        recorder.enter(f"{display.digits} uF")
    assert_never_wrong(recorder.capture(), unseen(meter, [CAPACITANCE], 51))


@pytest.mark.parametrize("number", Framed.NUMBERS)
def test_a_minus_never_seen_is_not_a_wrong_value(number):
    meter = Framed(52, number=number, checksum="crc8", key=b"")
    recorder, rng = Recorder(meter), random.Random(52)
    for display in tour([DC_VOLTS], 30, rng):
        if display.digits is None or display.digits > 0:
            recorder.read(display)
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], 52))
    assert result.wrong == 0, result.errors


@pytest.mark.study(everyday=1, sample=3, full=40)
def test_a_minus_never_seen_on_segments_is_not_a_wrong_value(study_seed):
    meter = Segmented(60 + study_seed)
    recorder, rng = Recorder(meter), random.Random(study_seed)
    for display in tour([DC_VOLTS], 40, rng):
        if display.digits is None or display.digits > 0:
            recorder.read(display)
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [DC_VOLTS], study_seed))
    assert result.wrong == 0, result.errors


def test_small_counts_only_do_not_fix_a_high_byte():
    """No reading above 255 counts was shown: a second byte, and its side, are unknown."""
    meter = Framed(53, number="i16be", checksum="none", key=b"")
    recorder, rng = Recorder(meter), random.Random(53)
    for _ in range(16):
        recorder.read(make_display(CAPACITANCE, rng.randrange(1, 250), "µF", 2))
    assert_never_wrong(recorder.capture(), unseen(meter, [CAPACITANCE], 53))


@pytest.mark.parametrize("number", [*Framed.NUMBERS, "segments"])
def test_a_blank_display_never_seen_is_not_an_overload(number):
    meter = Segmented(62) if number == "segments" else Framed(62, number=number, key=b"", noise=False)
    profile = taught(teaching(meter, [RESISTANCE], 25, 62).capture())
    recorder = Recorder(meter)
    recorder.show(blank(RESISTANCE), 10)
    result = tally(profile, recorder)
    assert result.wrong == 0, result.errors


@pytest.mark.parametrize("order", ["little", "big"])
def test_an_overload_never_seen_in_a_field_with_room_is_not_a_wrong_value(order):
    """Mantissa and a byte of exponent: a float of IEEE 11073, but with another value for overload."""

    def frame(counts, places):
        exponent = (-places % 256).to_bytes(1, "big")
        number = counts.to_bytes(3, order, signed=True)
        return b"\x5a\x07" + (number + exponent if order == "little" else exponent + number)

    rng = random.Random(65)
    packets, entries = [], []
    for index in range(14):
        counts, places = rng.randint(-5999, 5999), rng.choice((1, 2, 3))
        packets.append(CapturedPacket(float(index), FRAMES, frame(counts, places)))
        entries.append(make_display_entry(index + 0.1, f"{Decimal(counts).scaleb(-places)} V DC"))
    driver = opened(taught(Capture(tuple(packets), tuple(entries))))
    assert feed(driver, CapturedPacket(0.0, FRAMES, frame(-1234, 2)))[-1].text == "-12.34 V DC"
    for beyond in (0x7FFFFF, 0x7FFFFE, -0x800000, 0x7FFF00):
        assert feed(driver, CapturedPacket(0.0, FRAMES, frame(beyond, 2)))[-1].digits is None


def test_the_upper_end_of_a_number_wider_than_was_found_must_go_on_agreeing():
    """Five bytes in microvolts, finer than the display; teaching searches for four."""

    def frame(microvolts):
        return b"\x5a\x07" + microvolts.to_bytes(5, "big", signed=True)

    rng = random.Random(66)
    packets, entries = [], []
    for index in range(20):
        counts = rng.randint(-5999, 5999)
        packets.append(CapturedPacket(float(index), FRAMES, frame(10_000 * counts + rng.randint(-4000, 4000))))
        entries.append(make_display_entry(index + 0.1, f"{Decimal(counts).scaleb(-2)} V DC"))
    driver = opened(taught(Capture(tuple(packets), tuple(entries))))
    assert feed(driver, CapturedPacket(0.0, FRAMES, frame(12_341_000)))[-1].text == "12.34 V DC"
    assert feed(driver, CapturedPacket(0.0, FRAMES, frame(0x7FFFFFFFFF)))[-1].digits is None


@pytest.mark.study(everyday=2, sample=6, full=100)
def test_ranges_told_apart_by_chance_are_left_out(study_seed):
    """A float in ohms, noise, one packet per entry, two entries per range: some noise follows the ranges by chance."""
    rng = random.Random(f"chance/{study_seed}")
    ranges = (("Ω", 1, 0), ("kΩ", 3, 3), ("kΩ", 2, 3), ("kΩ", 1, 3), ("MΩ", 3, 6), ("MΩ", 2, 6))

    def ohms(counts, places, power):
        return float(Decimal(counts).scaleb(power - places))

    def frame(*reading):
        return b"\x5a\x07" + rng.randbytes(12) + struct.pack("<f", ohms(*reading)) + rng.randbytes(12)

    packets, entries = [], []
    for index in range(12):
        counts, (unit, places, power) = rng.randint(600, 5999), ranges[index % len(ranges)]
        packets.append(CapturedPacket(float(index), FRAMES, frame(counts, places, power)))
        entries.append(make_display_entry(index + 0.1, f"{Decimal(counts).scaleb(-places)} {unit}"))
    driver = opened(taught(Capture(tuple(packets), tuple(entries))))
    for _ in range(300):
        counts, (_, places, power) = rng.randint(600, 5999), rng.choice(ranges)
        (reading,) = feed(driver, CapturedPacket(0.0, FRAMES, frame(counts, places, power)))
        if reading.value is not None:
            assert reading.value == pytest.approx(ohms(counts, places, power), rel=1e-9)


def test_a_function_never_seen_is_not_a_wrong_value():
    meter, recorder = lesson(54)
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [AC_VOLTS, RESISTANCE, TEMPERATURE], 54))
    assert (result.wrong, result.right) == (0, 0), result.errors


def test_a_range_never_seen_is_not_a_wrong_value():
    meter = Framed(55, number="i16be", checksum="crc8", key=b"")
    recorder, rng = Recorder(meter), random.Random(55)
    for _ in range(16):
        recorder.read(make_display(CAPACITANCE, rng.randrange(100, 5999), "µF", 2))
    profile = taught(recorder.capture())
    result = tally(profile, unseen(meter, [CAPACITANCE], 55))
    assert result.wrong == 0, result.errors


def test_random_frames_teach_nothing():
    rng = random.Random(56)
    recorder = Recorder(Framed(56))
    recorder.meter.frame = lambda _shown: rng.randbytes(9)
    for display in tour([DC_VOLTS], 20, rng):
        recorder.read(display)
    report = teach(recorder.capture())
    assert report.profile is None
    assert report.reason


def test_no_entries_or_no_packets_teach_nothing():
    _, recorder = lesson(57)
    for capture in (
        Capture(tuple(recorder.packets)),
        Capture((), tuple(recorder.entries)),
        Capture(()),
    ):
        report = teach(capture)
        assert report.profile is None
        assert report.reason


# The random meters themselves


@pytest.mark.parametrize("mode", RANGES, ids=str)
def test_made_up_frames_differ_with_the_display(mode):
    """Different displays never send the same frame, apart from counter and noise; otherwise decoding is impossible."""
    rng = random.Random(1)
    for number in Framed.NUMBERS:
        meter = Framed(1, number=number, counter=None, noise=False)
        meter.flags = [0, 1, 2, 3, 4]
        displays = {str(display): display for display in (draw([mode], rng) for _ in range(300))}
        frames = set()
        for display in displays.values():
            meter.count = 0
            frames.add(meter.frame(display))
        assert len(frames) == len(displays)


def test_made_up_segments_differ_with_the_display():
    rng = random.Random(1)
    displays = {str(display): display for display in (draw(list(RANGES), rng) for _ in range(500))}
    meter = Segmented(1)
    assert len({meter.frame(display) for display in displays.values()}) == len(displays)


def test_crc_of_the_nine_digits():
    # CRC-8/SMBUS and CRC-16/XMODEM, from memory of the published catalogue.
    assert crc(b"123456789", 8, 0x07) == 0xF4
    assert crc(b"123456789", 16, 0x1021) == 0x31C3
