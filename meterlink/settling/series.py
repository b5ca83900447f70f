"""The values since the last contact, and whether the display is at rest.

A display is at rest when a moving display would have shown a difference by now. A display that charges a part
approaches its value as r = K·e^(−t/τ), in counts still to go (first-order approach, any textbook on circuits). Assume
that it was `CREEP_START_COUNTS` counts (K) away from its present value for the last time T ago, and that it still has
`REMAINING_COUNTS` counts (r) to go. Then τ = T / ln(1 + K/r), and the means of the first and the second half of the
readings of the last W seconds differ by

    D(W) = r·(x − 1)² / ln x   counts, with x = (1 + K/r)^(W / 2T).

D grows with r, up to W·K/2T for a ramp. If the means differ by less than D, and rounding and noise cannot explain the
rest, the display has less than `REMAINING_COUNTS` to go. Noise is the scatter of the readings within each half, but at
least their flicker estimated before, with Student's t because it is estimated from few readings.

A display that has been within noise of one value since the contact gives no approach to compare with: it is accepted
after `QUIET_TIME`, when its halves agree. So a *ramp*, a display that moves well over two counts within `QUIET_TIME` (3
counts a second or faster), is never accepted. A display slower than a count in that time looks like one at rest, and
may be accepted at its true value; in between the result depends on the rounding.

Slow quantities (`meterlink.settling.criteria`) must pass the same test for the slowest approach that is expected of
them, too: a display that does not move for a while may hide one behind its last digit.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from meterlink.core.readings import Coupling, Reading
from meterlink.core.units import Quantity
from meterlink.settling.criteria import (
    Approach,
    RestCriterion,
    current_criterion,
    rest_criterion,
)

_SLACK = 1e-6  # s; a sum of ten tenths is just below a second

# Each of these is common practice, no source, checked against the simulated meters (docs/settling.md).
QUIET_TIME_AFTER_CREEP = 1.0  # s; where a creep up meets a drift down, the display stands still for a moment
# Readings in the quiet time: a flickering display shows five equal readings two counts off once in 100 000 times.
MIN_READINGS = 5
MIN_READINGS_OF_NEIGHBOURS = 7  # a display that flickers by two shows runs of two neighbours more often, too
MIN_READINGS_AFTER_CREEP = 7  # a display that still creeps shows runs of equal readings more often
MAX_GAP = 1.5  # s without a value (changing range, lost link) after which the quiet time starts anew …
MAX_GAP_INTERVALS = 3  # … unless the meter is slow: so many times the interval of the two values before
HISTORY_LENGTH = 300  # readings kept at least: half a minute at 10 Hz, twice the window of the slowest creep

# The test of rest, in counts. A smaller REMAINING_COUNTS lengthens the wait for every creep.
CREEP_START_COUNTS = 8  # far enough that rounding hardly shifts the moment, near enough to describe the creep's end
CREEP_START_FACTOR = 4  # … or so many times the counts that a slow approach may have left, if that is more
REMAINING_COUNTS = 0.4  # less than half a count: the rounded display moves by at most one more
ROUNDING_COUNTS = 0.5  # by which rounding brings the halves nearer: a constant display hides up to a count of movement
AGREEMENT_COUNTS = 0.8  # between halves that agree, including their noise
MOTION_COVERAGE_FACTOR = 3.0  # standard deviations that noise explains
AGREEMENT_COVERAGE_FACTOR = 1.5  # standard deviations of noise added where halves agree
# Standard deviations of noise that must stay within a count, so that the typical value is the true one.
TYPICAL_VALUE_COVERAGE_FACTOR = 2.6
MAX_NOISE_COUNTS = 64  # counts; readings farther away belong to the approach
MAX_NOISE_READINGS = 40  # newest readings that the noise is estimated from


_WINDOW_GROWTH = 1.25  # ratio of the length of each window to the one before

# A meter that sends no step is taken to show four significant digits, or fewer down to this many counts (a 2000-count
# meter that has just changed its range).
_MIN_COUNTS = 200


class ValueSeries:
    """The values since the last contact, oldest first: their times in s and their digits in one display unit.

    ``peak`` is the largest value shown before them, in the base unit and without sign, infinite for an overload.
    ``least_quiet_time`` is in s.
    """

    def __init__(self, peak: float = 0.0, least_quiet_time: float = 0.0) -> None:
        self.peak = peak
        self._least_quiet_time = least_quiet_time
        self._times: list[float] = []
        self._values: list[float] = []
        self._fresh_from = 0.0  # s; a quiet time starts here at the earliest: a contact, a change of range, a gap
        self._interval = 0.0  # s between the two newest values
        self._smallest_change = 0.0
        self._display: tuple[Quantity, str, Coupling | None] | None = None
        self._resolution: Decimal | None = None

    def add(self, reading: Reading, digits: Decimal, now: float) -> tuple[float, bool]:
        """Add a value; return ``(progress, settled)``: 0 to 1 towards rest, and whether this value is accepted."""
        display = reading.quantity, reading.unit, reading.coupling
        if display != self._display:
            self._times, self._values = [], []
        interval = now - self._times[-1] if self._times else 0.0
        if (
            not self._times
            or reading.resolution != self._resolution
            or interval > max(MAX_GAP, MAX_GAP_INTERVALS * self._interval)
        ):
            self._fresh_from = now
        self._display, self._resolution, self._interval = display, reading.resolution, interval
        step = self._display_resolution(reading, float(digits))
        criterion = self._criterion(reading, step)
        if len(self._times) > 1 and now - self._times[-2] < criterion.reading_interval - _SLACK:
            self._times[-1], self._values[-1] = now, float(digits)
        else:
            self._times.append(now)
            self._values.append(float(digits))
        if len(self._times) > 2 * HISTORY_LENGTH:
            del self._times[:HISTORY_LENGTH], self._values[:HISTORY_LENGTH]
        return self._assess_rest(step * criterion.display_counts, criterion)

    def _criterion(self, reading: Reading, step: float) -> RestCriterion:
        if reading.quantity is not Quantity.CURRENT:
            return rest_criterion(reading.quantity, reading.unit, step)
        value, counts = abs(reading.value or 0.0), abs(float(reading.digits or 0)) / step
        self.peak = max(self.peak, value)
        return current_criterion(counts, self.peak / value * counts if value else math.inf)

    def _display_resolution(self, reading: Reading, newest: float) -> float:
        """Return the size of one count in the display unit.

        Where the meter sends no step, it is the last of four significant digits, or the least change in this run if
        that is larger.
        """
        step = float(display_step_of(reading))
        if reading.resolution is None:
            change = abs(newest - self._values[-1]) if self._values else 0.0
            if change > step / 2 and not 0 < self._smallest_change < change:
                self._smallest_change = change
            step = max(step, min(self._smallest_change, abs(newest) / _MIN_COUNTS))
        return step

    def _assess_rest(self, step: float, criterion: RestCriterion) -> tuple[float, bool]:
        now, newest = self._times[-1], self._values[-1]
        quiet = max(criterion.quiet_time, self._least_quiet_time)
        least_window = max(criterion.least_window, quiet)
        start = self._window_start(quiet, MIN_READINGS)
        if start is None:
            return self._stillness_progress(step, least_window), False
        counts = [(value - newest) / step for value in self._values[start:]]
        window = _SplitWindow(counts)
        if window.difference - MOTION_COVERAGE_FACTOR * window.standard_error > AGREEMENT_COUNTS:
            return self._stillness_progress(step, least_window), False  # most readings of a creep return here
        middle = _median_low(counts)
        noise = math.sqrt(window.variance)
        slow = criterion.slow_approach
        left = REMAINING_COUNTS if slow is None else max(REMAINING_COUNTS, slow.counts_left)
        distance, since, quiet_from = self._find_approach(step, middle, noise, left)
        if since is None:
            progress, typical = self._assess_constant(start, step, self._estimate_noise(step, middle))
        else:
            approach = Approach(math.log1p(distance / left) / (now - since), left)
            shortest = max(quiet, QUIET_TIME_AFTER_CREEP, approach.least_window)
            progress = (now - quiet_from) / shortest
            typical = self._assess_creep(shortest, since, approach, step, middle)
        if slow is not None:
            progress = min(progress, self._stillness_progress(step, least_window))
            if typical is not None and not self._excludes(slow, least_window, step, middle):
                typical = None
        if typical is None:
            return min(progress, 0.99), False
        # A flickering display soon shows the typical value again: wait for it.
        return 0.99, abs(typical) <= ROUNDING_COUNTS + _SLACK

    def _assess_constant(self, start: int, step: float, flicker: "_NoiseEstimate") -> tuple[float, float | None]:
        """Assess a display that has been within noise of one value since the contact: ``(progress, typical value)``."""
        first: int | None = start
        while first is not None:
            window = _SplitWindow(self._counts(first, step), flicker)
            if window.agree:
                return 1.0, window.typical
            first = self._window_start(
                (self._times[-1] - self._times[first]) * _WINDOW_GROWTH, len(self._times) - first + 1
            )
        return 0.99, None

    def _assess_creep(
        self, shortest: float, since: float, approach: Approach, step: float, middle: float
    ) -> float | None:
        """Return the typical value of a display that approached it, None before."""
        first = self._window_start(shortest, MIN_READINGS_AFTER_CREEP)
        if first is None or self._times[first] <= since:
            return None  # most readings of a creep return here, before the noise is estimated
        window = self._window_without(approach, first, since, step, middle)
        return None if window is None else window.typical

    def _excludes(self, slow: Approach, shortest: float, step: float, middle: float) -> bool:
        """Return whether a slow approach with more than its counts to go would have shown itself."""
        return (
            self._window_without(slow, self._window_start(shortest, MIN_READINGS), -math.inf, step, middle) is not None
        )

    def _window_without(
        self, approach: Approach, first: int | None, since: float, step: float, middle: float
    ) -> "_SplitWindow | None":
        """Return a window later than ``since`` s, from ``first`` on, in which an approach would show; else None."""
        flicker = self._estimate_noise(step, middle)
        while first is not None and self._times[first] > since:
            window = _SplitWindow(self._counts(first, step), flicker)
            seconds = self._times[-1] - self._times[first]
            movement = window.difference + math.hypot(ROUNDING_COUNTS, window.noise_bound(MOTION_COVERAGE_FACTOR))
            if window.agree and movement <= approach.expected_difference(seconds):
                return window
            first = self._window_start(seconds * _WINDOW_GROWTH, len(self._times) - first + 1)
        return None

    def _window_start(self, seconds: float, readings: int) -> int | None:
        """Return the index at which the shortest fresh window of so many seconds and readings begins, or None."""
        times = self._times
        first = len(times) - readings
        if first < 0:
            return None
        begin = times[-1] - seconds + _SLACK
        while times[first] > begin:
            if first == 0:
                return None
            first -= 1
        return first if times[first] >= self._fresh_from else None

    def _counts(self, first: int, step: float) -> list[float]:
        newest = self._values[-1]
        return [(value - newest) / step for value in self._values[first:]]

    def _stillness_progress(self, step: float, quiet: float) -> float:
        """Return the share of the quiet time for which the display has been within 1.5 counts of its newest value."""
        now, newest = self._times[-1], self._values[-1]
        since = now
        for time, value in zip(reversed(self._times), reversed(self._values), strict=True):
            if time < self._fresh_from or now - time > quiet or abs(value - newest) > 1.5 * step:
                break
            since = time
        return min((now - since) / quiet, 0.99)

    def _find_approach(
        self, step: float, middle: float, noise: float, left: float
    ) -> tuple[float, float | None, float]:
        """Return ``(distance, since, quiet_from)`` of the approach.

        The display was ``distance`` counts away at ``since`` s (None: always within noise), and has been within noise
        from ``quiet_from`` s.
        """
        typical = self._values[-1] + middle * step
        noise_reach = (1.5 + MOTION_COVERAGE_FACTOR * noise) * step
        creep_start = (max(CREEP_START_COUNTS, CREEP_START_FACTOR * left) - 0.5 + MOTION_COVERAGE_FACTOR * noise) * step
        farthest, since, quiet_from = 0.0, None, None
        # The newest value is left out: if it is that far away, it is not the typical value and is not accepted.
        for time, value in zip(self._times[-2::-1], self._values[-2::-1], strict=True):
            distance = abs(value - typical)
            if distance >= noise_reach and distance > farthest:
                farthest, since = distance, time
                quiet_from = time if quiet_from is None else quiet_from
                if distance >= creep_start:
                    break
        return farthest / step, since, self._times[-1] if quiet_from is None else quiet_from

    def _estimate_noise(self, step: float, middle: float) -> "_NoiseEstimate":
        """Estimate the noise without the creep, from second differences of alternating sign.

        The second difference of readings with variance σ² has variance 6σ², that of a creep almost none. Where two in a
        row have opposite signs the smaller square counts, otherwise zero; the mean is then near 3σ² (computed for
        Gaussian noise of 1 to 5 counts; 2 to 3 for a flickering last digit). Below two counts it is rounding.
        """
        typical = self._values[-1] + middle * step
        newest: list[float] = []
        for value in reversed(self._values[-MAX_NOISE_READINGS:]):
            counts = (value - typical) / step
            if abs(counts) > MAX_NOISE_COUNTS:
                break
            newest.append(counts)
        turns = [a - 2 * b + c for a, b, c in zip(newest, newest[1:], newest[2:], strict=False)]
        if len(turns) < 2:
            return _NoiseEstimate(0.0, 1)
        squares = [
            min(abs(turn), abs(next_turn)) ** 2
            for turn, next_turn in pairwise(turns)
            if turn * next_turn < 0 and min(abs(turn), abs(next_turn)) > 1.5
        ]
        # No numbers within a span have a larger variance (Popoviciu's inequality, from memory): two neighbours 0.25.
        largest = (max(newest) - min(newest)) ** 2 / 4
        return _NoiseEstimate(min(sum(squares) / 3 / (len(turns) - 1), largest), len(turns) - 1)


@dataclass(frozen=True, slots=True)
class _NoiseEstimate:
    """Variance of single readings, counts², and the degrees of freedom of the estimate."""

    variance: float
    degrees_of_freedom: int


class _SplitWindow:
    """A window of readings in counts, split in two halves whose means are compared.

    The median of the later half is the typical value.
    """

    def __init__(self, counts: list[float], noise: _NoiseEstimate | None = None) -> None:
        late = len(counts) // 2
        early = len(counts) - late
        self._late = counts[early:]
        self._counts = counts
        early_mean, late_mean = sum(counts[:early]) / early, sum(self._late) / late
        self.difference = abs(late_mean - early_mean)
        scatter = sum([(count - early_mean) ** 2 for count in counts[:early]])
        scatter += sum([(count - late_mean) ** 2 for count in self._late])
        self._degrees_of_freedom = len(counts) - 2
        self.variance = scatter / self._degrees_of_freedom
        if noise is not None and noise.variance > self.variance:
            self.variance, self._degrees_of_freedom = (
                noise.variance,
                max(self._degrees_of_freedom, noise.degrees_of_freedom),
            )
        # Standard deviation of the difference of the two means.
        self.standard_error = math.sqrt(self.variance * (1 / early + 1 / late))

    def noise_bound(self, deviations: float) -> float:
        """Return the largest difference of the halves from noise, in counts, for so many standard deviations.

        Student's t of that probability, by its expansion in 1/ν (Abramowitz & Stegun 26.7.5, from memory).
        """
        z, nu = deviations, self._degrees_of_freedom
        return self.standard_error * z * (1 + (z**2 + 1) / (4 * nu) + (5 * z**4 + 16 * z**2 + 3) / (96 * nu**2))

    @property
    def agree(self) -> bool:
        """Whether the halves agree, with noise small enough for the typical value to be the true one.

        A last digit that alternates between two neighbours shows the true value and one beside it: either may be taken.
        """
        return self.difference + AGREEMENT_COVERAGE_FACTOR * self.standard_error <= AGREEMENT_COUNTS and (
            self.noise_bound(TYPICAL_VALUE_COVERAGE_FACTOR) <= 1 or self._alternates
        )

    @property
    def _alternates(self) -> bool:
        counts = self._counts
        return len(counts) >= MIN_READINGS_OF_NEIGHBOURS and max(counts) - min(counts) <= 1 + _SLACK

    @property
    def typical(self) -> float:
        return _median_low(self._late)


def _median_low(numbers: Sequence[float]) -> float:
    # `statistics.median_low` is the same; its module takes 3 ms of the start, for fractions that are not used here.
    return sorted(numbers)[(len(numbers) - 1) // 2]


def display_step_of(reading: Reading) -> Decimal:
    """Return one count in the display unit; a meter that sends no step is taken to show four significant digits."""
    return reading.resolution or Decimal(1).scaleb((reading.digits or Decimal(0)).adjusted() - 3)
