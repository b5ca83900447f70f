"""The stock on the truck: a ledger of movements, from which the counts follow.

Movements are only added, each with an identifier of its own: the ledgers of two stations merge by union.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

CAPACITOR = "capacitor"
"""The part whose ratings are read as labels of capacitors, and compared by the rules of replacement."""


MOST_PARTS = 9999
"""The largest count of one kind of part; no truck carries as many."""


class MovementKind(StrEnum):
    """A change of the number of parts."""

    LOADED = "loaded"  # onto the truck
    RECEIVED = "received"  # onto the truck, in place of used ones: a restock
    USED = "used"  # fitted
    RETURNED = "returned"  # a fitted part that came back: an undone replacement
    COUNTED = "counted"  # that many are there; the entries before count no more


@dataclass(frozen=True, slots=True)
class StockItem:
    """One kind of part: the ``part`` (`CAPACITOR`, contactor) and its ``rating`` as marked on it."""

    part: str
    rating: str

    def __str__(self) -> str:
        return self.rating if self.part == CAPACITOR else f"{self.part} {self.rating}".rstrip()


@dataclass(frozen=True, slots=True)
class Movement:
    """``count`` parts of one kind, 0 or more. ``place`` is where they lie on the truck, empty if not said.

    ``utc_ns`` is in nanoseconds since 1970 UTC. ``uid`` is unique across stations; empty for a new movement.
    """

    kind: MovementKind
    item: StockItem
    count: int
    utc_ns: int
    place: str = ""
    note: str = ""
    uid: str = ""


@dataclass(frozen=True, slots=True)
class StockCount:
    """The number of parts of one kind on the truck; below 0 if more were used than were loaded.

    ``low`` is its low mark: with fewer than that it is to be bought; 0 for none.
    """

    item: StockItem
    count: int
    place: str = ""
    low: int = 0

    @property
    def is_low(self) -> bool:
        """Whether there are fewer than the low mark."""
        return self.count < self.low


def stock_counts(movements: Iterable[Movement]) -> list[StockCount]:
    """Return the count of each kind of part, in the order in which the kinds were first recorded.

    The order of ``movements`` does not matter: their times decide, and between equal times their identifiers.
    """
    counts: dict[StockItem, StockCount] = {}
    for movement in sorted(movements, key=lambda movement: (movement.utc_ns, movement.uid)):
        item = movement.item
        before = counts.get(item, StockCount(item, 0))
        counts[item] = StockCount(item, _count_after(before.count, movement), movement.place or before.place)
    return list(counts.values())


def with_low_marks(counts: Iterable[StockCount], marks: Mapping[StockItem, int]) -> list[StockCount]:
    """Return the counts with their low marks; a part that has a mark and was never recorded has the count 0."""
    known = [replace(count, low=marks.get(count.item, 0)) for count in counts]
    items = {count.item for count in known}
    return [*known, *(StockCount(item, 0, low=low) for item, low in marks.items() if low and item not in items)]


def last_restock(movements: Iterable[Movement]) -> int | None:
    """Return the time of the newest entry `MovementKind.RECEIVED`, ns since 1970 UTC; None without one."""
    return max((move.utc_ns for move in movements if move.kind is MovementKind.RECEIVED), default=None)


def used_since(movements: Iterable[Movement], since_utc_ns: int) -> dict[StockItem, int]:
    """Return how many of each kind were used at or after a time, without those that came back; none below 1."""
    used: dict[StockItem, int] = {}
    for move in movements:
        sign = {MovementKind.USED: 1, MovementKind.RETURNED: -1}.get(move.kind, 0)
        if sign and move.utc_ns >= since_utc_ns:
            used[move.item] = used.get(move.item, 0) + sign * move.count
    return {item: count for item, count in used.items() if count > 0}


def not_replaced(movements: Iterable[Movement]) -> dict[StockItem, int]:
    """Return how many of each kind were used, and neither came back nor were bought again.

    A restock that brings fewer parts than were used leaves the rest; one that brings more leaves nothing owed. A count
    that finds more parts than the ledger has settles as many.
    """
    owed: dict[StockItem, int] = {}
    counts: dict[StockItem, int] = {}
    for move in sorted(movements, key=lambda move: (move.utc_ns, move.uid)):
        before = counts.get(move.item, 0)
        counts[move.item] = _count_after(before, move)
        change = before - counts[move.item]
        if move.kind is MovementKind.COUNTED:
            change = min(change, 0)  # parts that are missing were not used
        owed[move.item] = max(owed.get(move.item, 0) + change, 0)
    return {item: count for item, count in owed.items() if count}


def _count_after(count: int, movement: Movement) -> int:
    match movement.kind:
        case MovementKind.LOADED | MovementKind.RECEIVED | MovementKind.RETURNED:
            return count + movement.count
        case MovementKind.USED:
            return count - movement.count
        case MovementKind.COUNTED:
            return movement.count
