"""Floats and whole numbers finer than the display, whose last digit flickers while a person reads it and then types."""

import struct
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry, parse_displayed_value
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import open_profile_driver
from meterlink.teach import fixed_point, teach
from meterlink.teach.finer_floats import fitting_frames
from meterlink.teach.samples import Sample
from support.invented_meters import CHANNEL

RANGES = (("kohm", 3, 3), ("Mohm", 3, 6), ("V DC", 2, 0))  # text of the unit, decimals, power of ten
TOO_MUCH = 3.0e38  # sent while the display shows an overload


def single_of(value, unit):
    return struct.pack(">f", value)


def single_as_displayed(value, unit):
    power = next(power for text, _, power in RANGES if text == unit)
    return struct.pack("<f", TOO_MUCH if value == TOO_MUCH else value / 10**power)


def fixed_unit(value, unit):
    """Tenths of a milliohm, and microvolts."""
    steps = 1e6 if unit == "V DC" else 1e4
    return min(round(value * steps), 2**47 - 1).to_bytes(6, "little", signed=True)


def sent(value, unit, write):
    code = [text for text, *_ in RANGES].index(unit) + 0x21
    body = bytes([0x5D, code]) + write(value, unit)
    return body + bytes([sum(body) & 0xFF])


def lesson(write, number=18):
    """Return a capture: the display moves by a count between packets; a person reads it 1.5 s before the first key."""
    rng = Random(number)
    packets, entries, t = [], [], 0.0
    for index in range(number):
        unit, places, power = RANGES[index % len(RANGES)]
        target = rng.uniform(1, 9) * (-1 if index % 6 == 5 else 1)
        values = [target + rng.gauss(0, 1) * 10**-places for _ in range(6)]
        overload = index in (6, 9)
        for value in values:
            t = round(t + 0.5, 3)
            number_sent = TOO_MUCH if overload else value * 10**power
            packets.append(CapturedPacket(t, CHANNEL, sent(number_sent, unit, write)))
        # The fourth packet of six came 1.1 s before the key.
        text = f"OL {unit}" if overload else f"{values[3]:.{places}f} {unit}"
        entries.append(make_display_entry(t + 4, text, first_key=t + 0.1))
        t += 8
    return Capture(tuple(packets), tuple(entries))


@pytest.mark.parametrize("write", [single_of, single_as_displayed, fixed_unit])
def test_a_finer_number_is_found_beside_a_flickering_display(write):
    report = teach(lesson(write))
    assert report.profile is not None
    assert report.contradictions == ()
    for value, unit, text in (
        (4.3214e3, "kohm", "4.321 kΩ"),
        (7.0006e6, "Mohm", "7.001 MΩ"),
        (-3.141, "V DC", "-3.14 V DC"),
    ):
        driver = open_profile_driver(report.profile, [CHANNEL])
        assert [one.text for one in driver.feed(CHANNEL, sent(value, unit, write), Timestamp(0, 0))] == [text]


@pytest.mark.parametrize("write", [single_of, single_as_displayed])
def test_a_float_far_beyond_the_display_is_the_overload_that_was_shown(write):
    profile = teach(lesson(write)).profile
    assert profile is not None
    for value, status in ((TOO_MUCH, Status.OVERLOAD), (2.0e38, Status.INVALID)):
        driver = open_profile_driver(profile, [CHANNEL])
        assert [one.status for one in driver.feed(CHANNEL, sent(value, "kohm", write), Timestamp(0, 0))] == [status]


def samples_of(texts):
    entry = make_display_entry(1.0, "1 V")
    return [Sample(entry, parse_displayed_value(text), (b"",)) for text in texts]


def test_the_frames_that_round_to_the_display_are_found():
    values = [1.2345, 22.346, 3.3349, 814.002]
    frames = [[struct.pack("<f", value * 1.003), struct.pack("<f", value)] for value in values]
    texts = [f"{value:.2f} V" for value in values]
    assert fitting_frames(samples_of(texts), frames) == [{1}] * 4


def test_the_frames_with_the_counts_of_the_display_are_found_in_every_range():
    shown = [(1234, 3), (877, 2), (5031, 3), (4410, 1), (-906, 2), (3555, 1)]
    frames = [[(counts + more).to_bytes(3, "big", signed=True) for more in (1, 0, -1, 0)] for counts, _ in shown]
    texts = [f"{counts / 10**places:.{places}f} V" for counts, places in shown]
    assert fixed_point.fitting_frames(samples_of(texts), frames, frozenset()) == [{1, 3}] * 6


def test_counts_are_found_where_packets_come_faster_than_the_display_changes():
    """Ten packets a second move by a count or two; a display of three a second shows one of them now and then."""
    rng = Random(6)
    packets, entries, t = [], [], 0.0
    for index in range(20):
        counts, places = rng.randrange(500, 9000), 1 + index % 2
        for _ in range(40):
            t = round(t + 0.1, 3)
            body = bytes([0x2E, places, *(counts + rng.choice([-2, -1, -1, 0, 1, 1, 2])).to_bytes(2, "big")])
            packets.append(CapturedPacket(t, CHANNEL, body + bytes([sum(body) & 0xFF])))
        entries.append(make_display_entry(t + 4, f"{counts / 10**places:.{places}f} kohm", first_key=t))
        t += 8
    report = teach(Capture(tuple(packets), tuple(entries)))
    assert report.profile is not None
    assert report.contradictions == ()


def test_numbers_that_follow_nothing_give_no_frame():
    rng = Random(4)
    frames = [[rng.randbytes(9) for _ in range(4)] for _ in range(12)]
    texts = [f"{rng.uniform(1, 60):.3f} V" for _ in range(12)]
    assert fitting_frames(samples_of(texts), frames) == [set() for _ in frames]
