"""The probability that a part conforms, and the risks of a decision rule: JCGM 106.

*Specific* means the one part just measured. *Global* means all parts of a kind that will be measured; it needs the
distribution of their values. Clause numbers of JCGM 106 are from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError
from meterlink.judge.uncertainty import Distribution

if TYPE_CHECKING:
    from statistics import NormalDist  # costs 3 ms, and only its users bring one

# Standard deviations at which an integral over a normal density stops: 1e-19 of it lies beyond.
_TAIL = 9.0
# Steps of Simpson's rule between two bends of an integrand: an error of 1e-8 of each piece, checked by quadrature.
_STEPS = 400


def conformance_probability(error: Distribution, value: float, low: float | None, high: float | None) -> float:
    """Return the probability (0 to 1) that the true value lies within the limits; None is no limit on that side.

    JCGM 106, clause 7: the true value is distributed about the measured ``value`` as ``error`` is about zero, without
    prior knowledge of the part. All arguments are in one unit.
    """
    bottom, top = (-inf if low is None else low), (inf if high is None else high)
    beyond_low, beyond_high = error.cdf(bottom - value), error.cdf(value - top)
    # Calculated from the nearer tail, so that a probability near 0 keeps its digits.
    if beyond_low > 0.5:
        return max(error.cdf(value - bottom) - beyond_high, 0.0)
    if beyond_high > 0.5:
        return max(error.cdf(top - value) - beyond_low, 0.0)
    return max(1 - beyond_low - beyond_high, 0.0)


def risk_at_guard_band(error: Distribution, guard_band: float) -> float:
    """Return the largest probability (0 to 1) that a value accepted with this guard band is out of limits.

    This is the probability at the acceptance limit (JCGM 106, 8.3.2; ILAC-G8:09/2019), with the other limit far away.
    ``guard_band`` is in the error's unit.
    """
    return error.cdf(-guard_band)


def guard_band_for_risk(error: Distribution, risk: float) -> float:
    """Return the guard band, in the error's unit, at which `risk_at_guard_band` is ``risk``; 0 for half or more.

    Raises:
        InputError: ``risk`` is not above 0 and below 1.
    """
    if not 0 < risk < 1:
        raise InputError(f"A risk of {100 * risk:g} % cannot be kept.", "Give one above 0 and below 100 %.")
    return error.half_width(1 - 2 * risk) if risk < 0.5 else 0.0


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """Shares of all parts measured, each 0 to 1 (JCGM 106, 9.5).

    ``nonconforming``: out of limits. ``consumers_risk``: out of limits but accepted. ``producers_risk``: within limits
    but rejected.
    """

    nonconforming: float
    consumers_risk: float
    producers_risk: float


def global_risks(
    part_distribution: "NormalDist",
    error_distribution: "NormalDist",
    low: float | None,
    high: float | None,
    guard_band: float = 0.0,
) -> GlobalRisks:
    """Return the risks of accepting readings within the limits, each limit moved inwards by ``guard_band``.

    Parts are distributed as ``part_distribution``. A reading is the part's value plus an error distributed as
    ``error_distribution``, whose mean is an uncorrected bias. JCGM 106, 9.5, integrated piecewise by Simpson's rule. A
    negative guard band widens the limits: guarded rejection. All arguments are in one unit.

    Raises:
        InputError: a standard deviation is not above zero, or the low limit is above the high one.
    """
    if part_distribution.stdev <= 0 or error_distribution.stdev <= 0:
        raise InputError("A risk needs parts that scatter and a meter that errs.", "Give both above zero.")
    bottom, top = (-inf if low is None else low), (inf if high is None else high)
    if bottom > top:
        raise InputError(f"The low limit {low:g} is above the high limit {high:g}.", "Swap them.")
    accept_low, accept_high = bottom + guard_band, top - guard_band

    def accepted(value: float) -> float:
        if accept_low >= accept_high:
            return 0.0
        return error_distribution.cdf(accept_high - value) - error_distribution.cdf(accept_low - value)

    def passing(value: float) -> float:
        return part_distribution.pdf(value) * accepted(value)

    def failing(value: float) -> float:
        return part_distribution.pdf(value) * (1 - accepted(value))

    # The integrand bends at the limits, and within a few standard deviations of the error around an acceptance limit.
    reach = _TAIL * error_distribution.stdev
    bends = [bottom, top]
    for edge in (accept_low, accept_high):
        bends += [
            edge - error_distribution.mean - reach,
            edge - error_distribution.mean,
            edge - error_distribution.mean + reach,
        ]
    left, right = (
        part_distribution.mean - _TAIL * part_distribution.stdev,
        part_distribution.mean + _TAIL * part_distribution.stdev,
    )
    marks = sorted({left, right, part_distribution.mean, *(bend for bend in bends if left < bend < right)})
    consumer = producer = 0.0
    for start, end in pairwise(marks):
        middle = (start + end) / 2
        if bottom <= middle <= top:
            producer += _integral(failing, start, end)
        else:
            consumer += _integral(passing, start, end)
    return GlobalRisks(part_distribution.cdf(bottom) + 1 - part_distribution.cdf(top), consumer, producer)


def _integral(function: Callable[[float], float], start: float, end: float) -> float:
    """Integrate by Simpson's rule."""
    width = (end - start) / _STEPS
    inner = sum((4 if i % 2 else 2) * function(start + i * width) for i in range(1, _STEPS))
    return (function(start) + inner + function(end)) * width / 3
