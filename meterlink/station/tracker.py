"""The measurement state of one meter. No I/O, no asyncio: times are those of the readings."""

from dataclasses import dataclass, field

from meterlink.core.readings import Phase, Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement
from meterlink.settling.detector import SettlingDetector, SettlingState

# The verdict stays on the screen this long after the probes were removed: time to look up from the terminals. It ends
# at once when the probes touch the next terminals.
DWELL_AFTER_LIFT = 2.0  # s


@dataclass(slots=True, eq=False)
class MeterTracker:
    """The present measurement of one meter.

    ``connection_id`` is the database row of its present connection, 0 before the first. ``point_key`` is the test point
    of its latest reading. ``accepted`` is the reading accepted in this measurement, and ``accepted_at`` its test point
    while the probes may still be there. ``ambiguous`` marks a settled judgement that probes in the air or on each other
    give, too, so a person must accept it. ``battery`` is in percent.
    """

    address: str
    name: str
    meter_id: int
    connection_id: int = 0
    latest: Reading | None = None
    settling: SettlingState = field(default_factory=lambda: SettlingState(Phase.IDLE))
    point_key: str | None = None
    judgement: Judgement | None = None
    accepted_at: str | None = None
    accepted: Reading | None = None
    ambiguous: bool = False
    battery: int | None = None
    low_battery: bool = False
    reading_count: int = 0
    _detector: SettlingDetector = field(default_factory=SettlingDetector)
    _lifted_at: float | None = None

    @property
    def last_reading_at(self) -> float:
        """The time of the latest reading in s of the station's monotonic clock; 0 before the first."""
        return self.latest.timestamp.monotonic_ns * 1e-9 if self.latest is not None else 0.0

    def add_reading(self, reading: Reading) -> str | None:
        """Process the next reading; return the key of a test point that the probes have left long enough, else None."""
        now = reading.timestamp.monotonic_ns * 1e-9
        self.reading_count += 1
        if self.latest is not None and self.latest.quantity is not reading.quantity:
            self._detector.reset()  # the dial was turned
            self._lifted_at = now if self._lifted_at is None else self._lifted_at
        self.latest = reading
        self.low_battery = reading.low_battery
        if not reading.is_judgeable:
            # An accepted reading stays. Settling starts again when the display shows the value at the probes again.
            if self.settling.phase is not Phase.ACCEPTED:
                self.restart()
            self.ambiguous = False
            return None
        self.settling = self._detector.feed(reading)
        if self.settling.probes_touched or self.settling.probes_lifted:
            self.ambiguous = False
        if self.settling.probes_lifted:
            self._lifted_at = now
        has_left = self.settling.probes_touched or (
            self._lifted_at is not None and now - self._lifted_at >= DWELL_AFTER_LIFT
        )
        if not (has_left and self.accepted_at):
            return None
        left_point, self.accepted_at, self._lifted_at = self.accepted_at, None, None
        return left_point

    def accept(self, reading: Reading, key: str) -> None:
        """Record that ``reading`` is accepted at the test point ``key``: settled, or by command."""
        now = reading.timestamp.monotonic_ns * 1e-9
        self._detector.accept(reading)
        self.accepted = reading
        self.accepted_at, self.ambiguous = key, False
        self._lifted_at = now if self.settling.phase is Phase.IDLE else None

    def restart(self) -> None:
        """Measure again, with the probes in place: after a lost connection, or for a repeat."""
        self._detector.reset()
        self.settling, self.accepted_at, self.ambiguous = SettlingState(Phase.IDLE), None, False

    def leave_visit(self) -> None:
        """Forget the test point, the verdict and the accepted reading: they belong to another visit."""
        self.restart()
        self.point_key = self.judgement = self.accepted = None

    def set_battery(self, reading: Reading) -> None:
        """Record the charge of the meter's battery in percent."""
        if reading.quantity is Quantity.BATTERY and reading.digits is not None:
            self.battery = int(reading.digits)
