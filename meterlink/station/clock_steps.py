"""Jumps of the wall clock, from moments of the wall clock and the monotonic clock. No I/O."""

from meterlink.core.clock import Timestamp
from meterlink.store.rows import ClockStep

# A smaller difference is no step: time synchronisation slews up to 0.128 s (ntpd's step threshold; from memory), and
# a busy machine may pause for some ms between its two clocks.
SMALLEST_STEP = 0.1  # s


class ClockStepDetector:
    """Compares UTC with monotonic time. A slow drift is no step, however large it becomes.

    Two moments in a row must agree on a step: a pause between the readings of the two clocks looks like one, once.
    A machine that slept shows a step, too, if its monotonic clock stood still.
    """

    def __init__(self) -> None:
        self._before: Timestamp | None = None
        self._after: Timestamp | None = None  # a moment that may be the first one after a step

    def check(self, now: Timestamp) -> ClockStep | None:
        """Return the step that ``now`` confirms, None for none. Call it at least once a second or so."""
        if self._before is None or _is_near(now, self._before):
            self._before, self._after = now, None
            return None
        if self._after is None or not _is_near(now, self._after):
            self._after = now
            return None
        step = ClockStep(self._before, self._after, _difference(self._after) - _difference(self._before))
        self._before, self._after = now, None
        return step


def _difference(moment: Timestamp) -> int:
    return moment.utc_ns - moment.monotonic_ns


def _is_near(one: Timestamp, other: Timestamp) -> bool:
    return abs(_difference(one) - _difference(other)) <= SMALLEST_STEP * 1e9
