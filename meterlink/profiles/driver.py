"""A profile as a driver: recognised, opened and fed like any other."""

from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase

from meterlink.driver_api import (
    CERTAIN,
    NO_MATCH,
    Advertisement,
    Channel,
    Characteristic,
    CharacteristicWrite,
    DriverError,
    Reading,
    Timestamp,
)
from meterlink.profiles.frames import ChannelDecoder, ChannelDecoderFactory, compile_frames
from meterlink.profiles.lines import compile_lines
from meterlink.profiles.model import DriverName, Profile
from meterlink.profiles.tables import canonical_uuid

# Service or manufacturer fit, but no name is asked for: others may have bought the same radio module.
SERVICE_MATCH = 0.8


class ProfileDriver:
    """One connection to a meter that a profile describes."""

    def __init__(
        self, feeds: Mapping[str, ChannelDecoder], channels: Sequence[Channel], writes: Sequence[CharacteristicWrite]
    ) -> None:
        self._feeds = feeds
        self._channels = tuple(channels)
        self._writes = tuple(writes)

    @property
    def channels(self) -> Sequence[Channel]:
        """What to subscribe to or read."""
        return self._channels

    @property
    def writes(self) -> Sequence[CharacteristicWrite]:
        """What to write, in the order of the profile."""
        return self._writes

    def feed(self, channel: str, packet: bytes, stamp: Timestamp) -> tuple[Reading, ...]:
        """Return the readings that ``packet`` completes, in order.

        None while a frame is not complete. Frames that fail a check make one invalid reading where no other in the
        packet is good. ``packet`` of a reading is its frame as it came, without line end.
        """
        feed = self._feeds.get(channel)
        return () if feed is None else feed(packet, stamp)


class ProfileDriverFactory:
    """The kind of driver that a profile describes; compiled once, shared by all connections."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self._open_channel: ChannelDecoderFactory = (
            compile_lines(profile) if profile.driver is DriverName.LINED else compile_frames(profile)
        )

    @property
    def name(self) -> str:
        """``framed:bench-a``: the engine and the profile's name."""
        return f"{self.profile.driver}:{self.profile.name}"

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        """Return CERTAIN where a name is asked for and fits, `BY_SERVICE` where only service or manufacturer are.

        NO_MATCH where anything given does not fit, nothing is given, or a connected meter lacks a characteristic.
        """
        match = self.profile.match
        if not (match.name or match.services or match.manufacturer is not None):
            return NO_MATCH
        has = set(advertisement.service_uuids) | {one.service_uuid for one in services or ()}
        if match.name and not fnmatchcase(advertisement.name.lower(), match.name.lower()):
            return NO_MATCH
        if not has.issuperset(match.services):
            return NO_MATCH
        if match.manufacturer is not None and match.manufacturer not in advertisement.manufacturer_data:
            return NO_MATCH
        if services is not None and self._missing_characteristics(services):
            return NO_MATCH
        return CERTAIN if match.name else SERVICE_MATCH

    def open(self, services: Sequence[Characteristic]) -> ProfileDriver:
        """Return a fresh decoder; DriverError where the meter lacks a characteristic that the profile names."""
        missing = self._missing_characteristics(services)
        if missing:
            raise DriverError(
                f"The profile {self.profile.name} asks for {missing[0]}, which this meter does not have.",
                "Correct its [connection], or choose another profile.",
            )
        connection = self.profile.connection
        channels = [Channel(self._characteristic_key(uuid, services)) for uuid in connection.notify]
        channels += [
            Channel(self._characteristic_key(uuid, services), "read", connection.every) for uuid in connection.read
        ]
        confirmed = {one.key for one in services if {"write", "write-without-response"} & one.properties == {"write"}}
        writes = []
        for one in connection.writes:
            key = self._characteristic_key(one.to, services)
            writes.append(CharacteristicWrite(key, one.data, one.every, one.response or key in confirmed))
        return ProfileDriver({one.key: self._open_channel(one.key) for one in channels}, channels, writes)

    def _missing_characteristics(self, services: Sequence[Characteristic]) -> list[str]:
        connection = self.profile.connection
        wanted = (*connection.notify, *connection.read, *(one.to for one in connection.writes))
        return [uuid for uuid in wanted if not self._characteristic_key(uuid, services)]

    def _characteristic_key(self, uuid: str, services: Sequence[Characteristic]) -> str:
        """Return the key of a characteristic, in the profile's service where it names one; empty for none."""
        service = self.profile.connection.service
        for one in services:
            fits = canonical_uuid(one.uuid) == uuid or one.key == uuid
            if fits and service in {"", canonical_uuid(one.service_uuid)}:
                return one.key
        return ""


def compile_profile(profile: Profile) -> ProfileDriverFactory:
    """Return the profile as a `meterlink.driver_api.DriverKind`, compiled."""
    return ProfileDriverFactory(profile)


def characteristics_for_capture(profile: Profile, channels: Sequence[str]) -> list[Characteristic]:
    """Return what a meter has that a recording of ``channels`` was made of, as far as the profile asks for it.

    A recording tells neither services nor properties: they are taken to be what the profile wants. Channels of the
    profile that are not among those recorded are there, too, and silent.
    """
    connection = profile.connection
    wanted = (*connection.notify, *connection.read, *(one.to for one in connection.writes))
    recorded = {canonical_uuid(key.partition("@")[0]): key for key in reversed(channels)}
    return [
        Characteristic(recorded.get(uuid, uuid), uuid, connection.service, frozenset())
        for uuid in dict.fromkeys(wanted)
    ]


def open_profile_driver(profile: Profile, channels: Sequence[str]) -> ProfileDriver:
    """Return a fresh decoder for recorded packets of ``channels`` (see `captured_services`)."""
    return compile_profile(profile).open(characteristics_for_capture(profile, channels))
