"""Temperature split: return air minus supply air, dry bulb."""

from dataclasses import replace
from decimal import Decimal
from math import hypot

from meterlink.core.equipment import Span
from meterlink.core.errors import InputError
from meterlink.core.units import Amount
from meterlink.core.verdicts import Judgement, Limits
from meterlink.judge.estimates import Estimate, judge_estimate
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.limits import span_limits
from meterlink.judge.measured_value import convert_interval
from meterlink.judge.uncertainty import COVERAGE_FACTOR, AccuracyLine

# Usual split of a system in cooling at about 50 % return air humidity: 8.9 to 12.2 °C. Common practice, no source: a
# setting. Humid air gives less, dry air more.
DEFAULT_SPLIT_LIMITS = Span(Decimal(16), Decimal(22), "°F")

# Largest error of each thermometer in a difference of two of one kind, in °C: their common error cancels, so it is half
# of that of a single temperature. Common practice, no source.
ASSUMED_THERMOMETER_HALF_WIDTH = Decimal("0.5")

# Differences are judged in °F, into which °C converts exactly: the same air has the same verdict in both.
_UNIT = "°F"


def temperature_split(return_air: MeasuredValue, supply_air: MeasuredValue, unit: str) -> Decimal:
    """Return the split in ``unit`` (°C or °F).

    Raises:
        InputError: a reading is an overload, or not a temperature.
    """
    values = []
    for air in (return_air, supply_air):
        digits, _ = air.in_unit(unit)
        if digits is None:
            raise InputError("A temperature split needs two values.", "Give both as 75F or 24C.")
        values.append(digits)
    return values[0] - values[1]


def judge_split(
    return_air: MeasuredValue, supply_air: MeasuredValue, specification: Span | None, accuracy_line: AccuracyLine | None
) -> Judgement:
    """Judge a split by ``specification``, a span of temperature differences (None: 16 to 22 °F).

    ``accuracy_line`` is the accuracy of both thermometers (None: ± 0.5 °C assumed). Their errors are taken as
    independent, because they are two sensors. The result is in °F as soon as a reading or ``specification`` is.

    Raises:
        InputError: a reading is an overload, or not a temperature.
    """
    digits = temperature_split(return_air, supply_air, _UNIT)
    span = specification or DEFAULT_SPLIT_LIMITS
    line = accuracy_line or AccuracyLine(
        Decimal(0), Decimal(0), assumed=True, degrees=Amount(ASSUMED_THERMOMETER_HALF_WIDTH, "°C")
    )
    expanded = COVERAGE_FACTOR * hypot(*(_standard_uncertainty(air, line) for air in (return_air, supply_air)))
    units = {return_air.unit, supply_air.unit, span.unit if specification else return_air.unit}
    limits, shown = (_limits(span, unit) for unit in (_UNIT, _UNIT if _UNIT in units else "°C"))
    return judge_estimate(limits, digits, expanded, f"{line}, each", shown=shown)


def _limits(span: Span, unit: str) -> Limits:
    """Return the limits of a span of differences in ``unit``; °C from °F to hundredths, as thermometers show them."""
    if unit == span.unit:
        return span_limits(span)
    edges = (None if edge is None else convert_interval(edge, span.unit, unit) for edge in (span.low, span.high))
    low, high = (edge if edge is None or unit == _UNIT else round(edge, 2) for edge in edges)
    return replace(span_limits(Span(low, high, unit)), basis=str(span))


def _standard_uncertainty(air: MeasuredValue, line: AccuracyLine) -> float:
    """Return the standard uncertainty of a temperature in °F."""
    half_width = convert_interval(line.half_width(air.digits or Decimal(0), air.resolution, air.unit), air.unit, _UNIT)
    step = convert_interval(air.resolution, air.unit, _UNIT)
    return Estimate.rectangular(0.0, float(half_width), float(step) / 2).standard_uncertainty
