"""Framed profiles: numbers of every type, location, key and checksum, from frames made by `struct` and loops."""

import struct
from collections.abc import Callable
from dataclasses import replace
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.driver_api import Coupling, Quantity, Reading, Status, Timestamp
from meterlink.profiles import KeptDecoder, RefusalReason, compile_profile, open_profile_driver
from meterlink.profiles.model import (
    Bit,
    ByteOrder,
    Checksum,
    ChecksumKind,
    Code,
    ConnectionSetup,
    DriverName,
    FieldLocation,
    Flag,
    FrameTail,
    Framing,
    LengthField,
    Match,
    Meaning,
    NumberField,
    NumberType,
    PacketBeside,
    Profile,
    Rounding,
    ValueFormat,
)

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
NOW = Timestamp(1, 1)
VOLTS = ValueFormat(NumberField(NumberType.UINT, FieldLocation(1)), unit="V")


def profile(value: ValueFormat, framing: Framing | None = None, **more: Any) -> Profile:
    """Return a framed profile on the channel of this module."""
    return Profile("test", DriverName.FRAMED, ConnectionSetup((CHANNEL,)), Match(), framing or Framing(), value, **more)


def feed(meter: Profile, *packets: bytes) -> list[Reading]:
    driver = open_profile_driver(meter, [CHANNEL])
    return [reading for packet in packets for reading in driver.feed(CHANNEL, packet, NOW)]


def only_reading(meter: Profile, packet: bytes) -> Reading:
    (reading,) = feed(meter, packet)
    return reading


def number_at_2(kind: NumberType, size: int, order: ByteOrder = "little", **more: Any) -> ValueFormat:
    """Return a number that begins at offset 2."""
    return ValueFormat(NumberField(kind, FieldLocation(2, size, order)), unit="V", **more)


orders: st.SearchStrategy[ByteOrder] = st.sampled_from(["little", "big"])


@untimed
@given(st.data(), st.sampled_from([1, 2, 3, 4, 8]), st.booleans(), orders, st.integers(0, 6), st.binary(max_size=4))
def test_integers(data: st.DataObject, size: int, signed: bool, order: ByteOrder, places: int, tail: bytes) -> None:
    low, high = (-(1 << 8 * size - 1), (1 << 8 * size - 1) - 1) if signed else (0, (1 << 8 * size) - 1)
    number = data.draw(st.integers(low, high))
    frame = b"\xaa\xbb" + number.to_bytes(size, order, signed=signed) + tail
    reading = only_reading(
        profile(number_at_2(NumberType.INT if signed else NumberType.UINT, size, order, places=places)), frame
    )
    assert reading.digits == Decimal(number).scaleb(-places)
    assert reading.digits.as_tuple().exponent == -places  # trailing zeros are resolution
    assert (reading.resolution, reading.status, reading.packet) == (Decimal(1).scaleb(-places), Status.OK, frame)


@untimed
@given(st.integers(-(2**15) + 1, 2**15 - 1), orders)
def test_sign_and_magnitude(number: int, order: ByteOrder) -> None:
    word = abs(number) | (0x8000 if number < 0 else 0)
    frame = b"\0\0" + struct.pack("<H" if order == "little" else ">H", word)
    assert (
        only_reading(profile(number_at_2(NumberType.SIGN_MAGNITUDE, 2, order, places=1)), frame).digits
        == Decimal(number) / 10
    )


def test_a_minus_before_zeros_is_kept() -> None:
    word = bytes([0, 0, 0, 0x80])
    assert only_reading(profile(number_at_2(NumberType.SIGN_MAGNITUDE, 2, places=2)), word).text == "-0.00 V"
    assert only_reading(profile(number_at_2(NumberType.SIGN_MAGNITUDE, 2, scale=Decimal("0.1"))), word).text == "-0.0 V"
    assert only_reading(profile(number_at_2(NumberType.ASCII, 4, places=2)), b"\0\0-000").text == "-0.00 V"


@untimed
@given(st.integers(0, 999_999), orders)
def test_packed_decimals(number: int, order: ByteOrder) -> None:
    packed = bytes.fromhex(f"{number:06d}")
    frame = b"\0\0" + (packed if order == "big" else packed[::-1])
    assert only_reading(profile(number_at_2(NumberType.BCD, 3, order)), frame).digits == number


@pytest.mark.parametrize("content", ["0a00", "00f0", "ffff"])
def test_other_bytes_than_packed_decimals_are_invalid(content: str) -> None:
    assert (
        only_reading(profile(number_at_2(NumberType.BCD, 2)), b"\0\0" + bytes.fromhex(content)).status is Status.INVALID
    )


CHARACTERS = tuple(zip(range(0x80, 0x8C), "0123456789 -", strict=True))


@untimed
@given(st.integers(-9999, 99_999), orders)
def test_digits_from_a_table_of_characters(number: int, order: ByteOrder) -> None:
    byte_of = {character: byte for byte, character in CHARACTERS}
    coded = bytes(byte_of[character] for character in f"{number:5d}")
    location = FieldLocation(2, 5, order)
    meter = profile(ValueFormat(NumberField(NumberType.DIGIT_CODES, location, characters=CHARACTERS), 2, unit="V"))
    frame = b"\0\0" + (coded if order == "big" else coded[::-1])
    assert only_reading(meter, frame).digits == Decimal(number) / 100
    last = 2 if order == "little" else 6
    unknown = frame[:last] + b"\x30" + frame[last + 1 :]  # no byte of the table
    assert only_reading(meter, unknown).status is Status.INVALID


@pytest.mark.parametrize("text", ["     ", "    -", "1 234", "12-34", "1234-", "- - 1"])
def test_blanks_and_minus_elsewhere_than_before_the_digits_are_no_number(text: str) -> None:
    byte_of = {character: byte for byte, character in CHARACTERS}
    source = NumberField(NumberType.DIGIT_CODES, FieldLocation(0, 5, "big"), characters=CHARACTERS)
    frame = bytes(byte_of[character] for character in text)
    assert only_reading(profile(ValueFormat(source, unit="V")), frame).status is Status.INVALID


@untimed
@given(st.integers(-(2**31), 2**31 - 1), st.integers(1, 3), st.sampled_from(Rounding))
def test_digits_beyond_the_display_are_rounded_as_the_decimal_arithmetic_specification_says(
    number: int, more: int, rounding: Rounding
) -> None:
    # General Decimal Arithmetic Specification, 'Rounding': round-down, round-half-up, round-half-even.
    rules = {Rounding.DOWN: ROUND_DOWN, Rounding.HALF_UP: ROUND_HALF_UP, Rounding.HALF_EVEN: ROUND_HALF_EVEN}
    value = number_at_2(NumberType.INT, 4, places=2, scale=Decimal(1).scaleb(-2 - more), rounding=rounding)
    frame = b"\0\0" + number.to_bytes(4, "little", signed=True)
    exact, step = Decimal(number).scaleb(-2 - more), Decimal("0.01")
    reading = only_reading(profile(value), frame)
    if rounding is Rounding.UNKNOWN:
        halfway = abs(exact) % step == step / 2
        assert reading.status is (Status.INVALID if halfway else Status.OK)
        assert reading.digits == (None if halfway else exact.quantize(step, ROUND_HALF_EVEN))
    else:
        assert reading.digits == exact.quantize(step, rules[rounding])


def test_a_number_just_between_two_displays_is_not_read_where_the_rounding_is_unknown() -> None:
    value = number_at_2(NumberType.INT, 2, places=1, scale=Decimal("0.01"), rounding=Rounding.UNKNOWN)
    texts = [only_reading(profile(value), b"\0\0" + sent.to_bytes(2, "little")).text for sent in (2174, 2175, 2176)]
    assert texts == ["21.7 V", "--- V", "21.8 V"]


@untimed
@given(st.integers(0, 99_999), orders)
def test_a_byte_a_digit(number: int, order: ByteOrder) -> None:
    digits = bytes(int(char) for char in f"{number:05d}")
    value = number_at_2(NumberType.DIGIT_BYTES, 5, order, places=2)
    frame = b"\0\0" + (digits if order == "big" else digits[::-1])
    assert only_reading(profile(value), frame).digits == Decimal(number) / 100
    assert only_reading(profile(value), frame[:-1] + b"\x0a").status is Status.INVALID


def test_a_byte_a_digit_at_the_very_beginning() -> None:
    value = ValueFormat(NumberField(NumberType.DIGIT_BYTES, FieldLocation(0, 3)), unit="V")
    assert only_reading(profile(value), bytes([3, 2, 1])).digits == 123


@pytest.mark.parametrize(
    ("text", "places", "digits"),
    [
        (b" 4.70 ", None, "4.70"),
        (b"-12.34", None, "-12.34"),
        (b"- 2.34", None, "-2.34"),
        (b"+00470", 2, "4.70"),
        (b"  470\0", 2, "4.70"),
        (b"4.7e-2", None, "0.047"),
        (b" OL.  ", None, Status.OVERLOAD),
        (b" 0.L  ", 2, Status.OVERLOAD),
        (b" ---- ", None, Status.INVALID),
        (b"      ", None, Status.INVALID),
        (b"1.2.34", None, Status.INVALID),
        (b"12\xff456", None, Status.INVALID),
        (b"nan   ", None, Status.INVALID),
        (b"inf   ", None, Status.INVALID),
        (b"1_0000", None, Status.INVALID),
    ],
)
def test_characters(text: bytes, places: int | None, digits: str | Status) -> None:
    reading = only_reading(profile(number_at_2(NumberType.ASCII, 6, places=places)), b"\0\0" + text)
    assert (str(reading.digits) if reading.digits is not None else reading.status) == digits


@untimed
@given(st.integers(-99_999, 99_999), st.integers(0, 4), orders, st.sampled_from(["f", "d"]))
def test_binary_floats_with_known_places(number: int, places: int, order: ByteOrder, code: str) -> None:
    shown = Decimal(number).scaleb(-places)
    frame = b"\0\0" + struct.pack(("<" if order == "little" else ">") + code, float(shown))
    kind, size = (NumberType.FLOAT32, 4) if code == "f" else (NumberType.FLOAT64, 8)
    reading = only_reading(profile(number_at_2(kind, size, order, places=places)), frame)
    assert reading.digits == shown
    assert reading.digits.as_tuple().exponent == -places


def test_binary_floats_without_places_have_no_resolution() -> None:
    reading = only_reading(profile(number_at_2(NumberType.FLOAT32, 4)), b"\0\0" + struct.pack("<f", 4.7))
    assert (reading.digits, reading.resolution) == (Decimal("4.7"), None)


@pytest.mark.parametrize(
    ("number", "status"),
    [("inf", Status.OVERLOAD), ("-inf", Status.OVERLOAD), ("nan", Status.INVALID), ("1e38", Status.INVALID)],
)
def test_binary_floats_that_are_no_reading(number: str, status: Status) -> None:
    for places in (None, 2):
        frame = b"\0\0" + struct.pack("<f", float(number))
        assert only_reading(profile(number_at_2(NumberType.FLOAT32, 4, places=places)), frame).status is status


@untimed
@given(st.integers(-2045, 2045), st.integers(-8, 7), orders)
def test_sfloat(mantissa: int, exponent: int, order: ByteOrder) -> None:
    word = (exponent & 0xF) << 12 | mantissa & 0xFFF
    reading = only_reading(profile(number_at_2(NumberType.SFLOAT, 2, order)), b"\0\0" + word.to_bytes(2, order))
    assert reading.digits == Decimal(mantissa).scaleb(exponent)
    assert reading.resolution == Decimal(1).scaleb(exponent)


def test_float_of_ieee_11073_and_its_special_values() -> None:
    value = number_at_2(NumberType.FLOAT, 4)
    assert str(only_reading(profile(value), b"\0\0" + bytes.fromhex("6c0100ff")).digits) == "36.4"
    assert only_reading(profile(value), b"\0\0" + bytes.fromhex("feff7f00")).status is Status.OVERLOAD
    assert only_reading(profile(value), b"\0\0" + bytes.fromhex("ffff7f00")).status is Status.INVALID


@untimed
@given(st.data())
def test_bits_in_any_order(data: st.DataObject) -> None:
    positions = data.draw(st.permutations([(byte, bit) for byte in range(3) for bit in range(8)]))
    width = data.draw(st.integers(1, 24))
    bits = [Bit(byte, bit, data.draw(st.booleans())) for byte, bit in positions[:width]]
    number = data.draw(st.integers(0, (1 << width) - 1))
    frame = bytearray(data.draw(st.binary(min_size=3, max_size=3)))
    for bit, digit in zip(bits, f"{number:0{width}b}", strict=True):
        if (digit == "1") != bit.inverted:
            frame[bit.byte] |= 1 << bit.bit
        else:
            frame[bit.byte] &= ~(1 << bit.bit)
    signed = number - (1 << width) if number >> width - 1 else number
    for kind, expected in ((NumberType.UINT, number), (NumberType.INT, signed)):
        value = ValueFormat(NumberField(kind, FieldLocation(bits=tuple(bits))), unit="V")
        assert only_reading(profile(value), bytes(frame)).digits == expected


@untimed
@given(st.integers(0, 2**16 - 1), st.sampled_from(["0.01", "0.5", "0.015625", "1e3", "2.5e-6"]), st.integers(0, 4))
def test_scale_and_places(raw: int, scale: str, places: int) -> None:
    frame = b"\0\0" + struct.pack("<H", raw)
    exact = only_reading(profile(number_at_2(NumberType.UINT, 2, scale=Decimal(scale))), frame)
    assert exact.digits == raw * Decimal(scale)
    assert exact.resolution == Decimal(1).scaleb(int(Decimal(scale).as_tuple().exponent))
    rounded = only_reading(profile(number_at_2(NumberType.UINT, 2, scale=Decimal(scale), places=places)), frame)
    assert rounded.digits == (raw * Decimal(scale)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN)
    assert rounded.digits.as_tuple().exponent == -places


def test_contents_for_no_number() -> None:
    number = NumberField(
        NumberType.INT, FieldLocation(0, 2), overload=(0x7FFF, 0x8001), invalid=(0x8000,), overload_above=6000
    )
    meter = profile(ValueFormat(number, unit="V"))
    statuses = {
        raw: only_reading(meter, struct.pack("<h", raw)).status
        for raw in (6000, -6000, 6001, -6001, 32767, -32767, -32768)
    }
    assert statuses == {
        6000: Status.OK,
        -6000: Status.OK,
        6001: Status.OVERLOAD,
        -6001: Status.OVERLOAD,
        32767: Status.OVERLOAD,
        -32767: Status.OVERLOAD,
        -32768: Status.INVALID,
    }


CODES = (
    Code(
        FieldLocation(bits=(Bit(0, 7), Bit(0, 6))),
        (
            (0, Meaning(unit="V", coupling=Coupling.DC)),
            (1, Meaning(unit="V", coupling=Coupling.AC)),
            (2, Meaning(unit="F", prefix="µ")),
        ),
    ),
    Code(FieldLocation(1), ((0, Meaning(places=3)), (1, Meaning(places=2)), (9, Meaning(flag=Flag.OVERLOAD)))),
    Code(FieldLocation(2), ((0x55, Meaning(flag=Flag.LOW_BATTERY)),), otherwise=Meaning()),
)
ANNUNCIATORS = ((Bit(0, 0), Meaning(flag=Flag.NEGATIVE)), (Bit(0, 1, inverted=True), Meaning(flag=Flag.INVALID)))
CODED = profile(ValueFormat(NumberField(NumberType.UINT, FieldLocation(3, 2))), codes=CODES, annunciators=ANNUNCIATORS)


@pytest.mark.parametrize(
    ("frame", "text", "value", "low_battery"),
    [
        ("02 00 00 39 30", "12.345 V DC", 12.345, False),
        ("43 01 55 39 30", "-123.45 V AC", -123.45, True),
        ("82 01 00 d6 01", "4.70 µF", 4.7e-06, False),
        ("03 01 00 00 00", "-0.00 V DC", 0.0, False),  # the minus is on the display
        ("02 09 00 39 30", "OL V DC", None, False),
        ("02 02 00 39 30", "--- V DC", None, False),  # no such range
        ("c2 00 00 39 30", "--- V", None, False),  # no such function
        ("00 00 00 39 30", "--- V DC", None, False),  # by a lit annunciator
        ("00 09 00 39 30", "--- V DC", None, False),  # invalid overrides overload
        ("02 00 00 39", "--- V", None, False),  # too short
    ],
)
def test_codes_and_annunciators(frame: str, text: str, value: float | None, low_battery: bool) -> None:
    reading = only_reading(CODED, bytes.fromhex(frame))
    assert (reading.text, reading.low_battery) == (text, low_battery)
    assert reading.value == (value if value is None else pytest.approx(value, rel=1e-12))


def test_the_flag_no_number_is_an_overload_where_the_field_is_one() -> None:
    number = NumberField(NumberType.UINT, FieldLocation(1), overload=(0xFF,))
    meter = profile(ValueFormat(number, unit="V"), annunciators=((Bit(0, 0), Meaning(flag=Flag.NO_NUMBER)),))
    frames = (b"\0\x07", b"\x01\x07", b"\x01\xff")
    assert [only_reading(meter, frame).status for frame in frames] == [Status.OK, Status.INVALID, Status.OVERLOAD]


def test_two_units_lit_at_once_are_no_reading() -> None:
    annunciators = ((Bit(0, 0), Meaning(unit="V")), (Bit(0, 1), Meaning(unit="A")), (Bit(0, 2), Meaning(prefix="m")))
    meter = profile(ValueFormat(NumberField(NumberType.UINT, FieldLocation(1))), annunciators=annunciators)
    assert [only_reading(meter, bytes([bits, 5])).text for bits in range(8)] == [
        "--- V",  # no unit is lit
        "5 V",
        "5 A",
        "--- V",
        "--- V",  # milli without unit
        "5 mV",
        "5 mA",
        "--- V",
    ]


def test_points_between_digits() -> None:
    value = ValueFormat(
        NumberField(NumberType.BCD, FieldLocation(0, 2, "big")), points=((1, Bit(2, 0)), (3, Bit(2, 2))), unit="V"
    )
    meter = profile(value)
    assert [only_reading(meter, bytes([0x12, 0x34, bits])).text for bits in (0, 1, 4, 5)] == [
        "1234 V",
        "123.4 V",
        "1.234 V",
        "--- V",
    ]


def test_a_meaning_overrides_the_value_table() -> None:
    codes = (Code(FieldLocation(0), ((1, Meaning(unit="mV", places=2)), (2, Meaning(scale=Decimal(10))))),)
    meter = profile(ValueFormat(NumberField(NumberType.UINT, FieldLocation(1)), places=1, unit="V"), codes=codes)
    assert [only_reading(meter, bytes([code, 50])).text for code in (1, 2)] == ["0.50 mV", "500.0 V"]


# --- framing


def byte_sum(data: bytes) -> int:
    total = 0
    for byte in data:
        total = total + byte & 0xFF
    return total


def summed_frame(count: int) -> bytes:
    """Return a frame a5 | count, 2 bytes | sum of all that."""
    body = b"\xa5" + struct.pack("<H", count)
    return body + bytes([byte_sum(body)])


def frame_with_length(count: int, filler: bytes = b"") -> bytes:
    """Return a frame 5a | size of count and filler | count, 2 bytes | filler | exclusive or of all that."""
    body = bytes([0x5A, 2 + len(filler)]) + struct.pack("<H", count) + filler
    check = 0
    for byte in body:
        check ^= byte
    return body + bytes([check])


def ended_frame(count: int, filler: bytes = b"") -> bytes:
    return b"#" + f"{count:05d}".encode() + filler + b"\r\n"


COUNTED = ValueFormat(NumberField(NumberType.UINT, FieldLocation(1, 2)), unit="V")
SUMMED = profile(COUNTED, Framing(b"\xa5", 4, checksums=(Checksum(ChecksumKind.SUM),)))


WITH_LENGTH = profile(
    ValueFormat(NumberField(NumberType.UINT, FieldLocation(2, 2)), unit="V"),
    Framing(b"\x5a", LengthField(1, add=3), checksums=(Checksum(ChecksumKind.XOR),)),
)
ENDED = profile(ValueFormat(NumberField(NumberType.ASCII, FieldLocation(1, 5)), unit="V"), Framing(b"#", None, b"\r\n"))


def cut(data: bytes, cuts: list[int]) -> list[bytes]:
    """Return ``data`` cut into packets at these offsets."""
    offsets = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[begin:end] for begin, end in pairwise(offsets)]


@pytest.mark.fault("cut-packets")
@untimed
@given(st.lists(st.integers(0, 65535), min_size=1, max_size=8), st.lists(st.integers(0, 1000), max_size=20), st.data())
@pytest.mark.parametrize(
    ("meter", "make"), [(SUMMED, summed_frame), (WITH_LENGTH, frame_with_length), (ENDED, ended_frame)]
)
def test_frames_split_and_joined_anyhow(
    meter: Profile, make: Callable[[int], bytes], counts: list[int], cuts: list[int], data: st.DataObject
) -> None:
    packets = cut(b"".join(make(count) for count in counts), cuts)
    assert [reading.digits for reading in feed(meter, *packets)] == counts


@untimed
@given(st.binary(max_size=30).filter(lambda noise: not set(noise) & set(b"\xa5")), st.integers(0, 65535))
def test_noise_before_a_frame_is_skipped(noise: bytes, count: int) -> None:
    assert [reading.digits for reading in feed(SUMMED, noise + summed_frame(count) + noise, summed_frame(count))] == [
        count
    ] * 2


@untimed
@given(st.binary(max_size=60), st.integers(0, 65535))
def test_after_any_noise_the_fourth_frame_is_read(noise: bytes, count: int) -> None:
    # The end of the noise may look like the beginning of a frame and swallow as many bytes as a frame has.
    readings = feed(SUMMED, noise, *[summed_frame(count)] * 4)
    assert readings[-1].digits == count


@pytest.mark.fault("cut-packets")
def test_an_incomplete_frame_is_left_out() -> None:
    assert [reading.digits for reading in feed(SUMMED, summed_frame(1)[:2], summed_frame(2), summed_frame(3))] == [2, 3]
    assert [
        reading.digits
        for reading in feed(WITH_LENGTH, frame_with_length(1)[:3], frame_with_length(2), frame_with_length(3))
    ] == [2, 3]


@pytest.mark.fault("cut-packets")
def test_a_lost_piece_does_not_mix_two_frames_without_checksum() -> None:
    meter = profile(COUNTED, Framing(b"\xa5", 8))
    frame = [b"\xa5" + struct.pack("<H", count) + bytes(5) for count in (1, 2, 3)]
    readings = feed(meter, frame[0][:4], frame[1] + frame[2])
    assert [reading.digits for reading in readings] == [2, 3]


def test_any_number_of_wrong_frames_gives_one_invalid_reading() -> None:
    broken = summed_frame(7)[:-1] + b"\0"
    (reading,) = feed(SUMMED, broken * 3)
    assert (reading.status, reading.quantity, reading.packet) == (Status.INVALID, Quantity.VOLTAGE, broken * 3)
    assert [reading.status for reading in feed(SUMMED, broken + summed_frame(7))] == [Status.OK]


@untimed
@given(st.integers(0, 65535), st.integers(0, 31))
def test_every_single_wrong_bit_is_noticed(count: int, bit: int) -> None:
    frame = bytearray(summed_frame(count))
    frame[bit // 8] ^= 1 << bit % 8
    assert all(reading.status is not Status.OK for reading in feed(SUMMED, bytes(frame)))


@pytest.mark.fault("hostile-packets")
def test_an_absurd_length_is_no_frame() -> None:
    assert feed(WITH_LENGTH, b"\x5a\xff" + bytes(100))[0].status is Status.INVALID
    assert [reading.digits for reading in feed(WITH_LENGTH, b"\x5a\x00\x00" + frame_with_length(5))] == [5]


def test_frames_without_start_begin_where_packets_begin() -> None:
    meter = profile(COUNTED, Framing(length=4))
    frames = [bytes([9, count, 0, 9]) for count in (1, 2, 3)]
    assert [
        reading.digits
        for reading in feed(meter, frames[0][:2], frames[1], frames[1][:1], frames[1][1:], b"".join(frames))
    ] == [
        2,
        2,
        1,
        2,
        3,
    ]


def test_whole_packets() -> None:
    meter = profile(COUNTED, Framing(b"\xa5", one_per_packet=True, end=b"\x0a"))
    assert [
        reading.status
        for reading in feed(meter, b"\xa5\x01\x00\x0a", b"\xa5\x01", b"\x00\x0a", b"", b"\xa5\x01\x00\x0b")
    ] == [
        Status.OK,
        Status.INVALID,
        Status.INVALID,
        Status.INVALID,
    ]


@untimed
@given(st.binary(min_size=1, max_size=9), st.integers(0, 5), st.binary(min_size=7, max_size=30), st.integers(0, 65535))
def test_a_key(key: bytes, key_from: int, filler: bytes, count: int) -> None:
    plain = b"\xa5" + struct.pack("<H", count) + filler
    plain += bytes([byte_sum(plain)])
    received = bytes(
        byte if offset < key_from else byte ^ key[(offset - key_from) % len(key)] for offset, byte in enumerate(plain)
    )
    checksums = (Checksum(ChecksumKind.SUM),)
    meter = profile(COUNTED, Framing(received[:1], len(plain), key=key, key_from=key_from, checksums=checksums))
    assert [reading.digits for reading in feed(meter, received[:3], received[3:] + received)] == [count, count]


def test_a_checksum_over_the_bytes_as_they_came() -> None:
    plain = bytes([0xA5, 7, 0])
    received = bytes([0xA5, 7 ^ 0x55, 0x55])
    received += bytes([byte_sum(received)])
    checksums = (Checksum(ChecksumKind.SUM, raw=True),)
    meter = profile(COUNTED, Framing(b"\xa5", 4, key=b"\x55", key_from=1, checksums=checksums))
    assert plain[1] == only_reading(meter, received).digits


@pytest.mark.parametrize(
    ("checksum", "frame"),
    [
        (Checksum(ChecksumKind.SUM, -2, 2, "big"), b"\xa5\x80\xff" + struct.pack(">H", 0xA5 + 0x80 + 0xFF)),
        (Checksum(ChecksumKind.SUM, negate=True), b"\xa5\x80\xff" + bytes([-(0xA5 + 0x80 + 0xFF) & 0xFF])),
        (Checksum(ChecksumKind.SUM, xor_out=0xFF), b"\xa5\x80\xff" + bytes([(0xA5 + 0x80 + 0xFF) & 0xFF ^ 0xFF])),
        (Checksum(ChecksumKind.SUM, init=0x10, begin=1), b"\xa5\x80\xff" + bytes([(0x10 + 0x80 + 0xFF) & 0xFF])),
        (Checksum(ChecksumKind.XOR, begin=1), b"\xa5\x80\xff" + bytes([0x80 ^ 0xFF])),
        (Checksum(ChecksumKind.XOR, at=0, begin=1), bytes([0x80 ^ 0xFF, 0x80, 0xFF])),
        (Checksum(ChecksumKind.SUM, at=-1, begin=1, end=-2), b"\xa5\x80\xff\x33\x7f"),
    ],
)
def test_kinds_and_locations_of_checksums(checksum: Checksum, frame: bytes) -> None:
    meter = profile(VOLTS, Framing(one_per_packet=True, checksums=(checksum,)))
    assert only_reading(meter, frame).status is Status.OK
    for offset in range(len(frame)):
        broken = bytearray(frame)
        broken[offset] ^= 0x01
        covered = checksum.begin <= offset and not (checksum.end == -2 and offset == len(frame) - 2)
        stored = offset >= len(frame) - checksum.size if checksum.at < 0 else offset == checksum.at
        expected = Status.INVALID if covered or stored else Status.OK
        assert only_reading(meter, bytes(broken)).status is expected
    assert only_reading(meter, frame[: checksum.size]).status is Status.INVALID  # nothing is covered


@pytest.mark.fault("cut-packets")
def test_nothing_is_kept_from_one_connection_to_the_next() -> None:
    assert feed(SUMMED, summed_frame(7)[:2]) == []
    assert feed(SUMMED, summed_frame(7)[2:]) == []


def test_channels_are_framed_separately() -> None:
    both = Profile("test", DriverName.FRAMED, ConnectionSetup(("a", "b")), Match(), SUMMED.framing, COUNTED)
    driver = open_profile_driver(both, ["a", "b@12"])
    assert [channel.key for channel in driver.channels] == ["a", "b@12"]
    assert driver.feed("a", summed_frame(1)[:2], NOW) == ()
    assert driver.feed("b@12", summed_frame(2)[:2], NOW) == ()
    assert [reading.digits for reading in driver.feed("a", summed_frame(1)[2:], NOW)] == [1]
    assert [(reading.digits, reading.channel) for reading in driver.feed("b@12", summed_frame(2)[2:], NOW)] == [
        (2, "b@12")
    ]
    assert driver.feed("c", summed_frame(1), NOW) == ()


@pytest.mark.parametrize(
    ("sent", "text"),
    [(1234.5, "1234.5 V"), (-99999.0, "-99999.0 V"), (123456.7, "--- V"), (9999999.0, "--- V"), (2e6, "2000000.0 V")],
)
def test_a_number_longer_than_the_display_is_invalid(sent: float, text: str) -> None:
    meter = profile(
        ValueFormat(NumberField(NumberType.FLOAT32, FieldLocation(0, 4)), places=1, unit="V", most_digits=5)
    )
    assert only_reading(meter, struct.pack("<f", sent)).text == text


def test_frames_of_several_lengths_are_read_with_the_tails_given_and_no_others() -> None:
    tails = (FrameTail(4, 3, b"\x00", b"\x00"), FrameTail(6, 4, b"\x12\x34", b"\x0f\xff"))
    meter = profile(VOLTS, Framing(one_per_packet=True, tails=tails))
    for packet in ("a1 07 00 99", "a1 07 00 55 12 34", "a1 07 00 55 f2 34"):
        assert only_reading(meter, bytes.fromhex(packet)).text == "7 V"
    for packet, why in (
        ("a1 07 00", "a frame of 3 bytes"),
        ("a1 07 00 99 12", "a frame of 5 bytes"),
        ("a1 07 00 55 12 74", "bit 5.6 is 1"),
        ("a1 07 00 55 10 34", "bit 4.1 is 0"),
    ):
        driver = open_profile_driver(meter, [CHANNEL])
        (reading,) = driver.feed(CHANNEL, bytes.fromhex(packet), NOW)
        assert reading.status is Status.INVALID
        assert [(refusal.reason, refusal.detail) for refusal in driver.refusals] == [(RefusalReason.CODE, why)]


STATE_CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e02"


def beside_meter() -> Profile:
    """Return a meter that tells its function on a characteristic of its own, and a hold among its frames."""
    beside = (
        PacketBeside(2, b"\x05\x01", b"\xff\x0f", channel=1),
        PacketBeside(2, b"\x06\x00", b"\xff\x0f", channel=1),
        PacketBeside(3, b"\x53\x00\x00", b"\x00\xff\x80", marks=((0, 0x53),)),
    )
    meter = profile(VOLTS, Framing(length=4, one_per_packet=True, beside=beside))
    return replace(meter, connection=ConnectionSetup((CHANNEL, STATE_CHANNEL)))


def test_frames_are_invalid_while_a_packet_beside_them_tells_an_unknown_state() -> None:
    driver = open_profile_driver(beside_meter(), [CHANNEL, STATE_CHANNEL])

    def reads() -> bool:
        (reading,) = driver.feed(CHANNEL, bytes.fromhex("a1 07 00 00"), NOW)
        assert (reading.digits is None) == (reading.status is Status.INVALID)
        return reading.status is Status.OK

    def tell(channel: str, packet: str) -> None:
        assert all(one.digits is None for one in driver.feed(channel, bytes.fromhex(packet), NOW))

    assert reads()
    for channel, known, unknown in (
        (STATE_CHANNEL, "05 f1", "05 02"),
        (STATE_CHANNEL, "06 00", "07 00"),
        (CHANNEL, "53 00 7f", "53 00 80"),
    ):
        tell(channel, unknown)
        assert not reads()
        driver.lose_packets()
        assert not reads()
        tell(channel, "54 00 80" if channel == CHANNEL else "05")  # of another kind
        assert not reads()
        tell(channel, known)
        assert reads()
    tell(CHANNEL, "53 01 00")
    tell(STATE_CHANNEL, "09 09")
    tell(CHANNEL, "53 00 00")
    assert not reads()


def test_packets_of_another_characteristic_are_no_frames_beside_which_they_tell_a_state() -> None:
    driver = open_profile_driver(beside_meter(), [CHANNEL, STATE_CHANNEL])
    assert driver.feed(STATE_CHANNEL, bytes.fromhex("a1 07 00 00"), NOW) == ()
    assert [one.reason for one in driver.refusals] == [RefusalReason.OTHER_KIND]


def test_a_frame_that_was_refused_for_a_packet_beside_it_is_not_read_again_alone() -> None:
    kept = KeptDecoder(compile_profile(beside_meter()))
    (good,) = feed(replace(beside_meter(), framing=Framing(length=4)), bytes.fromhex("a1 07 00 00"))
    assert kept.decode(good) == good
    refused = kept.decode(replace(good, digits=None, status=Status.INVALID))
    assert refused is not None
    assert (refused.digits, refused.status) == (None, Status.INVALID)


def test_a_counted_frame_that_comes_again_after_a_second_is_old() -> None:
    meter = profile(VOLTS, Framing(length=4, one_per_packet=True, counted=True))
    driver = open_profile_driver(meter, [CHANNEL])
    old, new = bytes.fromhex("a1 07 00 01"), bytes.fromhex("a1 07 00 02")

    def status_at(seconds: float, frame: bytes) -> Status:
        moment = round(seconds * 1e9)
        (reading,) = driver.feed(CHANNEL, frame, Timestamp(moment, moment))
        return reading.status

    assert [status_at(seconds, old) for seconds in (0.0, 0.4, 1.0)] == [Status.OK] * 3
    assert [status_at(seconds, old) for seconds in (1.1, 1.5, 40.0)] == [Status.INVALID] * 3
    assert [one.reason for one in driver.refusals] == [RefusalReason.REPEATED]
    driver.lose_packets()
    assert status_at(41.0, old) is Status.INVALID
    assert [status_at(seconds, frame) for seconds, frame in ((42.0, new), (43.5, old))] == [Status.OK] * 2


def test_a_counted_frame_is_decoded_again_alone_unless_it_was_refused() -> None:
    meter = profile(VOLTS, Framing(length=4, one_per_packet=True, counted=True))
    kept = KeptDecoder(compile_profile(meter))
    (good,) = feed(meter, bytes.fromhex("a1 07 00 01"))
    later = replace(good, timestamp=Timestamp(5_000_000_000, 5_000_000_000))
    assert [kept.decode(one) for one in (good, later)] == [good, later]
    refused = kept.decode(replace(later, digits=None, status=Status.INVALID))
    assert refused is not None
    assert refused.status is Status.INVALID
