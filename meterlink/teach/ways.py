"""Ways to cut packets into frames or lines, the likeliest first, each with its function that learns."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

from meterlink.capture.capture_file import Capture, CapturedPacket, pair_packets
from meterlink.profiles.model import Checksum, Framing
from meterlink.teach.checksums import checksum_positions
from meterlink.teach.counters import CounterPositions, find_counters
from meterlink.teach.explanations import Explanation, FrameEvidence, explain_frames, explain_lines, ordered
from meterlink.teach.framings import FramingCandidate, framing_candidates
from meterlink.teach.joined_frames import joined_candidates
from meterlink.teach.lines import is_text, line_candidates
from meterlink.teach.lines_before import without_lines_before
from meterlink.teach.samples import Sample
from meterlink.teach.slow_bytes import SlowByte, find_slow_bytes
from meterlink.teach.stopping import IsStopped, check_stop
from meterlink.teach.taught_profile import ProfileHead
from meterlink.teach.unexplained import UnexplainedError
from meterlink.teach.wishes import AN_HOUR_LATER, LONGER_RECORDING

Learn = Callable[[Sequence[Sample]], Explanation]
"""Returns the likeliest explanation of samples.

Raises UnexplainedError where there is none, StoppedSearchError if the search is stopped.
"""


@dataclass(frozen=True, slots=True)
class Way:
    """One way to cut packets: its frames, and the function that learns from samples of them.

    ``explain`` yields all explanations of the samples, the one that ``learn`` returns first; None for text.
    ``more_channels`` are the further channels of frames with parts. ``common`` is the length of the part that all
    frames have, without the check bytes at the end of frames of several lengths; 0 for text.
    """

    channel: str
    framing: str
    frames: tuple[tuple[float, bytes], ...]
    learn: Learn
    ending: bytes = b""
    check: Checksum | None = None
    explain: Callable[[Sequence[Sample]], Iterator[Explanation]] | None = None
    exempt: frozenset[int] = frozenset()
    more_channels: tuple[str, ...] = ()
    common: int = 0

    @property
    def channels(self) -> tuple[str, ...]:
        """All channels whose packets the frames are made of."""
        return (self.channel, *self.more_channels)


def find_ways(capture: Capture, head: ProfileHead, is_stopped: IsStopped) -> Iterator[Way]:
    """Yield the ways to cut the packets of each channel that entries describe, the busiest channel first.

    Before all, text is cut into lines. Then packets that always come in pairs are joined: one of a pair may have the
    range of the other's number.

    Raises:
        StoppedSearchError: the search is stopped.
    """
    described = [packet.channel for packet, label in pair_packets(capture) if label is not None]
    channels = sorted(dict.fromkeys(described), key=lambda channel: -described.count(channel))
    packets = {channel: [one for one in capture.packets if one.channel == channel] for channel in channels}
    texts = [channel for channel in channels if is_text(packets[channel])]
    for channel in texts:
        yield from _text_ways(head, channel, packets[channel], is_stopped)
    for cut in joined_candidates(capture):
        yield _binary_way(head, cut, is_stopped)
    for channel in channels:
        for cut in framing_candidates(packets[channel], is_stopped):
            check_stop(is_stopped)
            if channel not in texts or not _has_parts_of_two_lines(cut):
                yield _binary_way(head, cut, is_stopped)


def _has_parts_of_two_lines(cut: FramingCandidate) -> bool:
    """Return whether a line ends within a frame: its number may be put together from those of two displays."""
    return any(len(frame.rstrip(b"\r\n").splitlines()) > 1 for _, frame in cut.frames)


def _text_ways(
    head: ProfileHead, channel: str, packets: Sequence[CapturedPacket], is_stopped: IsStopped
) -> Iterator[Way]:
    for text, lines in line_candidates(packets):
        learn = partial(explain_lines, head, channel, text, lines, is_stopped=is_stopped)
        yield Way(channel, "lines", tuple(without_lines_before(lines)), learn, text.end.encode())


def _binary_way(head: ProfileHead, cut: FramingCandidate, is_stopped: IsStopped) -> Way:
    frames = [frame for _, frame in cut.frames]
    lengths = {len(frame) for frame in frames}
    check = cut.checksum
    # Of frames of several lengths, only their common bytes are used, without the check bytes at the end.
    common = min(lengths) + (check.at if check is not None and len(lengths) > 1 else 0)
    short = [frame[:common] for frame in frames]
    counted = find_counters(short) if common > 0 else CounterPositions()
    exempt = counted.positions
    slow = find_slow_bytes(short, [seconds for seconds, _ in cut.frames]) if common > 0 else ()
    # A counter of frames asks for its own recording until it has rolled over.
    counting = {position // 8 for position in counted.positions}
    slow = tuple(one for one in slow if one.beside not in counting)
    if len(lengths) == 1:
        for one in (*cut.framing.checksums, *(() if check is None else (check,))):
            exempt |= checksum_positions(one)
    evidence = FrameEvidence(cut, check, common, short, exempt, slow, is_stopped)

    def explain(samples: Sequence[Sample]) -> Iterator[Explanation]:
        explained = explain_frames(head, evidence, samples)
        return _in_one_part(explained, cut.framing.parts[0].length) if cut.framing.parts else explained

    def learn(samples: Sequence[Sample]) -> Explanation:
        return _with_recordings(next(explain(samples)), counted)

    return Way(
        cut.channel, _framing_words(cut.framing, lengths), cut.frames, learn, check=check, explain=explain,
        exempt=exempt, more_channels=cut.more_channels, common=max(0, common),
    )  # fmt: skip


def _in_one_part(explained: Iterator[Explanation], split: int) -> Iterator[Explanation]:
    """Yield the explanations whose number lies in one of two parts: half a number belongs to no other half.

    Raises:
        UnexplainedError: there is none.
    """
    number = 0
    for one in explained:
        if len({position // 8 < split for position in one.used}) <= 1:
            number += 1
            yield one
    if not number:
        raise UnexplainedError("the number lies in two packets, so that a lost one would join parts of two numbers")


def _with_recordings(learned: Explanation, counted: CounterPositions) -> Explanation:
    """Return the explanation with the recordings that would settle its counters and its slow bytes."""
    longer = [f"{LONGER_RECORDING}, until the counter in byte {byte} rolls over" for byte in counted.unfinished_bytes]
    later = [_later(one) for one in learned.pinned]
    return replace(learned, wanted=ordered(learned.wanted, longer, later), unfinished=bool(counted.unfinished_bytes))


def _later(slow: SlowByte) -> str:
    """Return the recording that shows whether the still bits of a slow byte follow time, too."""
    at = slow.at if slow.beside is None else slow.beside
    if slow.seconds_left is not None:
        minutes = max(1, round(slow.seconds_left / 60 + 0.5))
        return (
            f"{LONGER_RECORDING}, until the counter in byte {at} rolls over "
            f"({minutes} minute{'s' * (minutes > 1)} more, without an entry)"
        )
    return (
        f"{AN_HOUR_LATER}, added to this recording: byte {at} moves slowly, as the level of a battery or a clock does"
    )


def _framing_words(framing: Framing, lengths: set[int]) -> str:
    size = " or ".join(map(str, sorted(lengths)))
    if framing.parts:
        first, second = framing.parts
        where = "on two characteristics" if first.channel != second.channel else "one behind the other"
        return f"every two packets, of {first.length} and {second.length} bytes {where}, are one frame"
    if framing.one_per_packet:
        return f"every packet is one frame of {size} bytes"
    return f"frames of {size} bytes that begin with {framing.start.hex(' ')}, split or joined in packets"
