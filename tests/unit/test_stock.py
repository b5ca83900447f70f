"""The stock on the truck: counts follow from a ledger of movements, in any order."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.stock import (
    CAPACITOR,
    Movement,
    MovementKind,
    StockCount,
    StockItem,
    last_restock,
    not_replaced,
    stock_counts,
    used_since,
    with_low_marks,
)

DUAL = StockItem(CAPACITOR, "35+5 µF 440 V")
CONTACTOR = StockItem("contactor", "2-pole 30 A")


def moved(kind: MovementKind, count: int, at: int, item: StockItem = DUAL, place: str = "") -> Movement:
    return Movement(kind, item, count, at, place, uid=f"{at}-{kind}")


def test_parts_are_loaded_used_returned_and_counted() -> None:
    ledger = [
        moved(MovementKind.LOADED, 3, 1, place="left bin"),
        moved(MovementKind.USED, 1, 2),
        moved(MovementKind.LOADED, 2, 3, CONTACTOR),
        moved(MovementKind.RETURNED, 1, 4),
        moved(MovementKind.USED, 2, 5, place="right bin"),
    ]
    assert stock_counts(ledger) == [StockCount(DUAL, 1, "right bin"), StockCount(CONTACTOR, 2)]
    counted = [*ledger, moved(MovementKind.COUNTED, 5, 6), moved(MovementKind.USED, 1, 7)]
    assert stock_counts(counted)[0] == StockCount(DUAL, 4, "right bin")


def test_more_used_than_loaded_is_below_zero_and_not_hidden() -> None:
    assert stock_counts([moved(MovementKind.USED, 2, 1)]) == [StockCount(DUAL, -2)]


def test_a_part_is_named_with_its_kind_unless_it_is_a_capacitor() -> None:
    assert (str(DUAL), str(CONTACTOR)) == ("35+5 µF 440 V", "contactor 2-pole 30 A")


@given(
    st.lists(st.tuples(st.sampled_from(list(MovementKind)), st.integers(0, 9), st.integers(0, 5)), max_size=12),
    st.randoms(),
    st.integers(0, 12),
)
def test_two_ledgers_merge_by_union_in_any_order(entries: list[tuple[MovementKind, int, int]], rng, cut: int) -> None:
    """Two stations that share a truck write apart; their entries together give the same counts."""
    ledger = [Movement(kind, DUAL, count, at, uid=f"{number:02d}") for number, (kind, count, at) in enumerate(entries)]
    one, other = ledger[:cut], ledger[cut:]
    shuffled = [*other, *one]
    rng.shuffle(shuffled)
    assert stock_counts(shuffled) == stock_counts(ledger)


# Restock


def test_parts_that_came_back_are_not_used() -> None:
    ledger = [
        moved(MovementKind.USED, 3, 5), moved(MovementKind.RETURNED, 1, 6), moved(MovementKind.USED, 1, 2, CONTACTOR),
    ]  # fmt: skip
    assert used_since(ledger, 3) == {DUAL: 2}
    assert used_since(ledger, 0) == {DUAL: 2, CONTACTOR: 1}
    assert used_since(ledger, 6) == {}


def test_the_newest_restock_is_the_newest_entry_received() -> None:
    assert last_restock([moved(MovementKind.LOADED, 2, 9)]) is None
    assert last_restock([moved(MovementKind.RECEIVED, 1, 3), moved(MovementKind.RECEIVED, 1, 2, CONTACTOR)]) == 3


@pytest.mark.parametrize(
    ("entries", "owed"),
    [
        # Two on the truck, one fitted: one is owed.
        ([("loaded", 2), ("used", 1)], 1),
        # The counter had one of the three that were used: two are still owed.
        ([("loaded", 3), ("used", 3), ("received", 1)], 2),
        # Bought more than was used: the rest is stock, and the next use is owed again.
        ([("loaded", 1), ("used", 1), ("received", 3), ("used", 1)], 1),
        # Loaded by another word: bought all the same.
        ([("used", 1), ("loaded", 1)], 0),
        # An undone replacement.
        ([("used", 1), ("returned", 1)], 0),
        # A count that agrees settles nothing; one that finds the bought parts does; one that misses some is no use.
        ([("loaded", 3), ("used", 2), ("counted", 1)], 2),
        ([("loaded", 3), ("used", 2), ("counted", 3)], 0),
        ([("loaded", 3), ("counted", 1)], 0),
    ],
)
def test_used_parts_are_owed_until_they_are_bought_again(entries: list[tuple[str, int]], owed: int) -> None:
    ledger = [moved(MovementKind(kind), count, at) for at, (kind, count) in enumerate(entries)]
    assert not_replaced(ledger).get(DUAL, 0) == owed


def test_a_part_with_a_low_mark_is_counted_although_none_was_ever_there() -> None:
    counts = with_low_marks([StockCount(DUAL, 1)], {DUAL: 2, CONTACTOR: 1})
    assert counts == [StockCount(DUAL, 1, low=2), StockCount(CONTACTOR, 0, low=1)]
    assert [count.is_low for count in counts] == [True, True]
    assert not StockCount(DUAL, 2, low=2).is_low
    assert with_low_marks([StockCount(DUAL, 1)], {CONTACTOR: 0}) == [StockCount(DUAL, 1)]
