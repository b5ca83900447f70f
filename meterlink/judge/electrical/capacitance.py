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

# Largest deviation from a mains frequency that still counts as it: 5 % includes a loaded generator and keeps the two
# frequencies (20 % apart) well separated. Common practice, no source.
_MAINS_TOLERANCE = 0.05

# Hz. Half-width of a public supply whose frequency was not measured: the largest steady deviation European grid
# operators plan for (from memory). A generator is worse: measure its frequency.
ASSUMED_FREQUENCY_HALF_WIDTH = 0.2


def capacitive_reactance(farads: float, hertz: float) -> float:
    """Return the reactance 1/(2πfC) in ohms (textbook).

    Raises:
        InputError: an argument is not above zero.
    """
    return 1 / (2 * pi * _positive(hertz, "frequency", "Hz") * _positive(farads, "capacitance", "F"))


def capacitor_current(farads: float, volts: float, hertz: float) -> float:
    """Return the amps 2πfCV that a capacitor draws at ``volts`` RMS, sine wave (textbook).

    Raises:
        InputError: capacitance or frequency is not above zero.
    """
    return volts / capacitive_reactance(farads, hertz)


def capacitance_under_load(current: Estimate, voltage: Estimate, frequency: Estimate) -> Estimate:
    """Return the capacitance in F of a capacitor at work: C = I / (2πfV) (textbook), in A, V RMS and Hz.

    It is valid for the current in the capacitor's own lead and the volts across its own two terminals, both sine
    waves. The uncertainty is propagated to first order (JCGM 100, 5.1.2).

    Raises:
        InputError: volts or frequency are not above zero, or the current is negative.
    """
    if current.value < 0:
        raise InputError(f"The current {current.value:g} A is negative: amps AC never are.", "Check the reading.")
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


def _positive(value: float, name: str, unit: str) -> float:
    if value <= 0:
        raise InputError(f"A {name} of {value:g} {unit} is not above zero.", "Check the number.")
    return value


def other_mains_frequency(hertz: float) -> float | None:
    """Return the other mains frequency: 50 Hz for about 60 Hz, 60 Hz for about 50 Hz, otherwise None."""
    for mains, other_mains in (MAINS_FREQUENCIES, MAINS_FREQUENCIES[::-1]):
        if abs(hertz - mains) <= mains * _MAINS_TOLERANCE:
            return other_mains
    return None


@dataclass(frozen=True, slots=True)
class UnderLoadResult:
    """A capacitance under load in F, its judgement (None without limits) and warnings about the result.

    ``fits_other_mains_frequency``: it is outside its limits, but would be within them at the other mains frequency.
    """

    capacitance: Estimate
    judgement: Judgement | None
    fits_other_mains_frequency: bool
    warnings: tuple[str, ...]


def judge_under_load(
    current: Estimate, voltage: Estimate, frequency: Estimate, limits: Limits | None, accuracy_text: str
) -> UnderLoadResult:
    """Calculate a capacitance under load and judge it by ``limits`` (None: calculate only).

    ``accuracy_text`` names the accuracy lines behind the three uncertainties. A warning marks a capacitance outside its
    limits that the other mains frequency would bring inside: 50 for 60 Hz looks like a drift of a sixth or a fifth.

    Raises:
        InputError: volts or frequency are not above zero, or the current is negative.
    """
    capacitance = capacitance_under_load(current, voltage, frequency)
    other_mains = other_mains_frequency(frequency.value)
    warnings = []
    if other_mains is None:
        warnings.append(
            f"{frequency.value:g} Hz is not a mains frequency: behind a drive or an inverter the current is not a sine "
            "wave, and this formula is wrong."
        )
    if limits is None:
        return UnderLoadResult(capacitance, None, fits_other_mains_frequency=False, warnings=tuple(warnings))
    digits = _in_unit(capacitance.value, limits.unit)
    expanded = capacitance.expanded_uncertainty / float(convert(Decimal(1), limits.unit, "F"))
    judgement = judge_estimate(limits, digits, expanded, accuracy_text)
    if limits.nominal and digits <= limits.nominal * OPEN_SECTION_FRACTION:
        reason = (
            f"{current.value:g} A is almost zero: this section is open, a lead is off, or the clamp is around "
            "another lead."
        )
        judgement = replace(judgement, verdict=Verdict.OPEN, margin=None, reason=reason)
    fits_other = False
    if judgement.verdict is Verdict.OUTSIDE and other_mains is not None:
        other_digits = _in_unit(capacitance.value * frequency.value / other_mains, limits.unit)
        fits_other = judge_estimate(limits, other_digits, 0.0, accuracy_text).verdict is Verdict.WITHIN
        if fits_other:
            warnings.append(
                f"At {other_mains:g} Hz the same amps and volts make {format_decimal(other_digits)} {limits.unit}, "
                f"within {limits.basis}: check the supply frequency before condemning this part."
            )
    return UnderLoadResult(capacitance, judgement, fits_other, tuple(warnings))


def _in_unit(farads: float, unit: str) -> Decimal:
    return round_significant(farads / float(convert(Decimal(1), unit, "F")))


def parallel_capacitance(capacitances: Sequence[Decimal]) -> Decimal:
    """Return C = C1 + C2 + … (textbook), in the unit of the arguments.

    Raises:
        InputError: there is no capacitance, or one is not above zero.
    """
    return sum(_all_positive(capacitances), Decimal(0))


def series_capacitance(capacitances: Sequence[Decimal]) -> Decimal:
    """Return C of 1/C = 1/C1 + 1/C2 + … (textbook), in the unit of the arguments.

    Exact fractions up to the last division keep the result at or below the smallest of them.

    Raises:
        InputError: there is no capacitance, or one is not above zero.
    """
    total = 1 / sum((1 / Fraction(capacitance) for capacitance in _all_positive(capacitances)), Fraction(0))
    return Decimal(total.numerator) / Decimal(total.denominator)


def _all_positive(capacitances: Sequence[Decimal]) -> Sequence[Decimal]:
    if not capacitances or min(capacitances) <= 0:
        raise InputError("Every capacitance must be above zero.", "Give the value printed on each: 40uF 5uF.")
    return capacitances
