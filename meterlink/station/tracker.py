"""One meter followed through its measurements. No I/O, no asyncio: time is the readings' own."""

from dataclasses import dataclass, field

from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement
from meterlink.settling.detector import Phase, SettlingDetector, Step

# How long the verdict stays on the screen after the probes came off, before the next test point takes its place:
# time to look up from the terminals. Ends at once when the probes touch the next terminals.
LOOK_UP = 2.0  # s


@dataclass(slots=True, eq=False)
class Follower:
    """What is known of one meter's present measurement.

    ``point`` is the test point it is tagged with now, ``held_at`` the one whose reading ``held`` was held in this
    measurement and whose probes are not known to have moved on. ``doubtful`` is a settled judgement that looks the same
    with the probes in the air or on each other, so that somebody has to say that they are on the terminals.
    """

    address: str
    name: str
    db_id: int
    latest: Reading | None = None
    step: Step = field(default_factory=lambda: Step(Phase.IDLE))
    point: str | None = None
    judgement: Judgement | None = None
    held_at: str | None = None
    held: Reading | None = None
    doubtful: bool = False
    battery: int | None = None
    low_battery: bool = False
    count: int = 0
    _detector: SettlingDetector = field(default_factory=SettlingDetector)
    _off_since: float | None = None

    @property
    def seen_at(self) -> float:
        """When its latest reading came, s on the station's monotonic clock; 0 before the first."""
        return self.latest.stamp.monotonic_ns * 1e-9 if self.latest is not None else 0.0

    def follow(self, reading: Reading) -> str | None:
        """Take the next reading; return the key of a test point whose probes have now been off long enough."""
        now = reading.stamp.monotonic_ns * 1e-9
        self.count += 1
        if self.latest is not None and self.latest.quantity is not reading.quantity:
            self._detector.reset()  # the dial was turned
            self._off_since = now if self._off_since is None else self._off_since
        self.latest = reading
        self.low_battery = reading.low_battery
        if not reading.measures:
            # What was held stays held; what was settling is begun anew once the display shows the probes again.
            if self.step.phase is not Phase.HELD:
                self.start_again()
            self.doubtful = False
            return None
        self.step = self._detector.feed(reading)
        if self.step.touched or self.step.lifted:
            self.doubtful = False
        if self.step.lifted:
            self._off_since = now
        left = self.step.touched or (self._off_since is not None and now - self._off_since >= LOOK_UP)
        if not (left and self.held_at):
            return None
        left_point, self.held_at, self._off_since = self.held_at, None, None
        return left_point

    def hold(self, reading: Reading, key: str) -> None:
        """Note that ``reading`` is held at ``key``: by itself, or because somebody said so."""
        now = reading.stamp.monotonic_ns * 1e-9
        self._detector.hold(reading)
        self.held = reading
        self.held_at, self.doubtful = key, False
        self._off_since = now if self.step.phase is Phase.IDLE else None

    def start_again(self) -> None:
        """Measure anew, with the probes where they are: after a lost link, or to take a reading again."""
        self._detector.reset()
        self.step, self.held_at, self.doubtful = Step(Phase.IDLE), None, False

    def take_battery(self, reading: Reading) -> None:
        """Note the meter's own charge, in percent."""
        if reading.quantity is Quantity.BATTERY and reading.digits is not None:
            self.battery = int(reading.digits)
