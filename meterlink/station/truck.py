"""The capacitors on the truck, as the rules of replacement need them. Pure."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError
from meterlink.core.stock import CAPACITOR, StockCount, StockItem
from meterlink.core.text import LONGEST_REMARK, clean_text

if TYPE_CHECKING:
    from meterlink.judge.label.rated_part import RatedPart
    from meterlink.judge.label.replacement import StockEntry


def capacitor_entries(counts: Iterable[StockCount]) -> "tuple[StockEntry, ...]":
    """Return the capacitors among ``counts``; one whose rating this version cannot read is left out."""
    capacitors = [count for count in counts if count.item.part == CAPACITOR]
    if not capacitors:
        return ()
    from meterlink.judge.label.ratings import parse_rating  # noqa: PLC0415  # only with a stock: it costs 20 ms
    from meterlink.judge.label.replacement import StockEntry  # noqa: PLC0415

    entries = []
    for entry in capacitors:
        try:
            part = parse_rating(entry.item.rating)
        except InputError:
            continue
        entries.append(StockEntry(part, max(entry.count, 0), entry.place))
    return tuple(entries)


def stock_item(part: str, rating: str) -> StockItem:
    """Return the kind of part that a person names; a capacitor if ``part`` is empty.

    A capacitor's rating is spelled in one way.

    Raises:
        OpenQuestionError: the rating of a capacitor has several meanings.
        InputError: the rating is missing, or is none of a capacitor.
    """
    part, rating = clean_text(part) or CAPACITOR, clean_text(rating, LONGEST_REMARK)
    if not rating:
        raise InputError("The rating of the part is missing.", "Write it as it is marked on the part.")
    if part != CAPACITOR:
        return StockItem(part, rating)
    from meterlink.judge.label.ratings import parse_rating  # noqa: PLC0415  # only where somebody types a label

    return StockItem(CAPACITOR, str(parse_rating(rating)))


def item_on_truck(counts: Iterable[StockCount], component: str, new: "RatedPart | str") -> StockItem | None:
    """Return the kind of part on the truck that was fitted as ``new``: a capacitor's label, or another rating.

    None if none of it is on the truck. The tolerance may be left out of a label: a part of these values and volts is
    it.
    """
    present = [count.item for count in counts if count.count > 0]
    if isinstance(new, str):
        wanted = StockItem(component.casefold(), new.casefold())
        return next(
            (item for item in present if StockItem(item.part.casefold(), item.rating.casefold()) == wanted), None
        )
    exact = StockItem(CAPACITOR, str(new))
    if exact in present:
        return exact
    entries = [entry for entry in capacitor_entries(counts) if entry.count and _is_same_part(entry.part, new)]
    return StockItem(CAPACITOR, str(entries[0].part)) if entries else None


def _is_same_part(entry: "RatedPart", new: "RatedPart") -> bool:
    return (entry.sections, entry.marked_range, entry.max_volts) == (
        new.sections,
        new.marked_range,
        new.max_volts,
    ) and new.tolerance in {None, entry.tolerance}
