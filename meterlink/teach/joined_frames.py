"""Frames of two packets: which kinds of packet belong together, and in which order and time they come.

Packets of two kinds belong together where each follows the other, one soon and the other after a rest. Where the times
are even, a number may belong to the range before it or to the one behind it. Where one of them comes only now and then,
it may be the range of any number. Both are refused.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.core.clock import Timestamp
from meterlink.profiles.joining import PartJoiner, part_of
from meterlink.profiles.model import LONGEST_REST, Checksum, FramePart, Framing
from meterlink.teach import limits
from meterlink.teach.checksums import find_checksum
from meterlink.teach.framings import FramingCandidate

# Bytes of a notification at the smallest size of the link (23 less 3; Bluetooth Core, vol. 3 part F, 3.4.7.1, from
# memory): a packet so long, with a shorter one behind it, is the first piece of a frame.
_FULL_PACKET = 20


@dataclass(frozen=True, slots=True)
class _Gaps:
    """Seconds from a packet of one kind to the next packet, of the other kind: of most, the shortest and longest."""

    least: float
    usual: float
    most: float

    @classmethod
    def of(cls, gaps: Sequence[float]) -> "_Gaps":
        ordered = sorted(gaps)
        few = int((1 - limits.NEARLY_ALL) * len(ordered))
        return cls(ordered[few], ordered[len(ordered) // 2], ordered[-1 - few])


@dataclass(frozen=True, slots=True)
class _Kind:
    """Packets of one kind: a channel, a length, and marks where others have the same."""

    channel: str
    length: int
    marks: tuple[tuple[int, int], ...] = ()

    def part(self, channels: Sequence[str]) -> FramePart:
        return FramePart(self.length, channels.index(self.channel), self.marks)


def joined_candidates(capture: Capture) -> Iterator[FramingCandidate]:
    """Yield the ways to join packets of two kinds to frames, those of two characteristics first."""
    packets = _notified(capture)
    for one, other in _pairs(packets):
        found = _join(packets, one, other)
        if found is not None:
            yield found


def describe_unpaired(capture: Capture) -> str:
    """Return the reason why packets of two kinds cannot be joined, in words; empty if no two look like halves."""
    packets = _notified(capture)
    for one, other in _pairs(packets):
        if one.marks or not _are_all(packets, one, other) or _join(packets, one, other) is not None:
            continue
        where = "on two characteristics"
        if one.channel == other.channel:
            where = f"of {min(one.length, other.length)} and of {max(one.length, other.length)} bytes"
        how = "at such times that a number may belong to the packet before it or to the one behind it"
        if _turns(packets, one, other)[0] < _least_turns():
            how = "that do not take turns"
        return (
            f"the meter sends packets {where}, {how}; if one kind has the number and the other its range or unit, it "
            "cannot be told which belong together"
        )
    return ""


def _are_all(packets: Sequence[CapturedPacket], one: _Kind, other: _Kind) -> bool:
    """Return whether the channels of two kinds have hardly any other packet: pieces of frames have many lengths."""
    ours = [packet for packet in packets if packet.channel in {one.channel, other.channel}]
    kinds = {(one.channel, one.length), (other.channel, other.length)}
    return sum((packet.channel, len(packet.data)) in kinds for packet in ours) >= limits.NEARLY_ALL * len(ours)


def _notified(capture: Capture) -> list[CapturedPacket]:
    """Return the packets that the meter sent unasked: the times of others are those of the asking."""
    polled = {read.key for read in capture.meter.requests.reads} if capture.meter is not None else set()
    return [packet for packet in capture.packets if packet.channel not in polled]


def _pairs(packets: Sequence[CapturedPacket]) -> Iterator[tuple[_Kind, _Kind]]:
    """Yield two kinds of packet that may belong together."""
    kinds = Counter((packet.channel, len(packet.data)) for packet in packets)
    channels = Counter(packet.channel for packet in packets)
    busiest = [channel for channel, _ in channels.most_common(limits.MOST_CHANNELS_PAIRED)]
    usual: dict[str, list[int]] = {channel: [] for channel in busiest}
    for (channel, length), times in kinds.most_common():
        if channel in usual and length <= limits.LONGEST_FRAME // 2 and times >= limits.FEWEST_PAIRS:
            usual[channel].append(length)
    for one, other in combinations([channel for channel in busiest if usual[channel]], 2):
        yield _Kind(one, usual[one][0]), _Kind(other, usual[other][0])
    for channel, lengths in usual.items():
        if len(lengths) > 1:
            yield _Kind(channel, lengths[0]), _Kind(channel, lengths[1])
        if lengths:
            yield from _kinds_by_a_byte([packet for packet in packets if packet.channel == channel], lengths[0])


def _kinds_by_a_byte(packets: Sequence[CapturedPacket], length: int) -> Iterator[tuple[_Kind, _Kind]]:
    """Yield pairs of kinds of one length, told apart by a byte that changes from each packet to the next."""
    ours = [packet for packet in packets if len(packet.data) == length]
    found = 0
    for at in range(length):
        values = Counter(packet.data[at] for packet in ours)
        if len(values) != 2 or min(values.values()) < limits.FEWEST_PAIRS:
            continue
        turns = sum(before.data[at] != after.data[at] for before, after in pairwise(ours))
        if turns >= _least_turns() * (len(ours) - 1) and found < limits.MOST_TELLING_BYTES:
            found += 1
            one, other = values
            yield _Kind(ours[0].channel, length, ((at, one),)), _Kind(ours[0].channel, length, ((at, other),))


def _least_turns() -> float:
    """Return the share of packets that one of the other kind must follow: a lost packet breaks two turns."""
    return 1 - 2 * limits.MOST_LOST


def _turns(packets: Sequence[CapturedPacket], one: _Kind, other: _Kind) -> tuple[float, list[tuple[bool, float]]]:
    """Return the share of packets behind which one of the other kind comes, and ``(behind one, seconds)`` of each."""
    channels = list(dict.fromkeys((one.channel, other.channel)))
    parts = (one.part(channels), other.part(channels))
    came = [
        (part, packet.seconds)
        for packet in packets
        if packet.channel in channels
        and (part := part_of(parts, channels.index(packet.channel), packet.data)) is not None
    ]
    gaps = [(before == 0, then - now) for (before, now), (after, then) in pairwise(came) if before != after]
    return (len(gaps) / (len(came) - 1) if len(came) > 1 else 0.0), gaps


def _join(packets: Sequence[CapturedPacket], one: _Kind, other: _Kind) -> FramingCandidate | None:
    """Return the frames of two kinds of packet; None where the order or the times show no pairs."""
    turns, gaps = _turns(packets, one, other)
    behind_one, behind_other = ([seconds for first, seconds in gaps if first is which] for which in (True, False))
    if turns < _least_turns() or min(len(behind_one), len(behind_other)) < limits.FEWEST_PAIRS:
        return None
    within, between = _Gaps.of(behind_one), _Gaps.of(behind_other)
    if within.usual > between.usual:
        one, other, within, between = other, one, between, within
    pause = round((within.most + between.least) / 2, 3)
    # A number whose range was lost meets the next range a refresh later. If it meets it sooner, the number was held up,
    # and comes too late behind the packet before it. Half a pause lies between such a delay and the usual ones.
    rest = round(between.most + pause / 2, 3)
    if between.least < limits.LEAST_REST_RATIO * within.most or not 0 < pause < rest <= LONGEST_REST:
        return None
    if one.channel == other.channel and one.length >= _FULL_PACKET > other.length:
        return None  # a frame that does not fit into one packet
    channels = tuple(dict.fromkeys((one.channel, other.channel)))
    framing = Framing(parts=(one.part(channels), other.part(channels)), pause=max(pause, 0.01), rest=rest)
    frames = tuple(_frames(framing, channels, packets))
    if len(frames) < limits.FEWEST_PAIRS:
        return None
    only = [frame for _, frame in frames]
    first, second = _checksums(one.length, only)
    if second is None and _spans(find_checksum(only), one.length, len(only[0])):
        return None  # one frame in two pieces
    framing = replace(framing, checksums=tuple(check for check in (first,) if check is not None))
    if second is None and first is not None:
        framing, second = replace(framing, checksums=()), first
    return FramingCandidate(channels[0], framing, frames, second, channels[1:])


def _frames(
    framing: Framing, channels: Sequence[str], packets: Sequence[CapturedPacket]
) -> Iterator[tuple[float, bytes]]:
    joiner = PartJoiner(framing)
    for packet in packets:
        if packet.channel not in channels:
            continue
        moment = round(packet.seconds * 1e9)
        frame, _ = joiner.add(channels.index(packet.channel), packet.data, Timestamp(moment, moment))
        if frame is not None:
            yield packet.seconds, frame.data


def _spans(check: Checksum | None, split: int, length: int) -> bool:
    """Return whether a checksum in the second part covers the first one, too."""
    return check is not None and check.at % length >= split > check.begin % length


def _checksums(split: int, frames: Sequence[bytes]) -> tuple[Checksum | None, Checksum | None]:
    """Return the checksums of the first part and of the second, with the offsets of the frame."""
    length = len(frames[0])

    def moved(check: Checksum | None, begin: int, end: int) -> Checksum | None:
        if check is None:
            return None
        size = end - begin
        at, first = (offset + size if offset < 0 else offset for offset in (check.at, check.begin))
        until = check.end if check.end is not None or at > first else size  # where check bytes come first: the rest
        last = None if until is None else begin + (until + size if until <= 0 else until)
        return replace(check, at=begin + at, begin=begin + first, end=last)

    one = find_checksum([frame[:split] for frame in frames])
    other = find_checksum([frame[split:] for frame in frames])
    return moved(one, 0, split), moved(other, split, length)
