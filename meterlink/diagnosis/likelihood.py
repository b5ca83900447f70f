"""Whether two values agree, and how much better one explanation fits a reading than another.

Evidence is weighed in half-powers of ten of a likelihood ratio: 1 is about 3 to 1, 2 is 10 to 1, 4 is 100 to 1. That
is the weight of evidence of I. J. Good (Probability and the Weighing of Evidence, 1950, from memory), which adds up
for readings that are independent of each other.
"""

from math import exp, floor, hypot, log10, pi, sqrt

from meterlink.core.units import BASE_UNIT, to_base
from meterlink.core.verdicts import Limits
from meterlink.diagnosis.observations import Observation
from meterlink.judge.estimates import COVERAGE_FACTOR, Estimate

# Two readings with one meter share its gain error; between them is what a display and a fresh contact repeat to: its
# digits and 1 % of the reading. Common practice, no source.
_REPEATABILITY = 0.01

# How weak sections are spread: half of them within some 15 % of the rated value below the limit (exponential), the
# other half anywhere down to nothing; of high ones, nine in ten so close above the limit, the rest over the next
# twenty times the rating. Common practice, no source: it decides only how telling a coincidence is.
_NEAR_LIMIT_SCALE = 0.15
_HIGH_SIDE_SPAN = 20.0

# A single coincidence of numbers is trusted to 100 to 1 at most: the model of drift is no better than that.
_MAX_WEIGHT = 4


def agree(first: Estimate, second: Estimate) -> bool:
    """Say whether two independent values differ by no more than their expanded uncertainty (k = 2, JCGM 100, 6.3.3)."""
    return abs(first.value - second.value) <= COVERAGE_FACTOR * hypot(
        first.standard_uncertainty, second.standard_uncertainty
    )


def readings_agree(first: Observation, second: Observation) -> bool | None:
    """Say whether two readings at one place agree; None where only one of them is an overload.

    With one meter its gain error is in both and cancels; with two meters both accuracy lines count.
    """
    if first.measured.quantity is not second.measured.quantity:
        return None
    one, other = first.estimate, second.estimate
    if one is None or other is None:
        return True if one is other else None
    if first.meter == second.meter:
        one, other = _repeatability_estimate(first, one), _repeatability_estimate(second, other)
    return agree(one, other)


def _repeatability_estimate(observation: Observation, estimate: Estimate) -> Estimate:
    _, step = observation.measured.in_unit(BASE_UNIT[observation.measured.quantity])
    digits = float(observation.accuracy.digits * step)
    return Estimate.rectangular(estimate.value, abs(estimate.value) * _REPEATABILITY, digits, float(step) / 2)


def rated_estimate(limits: Limits) -> Estimate | None:
    """Return what a sound part of this rating may be, in farads or ohms: anything between its limits, alike likely."""
    if limits.low is None or limits.high is None:
        return None
    low, high = (float(to_base(edge, limits.unit)) for edge in (limits.low, limits.high))
    return Estimate.rectangular((low + high) / 2, (high - low) / 2)


def series_estimate(first: Estimate, second: Estimate) -> Estimate:
    """Return C1·C2/(C1 + C2), two capacitances in series (textbook), with its uncertainty (JCGM 100, 5.1.2)."""
    total = first.value + second.value
    return Estimate(
        first.value * second.value / total,
        hypot(
            (second.value / total) ** 2 * first.standard_uncertainty,
            (first.value / total) ** 2 * second.standard_uncertainty,
        ),
    )


def likelihood_weight(reading: Estimate, expected: Estimate, limits: Limits) -> int | None:
    """Return how much better ``expected`` explains ``reading`` than a part out of ``limits`` that is just bad.

    A weight in half-powers of ten, 0 to 4; None where the reading does not agree with ``expected`` at all or lies
    within the limits. The density of the reading under a normal distribution about ``expected`` (both uncertainties
    combined) is divided by its density under the spread of bad parts.
    """
    sound = rated_estimate(limits)
    nominal = limits.nominal
    if sound is None or not nominal or not agree(reading, expected):
        return None
    rated = float(to_base(nominal, limits.unit))
    low, high = (float(edge / nominal) for edge in (limits.low or nominal, limits.high or nominal))
    x, u = reading.value / rated, hypot(reading.standard_uncertainty, expected.standard_uncertainty) / rated
    if low <= x <= high:
        return None
    expected_density = exp(-(((reading.value - expected.value) / rated / u) ** 2) / 2) / (u * sqrt(2 * pi))
    return max(0, min(_MAX_WEIGHT, floor(2 * log10(expected_density / faulty_part_density(x, low, high)))))


def faulty_part_density(x: float, low: float, high: float) -> float:
    """Return how densely sections out of ``low`` to ``high`` are spread at ``x``, all as shares of the rated value.

    Each side by itself is a probability density: it integrates to 1 from 0 to ``low``, and from ``high`` upwards.
    """
    if x < low:
        return 0.5 / low + 0.5 * exp((x - low) / _NEAR_LIMIT_SCALE) / (
            _NEAR_LIMIT_SCALE * (1 - exp(-low / _NEAR_LIMIT_SCALE))
        )
    return 0.9 * exp((high - x) / _NEAR_LIMIT_SCALE) / _NEAR_LIMIT_SCALE + 0.1 / _HIGH_SIDE_SPAN


def odds_text(weight: int) -> str:
    """Return a weight as odds: ``about 30 to 1``."""
    return f"about {(1, 3, 10, 30, 100)[min(weight, _MAX_WEIGHT)]} to 1"
