"""The restock list: the parts that visits used, and how many of each to buy. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError
from meterlink.core.stock import CAPACITOR, Movement, StockCount, StockItem, last_restock, not_replaced, used_since

if TYPE_CHECKING:
    from meterlink.judge.label.replacement import StockEntry

_MOST_CANDIDATES = 3  # a longer list is read in `meterlink judge replacement`


@dataclass(frozen=True, slots=True)
class Candidate:
    """Parts on the truck that may stand in for one of which none is left.

    ``parts`` names them with their places, ``method`` is the way of replacing, ``remarks`` are sentences for the
    technician who fits them.
    """

    parts: str
    method: str
    is_temporary: bool
    remarks: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.parts}, {self.method}{' (temporary)' if self.is_temporary else ''}"


@dataclass(frozen=True, slots=True)
class RestockLine:
    """A kind of part: ``used`` since the beginning of the list, ``to_buy``, and its count with its low mark."""

    stock: StockCount
    used: int
    to_buy: int
    candidates: tuple[Candidate, ...]

    @property
    def item(self) -> StockItem:
        """The kind of part."""
        return self.stock.item


@dataclass(frozen=True, slots=True)
class RestockList:
    """The lines, in the order of the truck; ``since_utc_ns`` is the beginning of ``used``, None for that of the ledger.

    ``is_since_restock``: that is the time of the newest restock.
    """

    since_utc_ns: int | None
    is_since_restock: bool
    lines: tuple[RestockLine, ...]


def restock_list(
    movements: Sequence[Movement],
    counts: Sequence[StockCount],
    entries: "Sequence[StockEntry]",
    since_utc_ns: int | None = None,
) -> RestockList:
    """Return the parts that were used since a time (ns since 1970 UTC), or that are to be bought.

    ``since_utc_ns`` is by default the newest restock. To be bought are as many as are missing from the low mark; of a
    part without one, as many as were used and not bought again. ``entries`` are the capacitors on the truck.
    """
    restocked = last_restock(movements)
    since = restocked if since_utc_ns is None else since_utc_ns
    used, owed = used_since(movements, since or 0), not_replaced(movements)
    lines = []
    for count in counts:
        to_buy = max(count.low - max(count.count, 0), 0) if count.low else owed.get(count.item, 0)
        if to_buy or count.item in used:
            lines.append(RestockLine(count, used.get(count.item, 0), to_buy, _candidates(count, entries)))
    return RestockList(since, since_utc_ns is None and restocked is not None, tuple(lines))


def _candidates(count: StockCount, entries: "Sequence[StockEntry]") -> tuple[Candidate, ...]:
    """Return the parts that the rules of replacement allow in the place of a capacitor of which none is left."""
    if count.count > 0 or count.item.part != CAPACITOR:
        return ()
    from meterlink.judge.label.ratings import parse_rating  # noqa: PLC0415  # only with a box that is empty: 20 ms
    from meterlink.judge.label.replacement import find_replacements  # noqa: PLC0415

    try:
        options = find_replacements(parse_rating(count.item.rating), entries).options
    except InputError:  # its volts are unknown: nothing may stand in for it
        return ()
    return tuple(
        Candidate(option.parts_and_places, str(option.method), option.is_temporary, option.remarks)
        for option in options[:_MOST_CANDIDATES]
    )
