"""Usual ratings that the numbers of a label make when one of them is corrected, or changes its place or its unit.

For a label that no reading explains, and for one whose values are on no usual part: 440 MFD 40 VAC is 40 µF at 440 V,
45 MFD 340V is 45 µF at 440 V. The correction that changes least is the likeliest. A change is one glyph (another digit,
one too many, one lost, two that changed places, a letter that looks like it, a lost point), one sign or space between
two numbers that is lost or too many, or one number with the unit of another.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import NamedTuple

from meterlink.judge.label.glyphs import CHANGE as _CHANGE
from meterlink.judge.label.glyphs import nearby
from meterlink.judge.label.marks import match_mark
from meterlink.judge.label.usual_values import (
    SPELLED_DUALS,
    SPELLED_PERCENT,
    SPELLED_RANGES,
    SPELLED_SINGLES,
    SPELLED_VOLTS,
    CapacitorKind,
    are_volts_of_one_part,
)

_MOST_NUMBERS = 6  # a label with more is typed again rather than guessed at
# The weights beside that of a changed glyph: a number left out, a space for a sign, FAN before HERM.
_UNUSED, _SPACED, _REVERSED = 15, 5, 4
_MOST_CHANGES = 45  # further from the text there are too many ratings
_DIGITS_OF_VOLTS = 3
_AS_LIKELY = 3  # above the fewest changes
_HERMS, _LOWS = frozenset(SPELLED_DUALS), frozenset(SPELLED_RANGES)
_SECTION_OR_RANGE = re.compile(
    r"\s*(?:[/+_\\:;*xX|,]|-|\.\.+|to|[/,]?\s*(?:C-)?(?:FAN|HERM|COMP|[HF]))[\s:=]*", re.IGNORECASE
)
_DIGITS_ALIKE = str.maketrans("OoDQIlZASsGTBq", "00001124556789")
_UNREAD = re.compile(
    r"\?|_+(?=[/+-][0-9])|(?<=[0-9][/+-])_|(?<![0-9A-Za-z])[0-9]?[xX]{2,}(?=[/+\s-])|[0-9][xX]+(?![A-Za-z0-9])"
)  # ?5 MFD, 4xx MFD
_PLUS_MINUS = re.compile(r"(?<![-+/0-9])±?\s*([0-9.OSGIlBQ]+)\s*%")
_PIECE = re.compile(
    r"(?P<kept>(?P<plus_minus>±\s*[0-9.OSGIlBQ]+\s*%|[0-9OSIlQ]{1,2}\s*%)|[+-][0-9]+\s*%?\s*/?\s*[+-][0-9]+\s*%|(?<![0-9/])[0-9]{2}(?:\s*[/_-]\s*[0-9]{2})?\s*(?:Hz|CY|CYCLES?|CPS)(?![a-z]))"
    r"|(?P<other>[0-9.,]+\s*(?:%|K?W\b|K?VA\b|OHMS?\b|VDC\b|KV|HP\b|AMPS?\b|A\b|[CHK]\b|°))"
    # Letters that look like digits: among digits, before them, or alone behind a sign.
    r"|(?P<number>(?:[OIlSBZGQDA]{0,2}[0-9](?:[0-9OoIlSsBT]|[DQZAG](?=[0-9]|\s*(?:[/+-]|(?:V|VAC|MFD|[uµ]F)\b)))*"
    r"|(?<=[0-9][/+-])[OIlSBZGQDA](?=\s*(?:MFD|[uµ]F)\b))(?:[.,][0-9OoIlSB]*)?|[BSZ](?=/))"
    r"(?:\s*(?:(?P<farad>M\.?F\.?D|[uµnp]F|MF|M[FP][A-Z0-9](?![0-9]|\s*%)|M[A-Z]D|[uµ][A-Z]|microfarads?|u|µ)|(?P<volts>V(?:AC|[A-Z]C|A[A-Z0-9](?![0-9]|\s*%)|OLTS?)?|[A-Z]AC|~)|)"
    r"(?![A-Za-zµ]))"
    r"|(?P<code>[0-9][0-9.,]*)|[A-Za-z]+|.",
    re.IGNORECASE | re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class _Number:
    """A number of the text: its ``digits``, its ``unit`` (F, V or none), its spelling, and its tie to the one before.

    ``joined``: a sign of sections or of a range stands between; ``near``: a space does. ``fixed``: its digits are
    right, as those of a number that has been joined or divided; ``replaced``: one of them is taken for a sign.
    """

    digits: str
    unit: str
    written: str
    joined: bool = False
    near: bool = False
    fixed: bool = False
    replaced: bool = False


_Words = tuple[tuple[str, ...], tuple[str, ...]]  # the numbers that are replaced, those left out


class Correction(NamedTuple):
    """A usual ``rating``, the numbers that it has ``replaced``, the numbers left out, and the marks that are none."""

    rating: str
    replaced: tuple[str, ...]
    left_out: tuple[str, ...]
    marks: tuple[str, ...]


class _Use(NamedTuple):
    """A value made of some numbers: its spelling, the places of the numbers, the changes, the numbers that changed."""

    spelled: str
    places: tuple[int, ...]
    changes: int
    changed: tuple[str, ...] = ()


def correct(
    text: str, kind: CapacitorKind | None, *, needs_farad: bool, singles: frozenset[str] = SPELLED_SINGLES
) -> list[Correction]:
    """Return the usual ratings with the fewest changes, those with the fewest first.

    ``needs_farad``: only for a text with a number of µF. A start capacitor (``kind``) has no two sections. ``singles``:
    the usual values of one section, as they are spelled.
    """
    numbers, kept, marks = _numbers(text)
    if not any(number.unit == "F" for number in numbers):  # nothing says that it is a capacitor: no glyph is changed
        numbers = [replace(number, fixed=True) for number in numbers]
    if not 1 <= len(numbers) <= _MOST_NUMBERS or _UNREAD.search(text):
        return []
    if needs_farad and not any(number.unit == "F" for number in numbers):
        return []
    best: dict[str, tuple[int, _Words]] = {}
    fewest = _MOST_CHANGES
    for changes, variant in _variants(numbers):
        for more, rating, words in _ratings(variant, kind, singles, most=fewest + _AS_LIKELY - changes):
            total = changes + more
            fewest = min(fewest, total)
            if rating not in best or total < best[rating][0]:
                best[rating] = total, words
    likely = sorted((changes, rating) for rating, (changes, _) in best.items() if changes <= fewest + _AS_LIKELY)
    return [
        Correction(f"{rating} {tolerance}", (*best[rating][1][0], *changed), best[rating][1][1], marks)
        for _, rating in likely
        for tolerance, changed in _tolerances(kept)
    ]


def _numbers(text: str) -> tuple[list[_Number], str, tuple[str, ...]]:
    """Return the numbers of a text that may be values, its tolerances and frequencies, and its marks."""
    found: list[_Number] = []
    kept: list[str] = []
    marks: list[str] = []
    at = end = 0
    while at < len(text):
        mark = match_mark(text, at) if at == 0 or not text[at - 1].isalnum() else None
        piece = _PIECE.match(text, at)
        assert piece is not None  # noqa: S101  # the last alternative takes any character
        if mark:
            marks.append(mark)
            at += len(mark)
            continue
        if piece["other"] or piece["code"]:
            marks.append(piece[0])
        elif piece["kept"]:
            kept.append(piece[0])
        elif piece["number"]:
            between = text[end:at]
            digits = piece["number"].translate(_DIGITS_ALIKE).replace(",", ".")
            unit = "F" if piece["farad"] else "V" if piece["volts"] else ""
            joined = bool(found) and _SECTION_OR_RANGE.fullmatch(between) is not None
            if joined and unit and not found[-1].unit:
                found[-1] = replace(found[-1], unit=unit)
            found.append(_Number(digits, unit, piece["number"], joined, near=between == " "))
            end = max(map(piece.end, ("number", "farad", "volts")))
        at = piece.end()
    return found, " ".join(kept), tuple(marks)


def _tolerances(kept: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield the text ``kept`` with its usual tolerance, or with each usual tolerance that the label may have meant.

    Behind each comes the text of the tolerance that it replaces, if any.
    """
    sides = _PLUS_MINUS.search(kept)
    if sides is None or sides[1] in SPELLED_PERCENT:
        yield kept, ()
        return
    for percent, _ in nearby(sides[1].translate(_DIGITS_ALIKE), SPELLED_PERCENT):
        yield f"{kept[: sides.start()]}±{percent} %{kept[sides.end() :]}", (sides[0],)
    yield kept, ()
    yield f"{kept[: sides.start()]}{kept[sides.end() :]}", (sides[0],)


def _variants(numbers: list[_Number]) -> Iterator[tuple[int, list[_Number]]]:
    """Yield ``(changes, numbers)``: the numbers as they are, with two of them joined, and with one divided."""
    yield 0, numbers
    for place, number in enumerate(numbers):
        before, behind = numbers[:place], numbers[place + 1 :]
        if number.unit == "F" and number.digits.endswith("000"):  # nF taken for µF
            yield _CHANGE, [*before, replace(number, digits=number.digits[:-3], fixed=True), *behind]
        if behind and behind[0].near and "." not in number.digits:
            for sign in ("", "."):
                digits = f"{number.digits}{sign}{behind[0].digits}"
                written = f"{number.written} {behind[0].written}"
                yield (
                    _CHANGE,
                    [
                        *before,
                        _Number(digits, behind[0].unit, written, number.joined, number.near, fixed=True),
                        *behind[1:],
                    ],
                )
        for first, second, is_replaced in _divisions(number.digits):
            unit = number.unit if number.unit == "F" else ""
            left = replace(number, digits=first, unit=unit, fixed=True, replaced=is_replaced)
            right = _Number(second, number.unit, number.written, joined=True, fixed=True)
            yield _CHANGE, [*before, left, right, *behind]


def _divisions(digits: str) -> Iterator[tuple[str, str, bool]]:
    """Yield ``(first, second, is_replaced)``: ``digits`` in two; ``is_replaced``: one of them is taken for a sign."""
    whole, point, decimals = digits.partition(".")
    if point:
        yield whole, decimals, False
    for place in range(1, len(whole)):
        if whole[place] == "1" and digits[place + 1 :].strip("0."):  # 4515: a slash that looks like a 1
            yield whole[:place], digits[place + 1 :], True
        if whole[place] != "0":
            yield whole[:place], digits[place:], False
            if not point and len(whole) - place > 1:
                yield whole[:place], f"{digits[place:-1]}.{digits[-1]}", False


def _ratings(
    numbers: list[_Number], kind: CapacitorKind | None, singles: frozenset[str], most: int
) -> Iterator[tuple[int, str, _Words]]:
    """Yield ``(changes, rating, words)`` with at most so many changes; a number left out is one, too."""
    for volts in _volts(numbers):
        rest = [(place, number) for place, number in enumerate(numbers) if place not in volts.places]
        left = most - volts.changes - _UNUSED * (len(rest) - 2)  # a capacitance uses one or two
        if left < 0:
            continue
        for capacitance in _capacitances(rest, kind, singles, left):
            changes = volts.changes + capacitance.changes + _UNUSED * (len(rest) - len(capacitance.places))
            if changes > most:
                continue
            left_out = tuple(number.written for place, number in rest if place not in capacitance.places)
            replaced = tuple(dict.fromkeys((*capacitance.changed, *volts.changed)))
            spelled = f" {volts.spelled} V" if volts.spelled else ""
            yield changes, f"{capacitance.spelled} uF{spelled}", (replaced, left_out)


def _volts(numbers: list[_Number]) -> Iterator[_Use]:
    if not any(number.unit == "V" or number.digits in SPELLED_VOLTS for number in numbers):
        yield _Use("", (), 0)
    names_farad = any(number.unit == "F" for number in numbers)
    for place, number in enumerate(numbers):
        following = numbers[place + 1] if numbers[place + 1 :] else None
        for use in _spellings(place, number, SPELLED_VOLTS, "V"):
            is_long = names_farad and len(number.digits) >= _DIGITS_OF_VOLTS and use.changes <= _CHANGE
            may_be_volts = number.unit == "V" or is_long
            if use.changed and not may_be_volts:
                continue
            yield use
            if following is None or not (following.joined or following.near):
                continue
            for other in _spellings(place + 1, following, SPELLED_VOLTS, "V"):
                is_near = not use.changed or not other.changed
                if is_near and are_volts_of_one_part(Decimal(use.spelled), Decimal(other.spelled)):
                    yield _together("/", use, other, 0)


def _capacitances(
    rest: list[tuple[int, _Number]], kind: CapacitorKind | None, singles: frozenset[str], most: int
) -> Iterator[_Use]:
    for at, first in enumerate(rest):
        if len(rest) == 1 or most >= _UNUSED:  # one number more is left out
            yield from _spellings(*first, singles, "F")
        if not rest[at + 1 :]:
            return
        second = rest[at + 1]
        torn = 0 if second[1].joined else _SPACED if second[1].near else _CHANGE
        yield from _pairs(first, second, SPELLED_RANGES, _LOWS, " to ", torn, most)
        if kind is not CapacitorKind.START:
            yield from _pairs(first, second, SPELLED_DUALS, _HERMS, "+", torn, most)
            yield from _pairs(second, first, SPELLED_DUALS, _HERMS, "+", torn + _REVERSED, most)  # FAN before HERM


def _pairs(
    first: tuple[int, _Number],
    second: tuple[int, _Number],
    pairs: Mapping[str, frozenset[str]],
    firsts: frozenset[str],
    sign: str,
    more: int,
    most: int,
) -> Iterator[_Use]:
    for use in _spellings(*first, firsts, "F"):
        if use.changes + more <= most:
            for other in _spellings(*second, pairs[use.spelled], "F"):
                yield _together(sign, use, other, more)


def _together(sign: str, first: _Use, second: _Use, more: int) -> _Use:
    changes = first.changes + second.changes + more
    spelled = f"{first.spelled}{sign}{second.spelled}"
    return _Use(spelled, first.places + second.places, changes, first.changed + second.changed)


def _spellings(place: int, number: _Number, usual: frozenset[str], unit: str) -> Iterator[_Use]:
    """Yield the usual values that a number is with at most one changed glyph."""
    of_other_unit = number.unit not in {"", unit}
    near = nearby(number.digits, usual) if not number.fixed else ((number.digits, 0),) * (number.digits in usual)
    for spelled, changes in near:
        changed = (number.written,) if changes or number.replaced else ()
        yield _Use(spelled, (place,), changes + _CHANGE * of_other_unit, changed)
