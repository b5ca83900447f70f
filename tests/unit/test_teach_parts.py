"""Teaching with the parts on a truck: capacitors first, then whatever is asked for.

A technician's reasoning (common practice, no source): there are a dozen capacitors on the truck and hardly a resistor.
Twelve readings of eight capacitors must be enough, or the next part must be named at once.
"""

from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import open_profile_driver
from meterlink.teach import Teacher, find_progress, teach
from meterlink.teach.wishes import A_DRIVER
from support.invented_meters import (
    CHANNEL,
    FAMILIES,
    RATE,
    InventedDisplay,
    InventedMeter,
    agrees,
    split_packets,
)

MICROFARADS = (5, 7.5, 10, 12.5, 20, 30, 40, 50)
OHMS = (82, 91, 120, 150, 220, 330, 470, 560)
OHM_RANGE, MICROFARAD_RANGE = 0, 2  # of `invented_meters.FUNCTIONS`


def farad_meter(family):
    """Return a meter of the family that shows farads and ohms, with four digits at least."""
    seeds = (InventedMeter(family, seed, 2) for seed in range(400))
    return next(one for one in seeds if set(one.functions) == {"farads", "ohms"} and one.max_counts >= 5999)


def capacitors(rng):
    """Return twelve readings of eight capacitors: four are measured twice, and show the same."""
    parts = [round(value * 100 * rng.uniform(0.95, 1.04)) for value in MICROFARADS]
    return [InventedDisplay("farads", MICROFARAD_RANGE, counts, False) for counts in (*parts, *parts[:4])]


def recorded(meter, displays, rng):
    """Return the capture of ``displays``: each is shown for some seconds, and then typed in."""
    frames, entries, now = [], [], 0.0
    for display in displays:
        for _ in range(30):
            now += 1 / RATE
            frames.append((now, meter.frame(display, rng)))
        entries.append(make_display_entry(round(now + 0.05, 6), display.text))
        now += 0.5
    return Capture(tuple(split_packets("whole", frames, rng)), tuple(entries))


def read(profile, meter, displays, rng):
    """Return ``(read, wrong)``."""
    driver, right, wrong = open_profile_driver(profile, [CHANNEL]), 0, 0
    for display in displays:
        reading = driver.feed(CHANNEL, meter.frame(display, rng), Timestamp(0, 0))[-1]
        right += reading.status is Status.OK
        wrong += reading.status is Status.OK and not agrees(reading, display)
    return right, wrong


@pytest.mark.parametrize("family", FAMILIES)
def test_twelve_readings_of_eight_capacitors_suffice_or_the_next_part_is_named(family):
    rng, meter = Random(7), farad_meter(family)
    report = teach(recorded(meter, capacitors(rng), rng))
    if report.profile is not None:
        again = [InventedDisplay("farads", MICROFARAD_RANGE, rng.randint(480, 5100), False) for _ in range(60)]
        known, wrong = read(report.profile, meter, again, rng)
        assert wrong == 0
        # What is refused needs a digit that no capacitor has shown; the reading that shows it is named.
        assert known > 20
        assert any(" as " in wish or "more than" in wish for wish in report.suggested_readings) or known == 60
    else:
        first, shorted, open_ = report.suggested_readings
        assert "resistors" in first
        assert "8 numbers so far" in first
        assert "shorted" in shorted
        assert "open lead" in open_


def test_the_parts_asked_for_lead_to_a_profile_of_a_display():
    rng, meter = Random(8), farad_meter("segments")
    ohms = [InventedDisplay("ohms", OHM_RANGE, value * 10 + rng.randrange(10), False) for value in OHMS]
    ohms += [InventedDisplay("ohms", OHM_RANGE, 0, False), InventedDisplay("ohms", OHM_RANGE, 0, False, overload=True)]
    report = teach(recorded(meter, [*capacitors(rng), *ohms], rng))
    assert report.profile is not None
    known, wrong = read(report.profile, meter, capacitors(rng), rng)
    assert wrong == 0
    assert known >= 6


def test_the_part_is_asked_for_as_soon_as_the_first_readings_are_in():
    rng, meter = Random(9), farad_meter("segments")
    teacher = Teacher()
    teacher.add_capture(recorded(meter, capacitors(rng)[:5], rng))
    assert teacher.next_suggestion() == (
        "Most useful now: 9 resistors of different values, with the dial on ohms "
        "(5 numbers so far, about 14 are needed)."
    )


def gray(counts, places):
    """Return a frame with Gray code, in which most bits of the number shown follow no single bit."""
    body = bytes([0xA5, places, *(counts ^ counts >> 1).to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def test_after_many_numbers_more_readings_are_not_asked_for():
    rng = Random(5)
    packets, entries = [], []
    for index in range(30):
        counts = rng.randrange(1_000, 60_000)
        packets.append(CapturedPacket(index + 0.9, CHANNEL, gray(counts, 3)))
        entries.append(make_display_entry(index + 1.0, f"{counts / 1000:.3f} V DC"))
    report = teach(Capture(tuple(packets), tuple(entries)))
    assert not report.has_profile
    assert report.suggested_readings == (A_DRIVER,)
    assert str(find_progress(entries, report)) == "30 of about 32; still open: minus, packets that no reading explains"
