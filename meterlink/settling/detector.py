"""Detect the settled reading of a meter: probes bounce, meters change range, large capacitors creep for seconds.

The detector works on display counts and time, reading by reading. It never averages: it accepts a value the display
really showed. `SettlingDetector` follows the probes (touching, bouncing, lifted, moved on); `_ValueSeries` decides from
the readings since the last contact whether the display is at rest.

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
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, lru_cache
from itertools import pairwise

from meterlink.core.readings import Coupling, Phase, Reading, Status
from meterlink.core.record import record
from meterlink.core.units import Amount, Quantity, convert

_NS = 1e-9
_SLACK = 1e-6  # s; a sum of ten tenths is just below a second

# Each of these is common practice, no source, checked against the simulated meters (docs/settling.md).
QUIET_TIME = 0.8  # s, least time at rest: longer than a bounce and than two refreshes of a slow meter
QUIET_TIME_AFTER_CREEP = 1.0  # s; where a creep up meets a drift down, the display stands still for a moment
TEMPERATURE_QUIET_TIME = 6.0  # s; a thermocouple bead follows its surface seconds late
# Readings in the quiet time: a flickering display shows five equal readings two counts off once in 100 000 times.
MIN_READINGS = 5
MIN_READINGS_AFTER_CREEP = 7  # a display that still creeps shows runs of equal readings more often
OVERLOAD_QUIET_TIME = 3.0  # s of overload; a large capacitor shows over two while its first charge is measured
LIFT_TIME = 0.5  # s of open probes; a shorter time is a bounce
MAX_GAP = 1.5  # s without a value (changing range, lost link) after which the quiet time starts anew …
MAX_GAP_INTERVALS = 3  # … unless the meter is slow: so many times the interval of the two values before
MOVE_TIME = 0.3  # s a display must be away from the accepted value before a new measurement begins
MOVED_COUNTS = 5  # display steps; a display is away beyond the larger of this …
MOVED_SHARE = Decimal("0.01")  # … and this share of the accepted value
HISTORY_LENGTH = 300  # readings kept at least: half a minute at 10 Hz, twice the window of the slowest creep

# The test of rest, in counts. A smaller REMAINING_COUNTS lengthens the wait for every creep.
CREEP_START_COUNTS = 8  # far enough that rounding hardly shifts the moment, near enough to describe the creep's end
REMAINING_COUNTS = 0.4  # less than half a count: the rounded display moves by at most one more
ROUNDING_COUNTS = 0.5  # by which rounding brings the halves nearer: a constant display hides up to a count of movement
AGREEMENT_COUNTS = 0.8  # between halves that agree, including their noise
MOTION_COVERAGE_FACTOR = 3.0  # standard deviations that noise explains
AGREEMENT_COVERAGE_FACTOR = 1.5  # standard deviations of noise added where halves agree
# Standard deviations of noise that must stay within a count, so that the typical value is the true one.
TYPICAL_VALUE_COVERAGE_FACTOR = 2.6
MAX_NOISE_COUNTS = 64  # counts; readings farther away belong to the approach
MAX_NOISE_READINGS = 40  # newest readings that the noise is estimated from

# ln(1 + K/r) · W/T at which D(W) reaches ROUNDING_COUNTS: (x − 1)²/ln x = 0.5/0.4 at x = 1.885, and 2·ln x = 1.268.
_LEAST_EXPONENT = 1.268
_WINDOW_GROWTH = 1.25  # ratio of the length of each window to the one before

# Open probes: at most this many counts (stray pick-up on volts; one count of jitter on capacitance) …
_IDLE_COUNTS = {
    Quantity.VOLTAGE: 10,
    Quantity.CURRENT: 10,
    Quantity.CAPACITANCE: 3,
    Quantity.FREQUENCY: 0,
}
# … or less than the capacitance of a pair of leads on a fine range, or negative as after zeroing; every part has more.
_IDLE_CAPACITANCE = Amount(Decimal(5), "nF")
# For a meter that sends no step, V and A: ten counts of a 6000-count display on its lowest trade range.
_IDLE_WITHOUT_STEP = {
    Quantity.VOLTAGE: Amount(Decimal("0.1"), "V"),
    Quantity.CURRENT: Amount(Decimal("0.1"), "A"),
}
# Such a meter is taken to show four significant digits, or fewer down to this many counts (a 2000-count meter that has
# just changed its range).
_MIN_COUNTS = 200


@record
class SettlingState:
    """The state of the measurement after one reading.

    ``progress`` is 0 to 1 towards settled. ``settled_reading`` is the accepted reading, at the moment it is accepted
    only; ``settling_time`` is seconds from the first contact to that moment. ``probes_touched`` marks the first reading
    of a measurement, ``probes_lifted`` its end.
    """

    phase: Phase
    progress: float = 0.0
    settled_reading: Reading | None = None
    settling_time: float = 0.0
    probes_touched: bool = False
    probes_lifted: bool = False


# The states of most readings, made once.
_IDLE = SettlingState(Phase.IDLE)
_ACCEPTED = SettlingState(Phase.ACCEPTED, 1.0)


# Display steps whose idle values are remembered: those of all ranges of a few meters.
_REMEMBERED_STEPS = 256


def is_idle(reading: Reading) -> bool:
    """Return whether the display may be that of open probes (or of an open part)."""
    if reading.status is Status.OVERLOAD:
        return reading.quantity is Quantity.RESISTANCE
    digits = reading.digits
    if digits is None:
        return False
    if reading.quantity is Quantity.CAPACITANCE and digits < _idle_capacitance(reading.unit):
        return True
    if reading.resolution is None:
        idle = _IDLE_WITHOUT_STEP.get(reading.quantity)
        return idle is not None and abs(digits) < idle.to(reading.unit)
    reach = _idle_reach(reading.quantity, reading.resolution)
    return reach is not None and -reach <= digits <= reach


@lru_cache(_REMEMBERED_STEPS)
def _idle_reach(quantity: Quantity, resolution: Decimal) -> Decimal | None:
    max_counts = _IDLE_COUNTS.get(quantity)
    return None if max_counts is None else max_counts * resolution


@cache
def _idle_capacitance(unit: str) -> Decimal:
    # The constant is converted, once for each unit, and never the reading: that is the judge's task.
    return _IDLE_CAPACITANCE.to(unit)


class SettlingDetector:
    """Follows one meter at one test point. Feed it every reading in order.

    A low battery changes nothing here: the reading carries the mark, and the judge shows it.
    """

    def __init__(self) -> None:
        self._run = _ValueSeries()
        self._begun_at: float | None = None  # when the probes first touched
        self._idle_since: float | None = None
        self._overload_since: float | None = None
        self._moved_since: float | None = None
        self._accepted: Reading | None = None
        self._reach = Decimal(0)  # in the unit of the accepted reading; a display farther away has moved

    def reset(self) -> None:
        """Forget the present measurement: for another test point, another function, a new connection."""
        self.__init__()  # type: ignore[misc]  # the object has no other state

    def accept(self, reading: Reading) -> None:
        """Accept ``reading`` on a person's command; the next measurement starts when the probes have moved."""
        if is_idle(reading):
            self.reset()
        else:
            self._set_accepted(reading)

    def _set_accepted(self, reading: Reading) -> None:
        self._accepted = reading
        self._reach = max(MOVED_COUNTS * _resolution_of(reading), MOVED_SHARE * abs(reading.digits or Decimal(0)))

    def feed(self, reading: Reading) -> SettlingState:
        """Add the next reading and return the state of the measurement."""
        now = reading.timestamp.monotonic_ns * _NS
        if reading.status is Status.INVALID:
            return self._current_state()
        if is_idle(reading):
            return self._process_idle(now)
        self._idle_since = None
        if self._accepted is not None:
            return self._process_after_acceptance(reading, self._accepted, now)
        return self._process_value(reading, now)

    def _current_state(self) -> SettlingState:
        if self._accepted is not None:
            return _ACCEPTED
        return _IDLE if self._begun_at is None else SettlingState(Phase.SETTLING)

    def _process_idle(self, now: float) -> SettlingState:
        self._moved_since = None
        if self._begun_at is None and self._accepted is None:
            return _IDLE
        if self._idle_since is None:
            self._idle_since = now
        if now - self._idle_since >= LIFT_TIME:
            self.reset()
            return SettlingState(Phase.IDLE, probes_lifted=True)
        if self._accepted is None:
            self._run = _ValueSeries()  # a bounce: the values before it prove nothing
        self._overload_since = None
        return self._current_state()

    def _process_after_acceptance(self, reading: Reading, accepted: Reading, now: float) -> SettlingState:
        if reading.status is accepted.status and not self._has_moved(reading, accepted):
            self._moved_since = None
            return _ACCEPTED
        if self._moved_since is None:
            self._moved_since = now
        if now - self._moved_since < MOVE_TIME:
            return _ACCEPTED
        self.reset()
        return self._process_value(reading, now)

    def _has_moved(self, reading: Reading, accepted: Reading) -> bool:
        if reading.digits is None or accepted.digits is None or reading.quantity is not accepted.quantity:
            return False
        digits = reading.digits
        if reading.unit != accepted.unit:  # the meter has changed its range
            digits = convert(digits, reading.unit, accepted.unit)
        return abs(digits - accepted.digits) > self._reach

    def _process_value(self, reading: Reading, now: float) -> SettlingState:
        touched = self._begun_at is None
        begun_at = self._begun_at = now if self._begun_at is None else self._begun_at
        if reading.digits is None:
            progress, settled = self._process_overload(now)
        else:
            self._overload_since = None
            progress, settled = self._run.add(reading, reading.digits, now)
        if not settled:
            return SettlingState(Phase.SETTLING, progress, probes_touched=touched)
        self._set_accepted(reading)
        return SettlingState(Phase.ACCEPTED, 1.0, reading, now - begun_at, probes_touched=touched)

    def _process_overload(self, now: float) -> tuple[float, bool]:
        self._run = _ValueSeries()
        if self._overload_since is None:
            self._overload_since = now
        share = (now - self._overload_since) / OVERLOAD_QUIET_TIME
        return min(share, 0.99), share >= 1


class _ValueSeries:
    """The values since the last contact, oldest first: their times in s and their digits in one display unit."""

    def __init__(self) -> None:
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
        self._times.append(now)
        self._values.append(float(digits))
        if len(self._times) > 2 * HISTORY_LENGTH:
            del self._times[:HISTORY_LENGTH], self._values[:HISTORY_LENGTH]
        return self._assess_rest(self._display_resolution(reading), _quiet_time_for(reading.quantity))

    def _display_resolution(self, reading: Reading) -> float:
        """Return the size of one count in the display unit.

        Where the meter sends no step, it is the last of four significant digits, or the least change in this run if
        that is larger.
        """
        step = float(_resolution_of(reading))
        if reading.resolution is None:
            change = abs(self._values[-1] - self._values[-2]) if len(self._values) > 1 else 0.0
            if change > step / 2 and not 0 < self._smallest_change < change:
                self._smallest_change = change
            step = max(step, min(self._smallest_change, abs(self._values[-1]) / _MIN_COUNTS))
        return step

    def _assess_rest(self, step: float, quiet: float) -> tuple[float, bool]:
        now, newest = self._times[-1], self._values[-1]
        start = self._window_start(quiet, MIN_READINGS)
        if start is None:
            return self._stillness_progress(step, quiet), False
        counts = [(value - newest) / step for value in self._values[start:]]
        window = _SplitWindow(counts)
        if window.difference - MOTION_COVERAGE_FACTOR * window.standard_error > AGREEMENT_COUNTS:
            return self._stillness_progress(step, quiet), False  # clearly moving: most readings of a creep return here
        middle = _median_low(counts)
        noise = math.sqrt(window.variance)
        distance, since, quiet_from = self._find_approach(step, middle, noise)
        if since is None:
            progress, typical = self._assess_constant(start, step, self._estimate_noise(step, middle))
        else:
            exponent = math.log1p(distance / REMAINING_COUNTS) / (now - since)
            shortest = max(quiet, QUIET_TIME_AFTER_CREEP, _LEAST_EXPONENT / exponent)
            progress = (now - quiet_from) / shortest
            typical = self._assess_creep(shortest, since, exponent, step, middle)
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

    def _assess_creep(self, shortest: float, since: float, exponent: float, step: float, middle: float) -> float | None:
        """Return the typical value of a display that approached it, None before; ``exponent`` is ln(1 + K/r)/T, 1/s."""
        now = self._times[-1]
        first = self._window_start(shortest, MIN_READINGS_AFTER_CREEP)
        if first is None or self._times[first] <= since:
            return None  # most readings of a creep return here, before the noise is estimated
        flicker = self._estimate_noise(step, middle)
        while first is not None and self._times[first] > since:
            window = _SplitWindow(self._counts(first, step), flicker)
            seconds = now - self._times[first]
            x = math.exp(exponent * seconds / 2)
            expected_difference = REMAINING_COUNTS * (x - 1) ** 2 / math.log(x)
            if (
                window.agree
                and window.difference + math.hypot(ROUNDING_COUNTS, window.noise_bound(MOTION_COVERAGE_FACTOR))
                <= expected_difference
            ):
                return window.typical
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

    def _find_approach(self, step: float, middle: float, noise: float) -> tuple[float, float | None, float]:
        """Return ``(distance, since, quiet_from)`` of the approach.

        The display was ``distance`` counts away at ``since`` s (None: always within noise), and has been within noise
        from ``quiet_from`` s.
        """
        typical = self._values[-1] + middle * step
        noise_reach = (1.5 + MOTION_COVERAGE_FACTOR * noise) * step
        creep_start = (CREEP_START_COUNTS - 0.5 + MOTION_COVERAGE_FACTOR * noise) * step
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
        return _NoiseEstimate(sum(squares) / 3 / (len(turns) - 1), len(turns) - 1)


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
        """Whether the halves agree, with noise small enough for the typical value to be the true one."""
        return (
            self.difference + AGREEMENT_COVERAGE_FACTOR * self.standard_error <= AGREEMENT_COUNTS
            and self.noise_bound(TYPICAL_VALUE_COVERAGE_FACTOR) <= 1
        )

    @property
    def typical(self) -> float:
        return _median_low(self._late)


def _median_low(numbers: Sequence[float]) -> float:
    # `statistics.median_low` is the same; its module takes 3 ms of the start, for fractions that are not used here.
    return sorted(numbers)[(len(numbers) - 1) // 2]


def _quiet_time_for(quantity: Quantity) -> float:
    return TEMPERATURE_QUIET_TIME if quantity is Quantity.TEMPERATURE else QUIET_TIME


def _resolution_of(reading: Reading) -> Decimal:
    # A meter that sends no step is taken to show four significant digits.
    return reading.resolution or Decimal(1).scaleb((reading.digits or Decimal(0)).adjusted() - 3)
