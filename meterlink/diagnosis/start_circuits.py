"""Start circuits as subjects of rules: a start capacitor, the potential relay that takes it out, its bleed resistor."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from meterlink.core.equipment import TestPoint
from meterlink.core.units import Quantity
from meterlink.diagnosis.observations import Case, Observation, PointReadings
from meterlink.diagnosis.subjects import (
    is_capacitor_section,
    is_start_relay,
    is_start_relay_coil,
    measured_points,
    reads_isolated_ohms,
)

# The contacts of a potential relay are between its terminals 1 and 2. Common practice, no source.
_RELAY_CONTACTS_TERMINALS = {"1", "2"}


def _is_start_relay_contacts(point: TestPoint) -> bool:
    named = "contact" in point.title.lower() or set(point.terminals) == _RELAY_CONTACTS_TERMINALS
    return is_start_relay(point) and named


def _is_start_capacitor(point: TestPoint) -> bool:
    return "start capacitor" in point.component.lower()


def _is_bleed_resistor(point: TestPoint) -> bool:
    return reads_isolated_ohms(point) and "bleed" in point.title.lower()


@dataclass(frozen=True, slots=True)
class StartCircuit:
    """The start capacitor of a motor, its relay and its bleed resistor; ``points`` are those of its circuit."""

    KIND: ClassVar[str] = "start circuit"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset(
        {"circuit", "contacts_terminals", "coil_terminals", "capacitor_terminals"}
    )

    case: Case
    circuit: str
    points: tuple[PointReadings, ...]

    @property
    def placeholders(self) -> dict[str, str]:
        """The circuit, and the terminals of its parts: ``{name in PLACEHOLDERS: text}``."""
        return {
            "circuit": self.circuit,
            "contacts_terminals": self.contacts.terminals_text if self.contacts else "1–2",
            "coil_terminals": self.coil.terminals_text if self.coil else "5–2",
            "capacitor_terminals": self.capacitor.terminals_text if self.capacitor else "the start capacitor",
        }

    def _find(self, predicate: Callable[[TestPoint], bool]) -> PointReadings | None:
        return next((entry for entry in self.points if entry.matching_readings and predicate(entry.point)), None)

    @property
    def contacts(self) -> PointReadings | None:
        """The resistance across the relay's contacts at rest."""
        return self._find(lambda point: reads_isolated_ohms(point) and _is_start_relay_contacts(point))

    @property
    def coil(self) -> PointReadings | None:
        """The resistance of the relay's coil."""
        return self._find(is_start_relay_coil)

    @property
    def capacitor(self) -> PointReadings | None:
        """The start capacitor on the bench."""
        return self._find(lambda point: _is_start_capacitor(point) and is_capacitor_section(point))

    @property
    def bleed_resistor(self) -> PointReadings | None:
        """The resistance of the bleed resistor."""
        return self._find(_is_bleed_resistor)

    @property
    def capacitor_amps(self) -> PointReadings | None:
        """The current in the start capacitor's lead, energized."""
        return self._find(lambda point: _is_start_capacitor(point) and point.quantity is Quantity.CURRENT)

    @property
    def motor_amps(self) -> PointReadings | None:
        """The current of the motor, energized."""
        return self._find(
            lambda point: point.quantity is Quantity.CURRENT and "capacitor" not in point.component.lower()
        )

    @property
    def charge(self) -> Observation | None:
        """The newest voltage that was read across the start capacitor while it should be discharged."""
        charged = (entry.stray_voltages for entry in self.points if _is_start_capacitor(entry.point))
        return next((voltages[-1] for voltages in charged if voltages), None)

    @classmethod
    def find_all(cls, case: Case) -> "list[StartCircuit]":
        """Return every circuit with a reading at a part of a start circuit."""
        parts = [
            entry.point.circuit
            for entry in measured_points(case)
            if is_start_relay(entry.point) or _is_start_capacitor(entry.point) or _is_bleed_resistor(entry.point)
        ]
        return [
            cls(case, circuit, tuple(entry for entry in case.point_readings if entry.point.circuit == circuit))
            for circuit in dict.fromkeys(parts)
        ]
