"""Usual values that a number is when one of its glyphs has been read wrongly."""

from collections.abc import Sequence
from functools import lru_cache

# The weight of a change: a glyph that looks like the other is likelier than any other glyph, and a point that is not to
# be seen likelier still.
CHANGE, ALIKE, LOST_OF_TWO, LOST_POINT = 10, 9, 14, 7
_ALIKE_PAIRS = frozenset(["56", "38", "17", "08", "68", "49", "27", "06", "58", "39"])

_DIGITS_OF_VOLTS = 3


@lru_cache(maxsize=2048)  # the variants of a text have most of their numbers in common
def nearby(digits: str, usual: frozenset[str]) -> Sequence[tuple[str, int]]:
    """Return ``(spelled, changes)`` of the usual values that are ``digits`` or one change away.

    Where three digits have none, those with one digit in common at its place: 317 for 370.
    """
    changes = ((spelled, _changes(digits, spelled)) for spelled in usual)
    near = sorted((spelled, change) for spelled, change in changes if change is not None)
    if near or len(digits) != _DIGITS_OF_VOLTS or not digits.isdigit():
        return near
    return sorted(
        (spelled, 2 * CHANGE)
        for spelled in usual
        if len(spelled) == _DIGITS_OF_VOLTS
        and spelled.isdigit()
        and any(pair[0] == pair[1] for pair in zip(digits, spelled, strict=True))
    )


def _changes(first: str, second: str) -> int | None:
    """Return the weight of one glyph that differs, is lost or too many, or of two that changed places; else None."""
    if first == second:
        return 0
    if not first.strip("0."):  # nothing is left to be read wrongly
        return None
    if first.startswith("0.") and first[2:] == second:  # 0.5 for 5
        return ALIKE
    if "." in second and first == second.replace(".", ""):  # 75 for 7.5
        return LOST_POINT
    if len(first) == len(second):
        differ = [place for place, pair in enumerate(zip(first, second, strict=True)) if pair[0] != pair[1]]
        if len(differ) == 1:
            pair = "".join(sorted((first[differ[0]], second[differ[0]])))
            return ALIKE if pair in _ALIKE_PAIRS else CHANGE
        # 404 for 440, 5.7 for 7.5
        swapped = sorted(first) == sorted(second) and len(first[differ[0] : differ[-1] + 1].replace(".", "")) == 2
        return ALIKE if swapped else None
    shorter, longer = sorted((first, second), key=len)
    places = [place for place in range(len(longer)) if longer[:place] + longer[place + 1 :] == shorter]
    is_doubled = len(places) > 1  # 4400 for 440
    if not places:
        return None
    if len(first) == 1 < len(second):
        return LOST_OF_TWO
    return ALIKE if is_doubled else CHANGE
