"""Ways to cut packets into frames, the likeliest first. A way is confirmed when a number is found in its frames."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from meterlink.capture.capture_file import CapturedPacket
from meterlink.profiles.framing import CompiledFraming, FrameSplitter
from meterlink.profiles.model import Checksum, Framing, LengthField
from meterlink.teach.checksums import find_checksum, find_majority_checksum, find_trailing_checksum, valid_frames

_LONGEST = 128  # bytes; no display needs more
_SHORTEST = 3
_MARK = 3  # bytes of a start mark; the rest of a constant beginning is checked as part of the frame
_COVERED = 0.9  # share of bytes that must lie in frames; packets get lost, and a capture may begin within a frame
_MOST_KINDS = 4  # of packets; more first bytes are contents, not kinds
_BEGUN = 0.6  # share of frames that begin where a packet does; with fewer, packets do not show the frames
_NEAR = 0.85  # of the best score; noise in a score is a few per cent
_MOST_MARKS = 8  # start marks tried: the most frequent at the beginning of packets, and the most frequent anywhere
_MOST = 12  # ways per channel
_SOON = 3.0  # times as long as frames of that length take when cut elsewhere …
_AT_ONCE = 0.05  # s; … plus this: slower frames are pieces of two. Packets of one frame arrive sooner


@dataclass(frozen=True, slots=True)
class FramingCandidate:
    """One way to cut a channel's packets, and its frames ``(seconds, bytes)`` in order of time.

    ``checksum`` is the checksum of the frames, None for none.
    """

    channel: str
    framing: Framing
    frames: tuple[tuple[float, bytes], ...]
    checksum: Checksum | None

    @property
    def usual_length(self) -> int:
        """The most frequent length of the frames, bytes."""
        return Counter(len(frame) for _, frame in self.frames).most_common(1)[0][0]


def framing_candidates(packets: Sequence[CapturedPacket]) -> Iterator[FramingCandidate]:
    """Yield the ways to cut ``packets`` (of one channel, in order of time) into frames.

    A frame is a packet of any length or of a frequent length; or frames run on over packets.
    """
    channel = packets[0].channel
    lengths = Counter(len(packet.data) for packet in packets)
    streamed = len(lengths) > 1
    whole = [Framing(one_per_packet=True)] if streamed else []
    whole += [
        Framing(length=length, one_per_packet=True)
        for length, _ in lengths.most_common(3)
        if _SHORTEST <= length <= _LONGEST
    ]
    whole += [framing for length, _ in lengths.most_common(2) for framing in _kinds(packets, length)]
    alone = (cut for framing in whole if (cut := _cut_so(channel, framing, packets)) is not None)
    # Packets of one length are most likely frames; packets of several lengths are pieces of a stream.
    if streamed:
        yield from _running_on(channel, packets)
        yield from alone
    else:
        yield from alone
        yield from _running_on(channel, packets)


def _running_on(channel: str, packets: Sequence[CapturedPacket]) -> list[FramingCandidate]:
    """Return the ways to cut frames that run on over packets."""
    data = b"".join(packet.data for packet in packets)
    starts = _starts_of(packets)
    framings = list(dict.fromkeys((*_by_length_field(data, starts), *_by_length(data, starts))))[:_MOST]
    found = [cut for framing in framings if (cut := _cut_so(channel, framing, packets)) is not None]
    # The bytes of one frame arrive together. A frame cut in the wrong place holds the end of one and the beginning of
    # the next. A cut is right if frames begin where packets do, or if a checksum is found.
    times = [packet.seconds for packet in packets for _ in packet.data]
    places = {id(cut): _places_of(cut, data) for cut in found}
    lasting = {id(cut): _lasting(cut, places[id(cut)], times) for cut in found}
    shortest: dict[int, float] = {}
    for cut in found:
        shortest[cut.usual_length] = min(lasting[id(cut)], shortest.get(cut.usual_length, lasting[id(cut)]))
    found = [cut for cut in found if lasting[id(cut)] <= _SOON * shortest[cut.usual_length] + _AT_ONCE]
    found.sort(
        key=lambda cut: (
            -round(_aligned(places[id(cut)], starts), 1),
            cut.checksum is None,
            lasting[id(cut)],
        )
    )
    return found


def _cut_so(channel: str, framing: Framing, packets: Sequence[CapturedPacket]) -> FramingCandidate | None:
    frames = tuple(_cut(framing, packets))
    total, came = sum(len(frame) for _, frame in frames), sum(len(packet.data) for packet in packets)
    if not frames or not (framing.one_per_packet or total >= _COVERED * came):
        return None
    only = [frame for _, frame in frames]
    if len(set(map(len, only))) > 1:
        return FramingCandidate(channel, framing, frames, find_trailing_checksum(only))
    check = find_checksum(only)
    # After a lost packet, pieces of two frames form a false one.
    if check is None and not framing.one_per_packet and (check := find_majority_checksum(only)) is not None:
        passed = set(valid_frames(check, only))
        frames = tuple(one for one in frames if one[1] in passed)
    return FramingCandidate(channel, framing, frames, check)


def _places_of(cut: FramingCandidate, data: bytes) -> list[int]:
    """Return the index of each frame's first byte in the bytes of all packets."""
    places, at = [], 0
    for _, frame in cut.frames:
        at = max(data.find(frame, at), at)
        places.append(at)
        at += len(frame)
    return places


def _aligned(places: Sequence[int], starts: Sequence[int]) -> float:
    """Return the share of frames that begin where a packet does."""
    begins = set(starts)
    return sum(at in begins for at in places) / len(places)


def _lasting(cut: FramingCandidate, places: Sequence[int], times: Sequence[float]) -> float:
    """Return the average time from the first byte of a frame to its last, seconds."""
    ends = (min(at + len(frame), len(times)) - 1 for at, (_, frame) in zip(places, cut.frames, strict=True))
    return sum(times[end] - times[min(at, end)] for at, end in zip(places, ends, strict=True)) / len(places)


def _kinds(packets: Sequence[CapturedPacket], length: int) -> Iterator[Framing]:
    """Yield a framing for each kind of packet, if the first byte of packets has only a few values."""
    firsts = Counter(packet.data[0] for packet in packets if len(packet.data) == length and length >= _SHORTEST)
    if 2 <= len(firsts) <= _MOST_KINDS:
        for first, _ in firsts.most_common():
            yield Framing(start=bytes([first]), length=length, one_per_packet=True)


def _cut(framing: Framing, packets: Sequence[CapturedPacket]) -> Iterator[tuple[float, bytes]]:
    rules = CompiledFraming(framing)
    cutter = FrameSplitter(rules)
    for packet in packets:
        alone = rules.frame_from_packet(packet.data)
        if alone is not None:
            cutter.clear()
            yield packet.seconds, alone[0]
            continue
        for came, _ in cutter.feed(packet.data)[0]:
            yield packet.seconds, came


def _starts_of(packets: Sequence[CapturedPacket]) -> list[int]:
    """Return the index of each packet's first byte in the bytes of all packets."""
    starts, at = [], 0
    for packet in packets:
        starts.append(at)
        at += len(packet.data)
    return starts


def _by_length(data: bytes, starts: Sequence[int]) -> Iterator[Framing]:
    """Yield framings by a start mark that recurs after a fixed number of bytes."""
    scored = []
    for length in range(_SHORTEST, min(_LONGEST, len(data) // 3) + 1):
        same = sum(map(int.__eq__, data, data[length:]))
        scored.append((same / (len(data) - length), length))
    if not scored:
        return
    # Multiples of the right length score alike: only the shortest is tried.
    best = max(score for score, _ in scored)
    near = [length for score, length in scored if score >= _NEAR * best]
    for length in near:
        if any(length % shorter == 0 for shorter in near if shorter < length):
            continue
        yield from _starts(data, starts, length)
        yield from _begun(data, starts, length)


def _starts(data: bytes, starts: Sequence[int], length: int) -> Iterator[Framing]:
    """Yield framings of this length for each run of constant bytes, those where most packets begin first."""
    # A lost packet shifts the phase. Most of a capture keeps one phase; otherwise `_begun` finds the start.
    constant: list[tuple[int, bytes]] = []
    votes = Counter(at % length for at in starts)
    for phase in range(length):
        column = Counter(data[phase::length])
        byte, times = column.most_common(1)[0]
        if times >= _COVERED * sum(column.values()):
            constant.append((phase, bytes([byte])))
    known = dict(constant)
    if len(known) in (0, length):
        yield from _marks(data, length)
        return
    found = []
    for phase, _ in constant:
        mark = b""
        while len(mark) < _MARK and (more := known.get((phase + len(mark)) % length)) is not None:
            mark += more
        found.append((votes[phase], phase, mark))
    for _, _, mark in sorted(found, key=lambda one: -one[0])[:4]:
        yield Framing(start=mark, length=length)


def _begun(data: bytes, starts: Sequence[int], length: int) -> Iterator[Framing]:
    """Yield framings by the most frequent beginning of packets: it holds when lost packets shift the phase."""
    frames = len(data) / length
    for size in (2, 1):
        ((mark, times),) = Counter(data[at : at + size] for at in starts).most_common(1)
        if times >= _BEGUN * frames:
            yield Framing(start=mark, length=length)


def _marks(data: bytes, length: int) -> Iterator[Framing]:
    """Yield framings by pairs of bytes that recur after ``length`` although the phase shifts."""
    pairs = Counter(
        data[at : at + 2]
        for at in range(len(data) - length - 1)
        if data[at : at + 2] == data[at + length : at + length + 2]
    )
    for mark, times in pairs.most_common(3):
        if times * length >= len(data) / 2:
            yield Framing(start=mark, length=length)


def _by_length_field(data: bytes, starts: Sequence[int]) -> Iterator[Framing]:
    """Yield framings by a start mark and, after it, a byte with the distance to the next start."""
    at_starts = Counter(data[at : at + size] for at in starts for size in (2, 1) if at + size <= len(data))
    anywhere = Counter(data[at : at + size] for at in range(len(data) - 1) for size in (2, 1))
    marks = [mark for mark, _ in (*at_starts.most_common(_MOST_MARKS), *anywhere.most_common(_MOST_MARKS))]
    for mark in dict.fromkeys(marks):
        places = _places(data, mark)
        gaps = list(zip(places, (after - before for before, after in pairwise(places)), strict=False))
        if len({gap for _, gap in gaps}) < 2:
            continue
        for at in range(len(mark), len(mark) + 3):
            adds = Counter(gap - data[place + at] for place, gap in gaps if place + at < len(data))
            add, agreeing = adds.most_common(1)[0] if adds else (0, 0)
            if agreeing >= 0.6 * len(gaps) and -at <= add <= _LONGEST:
                yield Framing(start=mark, length=LengthField(at=at, add=add))


def _places(data: bytes, mark: bytes) -> list[int]:
    found, at = [], data.find(mark)
    while at >= 0:
        found.append(at)
        at = data.find(mark, at + 1)
    return found
