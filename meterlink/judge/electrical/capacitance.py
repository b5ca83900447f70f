"""Capacitance under load, reactance, and capacitors in series and in parallel."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from math import hypot, pi

from meterlink.core.errors import InputError
from meterlink.core.units import convert
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.judge.estimates import Estimate, judge_estimate, round_significant
from meterlink.judge.judging import OPEN_SECTION_FRACTION, format_decimal

MAINS_FREQUENCIES = (50.0, 60.0)  # Hz, the world's two public supply frequencies

# How far from its nominal a supply may read and still be that supply: 5 % takes in a loaded generator and keeps the
# two (20 % apart) well separated. Common practice, no source.
_MAINS_TOLERANCE = 0.05

# What the public supply is trusted to where nobody measured it: ± 0.2 Hz, the largest steady deviation European grid
# operators plan for (from memory). A generator is worse: measure its frequency.
ASSUMED_FREQUENCY_HALF_WIDTH = 0.2


def capacitive_reactance(farads: float, hertz: float) -> float:
    """Return the reactance 1/(2πfC) in ohms (textbook). Both arguments above zero."""
    return 1 / (2 * pi * _positive(hertz, "frequency", "Hz") * _positive(farads, "capacitance", "F"))


def capacitor_current(farads: float, volts: float, hertz: float) -> float:
    """Return the amps 2πfCV that a capacitor draws at ``volts`` RMS, sine wave (textbook)."""
    return volts / capacitive_reactance(farads, hertz)


def capacitance_under_load(current: Estimate, voltage: Estimate, frequency: Estimate) -> Estimate:
    """Return the capacitance in F of a capacitor at work: C = I / (2πfV) (textbook), in A, V RMS and Hz.

    Only true for the current in that capacitor's own lead and the volts across its own two terminals, both sine
    waves. The uncertainty is propagated to first order (JCGM 100, 5.1.2). InputError unless volts and frequency are
    above zero and the current is not below.
    """
    if current.value < 0:
        raise InputError(f"A current of {current.value:g} A cannot be: amps AC are never negative.", "Check it.")
    per_amp = 1 / (2 * pi * _positive(frequency.value, "frequency", "Hz") * _positive(voltage.value, "voltage", "V"))
    farads = current.value * per_amp
    return Estimate(
        farads,
        hypot(
            current.standard_uncertainty * per_amp,
            farads * voltage.standard_uncertainty / voltage.value,
            farads * frequency.standard_uncertainty / frequency.value,
        ),
    )


def _positive(value: float, what: str, unit: str) -> float:
    if value <= 0:
        raise InputError(f"A {what} of {value:g} {unit} cannot be used: it must be above zero.", "Check the number.")
    return value


def other_mains_frequency(hertz: float) -> float | None:
    """Return the mains frequency that ``hertz`` may have been mistaken for: 50 for about 60 and 60 for about 50."""
    for mine, other in (MAINS_FREQUENCIES, MAINS_FREQUENCIES[::-1]):
        if abs(hertz - mine) <= mine * _MAINS_TOLERANCE:
            return other
    return None


@dataclass(frozen=True, slots=True)
class UnderLoadResult:
    """A capacitance under load in F, what it was judged (None without a rating), and what may explain it."""

    capacitance: Estimate
    judgement: Judgement | None
    fits_other_mains_frequency: bool
    warnings: tuple[str, ...]


def judge_under_load(
    current: Estimate, voltage: Estimate, frequency: Estimate, limits: Limits | None, accuracy_text: str
) -> UnderLoadResult:
    """Work out a capacitance under load and hold it against ``limits`` (None: only work it out).

    ``accuracy`` says in words what the three uncertainties rest on. A capacitance outside its limits that the other
    mains frequency would bring inside is warned about: 50 against 60 Hz looks like a drift of a sixth or a fifth.
    """
    capacitance = capacitance_under_load(current, voltage, frequency)
    other = other_mains_frequency(frequency.value)
    warnings = []
    if other is None:
        warnings.append(
            f"{frequency.value:g} Hz is no mains frequency: behind a drive or an inverter the current is no sine "
            "wave, and this formula does not hold."
        )
    if limits is None:
        return UnderLoadResult(capacitance, None, fits_other_mains_frequency=False, warnings=tuple(warnings))
    digits = _in_unit(capacitance.value, limits.unit)
    expanded = capacitance.expanded_uncertainty / float(convert(Decimal(1), limits.unit, "F"))
    judgement = judge_estimate(limits, digits, expanded, accuracy_text)
    if limits.nominal and digits <= limits.nominal * OPEN_SECTION_FRACTION:
        reason = (
            f"{current.value:g} A is next to nothing: this section is open, a lead is off, or the clamp is around "
            "another lead."
        )
        judgement = replace(judgement, verdict=Verdict.OPEN, reason=reason)
    mixed_up = False
    if judgement.verdict is Verdict.OUTSIDE and other is not None:
        instead = _in_unit(capacitance.value * frequency.value / other, limits.unit)
        mixed_up = judge_estimate(limits, instead, 0.0, accuracy_text).verdict is Verdict.WITHIN
        if mixed_up:
            warnings.append(
                f"At {other:g} Hz the same amps and volts make {format_decimal(instead)} {limits.unit}, within "
                f"{limits.basis}: make sure of the supply frequency before condemning this part."
            )
    return UnderLoadResult(capacitance, judgement, mixed_up, tuple(warnings))


def _in_unit(farads: float, unit: str) -> Decimal:
    return round_significant(farads / float(convert(Decimal(1), unit, "F")))


def parallel_capacitance(capacitances: Sequence[Decimal]) -> Decimal:
    """Return C = C1 + C2 + … (textbook), in the unit of the arguments; all must be above zero."""
    return sum(_all_positive(capacitances), Decimal(0))


def series_capacitance(capacitances: Sequence[Decimal]) -> Decimal:
    """Return 1/C = 1/C1 + 1/C2 + … (textbook), in the unit of the arguments; all must be above zero.

    Exact fractions up to the last division, so the result is never above the smallest of them.
    """
    total = 1 / sum((1 / Fraction(each) for each in _all_positive(capacitances)), Fraction(0))
    return Decimal(total.numerator) / Decimal(total.denominator)


def _all_positive(capacitances: Sequence[Decimal]) -> Sequence[Decimal]:
    if not capacitances or min(capacitances) <= 0:
        raise InputError("Every capacitance must be above zero.", "Give what is printed on each: 40uF 5uF.")
    return capacitances
