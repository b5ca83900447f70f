"""Plans and profiles from files."""

import os
from collections.abc import Iterable
from pathlib import Path

from meterlink import plans
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Plan
from meterlink.core.errors import InputError, ProfileError
from meterlink.core.readings import Reading
from meterlink.profiles import (
    Profile,
    ProfileDriver,
    ProfileDriverFactory,
    characteristics_for_capture,
    compile_profile,
    for_whole_frames,
    parse_profile,
)
from meterlink.tomlfile.files import read_text_file

__all__ = ["MeterProfile", "Plan", "load_plan", "load_profile"]

NO_TIME = Timestamp(0, 0)
"""The time of a packet that was given without one: the beginning of 1970."""


def load_plan(path_or_name: str | os.PathLike[str]) -> Plan:
    """Return the plan in a file, or the shipped plan of that name: ``"split-condenser"``.

    Its ``points`` are the test points in the order of measurement, with circuit, component, terminals and rating.

    Raises:
        PlanError: the file cannot be read or has an error; the message names the line and the point of the first error.
    """
    return plans.load_plan(os.fspath(path_or_name))


class MeterProfile:
    """A meter that a profile describes: its name, its channels, and its packets decoded."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._factory = compile_profile(profile)
        self._factory_of_whole_frames = compile_profile(for_whole_frames(profile))

    @property
    def name(self) -> str:
        """The profile's name: ``yard-meter``."""
        return self._profile.name

    @property
    def channels(self) -> tuple[str, ...]:
        """The UUIDs of the characteristics that send packets, in lower case, 128 bits as text."""
        connection = self._profile.connection
        return tuple(dict.fromkeys((*connection.notify, *connection.read)))

    def decode(self, channel: str, packet: bytes, timestamp: Timestamp = NO_TIME) -> tuple[Reading, ...]:
        """Return the readings of one packet, decoded by itself: none, one or several.

        ``channel`` is the UUID of the characteristic that sent the packet (16 bits as four digits, or 128 bits). A
        packet without a complete frame gives no reading; one with wrong frames alone gives one reading whose status is
        ``invalid``. Each reading carries ``timestamp``, by default the beginning of 1970. For frames that are split
        over several packets use `decode_all`. A line of text counts, although no end of a line came before it.

        Raises:
            InputError: the profile has no such channel, or the packet is not bytes.
        """
        driver = self._open(channel, self._factory_of_whole_frames)
        driver.begin_line()
        return _feed(driver, channel, (packet,), timestamp)

    def decode_all(self, channel: str, packets: Iterable[bytes], timestamp: Timestamp = NO_TIME) -> tuple[Reading, ...]:
        """Return the readings of consecutive packets of one channel, in order; a frame may be split over them.

        The packets are those after connecting: text before the first end of a line gives no reading.

        Raises:
            InputError: the profile has no such channel, or a packet is not bytes.
        """
        return _feed(self._open(channel, self._factory), channel, packets, timestamp)

    def _open(self, channel: str, factory: ProfileDriverFactory) -> ProfileDriver:
        driver = factory.open(characteristics_for_capture(self._profile, [channel]))
        if channel not in {found.key for found in driver.channels}:
            raise InputError(
                f"The profile {self.name} has no channel {channel!r}.", f"It has: {', '.join(self.channels)}."
            )
        return driver


def _feed(driver: ProfileDriver, channel: str, packets: Iterable[bytes], timestamp: Timestamp) -> tuple[Reading, ...]:
    readings: list[Reading] = []
    for packet in packets:
        # bytes(5) would be five zero bytes, and a str has no bytes.
        if not isinstance(packet, bytes | bytearray | memoryview):
            raise InputError(
                f"A packet is bytes, not {type(packet).__name__}.", "Give bytes, such as bytes.fromhex('3c 99')."
            )
        readings += driver.feed(channel, bytes(packet), timestamp)
    return tuple(readings)


def load_profile(path: str | os.PathLike[str]) -> MeterProfile:
    """Return the meter's profile in a TOML file.

    Raises:
        ProfileError: the file cannot be read or is no profile; the message names the file, the line and the column.
    """
    try:
        text = read_text_file(Path(path), "profile")
    except InputError as error:
        raise ProfileError(error.message, error.remedy) from error
    return MeterProfile(parse_profile(text, str(path)))
