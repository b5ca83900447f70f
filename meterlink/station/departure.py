"""How the probes leave a test point that has its reading: lifted, back at once, on another one. No I/O, no asyncio."""

import math
from enum import StrEnum

from meterlink.core.readings import Phase, Reading, Status
from meterlink.core.units import to_base
from meterlink.settling.detector import LIFT_TIME, MOVED_COUNTS, MOVED_SHARE, SettlingState
from meterlink.settling.series import display_step_of

# The verdict stays on the screen this long after the probes were removed: time to look up from the terminals. It ends
# at once when the probes touch the next terminals.
DWELL_AFTER_LIFT = 2.0  # s
# Probes that come off and touch again within this time of the acceptance are a gesture: measure again. Common practice
# of people who doubt a contact, no source.
RETURN_TIME = 2.0  # s


class Departure(StrEnum):
    """The way in which the probes have left a test point."""

    LIFTED = "lifted"  # off for `DWELL_AFTER_LIFT`
    TOUCHED = "touched"  # off, and on again later: at another part
    RETURNED = "returned"  # off, and on again within `RETURN_TIME` of the acceptance
    MOVED = "moved"  # the display has moved without a lift: a poor contact, or a quick hand at another part


class ProbeDeparture:
    """Follows a meter after ``accepted`` was accepted, ``since`` s; ``is_open``: the probes may be off already.

    A display that only falls may be that of probes that were taken off: it is a contact once it rises or settles.
    """

    def __init__(self, accepted: Reading, since: float, *, is_open: bool = False) -> None:
        self._accepted = accepted
        self._since = since
        self._lifted_at = since if is_open else None
        self._open_at = since  # of the newest display of open leads
        self._moving_since: float | None = None
        self._lowest = _size(accepted)

    def add(self, reading: Reading, state: SettlingState) -> Departure | None:
        """Add the next reading, with the state that it leads to; return the way in which the probes have left."""
        now = reading.timestamp.monotonic_ns * 1e-9
        if self._lifted_at is None and reading.quantity is not self._accepted.quantity:
            self._lifted_at = now  # the dial was turned
        if state.probes_lifted:
            self._lifted_at = now - LIFT_TIME if self._moving_since is None else self._moving_since
            self._moving_since = None
        if state.probes_touched and self._lifted_at is None:
            self._moving_since = now
        if state.probes_touched and self._lifted_at is not None:
            return self._touch(reading, self._open_at)
        if self._moving_since is not None:
            return self._touch(reading, now) if self._is_contact(reading, state) else None
        # A blank display, of a meter that looks for its range, shows neither a contact nor none.
        if self._lifted_at is None or reading.status is Status.INVALID or state.phase is not Phase.IDLE:
            return None
        self._open_at = now
        return Departure.LIFTED if now - self._lifted_at >= DWELL_AFTER_LIFT else None

    def _touch(self, reading: Reading, last_off: float) -> Departure:
        if reading.quantity is self._accepted.quantity and last_off - self._since <= RETURN_TIME:
            return Departure.RETURNED
        return Departure.MOVED if self._lifted_at is None else Departure.TOUCHED

    def _is_contact(self, reading: Reading, state: SettlingState) -> bool:
        size, lowest = _size(reading), self._lowest
        self._lowest = min(size, lowest)
        step = float(to_base(display_step_of(reading), reading.unit))
        rises = size > lowest + max(MOVED_COUNTS * step, float(MOVED_SHARE) * lowest)
        return rises or state.settled_reading is not None


def _size(reading: Reading) -> float:
    """Return the value in the base unit, without sign; infinite for an overload."""
    return math.inf if reading.value is None else abs(reading.value)
