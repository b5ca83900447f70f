"""The measurement state of one meter. No I/O, no asyncio: times are those of the readings."""

from dataclasses import dataclass, field
from decimal import Decimal

from meterlink.core.readings import Phase, Reading, Status
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement
from meterlink.settling.detector import LIFT_TIME, SettlingDetector, SettlingState
from meterlink.settling.lead_proof import LeadProof
from meterlink.station.departure import Departure, ProbeDeparture

# Lower volts are usually stray pick-up of open leads, not a charge or a source; common practice, no source.
LARGEST_STRAY_VOLTAGE = Amount(Decimal(3), "V")
VOLTAGE_REMAINS = 2.0  # s for which a voltage counts as present after the last display of it: a bounce is no end of it


@dataclass(slots=True, eq=False)
class MeterTracker:
    """The present measurement of one meter.

    ``connection_id`` is the database row of its present connection, 0 before the first. ``point_key`` is the test point
    of its latest reading. ``accepted`` is the reading accepted in this measurement, and ``accepted_at`` its test point
    while the probes may still be there. ``ambiguous`` marks a settled judgement that probes in the air or on each other
    give, too, so a person must accept it. ``battery`` is in percent.

    ``departure`` is the way in which the probes have just left a test point. ``again_at`` is that point while the
    present measurement may be of it again.
    ``repeated_at`` is it while the measurement is of it again: a lift leaves it, with another reading or without.
    ``focus_at_contact`` is the test point that was active when the present contact began.
    ``is_proving``: the probes are on a known source, so the readings belong to no test point until they have left it.
    ``was_on_old_part``: the probes have not been off since the part under them was replaced in the record, so a person
    says which part they are on. ``leads`` follows the proof of the test leads in this measurement.
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
    departure: Departure | None = None
    again_at: str | None = None
    repeated_at: str | None = None
    focus_at_contact: str | None = None
    is_proving: bool = False
    was_on_old_part: bool = False
    leads: LeadProof = field(default_factory=LeadProof)
    _detector: SettlingDetector = field(default_factory=SettlingDetector)
    _departure: ProbeDeparture | None = None
    _voltage: Reading | None = None
    _voltage_time: float = 0.0  # s, of the newest display of a voltage
    _settled_time: float = 0.0  # s, of the settled reading, and …
    _settling_time: float = 0.0  # … s from the contact to it

    @property
    def present_voltage(self) -> Reading | None:
        """The newest reading of more volts than stray pick-up, in the last `VOLTAGE_REMAINS`; else None."""
        if self._voltage is None:
            return None
        age = self.last_reading_at - self._voltage.timestamp.monotonic_ns * 1e-9
        return self._voltage if age < VOLTAGE_REMAINS else None

    @property
    def rest_time(self) -> float:
        """The time in s for which the display has been at rest since it settled."""
        return self.last_reading_at - self._settled_time

    @property
    def settled_for_nothing(self) -> bool:
        """Whether a reading has settled that was accepted nowhere, and is not asked about."""
        return self.settling.phase is Phase.ACCEPTED and self.accepted_at is None and not self.ambiguous

    @property
    def contact_time(self) -> float:
        """The time in s from the first contact to the latest reading."""
        return self._settling_time + self.rest_time

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
            self.again_at = None
        self.latest = reading
        self.low_battery = reading.low_battery
        self.leads.add(reading)
        if not reading.is_judgeable:
            # An accepted reading stays. Settling starts again when the display shows the value at the probes again.
            if self.settling.phase is not Phase.ACCEPTED:
                self.restart()
            self.ambiguous = False
            return None
        self._note_voltage(reading, now)
        self.settling = self._detector.feed(reading)
        if self.settling.probes_touched or self.settling.probes_lifted:
            self.ambiguous = False
        if self.settling.phase is Phase.IDLE:
            self.was_on_old_part = False
        if self.settling.settled_reading is not None:
            self._settled_time, self._settling_time = now, self.settling.settling_time
        if self.settling.probes_lifted:
            self.again_at = None
        left_point = self.accepted_at or self.repeated_at
        if self._departure is None or left_point is None:
            return None
        self.departure = self._departure.add(reading, self.settling)
        if self.departure is None:
            return None
        self.accepted_at = self.repeated_at = self._departure = None
        return left_point

    def _note_voltage(self, reading: Reading, now: float) -> None:
        if shows_voltage(reading):
            self._voltage_time = now
            self._voltage = None if self.is_proving else reading
        elif reading.quantity is not Quantity.VOLTAGE or now - self._voltage_time >= LIFT_TIME:
            self.is_proving = False

    def begin_proving(self) -> None:
        """Record that the probes are on a known source, whose voltage is no reason to stop."""
        self.is_proving, self._voltage = True, None

    def repeat_at(self, key: str) -> None:
        """Record that the probes have returned to ``key``, which has a reading, to measure it again."""
        self.repeated_at = key
        if self.accepted is not None:
            self._departure = ProbeDeparture(self.accepted, self.last_reading_at)

    def accept(self, reading: Reading, key: str) -> None:
        """Record that ``reading`` is accepted at the test point ``key``: settled, or by command."""
        now = reading.timestamp.monotonic_ns * 1e-9
        self._detector.accept(reading)
        self.accepted = reading
        self.accepted_at, self.repeated_at, self.ambiguous = key, None, False
        self._departure = ProbeDeparture(reading, now, is_open=self.settling.phase is Phase.IDLE)
        self.leads = LeadProof()

    def restart(self) -> None:
        """Measure again, with the probes in place: after a lost connection, or for a repeat."""
        self._detector.reset()
        self.settling, self.accepted_at, self.ambiguous = SettlingState(Phase.IDLE), None, False
        self.again_at = self.repeated_at = None
        self.leads = LeadProof()

    def leave_visit(self) -> None:
        """Forget the test point, the verdict and the accepted reading: they belong to another visit."""
        self.restart()
        self.point_key = self.judgement = self.accepted = None

    def leave_part(self) -> None:
        """Forget what belongs to a part that was replaced; probes that are still there may be on either part."""
        self.was_on_old_part = self.settling.phase is not Phase.IDLE
        self.leave_visit()

    def set_battery(self, reading: Reading) -> None:
        """Record the charge of the meter's battery in percent."""
        if reading.quantity is Quantity.BATTERY and reading.digits is not None:
            self.battery = int(reading.digits)


def shows_voltage(reading: Reading) -> bool:
    """Return whether a reading has more volts than stray pick-up; an overload has."""
    if reading.quantity is not Quantity.VOLTAGE or reading.status is Status.INVALID:
        return False
    return reading.digits is None or abs(reading.digits) >= LARGEST_STRAY_VOLTAGE.to(reading.unit)
