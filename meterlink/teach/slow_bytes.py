"""Bytes that follow time and not the display: seconds, uptime, the level of a battery.

A capture lasts minutes, so most bits of such a byte do not move in it; hours later they have. A bit that did not move
may belong to the number that moves beside it, or be a range, an overload or a function that was never shown. This
module finds the numbers. `meterlink.teach.states` frees the bits that cannot be anything else.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from meterlink.teach import limits

_MIRROR = tuple(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_EVERY_BIT = 0xFF
_LOWER_HALF = 0x0F
_LENGTH_PLACES = (1, 2)  # of a length, behind a mark of one or two bytes


@dataclass(frozen=True, slots=True)
class SlowByte:
    """A byte whose number changed by small steps, or over a pause.

    ``moved`` has the bits that changed. ``carried``: it changed when the number in a neighbouring byte rolled over, so
    all its bits belong to that number. ``ended``: the number rolled over, and no neighbour changed, so its other bits
    are something else. ``seconds_left`` is the time until it rolls over at its pace; None if that is unknown or long.
    ``certain``: its steps show a number; otherwise it changed too seldom to tell. ``spare`` has the bits that it does
    not need: a percentage leaves one, a level of four bits leaves four. ``beside``: it has not moved at all, but the
    number in that byte may carry into it.
    """

    at: int
    moved: int
    carried: bool = False
    ended: bool = False
    seconds_left: float | None = None
    certain: bool = True
    spare: int = 0
    beside: int | None = None

    @property
    def spans_both_halves(self) -> bool:
        """Whether bits of both half bytes moved; a code of four bits may share a byte with a number of four bits."""
        return bool(self.moved & 0x0F and self.moved & 0xF0)

    def own_positions(self) -> frozenset[int]:
        """Return the positions of the bits that may belong to the number, whether they moved or not."""
        return frozenset(8 * self.at + bit for bit in range(8) if not (self.spare & ~self.moved) >> bit & 1)

    def moved_positions(self) -> frozenset[int]:
        """Return the positions of the bits that moved."""
        return frozenset(8 * self.at + bit for bit in range(8) if self.moved >> bit & 1)


@dataclass(frozen=True, slots=True)
class _Column:
    """The changes of one byte: ``(index of the frame, exclusive-or with the byte before)``, those over a pause apart.

    ``values`` are its values in the frames.
    """

    changes: tuple[tuple[int, int], ...]
    over_pauses: tuple[int, ...]
    values: tuple[int, ...]

    @classmethod
    def of(cls, values: Sequence[int], pauses: frozenset[int]) -> "_Column":
        every = [
            (index, before ^ after) for index, (before, after) in enumerate(pairwise(values), 1) if before != after
        ]
        return cls(
            tuple(one for one in every if one[0] not in pauses),
            tuple(change for index, change in every if index in pauses),
            tuple(values),
        )

    @property
    def moved(self) -> int:
        union = 0
        for change in (*self.over_pauses, *(change for _, change in self.changes)):
            union |= change
        return union


def find_slow_bytes(frames: Sequence[bytes], times: Sequence[float]) -> tuple[SlowByte, ...]:
    """Return the slow bytes of ``frames`` (equally long, in order of arrival at ``times``, seconds)."""
    if len(frames) < 2:
        return ()
    pauses = frozenset(
        index for index, (before, after) in enumerate(pairwise(times), 1) if after - before > limits.PAUSE_SECONDS
    )
    spent = sum(after - before for index, (before, after) in enumerate(pairwise(times), 1) if index not in pauses)
    columns = [_Column.of([frame[at] for frame in frames], pauses) for at in range(len(frames[0]))]
    numbers = {at: number for at, column in enumerate(columns) if (number := _number(column, pauses)) is not None}
    carried = _carried(columns, numbers)
    found: dict[int, SlowByte] = {}
    for at, column in enumerate(columns):
        if at in numbers:
            found[at] = _described(at, column, numbers[at], spent, carried)
        elif at in carried:
            found[at] = SlowByte(at, column.moved, carried=True)
        elif _jumped(column):
            found[at] = SlowByte(at, column.moved)
        elif column.moved and len(column.changes) < limits.FLAG_CHANGES:
            found[at] = SlowByte(at, column.moved, certain=False)
    open_ = [one for one in found.values() if _may_carry(one, columns[one.at], spent)]
    for one in open_:
        for above in (one.at - 1, one.at + 1):
            if 0 <= above < len(columns) and not columns[above].moved and above not in found:
                found[above] = SlowByte(above, 0, seconds_left=one.seconds_left, certain=False, beside=one.at)
    return tuple(found[at] for at in sorted(found))


def find_still_bytes(frames: Sequence[tuple[float, bytes]], known: Collection[int]) -> tuple[int, ...]:
    """Return the bytes of ``frames`` (with their times, seconds) that never moved, although a slow one might have.

    Bytes of which a bit is at one of the ``known`` positions are left out; so are the first byte, which marks a frame,
    the length behind it, and a line end. None in a long recording, and in frames of several lengths.
    """
    first = frames[0][1]
    is_long = frames[-1][0] - frames[0][0] >= limits.LONG_RECORDING_SECONDS
    if is_long or any(len(frame) != len(first) for _, frame in frames):
        return ()
    moved = bytes(len(first))
    for frame in {frame for _, frame in frames}:
        moved = bytes(change | byte ^ start for change, byte, start in zip(moved, frame, first, strict=True))
    taken = {position // 8 for position in known}
    taken |= {at for at in _LENGTH_PLACES if first[at : at + 1] in (bytes([len(first)]), bytes([len(first) - at - 1]))}
    return tuple(at for at in range(1, len(first.rstrip(b"\r\n"))) if not moved[at] and at not in taken)


def _may_carry(slow: SlowByte, column: _Column, spent: float) -> bool:
    """Return whether the number may carry into another byte before the meter has been on for a day's work."""
    if not slow.certain or slow.ended or (slow.spare and not slow.carried):
        return False
    return bool(column.changes) and 256 * spent / len(column.changes) <= limits.LONGEST_DAY_SECONDS


@dataclass(frozen=True, slots=True)
class _Number:
    """How a byte moves: the indexes of the frames at which it may have rolled over; whether it counts, or drifts."""

    rolls: frozenset[int]
    as_counted: Callable[[int], int]  # the byte with its bits in the order of the number
    counts: bool


def _number(column: _Column, pauses: frozenset[int]) -> _Number | None:
    """Return how a byte counts, or None for another byte.

    A byte that counts by one changes by the same bits under any key: the last one, the last two, the last one, the last
    three, and so on. Its number may end at 59 or at 9; then it rolls over by other bits.
    """
    if len(column.changes) < limits.FEWEST_COUNTED_STEPS:
        return None
    for turn in (_same, _mirrored):
        rolls = [index for index, change in column.changes if not _is_carry(turn(change)) or change == _EVERY_BIT]
        steps = len(column.changes) - len(rolls)
        often = steps < limits.FEWEST_STEPS_BETWEEN_BREAKS * len(rolls)
        if steps >= limits.FEWEST_COUNTED_STEPS and not often and _counts(column, frozenset(rolls), turn):
            return _Number(frozenset(rolls), turn, counts=True)
        pairs = [
            (index, turn(before), turn(after))
            for index, (before, after) in enumerate(pairwise(column.values), 1)
            if index not in pauses
        ]
        if _drifts([(before, after) for _, before, after in pairs]):
            jumps = [index for index, before, after in pairs if abs(before - after) > limits.LARGEST_LEVEL_STEP]
            return _Number(frozenset(jumps), turn, counts=False)
    return None


def _same(value: int) -> int:
    return value


def _mirrored(value: int) -> int:
    return _MIRROR[value]


def _is_carry(change: int) -> bool:
    return change & change + 1 == 0


def _counts(column: _Column, rolls: frozenset[int], turn: Callable[[int], int]) -> bool:
    """Return whether the changes between two rolls are those of a counter."""
    run: list[int] = []
    for index, change in column.changes:
        if index not in rolls:
            run.append(turn(change))
            continue
        if not _is_ruler(run):
            return False
        run = []
    return _is_ruler(run)


def _is_ruler(changes: Sequence[int]) -> bool:
    """Return whether every other change is of the last bit only, and the rest, without that bit, are again so."""
    while len(changes) > 1:
        even, odd = changes[::2], changes[1::2]
        if all(change == 1 for change in even):
            changes = [change >> 1 for change in odd]
        elif all(change == 1 for change in odd):
            changes = [change >> 1 for change in even]
        else:
            return False
        if not all(changes):
            return False
    return True


def _drifts(pairs: Sequence[tuple[int, int]]) -> bool:
    """Return whether a byte moves like a measured level: by small steps, through several values."""
    small = all(
        min((after - before) % 256, (before - after) % 256) <= limits.LARGEST_LEVEL_STEP for before, after in pairs
    )
    return small and len({after for _, after in pairs}) >= limits.LEAST_LEVEL_VALUES


def _carried(columns: Sequence[_Column], numbers: dict[int, _Number]) -> set[int]:
    """Return the bytes that changed only when the number in a neighbouring byte rolled over, and then by one."""
    found: set[int] = set()
    open_ = list(numbers)
    while open_:
        below = open_.pop()
        rolls = numbers[below].rolls if below in numbers else frozenset(_rolls_of(columns[below]))
        for above in (below - 1, below + 1):
            if not 0 <= above < len(columns) or above in found or not columns[above].changes:
                continue
            at = {index for index, _ in columns[above].changes}
            # A level with noise goes to and fro over the roll; a counter steps on.
            to_and_fro = below in numbers and not numbers[below].counts
            if at <= rolls and any(
                _steps_by_one(columns[above], turn, to_and_fro=to_and_fro) for turn in (_same, _mirrored)
            ):
                found.add(above)
                open_.append(above)
    return found


def _steps_by_one(column: _Column, turn: Callable[[int], int], *, to_and_fro: bool) -> bool:
    steps = [turn(change) for _, change in column.changes]
    return all(map(_is_carry, steps)) and (to_and_fro or _is_ruler(steps))


def _rolls_of(column: _Column) -> Iterator[int]:
    return (index for index, change in column.changes if change == _EVERY_BIT or not _is_carry(change))


def _described(at: int, column: _Column, number: _Number, spent: float, carried: set[int]) -> SlowByte:
    # Under a key, the step to 128 changes all bits, too: only the second of such steps shows that one of them rolled.
    full = sum(change == _EVERY_BIT for _, change in column.changes)
    rolled = full > 1 or len(number.rolls) > full
    alone = carried.isdisjoint((at - 1, at + 1))
    values = [number.as_counted(value) for value in column.values]
    steps = len(column.changes)
    left = max(0, 256 - steps) * spent / steps if alone and not rolled and number.counts else None
    return SlowByte(
        at, column.moved, carried=at in carried, ended=rolled and alone,
        seconds_left=left if left is not None and left <= limits.LONGEST_WAIT_SECONDS else None,
        spare=0 if at in carried else number.as_counted(_spare_bits(values, steps, spent, counts=number.counts)),
    )  # fmt: skip


def _spare_bits(values: Sequence[int], steps: int, spent: float, *, counts: bool) -> int:
    """Return the bits that a number of these values does not need: one of a percentage, and the upper half of a level
    that was always zero. A level falls, so it never comes to need that; what counts up does.
    """
    if not counts and max(values) <= _LOWER_HALF:
        return 0xFF ^ _LOWER_HALF
    return 1 << 7 if _may_be_percentage(values, steps, spent) else 0


def _may_be_percentage(values: Sequence[int], steps: int, spent: float) -> bool:
    return max(values) <= limits.LARGEST_PERCENTAGE and spent >= limits.FASTEST_PERCENT_SECONDS * steps


def _jumped(column: _Column) -> bool:
    """Return whether the byte changed over a pause of the recording, in several bits, and hardly ever else."""
    most = max((change.bit_count() for change in column.over_pauses), default=0)
    return most >= limits.FEWEST_PAUSED_BITS and len(column.changes) <= len(column.over_pauses)
