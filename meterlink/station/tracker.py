"""One meter followed through its measurements. No I/O, no asyncio: time is the readings' own."""

from dataclasses import dataclass, field

from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement
from meterlink.settling.detector import Phase, SettlingDetector, SettlingState

# How long the verdict stays on the screen after the probes came off, before the next test point takes its place:
# time to look up from the terminals. Ends at once when the probes touch the next terminals.
DWELL_AFTER_LIFT = 2.0  # s


@dataclass(slots=True, eq=False)
class MeterTracker:
    """What is known of one meter's present measurement.

    ``point`` is the test point it is tagged with now, ``held_at`` the one whose reading ``held`` was held in this
    measurement and whose probes are not known to have moved on. ``doubtful`` is a settled judgement that looks the same
    with the probes in the air or on each other, so that somebody has to say that they are on the terminals.
    """

    address: str
    name: str
    meter_id: int
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
        """When its latest reading came, s on the station's monotonic clock; 0 before the first."""
        return self.latest.timestamp.monotonic_ns * 1e-9 if self.latest is not None else 0.0

    def add_reading(self, reading: Reading) -> str | None:
        """Take the next reading; return the key of a test point whose probes have now been off long enough."""
        now = reading.timestamp.monotonic_ns * 1e-9
        self.reading_count += 1
        if self.latest is not None and self.latest.quantity is not reading.quantity:
            self._detector.reset()  # the dial was turned
            self._lifted_at = now if self._lifted_at is None else self._lifted_at
        self.latest = reading
        self.low_battery = reading.low_battery
        if not reading.is_judgeable:
            # What was held stays held; what was settling is begun anew once the display shows the probes again.
            if self.settling.phase is not Phase.ACCEPTED:
                self.restart()
            self.ambiguous = False
            return None
        self.settling = self._detector.feed(reading)
        if self.settling.probes_touched or self.settling.probes_lifted:
            self.ambiguous = False
        if self.settling.probes_lifted:
            self._lifted_at = now
        left = self.settling.probes_touched or (
            self._lifted_at is not None and now - self._lifted_at >= DWELL_AFTER_LIFT
        )
        if not (left and self.accepted_at):
            return None
        left_point, self.accepted_at, self._lifted_at = self.accepted_at, None, None
        return left_point

    def accept(self, reading: Reading, key: str) -> None:
        """Note that ``reading`` is held at ``key``: by itself, or because somebody said so."""
        now = reading.timestamp.monotonic_ns * 1e-9
        self._detector.accept(reading)
        self.accepted = reading
        self.accepted_at, self.ambiguous = key, False
        self._lifted_at = now if self.settling.phase is Phase.IDLE else None

    def restart(self) -> None:
        """Measure anew, with the probes where they are: after a lost link, or to take a reading again."""
        self._detector.reset()
        self.settling, self.accepted_at, self.ambiguous = SettlingState(Phase.IDLE), None, False

    def set_battery(self, reading: Reading) -> None:
        """Note the meter's own charge, in percent."""
        if reading.quantity is Quantity.BATTERY and reading.digits is not None:
            self.battery = int(reading.digits)
