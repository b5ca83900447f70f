"""Why a profile's driver refuses bytes: the reason of every invalid reading, for people and for programs."""

import pytest

from meterlink.driver_api import Status, Timestamp
from meterlink.profiles import RefusalReason, open_profile_driver, parse_profile

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
HEAD = 'profile = 1\nname = "reasons"\ndriver = "{driver}"\n[connection]\nnotify = ["' + CHANNEL + '"]\n'
FRAMED = """\
[frame]
start = "a5"
length = 6
[[frame.checksum]]
kind = "sum"
[value]
type = "bcd"
at = 1
size = 2
[[code]]
at = 3
[code.is]
1 = { unit = "V" }
2 = { unit = "A" }
[[code]]
bits = ["4.7-4"]
[code.is]
0 = {}
[annunciators]
"4.0" = { unit = "A" }
"4.1" = { flag = "invalid" }
"""
LINED = """\
[text]
number_count = 1
ignore = ["NO"]
[[text.checksum]]
kind = "xor"
"""


def driver(kind, profile):
    return open_profile_driver(parse_profile(HEAD.format(driver=kind) + profile, "reasons.toml"), [CHANNEL])


def sealed(body):
    return body + bytes([sum(body) & 0xFF])


def lined(text):
    total = 0
    for byte in text:
        total ^= byte
    return text + bytes([total]) + b"\n"


@pytest.mark.parametrize(
    ("packet", "text"),
    [
        (sealed(bytes.fromhex("a512340110")), "unknown code: bit 4.4 is 1"),
        (sealed(bytes.fromhex("a512340190")), "unknown code: bits 4.7 4.4 are 11"),
        (sealed(bytes.fromhex("a512340300")), "unknown code: byte 3 is 0x03"),
        (sealed(bytes.fromhex("a512340101")), "conflicting meanings: A and V"),
        (sealed(bytes.fromhex("a512340102")), "no value on the display"),
        (sealed(bytes.fromhex("a51f340100")), "not a number: bytes 1 to 2 are 1f 34"),
        (bytes.fromhex("a51234010000"), "wrong check bytes"),
    ],
)
def test_reason_of_a_refused_frame(packet, text):
    opened = driver("framed", FRAMED)
    (reading,) = opened.feed(CHANNEL, packet, Timestamp(0, 0))
    assert reading.status is Status.INVALID
    assert [str(refusal) for refusal in opened.refusals] == [text]
    assert opened.refusals[0].data == reading.packet


@pytest.mark.parametrize(
    ("line", "text"),
    [
        (lined(b"NO 1.5 V "), ""),
        (lined(b"NO 1.5 PLUM "), "unknown word: PLUM"),
        (lined(b"NO 1.5 V 2.5 "), "line of another shape: 2 numbers, not 1"),
        (lined(b"NO --- V "), "no value on the display"),
        (lined(b"1.5 V A "), "conflicting meanings: A and V"),
        (lined(b"\xff\xfe 1.5 V "), "not text"),
        (b"NO 1.5 V *\n", "wrong check bytes"),
    ],
)
def test_reason_of_a_refused_line(line, text):
    opened = driver("lined", LINED)
    opened.feed(CHANNEL, b"\n", Timestamp(0, 0))
    opened.feed(CHANNEL, line, Timestamp(0, 0))
    assert [str(refusal) for refusal in opened.refusals] == [text] * bool(text)


def test_refusals_are_those_of_the_packet_fed_last():
    opened = driver("framed", FRAMED)
    opened.feed(CHANNEL, bytes.fromhex("a51234010000"), Timestamp(0, 0))
    assert [refusal.reason for refusal in opened.refusals] == [RefusalReason.CHECKSUM]
    opened.feed(CHANNEL, sealed(bytes.fromhex("a512340100")), Timestamp(0, 0))
    assert not opened.refusals
