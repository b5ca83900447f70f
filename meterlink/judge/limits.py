"""Limits from a rating and its tolerance, or from two numbers, in exact Decimals; the boundary is within."""

from meterlink.core.equipment import Rating, Span
from meterlink.core.units import convert
from meterlink.core.verdicts import Limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE, parse_tolerance


def rated_limits(rating: Rating, default_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE) -> Limits:
    """Return the limits of a rated part, in the unit of its rating.

    They are Decimals in display units, because limits in binary floats or in farads reject readings exactly on them:
    2 µF ±6 % must accept 2.12 µF. ``default_tolerance`` applies where the rating has none.

    Raises:
        InputError: the tolerance is not understood, or leaves no limits.
    """
    rated = rating.value
    tolerance = parse_tolerance(rating.tolerance or default_tolerance, rated)
    if tolerance.unit == "%":
        low = rated.digits * (100 - tolerance.minus) / 100
        high = rated.digits * (100 + tolerance.plus) / 100
    else:
        # An IEC 60062 letter may give picofarads beside a rating in µF.
        low = rated.digits - convert(tolerance.minus, tolerance.unit, rated.unit)
        high = rated.digits + convert(tolerance.plus, tolerance.unit, rated.unit)
    return Limits(low, high, rated.unit, f"{rated} {tolerance}", rated.digits)


def span_limits(span: Span) -> Limits:
    """Return the limits of a span; with two numbers, deviations count from their middle."""
    nominal = None if span.low is None or span.high is None else (span.low + span.high) / 2
    return Limits(span.low, span.high, span.unit, span.limits_text, nominal)
