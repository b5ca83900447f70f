"""The proof of the test leads on ohms: the probes are held together, and the display shows nearly nothing.

It proves that the leads, their plugs, the fuse and the meter conduct, so that an overload after it is not that of a
broken lead. It does not tell an open part from probes in the air: on ohms the two are the same circuit.
"""

from collections import deque
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, Quantity, to_base
from meterlink.settling.detector import LIFT_TIME
from meterlink.settling.series import MAX_GAP, display_step_of

# A pair of leads has 0.1 to 0.5 Ω; more is a worn plug or a dirty tip. Common practice, no source.
MOST_OHMS_TOGETHER = Amount(Decimal(1), "Ω")
TOGETHER_TIME = 1.0  # s held together: longer than two refreshes of a slow meter. Common practice, no source.
# Tips that touch once more read some tenths of an ohm apart, on a display of tenths. Common practice, no source.
COUNTS_ABOVE_LEADS = 3


@dataclass(frozen=True, slots=True)
class ProvenLeads:
    """The largest reading of the last second of the probes held together, and the s at which it ended."""

    reading: Reading
    proven_at: float


class LeadProof:
    """Follows one meter on ohms. ``proof`` is None before the probes were together; times are those of the readings."""

    def __init__(self) -> None:
        self.proof: ProvenLeads | None = None
        self.parted = False  # since the proof the display has shown that of open leads
        self.open_since: float | None = None  # s, of an overload without a break
        self._together: deque[tuple[float, Reading]] = deque()  # (s, reading) of the newest `TOGETHER_TIME`
        self._last_at = 0.0

    def add(self, reading: Reading) -> None:
        """Add the next reading of the meter; another quantity than resistance forgets the proof."""
        now = reading.timestamp.monotonic_ns * 1e-9
        if reading.quantity is not Quantity.RESISTANCE:
            self.__init__()  # type: ignore[misc]  # the object has no other state
            return
        if now - self._last_at > MAX_GAP:
            self._together.clear()
            self.open_since = None
        self._last_at = now
        if reading.status is Status.INVALID:
            return  # a range is being looked for
        self._follow_together(reading, now)
        if reading.status is not Status.OVERLOAD:
            self.open_since = None
            return
        self.open_since = now if self.open_since is None else self.open_since
        if now - self.open_since >= LIFT_TIME:
            self.parted = True

    def _follow_together(self, reading: Reading, now: float) -> None:
        if not reads_as_leads(reading):
            self._together.clear()
            return
        self._together.append((now, reading))
        if now - self._together[0][0] < TOGETHER_TIME:
            return
        self.proof = ProvenLeads(max((kept for _, kept in self._together), key=_ohms), now)
        self.parted = False
        while now - self._together[0][0] >= TOGETHER_TIME:
            self._together.popleft()

    def tells_part(self, reading: Reading) -> bool:
        """Return whether the probes held together cannot read so much: they read less, and were apart since."""
        if self.proof is None or not self.parted or reading.digits is None:
            return False
        leads = self.proof.reading
        counts = COUNTS_ABOVE_LEADS * max(_step(reading), _step(leads))
        return _ohms(reading) >= _ohms(leads) + counts


def reads_as_leads(reading: Reading) -> bool:
    """Return whether a reading is as little as that of probes held together: below `MOST_OHMS_TOGETHER`."""
    if reading.quantity is not Quantity.RESISTANCE or reading.digits is None:
        return False
    return reading.digits < MOST_OHMS_TOGETHER.to(reading.unit)


def _ohms(reading: Reading) -> Decimal:
    return to_base(reading.digits or Decimal(0), reading.unit)


def _step(reading: Reading) -> Decimal:
    return to_base(display_step_of(reading), reading.unit)
