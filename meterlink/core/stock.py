"""The stock on the truck: a ledger of movements, from which the counts follow.

Movements are only added, each with an identifier of its own: the ledgers of two stations merge by union.
"""

from collections.abc import Iterable
from dataclasses import dataclass
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
    """The number of parts of one kind on the truck; below 0 if more were used than were loaded."""

    item: StockItem
    count: int
    place: str = ""


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


def _count_after(count: int, movement: Movement) -> int:
    match movement.kind:
        case MovementKind.LOADED | MovementKind.RECEIVED | MovementKind.RETURNED:
            return count + movement.count
        case MovementKind.USED:
            return count - movement.count
        case MovementKind.COUNTED:
            return movement.count
