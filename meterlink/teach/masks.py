"""Packets that look masked: nearly all their bytes change from packet to packet, although the display does not.

A mask hides a packet by exclusive-or or addition with a key; here the key is another one for every packet. Most of a
packet is constant without it: marks, unit, range, leading zeros. So the mask shows in three ways.

- The key comes again after some packets: bytes then are equal again.
- One byte masks all bytes of a packet: they change alike.
- The key grows by the same amount from packet to packet: so do the bytes.

Each of them must show in several bytes: one counter does the like. Noise and ciphers show none of them.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import combinations, pairwise
from statistics import median

from meterlink.capture.capture_file import Capture, CapturedPacket, pair_packets
from meterlink.teach import limits
from meterlink.teach.lines import is_text

MASKED = (
    "the packets look as if the meter masks them with a key that changes from packet to packet. "
    "Meterlink does not learn such a meter"
)
"""The reason where the packets show the traces of a changing key."""

RESTLESS = (
    "nearly all bytes differ from packet to packet, even while one value was displayed, and no rule was found in it; "
    "more readings would not help"
)
"""The reason where nearly everything changes, and nothing shows why."""

HELPLESS_REASONS = frozenset({MASKED, RESTLESS})
"""Reasons against which no further reading helps."""

_Columns = Sequence[bytes]


def find_mask(capture: Capture) -> str:
    """Return `MASKED` or `RESTLESS` if the busiest channel with an entry looks so; else an empty text."""
    described = Counter(packet.channel for packet, entry in pair_packets(capture) if entry is not None)
    for channel, _ in described.most_common(1):
        packets = [packet for packet in capture.packets if packet.channel == channel]
        length, times = Counter(len(packet.data) for packet in packets).most_common(1)[0]
        frames = [packet.data for packet in packets if len(packet.data) == length][: limits.MOST_MASKED_FRAMES]
        if is_text(packets) or _runs_on(b"".join(frames), length):
            continue
        if times < limits.NEARLY_ALL_MASKED * len(packets) or len(frames) < limits.FEWEST_MASKED_FRAMES:
            continue
        columns = [bytes(frame[at] for frame in frames) for at in range(length)]
        restless = [column for column in columns if _share_alike(column, 1) <= 1 - limits.MASK_SHARE]
        if len(restless) < max(limits.FEWEST_MASKED_BYTES, limits.LEAST_SHARE_MASKED * length):
            continue
        if _comes_again(restless) or _changes_alike(restless) or _grows_evenly(restless):
            return MASKED
        if _differs_under_one_display(capture, channel, length):
            return RESTLESS
    return ""


def _runs_on(data: bytes, length: int) -> bool:
    """Return whether frames run on over packets of one ``length``: bytes come again after another number of bytes.

    The bytes of a mask come again after whole packets only.
    """
    lags = (lag for lag in range(limits.SHORTEST_FRAME, limits.LONGEST_FRAME) if lag % length)
    return any(_share_alike(data, lag) >= limits.LEAST_SHARE_OF_A_STREAM for lag in lags)


def _share_alike(column: bytes, lag: int) -> float:
    """Return the share of the packets whose byte is the same ``lag`` packets later."""
    return sum(map(int.__eq__, column, column[lag:])) / max(1, len(column) - lag)


def _comes_again(columns: _Columns) -> bool:
    """Return whether several bytes are equal after the same number of packets, far more often than after others."""
    lags = range(
        limits.SHORTEST_KEY_PERIOD, min(limits.LONGEST_KEY_PERIOD, len(columns[0]) - limits.FEWEST_MASKED_FRAMES)
    )
    agreeing = Counter[int]()
    for column in columns:
        shares = [_share_alike(column, lag) for lag in lags]
        least = max(limits.LEAST_KEY_RETURNS, limits.KEY_RETURNS_OFTENER * median(shares)) if shares else 1.0
        agreeing.update(lag for lag, share in zip(lags, shares, strict=True) if share >= least)
    return any(times >= limits.FEWEST_MASK_TRACES for times in agreeing.values())


def _changes_alike(columns: _Columns) -> bool:
    """Return whether several bytes keep their exclusive-or, or their difference, while they take many values."""
    diverse = [column for column in columns if _most_frequent(column) <= limits.LARGEST_SHARE_OF_A_KEY * len(column)]
    return any(_has_group(diverse, combine) for combine in (_exclusive_or, _difference))


def _has_group(columns: _Columns, combine: Callable[[int, int], int]) -> bool:
    alike = Counter[int]()
    for (one, first), (other, second) in combinations(enumerate(columns), 2):
        if _most_frequent(map(combine, first, second)) >= limits.MASK_SHARE * len(first):
            alike.update((one, other))
    return any(times >= limits.FEWEST_MASK_TRACES - 1 for times in alike.values())


def _grows_evenly(columns: _Columns) -> bool:
    """Return whether several bytes grow by their own constant amounts."""
    steady = 0
    for column in columns:
        steps = (_difference(after, before) for before, after in pairwise(column))
        steady += _most_frequent(steps) >= limits.MASK_SHARE * (len(column) - 1)
    return steady >= limits.FEWEST_MASK_TRACES


def _most_frequent(values: Iterable[int]) -> int:
    """Return how often the most frequent value occurs."""
    return Counter(values).most_common(1)[0][1]


def _exclusive_or(one: int, other: int) -> int:
    return one ^ other


def _difference(one: int, other: int) -> int:
    return (one - other) % 256


def _differs_under_one_display(capture: Capture, channel: str, length: int) -> bool:
    """Return whether nearly all bytes differ between packets that one entry describes, one after the other."""
    steps = differing = 0
    before: tuple[CapturedPacket, object] | None = None
    for packet, entry in pair_packets(capture):
        if packet.channel != channel or entry is None or len(packet.data) != length:
            before = None
            continue
        if before is not None and before[1] is entry:
            steps += 1
            changed = sum(one != other for one, other in zip(before[0].data, packet.data, strict=True))
            differing += changed >= limits.NEARLY_ALL_MASKED * length
        before = packet, entry
    return steps >= limits.FEWEST_STEADY_STEPS and differing >= limits.NEARLY_ALL_MASKED * steps
