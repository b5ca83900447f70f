"""Readings that a profile found makes of whole frames, and whether they agree with the display."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import cache

from meterlink.capture.capture_file import DisplayedValue
from meterlink.core.clock import Timestamp
from meterlink.core.units import to_base
from meterlink.driver_api import Reading, Status
from meterlink.profiles import Profile, ProfileDriver, compile_profile, for_whole_frames, open_profile_driver
from meterlink.profiles.driver import characteristics_for_capture
from meterlink.teach.samples import Sample

_NOWHEN = Timestamp(0, 0)


def open_driver(profile: Profile, channels: Sequence[str]) -> ProfileDriver:
    """Return a fresh driver of ``profile`` for the packets of ``channels``."""
    return open_profile_driver(profile, channels)


def frame_decoder(profile: Profile, channel: str, ending: bytes = b"") -> Callable[[bytes], Reading | None]:
    """Return a function that decodes a frame as the first of a connection; it remembers readings: many frames recur."""
    factory = compile_profile(for_whole_frames(profile))
    services = characteristics_for_capture(profile, [channel])

    def decode(frame: bytes) -> Reading | None:
        driver = factory.open(services)
        driver.begin_line()
        readings = driver.feed(channel, frame + ending, _NOWHEN)
        return readings[-1] if readings else None

    return cache(decode)


def without_checks(profile: Profile) -> Profile:
    """Return the profile for frames that were made up, whose check bytes are wrong."""
    framing = profile.framing
    return profile if framing is None else replace(profile, framing=replace(framing, checksums=()))


def decodes_all(profile: Profile, channel: str, samples: Sequence[Sample], ending: bytes = b"") -> bool:
    """Return whether every sample's frame decodes to the display."""
    decode = frame_decoder(profile, channel, ending)
    return all(allows(decode(sample.frame), sample.displayed) for sample in samples)


def allows(reading: Reading | None, shows: DisplayedValue) -> bool:
    """Return whether a reading agrees with the display; an overload may also decode to no value."""
    if shows.overload and (reading is None or reading.status is Status.INVALID):
        return True
    return says(reading, shows)


def says(reading: Reading | None, shows: DisplayedValue) -> bool:
    """Return whether a reading is the value shown; digits beyond the display's are ignored."""
    if shows.blank:
        return reading is None or reading.status is Status.INVALID
    if reading is None or (shows.quantity is not None and reading.quantity is not shows.quantity):
        return False
    if shows.coupling is not None and reading.coupling is not shows.coupling:
        return False
    if shows.digits is None:
        return reading.status is Status.OVERLOAD
    if reading.digits is None:
        return False
    if reading.unit == shows.unit:
        told, shown, step = reading.digits, shows.digits, Decimal(1)
    else:
        told, shown = to_base(reading.digits, reading.unit), to_base(shows.digits, shows.unit)
        step = abs(to_base(Decimal(1), shows.unit) - to_base(Decimal(0), shows.unit))
    exponent = shows.digits.as_tuple().exponent
    half = Decimal((0, (5,), (exponent if isinstance(exponent, int) else 0) - 1)) * step
    places = reading.digits.as_tuple().exponent
    same_places = reading.unit == shows.unit and places == exponent
    return told == shown if same_places else abs(told - shown) <= half
