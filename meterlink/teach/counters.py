"""Bits that count frames or time: they do not depend on the display, and they go on changing after the capture."""

from collections.abc import Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

from meterlink.teach import limits
from meterlink.teach.columns import Columns


class CounterPositions(NamedTuple):
    """``positions``: the bits of counters. ``unfinished_bytes``: the bytes of counters that did not roll over."""

    positions: frozenset[int] = frozenset()
    unfinished_bytes: tuple[int, ...] = ()


def find_counters(frames: Sequence[bytes]) -> CounterPositions:
    """Return the counters in ``frames`` (equally long, in order of arrival), with their bits that have not changed yet.

    - A counter of frames: one bit changes every time, the next whenever the first falls back, and so on through
      neighbouring bits. Higher bits of the same byte that had no occasion to change belong to it, too.
    - A clock: whole bytes whose number grows by small steps all the time. If three bytes have changed, there is a
      fourth.
    - A decimal counter in characters.
    """
    # A repeated notification did not count again.
    some = [frame for frame, _ in groupby(frames)][: limits.MOST_FRAMES_COMPARED]
    if len(some) < limits.FEWEST_COUNTED_FRAMES:
        return CounterPositions()
    chains, unfinished = _chains(Columns(some))
    clocks, running = _clocks(some)
    return CounterPositions(frozenset(chains | clocks | _printed(some)), (*unfinished, *running))


def _chains(columns: Columns) -> tuple[set[int], tuple[int, ...]]:
    steps = columns.samples - 1
    mask = (1 << steps) - 1
    toggles = [(columns[one] ^ columns[one] >> 1) & mask for one in range(columns.bits)]
    few = int(steps * limits.MOST_LOST)
    found: set[int] = set()
    unfinished = []
    for first in range(columns.bits):
        if steps - toggles[first].bit_count() > few or first in found:
            continue
        for mirrored in (0, 7):
            chain, may_go_on = _chain(columns, toggles, first, mirrored)
            if len(chain) >= limits.FEWEST_CHAINED_BITS:
                found.update(chain)
                if may_go_on:
                    found.update(_neighbours(chain[-1], mirrored))
                    unfinished.append(chain[-1] // 8)
    return found, tuple(unfinished)


def _up(position: int, mirrored: int) -> int:
    """Return the next higher bit: in the same byte, or the lowest of the next (`_chain` tries the previous one)."""
    return (position ^ mirrored) + 1 ^ mirrored


def _chain(columns: Columns, toggles: Sequence[int], first: int, mirrored: int) -> tuple[list[int], bool]:
    """Return the counting bits from ``first`` up, and whether the next bit had no occasion to count yet."""
    chain = [first]
    while True:
        last = chain[-1]
        falls = toggles[last] & columns[last]
        rises = toggles[last] & ~columns[last]
        onward = [_up(last, mirrored)]
        if (last ^ mirrored) % 8 == 7:
            onward.append((last ^ mirrored) - 15 ^ mirrored)  # the number continues in the previous byte
        for after in onward:
            if not 0 <= after < columns.bits or after in chain or not toggles[after]:
                continue
            amiss = min((toggles[after] ^ falls).bit_count(), (toggles[after] ^ rises).bit_count())
            if amiss <= limits.MOST_AMISS * toggles[after].bit_count():
                chain.append(after)
                break
        else:
            # It rose and fell, so a bit above would have changed: the counter ends here. Otherwise it may go on.
            return chain, not (falls and rises)


def _neighbours(last: int, mirrored: int) -> list[int]:
    turned = last ^ mirrored
    return [one ^ mirrored for one in range(turned + 1, turned // 8 * 8 + 8)]


def _clocks(frames: Sequence[bytes]) -> tuple[set[int], tuple[int, ...]]:
    found: set[int] = set()
    unfinished = []
    size = len(frames[0])
    for width in (4, 3, 2, 1):
        for at in range(size - width + 1):
            for order in ("little", "big"):
                if not found.isdisjoint(range(8 * at, 8 * (at + width))):
                    continue
                if _grows([int.from_bytes(frame[at : at + width], order) for frame in frames], 8 * width):
                    lowest, highest = (at, at + width - 1) if order == "little" else (at + width - 1, at)
                    if _busy(frames, lowest) and len({frame[highest] for frame in frames}) > 1:
                        found.update(range(8 * at, 8 * (at + width)))
                        found.update(_fourth(frames, at, width, order))
                        if width < 3:
                            unfinished.append(highest)
    return found, tuple(unfinished)


def _fourth(frames: Sequence[bytes], at: int, width: int, order: str) -> range:
    """Return the positions of the highest byte of a clock of which three bytes have changed; no clock has three."""
    above = at + width if order == "little" else at - 1
    inside = width == 3 and 0 <= above < len(frames[0])
    still = inside and len({frame[above] for frame in frames}) == 1
    return range(8 * above, 8 * above + 8) if still else range(0)


def _printed(frames: Sequence[bytes]) -> set[int]:
    """Return the positions of decimal counters in characters, the highest digit first, with their leading zeros."""
    found: set[int] = set()
    digits = [all(0x30 <= frame[at] <= 0x39 for frame in frames) for at in range(len(frames[0]))]
    for last in range(1, len(digits)):
        if not (digits[last] and digits[last - 1] and _busy(frames, last)):
            continue
        units = [frame[last] for frame in frames]
        ones = sum((after - before) % 10 == 1 for before, after in pairwise(units))
        if ones < (1 - limits.MOST_LOST) * len(units[1:]):
            continue
        first = last
        while first > 0 and digits[first - 1] and _carries(frames, first):
            first -= 1
        # Unchanged digits above belong to the counter as long as they are zeros.
        while first > 0 and all(frame[first - 1] == 0x30 for frame in frames):
            first -= 1
        found.update(range(8 * first, 8 * (last + 1)))
    return found


def _carries(frames: Sequence[bytes], at: int) -> bool:
    """Return whether the digit before ``at`` goes up when the digit at ``at`` rolls over, and otherwise stays."""
    moves = [(before, after) for before, after in pairwise(frames) if before[at - 1] != after[at - 1]]
    good = sum((after[at - 1] - before[at - 1]) % 10 == 1 and after[at] < before[at] for before, after in moves)
    return bool(moves) and good >= limits.LEAST_SHARE_COUNTING * len(moves)


def _busy(frames: Sequence[bytes], at: int) -> bool:
    """Return whether a byte changes nearly every time, as the lowest byte of a counter does."""
    changes = sum(before[at] != after[at] for before, after in pairwise(frames))
    return changes >= (1 - limits.MOST_LOST) * (len(frames) - 1)


def _grows(numbers: Sequence[int], bits: int) -> bool:
    """Return whether the numbers go up in small steps nearly all the time, wrapping at 2**bits."""
    steps = [(after - before) % (1 << bits) for before, after in pairwise(numbers)]
    largest = max(1, (1 << bits) // limits.LARGEST_CLOCK_STEP)
    usual = sorted(steps)[len(steps) // 2]
    if usual < 2:
        return False  # a counter by one is found bit by bit
    fits = sum(0 < step <= min(largest, limits.MOST_STEPS_AT_ONCE * usual) for step in steps)
    # A counter with noise below it also goes up all the time, but by steps of all sizes.
    even = sum(abs(step - usual) <= usual * limits.UNEVEN_STEPS for step in steps)
    if fits < (1 - limits.MOST_LOST) * len(steps) or even < limits.LEAST_MAJORITY * len(steps):
        return False
    # A state above a counter may change now and then, but not exactly when the counter rolls over.
    rolls = [
        (before >> bits - 8 != after >> bits - 8, step)
        for before, after, step in zip(numbers, numbers[1:], steps, strict=False)
    ]
    moved = [0 < step <= min(largest, limits.MOST_STEPS_AT_ONCE * usual) for changed, step in rolls if changed]
    if sum(moved) < limits.LEAST_SHARE_COUNTING * len(moved):
        return False
    # Where the upper bytes count by one, they are the counter, and the bytes below are something else.
    for lower in range(8, bits, 8):
        upper = [(after >> lower) - (before >> lower) for before, after in pairwise(numbers)]
        if sum(step == 1 for step in upper) >= limits.LEAST_SHARE_COUNTING * len(upper):
            return False
    return True
