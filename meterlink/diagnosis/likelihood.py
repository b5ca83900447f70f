"""Compare two values, and weigh how much better one explanation fits a reading than another.

Weights of evidence are half-powers of ten of a likelihood ratio: 1 is about 3 to 1, 2 is 10 to 1, 4 is 100 to 1. This
is the weight of evidence of I. J. Good (Probability and the Weighing of Evidence, 1950, from memory). The weights of
independent readings add up.
"""

from math import exp, floor, hypot, log10, pi, sqrt

from meterlink.core.units import to_base
from meterlink.core.verdicts import Limits
from meterlink.diagnosis.observations import Observation
from meterlink.judge.estimates import Estimate
from meterlink.judge.repeats import returns_agree
from meterlink.judge.uncertainty import COVERAGE_FACTOR

# The assumed spread of faulty sections, as shares of the rated value. Of low ones, half are near the limit
# (exponential, scale 0.15) and half are anywhere down to zero. Of high ones, nine in ten are near the limit (same
# scale), and the rest are within the next twenty times the rating. Common practice, no source: the spread sets only the
# weight of a coincidence.
_NEAR_LIMIT_SCALE = 0.15
_HIGH_SIDE_SPAN = 20.0

# One coincidence of numbers weighs 100 to 1 at most: the spread above is no better known.
_MAX_WEIGHT = 4


def agree(first: Estimate, second: Estimate) -> bool:
    """Return whether two independent values agree within their combined expanded uncertainty (k = 2, JCGM 100, 6.3.3).

    Both are in the same unit.
    """
    return abs(first.value - second.value) <= COVERAGE_FACTOR * hypot(
        first.standard_uncertainty, second.standard_uncertainty
    )


def readings_agree(first: Observation, second: Observation) -> bool | None:
    """Return whether two readings at one test point agree.

    None: only one of them is an overload, or their quantities differ. The gain error of one meter is in both readings
    and cancels; for two meters both accuracy lines count.
    """
    if first.measured.quantity is not second.measured.quantity:
        return None
    first_estimate, second_estimate = first.estimate, second.estimate
    if first_estimate is None or second_estimate is None:
        return True if first_estimate is second_estimate else None
    return returns_agree(first.meter_reading, second.meter_reading)


def rated_estimate(limits: Limits) -> Estimate | None:
    """Return the value of a sound part with these limits, in the base unit: uniform between them.

    None where a limit is missing.
    """
    if limits.low is None or limits.high is None:
        return None
    low, high = (float(to_base(edge, limits.unit)) for edge in (limits.low, limits.high))
    return Estimate.rectangular((low + high) / 2, (high - low) / 2)


def series_estimate(first: Estimate, second: Estimate) -> Estimate:
    """Return C1·C2/(C1 + C2), two capacitances in series (textbook), with its uncertainty (JCGM 100, 5.1.2).

    All three are in farads.
    """
    total = first.value + second.value
    return Estimate(
        first.value * second.value / total,
        hypot(
            (second.value / total) ** 2 * first.standard_uncertainty,
            (first.value / total) ** 2 * second.standard_uncertainty,
        ),
    )


def likelihood_weight(reading: Estimate, expected: Estimate, limits: Limits) -> int | None:
    """Return how much better ``expected`` explains ``reading`` than a faulty part out of ``limits`` does.

    The result is a weight in half-powers of ten, 0 to 4. It is None where the reading disagrees with ``expected`` or is
    within the limits, or where the limits are incomplete. ``reading`` and ``expected`` are in the base unit. The weight
    compares two densities at the reading: a normal distribution about ``expected`` with both uncertainties combined,
    and the spread of faulty parts.
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
    return coincidence_weight(expected_density, faulty_part_density(x, low, high)) or 0


def coincidence_weight(expected_density: float, rival_density: float) -> int | None:
    """Return the weight (0 to 4) of a coincidence of numbers from two densities at a reading, in one unit.

    It is None where ``rival_density`` is the higher one, and 4 where it is 0.
    """
    if expected_density < rival_density or not expected_density:
        return None
    return min(_MAX_WEIGHT, floor(2 * log10(expected_density / rival_density))) if rival_density else _MAX_WEIGHT


def faulty_part_density(x: float, low: float, high: float) -> float:
    """Return the density of faulty sections at ``x``, outside the limits ``low`` and ``high``.

    All are shares of the rated value. Each side is a probability density by itself: it integrates to 1 from 0 to
    ``low``, and from ``high`` upwards.
    """
    if x < low:
        return 0.5 / low + 0.5 * exp((x - low) / _NEAR_LIMIT_SCALE) / (
            _NEAR_LIMIT_SCALE * (1 - exp(-low / _NEAR_LIMIT_SCALE))
        )
    return 0.9 * exp((high - x) / _NEAR_LIMIT_SCALE) / _NEAR_LIMIT_SCALE + 0.1 / _HIGH_SIDE_SPAN


def odds_text(weight: int) -> str:
    """Return a weight (0 to 4, half-powers of ten) as odds: ``about 30 to 1``."""
    return f"about {(1, 3, 10, 30, 100)[min(weight, _MAX_WEIGHT)]} to 1"
