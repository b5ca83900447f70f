"""Unbalance of three line-to-line voltages or three line currents: NEMA's percent and the true unbalance."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from math import hypot, sqrt

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits
from meterlink.judge.estimates import (
    COVERAGE_FACTOR,
    REPEATABILITY_STEPS,
    Estimate,
    judge_estimate,
    repeatability_uncertainty,
    round_significant,
)
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine

# Highest accepted percent, by NEMA's definition. Voltage: motors are derated above 1 %, compressor makers commonly
# accept 2 %. Current: 10 %, because a small voltage unbalance makes several times as much current unbalance. Both
# common practice, no source: settings.
DEFAULT_UNBALANCE_LIMIT = {Quantity.VOLTAGE: Decimal(2), Quantity.CURRENT: Decimal(10)}

# NEMA MG-1, 14.36, the derating graph: (voltage unbalance in %, share of rated power). Read off the graph to two
# figures, from memory.
_DERATING = ((1.0, 1.0), (2.0, 0.95), (3.0, 0.88), (4.0, 0.82), (5.0, 0.75))


@dataclass(frozen=True, slots=True)
class Unbalance:
    """The unbalance of three phases.

    ``mean`` is in the unit of the readings. ``nema_percent`` is exact. ``true_percent`` is negative over positive
    sequence.
    """

    mean: Decimal
    nema_percent: Decimal
    true_percent: float


def unbalance(first: Decimal, second: Decimal, third: Decimal) -> Unbalance:
    """Return the unbalance of three line-to-line voltages, or of three line currents without a neutral.

    NEMA MG-1 (14.36): 100 · largest deviation from the mean / mean. True (voltage unbalance factor V2/V1): with
    β = (a⁴+b⁴+c⁴)/(a²+b²+c²)², √[(1-√(3-6β))/(1+√(3-6β))] (IEC 61000-4-30, from memory), here in the equal form
    √(6β-2)/(1+√(3-6β)), which loses no digits near balance.

    Raises:
        InputError: a value is negative, all are zero, or the largest is above the sum of the other two: line-to-line
            voltages, and line currents without a neutral, close a triangle.
    """
    values = sorted(Fraction(value) for value in (first, second, third))
    if values[0] < 0 or values[2] == 0:
        raise InputError("Unbalance needs three readings, none negative, not all zero.", "Check the readings.")
    if values[2] > values[0] + values[1]:
        raise InputError(
            f"Of {first:f}, {second:f} and {third:f}, the largest is above the sum of the other two.",
            "Read volts line to line (not to neutral), or amps in the three line leads.",
        )
    mean = sum(values, Fraction(0)) / 3
    worst = max(abs(value - mean) for value in values)
    squares = [value**2 for value in values]
    beta = sum((square**2 for square in squares), Fraction(0)) / sum(squares, Fraction(0)) ** 2
    true = sqrt(6 * beta - 2) / (1 + sqrt(3 - 6 * beta))
    return Unbalance(_decimal(mean), _decimal(100 * worst / mean), 100 * true)


def _decimal(value: Fraction) -> Decimal:
    return Decimal(value.numerator) / Decimal(value.denominator)


def derating_factor(nema_percent: float) -> float | None:
    """Return the share (0 to 1) of its rated power a motor may give at this voltage unbalance; None above 5 %.

    NEMA MG-1, 14.36: a graph, read off from memory and interpolated; good to two figures. Above 5 % the standard
    forbids operation.
    """
    if nema_percent <= _DERATING[0][0]:
        return 1.0
    for (left, high), (right, low) in pairwise(_DERATING):
        if nema_percent <= right:
            return high + (low - high) * (nema_percent - left) / (right - left)
    return None


def derating_text(nema_percent: float) -> str:
    """Return a sentence on the power a motor may give at a voltage unbalance."""
    share = derating_factor(nema_percent)
    if share is None:
        return "Above 5 %: do not operate a motor on this supply (NEMA MG-1)."
    return f"A motor may give about {share:.2f} of its rated power (NEMA MG-1 graph, read off from memory)."


def judge_unbalance(
    measured_values: Sequence[MeasuredValue],
    limit_percent: Decimal,
    accuracy_lines: Sequence[AccuracyLine] | None = None,
) -> Judgement:
    """Judge NEMA's percent of three readings by ``limit_percent`` percent.

    Without ``accuracy_lines`` the readings are taken to be of one meter on one range. Its gain error cancels in a ratio
    and its zero error in a difference; the repeatability of the display remains, propagated to first order (JCGM 100,
    5.1.2). Otherwise ``accuracy_lines`` is the accuracy line of each reading, and nothing cancels.

    Raises:
        InputError: the limit is not above zero, a reading is an overload, or `unbalance` does not accept the three.
    """
    if limit_percent <= 0:
        raise InputError(
            f"The limit {limit_percent:f} % is not above zero.", "Give the highest accepted unbalance: 2 %."
        )
    values, uncertainties = [], []
    for number, reading in enumerate(measured_values):
        value, step = reading.in_unit(measured_values[0].unit)
        if value is None:
            raise InputError("An overload has no value to compare.", "Use a higher range.")
        values.append(value)
        if accuracy_lines is None:
            uncertainties.append(repeatability_uncertainty(step))
        else:
            half_width = accuracy_lines[number].half_width(value, step)
            uncertainties.append(Estimate.rectangular(0.0, float(half_width), float(step) / 2).standard_uncertainty)
    first, second, third = values
    result = unbalance(first, second, third)
    mean = float(result.mean)
    worst = max(range(3), key=lambda i: abs(values[i] - result.mean))
    # Sensitivities of d = 100·|x_w/m - 1|, where m is the mean of all three.
    slopes = [100 * ((i == worst) / mean - float(values[worst]) / (3 * mean**2)) for i in range(3)]
    uncertainty = COVERAGE_FACTOR * hypot(*(slope * u for slope, u in zip(slopes, uncertainties, strict=True)))
    limits = Limits(None, limit_percent, "%", "the limit for unbalance")
    # Four figures, unless rounding would move a value across the limit.
    displayed = round_significant(float(result.nema_percent))
    if (displayed <= limit_percent) != (result.nema_percent <= limit_percent):
        displayed = result.nema_percent
    same_meter = f"±{REPEATABILITY_STEPS} digit each, one meter on one range"
    accuracy = (
        same_meter
        if accuracy_lines is None
        else f"{', '.join(dict.fromkeys(map(str, accuracy_lines)))}, each by itself"
    )
    return judge_estimate(limits, displayed, uncertainty, accuracy)
