"""Detect the settled reading of a meter: probes bounce, meters change range, large capacitors creep for seconds.

The detector works on display counts and time, reading by reading. It never averages: it accepts a value the display
really showed. `SettlingDetector` follows the probes (touching, bouncing, lifted, moved on). `ValueSeries`
(`meterlink.settling.series`) decides from the readings since the last contact whether the display is at rest, by the
criterion of its quantity (`meterlink.settling.criteria`). Few counts of volts or amps need a proof of contact
(`meterlink.settling.open_leads`).
"""

import math
from decimal import Decimal

from meterlink.core.readings import Phase, Reading, Status
from meterlink.core.record import record
from meterlink.core.units import Quantity, convert, to_base
from meterlink.settling.criteria import FEW_COUNTS_QUIET_TIME, START_COUNTS, overload_quiet_time
from meterlink.settling.open_leads import FEW_COUNTS, FewCounts, is_few_counts, is_idle, is_nothing
from meterlink.settling.series import MAX_GAP, ValueSeries, display_step_of

_NS = 1e-9

# Each of these is common practice, no source, checked against the simulated meters (docs/settling.md).
LIFT_TIME = 0.5  # s of open probes; a shorter time is a bounce
MOVE_TIME = 0.3  # s a display must be away from the accepted value before a new measurement begins
MOVED_COUNTS = 5  # display steps; a display is away beyond the larger of this …
MOVED_SHARE = Decimal("0.01")  # … and this share of the accepted value
GAP_INTERVALS = 1.5  # times the interval of the readings before: one is missing
MOVED_FEW_COUNTS = 3  # display steps, where few counts were accepted: as far as they are from open leads


@record
class SettlingState:
    """The state of the measurement after one reading.

    ``progress`` is 0 to 1 towards settled. ``settled_reading`` is the accepted reading, at the moment it is accepted
    only; ``settling_time`` is seconds from the first contact to that moment. ``unproven`` marks a settled reading that
    a person must confirm: leads in the air may show it, or it may still change. ``probes_touched`` marks the first
    reading of a measurement, ``probes_lifted`` its end.
    """

    phase: Phase
    progress: float = 0.0
    settled_reading: Reading | None = None
    settling_time: float = 0.0
    unproven: bool = False
    probes_touched: bool = False
    probes_lifted: bool = False


# The states of most readings, made once.
_IDLE = SettlingState(Phase.IDLE)
_ACCEPTED = SettlingState(Phase.ACCEPTED, 1.0)


class SettlingDetector:
    """Follows one meter at one test point. Feed it every reading in order.

    A low battery changes nothing here: the reading carries the mark, and the judge shows it.
    """

    def __init__(self) -> None:
        self._before: Reading | None = None  # the reading before, and …
        self._interval = 0.0  # … s between it and that before it
        self._begin(FewCounts())

    def _begin(self, few_counts: FewCounts, peak: float = 0.0) -> None:
        """Begin with no measurement; ``peak`` is the largest value of a display that moves, in its base unit."""
        self._run = ValueSeries(peak)
        self._begun_at: float | None = None  # when the probes first touched
        self._idle_since: float | None = None
        self._overload_since: float | None = None
        self._moved_since: float | None = None
        self._peak = peak  # of this measurement, in the base unit; infinite for an overload
        self._largest = 0.0  # as the peak, but of the values only
        self._accepted: Reading | None = None
        self._reach = Decimal(0)  # in the unit of the accepted reading; a display farther away has moved
        self._last_value: Reading | None = None  # of this measurement, while nothing is accepted
        self._last_at = -math.inf  # s, of the newest reading with a value or an overload
        self._start_hidden = False
        self._few_counts = few_counts
        self._few_run = self._new_few_run()
        self._few_since: float | None = None  # when the few counts of this run were first shown

    def _new_few_run(self) -> ValueSeries:
        fallen_from = self._few_counts.fallen_from
        return ValueSeries(fallen_from if math.isfinite(fallen_from) else 0.0, FEW_COUNTS_QUIET_TIME)

    def reset(self) -> None:
        """Forget the present measurement: for another test point, another function, a new connection."""
        self._begin(FewCounts())

    def accept(self, reading: Reading) -> None:
        """Accept ``reading`` on a person's command; the next measurement starts when the probes have moved."""
        if is_nothing(reading):
            self.reset()
        else:
            self._set_accepted(reading)

    def _set_accepted(self, reading: Reading) -> None:
        self._accepted = reading
        counts = MOVED_FEW_COUNTS if is_few_counts(reading) else MOVED_COUNTS
        self._reach = max(counts * display_step_of(reading), MOVED_SHARE * abs(reading.digits or Decimal(0)))

    def feed(self, reading: Reading) -> SettlingState:
        """Add the next reading and return the state of the measurement."""
        now = reading.timestamp.monotonic_ns * _NS
        if reading.status is Status.INVALID:
            return self._current_state()
        self._start_hidden = self._may_hide_start(reading, now)
        return self._process(reading, now)

    def _may_hide_start(self, reading: Reading, now: float) -> bool:
        """Return whether a current has risen while readings were missing: they may have shown the start of a motor."""
        if reading.quantity is not Quantity.CURRENT:
            return False
        before, interval = self._before, self._interval
        self._before = reading
        if before is None:
            return False
        self._interval = now - before.timestamp.monotonic_ns * _NS
        rise = _size(reading) - _size(before)
        return self._interval > GAP_INTERVALS * interval > 0 and rise > START_COUNTS * _step_in_base_unit(reading)

    def _process(self, reading: Reading, now: float) -> SettlingState:
        if is_idle(reading) and not self._is_in_place(reading):
            return self._process_idle(reading, now)
        self._idle_since = None
        if self._accepted is not None:
            return self._process_after_acceptance(reading, self._accepted, now)
        return self._process_value(reading, now)

    def _is_in_place(self, reading: Reading) -> bool:
        """Return whether few counts continue the present value: the display crosses their limit.

        Few counts that were accepted may also rise: that is no lift.
        """
        last = self._accepted or self._last_value
        if (
            reading.quantity not in FEW_COUNTS
            or last is None
            or last.digits is None
            or reading.digits is None
            or reading.quantity is not last.quantity
        ):
            return False
        if self._accepted is not None and is_few_counts(last) and abs(reading.value or 0.0) > abs(last.value or 0.0):
            return True
        counts = 1 if is_nothing(reading) else MOVED_FEW_COUNTS
        reach = max(counts * display_step_of(last), MOVED_SHARE * abs(last.digits))
        return _distance(reading, last) <= reach

    def _current_state(self) -> SettlingState:
        if self._accepted is not None:
            return _ACCEPTED
        if self._begun_at is None and self._few_counts.risen_at is None:
            return _IDLE
        return SettlingState(Phase.SETTLING)

    def _process_idle(self, reading: Reading, now: float) -> SettlingState:
        self._moved_since = None
        if self._begun_at is None and self._accepted is None:
            return self._process_few_counts(reading, now)
        if self._idle_since is None:
            self._idle_since = now
        if now - self._idle_since >= LIFT_TIME:
            self._begin_after_fall()
            return SettlingState(Phase.IDLE, probes_lifted=True)
        if self._accepted is None:
            self._run, self._last_value = ValueSeries(self._peak), None  # a bounce: the values before prove nothing
        self._overload_since = None
        return self._current_state()

    def _begin_after_fall(self) -> None:
        """Begin again with the few counts that are left: of an accepted value, or of a start on a small motor."""
        if self._accepted is not None:
            self._begin(FewCounts(math.inf))
            return
        peak = self._peak
        self._begin(FewCounts(self._largest))
        self._few_run.peak = peak

    def _process_few_counts(self, reading: Reading, now: float) -> SettlingState:
        """Follow few counts, or nothing: the leads in the air, or a small value."""
        few = self._few_counts
        if reading.quantity not in FEW_COUNTS:
            return _IDLE
        risen_before = few.risen_at is not None
        in_place = few.add(reading, now)
        touched = few.risen_at is not None and not risen_before
        if touched or not in_place or not few.may_settle(reading) or reading.digits is None:
            self._few_run, self._few_since = self._new_few_run(), None
        if not in_place or not few.may_settle(reading) or reading.digits is None:
            return self._current_state()
        self._few_since = now if self._few_since is None else self._few_since
        if self._start_hidden:
            self._few_run.peak = math.inf
        progress, settled = self._few_run.add(reading, reading.digits, now)
        if not settled:
            return SettlingState(Phase.SETTLING, progress, probes_touched=touched)
        begun_at, unproven = self._few_since, not few.is_proven(reading)
        self._set_accepted(reading)
        return SettlingState(Phase.ACCEPTED, 1.0, reading, now - begun_at, unproven)

    def _process_after_acceptance(self, reading: Reading, accepted: Reading, now: float) -> SettlingState:
        if reading.status is accepted.status and not self._has_moved(reading, accepted):
            self._moved_since = None
            return _ACCEPTED
        if self._moved_since is None:
            self._moved_since, self._peak = now, 0.0
        self._note_peak(reading)
        if now - self._moved_since < MOVE_TIME:
            return _ACCEPTED
        self._begin(FewCounts(math.inf), self._peak)
        return self._process(reading, now)

    def _note_peak(self, reading: Reading) -> None:
        self._largest = max(self._largest, abs(reading.value or 0.0))
        self._peak = max(self._peak, math.inf if self._start_hidden else _size(reading))

    def _has_moved(self, reading: Reading, accepted: Reading) -> bool:
        if reading.digits is None or accepted.digits is None or reading.quantity is not accepted.quantity:
            return False
        return _distance(reading, accepted) > self._reach

    def _process_value(self, reading: Reading, now: float) -> SettlingState:
        touched = self._begun_at is None
        begun_at = self._begun_at = now if self._begun_at is None else self._begun_at
        self._note_peak(reading)
        self._run.peak = max(self._run.peak, self._peak)
        if reading.digits is None:
            progress, settled = self._process_overload(reading, now)
        else:
            self._overload_since = None
            self._last_value = reading
            progress, settled = self._run.add(reading, reading.digits, now)
        self._last_at = now
        if not settled:
            return SettlingState(Phase.SETTLING, progress, probes_touched=touched)
        self._set_accepted(reading)
        unproven = reading.digits is None and reading.quantity is Quantity.CAPACITANCE
        return SettlingState(Phase.ACCEPTED, 1.0, reading, now - begun_at, unproven, probes_touched=touched)

    def _process_overload(self, reading: Reading, now: float) -> tuple[float, bool]:
        self._run = ValueSeries(self._peak)
        if self._overload_since is None or now - self._last_at > MAX_GAP:
            self._overload_since = now
        share = (now - self._overload_since) / overload_quiet_time(reading.quantity)
        return min(share, 0.99), share >= 1


def reads_alike(reading: Reading, other: Reading) -> bool:
    """Return whether a reading cannot be told from ``other``: within 1 % or five counts of it, or both overloads."""
    if reading.quantity is not other.quantity or reading.status is not other.status:
        return False
    reach = max(MOVED_COUNTS * display_step_of(other), MOVED_SHARE * abs(other.digits or Decimal(0)))
    return _distance(reading, other) <= reach


def _distance(reading: Reading, other: Reading) -> Decimal:
    """Return the difference of two values of one quantity, in the unit of ``other``; the meter may change its range."""
    digits, other_digits = reading.digits or Decimal(0), other.digits or Decimal(0)
    return abs((digits if reading.unit == other.unit else convert(digits, reading.unit, other.unit)) - other_digits)


def _step_in_base_unit(reading: Reading) -> float:
    return float(to_base(display_step_of(reading), reading.unit))


def _size(reading: Reading) -> float:
    """Return the value in the base unit, without sign; infinite for an overload."""
    return math.inf if reading.value is None else abs(reading.value)
