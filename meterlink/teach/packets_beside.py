"""Packets without a number, beside the frames that are read: they may tell a state of the display.

A display hold, a recording or a function may be told in a packet of its own. The number's frames are then the same as
ever.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.profiles import Profile
from meterlink.profiles.joining import part_of
from meterlink.profiles.model import FramePart, PacketBeside
from meterlink.profiles.uuids import canonical_uuid
from meterlink.teach import limits
from meterlink.teach.display_over_time import DisplayOverTime
from meterlink.teach.kinds_beside import find_kinds
from meterlink.teach.samples import Sample
from meterlink.teach.ways import Way

_BATTERY_LEVEL = canonical_uuid("2a19")
"""The characteristic of the level of a battery (Bluetooth assigned numbers): it tells nothing of the display."""


@dataclass(frozen=True, slots=True)
class _Packets:
    """The packets of a capture: the ``frames`` that are read, and the ``others`` of each characteristic.

    ``telling`` has, for the number of a characteristic and the length of its frames, the offset of the byte by which
    other packets of this length are told from them.
    """

    frames: Sequence[CapturedPacket]
    others: dict[str, list[CapturedPacket]]
    telling: dict[tuple[int, int], int]

    @classmethod
    def of_frames(cls, way: Way, samples: Sequence[Sample], capture: Capture) -> "_Packets":
        lengths = {len(sample.frame) for sample in samples}
        own = [packet for packet in capture.packets if packet.channel == way.channel]
        told_by, byte = _telling_byte([packet.data for packet in own], samples)

        def is_frame(packet: CapturedPacket) -> bool:
            data = packet.data
            fits = packet.channel == way.channel and len(data) in lengths
            return fits and (told_by is None or data[told_by] == byte)

        telling = {} if told_by is None else {(0, length): told_by for length in lengths}
        return cls([packet for packet in own if is_frame(packet)], _others(capture, is_frame), telling)

    @classmethod
    def of_parts(cls, parts: Sequence[FramePart], way: Way, capture: Capture) -> "_Packets":
        def is_part(packet: CapturedPacket) -> bool:
            known = packet.channel in way.channels
            return known and part_of(parts, way.channels.index(packet.channel), packet.data) is not None

        frames = [CapturedPacket(seconds, way.channel, frame) for seconds, frame in way.frames]
        telling = {(part.channel, part.length): part.marks[0][0] for part in parts if part.marks}
        return cls(frames, _others(capture, is_part), telling)


def _others(capture: Capture, is_known: Callable[[CapturedPacket], bool]) -> dict[str, list[CapturedPacket]]:
    others: dict[str, list[CapturedPacket]] = {}
    for packet in capture.packets:
        if packet.data and not is_known(packet):
            others.setdefault(packet.channel, []).append(packet)
    return others


def add_packets_beside(profile: Profile, way: Way, samples: Sequence[Sample], capture: Capture) -> Profile:
    """Return the profile with the packets beside its frames that may tell a state; unchanged without any.

    ``samples`` are the frames with an entry.
    """
    framing = profile.framing
    if framing is None or (capture.meter is not None and capture.meter.requests.reads):
        return profile  # a meter that is read sends nothing by itself
    if framing.parts:
        packets = _Packets.of_parts(framing.parts, way, capture)
    elif _are_packets(way, capture):
        packets = _Packets.of_frames(way, samples, capture)
    else:
        return profile
    display = DisplayOverTime.of(profile, way.channel, packets.frames, samples)
    channels = list(way.channels)
    found: list[PacketBeside] = []
    for channel, some in packets.others.items():
        if _uuid_of(channel) == _BATTERY_LEVEL:
            continue
        known = channel in channels
        kinds = list(find_kinds(some, channels.index(channel) if known else len(channels), packets.telling, display))
        if not kinds or len(found) + len(kinds) > limits.MOST_PACKETS_BESIDE:
            continue
        if not known:
            channels.append(channel)
        found += kinds
    if not found:
        return profile
    notify = (*profile.connection.notify, *map(_uuid_of, channels[len(way.channels) :]))
    return replace(
        profile,
        framing=replace(framing, beside=tuple(found)),
        connection=replace(profile.connection, notify=notify),
    )


def _uuid_of(channel: str) -> str:
    uuid = channel.partition("@")[0]
    return canonical_uuid(uuid) or uuid


def _are_packets(way: Way, capture: Capture) -> bool:
    """Return whether each frame is one packet; else a packet that is no frame may be a part of one."""
    frames = {frame for _, frame in way.frames}
    whole = sum(packet.channel == way.channel and packet.data in frames for packet in capture.packets)
    return whole >= limits.NEARLY_ALL * len(way.frames)


def _telling_byte(packets: Sequence[bytes], samples: Sequence[Sample]) -> tuple[int | None, int]:
    """Return ``(offset, byte)`` that all frames with an entry have, and other packets of their length have not.

    The offset is None if there are no such packets.
    """
    labelled = [sample.frame for sample in samples]
    lengths = {len(frame) for frame in labelled}
    ours = [data for data in packets if len(data) in lengths]
    for at in range(min(lengths)):
        byte = labelled[0][at]
        others = {data[at] for data in ours} - {byte}
        if 0 < len(others) <= limits.MOST_KINDS and all(frame[at] == byte for frame in labelled):
            return at, byte
    return None, 0
