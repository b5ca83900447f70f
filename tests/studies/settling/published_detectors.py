"""Published tests of a steady state, adapted to follow a meter: the peers of our detector in `studies.settling.study`.

- *R statistic*: Cao and Rhinehart, "An efficient method for on-line identification of steady state", Journal of Process
  Control 5 (1995), 363 (paper from memory). The recursion, its factors (0.2, 0.1, 0.1) and the limit 2.5 are those of
  a public implementation, `CalculateR.m` in the repository auralius/steady-state-detection.
- *von Neumann ratio*: the sum of squared successive differences over that of squared deviations from the mean
  (von Neumann, Annals of Mathematical Statistics 12 (1941), 367; from memory). A ratio below 1.30 shows a trend at
  5 % for twenty readings (table recomputed; the R package climtrends has one).

Neither test covers displays, so `PublishedDetector` adds the rules of our detector: a bounce or a change of range
starts the test anew, and a reading is accepted after the same least time and number of readings. An overload is
accepted without the test.
"""

from collections import deque
from collections.abc import Callable
from decimal import Decimal
from itertools import pairwise
from typing import Protocol

from meterlink.core.readings import Reading, Status
from meterlink.settling.criteria import QUIET_TIME, overload_quiet_time
from meterlink.settling.detector import LIFT_TIME, MOVE_TIME, MOVED_COUNTS, MOVED_SHARE
from meterlink.settling.open_leads import is_nothing
from meterlink.settling.series import MAX_GAP, MIN_READINGS

_NS = 1e-9
_SLACK = 1e-6  # s; a sum of ten tenths is just below a second

# Factors λ1 (filtered value), λ2 and λ3 (the two variances), and the limit below which a value is steady.
LAMBDAS = (0.2, 0.1, 0.1)
R_LIMIT = 2.5

RATIO_READINGS = 20  # the shortest window in the table
RATIO_LIMIT = 1.30  # 5 %


class SteadyTest(Protocol):
    """A test of a steady state, fed value by value."""

    def update(self, value: float) -> bool:
        """Add the next value; return whether the values are steady."""
        ...


class RStatistic:
    """R = (2 − λ1)·ν²/δ² of Cao and Rhinehart, by recursion.

    ν² ← λ2·(x − x_f)² + (1 − λ2)·ν², then x_f ← λ1·x + (1 − λ1)·x_f, δ² ← λ3·(x − x₋₁)² + (1 − λ3)·δ²; near 1 for white
    noise about a constant, larger for a trend. ``first`` initializes the filter and the last value (None: the first
    value does); the variances start at 0. R is nan (0/0) for constant values.
    """

    def __init__(
        self, first: float | None = None, lambdas: tuple[float, float, float] = LAMBDAS, limit: float = R_LIMIT
    ) -> None:
        self._lambdas = lambdas
        self._limit = limit
        self._filtered = self._last = first
        self._about_filtered = 0.0
        self._successive = 0.0

    def feed(self, value: float) -> float:
        """Add the next value and return R."""
        filtered = value if self._filtered is None else self._filtered
        last = value if self._last is None else self._last
        lambda1, lambda2, lambda3 = self._lambdas
        self._about_filtered += lambda2 * ((value - filtered) ** 2 - self._about_filtered)
        self._filtered = filtered + lambda1 * (value - filtered)
        self._successive += lambda3 * ((value - last) ** 2 - self._successive)
        self._last = value
        return (2 - lambda1) * self._about_filtered / self._successive if self._successive else float("nan")

    def update(self, value: float) -> bool:
        """Add the next value; steady while R is not above its limit, and for constant values (0/0)."""
        return not self.feed(value) > self._limit


class VonNeumannRatio:
    """Σ(xᵢ₊₁ − xᵢ)² / Σ(xᵢ − x̄)² over the last ``readings`` values: near 2 for white noise, near 0 for a trend."""

    def __init__(self, readings: int = RATIO_READINGS, limit: float = RATIO_LIMIT) -> None:
        self._values: deque[float] = deque(maxlen=readings)
        self._limit = limit

    def feed(self, value: float) -> float | None:
        """Add the next value and return the ratio: nan (0/0) for constant values, None while the window fills."""
        values = self._values
        values.append(value)
        if len(values) < (values.maxlen or 0):
            return None
        mean = sum(values) / len(values)
        about_mean = sum([(number - mean) ** 2 for number in values])
        successive = sum([(later - earlier) ** 2 for earlier, later in pairwise(values)])
        return successive / about_mean if about_mean and successive else float("nan")

    def update(self, value: float) -> bool:
        """Add the next value; steady once the window is full and the ratio is not below its limit."""
        ratio = self.feed(value)
        return ratio is not None and not ratio < self._limit


class PublishedDetector:
    """Accepts readings by a test of a steady state, which starts anew for every run of readings."""

    def __init__(self, test: Callable[[], SteadyTest]) -> None:
        self._make = test
        self._test = test()
        self._settled: Reading | None = None
        self._elsewhere_since: float | None = None
        self._idle_since: float | None = None
        self._run: tuple[str, Decimal | None, Status] | None = None
        self._begun_at = self._last_at = 0.0
        self._readings = 0

    def feed(self, reading: Reading) -> Reading | None:
        """Add the next reading; return it if it is accepted now."""
        now = reading.timestamp.monotonic_ns * _NS
        if reading.status is Status.INVALID:
            return None
        if is_nothing(reading):
            self._idle_since = now if self._idle_since is None else self._idle_since
            if now - self._idle_since >= LIFT_TIME:
                self._settled = None
            self._run = None
            return None
        self._idle_since = None
        if self._settled is not None and not self._moved(reading, self._settled, now):
            return None
        run = reading.unit, reading.resolution, reading.status
        if run != self._run or now - self._last_at > MAX_GAP:
            self._run, self._test, self._begun_at, self._readings = run, self._make(), now, 0
        self._last_at = now
        self._readings += 1
        steady = reading.digits is None or self._test.update(float(reading.digits))
        quiet = overload_quiet_time(reading.quantity) if reading.digits is None else QUIET_TIME
        if not steady or self._readings < MIN_READINGS or now - self._begun_at < quiet - _SLACK:
            return None
        self._settled = reading
        return reading

    def _moved(self, reading: Reading, settled: Reading, now: float) -> bool:
        """Return whether the display has been elsewhere long enough for a new measurement."""
        same = reading.status is settled.status
        if reading.value is not None and settled.value is not None:
            count = (
                abs(settled.value / float(settled.digits / settled.resolution))
                if settled.digits and settled.resolution
                else 0.0
            )
            same = abs(reading.value - settled.value) <= max(
                MOVED_COUNTS * count, float(MOVED_SHARE) * abs(settled.value)
            )
        if same:
            self._elsewhere_since = None
            return False
        self._elsewhere_since = now if self._elsewhere_since is None else self._elsewhere_since
        if now - self._elsewhere_since < MOVE_TIME:
            return False
        self._settled = self._elsewhere_since = self._run = None
        return True
