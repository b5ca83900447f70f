"""The values of capacitors as met on service calls: the prior knowledge that may support a verdict of within.

A call meets healthy parts and failed ones. The healthy ones scatter about the rating; the failed ones have lost some or
much of it: a long low tail. By JCGM 106, clause 7 (from memory) the probability that a part is within its limits
combines this knowledge with the reading.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, pi, sqrt

from meterlink.core.errors import InputError
from meterlink.judge.uncertainty import TrapezoidalDistribution

# First readings of newly fitted parts that a spread of one's own needs: the standard deviation of 30 values is known to
# about 13 % (1/√(2·29), JCGM 100, table E.1).
LEAST_FIRST_READINGS = 30

# Steps of Simpson's rule between two bends of the integrand, the healthy parts' spread being one such piece: the result
# is right to 1e-6 (a test compares it with quadrature).
_STEPS = 24


@dataclass(frozen=True, slots=True)
class ServiceParts:
    """The distribution of true values, as shares of the rated value, of the parts met on service calls.

    ``healthy_share`` of them are normally distributed about ``healthy_mean`` with ``healthy_spread``. The others have
    lost an exponentially distributed share of it, ``mean_loss`` on average, cut off at zero. ``source`` says where the
    figures are from.
    """

    healthy_share: float
    healthy_mean: float
    healthy_spread: float
    mean_loss: float
    source: str

    def density(self, share: float) -> float:
        """Return the probability density at ``share`` of the rated value, 0 and above."""
        if share < 0:
            return 0.0
        z = (share - self.healthy_mean) / self.healthy_spread
        healthy = exp(-z * z / 2) / (self.healthy_spread * sqrt(2 * pi))
        loss = self.healthy_mean - share
        failed = exp(-loss / self.mean_loss) / (self.mean_loss * self._tail_mass) if loss >= 0 else 0.0
        return self.healthy_share * healthy + (1 - self.healthy_share) * failed

    @property
    def _tail_mass(self) -> float:
        return 1 - exp(-self.healthy_mean / self.mean_loss)


# Common practice, no source: six parts in ten that a technician measures on a no-cool call are sound; makers hold run
# capacitors well inside ±6 %; a failed one has lost a fifth on average.
ASSUMED_SERVICE_PARTS = ServiceParts(0.6, 1.0, 0.02, 0.2, "assumed")


def fitted_service_parts(first_readings: Sequence[float]) -> ServiceParts:
    """Return the assumed distribution with the healthy parts of ``first_readings``.

    These are first readings of newly fitted parts as shares of their rated values, 30 or more of them.

    Raises:
        InputError: there are fewer, one is not above zero, or they do not scatter.
    """
    from statistics import fmean, stdev  # noqa: PLC0415  # costs 3 ms: a reading needs none of it

    if len(first_readings) < LEAST_FIRST_READINGS:
        message = f"{len(first_readings)} first readings do not show how new parts scatter."
        raise InputError(message, f"Take {LEAST_FIRST_READINGS}, or keep the assumed spread.")
    if min(first_readings) <= 0 or stdev(first_readings) == 0:
        raise InputError("The first readings are not those of several parts.", "Give each as a share of its rating.")
    assumed = ASSUMED_SERVICE_PARTS
    source = f"{len(first_readings)} first readings of new parts"
    return ServiceParts(assumed.healthy_share, fmean(first_readings), stdev(first_readings), assumed.mean_loss, source)


def probability_within(
    parts: ServiceParts, error: TrapezoidalDistribution, value: float, low: float, high: float, rated: float
) -> float:
    """Return the probability (0 to 1) that a part of this kind that reads ``value`` is within ``low`` and ``high``.

    ``error`` is that of the reading. All but ``parts`` are in one unit. Bayes' theorem with the density of ``parts``
    (JCGM 106, 7.2, from memory). A reading above the middle counts as one as far below it: failed parts are low, and a
    high reading is no better evidence of a sound part than one in the middle.
    """
    if not error.largest_error:
        return float(low <= value <= high)
    middle = (low + high) / 2
    below = middle - abs(value - middle)
    lowest, highest = max(below - error.largest_error, 0.0), below + error.largest_error
    bends = [low, high, *(below + sign * error.flat_half_width for sign in (1, -1))]
    bends += [rated * (parts.healthy_mean + steps * 2 * parts.healthy_spread) for steps in range(-3, 4)]
    marks = sorted({lowest, highest, *(bend for bend in bends if lowest < bend < highest)})
    inside = outside = 0.0
    for start, end in pairwise(marks):
        evidence = _integral(lambda x: parts.density(x / rated) * error.density(below - x), start, end)
        if low <= (start + end) / 2 <= high:
            inside += evidence
        else:
            outside += evidence
    return inside / (inside + outside) if inside + outside > 0 else 0.0


def _integral(function: Callable[[float], float], start: float, end: float) -> float:
    """Integrate by Simpson's rule; the ends count just inside, where the density of failed parts may jump."""
    width = (end - start) / _STEPS
    nudge = 1e-9 * width
    inner = sum((4 if i % 2 else 2) * function(start + i * width) for i in range(1, _STEPS))
    return (function(start + nudge) + inner + function(end - nudge)) * width / 3
