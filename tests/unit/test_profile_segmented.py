"""Segmented profiles: displays whose segments are scattered over the bits of a frame."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.driver_api import Reading, Stamp, Status
from meterlink.profiles import open_on_capture
from meterlink.profiles.model import (
    Bit,
    CheckKind,
    Connection,
    DriverName,
    Flag,
    FrameCheck,
    Framing,
    Match,
    Meaning,
    Profile,
    Segments,
    Unmapped,
    Value,
)

untimed = settings(deadline=None)  # how fast the machine is proves nothing here

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
# Which segments light for a character, spelled a to g; written apart from the decoder's table.
LIT = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc",
    "8": "abcdefg", "9": "abcdfg", " ": "", "-": "g", "L": "def", "E": "adefg", "r": "eg", "n": "ceg", "o": "cdeg",
    "6'": "cdefg", "7'": "abcf", "9'": "abcfg",
}  # fmt: skip


def feed(profile: Profile, frame: bytes) -> Reading:
    (reading,) = open_on_capture(profile, [CHANNEL]).feed(CHANNEL, frame, Stamp(1, 1))
    return reading


def profile(segments: Segments, framing: Framing | None = None, **more: Any) -> Profile:
    lit = more.pop("lit", ())
    value = Value(segments, unit=more.pop("unit", "V"), **more)
    connection = Connection((CHANNEL,))
    return Profile("test", DriverName.SEGMENTED, connection, Match(), framing or Framing(), value, lit=lit)


def set_bit(frame: bytearray, bit: Bit, lit: bool) -> None:
    frame[bit.byte] &= ~(1 << bit.bit)
    frame[bit.byte] |= (lit != bit.inverted) << bit.bit


def straight(count: int) -> tuple[tuple[Bit, ...], ...]:
    """Return digits that have a byte each, segment a in bit 0."""
    return tuple(tuple(Bit(byte, bit) for bit in range(7)) for byte in range(count))


def straight_frame(*characters: str) -> bytes:
    return bytes(sum(1 << "abcdefg".index(segment) for segment in LIT[one]) for one in characters)


@untimed
@given(st.data())
def test_any_scramble_inversion_and_key(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 6))
    size = 8
    order = data.draw(st.permutations([(byte, bit) for byte in range(size) for bit in range(8)]))
    bits = iter(Bit(byte, bit, data.draw(st.booleans())) for byte, bit in order)
    digits = tuple(tuple(next(bits) for _ in range(7)) for _ in range(count))
    points = tuple((places, next(bits)) for places in range(1, count))
    minus = next(bits)
    # The first digit may be half a one, with nothing but b and c.
    half = data.draw(st.booleans())
    if half:
        b, c = digits[0][1:3]
        digits = (
            (Unmapped.ABSENT, b, c, Unmapped.ABSENT, Unmapped.ABSENT, Unmapped.ABSENT, Unmapped.ABSENT),
            *digits[1:],
        )
    number = data.draw(st.integers(0, 2 * 10 ** (count - 1) - 1 if half else 10**count - 1))
    text = f"{number:{'' if data.draw(st.booleans()) else '0'}{count}d}"
    if half:
        text = text.replace("0", " ", 1) if text[0] == "0" else text
    places = data.draw(st.integers(0, count - 1))
    negative = data.draw(st.booleans())
    key = data.draw(st.binary(max_size=5))

    frame = bytearray(data.draw(st.binary(min_size=size, max_size=size)))
    for digit, character in zip(digits, text, strict=True):
        for segment, bit in zip("abcdefg", digit, strict=True):
            if isinstance(bit, Bit):
                set_bit(frame, bit, segment in LIT[character])
    for number_behind, bit in points:
        set_bit(frame, bit, number_behind == places)
    set_bit(frame, minus, negative)
    frame.append(sum(frame) & 0xFF)
    came = bytes(byte ^ key[place % len(key)] for place, byte in enumerate(frame)) if key else bytes(frame)

    framing = Framing(length=size + 1, key=key, checks=(FrameCheck(CheckKind.SUM),))
    one = profile(Segments(digits), framing, points=points, lit=((minus, Meaning(flag=Flag.NEGATIVE)),))
    reading = feed(one, came)
    assert reading.status is (Status.OK if text.strip() else Status.INVALID)
    if reading.digits is not None:
        sign = "-" if negative else ""
        assert str(reading.digits) == f"{sign}{Decimal(number).scaleb(-places):f}"


@pytest.mark.parametrize(
    ("shown", "text"),
    [
        (("1", "2", "3", "4"), "1234 V"),
        ((" ", " ", "0", "7"), "7 V"),
        (("0", "0", "0", "0"), "0 V"),
        (("6'", "7'", "9'", "8"), "6798 V"),
        (("-", " ", "4", "2"), "-42 V"),
        ((" ", "-", "4", "2"), "-42 V"),
        ((" ", "-", " ", "0"), "-0 V"),
        ((" ", "0", "L", " "), "OL V"),
        (("0", "L", " ", " "), "OL V"),
        ((" ", " ", "o", "L"), "OL V"),
        (("-", "0", "L", " "), "OL V"),
        ((" ", " ", " ", " "), "--- V"),
        (("-", "-", "-", "-"), "--- V"),
        (("1", " ", "3", "4"), "--- V"),  # half a display is not a number
        (("1", "2", "3", " "), "--- V"),
        (("1", "-", "3", "4"), "--- V"),
        (("E", "r", "r", " "), "--- V"),
        (("0", "L", "0", "L"), "--- V"),
        (("-", "-", "4", "2"), "--- V"),
    ],
)
def test_what_a_display_says(shown: tuple[str, ...], text: str) -> None:
    assert feed(profile(Segments(straight(4))), straight_frame(*shown)).text == text


def test_no_shape_but_a_digit_s_is_a_digit() -> None:
    digits = {shape: feed(profile(Segments(straight(1))), bytes([shape])).digits for shape in range(128)}
    known = {straight_frame(one)[0]: Decimal(one[0]) for one in LIT if one[0].isdigit()}
    assert {shape: number for shape, number in digits.items() if number is not None} == known


def test_a_profile_s_own_shapes() -> None:
    segments = Segments(straight(2), ((0x18, "1"), (0x06, "-")))
    assert feed(profile(segments), bytes([0x06, 0x18])).text == "-1 V"


def test_segments_nobody_knows_are_done_without_where_the_others_decide() -> None:
    digit = list(straight(1)[0])
    digit[4] = Unmapped.UNKNOWN  # type: ignore[call-overload] # a list of both is wanted
    one = profile(Segments((tuple(digit),)))
    # Without segment e, 5 is 6 and 8 is 9, and 4 is the letter H.
    read = {character: feed(one, straight_frame(character)).text for character in "0123456789"}
    assert {character for character, text in read.items() if text != "--- V"} == set("01237")
    assert all(text == f"{character} V" for character, text in read.items() if text != "--- V")


def test_annunciators_say_the_unit() -> None:
    lit = (
        (Bit(1, 0), Meaning(unit="F")),
        (Bit(1, 1), Meaning(prefix="n")),
        (Bit(1, 2), Meaning(prefix="µ")),
        (Bit(1, 3), Meaning(flag=Flag.OVERLOAD)),
        (Bit(1, 4), Meaning(flag=Flag.LOW_BATTERY)),
    )
    one = profile(Segments(straight(1)), lit=lit, unit="")
    five = straight_frame("5")
    assert [feed(one, five + bytes([bits])).text for bits in (3, 5, 7, 1, 2, 13)] == [
        "5 nF",
        "5 µF",
        "--- F",
        "5 F",
        "--- F",
        "OL µF",
    ]
    assert feed(one, five + b"\x13").low_battery
