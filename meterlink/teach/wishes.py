"""The words of suggested readings that more than one module uses: those that name them, and those that count them."""

import re
from collections.abc import Sequence

A_NEGATIVE_READING = "a negative reading"
A_STILL_READING = "a reading while the display stands still"
A_STILL_NEGATIVE_READING = "a negative reading while the display stands still"
BOTH_SIGNS = "another negative reading and another positive one"
AN_OVERLOAD = "an overload"
A_SECOND_OVERLOAD = "a second overload: the packets of the only one hold a number"

A_DRIVER = "a driver written for this meter, as teaching seems not to know how it writes its number"
"""The wish where more readings hardly help."""

LONGER_RECORDING = "a longer recording"
"""Begins the wish for packets without an entry."""

AN_HOUR_LATER = "two of these readings an hour later"
"""Begins the wish for readings that nobody waits for: they may come in another recording."""

_PLACES = ("last place", "last place but one", "third place from the right", "fourth place from the right",
           "fifth place from the right", "sixth place from the right")  # fmt: skip
_DIGIT = re.compile(r"a reading with a ([0-9])(?: or ([0-9]))? in (?:any place|the (.+))")


def range_wish(unit: str) -> str:
    """Return the wish for a range of ``unit`` that no entry shows."""
    return f"another range of {unit}, so that the point moves"


def digit_wish(digits: Sequence[str], place: int | None = None) -> str:
    """Return the wish for one of the first two of ``digits`` in a place, 0 for the last; in any place for None."""
    where = "any place" if place is None else f"the {_PLACES[min(place, len(_PLACES) - 1)]}"
    return f"a reading with a {' or '.join(digits[:2])} in {where}"


def parse_digit_wish(wish: str) -> tuple[tuple[int, ...], int | None] | None:
    """Return ``(digits, place)`` of a wish that `digit_wish` made; None for another wish."""
    found = _DIGIT.fullmatch(wish)
    if found is None:
        return None
    digits = tuple(int(digit) for digit in (found[1], found[2]) if digit)
    return digits, None if found[3] is None else _PLACES.index(found[3])
