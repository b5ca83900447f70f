"""Two explanations that agree with every entry: no profile, until the reading that decides was taken."""

import struct
from random import Random

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.profiles import open_profile_driver
from meterlink.teach import teach
from meterlink.teach.rivals import find_disagreement
from support.invented_meters import CHANNEL


def frame(shown, other):
    """Return a frame with two numbers: one as counts, one as a binary float; the display may show either."""
    return bytes([0x5A, 0x03]) + shown.to_bytes(2, "little") + struct.pack("<f", other / 100)


def captured(readings, between=()):
    """Return a capture of ``readings`` (text, frame), and of frames without an entry before them."""
    packets = [CapturedPacket(0.1 * index, CHANNEL, sent) for index, sent in enumerate(between)]
    start = 0.1 * len(packets) + 5
    packets += [CapturedPacket(start + index, CHANNEL, sent) for index, (_, sent) in enumerate(readings)]
    entries = [make_display_entry(start + index + 0.1, text) for index, (text, _) in enumerate(readings)]
    return Capture(tuple(packets), tuple(entries))


def lesson(number=14):
    """The present value and the greatest so far are the same in every reading that was typed in."""
    rng = Random(2)
    values = [rng.randrange(100, 10_000) for _ in range(number)]
    return [(f"{value / 100:.2f} V DC", frame(value, value)) for value in values]


def test_two_numbers_that_differ_only_without_an_entry_are_asked_about():
    between = [frame(1000, 2500)] * 3
    report = teach(captured(lesson(), between))
    assert report.profile is None
    assert "two explanations" in report.reason
    assert "10.00 V DC" in report.reason
    assert "25.00 V DC" in report.reason
    (wish,) = report.suggested_readings
    assert "10.00 V DC" in wish


def test_the_reading_asked_for_decides():
    between = [frame(1000, 2500)] * 3
    for shown, text in ((1000, "10.00 V DC"), (2500, "25.00 V DC")):
        entries = [*lesson(), (text, frame(1000, 2500)), (text, frame(1000, 2500))]
        profile = teach(captured(entries, between)).profile
        assert profile is not None
        (reading,) = open_profile_driver(profile, [CHANNEL]).feed(CHANNEL, frame(1000, 2500), Timestamp(0, 0))
        assert reading.value == shown / 100


def test_two_numbers_that_never_differed_are_asked_about_too():
    report = teach(captured(lesson()))
    assert report.profile is None
    assert "a packet that it may send" in report.reason


def test_a_meter_with_one_number_has_no_rival():
    assert teach(captured([(text, sent[:4]) for text, sent in lesson()])).profile is not None


def test_made_up_frames_are_compared_where_the_frames_of_the_capture_agree():
    profile = teach(captured([(text, sent[:4]) for text, sent in lesson()])).profile
    assert profile is not None
    decode = open_profile_driver(profile, [CHANNEL])

    def first(sent):
        return decode.feed(CHANNEL, sent[:4], Timestamp(0, 0))[-1]

    def second(sent):
        # Reads the highest bit that a reading has changed as something else.
        return first(bytes([*sent[:3], sent[3] & 0x1F, *sent[4:]]))

    low = frame(1000, 1000)
    assert find_disagreement(first, second, [low], [low], range(16, 24)) is None
    found = find_disagreement(first, second, [low], [low], range(16, 32))
    assert found is not None
    assert not found.sent
    assert found.first.digits != found.second.digits
