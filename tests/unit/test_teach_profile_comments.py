"""Comments in a taught profile: they count the entries, and change nothing that the profile reads."""

import re
import tomllib
from dataclasses import replace

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.profiles import check_profile
from meterlink.profiles.model import PacketBeside
from meterlink.teach import teach, write_taught_profile
from meterlink.teach.profile_comments import comment_profile
from support.invented_meters import CHANNEL, NUMBER_FORMATS, InventedMeter

RANGE = {1: 0x21, 2: 0x22}  # places of the display: the range byte that the meter sends


def yard_capture(texts):
    """Return a capture of a meter with a range byte, a sign bit and a magnitude of two bytes."""
    packets, entries = [], []
    for second, text in enumerate(texts, 1):
        number = text.split()[0]
        counts = int(number.lstrip("-").replace(".", ""))
        frame = bytes([0xB5, RANGE[len(number.partition(".")[2])], number.startswith("-"), *counts.to_bytes(2, "big")])
        packets.append(CapturedPacket(second - 0.1, CHANNEL, frame))
        entries.append(make_display_entry(second, text))
    return Capture(tuple(packets), tuple(entries))


TEXTS = ["4.70 V DC", "451.2 V DC", "-12.06 V DC", "0.38 V DC", "-502.7 V DC", "29.90 V DC", "61.1 V DC"]
TEXTS += ["-33.49 V DC", "58.71 V DC", "-174.4 V DC", "40.96 V DC", "220.3 V DC"]


@pytest.fixture(scope="module")
def written():
    capture = yard_capture(TEXTS)
    return write_taught_profile(teach(capture, "yard"), capture)


def test_ranges_carry_the_number_of_their_entries(written):
    # By hand: seven of the twelve texts have two places, five have one; four have a minus.
    assert re.search(r"places = 2 }  # 7 entries, the first: 4\.70 V DC$", written, re.MULTILINE)
    assert re.search(r"places = 1 }  # 5 entries, the first: 451\.2 V DC$", written, re.MULTILINE)
    assert re.search(r'flag = "negative" }  # lit in 4 of 12 entries$', written, re.MULTILINE)


def test_head_says_what_was_shown_and_what_was_not(written):
    head = written.partition("profile = 1")[0]
    assert "# Taught from 12 entries and 12 frames." in head
    assert "# voltage DC: sure (12 entries; held out: 12 right, 0 not decoded, 0 wrong)." in head
    assert "# Not shown yet: a reading of 8192 counts or more" in head
    assert "# Shown in V: 12 numbers, from -502.7 to 451.2." in written
    assert "# These bits never changed, so their meaning is not known." in written


def test_an_overload_shown_once_is_named_as_one_entry():
    capture = yard_capture(TEXTS)
    overload = CapturedPacket(13.9, CHANNEL, bytes([0xB5, 0x2F, 0, 0, 0]))
    entry = make_display_entry(14.0, "OL V DC")
    capture = Capture((*capture.packets, overload), (*capture.entries, entry))
    written = write_taught_profile(teach(capture), capture)
    assert re.search(r'flag = "overload" }  # 1 entry: OL V DC$', written, re.MULTILINE)
    assert "# The overload: bits that always changed together." in written


def test_words_of_a_line_carry_the_number_of_their_entries():
    # The line before the first entry only shows where the next one begins.
    packets, entries = [CapturedPacket(0.2, CHANNEL, b"NO #7 0.50 ZURB\n")], []
    for second in range(1, 13):
        word, unit = ("ZURB", "V AC") if second % 3 else ("QUON", "ohm")
        packets.append(CapturedPacket(second - 0.1, CHANNEL, f"NO #7 {second * 1.37:.2f} {word}\n".encode()))
        entries.append(make_display_entry(second, f"{second * 1.37:.2f} {unit}"))
    capture = Capture(tuple(packets), tuple(entries))
    written = write_taught_profile(teach(capture), capture)
    assert re.search(r'^"ZURB" = .*  # in 8 entries$', written, re.MULTILINE)
    assert re.search(r'^"QUON" = .*  # in 4 entries$', written, re.MULTILINE)


def test_lines_before_a_number_and_packets_beside_the_frames_are_explained():
    packets, entries = [CapturedPacket(0.2, CHANNEL, b"F VAC\nN 0.5\n")], []
    for second in range(1, 13):
        packets.append(CapturedPacket(second - 0.1, CHANNEL, f"F VAC\nN {second * 1.37:.2f}\n".encode()))
        entries.append(make_display_entry(second, f"{second * 1.37:.2f} V AC"))
    capture = Capture(tuple(packets), tuple(entries))
    written = write_taught_profile(teach(capture), capture)
    assert 'lines_before = [["F VAC"]]  # A number counts behind these lines only.' in written
    capture = yard_capture(TEXTS)
    report = teach(capture)
    profile = report.profile
    assert profile is not None
    assert profile.framing is not None
    beside = PacketBeside(3, b"\xb6\0\0", b"\xff\x80\0")
    framing = replace(profile.framing, beside=(beside,), counted=True)
    written = write_taught_profile(replace(report, profile=replace(profile, framing=framing)), capture)
    assert "counted = true  # A frame that comes again is refused: no new one equals the one before." in written
    assert "while the last one differs, none is read.\n[[frame.beside]]\nlength = 3\n" in written


@pytest.mark.parametrize("family", [*NUMBER_FORMATS, "segments"])
def test_commented_profile_is_the_profile_that_was_taught(family):
    capture = InventedMeter(family, 1, 2).capture(30, 1, between=5)
    report = teach(capture, "bench")
    assert report.profile is not None
    assert check_profile(write_taught_profile(report, capture)).value == report.profile
    counts = comment_profile(report.profile, report, capture)
    assert len(counts.codes) == len(report.profile.codes)


@pytest.mark.parametrize("text", ["4.70 V DC \x1b[31m", "4.70 V DC # \r= 3", "4.70 V DC \u2028[value]"])
def test_text_of_an_entry_ends_no_comment(text):
    capture = yard_capture(TEXTS)
    report = teach(capture, "yard")
    assert report.profile is not None
    hostile = object.__new__(type(capture.entries[0]))
    for name in capture.entries[0].__slots__:
        object.__setattr__(hostile, name, getattr(capture.entries[0], name))
    object.__setattr__(hostile, "text", text)
    written = write_taught_profile(report, Capture(capture.packets, (hostile, *capture.entries[1:])))
    assert tomllib.loads(written)["name"] == "yard"
    assert check_profile(written).value == report.profile


def test_report_without_a_profile_is_not_written():
    capture = yard_capture(TEXTS[:2])
    with pytest.raises(ValueError, match="without a profile"):
        write_taught_profile(teach(capture), capture)
