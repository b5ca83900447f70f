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

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
# The lit segments of each character, a to g; written independently of the decoder's table.
LIT = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc",
    "8": "abcdefg", "9": "abcdfg", " ": "", "-": "g", "L": "def", "E": "adefg", "r": "eg", "n": "ceg", "o": "cdeg",
    "6'": "cdefg", "7'": "abcf", "9'": "abcfg",
}  # fmt: skip


def feed(profile: Profile, frame: bytes) -> Reading:
    (reading,) = open_profile_driver(profile, [CHANNEL]).feed(CHANNEL, frame, Timestamp(1, 1))
    return reading


def profile(segments: Segments, framing: Framing | None = None, **more: Any) -> Profile:
    annunciators = more.pop("annunciators", ())
    value = ValueFormat(segments, unit=more.pop("unit", "V"), **more)
    connection = ConnectionSetup((CHANNEL,))
    return Profile(
        "test", DriverName.SEGMENTED, connection, Match(), framing or Framing(), value, annunciators=annunciators
    )


def set_bit(frame: bytearray, bit: Bit, lit: bool) -> None:
    frame[bit.byte] &= ~(1 << bit.bit)
    frame[bit.byte] |= (lit != bit.inverted) << bit.bit


def straight(count: int) -> tuple[tuple[Bit, ...], ...]:
    """Return digits that have a byte each, segment a in bit 0."""
    return tuple(tuple(Bit(byte, bit) for bit in range(7)) for byte in range(count))


def straight_frame(*characters: str) -> bytes:
    return bytes(sum(1 << "abcdefg".index(segment) for segment in LIT[character]) for character in characters)


@untimed
@given(st.data())
def test_any_scramble_inversion_and_key(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 6))
    size = 8
    order = data.draw(st.permutations([(byte, bit) for byte in range(size) for bit in range(8)]))
    bits = iter(Bit(byte, bit, data.draw(st.booleans())) for byte, bit in order)
    digits: tuple[Any, ...] = tuple(tuple(next(bits) for _ in range(7)) for _ in range(count))
    points = tuple((places, next(bits)) for places in range(1, count))
    minus = next(bits)
    # The first digit may have segments b and c only: a half digit.
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
    received = bytes(byte ^ key[offset % len(key)] for offset, byte in enumerate(frame)) if key else bytes(frame)

    framing = Framing(length=size + 1, key=key, checksums=(Checksum(ChecksumKind.SUM),))
    meter = profile(Segments(digits), framing, points=points, annunciators=((minus, Meaning(flag=Flag.NEGATIVE)),))
    reading = feed(meter, received)
    assert reading.status is (Status.OK if text.strip() else Status.INVALID)
    if reading.digits is not None:
        sign = "-" if negative else ""
        assert str(reading.digits) == f"{sign}{Decimal(number).scaleb(-places):f}"


@pytest.mark.parametrize(
    ("characters", "text"),
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
        (("1", " ", "3", "4"), "--- V"),  # a display with a gap is not a number
        (("1", "2", "3", " "), "--- V"),
        (("1", "-", "3", "4"), "--- V"),
        (("E", "r", "r", " "), "--- V"),
        (("0", "L", "0", "L"), "--- V"),
        (("-", "-", "4", "2"), "--- V"),
    ],
)
def test_displays(characters: tuple[str, ...], text: str) -> None:
    assert feed(profile(Segments(straight(4))), straight_frame(*characters)).text == text


def test_no_shape_but_a_digit_s_is_a_digit() -> None:
    digits = {shape: feed(profile(Segments(straight(1))), bytes([shape])).digits for shape in range(128)}
    known = {straight_frame(name)[0]: Decimal(name[0]) for name in LIT if name[0].isdigit()}
    assert {shape: number for shape, number in digits.items() if number is not None} == known


def test_a_profile_s_own_shapes() -> None:
    segments = Segments(straight(2), ((0x18, "1"), (0x06, "-")))
    assert feed(profile(segments), bytes([0x06, 0x18])).text == "-1 V"


def test_an_unknown_segment_is_not_needed_where_the_others_decide() -> None:
    digit = list(straight(1)[0])
    digit[4] = UnknownSegment.UNKNOWN  # type: ignore[call-overload] # a list of both is wanted
    meter = profile(Segments((tuple(digit),)))
    # Without segment e, 5 is 6 and 8 is 9, and 4 is the letter H.
    texts = {character: feed(meter, straight_frame(character)).text for character in "0123456789"}
    assert {character for character, text in texts.items() if text != "--- V"} == set("01237")
    assert all(text == f"{character} V" for character, text in texts.items() if text != "--- V")


def test_annunciators_give_the_unit() -> None:
    annunciators = (
        (Bit(1, 0), Meaning(unit="F")),
        (Bit(1, 1), Meaning(prefix="n")),
        (Bit(1, 2), Meaning(prefix="µ")),
        (Bit(1, 3), Meaning(flag=Flag.OVERLOAD)),
        (Bit(1, 4), Meaning(flag=Flag.LOW_BATTERY)),
    )
    meter = profile(Segments(straight(1)), annunciators=annunciators, unit="")
    five = straight_frame("5")
    assert [feed(meter, five + bytes([bits])).text for bits in (3, 5, 7, 1, 2, 13)] == [
        "5 nF",
        "5 µF",
        "--- F",
        "5 F",
        "--- F",
        "OL µF",
    ]
    assert feed(meter, five + b"\x13").low_battery


# Segments of which only a pool of possible bits is known.


def drawn(text: str, positions: dict[str, int], size: int, changed: int = 0) -> bytes:
    """Return a frame that lights ``text``; ``positions`` has the bit of each segment, ``0a`` to ``3g``."""
    lit = {f"{digit}{segment}" for digit, char in enumerate(text) for segment in LIT[char]}
    return (changed ^ sum(1 << positions[name] for name in lit)).to_bytes(size, "little")


def at(position: int, *, inverted: bool = False) -> Bit:
    return Bit(position // 8, position % 8, inverted)


def test_two_segments_that_share_two_bits_still_show_a_seven() -> None:
    # a and d differ in a 7 only; it is unknown which bit belongs to which.
    digit = (CandidateSegment(0), Bit(0, 1), Bit(0, 2), CandidateSegment(0), Bit(0, 4), Bit(0, 5), Bit(0, 6))
    meter = profile(Segments((digit,), pools=((Bit(0, 0), Bit(0, 3)),)))
    for order in ("abcdefg", "dbcaefg"):
        for char in "0123456789":
            frame = bytes([sum(1 << order.index(segment) for segment in LIT[char])])
            assert feed(meter, frame).digits == Decimal(char)


def test_a_segment_that_never_changed_is_dark_where_the_others_require_it() -> None:
    # c is dark in a 2 only. Its bit is 1.0, 1.1 or 1.2; none of them has ever changed.
    digit = (Bit(0, 0), Bit(0, 1), CandidateSegment(0, inverted=True), Bit(0, 3), Bit(0, 4), Bit(0, 5), Bit(0, 6))
    unchanged = (Bit(1, 0, inverted=True), Bit(1, 1), Bit(1, 2, inverted=True))
    meter = profile(Segments((digit,), pools=(unchanged,)))
    two = sum(1 << "abcdefg".index(segment) for segment in "abdeg")
    assert feed(meter, bytes([two, 0b100])).digits == Decimal(2)
    assert feed(meter, bytes([two, 0b001])).digits == Decimal(2)
    # Unchanged, a lit segment makes it no digit; with two changed bits, one of them means something else.
    assert feed(meter, bytes([two, 0b101])).status is Status.INVALID
    assert feed(meter, bytes([two, 0b000])).status is Status.INVALID
    eight = sum(1 << "abcdefg".index(segment) for segment in "abdefg")
    assert feed(meter, bytes([eight, 0b101])).digits == Decimal(8)
    assert feed(meter, bytes([eight, 0b111])).status is Status.INVALID


@untimed
@given(st.randoms(use_true_random=False), st.data())
def test_pools_never_make_another_number(random: Any, data: st.DataObject) -> None:
    """Any segments may share a pool, and any other of its bits may change: a digit is right or refused."""
    names = [f"{digit}{segment}" for digit in range(3) for segment in "abcdefg"]
    spare = 6  # bits that are no segment
    positions = dict(zip(names, random.sample(range(len(names) + spare), len(names)), strict=True))
    hidden = random.sample(names, 8)
    pairs, unchanged = [hidden[:2], hidden[2:4]], hidden[4:]
    pooled = {name: CandidateSegment(number) for number, pair in enumerate(pairs) for name in pair}
    free = [position for position in range(len(names) + spare) if position not in positions.values()]
    pools = [tuple(at(positions[name]) for name in pair) for pair in pairs]
    # The last pool is unchanged while all its segments are lit and all spare bits dark.
    pools.append(tuple(at(positions[name], inverted=True) for name in unchanged) + tuple(map(at, free)))
    pooled |= {name: CandidateSegment(2, inverted=True) for name in unchanged}
    digits = tuple(
        tuple(pooled.get(f"{digit}{segment}") or at(positions[f"{digit}{segment}"]) for segment in "abcdefg")
        for digit in range(3)
    )
    meter = profile(Segments(digits, pools=tuple(pools)))
    text = data.draw(st.text("0123456789", min_size=3, max_size=3))
    extra = data.draw(st.sets(st.sampled_from(free)))
    reading = feed(meter, drawn(text, positions, 4, sum(1 << position for position in extra)))
    if reading.status is not Status.INVALID:
        assert reading.digits == Decimal(text)
