"""Values calculated from several readings: their uncertainty and their judgement.

No display shows a capacitance from amps and volts, or a difference of two temperatures. Its uncertainty is propagated
from the readings (JCGM 100, 5.1.2). Those of one meter on one range share its gain and zero error (5.2.2): see
`closing_error` for a sum of three, `repeatability_uncertainty` for a difference of two readings taken in one go, and
`meterlink.judge.repeats` for readings of the same part taken at different times.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import hypot, sqrt

from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.judging import MeasuredValue, format_decimal
from meterlink.judge.measured_value import MeterReading, convert_interval, format_figures
from meterlink.judge.uncertainty import COVERAGE_FACTOR, REPEATABILITY_STEPS, AccuracyLine, assumed_accuracy

# A calculated value is judged in the digits that are shown. A good handheld meter has four.
SIGNIFICANT_FIGURES = 4


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its standard uncertainty, both in the same unit."""

    value: float
    standard_uncertainty: float = 0.0

    @classmethod
    def rectangular(cls, value: float, *half_widths: float) -> "Estimate":
        """Return ``value`` with independent rectangular errors of ± ``half_widths``, in its unit (JCGM 100, 4.3.7)."""
        return cls(value, hypot(*half_widths) / sqrt(3))

    @classmethod
    def from_measured_value(cls, measured: MeasuredValue, line: AccuracyLine | None = None) -> "Estimate | None":
        """Return a measured value in the base unit of its quantity; None for an overload.

        Its errors are the accuracy line (None: the assumed line) and half a display step, both rectangular.
        """
        unit = BASE_UNIT[measured.quantity]
        digits, step = measured.in_unit(unit)
        if digits is None or measured.digits is None:
            return None
        line = line or assumed_accuracy(measured.quantity)
        half_width = line.half_width(measured.digits, measured.resolution, measured.unit)
        half_width = convert_interval(half_width, measured.unit, unit)
        return cls.rectangular(float(digits), float(half_width), float(step) / 2)

    @property
    def expanded_uncertainty(self) -> float:
        """Two standard uncertainties: the half-width of the interval that holds the true value with about 95 %."""
        return COVERAGE_FACTOR * self.standard_uncertainty


def closing_error(total: MeterReading, parts: Sequence[MeterReading], wander: float = 0.0) -> Estimate:
    """Return a reading minus the sum of two others that should make it up, in the base unit of their quantity.

    This is the one source of that uncertainty: for windings (R–S is C–S + C–R), three line-to-line voltages and three
    line currents. On one range of one meter the gain error applies to the difference alone, and of the three zero
    errors 1 - 1 - 1 = -1 remains; the repeatability of the display is that of each reading (JCGM 100, 5.2.2). Readings
    of several meters or ranges are independent. ``wander`` is the standard uncertainty, as a share of each reading, of
    a quantity that moves between the readings.

    Raises:
        InputError: a reading is an overload.
    """
    readings = (total, *parts)
    error = _base_digits(total) - sum(map(_base_digits, parts), Decimal(0))
    moving = [wander * float(_base_digits(reading)) for reading in readings]
    if not all(total.shares_errors_with(part) for part in parts):
        return Estimate(float(error), hypot(*(line_uncertainty(reading) for reading in readings), *moving))
    gain, zero = abs(error) * total.line.percent / 100, total.line.digits * total.step
    shared = Estimate.rectangular(0.0, float(gain), float(zero)).standard_uncertainty
    own = [repeatability_uncertainty(reading.step) for reading in readings]
    return Estimate(float(error), hypot(shared, *own, *moving))


def difference_uncertainty(first: MeterReading, second: MeterReading) -> float:
    """Return the standard uncertainty of the difference of two readings of two parts, in the base unit.

    On one range of one meter the repeatability of the display remains, otherwise both accuracy lines count.

    Raises:
        InputError: a reading is an overload.
    """
    uncertainty = repeatability_of if first.shares_errors_with(second) else line_uncertainty
    return hypot(*map(uncertainty, (first, second)))


def _base_digits(reading: MeterReading) -> Decimal:
    digits, _ = reading.measured.in_unit(BASE_UNIT[reading.measured.quantity])
    if digits is None:
        raise InputError("An overload has no value to compare.", "Use a higher range.")
    return digits


def line_uncertainty(reading: MeterReading) -> float:
    """Return the standard uncertainty of a reading by its accuracy line, in the base unit of its quantity.

    Raises:
        InputError: it is an overload.
    """
    _base_digits(reading)
    estimate = Estimate.from_measured_value(reading.measured, reading.line)
    return estimate.standard_uncertainty if estimate else 0.0


def repeatability_of(reading: MeterReading) -> float:
    """Return the `repeatability_uncertainty` of a reading, in the base unit of its quantity."""
    return repeatability_uncertainty(reading.step)


def repeatability_uncertainty(resolution: Decimal) -> float:
    """Return the standard uncertainty between readings on one range in one go, in the unit of ``resolution``."""
    return Estimate.rectangular(
        0.0, REPEATABILITY_STEPS * float(resolution), float(resolution) / 2
    ).standard_uncertainty


def round_significant(value: float, figures: int = SIGNIFICANT_FIGURES) -> Decimal:
    """Return ``value`` rounded to so many significant figures: 45.0222 → 45.02."""
    return Decimal(f"{value:.{figures - 1}e}")


def judge_estimate(
    limits: Limits,
    digits: Decimal,
    uncertainty: float,
    accuracy_text: str,
    *,
    remedy: str = "measure again, more finely",
    shown: Limits | None = None,
) -> Judgement:
    """Judge a calculated value by simple acceptance (JCGM 106, 8.2): the digits decide, the boundary is within.

    ``digits`` and the expanded ``uncertainty`` are in ``limits.unit``. ``accuracy_text`` names the source of the
    uncertainty: the accuracy lines of the readings. ``remedy`` says how to settle a close call. A difference of
    temperatures is decided by ``limits`` and shown with ``shown``, the same limits in the unit of the readings.
    """
    rounded_uncertainty = round_significant(uncertainty, 6)
    below = limits.low is not None and digits < limits.low
    above = limits.high is not None and digits > limits.high
    nearest = min((abs(digits - edge) for edge in (limits.low, limits.high) if edge is not None), default=None)
    close = nearest is not None and nearest <= rounded_uncertainty
    deviation = (digits - limits.nominal) / limits.nominal * 100 if limits.nominal else None
    if shown is not None:
        digits, rounded_uncertainty = (
            convert_interval(number, limits.unit, shown.unit) for number in (digits, rounded_uncertainty)
        )
        limits = shown
    value_text = f"{digits:f} {limits.unit}"
    if below and limits.low is not None:
        reason = f"{value_text} is below the low limit of {format_decimal(limits.low)} {limits.unit}"
    elif above and limits.high is not None:
        reason = f"{value_text} is above the high limit of {format_decimal(limits.high)} {limits.unit}"
    else:
        reason = f"{value_text} is within {limits.basis}"
    if close:
        reason += f", but uncertain by ± {format_figures(rounded_uncertainty, 2)} {limits.unit}: {remedy}"
    return Judgement(
        Verdict.OUTSIDE if below or above else Verdict.WITHIN,
        Margin.CLOSE_CALL if close else Margin.CLEAR,
        limits,
        digits,
        deviation,
        rounded_uncertainty,
        accuracy_text,
        f"{reason}.",
    )
