"""A profile as a driver, with the interface of every other driver."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

from meterlink.core.text import count_phrase
from meterlink.driver_api import (
    CERTAIN,
    NO_MATCH,
    Advertisement,
    Channel,
    Characteristic,
    CharacteristicWrite,
    DriverError,
    Reading,
    Status,
    Timestamp,
)
from meterlink.profiles.beside import DisplayState, without_value
from meterlink.profiles.frames import ChannelDecoder, DecoderFactory, compile_frames, each_channel
from meterlink.profiles.line_reader import compile_lines
from meterlink.profiles.model import DriverName, Profile
from meterlink.profiles.refusal import Refusal, RefusalReason
from meterlink.profiles.uuids import canonical_uuid

# The score where only services or manufacturer fit: other makers may use the same radio module.
SERVICE_MATCH = 0.8


class ProfileDriver:
    """One connection to a meter that a profile describes."""

    def __init__(
        self,
        profile: Profile,
        open_decoders: DecoderFactory,
        channels: Sequence[Channel],
        writes: Sequence[CharacteristicWrite],
    ) -> None:
        self.profile = profile
        self._refusals: list[Refusal] = []
        self._decoders_of = open_decoders
        self._channels = tuple(channels)
        self._decoders = self._open_decoders()
        self._writes = tuple(writes)
        framing = profile.framing
        self._state = (
            DisplayState(framing, [channel.key for channel in self._channels])
            if framing is not None and (framing.beside or framing.counted)
            else None
        )

    @property
    def channels(self) -> Sequence[Channel]:
        """The characteristics to subscribe to or to read."""
        return self._channels

    @property
    def writes(self) -> Sequence[CharacteristicWrite]:
        """The bytes to write, in the order of the profile."""
        return self._writes

    def feed(self, channel: str, packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
        """Return the readings that ``packet`` completes, in order; none while a frame is not complete.

        A packet that holds only wrong frames gives one invalid reading. A reading's ``packet`` is its frame as it came,
        without line end. `refusals` then says why frames or lines gave no value.
        """
        if self._refusals:
            self._refusals.clear()
        decode = self._decoders.get(channel)
        if decode is None:
            return ()
        if self._state is None:
            return decode(packet, timestamp)
        self._state.note(channel, packet)
        if not self._state.has_frames(channel):
            self._refusals.append(Refusal(RefusalReason.OTHER_KIND, count_phrase(len(packet), "byte"), packet))
            return ()
        return self._state.allow(decode(packet, timestamp), self._refusals)

    def lose_packets(self) -> None:
        """Forget the parts of frames and lines: packets were lost before the next one, which may begin anywhere."""
        self._decoders = self._open_decoders()

    def _open_decoders(self) -> Mapping[str, ChannelDecoder]:
        return self._decoders_of([channel.key for channel in self._channels], self._refusals)

    def begin_line(self) -> None:
        """Take the next packet of every channel to begin a line, as it does behind the end of another line.

        Frames are not concerned: their packets show where they begin.
        """
        text = self.profile.text
        if text is not None:
            for decode in self._decoders.values():
                decode(text.end.encode(), Timestamp(0, 0))

    @property
    def refusals(self) -> tuple[Refusal, ...]:
        """The refusals of the packet fed last, in order; bytes that were dropped without a reading are among them."""
        return tuple(self._refusals)


class ProfileDriverFactory:
    """The driver factory of a profile: compiled once, shared by all connections."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self._open_decoders: DecoderFactory = (
            each_channel(compile_lines(profile)) if profile.driver is DriverName.LINED else compile_frames(profile)
        )

    @property
    def name(self) -> str:
        """``framed:bench-a``: the driver and the profile's name."""
        return f"{self.profile.driver}:{self.profile.name}"

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        """Return CERTAIN where a given name fits, `SERVICE_MATCH` where services or manufacturer fit without a name.

        NO_MATCH where a given condition does not fit, none is given, or a connected meter lacks a characteristic.
        """
        match = self.profile.match
        if not (match.name or match.services or match.manufacturer is not None):
            return NO_MATCH
        service_uuids = set(advertisement.service_uuids) | {
            characteristic.service_uuid for characteristic in services or ()
        }
        if match.name and not fnmatchcase(advertisement.name.lower(), match.name.lower()):
            return NO_MATCH
        if not service_uuids.issuperset(match.services):
            return NO_MATCH
        if match.manufacturer is not None and match.manufacturer not in advertisement.manufacturer_data:
            return NO_MATCH
        if services is not None and self._missing_characteristics(services):
            return NO_MATCH
        return CERTAIN if match.name else SERVICE_MATCH

    def open(self, services: Sequence[Characteristic]) -> ProfileDriver:
        """Return a fresh decoder.

        Raises:
            DriverError: the meter lacks a characteristic that the profile names.
        """
        missing = self._missing_characteristics(services)
        if missing:
            raise DriverError(
                f"The profile {self.profile.name} needs {missing[0]}, which this meter does not have.",
                "Correct [connection] in the profile, or choose another profile.",
            )
        connection = self.profile.connection
        channels = [Channel(self._characteristic_key(uuid, services)) for uuid in connection.notify]
        channels += [
            Channel(self._characteristic_key(uuid, services), "read", connection.every) for uuid in connection.read
        ]
        confirmed = {
            characteristic.key
            for characteristic in services
            if {"write", "write-without-response"} & characteristic.properties == {"write"}
        }
        writes = []
        for write in connection.writes:
            key = self._characteristic_key(write.to, services)
            writes.append(CharacteristicWrite(key, write.data, write.every, write.response or key in confirmed))
        return ProfileDriver(self.profile, self._open_decoders, channels, writes)

    def _missing_characteristics(self, services: Sequence[Characteristic]) -> list[str]:
        connection = self.profile.connection
        wanted = (*connection.notify, *connection.read, *(write.to for write in connection.writes))
        return [uuid for uuid in wanted if not self._characteristic_key(uuid, services)]

    def _characteristic_key(self, uuid: str, services: Sequence[Characteristic]) -> str:
        """Return a characteristic's key, within the profile's service where it names one; empty for none."""
        service = self.profile.connection.service
        for characteristic in services:
            fits = canonical_uuid(characteristic.uuid) == uuid or characteristic.key == uuid
            if fits and service in {"", canonical_uuid(characteristic.service_uuid)}:
                return characteristic.key
        return ""


class KeptDecoder:
    """Decodes the bytes of earlier readings by a profile, each alone; any driver may have decoded them before."""

    def __init__(self, factory: ProfileDriverFactory) -> None:
        self._factory = compile_profile(for_whole_frames(factory.profile))
        # A line is kept without its end; behind the end of another it is a whole one.
        text = factory.profile.text
        self._end = b"" if text is None else text.end.encode()
        self._drivers: dict[str, ProfileDriver] = {}
        # A packet before may have told that a frame is not to be read; it is not kept with the frame.
        framing = factory.profile.framing
        self._state_is_lost = framing is not None and (bool(framing.beside) or framing.counted)

    def decode(self, reading: Reading) -> Reading | None:
        """Return the reading that the profile makes of the bytes of ``reading``; it never raises.

        None where the profile does not read its channel. Where its bytes are not exactly one frame, it is invalid.
        """
        channel, frame = reading.channel, reading.packet
        driver = self._drivers.pop(channel, None) or self._open(channel)
        if channel not in {opened.key for opened in driver.channels}:
            return None
        if self._end:
            driver.feed(channel, self._end, reading.timestamp)
        readings = driver.feed(channel, frame + self._end, reading.timestamp)
        if len(readings) != 1:
            return without_value(reading)
        if readings[0].packet != frame:
            return replace(readings[0], packet=frame)
        if reading.status is Status.INVALID and self._state_is_lost:
            return without_value(readings[0])
        self._drivers[channel] = driver  # only here nothing is left in its buffer
        return readings[0]

    def _open(self, channel: str) -> ProfileDriver:
        return self._factory.open(characteristics_for_capture(self._factory.profile, [channel]))


def compile_profile(profile: Profile) -> ProfileDriverFactory:
    """Return the profile as a `meterlink.driver_api.DriverFactory`, compiled."""
    return ProfileDriverFactory(profile)


def for_whole_frames(profile: Profile) -> Profile:
    """Return the profile for frames and lines that are fed whole, each alone, however the meter splits them."""
    if profile.framing is not None and profile.framing.parts:
        length = sum(part.length for part in profile.framing.parts)
        return replace(profile, framing=replace(profile.framing, parts=(), length=length, one_per_packet=True))
    if profile.framing is not None and profile.framing.counted:
        return replace(profile, framing=replace(profile.framing, counted=False))
    if profile.text is None:
        return profile  # a packet that is a whole frame is read as one
    return replace(profile, text=replace(profile.text, packets=None, continued=False, lines_before=()))


def characteristics_for_capture(profile: Profile, channels: Sequence[str]) -> list[Characteristic]:
    """Return the characteristics that the profile names, with the keys that a capture's ``channels`` have.

    A capture holds neither services nor properties; those of the profile are assumed. Characteristics without a
    recorded channel are included: no packet comes from them.
    """
    connection = profile.connection
    wanted = (*connection.notify, *connection.read, *(write.to for write in connection.writes))
    recorded = {canonical_uuid(key.partition("@")[0]): key for key in reversed(channels)}
    return [
        Characteristic(recorded.get(uuid, uuid), uuid, connection.service, frozenset())
        for uuid in dict.fromkeys(wanted)
    ]


def open_profile_driver(profile: Profile, channels: Sequence[str]) -> ProfileDriver:
    """Return a fresh decoder for a capture's ``channels`` (see `characteristics_for_capture`)."""
    return compile_profile(profile).open(characteristics_for_capture(profile, channels))
