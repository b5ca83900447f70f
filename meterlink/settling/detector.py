"""When is a reading *the* reading? Probes bounce, meters change range, large capacitors creep for seconds.

The detector works on display counts and time, reading by reading. It never averages: what it holds is a value the
display really showed. `SettlingDetector` follows the probes (touching, bouncing, lifted, moved on); `_Run` asks of the
readings since the last touch whether the display has come to rest.

At rest means that a display still on its way would by now have betrayed itself. A display that is charging a part
comes up on its value as r = K·e^(−t/τ) (first-order approach, any textbook on circuits), in counts still to go. Say
that it was `CREEP_FROM` counts (K) away from where it stands now for the last time T ago, and that it still has
`TO_GO` counts (r) to go. Then the approach has not begun sooner than that, τ = T / ln(1 + K/r), and over the last W
seconds the means of the first and the second half of the readings lie

    D(W) = r·(x − 1)² / ln x   counts apart, with x = (1 + K/r)^(W / 2T),

and further apart for every larger r, up to W·K/2T for a ramp. If they lie nearer than that by more than rounding and
noise can explain, the display has less than `TO_GO` to go. Noise is what the readings scatter within each half, but no
less than their flicker told beforehand, with Student's t for its being estimated from few readings.

A display that has been within noise of one value ever since the touch gives nothing to compare with: it is believed
after `QUIET`, when its halves agree. So a *ramp*, a display that moves well over two counts within `QUIET` (3 counts a
second or faster), is never held. One slower than a count in that time cannot be told from one at rest, and may be
held at what it truly shows; in between it depends on how the counts fall.
"""

import math
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from itertools import pairwise
from statistics import median_low

from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity, to_base

_NS = 1e-9
_SLACK = 1e-6  # s; a sum of tenths falls just short of the second it means

# Each of these is common practice, no source, checked against the simulated meters (docs/settling.md).
QUIET_TIME = 0.8  # s a display must stand still at least: longer than a bounce and than two refreshes of a slow meter
QUIET_TIME_AFTER_CREEP = 1.0  # s; where a creep up meets a drift down, the display stands still for a moment
TEMPERATURE_QUIET_TIME = (
    6.0  # s for a temperature: a bead follows its surface seconds late, which shows only over seconds
)
MIN_READINGS = (
    5  # readings in that time: one that flickers shows five equal readings two counts off once in 100 000 times
)
MIN_READINGS_AFTER_CREEP = 7  # and seven while it may still be creeping, which makes runs of equal readings likelier
OVERLOAD_QUIET_TIME = 3.0  # s of overload; a large capacitor shows over two while its first charge is measured
LIFT_TIME = 0.5  # s of nothing on the probes that is a lift rather than a bounce
MAX_GAP = 1.5  # s without a value (changing range, lost link) after which the quiet time starts anew …
MAX_GAP_INTERVALS = 3  # … unless the meter is that slow: so many times what lay between the two values before
MOVE_TIME = 0.3  # s a held display must be elsewhere before that is a new measurement
MOVED_COUNTS = 5  # display steps, and
MOVED_SHARE = 0.01  # share of the held value, beyond which it is elsewhere
HISTORY_LENGTH = 300  # readings kept at least: half a minute at 10 Hz, twice what the slowest creep looks back on

# The test of rest, in counts. The nearer TO_GO is to nothing, the longer every creep is waited for.
CREEP_START_COUNTS = (
    8  # far enough away that rounding hardly shifts the moment, near enough to speak for the creep's end
)
REMAINING_COUNTS = 0.4  # less than half a count: the rounded display will not move on by two
ROUNDING_COUNTS = (
    0.5  # by which rounding can bring the halves nearer: a constant display hides up to a count of movement
)
AGREEMENT_COUNTS = 0.8  # between halves that agree, their noise included
MOTION_COVERAGE_FACTOR = 3.0  # standard deviations for 'more than noise can explain'
AGREEMENT_COVERAGE_FACTOR = 1.5  # standard deviations of noise added where halves agree
TYPICAL_VALUE_COVERAGE_FACTOR = (
    2.6  # standard deviations of noise that must stay within a count, so that the typical value is the true one
)
MAX_NOISE_COUNTS = 64  # counts; readings farther away tell of the approach, not of noise
MAX_NOISE_READINGS = 40  # readings back at most

# ln(1 + K/r) · W/T at which D(W) reaches ROUNDING: (x − 1)²/ln x = 0.5/0.4 at x = 1.885, and 2·ln x = 1.268.
_LEAST_EXPONENT = 1.268
_WINDOW_GROWTH = 1.25  # windows tried, each so much longer than the one before

# Nothing on the probes: at most this many counts (stray pick-up on volts; one count of jitter on capacitance) …
_IDLE_COUNTS = {
    Quantity.VOLTAGE: 10,
    Quantity.CURRENT: 10,
    Quantity.CAPACITANCE: 3,
    Quantity.FREQUENCY: 0,
}
# … or less than the capacitance of a pair of leads on a fine range, or negative as after zeroing: no part has that.
_IDLE_FARADS = 5e-9
# For a meter that does not tell its step, V and A: ten counts of a 6000-count display on its lowest trade range.
_IDLE_BASE_VALUES = {Quantity.VOLTAGE: 0.1, Quantity.CURRENT: 0.1}
# Such a meter shows four significant digits, or fewer: as few as leave this many counts (a 2000-count meter that has
# just changed its range).
_MIN_COUNTS = 200


class Phase(StrEnum):
    """Where a measurement stands."""

    IDLE = "idle"
    SETTLING = "settling"
    ACCEPTED = "held"


@dataclass(frozen=True, slots=True)
class SettlingState:
    """What one reading did to the measurement.

    ``progress`` is 0..1 towards settled. ``settled`` is the reading to hold, at the moment it became that;
    ``settled_in`` is seconds from the first touch to that moment. ``touched`` and ``lifted`` mark the first reading of
    a measurement and the end of one.
    """

    phase: Phase
    progress: float = 0.0
    settled_reading: Reading | None = None
    settling_time: float = 0.0
    probes_touched: bool = False
    probes_lifted: bool = False


def is_idle(reading: Reading) -> bool:
    """Say whether the display shows what it shows with nothing on the probes (or on an open part)."""
    if reading.status is Status.OVERLOAD:
        return reading.quantity is Quantity.RESISTANCE
    if reading.digits is None:
        return False
    if reading.quantity is Quantity.CAPACITANCE and (reading.value or 0.0) < _IDLE_FARADS:
        return True
    if reading.resolution is None:
        return abs(reading.value or 0.0) < _IDLE_BASE_VALUES.get(reading.quantity, 0.0)
    most = _IDLE_COUNTS.get(reading.quantity)
    return most is not None and abs(reading.digits) <= most * reading.resolution


class SettlingDetector:
    """Follows one meter at one test point. Feed it every reading in order.

    A low battery changes nothing here: the reading says so itself, whoever judges it decides.
    """

    def __init__(self) -> None:
        self._run = _ValueSeries()
        self._begun_at: float | None = None  # when the probes first touched
        self._idle_since: float | None = None
        self._overload_since: float | None = None
        self._moved_since: float | None = None
        self._accepted: Reading | None = None

    def reset(self) -> None:
        """Forget the present measurement: another test point, another function, a new connection."""
        self.__init__()  # type: ignore[misc]  # the object is nothing but this state

    def accept(self, reading: Reading) -> None:
        """Take ``reading`` as held because somebody said so; the next measurement starts when the probes have moved."""
        if is_idle(reading):
            self.reset()
        else:
            self._accepted = reading

    def feed(self, reading: Reading) -> SettlingState:
        """Take the next reading and say where the measurement stands."""
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
            return SettlingState(Phase.ACCEPTED, 1.0)
        return SettlingState(Phase.IDLE if self._begun_at is None else Phase.SETTLING)

    def _process_idle(self, now: float) -> SettlingState:
        self._moved_since = None
        if self._begun_at is None and self._accepted is None:
            return SettlingState(Phase.IDLE)
        if self._idle_since is None:
            self._idle_since = now
        if now - self._idle_since >= LIFT_TIME:
            self.reset()
            return SettlingState(Phase.IDLE, probes_lifted=True)
        if self._accepted is None:
            self._run = _ValueSeries()  # a bounce: what came before it proves nothing
        self._overload_since = None
        return self._current_state()

    def _process_after_acceptance(self, reading: Reading, accepted: Reading, now: float) -> SettlingState:
        far = False
        if reading.value is not None and accepted.value is not None:
            step = _resolution_of(accepted)
            base_step = float(to_base(step, accepted.unit) - to_base(Decimal(0), accepted.unit))
            far = abs(reading.value - accepted.value) > max(MOVED_COUNTS * base_step, MOVED_SHARE * abs(accepted.value))
        if reading.status is accepted.status and not far:
            self._moved_since = None
            return SettlingState(Phase.ACCEPTED, 1.0)
        if self._moved_since is None:
            self._moved_since = now
        if now - self._moved_since < MOVE_TIME:
            return SettlingState(Phase.ACCEPTED, 1.0)
        self.reset()
        return self._process_value(reading, now)

    def _process_value(self, reading: Reading, now: float) -> SettlingState:
        touched = self._begun_at is None
        begun_at = self._begun_at = now if self._begun_at is None else self._begun_at
        if reading.digits is None:
            progress, here = self._process_overload(now)
        else:
            self._overload_since = None
            progress, here = self._run.add(reading, reading.digits, now)
        if not here:
            return SettlingState(Phase.SETTLING, progress, probes_touched=touched)
        self._accepted = reading
        return SettlingState(Phase.ACCEPTED, 1.0, reading, now - begun_at, probes_touched=touched)

    def _process_overload(self, now: float) -> tuple[float, bool]:
        self._run = _ValueSeries()
        if self._overload_since is None:
            self._overload_since = now
        share = (now - self._overload_since) / OVERLOAD_QUIET_TIME
        return min(share, 0.99), share >= 1


class _ValueSeries:
    """The values since the probes last touched: when, s, and how much, in one display unit, oldest first."""

    def __init__(self) -> None:
        self._times: list[float] = []
        self._values: list[float] = []
        self._fresh_from = 0.0  # s; no quiet time reaches back beyond: a touch, a change of range, a gap
        self._interval = 0.0  # s between the two values before
        self._smallest_change = 0.0
        self._display: tuple[Quantity, str, Coupling | None] | None = None
        self._resolution: Decimal | None = None

    def add(self, reading: Reading, digits: Decimal, now: float) -> tuple[float, bool]:
        """Take a value; return progress towards rest, 0..1, and whether this value is the one to hold."""
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
        """Return a count in the display unit.

        Where the meter does not tell, four significant digits, or the least change seen in this run if that is more.
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
            return self._stillness_progress(step, quiet), False  # plainly moving; most readings of a creep end here
        middle = median_low(counts)
        noise = math.sqrt(window.variance)
        away, since, quiet_from = self._find_approach(step, middle, noise)
        flicker = self._estimate_noise(step, middle)
        if since is None:
            progress, typical = self._assess_constant(start, step, flicker)
        else:
            exponent = math.log1p(away / REMAINING_COUNTS) / (now - since)
            least = max(quiet, QUIET_TIME_AFTER_CREEP, _LEAST_EXPONENT / exponent)
            progress, typical = (now - quiet_from) / least, self._assess_creep(least, since, exponent, step, flicker)
        if typical is None:
            return min(progress, 0.99), False
        # A flicker waits for the typical value, which is on display soon.
        return 0.99, abs(typical) <= ROUNDING_COUNTS + _SLACK

    def _assess_constant(self, start: int, step: float, flicker: "_NoiseEstimate") -> tuple[float, float | None]:
        """Judge a display that has been within noise of one value since the touch."""
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
        self, least: float, since: float, exponent: float, step: float, flicker: "_NoiseEstimate"
    ) -> float | None:
        """Judge a display that came up on its value: ``exponent`` is ln(1 + K/r)/T, 1/s."""
        now = self._times[-1]
        first = self._window_start(least, MIN_READINGS_AFTER_CREEP)
        while first is not None and self._times[first] > since:
            window = _SplitWindow(self._counts(first, step), flicker)
            seconds = now - self._times[first]
            x = math.exp(exponent * seconds / 2)
            betrayed = REMAINING_COUNTS * (x - 1) ** 2 / math.log(x)
            if (
                window.agree
                and window.difference + math.hypot(ROUNDING_COUNTS, window.noise_bound(MOTION_COVERAGE_FACTOR))
                <= betrayed
            ):
                return window.typical
            first = self._window_start(seconds * _WINDOW_GROWTH, len(self._times) - first + 1)
        return None

    def _window_start(self, seconds: float, readings: int) -> int | None:
        """Return where the shortest fresh window of at least so long and so many begins; None where there is none."""
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
        """Return for what share of the quiet time the display has stood within a count or so of its newest value."""
        now, newest = self._times[-1], self._values[-1]
        since = now
        for at, value in zip(reversed(self._times), reversed(self._values), strict=True):
            if at < self._fresh_from or now - at > quiet or abs(value - newest) > 1.5 * step:
                break
            since = at
        return min((now - since) / quiet, 0.99)

    def _find_approach(self, step: float, middle: float, noise: float) -> tuple[float, float | None, float]:
        """Return from how many counts away, since when, and since when within noise; None for always within noise."""
        typical = self._values[-1] + middle * step
        least = (1.5 + MOTION_COVERAGE_FACTOR * noise) * step
        enough = (CREEP_START_COUNTS - 0.5 + MOTION_COVERAGE_FACTOR * noise) * step
        farthest, since, quiet_from = 0.0, None, None
        # Not the newest itself: were it that far, it would not be the typical value and is not held.
        for at, value in zip(self._times[-2::-1], self._values[-2::-1], strict=True):
            apart = abs(value - typical)
            if apart >= least and apart > farthest:
                farthest, since = apart, at
                quiet_from = at if quiet_from is None else quiet_from
                if apart >= enough:
                    break
        return farthest / step, since, self._times[-1] if quiet_from is None else quiet_from

    def _estimate_noise(self, step: float, middle: float) -> "_NoiseEstimate":
        """Estimate the noise without the creep: from second differences that turn to and fro.

        A second difference of readings with variance σ² has 6σ², and a creep hardly any. Where two in a row have
        opposite signs the lesser square is taken, else nothing; the mean is then near 3σ² (computed for Gaussian noise
        of 1 to 5 counts; 2 to 3 for a flickering last digit). Below two counts it is rounding.
        """
        typical = self._values[-1] + middle * step
        last: list[float] = []
        for value in reversed(self._values[-MAX_NOISE_READINGS:]):
            counts = (value - typical) / step
            if abs(counts) > MAX_NOISE_COUNTS:
                break
            last.append(counts)
        turns = [a - 2 * b + c for a, b, c in zip(last, last[1:], last[2:], strict=False)]
        if len(turns) < 2:
            return _NoiseEstimate(0.0, 1)
        squares = [
            min(abs(one), abs(other)) ** 2
            for one, other in pairwise(turns)
            if one * other < 0 and min(abs(one), abs(other)) > 1.5
        ]
        return _NoiseEstimate(sum(squares) / 3 / (len(turns) - 1), len(turns) - 1)


@dataclass(frozen=True, slots=True)
class _NoiseEstimate:
    """Variance of single readings, counts², and from how many it was estimated."""

    variance: float
    degrees_of_freedom: int


class _SplitWindow:
    """A window of readings, in counts, cut in two: the means of the halves are compared, the later one is typical."""

    def __init__(self, counts: list[float], noise: _NoiseEstimate | None = None) -> None:
        late = len(counts) // 2
        early = len(counts) - late
        self._late = counts[early:]
        early_mean, late_mean = sum(counts[:early]) / early, sum(self._late) / late
        self.difference = abs(late_mean - early_mean)
        scatter = sum([(one - early_mean) ** 2 for one in counts[:early]])
        scatter += sum([(one - late_mean) ** 2 for one in self._late])
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
        """Return how far noise brings the halves apart at most, with the certainty of so many standard deviations.

        Student's t for that certainty by its expansion in 1/ν (Abramowitz & Stegun 26.7.5, from memory).
        """
        z, nu = deviations, self._degrees_of_freedom
        return self.standard_error * z * (1 + (z**2 + 1) / (4 * nu) + (5 * z**4 + 16 * z**2 + 3) / (96 * nu**2))

    @property
    def agree(self) -> bool:
        """Whether the halves agree, and are known well enough for the typical value to be the true one."""
        return (
            self.difference + AGREEMENT_COVERAGE_FACTOR * self.standard_error <= AGREEMENT_COUNTS
            and self.noise_bound(TYPICAL_VALUE_COVERAGE_FACTOR) <= 1
        )

    @property
    def typical(self) -> float:
        return median_low(self._late)


def _quiet_time_for(quantity: Quantity) -> float:
    return TEMPERATURE_QUIET_TIME if quantity is Quantity.TEMPERATURE else QUIET_TIME


def _resolution_of(reading: Reading) -> Decimal:
    # A meter that does not tell its step is taken to show four significant digits.
    return reading.resolution or Decimal(1).scaleb((reading.digits or Decimal(0)).adjusted() - 3)
