"""A range that comes a packet later than its number gives no profile: each change of range would make a wrong value."""

from itertools import pairwise
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.profiles import open_profile_driver
from meterlink.teach import teach
from meterlink.teach.late_codes import LATE_CODES
from support.invented_meters import CHANNEL

PLACES = {0x31: 3, 0x52: 2, 0x94: 1}


def frame(counts, code):
    body = bytes([0x62, code, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def lesson(late):
    """Return a capture of five packets for each display; ``late`` packets have the range of the display before."""
    rng = Random(4)
    shown = [(rng.randrange(600, 6_000), rng.choice(sorted(PLACES))) for _ in range(16)]
    packets, entries = [], []
    for at, ((_, before), (counts, code)) in enumerate(pairwise(shown)):
        for number in range(5):
            sent = frame(counts, before if number < late else code)
            packets.append(CapturedPacket(round(10.0 * at + 0.4 * number, 1), CHANNEL, sent))
        entries.append(make_display_entry(10.0 * at + 1.7, f"{counts / 10 ** PLACES[code]:.{PLACES[code]}f} kohm"))
    return Capture(tuple(packets), tuple(entries))


@pytest.mark.parametrize("late", [1, 2])
def test_a_range_that_comes_after_its_number_is_not_learned(late):
    report = teach(lesson(late))
    assert report.profile is None
    assert report.reason == LATE_CODES


def test_a_range_that_comes_with_its_number_is_learned():
    report = teach(lesson(0))
    assert report.profile is not None
    (reading,) = open_profile_driver(report.profile, [CHANNEL]).feed(CHANNEL, frame(1234, 0x31), Timestamp(0, 0))
    assert reading.text == "1.234 kΩ"
