"""Ways to cut packets into frames, the likeliest first. A way is confirmed when a number is found in its frames."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from meterlink.capture.capture_file import CapturedPacket
from meterlink.profiles.framing import CompiledFraming, FrameSplitter
from meterlink.profiles.model import LONGEST_PAUSE, Checksum, Framing, LengthField
from meterlink.teach import limits
from meterlink.teach.checksums import find_checksum, find_majority_checksum, find_trailing_checksum, valid_frames
from meterlink.teach.counters import find_counters
from meterlink.teach.slow_bytes import find_slow_bytes
from meterlink.teach.stopping import IsStopped, check_stop, never


@dataclass(frozen=True, slots=True)
class FramingCandidate:
    """One way to cut a channel's packets, and its frames ``(seconds, bytes)`` in order of time.

    ``checksum`` is the checksum of the frames, None for none. ``more_channels`` are the further channels of frames with
    parts (`meterlink.profiles.model.FramePart`), in the order of the profile.
    """

    channel: str
    framing: Framing
    frames: tuple[tuple[float, bytes], ...]
    checksum: Checksum | None
    more_channels: tuple[str, ...] = ()

    @property
    def usual_length(self) -> int:
        """The most frequent length of the frames, bytes."""
        return Counter(len(frame) for _, frame in self.frames).most_common(1)[0][0]


def framing_candidates(packets: Sequence[CapturedPacket], is_stopped: IsStopped = never) -> Iterator[FramingCandidate]:
    """Yield the ways to cut ``packets`` (of one channel, in order of time) into frames.

    A frame is a packet of any length or of a frequent length; or frames run on over packets.

    Raises:
        StoppedSearchError: the search is stopped.
    """
    channel = packets[0].channel
    lengths = Counter(len(packet.data) for packet in packets)
    streamed = len(lengths) > 1
    whole = [Framing(one_per_packet=True)] if streamed else []
    whole += [
        Framing(length=length, one_per_packet=True)
        for length, _ in lengths.most_common(3)
        if limits.SHORTEST_FRAME <= length <= limits.LONGEST_FRAME
    ]
    whole = [framing if framing.length is None else _marked(framing, packets) for framing in whole]
    kinds = (framing for length, _ in lengths.most_common(2) for framing in _kinds(packets, length))
    alone = [cut for framing in whole if (cut := _cut_so(channel, framing, packets)) is not None]
    # A packet that passes a check by itself is a frame: it is never glued to another one.
    frames = {frame for cut in alone if cut.checksum is not None for _, frame in cut.frames}
    running_on = (cut for cut in _running_on(channel, packets, is_stopped) if not _glues(cut, packets, frames))
    # Packets of one length are most likely frames; packets of several lengths are pieces of a stream.
    if streamed:
        total = sum(len(packet.data) for packet in packets)
        covering = [
            cut for cut in alone if cut.checksum is not None and _bytes_of(cut) >= (1 - limits.MOST_LOST) * total
        ]
        yield from covering
        even = []
        for cut in running_on:
            if _has_rest(cut, packets):
                yield cut
            else:
                even.append(cut)
        yield from (cut for cut in alone if cut not in covering)
        yield from (cut for framing in kinds if (cut := _cut_so(channel, framing, packets)) is not None)
        yield from even
    else:
        yield from alone
        yield from (cut for framing in kinds if (cut := _cut_so(channel, framing, packets)) is not None)
        yield from running_on


def _bytes_of(cut: FramingCandidate) -> int:
    """Return the number of bytes in the frames of a cut."""
    return sum(len(frame) for _, frame in cut.frames)


def _glues(cut: FramingCandidate, packets: Sequence[CapturedPacket], whole: Collection[bytes]) -> bool:
    """Return whether frames of a cut hold more than one packet, one of them a ``whole`` frame or a part of one."""
    if not whole:
        return False
    starts = _starts_of(packets)
    glued = 0
    for at, (_, frame) in zip(_places_of(cut, b"".join(packet.data for packet in packets)), cut.frames, strict=True):
        first, last = bisect_right(starts, at) - 1, bisect_right(starts, at + len(frame) - 1) - 1
        glued += first != last and any(packet.data in whole for packet in packets[first : last + 1])
    return glued > limits.MOST_LOST * len(cut.frames)


def _has_rest(cut: FramingCandidate, packets: Sequence[CapturedPacket]) -> bool:
    """Return whether frames that begin where packets do rest between each other, as those of one packet always do.

    Packets at even distances are more likely frames and others in a fixed order; a frame of them all is complete when
    its number is old. A stream of frames that begin anywhere needs no rest.
    """
    starts = _starts_of(packets)
    places = _places_of(cut, b"".join(packet.data for packet in packets))
    if _aligned(places, starts) < limits.NEARLY_ALL:
        return True
    waits, rests = [], []
    for at, (_, frame) in zip(places, cut.frames, strict=True):
        first, last = bisect_right(starts, at) - 1, bisect_right(starts, at + len(frame) - 1) - 1
        times = [packet.seconds for packet in packets[first : last + 2]]
        steps = [after - before for before, after in pairwise(times)]
        waits.append(max(steps[: last - first], default=0.0))
        rests += steps[last - first :]
    return median(rests or [0.0]) >= limits.LEAST_REST_RATIO * median(waits)


def _marked(framing: Framing, packets: Sequence[CapturedPacket]) -> Framing:
    """Return the framing of packets of one length with a byte that tells them from packets of other lengths.

    Then packets of the other lengths are of another kind: no reading, and not a wrong one either.
    """
    ours = [packet.data for packet in packets if len(packet.data) == framing.length]
    others = [packet.data for packet in packets if len(packet.data) != framing.length]
    if not others:
        return framing
    constant = [(at, ours[0][at]) for at in range(len(ours[0])) if len({data[at] for data in ours}) == 1]
    telling = [(at, byte) for at, byte in constant if not any(len(data) > at and data[at] == byte for data in others)]
    return replace(framing, marks=tuple((telling or constant)[:1]))


def _running_on(channel: str, packets: Sequence[CapturedPacket], is_stopped: IsStopped) -> list[FramingCandidate]:
    """Return the ways to cut frames that run on over packets."""
    data = b"".join(packet.data for packet in packets)
    starts = _starts_of(packets)
    framings = list(dict.fromkeys((*_by_length_field(data, starts), *_by_length(data, starts, is_stopped))))
    framings = framings[: limits.MOST_WAYS]
    found = [
        _with_true_mark(cut, packets) for framing in framings if (cut := _cut_so(channel, framing, packets)) is not None
    ]
    # The bytes of one frame arrive together. A frame cut in the wrong place holds the end of one and the beginning of
    # the next. A cut is right if frames begin where packets do, or if a checksum is found.
    times = [packet.seconds for packet in packets for _ in packet.data]
    places = {id(cut): _places_of(cut, data) for cut in found}
    lasting = {id(cut): _lasting(cut, places[id(cut)], times) for cut in found}
    shortest: dict[int, float] = {}
    for cut in found:
        shortest[cut.usual_length] = min(lasting[id(cut)], shortest.get(cut.usual_length, lasting[id(cut)]))
    # Slower frames are pieces of two; packets of one frame arrive sooner.
    found = [
        cut
        for cut in found
        if lasting[id(cut)] <= limits.MOST_TIMES_AS_LONG * shortest[cut.usual_length] + limits.LEAST_PAUSE_SECONDS
    ]
    found.sort(
        key=lambda cut: (
            -round(_aligned(places[id(cut)], starts), 1),
            cut.checksum is None,
            lasting[id(cut)],
        )
    )
    return [replace(cut, framing=_in_packets(cut, places[id(cut)], starts, packets)) for cut in found]


def _with_true_mark(cut: FramingCandidate, packets: Sequence[CapturedPacket]) -> FramingCandidate:
    """Return the cut with a start mark that ends before the high byte of a number that counts or runs on.

    Such a byte stands still in a capture, and no frame would begin once it moves. Only the first byte of the mark is
    certain not to be one. A shorter mark needs a checksum: it is found within frames more often.
    """
    mark = cut.framing.start
    if cut.checksum is None or not mark[1:] or not isinstance(cut.framing.length, int):
        return cut
    frames = [frame for _, frame in cut.frames]
    slow = {one.at for one in find_slow_bytes(frames, [seconds for seconds, _ in cut.frames])}
    slow |= {at + step for at in find_counters(frames).unfinished_bytes for step in (-1, 1)}
    size = next((at for at in range(1, len(mark)) if at in slow), len(mark))
    if size == len(mark):
        return cut
    shorter = _cut_so(cut.channel, replace(cut.framing, start=mark[:size]), packets)
    return shorter if shorter is not None and shorter.checksum is not None else cut


def _in_packets(
    cut: FramingCandidate, places: Sequence[int], starts: Sequence[int], packets: Sequence[CapturedPacket]
) -> Framing:
    """Return the framing with the keys that say how its frames come in packets: a frame that does not lost a packet."""
    framing = cut.framing
    begins = set(starts)
    ends = {at + len(packet.data) for at, packet in zip(starts, packets, strict=True)}
    spans = [(at, at + len(frame)) for at, (_, frame) in zip(places, cut.frames, strict=True)]
    behind = {end for _, end in spans}
    begun = sum(begin in begins for begin, _ in spans)
    joined = sum(begin not in begins and begin in behind for begin, _ in spans)
    starts_packet = begun >= limits.LEAST_MAJORITY * len(spans) and begun + joined >= limits.NEARLY_ALL * len(spans)
    one_byte_check = cut.checksum is None or cut.checksum.size == 1
    followed = not starts_packet and one_byte_check and bool(framing.start)
    waits: list[float] = []
    sizes: list[list[int]] = []
    for begin, end in spans:
        first = bisect_right(starts, begin) - 1
        last = bisect_right(starts, end - 1 + len(framing.start) * followed) - 1
        waits += [packets[place + 1].seconds - packets[place].seconds for place in range(first, last)]
        if begin in begins and end in ends:
            sizes.append([len(packet.data) for packet in packets[first : last + 1]])
    usual = sorted(waits)[: max(1, round(limits.NEARLY_ALL * len(waits)))]
    pause = round(limits.SLACK_OF_PAUSES * usual[-1] + limits.LEAST_PAUSE_SECONDS, 2) if usual else LONGEST_PAUSE
    packet_sizes = _packet_sizes(sizes) if starts_packet and len(sizes) >= limits.NEARLY_ALL * len(spans) else ()
    return replace(
        framing,
        pause=min(pause, LONGEST_PAUSE),
        starts_packet=starts_packet and not packet_sizes,
        packet_sizes=packet_sizes,
        followed=followed,
    )


def _packet_sizes(frames: Sequence[Sequence[int]]) -> tuple[int, ...]:
    """Return the sizes of `Framing.packet_sizes` that most frames' packets have; empty without any."""
    longest = max(frames, key=len)
    for number in range(1, len(longest) + 1):
        sizes = longest[:number]
        fits = sum(
            all(size == sizes[min(place, number - 1)] for place, size in enumerate(frame[:-1]))
            and frame[-1] <= sizes[min(len(frame), number) - 1]
            for frame in frames
        )
        if fits >= limits.NEARLY_ALL * len(frames):
            return tuple(sizes)
    return ()


def _cut_so(channel: str, framing: Framing, packets: Sequence[CapturedPacket]) -> FramingCandidate | None:
    frames = tuple(_cut(framing, packets))
    total, came = sum(len(frame) for _, frame in frames), sum(len(packet.data) for packet in packets)
    if not frames or not (framing.one_per_packet or total >= (1 - limits.MOST_LOST) * came):
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
    """Yield a framing for each kind of packets of one length, by a byte that has only a few values.

    A kind has its own constant bytes, so the byte that tells kinds apart is the one with which most other bytes change.
    """
    ours = [packet.data for packet in packets if len(packet.data) == length >= limits.SHORTEST_FRAME]
    scored: list[tuple[int, int]] = []
    for at in range(length if ours else 0):
        values = Counter(data[at] for data in ours)
        if 2 <= len(values) <= limits.MOST_KINDS and min(values.values()) >= limits.FEWEST_ALIKE:
            scored.append((-_followers(ours, at), at))
    for _, at in sorted(scored)[: limits.MOST_TELLING_BYTES]:
        for byte, _ in Counter(data[at] for data in ours).most_common():
            yield Framing(length=length, one_per_packet=True, marks=((at, byte),))


def _followers(frames: Sequence[bytes], at: int) -> int:
    """Return how many bytes are constant within each kind that the byte ``at`` tells apart, but not in all of them."""
    kinds: dict[int, list[bytes]] = {}
    for frame in frames:
        kinds.setdefault(frame[at], []).append(frame)
    return sum(
        all(len({frame[place] for frame in kind}) == 1 for kind in kinds.values())
        and len({frame[place] for frame in frames}) > 1
        for place in range(len(frames[0]))
    )


def _cut(framing: Framing, packets: Sequence[CapturedPacket]) -> Iterator[tuple[float, bytes]]:
    rules = CompiledFraming(framing)
    cutter = FrameSplitter(rules)
    for packet in packets:
        alone = rules.frame_from_packet(packet.data)
        if alone is not None:
            cutter.clear()
        frames = cutter.feed(packet.data, round(packet.seconds * 1e9))[0] if alone is None else (alone,)
        for came, plain in frames:
            if rules.other_kind(plain) is None:
                yield packet.seconds, came


def _starts_of(packets: Sequence[CapturedPacket]) -> list[int]:
    """Return the index of each packet's first byte in the bytes of all packets."""
    starts, at = [], 0
    for packet in packets:
        starts.append(at)
        at += len(packet.data)
    return starts


def _by_length(data: bytes, starts: Sequence[int], is_stopped: IsStopped) -> Iterator[Framing]:
    """Yield framings by a start mark that recurs after a fixed number of bytes."""
    scored = []
    for length in range(limits.SHORTEST_FRAME, min(limits.LONGEST_FRAME, len(data) // 3) + 1):
        check_stop(is_stopped)
        same = sum(map(int.__eq__, data, data[length:]))
        scored.append((same / (len(data) - length), length))
    if not scored:
        return
    # Multiples of the right length score alike: only the shortest is tried.
    best = max(score for score, _ in scored)
    near = [length for score, length in scored if score >= limits.NEAR_BEST * best]
    for length in near:
        check_stop(is_stopped)
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
        if times >= (1 - limits.MOST_LOST) * sum(column.values()):
            constant.append((phase, bytes([byte])))
    known = dict(constant)
    if len(known) in (0, length):
        yield from _marks(data, length)
        return
    found = []
    for phase, _ in constant:
        mark = b""
        while len(mark) < limits.LONGEST_MARK and (more := known.get((phase + len(mark)) % length)) is not None:
            mark += more
        found.append((votes[phase], phase, mark))
    for _, _, mark in sorted(found, key=lambda one: -one[0])[:4]:
        yield Framing(start=mark, length=length)


def _begun(data: bytes, starts: Sequence[int], length: int) -> Iterator[Framing]:
    """Yield framings by the most frequent beginning of packets: it holds when lost packets shift the phase."""
    frames = len(data) / length
    for size in (2, 1):
        ((mark, times),) = Counter(data[at : at + size] for at in starts).most_common(1)
        if times >= limits.LEAST_MAJORITY * frames:
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
    marks = [mark for mark, _ in (*at_starts.most_common(limits.MOST_MARKS), *anywhere.most_common(limits.MOST_MARKS))]
    for mark in dict.fromkeys(marks):
        places = _places(data, mark)
        gaps = list(zip(places, (after - before for before, after in pairwise(places)), strict=False))
        if len({gap for _, gap in gaps}) < 2:
            continue
        for at in range(len(mark), len(mark) + 3):
            lengths = [(gap, data[place + at]) for place, gap in gaps if place + at < len(data)]
            adds = Counter(gap - number for gap, number in lengths)
            add, agreeing = adds.most_common(1)[0] if adds else (0, 0)
            # A byte that is always the same is no length: it only looks like one where most frames are equally long.
            told = Counter(number for gap, number in lengths if gap - number == add)
            varies = sum(times >= limits.FEWEST_ALIKE for times in told.values()) > 1
            if varies and agreeing >= limits.LEAST_MAJORITY * len(gaps) and -at <= add <= limits.LONGEST_FRAME:
                yield Framing(start=mark, length=LengthField(at=at, add=add))


def _places(data: bytes, mark: bytes) -> list[int]:
    found, at = [], data.find(mark)
    while at >= 0:
        found.append(at)
        at = data.find(mark, at + 1)
    return found
