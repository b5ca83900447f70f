"""What a test point is held against: made of amounts, or typed as it is printed on the part."""

import re
from collections.abc import Callable

from meterlink.core.equipment import PointKind, Rating, Span
from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT, Amount, Quantity, parse_amount, parse_number, parse_unit, quantity_of
from meterlink.judge.limits import rated_limits

# Which quantity a check judges; any, where it is not listed.
QUANTITY_OF_KIND = {
    PointKind.CAPACITOR: Quantity.CAPACITANCE,
    PointKind.COIL: Quantity.RESISTANCE,
    PointKind.INSULATION: Quantity.RESISTANCE,
}
_NEVER_NEGATIVE = {Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.FREQUENCY}


def make_rating(value: Amount, tolerance: str | None, kind: PointKind) -> Rating:
    """Return a rating whose tolerance makes sense for it; InputError otherwise.

    Only a capacitor may do without a tolerance: the station's default is one for run capacitors.
    """
    if not value.digits > 0:
        raise InputError(f"A rating of {value} cannot be.", "Write what is printed on the part: 45 uF 6 %.")
    if quantity_of(value.unit) is Quantity.TEMPERATURE:
        raise InputError("A temperature has no rating: percent of a temperature mean nothing.", "Give low and high.")
    if kind is PointKind.INSULATION:
        raise InputError("Insulation has a least resistance, no rating.", "Write: at least 1 Mohm.")
    if tolerance is None and kind is not PointKind.CAPACITOR:
        raise InputError(f"A rating of {value} needs its tolerance.", f"Write it as {value} 10 %.")
    rating = Rating(value, tolerance)
    rated_limits(rating)  # for its complaints
    return rating


def make_span(low: Amount | None, high: Amount | None) -> Span | None:
    """Return the two limits in one unit (the one given first), None for none; InputError when low is above high."""
    first = low or high
    if first is None:
        return None
    bottom = None if low is None else low.to(first.unit)
    top = None if high is None else high.to(first.unit)
    if bottom is not None and top is not None and bottom > top:
        raise InputError(f"the low limit {low} is above the high limit {high}.", "Swap them.")
    return Span(bottom, top, first.unit)


def validate_span(span: Span, quantity: Quantity, kind: PointKind) -> Span:
    """Return ``span``; InputError where such limits cannot be for this quantity or this check."""
    if quantity in _NEVER_NEGATIVE and min(edge for edge in (span.low, span.high) if edge is not None) < 0:
        raise InputError(f"A limit below zero cannot be: {quantity} is never negative.", "Check the number.")
    if kind is PointKind.INSULATION and (span.low is None or span.high is not None):
        raise InputError("Insulation is held against a low limit alone.", "Write: at least 1 Mohm.")
    return span


_RANGE = re.compile(r"(?P<low>[^a-z]*?[0-9.]\s*[a-zµΩ°%]*)\s*(?:to|\.\.|–|-)\s*(?P<high>[0-9.].*)", re.IGNORECASE)
_TOLERANCE_MARKS = ("±", "+/-", "+-")


def parse_specification(text: str, quantity: Quantity, kind: PointKind) -> Rating | Span:
    """Return what a test point is held against, as somebody types it off the part.

    Two limits (``10 to 18 ohm``, ``189-227 uF``), one (``at least 10 ohm``, ``at most 18 ohm``), or a rating with its
    tolerance (``45 uF 6 %``, ``45uF J``, ``230 V ±10 %``), which only a capacitor may leave out (``45 uF``).
    InputError with an example for anything else.
    """
    given = text.strip()
    # In this order: "45 uF -10/+30 %" looks like a range at first, but no range looks like a rating.
    parsers: list[Callable[[str, Quantity, PointKind], Rating | Span]] = [_parse_span, _parse_rating]
    errors: list[InputError] = []
    for parse in parsers:
        try:
            return parse(given, quantity, kind)
        except InputError as error:
            errors.append(error)
    # The complaint of what it was meant to be.
    meant_span = _RANGE.fullmatch(given) is not None or given.lower().startswith("at ")
    toleranced = "%" in given or any(mark in given for mark in _TOLERANCE_MARKS)
    as_rating = not meant_span and (kind is PointKind.CAPACITOR or (toleranced and quantity is not Quantity.RATIO))
    raise errors[1] if as_rating else errors[0]


def _parse_span(given: str, quantity: Quantity, kind: PointKind) -> Span:
    for words, side in (("at least", "low"), ("at most", "high")):
        if given.lower().startswith(words):
            bound = parse_amount(given[len(words) :], quantity)
            span = make_span(bound, None) if side == "low" else make_span(None, bound)
            break
    else:
        match = _RANGE.fullmatch(given)
        if match is None:
            raise InputError(f"{given!r} is not two limits.", f"Write them as 10 to 18 {BASE_UNIT[quantity]}.")
        high = parse_amount(match["high"], quantity)
        span = make_span(parse_amount(match["low"], quantity, unit=high.unit), high)
    assert span is not None  # noqa: S101  # at least one bound was parsed
    return validate_span(span, quantity, kind)


def _parse_rating(given: str, quantity: Quantity, kind: PointKind) -> Rating:
    number, rest = parse_number(given)
    spelled, _, tolerance = rest.partition(" ")
    for mark in _TOLERANCE_MARKS:
        before, found, after = rest.partition(mark)
        if found:
            spelled, tolerance = before, found + after
            break
    return make_rating(Amount(number, parse_unit(spelled, quantity)), tolerance.strip() or None, kind)
