"""A meter that counts its frames sends the last one again under a hold: its value is old."""

from collections.abc import Callable
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.driver_api import Status
from meterlink.profiles import Profile, check_profile, open_profile_driver, write_profile
from meterlink.teach import teach
from support.invented_meters import CHANNEL

COUNTERS: dict[str, Callable[[int], int]] = {
    "frames": lambda index: index % 256,
    "frames, each sent twice": lambda index: index // 2 % 256,
    "time": lambda index: 3 * index % 256,
    "nothing": lambda _: 0,
}


def frame(counts: int, count: int) -> bytes:
    body = bytes([0xA5, count, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def taught(count: Callable[[int], int], *, sleeps: bool = False) -> Profile:
    """Return the profile of 20 readings, each sent ten times.

    With ``sleeps`` the meter leaves out six of them at every fourth reading, and then sends the last frame again.
    """
    rng = Random(6)
    packets, entries = [], []
    last = b""
    for number in range(20):
        counts = rng.randrange(1000, 9999)
        for index in range(10 * number, 10 * number + 10):
            if sleeps and index % 40 in range(1, 7):
                continue
            if sleeps and index % 40 == 7:
                packets.append(CapturedPacket(0.25 * index - 0.01, CHANNEL, last))
            last = frame(counts, count(index))
            packets.append(CapturedPacket(0.25 * index, CHANNEL, last))
        entries.append(make_display_entry(2.5 * number + 2.3, f"{counts / 100:.2f} V DC"))
    profile = teach(Capture(tuple(packets), tuple(entries)), "invented").profile
    assert profile is not None
    assert check_profile(write_profile(profile)).value == profile
    return profile


def status_after(seconds: float, profile: Profile) -> Status:
    """Return the status of a frame that is sent again after a time."""
    driver = open_profile_driver(profile, [CHANNEL])
    packet = frame(4711, COUNTERS["nothing"](0))
    driver.feed(CHANNEL, packet, Timestamp(0, 0))
    moment = round(seconds * 1e9)
    (reading,) = driver.feed(CHANNEL, packet, Timestamp(moment, moment))
    return reading.status


@pytest.mark.parametrize("counter", COUNTERS)
def test_a_frame_sent_again_is_old_where_frames_are_counted(counter: str) -> None:
    profile = taught(COUNTERS[counter])
    assert status_after(0.3, profile) is Status.OK
    assert status_after(1.5, profile) is (Status.OK if counter == "nothing" else Status.INVALID)


def test_a_meter_that_slept_while_it_was_taught_counts_nevertheless() -> None:
    profile = taught(COUNTERS["frames"], sleeps=True)
    assert status_after(1.5, profile) is Status.INVALID
