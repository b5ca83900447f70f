"""Temperature split: return air less supply air, dry bulb."""

from decimal import Decimal
from math import hypot

from meterlink.core.equipment import Span
from meterlink.core.errors import InputError
from meterlink.core.verdicts import Judgement
from meterlink.judge.estimates import COVERAGE_FACTOR, Estimate, judge_estimate
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.limits import span_limits
from meterlink.judge.uncertainty import AccuracyLine

# What a system in cooling shows at about 50 % return air humidity, by the unit it is read in. Common practice, no
# source: a setting. The humid side of a season runs below it, the dry side above.
DEFAULT_SPLIT_LIMITS = {
    "°F": Span(Decimal(16), Decimal(22), "°F"),
    "°C": Span(Decimal(9), Decimal(12), "°C"),
}

# What a thermometer is trusted to where nobody gave its accuracy line, in °C. Common practice, no source.
ASSUMED_THERMOMETER_HALF_WIDTH = 0.5

_FAHRENHEIT_PER_DEGREE = {"°F": Decimal(1), "°C": Decimal("1.8")}  # in °F; a difference has no offset


def temperature_split(return_air: MeasuredValue, supply_air: MeasuredValue, unit: str) -> Decimal:
    """Return the split in ``unit`` (°C or °F); InputError for anything but two temperatures with a value."""
    values = []
    for air in (return_air, supply_air):
        digits, _ = air.in_unit(unit)
        if digits is None:
            raise InputError("A split needs two temperatures.", "Give both as 75F or 24C.")
        values.append(digits)
    return values[0] - values[1]


def judge_split(
    return_air: MeasuredValue, supply_air: MeasuredValue, specification: Span | None, accuracy_line: AccuracyLine | None
) -> Judgement:
    """Hold a split against ``accepted``, a span of temperature differences (None: the default for its unit).

    ``line`` is the thermometers' accuracy (None: ± 0.5 °C assumed); their errors are taken as independent, two
    sensors. InputError as for `temperature_split`.
    """
    # °F as soon as anything is in it: nine fifths of a decimal number is exact, five ninths is not.
    units = {return_air.unit, supply_air.unit, specification.unit if specification else return_air.unit}
    unit = "°F" if "°F" in units else "°C"
    digits = temperature_split(return_air, supply_air, unit)
    span = specification or DEFAULT_SPLIT_LIMITS[unit]
    factor = _FAHRENHEIT_PER_DEGREE[span.unit] / _FAHRENHEIT_PER_DEGREE[unit]
    low, high = (None if edge is None else edge * factor for edge in (span.low, span.high))
    expanded = COVERAGE_FACTOR * hypot(
        *(_standard_uncertainty(air, accuracy_line) for air in (return_air, supply_air))
    )  # °C
    words = f"{accuracy_line}" if accuracy_line else f"±{ASSUMED_THERMOMETER_HALF_WIDTH:g} °C, assumed"
    in_unit = expanded * float(_FAHRENHEIT_PER_DEGREE["°C"] / _FAHRENHEIT_PER_DEGREE[unit])
    return judge_estimate(span_limits(Span(low, high, unit)), digits, in_unit, f"{words}, each")


def _standard_uncertainty(air: MeasuredValue, line: AccuracyLine | None) -> float:
    _, step = air.in_unit("°C")
    estimate = (
        Estimate.from_measured_value(air, line)
        if line
        else Estimate.rectangular(0.0, ASSUMED_THERMOMETER_HALF_WIDTH, float(step) / 2)
    )
    return estimate.standard_uncertainty if estimate else 0.0
