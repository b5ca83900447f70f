"""Values worked out from readings: how sure they are, and on which side of a limit they lie.

A capacitance from amps and volts or a difference of two temperatures is on no display, so its doubt is propagated
from the readings by the law of propagation of uncertainty (JCGM 100, 5.1.2), the readings taken as independent.
"""

from dataclasses import dataclass
from decimal import Decimal
from math import hypot, sqrt

from meterlink.core.units import BASE_UNIT, convert
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.judging import MeasuredValue, format_decimal
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy

# Coverage factor for about 95 % of a normal distribution (JCGM 100, 6.3.3). Where one rectangular reading dominates,
# 1.65 would do (EA-4/02, S9); 2 then overstates the doubt, which makes a close call, never hides one.
COVERAGE_FACTOR = 2.0

# Two readings of one meter on one range share its gain and zero error; what is left between them is what a display
# repeats to, one step, and its rounding. Common practice, no source.
REPEATABILITY_STEPS = 1  # display steps

# A worked-out value is judged in the digits it is shown with. Four figures is what a good handheld meter has.
SIGNIFICANT_FIGURES = 4


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its standard uncertainty ``u``, both in the same unit."""

    value: float
    standard_uncertainty: float = 0.0

    @classmethod
    def rectangular(cls, value: float, *half_widths: float) -> "Estimate":
        """Return a value known to ± each of ``half_widths``, each with a rectangular distribution (JCGM 100, 4.3.7)."""
        return cls(value, hypot(*half_widths) / sqrt(3))

    @classmethod
    def from_measured_value(cls, measured: MeasuredValue, line: AccuracyLine | None = None) -> "Estimate | None":
        """Return what a meter showed, in the base unit of its quantity; None for an overload.

        Two rectangular contributions: the accuracy line (the assumed one where None) and half a display step.
        """
        unit = BASE_UNIT[measured.quantity]
        digits, step = measured.in_unit(unit)
        if digits is None or measured.digits is None:
            return None
        line = line or assumed_accuracy(measured.quantity)
        # The line is of what is displayed: 1 % of 75 °F is not 1 % of 23.9 °C.
        scale = convert(Decimal(1), measured.unit, unit) - convert(Decimal(0), measured.unit, unit)
        half_width = line.half_width(measured.digits, measured.resolution) * scale
        return cls.rectangular(float(digits), float(half_width), float(step) / 2)

    @property
    def expanded_uncertainty(self) -> float:
        """The half-width of the interval that holds the true value with about 95 %: two standard uncertainties."""
        return COVERAGE_FACTOR * self.standard_uncertainty


def repeatability_uncertainty(resolution: Decimal) -> float:
    """Return the standard uncertainty of reading the same thing again on the same range, in the unit of ``step``."""
    return Estimate.rectangular(
        0.0, REPEATABILITY_STEPS * float(resolution), float(resolution) / 2
    ).standard_uncertainty


def round_significant(value: float, figures: int = SIGNIFICANT_FIGURES) -> Decimal:
    """Return ``value`` as a display of so many figures shows it: 45.0222 → 45.02."""
    return Decimal(f"{value:.{figures - 1}e}")


def judge_estimate(limits: Limits, digits: Decimal, uncertainty: float, accuracy_text: str) -> Judgement:
    """Judge a worked-out value by simple acceptance (JCGM 106, 8.2): the digits decide, the boundary is within.

    ``digits`` and the expanded ``uncertainty`` are in ``limits.unit``; ``accuracy`` says in words what it rests on.
    """
    shown = f"{digits:f} {limits.unit}"
    doubt = round_significant(uncertainty, 6)
    verdict = Verdict.OUTSIDE
    if limits.low is not None and digits < limits.low:
        reason = f"{shown} is below the low limit of {format_decimal(limits.low)} {limits.unit}"
    elif limits.high is not None and digits > limits.high:
        reason = f"{shown} is above the high limit of {format_decimal(limits.high)} {limits.unit}"
    else:
        verdict, reason = Verdict.WITHIN, f"{shown} is within {limits.basis}"
    nearest = min((abs(digits - edge) for edge in (limits.low, limits.high) if edge is not None), default=None)
    close = nearest is not None and nearest <= doubt
    if close:
        reason += f", but it is only known to ± {doubt:.2g} {limits.unit}: measure again, more finely"
    return Judgement(
        verdict,
        Margin.CLOSE_CALL if close else Margin.CLEAR,
        limits,
        digits,
        (digits - limits.nominal) / limits.nominal * 100 if limits.nominal else None,
        doubt,
        accuracy_text,
        f"{reason}.",
    )
