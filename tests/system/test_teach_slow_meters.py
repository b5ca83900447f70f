"""Meters with seconds, uptime or battery bytes: the packets of hours later are read, and none is read wrongly.

A teacher's advice is followed as a technician would: the recording goes on for some minutes without an entry, or two
readings are added hours later. A meter that is called sure is then sure: its later packets are read.
"""

from dataclasses import dataclass

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import Profile, open_profile_driver
from meterlink.teach import TeachReport, teach
from support.invented_meters import CHANNEL, FAMILIES, agrees
from support.slow_meters import SLOW_KINDS, SlowMeter

HOURS = (2, 3, 4)  # from one look at the later packets to the next
COUNTING = {"seconds", "time of day", "uptime"}
EACH = 60  # packets of every look
FEWEST_METERS = 4


@dataclass(frozen=True, slots=True)
class LaterPackets:
    """The later packets of a meter: the share read of the states that two entries show, and the number read wrongly."""

    share_read: float
    wrong: int


def read_later(meter: SlowMeter, profile: Profile, seed: int) -> LaterPackets:
    """Return the reading of packets hours later; the meter is then as it was."""
    count, read, known, wrong = meter.count, 0, 0, 0
    for hours in HOURS:
        meter.wait(hours)
        driver = open_profile_driver(profile, [CHANNEL])
        for display, frame in meter.draw_unseen_frames(EACH, seed + hours):
            readings = tuple(driver.feed(CHANNEL, frame, Timestamp(0, 0)))
            valid = bool(readings) and readings[-1].status is not Status.INVALID
            wrong += valid and not agrees(readings[-1], display)
            if meter.is_confirmed(display):
                known, read = known + 1, read + valid
    meter.count = count
    return LaterPackets(read / known if known else 1.0, wrong)


def follow_advice(meter: SlowMeter, seed: int, entries: int) -> list[tuple[TeachReport, LaterPackets]]:
    """Return the report on a recording and on its continuations, with the frames read hours later."""
    capture = meter.capture(entries, seed, between=80)
    steps = []
    for round_ in range(3):
        report = teach(capture)
        if report.profile is None:
            break
        steps.append((report, read_later(meter, report.profile, seed)))
        wishes = " ".join(report.suggested_readings)
        if "longer recording" in wishes:
            capture = meter.record_on(capture, 300, 0, seed + 50 + round_)
        if "an hour later" in wishes:
            capture = meter.record_on(capture, 20, 2, seed + 60 + round_, hours=3.3)
        if "longer recording" not in wishes and "an hour later" not in wishes:
            break
    return steps


def check_meter(family: str, kind: str, seed: int) -> list[LaterPackets]:
    """Check that no later packet of a meter is read wrongly, and none of a counting meter called sure refused."""
    steps = follow_advice(SlowMeter(family, seed, 1, (kind,)), seed, 25 if family == "segments" else 12)
    for report, later in steps:
        assert later.wrong == 0
        # A level that did not move in the recording shows nothing of itself.
        if kind in COUNTING and any(function.confidence == "sure" for function in report.functions):
            assert later.share_read > 0.9
    return [later for _, later in steps]


@pytest.mark.parametrize("kind", SLOW_KINDS)
def test_later_packets_of_one_meter(kind):
    assert check_meter("integer", kind, 1)[-1].share_read > 0.9


def test_a_torn_recording_is_not_cut_amid_its_packets_instead():
    """The last frame of the recording is torn; frames that begin within packets would explain every entry."""
    check_meter("float", "time of day", 0)


@pytest.mark.study(everyday=0, sample=1, full=12)  # meters
@pytest.mark.parametrize("kind", SLOW_KINDS)
@pytest.mark.parametrize("family", FAMILIES)
def test_later_packets(family, kind, study_seed):
    check_meter(family, kind, study_seed)
