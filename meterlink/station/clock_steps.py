"""Jumps of the wall clock, from moments of the wall clock and the monotonic clock. No I/O."""

from typing import NamedTuple

from meterlink.core.clock import Timestamp
from meterlink.store.rows import ClockStep

# A smaller difference is no step: time synchronisation slews up to 0.128 s (ntpd's step threshold; from memory), and
# a busy machine may pause for some ms between its two clocks.
SMALLEST_STEP = 0.1  # s


class ClockStepDetector:
    """Compares UTC with monotonic time. A slow drift is no step, however large it becomes.

    Two moments in a row must agree on a step: a pause between the readings of the two clocks looks like one, once.
    A machine that slept shows a step, too, if its monotonic clock stood still and the platform does not say for how
    long.
    """

    def __init__(self) -> None:
        self._before: _Moment | None = None
        self._after: _Moment | None = None  # a moment that may be the first one after a step

    def check(self, now: Timestamp, slept_ns: int = 0) -> ClockStep | None:
        """Return the step that ``now`` confirms, None for none. Call it at least once a second or so.

        ``slept_ns`` is the time for which the monotonic clock stood still since the boot.
        """
        moment = _Moment(now, now.utc_ns - now.monotonic_ns - slept_ns)
        if self._before is None or _is_near(moment, self._before):
            self._before, self._after = moment, None
            return None
        if self._after is None or not _is_near(moment, self._after):
            self._after = moment
            return None
        step = ClockStep(self._before.at, self._after.at, self._after.difference_ns - self._before.difference_ns)
        self._before, self._after = moment, None
        return step


class _Moment(NamedTuple):
    at: Timestamp
    difference_ns: int  # of the wall clock and the time since the boot, without a constant


def _is_near(one: _Moment, other: _Moment) -> bool:
    return abs(one.difference_ns - other.difference_ns) <= SMALLEST_STEP * 1e9
