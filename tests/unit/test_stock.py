"""The stock on the truck: counts follow from a ledger of movements, in any order."""

from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.stock import CAPACITOR, Movement, MovementKind, StockCount, StockItem, stock_counts

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
