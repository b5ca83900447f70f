"""Unbalance of three line-to-line voltages or three line currents: NEMA's percent and the true unbalance."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from math import hypot, sqrt
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.electrical.lost_phase import VOLTS_CANNOT_TELL, LineReading, lost_line
from meterlink.judge.estimates import (
    Estimate,
    closing_error,
    judge_estimate,
    line_uncertainty,
    repeatability_of,
    round_significant,
)
from meterlink.judge.measured_value import (
    MeasuredValue,
    MeterReading,
    convert_interval,
    format_decimal,
    shows_nothing,
)
from meterlink.judge.uncertainty import COVERAGE_FACTOR, REPEATABILITY_STEPS, AccuracyLine, assumed_accuracy

# Highest accepted percent, by NEMA's definition. Voltage: motors are derated above 1 %, compressor makers commonly
# accept 2 %. Current: 10 %, because a small voltage unbalance makes several times as much current unbalance. Both
# common practice, no source: settings.
DEFAULT_UNBALANCE_LIMIT = {Quantity.VOLTAGE: Decimal(2), Quantity.CURRENT: Decimal(10)}

# How far, in percent of itself, a line may move between two readings taken one after the other. Common practice, no
# source: a supply moves by a volt or so of 240 V within the minute that three readings take, and a motor's current
# follows its volts and its load twice as far. The station cannot know when readings were taken at once.
ASSUMED_WANDER = {Quantity.VOLTAGE: Decimal("0.5"), Quantity.CURRENT: Decimal(1)}  # ±, %
_MOVES = {Quantity.VOLTAGE: "supply", Quantity.CURRENT: "current"}

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
    if not any(squares):  # one reading alone: all of it is unbalance
        return Unbalance(_decimal(mean), _decimal(100 * worst / mean), 100.0)
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


# A 240 V delta with the middle of one winding grounded has 120, 208 and 120 V to its neutral: √3/2 of 240 V on the high
# leg (textbook).
HIGH_LEG = (
    "Two are alike, and the third is √3 of them: so reads a high-leg delta (120, 208, 120 V) to its neutral, and that"
    " says nothing about unbalance. Read line to line."
)
_ALIKE = 0.05  # of the value; a sound supply is unbalanced by less. Common practice, no source


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
    meters: Sequence[str] | None = None,
    *,
    motor_runs: bool | None = None,
    wander_percent: Decimal | None = None,
) -> PhasesResult:
    """Judge three readings of a three-phase circuit: nothing flows, a lost phase, or their unbalance.

    ``limit_percent`` is the highest accepted unbalance. ``accuracy_lines`` and ``meters`` are the accuracy line and the
    name of the meter of each reading; None for the assumed line, and for one meter. ``motor_runs`` says whether a motor
    on these lines runs while volts are read, None if it is not known: then volts cannot tell a lost phase (see
    `lost_phase`). ``wander_percent`` is how far the supply may move between two readings (None: `ASSUMED_WANDER`).

    Raises:
        InputError: the limit is not above zero, a reading is an overload or negative, or the largest exceeds the sum of
            the other two by more than the meter's errors and the wander.
    """
    values = [reading.measured for reading in readings]
    volts = values[0].quantity is Quantity.VOLTAGE
    lines = accuracy_lines or [assumed_accuracy(values[0].quantity)] * len(values)
    own = [MeterReading(*part) for part in zip(values, lines, meters or [""] * len(values), strict=True)]
    if all(shows_nothing(value, line) for value, line in zip(values, lines, strict=True)):
        return PhasesResult(_nothing_flows(values, lines, limit_percent))
    lost = None if volts and motor_runs else lost_line(readings)
    judgement, result = judge_unbalance(own, limit_percent, wander_percent, closed=not lost)
    if lost:
        reason = _lost_reason(lost, readings, volts=volts)
        return PhasesResult(
            replace(judgement, verdict=Verdict.OUTSIDE, margin=Margin.CLEAR, reason=reason), result, lost
        )
    if volts and _reads_as_high_leg(readings):
        judgement = replace(judgement, reason=f"{judgement.reason} {HIGH_LEG}")
    if volts and motor_runs is not False:
        judgement = replace(judgement, reason=f"{judgement.reason} {VOLTS_CANNOT_TELL}")
    return PhasesResult(judgement, result)


def _reads_as_high_leg(readings: Sequence[LineReading]) -> bool:
    """Return whether two volts are alike and the third is √3 of them: a high-leg delta, read to its neutral."""
    low, middle, high = sorted(float(reading.measured.in_unit("V")[0] or 0) for reading in readings)
    return low > 0 and middle <= (1 + _ALIKE) * low and abs(high / (low + middle) * 2 - sqrt(3)) <= _ALIKE * sqrt(3)


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
    readings: Sequence[MeterReading],
    limit_percent: Decimal,
    wander_percent: Decimal | None = None,
    *,
    closed: bool = True,
) -> tuple[Judgement, Unbalance]:
    """Judge NEMA's percent of three readings by ``limit_percent`` percent; return the judgement and the unbalance.

    Its uncertainty is that of `unbalance_uncertainty`. With ``closed`` the three must close a triangle, but for the
    meter's errors and the wander.

    Raises:
        InputError: the limit is not above zero, a reading is an overload, or `unbalance` does not accept the three.
    """
    if limit_percent <= 0:
        raise InputError(
            f"The limit {limit_percent:f} % is not above zero.", "Give the highest accepted unbalance: 2 %."
        )
    quantity = readings[0].measured.quantity
    wander = ASSUMED_WANDER[quantity] if wander_percent is None else wander_percent
    values = _values(readings)
    # A lead that hangs on nothing closes no triangle.
    error = _closing_allowance(readings, wander) if closed else float(sum(values, Decimal(0)))
    result = unbalance(values[0], values[1], values[2], error)
    meter, moving = (unbalance_uncertainty(readings, share) for share in (Decimal(0), wander))
    limits = Limits(None, limit_percent, "%", "the limit for unbalance")
    # Four figures, unless rounding would move a value across the limit.
    displayed = round_significant(float(result.nema_percent))
    if (displayed <= limit_percent) != (result.nema_percent <= limit_percent):
        displayed = result.nema_percent
    moves = f"the {_MOVES[quantity]} may move by ±{format_decimal(wander)} % between two readings"
    remedy = "measure again, more finely"
    if moving**2 > 2 * meter**2:  # the wander is the larger part
        remedy = f"{moves}, so read all three again, one right after the other, and compare"
    text = f"{_accuracy_text(readings)}; {moves}, {'common practice' if wander_percent is None else 'as given'}"
    return judge_estimate(
        limits, displayed, moving, text if wander else _accuracy_text(readings), remedy=remedy
    ), result


def unbalance_uncertainty(readings: Sequence[MeterReading], wander_percent: Decimal) -> float:
    """Return the expanded uncertainty (k = 2) of NEMA's percent of three readings, in percent (JCGM 100, 5.1.2).

    On one range of one meter the gain error cancels in a ratio and the zero error in a difference; the repeatability of
    the display remains. Otherwise nothing cancels. The three are read one after the other: meanwhile the supply moves
    by ± ``wander_percent`` percent of each, a rectangular error of its own in every reading.

    Raises:
        InputError: a reading is an overload.
    """
    values = [float(value) for value in _values(readings)]
    mean = sum(values) / len(values)
    worst = max(range(len(values)), key=lambda i: abs(values[i] - mean))
    # Sensitivities of d = 100·|x_w/m - 1|, where m is the mean of all three.
    slopes = [100 * ((i == worst) / mean - values[worst] / (3 * mean**2)) for i in range(len(values))]
    meter = _meter_uncertainties(readings)
    moves = [Estimate.rectangular(0.0, float(wander_percent) / 100 * value).standard_uncertainty for value in values]
    return COVERAGE_FACTOR * hypot(*(slope * hypot(*both) for slope, *both in zip(slopes, meter, moves, strict=True)))


def _meter_uncertainties(readings: Sequence[MeterReading]) -> list[float]:
    """Return the standard uncertainty that the meter gives each reading, in the unit of the first."""
    shared = all(readings[0].shares_errors_with(reading) for reading in readings)
    uncertainty = repeatability_of if shared else line_uncertainty
    quantity, unit = readings[0].measured.quantity, readings[0].measured.unit
    scale = float(convert_interval(Decimal(1), unit, BASE_UNIT[quantity]))
    return [uncertainty(reading) / scale for reading in readings]


def _closing_allowance(readings: Sequence[MeterReading], wander_percent: Decimal) -> float:
    """Return how far the largest may be above the sum of the other two, in the unit of the first reading."""
    *parts, total = sorted(readings, key=lambda reading: reading.measured.in_unit(readings[0].measured.unit)[0] or 0)
    wander = Estimate.rectangular(0.0, float(wander_percent) / 100).standard_uncertainty
    allowed = Decimal(repr(closing_error(total, parts, wander).expanded_uncertainty))
    return float(convert_interval(allowed, BASE_UNIT[total.measured.quantity], readings[0].measured.unit))


def _values(readings: Sequence[MeterReading]) -> list[Decimal]:
    values = [reading.measured.in_unit(readings[0].measured.unit)[0] for reading in readings]
    if any(value is None for value in values):
        raise InputError("An overload has no value to compare.", "Use a higher range.")
    return [value for value in values if value is not None]


def _accuracy_text(readings: Sequence[MeterReading]) -> str:
    if all(readings[0].shares_errors_with(reading) for reading in readings):
        return f"±{REPEATABILITY_STEPS} digit each, one meter on one range"
    return f"{', '.join(dict.fromkeys(str(reading.line) for reading in readings))}, each by itself"
