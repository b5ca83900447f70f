"""The share of the capture's own frames that a profile reads, and the words of a report about it."""

from random import Random

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.teach import teach
from meterlink.teach.limits import LEAST_YIELD
from support.invented_meters import CHANNEL


def frame(counts, code):
    body = bytes([0xA5, code, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def recorded(codes_between):
    """Return fourteen readings of one range, with a frame of each of ``codes_between`` before every reading."""
    rng = Random(1)
    packets, entries, now = [], [], 0.0
    for _ in range(14):
        for code in codes_between:
            now = round(now + 0.5, 6)
            packets.append(CapturedPacket(now, CHANNEL, frame(rng.randrange(8000), code)))
        counts = rng.randrange(10_000)
        now = round(now + 0.5, 6)
        packets.append(CapturedPacket(now, CHANNEL, frame(counts, 0x11)))
        entries.append(make_display_entry(now, f"{counts / 100:.2f} V DC"))
    return Capture(tuple(packets), tuple(entries))


def test_every_frame_without_an_entry_is_read():
    report = teach(recorded([0x11] * 4))
    assert (report.unlabelled_frames, report.unlabelled_read) == (56, 56)
    assert [one.confidence for one in report.functions] == ["sure in the one range shown while byte 1 stays as before"]


def test_a_profile_that_refuses_the_frames_between_the_entries_is_not_sure():
    """Every entry is right, and a profile of the others reads it; yet most frames of the meter are refused."""
    report = teach(recorded([0x11, 0x42, 0x42, 0x42]))
    assert report.profile is not None
    (function,) = report.functions
    assert (function.right, function.wrong) == (14, 0)
    assert report.unlabelled_read / report.unlabelled_frames < LEAST_YIELD
    assert function.confidence == "sure of what was shown"
    assert report.suggested_readings[0].startswith("an entry for what the display showed at 1.0 s")
    assert "42 of 56" in report.suggested_readings[0]


def test_a_capture_without_other_frames_says_nothing_against_the_profile():
    report = teach(recorded([]))
    assert report.unlabelled_frames == 0
    assert [one.settled for one in report.functions] == [True]
    assert report.as_object()["unlabelled_read"] == 0
