"""Running motors as subjects of rules: their amps against the nameplate, with what supplies and starts them."""

from dataclasses import dataclass
from decimal import Decimal
from typing import ClassVar

from meterlink.core.equipment import CircuitState, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, convert
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.facts_readings import describe_point
from meterlink.diagnosis.observations import Case, Observation, PointReadings
from meterlink.diagnosis.subjects import is_capacitor_section
from meterlink.judge.electrical.lost_phase import LineReading, lost_line

_MOTOR_WORDS = ("motor", "compressor", "fan", "blower", "pump")
_OTHER_PARTS = ("capacitor", "heater", "coil", "contact", "relay", "transformer", "timer")
# The peak of a start is no running current.
_START_WORDS = ("inrush", "starting")

# A locked rotor's current goes with the voltage (textbook), and a nameplate's low limit of 187 V is 0.81 of 230 V; a
# sag takes some more. Below this share of the marked amps it turns. On a sagging supply a lower share is enough where
# it is so many times the rated amps that no motor runs with them. Common practice, no source.
_LOCKED_SHARE = 0.7
_LOCKED_SHARE_AT_SAG, _NEVER_RUNNING = 0.6, 3.0
# Where the locked-rotor amps are not marked: those of a compressor are about five to six times its rated amps (4.5 to 6
# times seen quoted), less at low voltage; no compressor runs at four times (common practice, no source). Those of a fan
# are about twice its rated amps, which an overloaded one draws, too: they are not guessed.
_LOCKED_TIMES_RATED = 4.0
# A motor without its load draws about half of its rated amps, its magnetizing current. Common practice, no source.
_IDLE_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class LockedRotor:
    """The amps of a motor that does not turn: ``text`` gives the numbers, ``marked`` whether the nameplate has LRA."""

    text: str
    marked: bool
    readings: tuple[Observation, ...]


@dataclass(frozen=True, slots=True)
class RunningMotor:
    """A motor with a reading of its amps; ``leads`` are its test points, one for each lead that was read."""

    KIND: ClassVar[str] = "running motor"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"motor", "terminals", "dead_lead"})

    case: Case
    leads: tuple[PointReadings, ...]

    @property
    def placeholders(self) -> dict[str, str]:
        """The motor, the lead with the most amps, and the one without: ``{name in PLACEHOLDERS: text}``."""
        return {
            "motor": self.leads[0].point.component,
            "terminals": self.highest.terminals_text,
            "dead_lead": self.dead_lead or "one lead",
        }

    @property
    def circuit(self) -> str:
        """The circuit of the motor."""
        return self.leads[0].point.circuit

    @property
    def is_compressor(self) -> bool:
        """Whether it is the motor of a compressor."""
        return "compressor" in self.leads[0].point.component.lower()

    @property
    def is_fan(self) -> bool:
        """Whether it is the motor of a fan that a control may stop while the compressor runs; a blower is none."""
        return "fan" in self.leads[0].point.component.lower()

    @property
    def highest(self) -> PointReadings:
        """The lead with the most amps."""
        return max(self.leads, key=lambda lead: amps_of(lead) or 0.0)

    @property
    def readings(self) -> tuple[Observation, ...]:
        """The newest reading of each lead."""
        return tuple(lead.latest for lead in self.leads if lead.latest is not None)

    @property
    def rated_amps(self) -> float | None:
        """The high limit of its amps, A: RLA or FLA; None while it is not entered."""
        limits = self.highest.limits
        return None if limits is None or limits.high is None else float(convert(limits.high, limits.unit, "A"))

    @property
    def locked_amps(self) -> float | None:
        """Its locked-rotor amps by the nameplate, A; None where they are not entered."""
        marked = [lead.point.specification for lead in self.leads]
        amps = [span for span in marked if isinstance(span, Span) and span.locked_rotor is not None]
        return float(convert(amps[0].locked_rotor or Decimal(0), amps[0].unit, "A")) if amps else None

    @property
    def locked_rotor(self) -> LockedRotor | None:
        """The evidence that it draws the current of a locked rotor; None if it does not, or nothing shows it."""
        amps, rated, marked = amps_of(self.highest), self.rated_amps, self.locked_amps
        latest = self.highest.latest
        if amps is None or latest is None:
            return None
        name = f"{describe_point(self.highest)} reads {latest.text}"
        if marked is not None:
            sagging = rated is not None and amps >= max(_LOCKED_SHARE_AT_SAG * marked, _NEVER_RUNNING * rated)
            near = sagging or (amps >= _LOCKED_SHARE * marked and (rated is None or amps > rated))
            text = f"{name}, {amps / marked:.0%} of its locked-rotor {marked:g} A."
            return LockedRotor(text, marked=True, readings=(latest,)) if near else None
        if rated is None or not self.is_compressor or amps < _LOCKED_TIMES_RATED * rated:
            return None
        text = (
            f"{name}, {amps / rated:.1f} times its rated {rated:g} A. Its locked-rotor amps are not entered; about five"
            " to six times the rated amps are usual."
        )
        return LockedRotor(text, marked=False, readings=(latest,))

    @property
    def dead_lead(self) -> str | None:
        """The lead without current while the other two carry about the same; None without such a lead."""
        if sum(reading.verdict is Verdict.NOTHING_FLOWS for reading in self.readings) > 1:
            return None  # 0.01 A beside 0.00 A are the last digit of a meter, not currents
        lines = [LineReading(lead.point.terminals[:1], lead.latest.measured) for lead in self.leads if lead.latest]
        try:
            return lost_line(lines)
        except InputError:  # not three leads, or an overload
            return None

    @property
    def draws_nothing(self) -> bool:
        """Whether every lead that was read shows no current."""
        return all(reading.verdict is Verdict.NOTHING_FLOWS for reading in self.readings)

    @property
    def is_idle(self) -> bool:
        """Whether it draws current, far less than its rated amps."""
        latest, rated = self.highest.latest, self.rated_amps
        if latest is None or latest.estimate is None or rated is None or self.draws_nothing:
            return False
        return latest.estimate.value + latest.estimate.expanded_uncertainty < _IDLE_SHARE * rated

    @property
    def capacitors(self) -> tuple[PointReadings, ...]:
        """The capacitor sections of its circuit with a reading on the bench."""
        return tuple(
            entry
            for entry in self.case.point_readings
            if entry.latest is not None and is_capacitor_section(entry.point) and entry.point.circuit == self.circuit
        )

    @property
    def other_running(self) -> PointReadings | None:
        """Another motor of the unit that draws current; None without one."""
        for motor in RunningMotor.find_all(self.case):
            if motor.circuit != self.circuit and not motor.draws_nothing:
                return motor.highest
        return None

    @classmethod
    def find_all(cls, case: Case) -> "list[RunningMotor]":
        """Return every motor with a reading of its amps."""
        by_motor: dict[tuple[str, str], list[PointReadings]] = {}
        for entry in case.point_readings:
            if entry.latest is not None and is_motor_current(entry.point):
                by_motor.setdefault((entry.point.circuit, entry.point.component), []).append(entry)
        return [cls(case, tuple(leads)) for leads in by_motor.values()]


def is_motor_current(point: TestPoint) -> bool:
    """Return whether the point reads the running amps of a motor."""
    component = point.component.lower()
    return (
        point.quantity is Quantity.CURRENT
        and point.state is CircuitState.ENERGIZED
        and any(word in component for word in _MOTOR_WORDS)
        and not any(word in component for word in _OTHER_PARTS)
        and not any(word in point.title.lower() for word in _START_WORDS)
    )


def amps_of(lead: PointReadings) -> float | None:
    """Return the newest amps at a test point, A; None for an overload."""
    return lead.latest.estimate.value if lead.latest and lead.latest.estimate else None


def amps_above_rated(case: Case, circuit: str | None = None) -> tuple[float, PointReadings] | None:
    """Return ``(amps by rated amps, lead)`` of the motor that draws the most; None where nothing shows it.

    ``circuit`` selects the motors of one circuit; None takes all of the unit.
    """
    found = [
        (amps / motor.rated_amps, motor.highest)
        for motor in RunningMotor.find_all(case)
        if circuit in {None, motor.circuit} and (amps := amps_of(motor.highest)) and motor.rated_amps
    ]
    largest = max(found, key=lambda entry: amps_of(entry[1]) or 0.0, default=None)
    return largest if largest and largest[0] > 1 else None


def coil_of_contacts(case: Case, contacts: str = "contactor contacts") -> PointReadings | None:
    """Return the newest voltage at the coil that moves these contacts, by its name; None without one.

    ``contacts`` is their component: the coil of ``sequencer contacts`` is a ``sequencer coil``.
    """
    coil = contacts.lower().replace("contacts", "coil")
    coils = [
        entry
        for entry in case.point_readings
        if entry.latest is not None
        and entry.point.quantity is Quantity.VOLTAGE
        and entry.point.state is CircuitState.ENERGIZED
        and entry.point.component.lower() == coil
    ]
    return max(coils, key=lambda entry: entry.latest.number if entry.latest else -1, default=None)


def load_currents(case: Case, circuit: str) -> list[PointReadings]:
    """Return the test points of the amps of a circuit's loads with a reading; a capacitor is no load."""
    return [entry for entry in _currents(case, circuit) if "capacitor" not in entry.point.component.lower()]


def run_capacitor_currents(case: Case, circuit: str) -> list[PointReadings]:
    """Return the test points of the amps of a circuit's run capacitors with a reading; a start capacitor is none."""
    return [
        entry
        for entry in _currents(case, circuit)
        if "capacitor" in entry.point.component.lower() and "start" not in entry.point.component.lower()
    ]


def _currents(case: Case, circuit: str) -> list[PointReadings]:
    return [
        entry
        for entry in case.point_readings
        if entry.latest is not None and entry.point.circuit == circuit and entry.point.quantity is Quantity.CURRENT
    ]
