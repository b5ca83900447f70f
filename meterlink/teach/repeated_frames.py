"""Frames that a meter sends again: under a display hold, or the last one when it wakes. Their value is old."""

from dataclasses import replace

from meterlink.profiles import Profile
from meterlink.profiles.framing import OLDEST
from meterlink.teach import limits
from meterlink.teach.counters import find_counters
from meterlink.teach.ways import Way


def mark_counted(profile: Profile, way: Way) -> Profile:
    """Return the profile, with its frames marked as counted if a counter made nearly all of them differ."""
    framing = profile.framing
    if framing is None or framing.parts:
        return profile
    if not find_counters([frame[: way.common] for _, frame in way.frames]).positions:
        return profile
    old = 0  # frames that came again too late
    first = way.frames[0]
    for seconds, frame in way.frames:
        if frame != first[1]:
            first = seconds, frame
        old += seconds - first[0] > OLDEST / 1e9
    if old > limits.MOST_LOST * len(way.frames):
        return profile
    return replace(profile, framing=replace(framing, counted=True))
