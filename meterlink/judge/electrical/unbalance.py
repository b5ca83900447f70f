"""Unbalance of three line-to-line voltages or three line currents: NEMA's percent and the true unbalance."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from math import hypot, sqrt
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT, Quantity, convert
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.electrical.lost_phase import VOLTS_CANNOT_TELL, LineReading, lost_line
from meterlink.judge.estimates import (
    COVERAGE_FACTOR,
    REPEATABILITY_STEPS,
    Estimate,
    judge_estimate,
    repeatability_uncertainty,
    round_significant,
)
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.measured_value import shows_nothing
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy

# Highest accepted percent, by NEMA's definition. Voltage: motors are derated above 1 %, compressor makers commonly
# accept 2 %. Current: 10 %, because a small voltage unbalance makes several times as much current unbalance. Both
# common practice, no source: settings.
DEFAULT_UNBALANCE_LIMIT = {Quantity.VOLTAGE: Decimal(2), Quantity.CURRENT: Decimal(10)}

# NEMA MG-1, 14.36, the derating graph: (voltage unbalance in %, share of rated power). Read off the graph to two
# figures, from memory.
_DERATING = ((1.0, 1.0), (2.0, 0.95), (3.0, 0.88), (4.0, 0.82), (5.0, 0.75))


class Unbalance(NamedTuple):
    """The unbalance of three phases.

    ``mean`` is in the unit of the readings. ``nema_percent`` is exact. ``true_percent`` is negative over positive
    sequence.
    """

    mean: Decimal
    nema_percent: Decimal
    true_percent: float


def unbalance(first: Decimal, second: Decimal, third: Decimal, error: float = 0.0) -> Unbalance:
    """Return the unbalance of three line-to-line voltages, or of three line currents without a neutral.

    NEMA MG-1 (14.36): 100 · largest deviation from the mean / mean. True (voltage unbalance factor V2/V1): with
    β = (a⁴+b⁴+c⁴)/(a²+b²+c²)², √[(1-√(3-6β))/(1+√(3-6β))] (IEC 61000-4-30, from memory), here in the equal form
    √(6β-2)/(1+√(3-6β)), which loses no digits near balance. ``error`` is how far the meter's errors may put the largest
    above the sum of the other two, in the unit of the readings; it then counts as their sum.

    Raises:
        InputError: a value is negative, all are zero, or the largest is above the sum of the other two by more than
            ``error``: line-to-line voltages, and line currents without a neutral, close a triangle.
    """
    values = sorted(Fraction(value) for value in (first, second, third))
    if values[0] < 0 or values[2] == 0:
        raise InputError("Unbalance needs three readings, none negative, not all zero.", "Check the readings.")
    if values[2] > values[0] + values[1] + Fraction(error):
        raise InputError(
            f"Of {first:f}, {second:f} and {third:f}, the largest is above the sum of the other two.",
            "Read volts line to line (not to neutral), or amps in the three line leads.",
        )
    mean = sum(values, Fraction(0)) / 3
    worst = max(abs(value - mean) for value in values)
    squares = [value**2 for value in (*values[:2], min(values[2], values[0] + values[1]))]
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


class PhasesResult(NamedTuple):
    """The result of three line currents or line-to-line voltages.

    ``unbalance`` is None where nothing flows. ``lost_line`` names the line that is lost, None if none is.
    """

    judgement: Judgement
    unbalance: Unbalance | None = None
    lost_line: str | None = None


def judge_phases(
    readings: Sequence[LineReading],
    limit_percent: Decimal,
    accuracy_lines: Sequence[AccuracyLine] | None = None,
    *,
    motor_runs: bool | None = None,
) -> PhasesResult:
    """Judge three readings of a three-phase circuit: nothing flows, a lost phase, or their unbalance.

    ``limit_percent`` is the highest accepted unbalance; ``accuracy_lines`` as for `judge_unbalance`. ``motor_runs``
    says whether a motor on these lines runs while volts are read, None if it is not known: then volts cannot tell a
    lost phase (see `lost_phase`).

    Raises:
        InputError: the limit is not above zero, a reading is an overload or negative, or the largest exceeds the sum of
            the other two by more than the meter's errors.
    """
    values = [reading.measured for reading in readings]
    unit, volts = values[0].unit, values[0].quantity is Quantity.VOLTAGE
    lines = accuracy_lines or [assumed_accuracy(values[0].quantity)] * len(values)
    if all(shows_nothing(value, line) for value, line in zip(values, lines, strict=True)):
        return PhasesResult(_nothing_flows(values, lines, limit_percent))
    lost = None if volts and motor_runs else lost_line(readings)
    digits = [value.in_unit(unit)[0] or Decimal(0) for value in values]
    # What the errors of three readings may add to the difference of one and the sum of two (JCGM 100, 5.1.2).
    estimates = [Estimate.from_measured_value(value, line) for value, line in zip(values, lines, strict=True)]
    error = COVERAGE_FACTOR * hypot(*(estimate.standard_uncertainty for estimate in estimates if estimate))
    error = float(convert(Decimal(repr(error)), BASE_UNIT[values[0].quantity], unit))
    if lost:
        # A lead that hangs on nothing closes no triangle.
        error = float(sum(digits, Decimal(0)))
    judgement = judge_unbalance(values, limit_percent, accuracy_lines, error)
    result = unbalance(digits[0], digits[1], digits[2], error)
    if lost:
        reason = _lost_reason(lost, readings, volts=volts)
        return PhasesResult(
            replace(judgement, verdict=Verdict.OUTSIDE, margin=Margin.CLEAR, reason=reason), result, lost
        )
    if volts and motor_runs is not False:
        judgement = replace(judgement, reason=f"{judgement.reason} {VOLTS_CANNOT_TELL}")
    return PhasesResult(judgement, result)


def _nothing_flows(values: Sequence[MeasuredValue], lines: Sequence[AccuracyLine], limit_percent: Decimal) -> Judgement:
    volts = values[0].quantity is Quantity.VOLTAGE
    reason = (
        "No line shows volts: the supply is off, or the meter is not on these lines. Prove the meter on a known source."
        if volts
        else "No line carries current that this meter can show: the load does not run, or the clamp is not closed."
    )
    limits = Limits(None, limit_percent, "%", "the limit for unbalance")
    return Judgement(Verdict.NOTHING_FLOWS, None, limits, None, None, None, str(lines[0]), reason)


def _lost_reason(lost: str, readings: Sequence[LineReading], *, volts: bool) -> str:
    shown = ", ".join(f"{'–'.join(reading.lines)} {reading.measured}" for reading in readings)
    if volts:
        return (
            f"{shown}: {lost} is lost. Where the load is off or the meter is on the line side, look for an open fuse, "
            f"breaker pole or joint in {lost} towards the supply."
        )
    return (
        f"{shown}: {lost} carries no current while the other two carry the load. Look for an open fuse, contactor "
        f"pole, lead or winding in {lost}; switch off before the motor overheats."
    )


def judge_unbalance(
    measured_values: Sequence[MeasuredValue],
    limit_percent: Decimal,
    accuracy_lines: Sequence[AccuracyLine] | None = None,
    error: float = 0.0,
) -> Judgement:
    """Judge NEMA's percent of three readings by ``limit_percent`` percent; ``error`` is that of `unbalance`.

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
    result = unbalance(first, second, third, error)
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
