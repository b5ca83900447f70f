"""The kinds of packets beside the frames, and the bits of them that may tell a state of the display.

A bit that was always zero must stay zero, as far as it is certainly no part of the level of a battery, of a clock or of
another number: such a number would be refused as soon as it moved, and with it every reading.
"""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from functools import reduce
from itertools import pairwise
from operator import or_

from meterlink.capture.capture_file import CapturedPacket
from meterlink.profiles.model import PacketBeside
from meterlink.teach import limits
from meterlink.teach.counters import find_counters
from meterlink.teach.display_over_time import DisplayOverTime
from meterlink.teach.slow_bytes import find_slow_bytes

_CHECK_BYTES = ((5, 2), (3, 1))
"""``(bytes of a packet, bytes at its end that may be check bytes)``: shorter packets have none."""


def find_kinds(
    packets: Sequence[CapturedPacket], channel: int, telling: dict[tuple[int, int], int], display: DisplayOverTime
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
    packets: Sequence[CapturedPacket], channel: int, marks: tuple[tuple[int, int], ...], display: DisplayOverTime, *,
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
    packets: Sequence[CapturedPacket], known: Sequence[CapturedPacket], mask: bytes, display: DisplayOverTime
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
