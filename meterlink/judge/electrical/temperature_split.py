"""Temperature split: return air minus supply air, dry bulb."""

from decimal import Decimal
from math import hypot

from meterlink.core.equipment import Span
from meterlink.core.errors import InputError
from meterlink.core.verdicts import Judgement
from meterlink.judge.estimates import COVERAGE_FACTOR, Estimate, judge_estimate
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.limits import span_limits
from meterlink.judge.uncertainty import AccuracyLine

# Usual split of a system in cooling at about 50 % return air humidity, by the unit of the readings. Common practice,
# no source: a setting. Humid air gives less, dry air more.
DEFAULT_SPLIT_LIMITS = {
    "°F": Span(Decimal(16), Decimal(22), "°F"),
    "°C": Span(Decimal(9), Decimal(12), "°C"),
}

# Largest error of a thermometer without an accuracy line, in °C. Common practice, no source.
ASSUMED_THERMOMETER_HALF_WIDTH = 0.5

_FAHRENHEIT_PER_DEGREE = {"°F": Decimal(1), "°C": Decimal("1.8")}  # in °F; a difference has no offset


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
    """Judge a split by ``specification``, a span of temperature differences (None: the default for its unit).

    ``accuracy_line`` is the accuracy of both thermometers (None: ± 0.5 °C assumed). Their errors are taken as
    independent, because they are two sensors.

    Raises:
        InputError: a reading is an overload, or not a temperature.
    """
    # °F as soon as one value is in °F: nine fifths of a decimal number is exact, five ninths is not.
    units = {return_air.unit, supply_air.unit, specification.unit if specification else return_air.unit}
    unit = "°F" if "°F" in units else "°C"
    digits = temperature_split(return_air, supply_air, unit)
    span = specification or DEFAULT_SPLIT_LIMITS[unit]
    factor = _FAHRENHEIT_PER_DEGREE[span.unit] / _FAHRENHEIT_PER_DEGREE[unit]
    low, high = (None if limit is None else limit * factor for limit in (span.low, span.high))
    expanded = COVERAGE_FACTOR * hypot(
        *(_standard_uncertainty(air, accuracy_line) for air in (return_air, supply_air))
    )  # °C
    accuracy_text = f"{accuracy_line}" if accuracy_line else f"±{ASSUMED_THERMOMETER_HALF_WIDTH:g} °C, assumed"
    in_unit = expanded * float(_FAHRENHEIT_PER_DEGREE["°C"] / _FAHRENHEIT_PER_DEGREE[unit])
    return judge_estimate(span_limits(Span(low, high, unit)), digits, in_unit, f"{accuracy_text}, each")


def _standard_uncertainty(air: MeasuredValue, line: AccuracyLine | None) -> float:
    _, step = air.in_unit("°C")
    estimate = (
        Estimate.from_measured_value(air, line)
        if line
        else Estimate.rectangular(0.0, ASSUMED_THERMOMETER_HALF_WIDTH, float(step) / 2)
    )
    return estimate.standard_uncertainty if estimate else 0.0
