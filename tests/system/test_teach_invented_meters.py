"""Meters drawn from a seed, taught from the target number of labels: no packet of theirs is ever read wrongly.

The encoders (tests/support/invented_meters.py) share nothing with what infers and decodes.
"""

from decimal import Decimal

import pytest

from invented_meters import CHANNEL, FAMILIES, InventedMeter
from meterlink.capture.capture_file import parse_displayed_value
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import check_profile, open_profile_driver, write_profile
from meterlink.teach import teach

SEEDS = 12
UNSEEN = 300


def says(reading, face):
    shows = parse_displayed_value(face.text)
    if face.overload:
        return reading.status is Status.OVERLOAD
    if reading.digits is None or reading.quantity is not shows.quantity or reading.coupling is not shows.coupling:
        return False
    # Units may differ by a prefix, where a frame carries base units and does not tell the display's.
    told, shown = Decimal(str(reading.value)), float(shows.digits) * 10.0 ** exponent(shows.unit)
    return float(told) == pytest.approx(shown, rel=1e-9, abs=1e-15)


def exponent(unit):
    prefixes = {"m": -3, "µ": -6, "n": -9, "k": 3, "M": 6}
    return prefixes.get(unit[0], 0) if len(unit) > 1 and unit != "Hz" else 0


def count(family, functions, labels, seeds, **how):
    """Return (meters taught, shares of known states decoded)."""
    taught, shares = 0, []
    for seed in range(seeds):
        meter = InventedMeter(family, seed, functions)
        report = teach(meter.capture(labels, seed, **how))
        if report.profile is None:
            continue
        taught += 1
        assert check_profile(write_profile(report.profile)).profile == report.profile
        driver = open_profile_driver(report.profile, [CHANNEL])
        right = known = 0
        for face, frame in meter.draw_unlabelled_frames(UNSEEN, seed):
            readings = tuple(driver.feed(CHANNEL, frame, Timestamp(0, 0)))
            read = bool(readings) and readings[-1].status is not Status.INVALID
            assert not read or says(readings[-1], face), (family, seed, face.text, readings[-1].text, frame.hex())
            if (face.function, face.range, face.overload) in meter.labelled:
                known += 1
                right += read
        if not any("longer recording" in wish for wish in report.suggested_readings):
            shares.append(right / known)
    return taught, shares


@pytest.mark.parametrize("family", FAMILIES)
def test_one_function(family):
    taught, shares = count(family, 1, 25 if family == "segments" else 12, SEEDS)
    assert taught >= SEEDS - 1
    assert sum(shares) / len(shares) > 0.9


@pytest.mark.parametrize("family", FAMILIES)
def test_six_functions(family):
    taught, shares = count(family, 6, 40, SEEDS // 3)
    assert taught == SEEDS // 3
    assert sum(shares) / len(shares) > 0.95


@pytest.mark.parametrize("window", [1, 3])
@pytest.mark.parametrize("family", FAMILIES)
def test_nothing_came_between_the_labels(family, window):
    """A recording as thin as can be: one packet for each label, or three, and no other.

    Where the last frame of a label is held back by the radio, one packet is none: such meters may not be taught.
    """
    taught, shares = count(family, 1, 25 if family == "segments" else 12, SEEDS, between=0, window=window)
    assert taught >= (SEEDS - 1 if window > 1 else 0.6 * SEEDS)
    assert sum(shares) / len(shares) > (0.8 if window == 1 else 0.95)
