"""Specifications of test points: built of amounts, or parsed from the text on a part."""

import re
from collections.abc import Callable
from dataclasses import replace

from meterlink.core.equipment import MarkedVoltage, PointKind, Rating, Span, Specification, VoltageBand
from meterlink.core.errors import InputError
from meterlink.core.units import (
    BASE_UNIT,
    Amount,
    Quantity,
    convert,
    parse_amount,
    parse_number,
    parse_unit,
    quantity_of,
)
from meterlink.judge.electrical.bands import marked_voltage_limits, parse_voltage_range
from meterlink.judge.electrical.coils import parse_coil_rating
from meterlink.judge.electrical.heaters import (
    heater_current_limits,
    heater_resistance_limits,
    parse_heater_rating,
)
from meterlink.judge.limits import rated_limits
from meterlink.judge.tolerance import parse_tolerance

# The quantity of each kind of test point; any quantity for a kind that is not listed.
QUANTITY_OF_KIND = {
    PointKind.CAPACITOR: Quantity.CAPACITANCE,
    PointKind.COIL: Quantity.RESISTANCE,
    PointKind.INSULATION: Quantity.RESISTANCE,
}
_NEVER_NEGATIVE = {Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.FREQUENCY}


def make_rating(value: Amount, tolerance: str | None, kind: PointKind) -> Rating:
    """Return a rating of ``value`` with ``tolerance``, for a test point of ``kind``.

    Only a capacitor may have no tolerance: the station's default is for run capacitors.

    Raises:
        InputError: the value, the tolerance or the kind does not fit a rating.
    """
    if not value.digits > 0:
        raise InputError(f"A rating must be above zero, not {value}.", "Write the rating on the part: 45 uF 6 %.")
    if quantity_of(value.unit) is Quantity.TEMPERATURE:
        raise InputError(
            "A temperature has no rating: a percentage of a temperature is meaningless.", "Give low and high."
        )
    if kind is PointKind.INSULATION:
        raise InputError("Insulation has a least resistance, not a rating.", "Write: at least 1 Mohm.")
    if tolerance is None and kind is not PointKind.CAPACITOR:
        raise InputError(f"A rating of {value} needs its tolerance.", f"Write it as {value} 10 %.")
    rating = Rating(value, tolerance)
    rated_limits(rating)  # raises for a bad tolerance
    return rating


def make_span(low: Amount | None, high: Amount | None) -> Span | None:
    """Return two limits in one unit, that of ``low`` or else of ``high``; None if both are None.

    Raises:
        InputError: ``low`` is above ``high``, or their units belong to different quantities.
    """
    first = low or high
    if first is None:
        return None
    bottom = None if low is None else low.to(first.unit)
    top = None if high is None else high.to(first.unit)
    if bottom is not None and top is not None and bottom > top:
        raise InputError(f"the low limit {low} is above the high limit {high}.", "Swap them.")
    return Span(bottom, top, first.unit)


def with_locked_rotor(span: Span, locked_rotor: Amount) -> Span:
    """Return the limits of a motor's running current with its locked-rotor current.

    Raises:
        InputError: it is no current, or not above the highest running current.
    """
    if quantity_of(locked_rotor.unit) is not Quantity.CURRENT or quantity_of(span.unit) is not Quantity.CURRENT:
        raise InputError("A locked-rotor current belongs to the current of a motor.", "Leave it out.")
    if span.high is None or not locked_rotor.to(span.unit) > span.high:
        raise InputError(
            f"The locked-rotor current {locked_rotor} must be above the rated one.",
            "Write both as on the nameplate: RLA 14.1 A, LRA 77 A.",
        )
    return replace(span, locked_rotor=locked_rotor.to(span.unit))


def marked_span(text: str, tolerance: str | None, quantity: Quantity, kind: PointKind) -> Span | None:
    """Return the limits that follow from a marking which is no single value; None for any other text.

    The watts and volts of a heater (``5 kW 240 V``) give ohms or amps, a range of volts with a tolerance
    (``208/240 V``, ``10 %``) gives volts.

    Raises:
        InputError: the marking is incomplete or contradicts itself.
    """
    if kind is not PointKind.RANGE:
        return None
    if quantity is Quantity.VOLTAGE:
        return _voltage_range_span(text, tolerance)
    if quantity not in {Quantity.RESISTANCE, Quantity.CURRENT}:
        return None
    heater = parse_heater_rating(text)
    if heater is None:
        return None
    if tolerance is not None:
        raise InputError("A heater's tolerance is that of its power.", "Leave the tolerance out.")
    limits = heater_resistance_limits(heater) if quantity is Quantity.RESISTANCE else heater_current_limits(heater)
    return Span(limits.low, limits.high, limits.unit, basis=str(heater))


def _voltage_range_span(text: str, tolerance: str | None) -> Span | None:
    if _VOLTAGE_RANGE.fullmatch(text.strip()) is None:
        return None
    low, high = parse_voltage_range(text)
    if tolerance is None:
        raise InputError(f"A rating of {text.strip()} needs its tolerance.", f"Write it as {text.strip()} ±10 %.")
    around_low, around_high = (rated_limits(Rating(Amount(volts, "V"), tolerance)) for volts in (low, high))
    basis = f"{low:f}/{high:f} V {parse_tolerance(tolerance, Amount(low, 'V'))}"
    return Span(around_low.low, around_high.high, "V", basis=basis)


def validate_span(span: Span, quantity: Quantity, kind: PointKind) -> Span:
    """Return ``span`` unchanged.

    Raises:
        InputError: the limits do not fit this quantity or this kind of test point.
    """
    if quantity in _NEVER_NEGATIVE and min(edge for edge in (span.low, span.high) if edge is not None) < 0:
        raise InputError(f"A limit below zero is wrong: {quantity} is never negative.", "Check the number.")
    if kind is PointKind.INSULATION and (span.low is None or span.high is not None):
        raise InputError("Insulation has a low limit alone.", "Write: at least 1 Mohm.")
    return span


_VOLTAGE_RANGE = re.compile(r"[0-9.]+\s*V?\s*/\s*[0-9.]+\s*V?(?:AC|\s*AC)?", re.IGNORECASE | re.ASCII)
_RANGE = re.compile(r"(?P<low>[^a-z]*?[0-9.]\s*[a-zµΩ°%]*)\s*(?:to|\.\.|–|-)\s*(?P<high>[0-9.].*)", re.IGNORECASE)
# A motor's nameplate: RLA or FLA, and LRA; each word stands before or behind its number.
_AMPS = r"[0-9.]+\s*(?:[a-z]?A)?"
_LOCKED_ROTOR = re.compile(
    rf"(?P<limits>.+?)\s*[,;/]?\s*(?:(?:LRA|locked rotor)\s*(?P<amps>{_AMPS})|(?P<amps_first>{_AMPS})\s*LRA)",
    re.IGNORECASE,
)
_RATED_AMPS = re.compile(rf"(?:RLA|FLA)?\s*(?P<amps>{_AMPS})\s*(?:RLA|FLA)?", re.IGNORECASE)
_TOLERANCE_MARKS = ("±", "+/-", "+-")
_BANDS = "|".join(VoltageBand)
_MARKED = re.compile(
    rf"(?P<volts>[0-9.]+(?:\s*/\s*[0-9.]+)*)\s*(?P<unit>[a-z]*?)(?:\s+(?P<band>{_BANDS}))?", re.IGNORECASE | re.ASCII
)


def parse_specification(
    text: str, quantity: Quantity, kind: PointKind, band: VoltageBand | None = None
) -> Specification:
    """Return the specification that a person typed from the marking on a part.

    Two limits (``10 to 18 ohm``, ``189-227 uF``), one limit (``at least 10 ohm``, ``at most 18 ohm``), or a rating with
    its tolerance (``45 uF 6 %``, ``45uF J``, ``230 V ±10 %``, ``208/240 V ±10 %``). Only a capacitor needs no tolerance
    (``45 uF``), and a voltage with a ``band``: ``208/230 V`` at a supply. ``24 V coil`` names the band itself. Of a
    motor's current, also the amps of its nameplate (``RLA 14.1 A, LRA 77 A``). For ohms and amps also the marking on a
    heater (``5 kW 240 V``).

    Raises:
        InputError: the text is none of these, or does not fit the quantity or the kind; the remedy has an example. The
            volt-amperes of a coil give no limits.
    """
    stripped = text.strip()
    nameplate = _LOCKED_ROTOR.fullmatch(stripped) if quantity is Quantity.CURRENT else None
    if nameplate is not None:
        return _parse_nameplate_amps(nameplate, kind)
    voltage = _MARKED.fullmatch(stripped) if quantity is Quantity.VOLTAGE else None
    if voltage is not None and (voltage["band"] or band is not None):
        return parse_marked_voltage(stripped, band)
    rated, tolerance = split_tolerance(stripped)
    if (marked := marked_span(rated, tolerance, quantity, kind)) is not None:
        return marked
    if kind is PointKind.COIL and (coil := parse_coil_rating(stripped)) is not None:
        raise InputError(
            f"{coil} gives no limits: a coil's ohms on DC are well below U²/VA, {coil.most_ohms:.3g} Ω.",
            "Give the maker's resistance: 10 to 18 ohm. Open and shorted show without it.",
        )
    # In this order: the span parser rejects "45 uF -10/+30 %", and the rating parser then reads it.
    parsers: list[Callable[[str, Quantity, PointKind], Rating | Span]] = [_parse_span, _parse_rating]
    errors: list[InputError] = []
    for parse in parsers:
        try:
            return parse(stripped, quantity, kind)
        except InputError as error:
            errors.append(error)
    # Raise the error of the likely meaning: two limits, or a rating.
    meant_span = _RANGE.fullmatch(stripped) is not None or stripped.lower().startswith("at ")
    has_tolerance = "%" in stripped or any(mark in stripped for mark in _TOLERANCE_MARKS)
    meant_rating = not meant_span and (
        kind is PointKind.CAPACITOR or (has_tolerance and quantity is not Quantity.RATIO)
    )
    raise errors[1] if meant_rating else errors[0]


def _parse_nameplate_amps(nameplate: re.Match[str], kind: PointKind) -> Span:
    rated = _RATED_AMPS.fullmatch(nameplate["limits"])
    if rated is None:
        span = _parse_span(nameplate["limits"], Quantity.CURRENT, kind)
    else:
        amount = parse_amount(rated["amps"], Quantity.CURRENT, unit="A")
        span = Span(None, amount.digits, amount.unit)
    locked_rotor = parse_amount(nameplate["amps"] or nameplate["amps_first"], Quantity.CURRENT, unit="A")
    return with_locked_rotor(span, locked_rotor)


def parse_marked_voltage(text: str, band: VoltageBand | None) -> MarkedVoltage:
    """Return a voltage as marked, without a tolerance: ``208/230 V``, ``24 V coil``; ``band`` is the default band.

    Raises:
        InputError: the text is not one voltage or several, or has no limits in this band.
    """
    match = _MARKED.fullmatch(text.strip())
    named = VoltageBand(match["band"].lower()) if match and match["band"] else band
    if match is None or named is None:
        raise InputError(f"{text.strip()!r} is not a marked voltage.", "Write the volts as they are marked: 208/230 V.")
    unit = parse_unit(match["unit"] or "V", Quantity.VOLTAGE)
    parts = [parse_number(part.strip()) for part in match["volts"].split("/")]
    marked = MarkedVoltage(tuple(convert(number, unit, "V") for number, _ in parts), named)
    marked_voltage_limits(marked)  # raises where there are none
    return marked


def _parse_span(text: str, quantity: Quantity, kind: PointKind) -> Span:
    for words, side in (("at least", "low"), ("at most", "high")):
        if text.lower().startswith(words):
            bound = parse_amount(text[len(words) :], quantity)
            span = make_span(bound, None) if side == "low" else make_span(None, bound)
            break
    else:
        match = _RANGE.fullmatch(text)
        if match is None:
            raise InputError(f"{text!r} is not two limits.", f"Write them as 10 to 18 {BASE_UNIT[quantity]}.")
        high = parse_amount(match["high"], quantity)
        span = make_span(parse_amount(match["low"], quantity, unit=high.unit), high)
    assert span is not None  # noqa: S101  # at least one bound was parsed
    return validate_span(span, quantity, kind)


def split_tolerance(text: str) -> tuple[str, str | None]:
    """Return ``(rating, tolerance)`` of a text with a tolerance mark (``240 V ±10 %``), else the text and None."""
    for mark in _TOLERANCE_MARKS:
        if mark in text:
            rating, _, after = text.partition(mark)
            return rating.strip(), mark + after
    match = re.fullmatch(r"(?P<rating>.*V)\s+(?P<tolerance>[0-9.]+\s*%)", text, re.IGNORECASE)
    return (match["rating"], match["tolerance"]) if match else (text, None)


def _parse_rating(text: str, quantity: Quantity, kind: PointKind) -> Rating:
    number, rest = parse_number(text)
    unit, _, tolerance = rest.partition(" ")
    for mark in _TOLERANCE_MARKS:
        if mark in rest:
            unit, _, after = rest.partition(mark)
            tolerance = mark + after
            break
    return make_rating(Amount(number, parse_unit(unit, quantity)), tolerance.strip() or None, kind)
