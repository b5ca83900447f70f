"""Packets without a number, beside the frames that are read: the bits of them that may tell a state of the display.

A display hold, a recording or a function may be told in a packet of its own. The number's frames are then the same as
ever. So a bit that was always zero in such packets must stay zero, as far as it is certainly no part of the level of a
battery, of a clock or of another number: such a number would be refused as soon as it moved, and with it every reading.
"""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import pairwise
from operator import or_

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.driver_api import Reading, Status
from meterlink.profiles import Profile
from meterlink.profiles.joining import part_of
from meterlink.profiles.model import LONGEST_REST, FramePart, PacketBeside
from meterlink.profiles.uuids import canonical_uuid
from meterlink.teach import limits
from meterlink.teach.counters import find_counters
from meterlink.teach.decoding import frame_decoder
from meterlink.teach.samples import Sample
from meterlink.teach.slow_bytes import find_slow_bytes
from meterlink.teach.ways import Way

_BATTERY_LEVEL = canonical_uuid("2a19")
"""The characteristic of the level of a battery (Bluetooth assigned numbers): it tells nothing of the display."""

_CHECK_BYTES = ((5, 2), (3, 1))
"""``(bytes of a packet, bytes at its end that may be check bytes)``: shorter packets have none."""


@dataclass(frozen=True, slots=True)
class _DisplayOverTime:
    """The frames and their times (seconds), and the function that decodes them.

    ``plain`` are the times of the entries without a flag such as HOLD; empty if no entry has one.
    """

    times: Sequence[float]
    frames: Sequence[bytes]
    decode: Callable[[bytes], Reading | None]
    plain: Sequence[float]

    @classmethod
    def of(
        cls, profile: Profile, channel: str, frames: Sequence[CapturedPacket], samples: Sequence[Sample]
    ) -> "_DisplayOverTime":
        """Return the display that a profile reads from ``frames``; ``samples`` are those with an entry."""
        times, data = [frame.seconds for frame in frames], [frame.data for frame in frames]
        plain = [sample.entry.end for sample in samples if not sample.displayed.flags]
        return cls(times, data, frame_decoder(profile, channel), plain if len(plain) < len(samples) else ())

    def known(self, packets: Sequence[CapturedPacket]) -> list[CapturedPacket]:
        """Return the packets that told the state under the entries without a flag; all if no entry has one."""
        if not self.plain:
            return list(packets)
        times = [packet.seconds for packet in packets]
        places = {bisect_right(times, seconds) - 1 for seconds in self.plain} - {-1}
        return [packets[place] for place in sorted(places)]

    def has_among(self, packets: Sequence[CapturedPacket]) -> bool:
        """Return whether packets come among the frames: before and behind most of them is a frame.

        Packets of another function come instead of frames; they say nothing of those that come later.
        """
        among = 0
        for packet in packets:
            place = bisect_left(self.times, packet.seconds)
            before_and_behind = self.times[max(0, place - 1) : place + 1]
            among += bool(before_and_behind[1:]) and before_and_behind[1] - before_and_behind[0] <= LONGEST_REST
        return len(packets) >= limits.FEWEST_PACKETS_BESIDE and among >= limits.LEAST_MAJORITY * len(packets)

    def changes_at(self, seconds: float) -> bool:
        """Return whether the frames around a time show two units or places."""
        place = bisect_left(self.times, seconds)
        readings = [self.decode(frame) for frame in self.frames[max(0, place - 2) : place + 2]]
        known = [one for one in readings if one is not None and one.status is not Status.INVALID]
        return len({(one.unit_text, one.resolution) for one in known}) > 1


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
    display = _DisplayOverTime.of(profile, way.channel, packets.frames, samples)
    channels = list(way.channels)
    found: list[PacketBeside] = []
    for channel, some in packets.others.items():
        if _uuid_of(channel) == _BATTERY_LEVEL:
            continue
        known = channel in channels
        kinds = list(_kinds(some, channels.index(channel) if known else len(channels), packets.telling, display))
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


def _kinds(
    packets: Sequence[CapturedPacket], channel: int, telling: dict[tuple[int, int], int], display: _DisplayOverTime
) -> Iterator[PacketBeside]:
    """Yield the kinds of a channel's packets without a number that have bits which may tell a state.

    Packets as long as frames are told from them, and from each other, by the byte of ``telling``; others by their first
    byte, if it has a few values.
    """
    by_length: dict[int, list[CapturedPacket]] = {}
    for packet in packets:
        by_length.setdefault(len(packet.data), []).append(packet)
    for length, some in by_length.items():
        like_frames = (channel, length) in telling
        at = telling.get((channel, length), 0)
        values = {packet.data[at] for packet in some}
        if like_frames and len(values) > limits.MOST_KINDS:
            continue
        few = 1 < len(values) <= limits.MOST_KINDS
        several = few and (like_frames or _take_turns(some, at))
        kinds = [[one for one in some if one.data[at] == value] for value in values] if several else [some]
        for ours in kinds:
            marks = ((at, ours[0].data[at]),) if several or like_frames else ()
            if display.has_among(ours):
                yield from _kind(ours, channel, marks, display, like_frames=like_frames)


def _take_turns(packets: Sequence[CapturedPacket], at: int) -> bool:
    """Return whether the byte ``at`` tells kinds of packets: most of a rarer kind stand alone.

    A level or a flag has a few values, too, but it stays.
    """
    values = [packet.data[at] for packet in packets]
    usual, _ = Counter(values).most_common(1)[0]
    rarer = [value != after for value, after in pairwise(values) if value != usual]
    return sum(rarer) >= limits.LEAST_MAJORITY * len(rarer)


def _kind(
    packets: Sequence[CapturedPacket], channel: int, marks: tuple[tuple[int, int], ...], display: _DisplayOverTime, *,
    like_frames: bool,
) -> Iterator[PacketBeside]:  # fmt: skip
    """Yield the kind of ``packets``, if it has bits that may tell a state.

    Packets as long as frames may be frames of another range; these have a number.
    """
    known = display.known(packets)
    if not known:
        return
    first = known[0].data
    timed = _timed_bytes(packets)
    ends = range(len(first) - next((number for least, number in _CHECK_BYTES if len(first) >= least), 0), len(first))
    lively = {
        at
        for at, bits in enumerate(_moved_bits(packets))
        if bits.bit_count() > limits.MOST_FLAG_BITS and at not in (timed | {*ends})
    }
    if like_frames and lively:
        return
    mask = bytes(0 if at in timed else 0xFF for at in range(len(first)))
    if contents := _followed(packets, known, mask, display):
        yield from (PacketBeside(len(first), content, mask, channel, marks) for content in contents)
        return
    if not _come_often(packets):
        return
    free = timed | {*ends} | {at for at, _ in marks} | _near(lively)
    moved = _moved_bits(known)
    mask = bytes(0 if at in free else _spare_of(first[at] | moved[at], still=not moved[at]) for at in range(len(first)))
    if any(mask):
        yield PacketBeside(len(first), first, mask, channel, marks)


def _moved_bits(packets: Sequence[CapturedPacket]) -> list[int]:
    """Return, for each byte of equally long packets, the bits that changed."""
    first = packets[0].data
    return [reduce(or_, (packet.data[at] ^ first[at] for packet in packets)) for at in range(len(first))]


def _followed(
    packets: Sequence[CapturedPacket], known: Sequence[CapturedPacket], mask: bytes, display: _DisplayOverTime
) -> list[bytes]:
    """Return all contents of the ``known`` packets if they changed only when the unit or the places shown did.

    They tell the function or the range, so that another content may mean anything. Empty for other packets.
    """
    kept = int.from_bytes(mask, "little")
    words = [int.from_bytes(packet.data, "little") & kept for packet in packets]
    contents = list(dict.fromkeys(int.from_bytes(packet.data, "little") & kept for packet in known))
    changes = [
        packet.seconds
        for packet, word, before in zip(packets[1:], words[1:], words, strict=False)
        if word != before and word in contents and before in contents
    ]
    alike = sum(map(display.changes_at, changes))
    if len(changes) < limits.FEWEST_CHANGES_WITH_DISPLAY or alike < (1 - limits.MOST_LOST) * len(changes):
        return []
    few = len(contents) <= limits.MOST_PACKETS_BESIDE
    return [word.to_bytes(len(mask), "little") for word in contents] if few else []


def _come_often(packets: Sequence[CapturedPacket]) -> bool:
    """Return whether nearly all packets come soon after another one, so that an unknown state ends soon."""
    soon = sum(after.seconds - before.seconds <= limits.LONGEST_GAP_BESIDE for before, after in pairwise(packets))
    return soon >= (1 - limits.MOST_LOST) * (len(packets) - 1)


def _timed_bytes(packets: Sequence[CapturedPacket]) -> set[int]:
    """Return the bytes that follow time, or may come to do so."""
    frames = [packet.data for packet in packets]
    counted = {position // 8 for position in find_counters(frames).positions}
    return _near(counted) | {one.at for one in find_slow_bytes(frames, [packet.seconds for packet in packets])}


def _near(places: Collection[int]) -> set[int]:
    """Return the bytes at ``places``, and those into which their numbers may grow."""
    reach = range(-limits.MOST_UPPER_BYTES, limits.MOST_UPPER_BYTES + 1)
    return {at + step for at in places for step in reach}


def _spare_of(lit: int, *, still: bool) -> int:
    """Return the bits of a byte that no level of a battery needs; ``lit`` are those that were ever set.

    A level that stood still is not zero. A byte that changed in a bit or two has flags.
    """
    if not lit or not still:
        return 0xFF & ~lit
    if lit <= limits.LARGEST_BARS:
        return 0xFF & ~limits.LARGEST_BARS
    return 1 << 7 if lit <= limits.LARGEST_PERCENTAGE else 0
