"""Meters that send their registers as lines of hexadecimal digits."""

from dataclasses import replace
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import check_profile, open_profile_driver, write_profile
from meterlink.profiles.model import (
    Checksum,
    ChecksumKind,
    ConnectionSetup,
    DriverName,
    FieldLocation,
    Framing,
    Match,
    NumberField,
    NumberType,
    Profile,
    ValueFormat,
)
from meterlink.teach import teach
from support.examples import examples
from support.invented_meters import CHANNEL

NOW = Timestamp(1, 1)


def line_of(counts, places, check=True):
    """Return a line as in the ASCII mode of Modbus over serial line 1.02 (2.5.2): a colon, digits, LRC, CR LF."""
    body = bytes([0x21, places]) + counts.to_bytes(2, "big", signed=True)
    if check:
        body += bytes([-sum(body) & 0xFF])
    return b":" + body.hex().upper().encode() + b"\r\n"


def captured(number=14, cut=None, check=True, seed=1):
    rng = Random(seed)
    packets, entries, t = [], [], 0.0
    for _ in range(number):
        counts, places = rng.randint(-9999, 9999), rng.choice([1, 2])
        line = line_of(counts, places, check)
        for _ in range(3):
            t = round(t + 0.2, 6)
            size = cut or len(line)
            packets += [CapturedPacket(t, CHANNEL, line[at : at + size]) for at in range(0, len(line), size)]
        entries.append(make_display_entry(round(t + 0.1, 6), f"{counts / 10**places:.{places}f} V DC"))
    return Capture(tuple(packets), tuple(entries))


def readings_of(profile, *packets):
    driver = open_profile_driver(profile, [CHANNEL])
    return [reading for packet in packets for reading in driver.feed(CHANNEL, packet, NOW)]


@pytest.mark.parametrize(("cut", "check"), [(None, True), (None, False), (6, True)])
def test_registers_as_hexadecimal_digits(cut, check):
    report = teach(captured(cut=cut, check=check))
    assert report.profile is not None, report.reason
    assert report.framing.startswith("lines of hexadecimal digits")
    for counts in range(-8000, 8000, 331):
        (reading,) = readings_of(report.profile, line_of(counts, 2, check))
        assert (reading.status, reading.text) == (Status.OK, f"{counts / 100:.2f} V DC")
    assert check_profile(write_profile(report.profile)).value == report.profile


@pytest.mark.parametrize(("cut", "check"), [(None, True), (None, False), (6, True)])
@pytest.mark.parametrize("number", [14, 25])
def test_slips_are_named_with_what_the_others_make_of_them(cut, check, number):
    # Of fourteen entries four are of another range: were its frames of another kind, the slip among them would be lost.
    right = captured(number, cut=cut, check=check)
    texts = [entry.text for entry in right.entries]
    slips = {3: texts[2]} if number == 14 else {3: texts[2], 9: texts[9].removesuffix(" DC"), 17: "OL V DC"}
    entries = tuple(replace(entry, text=slips.get(at, entry.text)) for at, entry in enumerate(right.entries))
    report = teach(replace(right, entries=entries))
    assert report.profile is None
    expected = {entries[at]: texts[at] for at in slips}
    assert {one.entry: one.expected_text for one in report.contradictions} == expected


def test_line_in_pieces_without_a_checksum_is_not_taught():
    # Pieces of two lines would pass for one of the same length.
    assert teach(captured(cut=6, check=False)).profile is None


def test_line_that_lost_its_beginning_or_its_middle_gives_no_value():
    profile = teach(captured(check=False)).profile
    assert profile is not None
    line = line_of(1234, 2, check=False)
    for begin in range(1, len(line)):
        assert all(reading.status is not Status.OK for reading in readings_of(profile, line[begin:]))
        assert all(
            reading.status is not Status.OK for reading in readings_of(profile, line[:begin] + line[begin + 2 :])
        )


@examples(200)
@given(st.binary(min_size=4, max_size=4), st.booleans())
def test_digits_decode_as_their_bytes(content, upper):
    # The LRC of the Modbus specification: the two's complement of the sum of the bytes.
    check = Checksum(ChecksumKind.SUM, at=4, end=4, negate=True)
    framing = Framing(start=b":", end=b"\r\n", checksums=(check,), hex=True)
    source = NumberField(NumberType.UINT, FieldLocation(0, 4, "big"))
    value = ValueFormat(source, unit="V")
    profile = Profile("m", DriverName.FRAMED, ConnectionSetup((CHANNEL,)), Match(), framing, value)
    digits = (content + bytes([-sum(content) & 0xFF])).hex()
    line = b":" + (digits.upper() if upper else digits).encode() + b"\r\n"
    (reading,) = readings_of(profile, line)
    assert reading.digits == int.from_bytes(content, "big")
    assert reading.packet == line
    odd = readings_of(profile, line[:-3] + b"\r\n")
    assert [one.status for one in odd] == [Status.INVALID]


def test_length_field_within_digits_is_an_error():
    text = """profile = 1
name = "m"
driver = "framed"
[connection]
notify = ["7d3b0001-52c4-4c1e-8f0a-6f2a9e15d0c3"]
[frame]
hex = true
length = { at = 1 }
[value]
type = "uint"
at = 2
unit = "V"
"""
    (problem,) = check_profile(text).problems
    assert "frames with hex have no length field" in str(problem)
