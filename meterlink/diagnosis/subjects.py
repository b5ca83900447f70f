"""What rules are about: sections, coils, windings, contacts, single test points, the visit. Found by the words of the
trade in the test points of a case, so a plan of anybody's is understood as far as it uses them.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Limits
from meterlink.diagnosis.observations import Case, PointReadings
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level
from meterlink.judge.judging import limits_for

# What the frame is called on a terminal. Common practice, no source.
_GROUND_TERMINALS = {"GND", "GROUND", "PE", "EARTH", "FRAME", "SHELL"}  # not G: that is a thermostat terminal
TERMINAL_PAIRS = ("C–S", "C–R", "R–S")


def _measured_points(case: Case) -> list[PointReadings]:
    return [takes for takes in case.point_readings if takes.matching_readings]


def is_capacitor_section(point: TestPoint) -> bool:
    """Say whether the point reads a run capacitor's section on the bench: off, discharged, wires off."""
    return (
        point.quantity is Quantity.CAPACITANCE
        and point.state is CircuitState.ISOLATED
        and point.kind is PointKind.CAPACITOR
    )


def is_resistance_to_ground(point: TestPoint) -> bool:
    """Say whether the point reads a resistance to ground: of a motor, a heater, not of a capacitor."""
    return (
        _isolated_ohms(point)
        and any(terminal.upper() in _GROUND_TERMINALS for terminal in point.terminals)
        and "capacitor" not in point.component.lower()
    )


def _isolated_ohms(point: TestPoint) -> bool:
    return point.quantity is Quantity.RESISTANCE and point.state is CircuitState.ISOLATED


def _motor_name(point: TestPoint) -> str:
    """Return whose windings the point reads: the component, or its circuit where the component is but a winding."""
    return point.circuit if point.component.lower().startswith("winding") else point.component


def _terminal_pair(point: TestPoint) -> str:
    """Return which two of a motor's terminals the point lies between, empty for any others."""
    # A capacitor and a transformer may have terminals C and R, too.
    motor = any(word in f"{point.circuit} {point.component}".lower() for word in ("motor", "compressor", "winding"))
    other = any(word in point.component.lower() for word in ("capacitor", "coil", "contact", "transformer"))
    ends = {terminal.upper() for terminal in point.terminals}
    if not _isolated_ohms(point) or not motor or other:
        return ""
    return next((pair for pair in TERMINAL_PAIRS if set(pair.split("–")) == ends), "")


@dataclass(frozen=True, slots=True)
class CapacitorSection:
    """One section of a capacitor that has been read. ``other`` is the second section of a dual one, read or not."""

    KIND: ClassVar[str] = "capacitor section"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset(
        {"part", "here", "own", "common", "other_end", "other_here", "across"}
    )

    case: Case
    point_readings: PointReadings
    other_section: PointReadings | None

    @property
    def placeholders(self) -> dict[str, str]:
        """The part, its terminals, and those of the other section."""
        mine = self.point_readings.point.terminals
        theirs = self.other_section.point.terminals if self.other_section else mine
        common = next((end for end in mine if end in theirs and theirs != mine), mine[0])
        own = next(end for end in mine if end != common)
        other_end = next((end for end in theirs if end not in mine), "the other section")
        return {
            "part": self.point_readings.point.title,
            "here": self.point_readings.terminals_text,
            "own": own,
            "common": common,
            "other_end": other_end,
            "other_here": f"{common}–{other_end}",
            "across": f"{own}–{other_end}",
        }

    @property
    def other_limits(self) -> Limits | None:
        """What the other section is held against, read or not; None while nobody has read its rating."""
        if self.other_section is None:
            return None
        return self.other_section.limits or limits_for(self.other_section.point)

    def find_readings(self, quantity: Quantity, state: CircuitState) -> PointReadings | None:
        """Return what else was read at this section: ohms across it, its amps and volts at work."""
        mine = self.point_readings.point
        return next(
            (
                takes
                for takes in _measured_points(self.case)
                if takes is not self.point_readings
                and (takes.point.quantity, takes.point.state) == (quantity, state)
                and (takes.point.component, takes.point.section) == (mine.component, mine.section)
            ),
            None,
        )

    @classmethod
    def find_all(cls, case: Case) -> "list[CapacitorSection]":
        """Return every section that has been read."""
        points = [takes for takes in case.point_readings if is_capacitor_section(takes.point)]
        return [cls(case, takes, _other_section(takes, points)) for takes in points if takes.matching_readings]


def _other_section(section: PointReadings, points: list[PointReadings]) -> PointReadings | None:
    mine = section.point
    for takes in points:
        one_shared = len({*mine.terminals, *takes.point.terminals}) == 3
        if takes is not section and takes.point.component == mine.component and one_shared:
            return takes
    return None


@dataclass(frozen=True, slots=True)
class Coil:
    """A coil of a contactor, relay or valve, a transformer's winding, a timer's motor, as far as read: its resistance,
    the voltage at it, and the supply it hangs on.
    """

    KIND: ClassVar[str] = "coil"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "here", "source"})

    case: Case
    point: TestPoint
    resistance: PointReadings | None
    voltage: PointReadings | None

    @property
    def placeholders(self) -> dict[str, str]:
        """The coil, its terminals, and those of its control supply."""
        supply = self.control_supply
        source = supply.terminals_text if supply else "the control transformer's secondary"
        return {"part": self.point.title, "here": "–".join(self.point.terminals), "source": source}

    @property
    def control_supply(self) -> PointReadings | None:
        """The voltage at the source of this coil's circuit, as read last; a transformer's own winding has none."""
        return _newest(self._points_of_circuit(is_control_supply))

    @property
    def transformer_primary(self) -> PointReadings | None:
        """The voltage at the primary of the transformer in this coil's circuit, as read last."""
        return _newest(self._points_of_circuit(_is_transformer_primary))

    def _points_of_circuit(self, predicate: Callable[[TestPoint], bool]) -> list[PointReadings]:
        if "transformer" in self.point.component.lower():
            return []
        return [t for t in _measured_points(self.case) if predicate(t.point) and t.point.circuit == self.point.circuit]

    @property
    def temperature(self) -> PointReadings | None:
        """A temperature read at this coil, else the ambient one."""
        read = [takes for takes in _measured_points(self.case) if takes.point.quantity is Quantity.TEMPERATURE]
        at_coil = [takes for takes in read if takes.point.component == self.point.component]
        ambient = [takes for takes in read if "ambient" in f"{takes.point.circuit} {takes.point.title}".lower()]
        return next(iter(at_coil + ambient), None)

    @classmethod
    def find_all(cls, case: Case) -> "list[Coil]":
        """Return every coil of which something has been read."""
        found = []
        points = [t for t in _measured_points(case) if _is_coil(t.point) and not is_resistance_to_ground(t.point)]
        for name in dict.fromkeys((takes.point.circuit, takes.point.title) for takes in points):
            mine = [takes for takes in points if (takes.point.circuit, takes.point.title) == name]
            of = {takes.point.quantity: takes for takes in mine}
            ohms, volts = of.get(Quantity.RESISTANCE), of.get(Quantity.VOLTAGE)
            if volts is not None and (
                volts.point.state is not CircuitState.ENERGIZED or is_control_supply(volts.point)
            ):
                volts = None
            first = ohms or volts
            if first is not None:
                found.append(cls(case, first.point, ohms, volts))
        return found


def _is_coil(point: TestPoint) -> bool:
    return "coil" in point.component.lower() or point.kind is PointKind.COIL


def _newest(points: list[PointReadings]) -> PointReadings | None:
    return max(points, key=lambda takes: takes.readings[-1].number, default=None)


def _is_transformer_primary(point: TestPoint) -> bool:
    named = f"{point.circuit} {point.title}".lower()
    return point.quantity is Quantity.VOLTAGE and "transformer" in named and "primary" in named


def is_control_supply(point: TestPoint) -> bool:
    """Say whether the point reads the control supply at its source."""
    named = f"{point.circuit} {point.title}".lower()
    at_source = "transformer" in named or ("control" in named and "supply" in named)
    return (
        point.quantity is Quantity.VOLTAGE
        and point.state is CircuitState.ENERGIZED
        and at_source
        and "coil" not in named
        and "primary" not in named
    )


def is_line_supply(point: TestPoint) -> bool:
    """Say whether the point reads the supply of the unit itself."""
    named = f"{point.circuit} {point.title}".lower()
    line = any(word in named for word in ("supply", "line volt", "disconnect"))
    return (
        point.quantity is Quantity.VOLTAGE
        and point.state is CircuitState.ENERGIZED
        and line
        and not any(word in named for word in ("control", "transformer", "coil", "contacts"))
    )


@dataclass(frozen=True, slots=True)
class MotorWindings:
    """A motor's windings: three resistances between C, S and R, and those to the frame, as far as read."""

    KIND: ClassVar[str] = "windings"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"motor"})

    case: Case
    motor: str
    pairs: dict[str, PointReadings]
    to_ground: tuple[PointReadings, ...]

    @property
    def placeholders(self) -> dict[str, str]:
        """The motor, or whatever else was read to the frame."""
        return {"motor": self.motor}

    @classmethod
    def find_all(cls, case: Case) -> "list[MotorWindings]":
        """Return every motor of which a winding has been read."""
        points = [
            takes
            for takes in _measured_points(case)
            if is_resistance_to_ground(takes.point) or _terminal_pair(takes.point)
        ]
        found = []
        for motor in dict.fromkeys((takes.point.circuit, _motor_name(takes.point)) for takes in points):
            mine = [takes for takes in points if (takes.point.circuit, _motor_name(takes.point)) == motor]
            pairs = {_terminal_pair(takes.point): takes for takes in mine if _terminal_pair(takes.point)}
            found.append(
                cls(case, motor[1], pairs, tuple(takes for takes in mine if is_resistance_to_ground(takes.point)))
            )
        return found


@dataclass(frozen=True, slots=True)
class ContactorContacts:
    """One pole of a contactor, its voltage drop read at load."""

    KIND: ClassVar[str] = "contacts"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "here"})

    case: Case
    point_readings: PointReadings

    @property
    def placeholders(self) -> dict[str, str]:
        """The contacts and their terminals."""
        return {"part": self.point_readings.point.title, "here": self.point_readings.terminals_text}

    @classmethod
    def find_all(cls, case: Case) -> "list[ContactorContacts]":
        """Return every pole whose drop was read."""
        return [
            cls(case, takes)
            for takes in _measured_points(case)
            if "contacts" in takes.point.component.lower()
            and (takes.point.quantity, takes.point.state) == (Quantity.VOLTAGE, CircuitState.ENERGIZED)
        ]


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """One test point with everything that was read there, whatever the meter was set to."""

    KIND: ClassVar[str] = "test point"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "here", "quantity"})

    case: Case
    point_readings: PointReadings

    @property
    def placeholders(self) -> dict[str, str]:
        """The part, its terminals and what should be read there."""
        point = self.point_readings.point
        return {"part": point.title, "here": self.point_readings.terminals_text, "quantity": point.quantity.value}

    @classmethod
    def find_all(cls, case: Case) -> "list[MeasuredPoint]":
        """Return every test point where something was read."""
        return [cls(case, takes) for takes in case.point_readings if takes.readings]


@dataclass(frozen=True, slots=True)
class WholeVisit:
    """The whole visit."""

    KIND: ClassVar[str] = "visit"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"line"})

    case: Case

    @property
    def placeholders(self) -> dict[str, str]:
        """Where the line supply is read."""
        return {"line": self.worst_line_supply.terminals_text if self.worst_line_supply else "the line terminals"}

    @property
    def line_supplies(self) -> list[PointReadings]:
        """Every reading of the unit's own supply, in order."""
        return [takes for takes in _measured_points(self.case) if is_line_supply(takes.point)]

    @property
    def worst_line_supply(self) -> PointReadings | None:
        """The worst of them: one with no voltage, else one that is low, else the first."""
        levels = [(takes, voltage_level(takes)) for takes in self.line_supplies]
        bad = [
            takes for wanted in (VoltageLevel.ABSENT, VoltageLevel.LOW) for takes, found in levels if found is wanted
        ]
        return next(iter([*bad, *self.line_supplies]), None)

    @property
    def control_supply(self) -> PointReadings | None:
        """The control supply, else the voltage it brings to a coil."""
        at_source = [takes for takes in _measured_points(self.case) if is_control_supply(takes.point)]
        at_coils = [coil.voltage for coil in Coil.find_all(self.case) if coil.voltage]
        return _newest(at_source) or _newest(at_coils)

    @classmethod
    def find_all(cls, case: Case) -> "list[WholeVisit]":
        """Return the visit."""
        return [cls(case)] if case.observations else []


SUBJECTS = {
    kind.KIND: kind for kind in (CapacitorSection, Coil, MotorWindings, ContactorContacts, MeasuredPoint, WholeVisit)
}
