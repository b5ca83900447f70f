"""Values calculated from several readings: their uncertainty and their judgement.

No display shows a capacitance from amps and volts, or a difference of two temperatures. Its uncertainty is propagated
from the readings, taken as independent (JCGM 100, 5.1.2).
"""

from dataclasses import dataclass
from decimal import Decimal
from math import hypot, sqrt

from meterlink.core.units import BASE_UNIT, convert
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.judging import MeasuredValue, format_decimal
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy

# Coverage factor for about 95 % of a normal distribution (JCGM 100, 6.3.3). Where one rectangular reading dominates,
# 1.65 is enough (EA-4/02, S9); 2 then overstates the uncertainty, which adds close calls and hides none.
COVERAGE_FACTOR = 2.0

# Two readings of one meter on one range share its gain and zero error. The repeatability of the display, one step,
# and its rounding remain. Common practice, no source.
REPEATABILITY_STEPS = 1  # display steps

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
        # The line applies to the displayed value: 1 % of 75 °F is not 1 % of 23.9 °C.
        scale = convert(Decimal(1), measured.unit, unit) - convert(Decimal(0), measured.unit, unit)
        half_width = line.half_width(measured.digits, measured.resolution) * scale
        return cls.rectangular(float(digits), float(half_width), float(step) / 2)

    @property
    def expanded_uncertainty(self) -> float:
        """Two standard uncertainties: the half-width of the interval that holds the true value with about 95 %."""
        return COVERAGE_FACTOR * self.standard_uncertainty


def repeatability_uncertainty(resolution: Decimal) -> float:
    """Return the standard uncertainty between readings of one part on one range, in the unit of ``resolution``."""
    return Estimate.rectangular(
        0.0, REPEATABILITY_STEPS * float(resolution), float(resolution) / 2
    ).standard_uncertainty


def round_significant(value: float, figures: int = SIGNIFICANT_FIGURES) -> Decimal:
    """Return ``value`` rounded to so many significant figures: 45.0222 → 45.02."""
    return Decimal(f"{value:.{figures - 1}e}")


def judge_estimate(limits: Limits, digits: Decimal, uncertainty: float, accuracy_text: str) -> Judgement:
    """Judge a calculated value by simple acceptance (JCGM 106, 8.2): the digits decide, the boundary is within.

    ``digits`` and the expanded ``uncertainty`` are in ``limits.unit``. ``accuracy_text`` names the source of the
    uncertainty: the accuracy lines of the readings.
    """
    value_text = f"{digits:f} {limits.unit}"
    rounded_uncertainty = round_significant(uncertainty, 6)
    verdict = Verdict.OUTSIDE
    if limits.low is not None and digits < limits.low:
        reason = f"{value_text} is below the low limit of {format_decimal(limits.low)} {limits.unit}"
    elif limits.high is not None and digits > limits.high:
        reason = f"{value_text} is above the high limit of {format_decimal(limits.high)} {limits.unit}"
    else:
        verdict, reason = Verdict.WITHIN, f"{value_text} is within {limits.basis}"
    nearest = min((abs(digits - edge) for edge in (limits.low, limits.high) if edge is not None), default=None)
    close = nearest is not None and nearest <= rounded_uncertainty
    if close:
        reason += f", but uncertain by ± {rounded_uncertainty:.2g} {limits.unit}: measure again, more finely"
    return Judgement(
        verdict,
        Margin.CLOSE_CALL if close else Margin.CLEAR,
        limits,
        digits,
        (digits - limits.nominal) / limits.nominal * 100 if limits.nominal else None,
        rounded_uncertainty,
        accuracy_text,
        f"{reason}.",
    )
