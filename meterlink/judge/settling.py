"""When is a reading *the* reading? Probes bounce, meters change range, large capacitors creep for seconds.

The detector works on display counts and time, reading by reading. It never averages: what it holds is a value the
display really showed.
"""

from collections import deque
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from statistics import fmean, median_low

from meterlink.readings import Reading, Status
from meterlink.units import Quantity

_NS = 1e-9

# Each of these is common practice, no source, checked against the simulated meters.
QUIET = 0.8  # s a display must stand still at least: longer than a bounce and than two refreshes of a slow meter
FEWEST = 4  # readings in that time, so that a slow meter is not believed on two
LIFTED = 0.5  # s of nothing on the probes that is a lift rather than a bounce
BLANK = 1.5  # s without a value (changing range) after which a measurement starts anew
MOVED = 0.3  # s a held display must be elsewhere before that is a new measurement
MOVED_COUNTS = 5  # display steps, and
MOVED_SHARE = 0.01  # share of the held value, beyond which it is elsewhere
NOISE = 1  # display steps either way that a settled display may flicker
NOISE_SHARE = 0.0005  # share of the value, for displays of many digits
NOISY_QUIET = 1.2  # s, for a display that flickers
DRIFT = 0.4  # display steps between the halves of the quiet time beyond which a flickering display still drifts
LONGEST = 600  # readings kept at most: a minute at 10 Hz

# An exponential creep shows its last counts ever more slowly: from n+½ to n-½ counts before the end takes
# τ·ln((n+½)/(n-½)), so the next same-way step comes after at most ln 3 / ln(5/3) = 2.15 times the one before it.
NEXT_STEP = 2.2
# From a jump of A counts the step before the last comes at τ·ln(A/1.5) and the last one τ·ln 3 later; for A = 1000
# that is 0.17 of the time gone by, and less for larger A.
SHARE_OF_CREEP = 0.2

# Nothing on the probes: at most this many counts (stray pick-up on volts; one count of jitter on capacitance) …
_IDLE_COUNTS = {
    Quantity.VOLTAGE: 10,
    Quantity.CURRENT: 10,
    Quantity.CAPACITANCE: 3,
    Quantity.FREQUENCY: 0,
}
# … or less than the capacitance of a pair of leads on a fine range.
_IDLE_FARADS = 5e-9


class Phase(StrEnum):
    """Where a measurement stands."""

    IDLE = "idle"
    SETTLING = "settling"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class Step:
    """What one reading did to the measurement.

    ``progress`` is 0..1 towards settled. ``settled`` is the reading to hold, at the moment it became that;
    ``settled_in`` is seconds from the first touch to that moment. ``touched`` and ``lifted`` mark the first reading of
    a measurement and the end of one.
    """

    phase: Phase
    progress: float = 0.0
    settled: Reading | None = None
    settled_in: float = 0.0
    touched: bool = False
    lifted: bool = False


def is_idle(reading: Reading) -> bool:
    """Say whether the display shows what it shows with nothing on the probes (or on an open part)."""
    if reading.status is Status.OVERLOAD:
        return reading.quantity is Quantity.RESISTANCE
    if reading.digits is None:
        return False
    if reading.quantity is Quantity.CAPACITANCE and abs(reading.value or 0.0) < _IDLE_FARADS:
        return True
    most = _IDLE_COUNTS.get(reading.quantity)
    return most is not None and abs(_counts(reading)) <= most


def _counts(reading: Reading) -> float:
    digits = reading.digits or Decimal(0)
    # A meter that does not tell its step is taken to show four significant digits.
    step = reading.resolution or Decimal(1).scaleb(digits.adjusted() - 3)
    return float(digits / step)


@dataclass(slots=True)
class _Sample:
    at: float  # s
    counts: float
    reading: Reading


class SettlingDetector:
    """Follows one meter at one test point. Feed it every reading in order."""

    def __init__(self) -> None:
        self._samples: deque[_Sample] = deque(maxlen=LONGEST)
        self._touched = False
        self._begun_at = 0.0  # when the probes first touched
        self._started_at = 0.0  # of the present run of samples: after the touch, a bounce or a change of range
        self._idle_since: float | None = None
        self._blank_since: float | None = None
        self._elsewhere_since: float | None = None
        self._held: _Sample | None = None

    def reset(self) -> None:
        """Forget the present measurement: another test point, another function, a new connection."""
        self.__init__()  # type: ignore[misc]  # the object is nothing but this state

    def hold(self, reading: Reading) -> None:
        """Take ``reading`` as held because somebody said so; the next measurement starts when the probes have moved."""
        if is_idle(reading):
            self.reset()
        else:
            self._held = _Sample(reading.stamp.monotonic_ns * _NS, _counts(reading), reading)

    def feed(self, reading: Reading) -> Step:
        """Take the next reading and say where the measurement stands."""
        now = reading.stamp.monotonic_ns * _NS
        if reading.status is Status.INVALID:
            return self._blank(now)
        self._blank_since = None
        if is_idle(reading):
            return self._idle(now)
        self._idle_since = None
        sample = _Sample(now, _counts(reading), reading)
        if self._held is not None:
            return self._after_hold(sample)
        touched = not self._touched
        if touched:
            self._touched, self._begun_at, self._started_at = True, now, now
        if self._samples and _range_of(self._samples[-1].reading) != _range_of(reading):
            self._samples.clear()
            self._started_at = now
        self._samples.append(sample)
        return self._judge_run(now, touched=touched)

    def _blank(self, now: float) -> Step:
        if self._blank_since is None:
            self._blank_since = now
        elif now - self._blank_since > BLANK and self._held is None:
            self._samples.clear()
            self._started_at = now
        if self._held is not None:
            return Step(Phase.HELD, 1.0)
        return Step(Phase.IDLE if not self._touched else Phase.SETTLING)

    def _idle(self, now: float) -> Step:
        self._elsewhere_since = None
        if not self._touched:
            return Step(Phase.IDLE)
        if self._idle_since is None:
            self._idle_since = now
        if now - self._idle_since >= LIFTED:
            self.reset()
            return Step(Phase.IDLE, lifted=True)
        if self._held is not None:
            return Step(Phase.HELD, 1.0)
        self._samples.clear()  # a bounce: what came before it proves nothing
        self._started_at = now
        return Step(Phase.SETTLING)

    def _after_hold(self, sample: _Sample) -> Step:
        held = self._held
        assert held is not None  # noqa: S101  # by the caller
        apart = abs(float((sample.reading.value or 0.0) - (held.reading.value or 0.0)))
        step = abs((held.reading.value or 0.0) / held.counts) if held.counts else 0.0
        far = apart > max(MOVED_COUNTS * step, MOVED_SHARE * abs(held.reading.value or 0.0))
        same = sample.reading.status is held.reading.status and not far
        if same:
            self._elsewhere_since = None
            return Step(Phase.HELD, 1.0)
        if self._elsewhere_since is None:
            self._elsewhere_since = sample.at
        if sample.at - self._elsewhere_since < MOVED:
            return Step(Phase.HELD, 1.0)
        self.reset()
        self._touched, self._begun_at, self._started_at = True, sample.at, sample.at
        self._samples.append(sample)
        return Step(Phase.SETTLING, touched=True)

    def _judge_run(self, now: float, *, touched: bool) -> Step:
        needed, quiet = self._quiet()
        enough = sum(1 for sample in self._samples if sample.at >= now - quiet) >= FEWEST
        if quiet < needed or not enough or self._drifts(now - quiet):
            return Step(Phase.SETTLING, min(quiet / needed, 0.99), touched=touched)
        newest = self._samples[-1]
        if newest.counts != self._typical(now - quiet):
            return Step(Phase.SETTLING, 0.99, touched=touched)  # a flicker; the typical value is on display soon
        self._held = newest
        return Step(Phase.HELD, 1.0, self._held.reading, now - self._begun_at, touched=touched)

    def _quiet(self) -> tuple[float, float]:
        """Return (seconds of quiet needed, seconds of quiet so far) for the present run of samples."""
        newest = self._samples[-1]
        flicker = max(NOISE, NOISE_SHARE * abs(newest.counts))
        quiet_from = newest.at
        changes: list[tuple[float, float]] = []  # (when, by how much), newest first, of the whole run
        later = newest
        inside = True
        for sample in reversed(self._samples):
            inside = inside and abs(sample.counts - newest.counts) <= 2 * flicker
            if inside:
                quiet_from = sample.at
            if sample.counts != later.counts:
                changes.append((later.at, later.counts - sample.counts))
            later = sample
        if not changes:
            return QUIET, newest.at - quiet_from
        last_at, last_by = changes[0]
        same_way = [at for at, by in changes[:2] if by * last_by > 0]
        if len(changes) >= 2 and len(same_way) < 2 and abs(changes[1][1]) <= 2 * flicker:
            # Up and down: flicker. Every change counts towards it, so the quiet time is the time inside its band.
            return max(NOISY_QUIET, SHARE_OF_CREEP * (quiet_from - self._started_at)), newest.at - quiet_from
        needed = max(QUIET, SHARE_OF_CREEP * (last_at - self._started_at))
        if len(same_way) == 2:
            needed = max(needed, NEXT_STEP * (same_way[0] - same_way[1]))
        return needed, newest.at - last_at

    def _drifts(self, since: float) -> bool:
        run = [sample.counts for sample in self._samples if sample.at >= since]
        half = len(run) // 2
        return abs(fmean(run[half:]) - fmean(run[:half])) > DRIFT if half else False

    def _typical(self, since: float) -> float:
        return median_low(sample.counts for sample in self._samples if sample.at >= since)


def _range_of(reading: Reading) -> tuple[Quantity, str, Decimal | None, Status]:
    return reading.quantity, reading.unit, reading.resolution, reading.status
