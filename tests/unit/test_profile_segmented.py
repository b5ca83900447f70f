"""Segmented profiles: displays whose segments are scattered over the bits of a frame."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles import open_profile_driver
from meterlink.profiles.model import (
    Bit,
    CandidateSegment,
    Checksum,
    ChecksumKind,
    ConnectionSetup,
    DriverName,
    Flag,
    Framing,
    Match,
    Meaning,
    Profile,
    Segments,
    UnknownSegment,
    ValueFormat,
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
    (reading,) = open_profile_driver(profile, [CHANNEL]).feed(CHANNEL, frame, Timestamp(1, 1))
    return reading


def profile(segments: Segments, framing: Framing | None = None, **more: Any) -> Profile:
    lit = more.pop("lit", ())
    value = ValueFormat(segments, unit=more.pop("unit", "V"), **more)
    connection = ConnectionSetup((CHANNEL,))
    return Profile("test", DriverName.SEGMENTED, connection, Match(), framing or Framing(), value, annunciators=lit)


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
            (
                UnknownSegment.ABSENT,
                b,
                c,
                UnknownSegment.ABSENT,
                UnknownSegment.ABSENT,
                UnknownSegment.ABSENT,
                UnknownSegment.ABSENT,
            ),
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

    framing = Framing(length=size + 1, key=key, checksums=(Checksum(ChecksumKind.SUM),))
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
    digit[4] = UnknownSegment.UNKNOWN  # type: ignore[call-overload] # a list of both is wanted
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


# Segments whose bits are only known to be among some.


def drawn(text: str, place: dict[str, int], size: int, resting: int = 0) -> bytes:
    """Return a frame that lights ``text``; ``place`` has the bit of segment ``0a`` to ``3g``."""
    lit = {f"{digit}{segment}" for digit, char in enumerate(text) for segment in LIT[char]}
    return (resting ^ sum(1 << place[one] for one in lit)).to_bytes(size, "little")


def at(position: int, *, inverted: bool = False) -> Bit:
    return Bit(position // 8, position % 8, inverted)


def test_two_segments_that_share_two_bits_still_tell_a_seven() -> None:
    # a and d differ in a 7 only, and nobody knows which bit is which.
    digit = (CandidateSegment(0), Bit(0, 1), Bit(0, 2), CandidateSegment(0), Bit(0, 4), Bit(0, 5), Bit(0, 6))
    one = profile(Segments((digit,), pools=((Bit(0, 0), Bit(0, 3)),)))
    for place in ("abcdefg", "dbcaefg"):
        for char in "0123456789":
            frame = bytes([sum(1 << place.index(segment) for segment in LIT[char])])
            assert feed(one, frame).digits == Decimal(char)


def test_a_segment_that_has_always_been_lit_is_dark_where_the_others_say_so() -> None:
    # c is dark in a 2 only. Its bit is 1.0, 1.1 or 1.2, none of which has ever changed.
    digit = (Bit(0, 0), Bit(0, 1), CandidateSegment(0, inverted=True), Bit(0, 3), Bit(0, 4), Bit(0, 5), Bit(0, 6))
    still = (Bit(1, 0, inverted=True), Bit(1, 1), Bit(1, 2, inverted=True))
    one = profile(Segments((digit,), pools=(still,)))
    two = sum(1 << "abcdefg".index(segment) for segment in "abdeg")
    assert feed(one, bytes([two, 0b100])).digits == Decimal(2)
    assert feed(one, bytes([two, 0b001])).digits == Decimal(2)
    # As it was, there is a segment lit that makes it no digit; with two changed, one is something else.
    assert feed(one, bytes([two, 0b101])).status is Status.INVALID
    assert feed(one, bytes([two, 0b000])).status is Status.INVALID
    eight = sum(1 << "abcdefg".index(segment) for segment in "abdefg")
    assert feed(one, bytes([eight, 0b101])).digits == Decimal(8)
    assert feed(one, bytes([eight, 0b111])).status is Status.INVALID


@untimed
@given(st.randoms(use_true_random=False), st.data())
def test_pools_never_make_another_number(random: Any, data: st.DataObject) -> None:
    """Whatever segments share a pool, and whatever else changes among its bits, a digit is right or refused."""
    names = [f"{digit}{segment}" for digit in range(3) for segment in "abcdefg"]
    spare = 6  # bits that are no segment
    place = dict(zip(names, random.sample(range(len(names) + spare), len(names)), strict=True))
    hidden = random.sample(names, 8)
    pairs, still = [hidden[:2], hidden[2:4]], hidden[4:]
    pooled = {name: CandidateSegment(number) for number, pair in enumerate(pairs) for name in pair}
    free = [position for position in range(len(names) + spare) if position not in place.values()]
    pools = [tuple(at(place[name]) for name in pair) for pair in pairs]
    # The open pool rests as it is while all its segments are lit and all spare bits dark.
    pools.append(tuple(at(place[name], inverted=True) for name in still) + tuple(map(at, free)))
    pooled |= {name: CandidateSegment(2, inverted=True) for name in still}
    digits = tuple(
        tuple(pooled.get(f"{digit}{segment}") or at(place[f"{digit}{segment}"]) for segment in "abcdefg")
        for digit in range(3)
    )
    one = profile(Segments(digits, pools=tuple(pools)))
    text = data.draw(st.text("0123456789", min_size=3, max_size=3))
    extra = data.draw(st.sets(st.sampled_from(free)))
    reading = feed(one, drawn(text, place, 4, sum(1 << position for position in extra)))
    if reading.status is not Status.INVALID:
        assert reading.digits == Decimal(text)
