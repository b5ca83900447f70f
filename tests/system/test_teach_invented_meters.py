"""Meters drawn from a seed, taught from the target number of entries: none of their packets is ever read wrongly.

The encoders (tests/support/invented_meters.py) share no code with teaching and decoding.
"""

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import check_profile, open_profile_driver, write_profile
from meterlink.teach import teach
from support.invented_meters import CHANNEL, FAMILIES, InventedMeter, agrees

UNSEEN = 300
FEWEST_METERS = 4


def teach_meters(family, functions, entries, seeds, **options):
    """Return ``(meters taught, [share of displays decoded in states that two entries show])``."""
    taught, shares = 0, []
    for seed in range(seeds):
        meter = InventedMeter(family, seed, functions)
        report = teach(meter.capture(entries, seed, **options))
        if report.profile is None:
            continue
        taught += 1
        assert check_profile(write_profile(report.profile)).value == report.profile
        driver = open_profile_driver(report.profile, [CHANNEL])
        right = known = 0
        for display, frame in meter.draw_unseen_frames(UNSEEN, seed):
            readings = tuple(driver.feed(CHANNEL, frame, Timestamp(0, 0)))
            read = bool(readings) and readings[-1].status is not Status.INVALID
            assert not read or agrees(readings[-1], display), (
                family,
                seed,
                display.text,
                readings[-1].text,
                frame.hex(),
            )
            if meter.is_confirmed(display):
                known += 1
                right += read
        if known and not any("longer recording" in suggestion for suggestion in report.suggested_readings):
            shares.append(right / known)
    return taught, shares


def assert_taught_well(taught, shares, meters, *, least_taught, least_share):
    """Check the share of meters taught, and the mean share of displays decoded.

    Of a few meters, one that lacks an entry decides both; that none is read wrongly holds for every meter.
    """
    if meters >= FEWEST_METERS:
        assert taught >= least_taught * meters
        assert sum(shares) / len(shares) > least_share


@pytest.mark.study(everyday=1, sample=12, full=100)  # meters
@pytest.mark.parametrize("family", FAMILIES)
def test_one_function(family, study_size):
    taught, shares = teach_meters(family, 1, 25 if family == "segments" else 12, study_size)
    assert_taught_well(taught, shares, study_size, least_taught=0.9, least_share=0.9)


@pytest.mark.study(everyday=1, sample=4, full=30)  # meters
@pytest.mark.parametrize("family", FAMILIES)
def test_six_functions(family, study_size):
    taught, shares = teach_meters(family, 6, 56, study_size)  # two of every range, sign and overload
    # One in four sends its frames in pieces cut anywhere, without a checksum that shows where they begin: a piece that
    # begins like a frame ends the half one, so that an entry may lose its frame. Of 30 meters these are twelve at most
    # (binomial distribution, 97.5 %).
    assert_taught_well(taught, shares, study_size, least_taught=0.6, least_share=0.95)


@pytest.mark.study(everyday=1, sample=12, full=100)  # meters
@pytest.mark.parametrize("window", [1, 3])
@pytest.mark.parametrize("family", FAMILIES)
def test_no_packets_between_the_entries(family, window, study_size):
    """The thinnest recording: one packet for each entry, or three, and no other packets.

    With one packet, a meter that sends the end of the last frame later may not be taught.
    """
    entries = 25 if family == "segments" else 12
    taught, shares = teach_meters(family, 1, entries, study_size, between=0, window=window)
    least_taught, least_share = (0.6, 0.8) if window == 1 else (0.9, 0.95)
    assert_taught_well(taught, shares, study_size, least_taught=least_taught, least_share=least_share)
