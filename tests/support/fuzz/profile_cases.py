"""Meters of every driver: their profiles, their frames, and the values that independent arithmetic reads in them."""

import math
import random
import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cache

from meterlink.driver_api import Characteristic, Driver, Reading, Timestamp, uuid16
from meterlink.profiles import ProfileDriverFactory, characteristics_for_capture, check_profile, compile_profile
from meterlink_drivers.presented import PRESENTED

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
NOW = Timestamp(1, 1)
HEAD = 'profile = 1\nname = "fuzzed"\ndriver = "{driver}"\n[connection]\nnotify = "' + CHANNEL + '"\n'

FRAMED = """\
[frame]
start = "e7"
length = { at = 1, add = 4 }
key = "3c99a1"
key_from = 2
[[frame.checksum]]
kind = "crc"
at = -2
size = 2
polynomial = 0x1021
init = 0xffff
[value]
type = "int"
at = 3
size = 2
[[code]]
at = 2
[code.is]
1 = { unit = "V", places = 1 }
2 = { unit = "µF", places = 2 }
[annunciators]
"5.0" = { flag = "overload" }
"""
SEGMENTED = """\
[frame]
start = "5a"
length = 6
[[frame.checksum]]
kind = "xor"
[value]
type = "segments"
unit = "Ω"
digits = [
    ["1.1", "1.3", "1.5", "1.7", "!1.0", "1.2", "1.4"],
    ["2.1", "2.3", "2.5", "2.7", "!2.0", "2.2", "2.4"],
    ["3.1", "3.3", "3.5", "3.7", "!3.0", "3.2", "3.4"],
]
[annunciators]
"4.0" = { flag = "negative" }
"""
LINED = """\
[text]
unit = "V"
longest = 30
"""
# The same display, taught: a and d of the first digit share a pool of two bits, c of the last digit has one of three.
POOLED = (
    SEGMENTED.replace('["1.1", "1.3", "1.5", "1.7",', '["*0", "1.3", "1.5", "*0",')
    .replace('"3.1", "3.3", "3.5",', '"3.1", "3.3", "!*1",')
    .replace("[annunciators]", 'pools = [["1.1", "1.7"], ["!3.5", "4.1", "4.2"]]\n[annunciators]')
)
GLUED = """\
[text]
separators = "{}\\""
split_before_number = true
number_count = 1
longest = 40
[text.words]
ACV = { unit = "V", coupling = "AC" }
CAP = { unit = "µF" }
"""
KEY = b"\x3c\x99\xa1"
SHAPES = dict(zip(bytes.fromhex("3F065B4F666D7D077F6F7C2767"), "0123456789679", strict=True))


def crc(data: bytes) -> int:
    """Return the CRC bit by bit (polynomial 0x1021, from 0xffff)."""
    register = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            top = register >> 15 ^ byte >> bit & 1
            register = (register << 1 ^ (0x1021 if top else 0)) & 0xFFFF
    return register


def keyed(frame: bytes) -> bytes:
    return frame[:2] + bytes(byte ^ KEY[offset % 3] for offset, byte in enumerate(frame[2:]))


def framed_frame(rng: random.Random) -> bytes:
    filler = rng.randbytes(rng.choice([0, 0, 0, 3, 20]))
    tail = bytes([rng.choice([1, 2, 2, 3])]) + struct.pack("<h", rng.randint(-9999, 9999)) + bytes([rng.choice([0, 1])])
    body = b"\xe7" + bytes([len(tail) + len(filler)]) + tail + filler
    return keyed(body + struct.pack("<H", crc(body)))


def framed_is_right(reading: Reading) -> bool:
    plain = keyed(reading.packet)
    (stored,), (count,) = struct.unpack("<H", plain[-2:]), struct.unpack("<h", plain[3:5])
    unit, places = {1: ("V", 1), 2: ("µF", 2)}[plain[2]]
    return (
        plain[0] == 0xE7
        and len(plain) == plain[1] + 4
        and stored == crc(plain[:-2])
        and not plain[5] & 1
        and (reading.digits, reading.unit) == (Decimal(count).scaleb(-places), unit)
    )


def segmented_frame(rng: random.Random) -> bytes:
    frame = bytearray(b"\x5a") + bytes(_shape_to_byte(rng.choice([*SHAPES, 0, 0x40, 0x38])) for _ in range(3))
    frame.append(rng.choice([0, 1]))
    checksum = 0
    for byte in frame:
        checksum ^= byte
    return bytes(frame) + bytes([checksum])


# The bit of each segment, a to g; e is sent inverted.
SEGMENT_BITS = (1, 3, 5, 7, 0, 2, 4)


def _shape_to_byte(shape: int) -> int:
    return sum(1 << bit for number, bit in enumerate(SEGMENT_BITS) if (shape >> number & 1) != (number == 4))


def _byte_to_shape(byte: int) -> int:
    return sum(1 << number for number, bit in enumerate(SEGMENT_BITS) if (byte >> bit & 1) != (number == 4))


def segmented_is_right(reading: Reading) -> bool:
    checksum = 0
    for byte in reading.packet[:5]:
        checksum ^= byte
    text = "".join({0: " ", 0x40: "-", **SHAPES}.get(_byte_to_shape(byte), "?") for byte in reading.packet[1:4])
    negative = text.lstrip().startswith("-") != bool(reading.packet[4] & 1)
    return (
        len(reading.packet) == 6
        and reading.packet[0] == 0x5A
        and checksum == reading.packet[5]
        and text.replace(" ", "").replace("-", "", 1).isdigit()
        and reading.digits is not None
        and (abs(reading.digits), reading.digits.is_signed()) == (Decimal(text.strip(" -")), negative)
    )


def lined_frame(rng: random.Random) -> bytes:
    number = Decimal(rng.randint(-9999, 9999)).scaleb(-rng.randint(0, 3))
    unit = rng.choice(["V", "mV", "kohm", "µF", "", "OL"])
    form = rng.choice(["{0:f} {1}\n", "{0:f}{1},DC\n", "{0:E} {1}\n"])
    return form.format(number, unit).encode()


NUMBER_AND_UNIT = re.compile(
    r"([+-]?)[\s,;:=]*((?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:E[+-]?[0-9]+)?)[\s,;:=]*([^\s,;:=]*)", re.IGNORECASE
)
IN_BASE = {"": 1.0, "V": 1.0, "mV": 1e-3, "kohm": 1e3, "µF": 1e-6, "DC": 1.0}


def lined_is_right(reading: Reading) -> bool:
    match = NUMBER_AND_UNIT.search(reading.packet.decode())
    if match is None or match[3] not in IN_BASE:  # a unit made by a mutation, for example kV
        return match is not None
    value = float(match[2]) * IN_BASE[match[3]] * (-1 if match[1] == "-" else 1)
    assert reading.value is not None
    return math.isclose(reading.value, value, rel_tol=1e-9)


def pooled_is_right(reading: Reading) -> bool:
    # Bits 4.1 and 4.2 are never lit in a good frame: a lit bit means an unknown display.
    return segmented_is_right(reading) and not reading.packet[4] & 6


def glued_frame(rng: random.Random) -> bytes:
    word = rng.choice(["ACV", "CAP", "CAP", "OHM"])
    number = Decimal(rng.randint(-9999, 9999)).scaleb(-rng.randint(0, 3))
    return f'{{"{word}{number:+f}"}}\n'.encode()


def glued_is_right(reading: Reading) -> bool:
    units = {"ACV": "V", "CAP": "µF"}
    match = re.fullmatch(
        r'[\s,;:={}"]*(?:(ACV|CAP)[\s,;:={}"]*)?([+-]?)[\s]*([0-9]+\.?[0-9]*|\.[0-9]+)[\s,;:={}"]*(ACV|CAP)?[\s,;:={}"]*',
        reading.packet.decode(),
    )
    if match is None:  # an exponent or a unit made by a mutation, for example %
        return re.search(r'[^0-9\s,;:={}"+.-]', reading.packet.decode()) is not None
    assert reading.digits is not None
    same = reading.digits == Decimal(f"{match[2]}{match[3]}")
    return same and (reading.unit == units[match[1] or match[4]] if match[1] or match[4] else True)


def presented_frame(rng: random.Random) -> bytes:
    return struct.pack("<h", rng.randint(-32768, 32767))


def presented_is_right(reading: Reading) -> bool:
    return len(reading.packet) == 2 and reading.digits == Decimal(struct.unpack("<h", reading.packet)[0]).scaleb(-3)


@dataclass(frozen=True)
class Case:
    driver: str
    profile: str
    frame: Callable[[random.Random], bytes]
    right: Callable[[Reading], bool]

    def open(self) -> Driver:
        if not self.profile:  # it describes itself: sint16, 10^-3, volt (Bluetooth Assigned Numbers)
            descriptors = {uuid16(0x2904): bytes.fromhex("0EFD2827010000")}
            return PRESENTED.open([Characteristic(CHANNEL, CHANNEL, CHANNEL, frozenset({"notify"}), descriptors)])
        factory = _compiled(self.driver, self.profile)
        return factory.open(characteristics_for_capture(factory.profile, [CHANNEL]))


@cache
def _compiled(driver: str, profile: str) -> ProfileDriverFactory:
    checked = check_profile(HEAD.format(driver=driver) + profile)
    assert checked.value is not None, [str(problem) for problem in checked.problems]
    return compile_profile(checked.value)


CASES = [
    Case("framed", FRAMED, framed_frame, framed_is_right),
    Case("segmented", SEGMENTED, segmented_frame, segmented_is_right),
    Case("lined", LINED, lined_frame, lined_is_right),
    Case("segmented", POOLED, segmented_frame, pooled_is_right),
    Case("lined", GLUED, glued_frame, glued_is_right),
    Case("presented", "", presented_frame, presented_is_right),
]
NAMES = ["framed", "segmented", "lined", "pooled", "glued", "presented"]


def packets(case: Case, count: int, seed: int) -> Iterator[bytes]:
    """Yield good frames, broken ones and noise, whole and in pieces."""
    rng = random.Random(seed)
    for _ in range(count):
        data = bytearray(case.frame(rng))
        match rng.randrange(8):
            case 0:
                data = bytearray(rng.randbytes(rng.randrange(40)))
            case 1:
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            case 2:
                del data[rng.randrange(len(data)) :]
            case 3:
                data[rng.randrange(len(data)) : rng.randrange(len(data))] = rng.randbytes(rng.randrange(4))
            case 4:
                data += case.frame(rng)[: rng.randrange(12)]
            case 5:
                data *= rng.randrange(1, 12)
        yield bytes(data)
