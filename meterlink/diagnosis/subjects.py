"""Find the subjects of rules in a case: capacitor sections, coils, windings, contacts, single test points, the visit.

They are recognised by the words of the trade in the test points, so any plan works that uses these words.
"""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import ClassVar

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Limits
from meterlink.diagnosis.observations import Case, PointReadings
from meterlink.diagnosis.supply_points import GROUND_TERMINALS, is_closed_path, reads_line_to_ground
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level
from meterlink.judge.electrical.lost_phase import LineReading, lost_line
from meterlink.judge.judging import limits_for

TERMINAL_PAIRS = ("C–S", "C–R", "R–S")


def measured_points(case: Case) -> list[PointReadings]:
    """Return the test points with a reading of their quantity, in order."""
    return [point_readings for point_readings in case.point_readings if point_readings.matching_readings]


def is_capacitor_section(point: TestPoint) -> bool:
    """Return whether the point reads a capacitor section on the bench: isolated, discharged, wires off."""
    return (
        point.quantity is Quantity.CAPACITANCE
        and point.state is CircuitState.ISOLATED
        and point.kind is PointKind.CAPACITOR
    )


def is_resistance_to_ground(point: TestPoint) -> bool:
    """Return whether the point reads a resistance to ground, of any part except a capacitor."""
    to_frame = any(terminal.upper() in GROUND_TERMINALS for terminal in point.terminals)
    return (
        reads_isolated_ohms(point)
        and (point.kind is PointKind.INSULATION or to_frame)
        and "capacitor" not in point.component.lower()
    )


def reads_isolated_ohms(point: TestPoint) -> bool:
    """Return whether the point reads the resistance of an isolated part."""
    return point.quantity is Quantity.RESISTANCE and point.state is CircuitState.ISOLATED


def _motor_name(point: TestPoint) -> str:
    """Return the motor of a winding's point: the component, or the circuit where the component is one winding."""
    return point.circuit if point.component.lower().startswith("winding") else point.component


def terminal_pair(point: TestPoint) -> str:
    """Return the pair of motor terminals that the point lies between; empty for all other points."""
    motor = any(word in f"{point.circuit} {point.component}".lower() for word in ("motor", "compressor", "winding"))
    # These parts may have terminals C and R, too.
    other_part = any(word in point.component.lower() for word in ("capacitor", "coil", "contact", "transformer"))
    terminals = {terminal.upper() for terminal in point.terminals}
    if not reads_isolated_ohms(point) or not motor or other_part:
        return ""
    return next((pair for pair in TERMINAL_PAIRS if set(pair.split("–")) == terminals), "")


@dataclass(frozen=True, slots=True)
class CapacitorSection:
    """A capacitor section with a reading; ``other_section`` is that of a dual capacitor, with or without a reading."""

    KIND: ClassVar[str] = "capacitor section"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset(
        {
            "part",
            "terminals",
            "own_terminal",
            "common_terminal",
            "other_terminal",
            "other_terminals",
            "outer_terminals",
            "both_terminals",
        }
    )

    case: Case
    point_readings: PointReadings
    other_section: PointReadings | None

    @property
    def placeholders(self) -> dict[str, str]:
        """The part, its terminals, and those of the other section: ``{name in PLACEHOLDERS: text}``."""
        terminals = self.point_readings.point.terminals
        other_terminals = self.other_section.point.terminals if self.other_section else terminals
        common = next(
            (terminal for terminal in terminals if terminal in other_terminals and other_terminals != terminals),
            terminals[0],
        )
        own = next(terminal for terminal in terminals if terminal != common)
        other = next((terminal for terminal in other_terminals if terminal not in terminals), "the other section")
        return {
            "part": self.point_readings.point.title,
            "terminals": self.point_readings.terminals_text,
            "own_terminal": own,
            "common_terminal": common,
            "other_terminal": other,
            "other_terminals": f"{common}–{other}",
            "outer_terminals": f"{own}–{other}",
            "both_terminals": " and ".join(sorted((own, other), reverse=True)),
        }

    @property
    def other_limits(self) -> Limits | None:
        """The limits of the other section, with or without a reading; None while its rating is unknown."""
        if self.other_section is None:
            return None
        return self.other_section.limits or limits_for(self.other_section.point)

    def find_readings(self, quantity: Quantity, state: CircuitState) -> PointReadings | None:
        """Return the other readings at this section (ohms across it, its amps, its volts); None without any."""
        section = self.point_readings.point
        return next(
            (
                other
                for other in measured_points(self.case)
                if other is not self.point_readings
                and (other.point.quantity, other.point.state) == (quantity, state)
                and (other.point.component, other.point.section) == (section.component, section.section)
            ),
            None,
        )

    @classmethod
    def find_all(cls, case: Case) -> "list[CapacitorSection]":
        """Return every section with a reading."""
        sections = [entry for entry in case.point_readings if is_capacitor_section(entry.point)]
        return [
            cls(case, section, _other_section(section, sections)) for section in sections if section.matching_readings
        ]


def _other_section(section: PointReadings, sections: list[PointReadings]) -> PointReadings | None:
    point = section.point
    for other in sections:
        shares_one_terminal = len({*point.terminals, *other.point.terminals}) == 3
        if other is not section and other.point.component == point.component and shares_one_terminal:
            return other
    return None


@dataclass(frozen=True, slots=True)
class Coil:
    """A coil of a contactor, relay or valve, a winding of a transformer, or the motor of a timer.

    ``resistance`` and ``voltage`` are the readings at it, ``point`` the test point of one of them.
    """

    KIND: ClassVar[str] = "coil"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "terminals", "supply_terminals"})

    case: Case
    point: TestPoint
    resistance: PointReadings | None
    voltage: PointReadings | None

    @property
    def placeholders(self) -> dict[str, str]:
        """The coil, its terminals, and those of its control supply: ``{name in PLACEHOLDERS: text}``."""
        supply = self.control_supply
        supply_terminals = supply.terminals_text if supply else "the control transformer's secondary"
        title = self.point.title
        return {
            "part": f"{title} coil" if is_start_relay(self.point) and "coil" not in title.lower() else title,
            "terminals": "–".join(self.point.terminals),
            "supply_terminals": supply_terminals,
        }

    @property
    def control_supply(self) -> PointReadings | None:
        """The newest voltage at the supply of this coil's circuit; None for a transformer's own winding."""
        return _newest(self._points_of_circuit(is_control_supply))

    @property
    def transformer_primary(self) -> PointReadings | None:
        """The newest voltage at the primary of the transformer in this coil's circuit."""
        return _newest(self._points_of_circuit(is_transformer_primary))

    def _points_of_circuit(self, predicate: Callable[[TestPoint], bool]) -> list[PointReadings]:
        if "transformer" in self.point.component.lower():
            return []
        return [
            point_readings
            for point_readings in measured_points(self.case)
            if predicate(point_readings.point) and point_readings.point.circuit == self.point.circuit
        ]

    @property
    def temperature(self) -> PointReadings | None:
        """The temperature at this coil, else the ambient temperature; None where neither was read."""
        temperatures = [
            point_readings
            for point_readings in measured_points(self.case)
            if point_readings.point.quantity is Quantity.TEMPERATURE
        ]
        at_coil = [entry for entry in temperatures if entry.point.component == self.point.component]
        ambient = [entry for entry in temperatures if "ambient" in f"{entry.point.circuit} {entry.point.title}".lower()]
        return next(iter(at_coil + ambient), None)

    @classmethod
    def find_all(cls, case: Case) -> "list[Coil]":
        """Return every coil with a reading."""
        coils = []
        points = [
            point_readings
            for point_readings in measured_points(case)
            if _is_coil(point_readings.point) and not is_resistance_to_ground(point_readings.point)
        ]
        for name in dict.fromkeys((entry.point.circuit, entry.point.title) for entry in points):
            of_coil = [entry for entry in points if (entry.point.circuit, entry.point.title) == name]
            by_quantity = {entry.point.quantity: entry for entry in of_coil}
            ohms, volts = by_quantity.get(Quantity.RESISTANCE), by_quantity.get(Quantity.VOLTAGE)
            if volts is not None and (
                volts.point.state is not CircuitState.ENERGIZED
                or is_control_supply(volts.point)
                or is_start_relay(volts.point)  # its voltage comes from the start winding, not from a control supply
            ):
                volts = None
            first = ohms or volts
            if first is not None:
                coils.append(cls(case, first.point, ohms, volts))
        return coils


def _is_coil(point: TestPoint) -> bool:
    return "coil" in point.component.lower() or point.kind is PointKind.COIL or is_start_relay_coil(point)


# The coil of a potential relay is between its terminals 5 and 2. Common practice, no source.
_RELAY_COIL_TERMINALS = {"5", "2"}


def is_start_relay(point: TestPoint) -> bool:
    """Return whether the point reads the relay that takes a start capacitor out of the circuit."""
    name = point.component.lower()
    return "relay" in name and ("start" in name or "potential" in name)


def is_start_relay_coil(point: TestPoint) -> bool:
    """Return whether the point reads the resistance of such a relay's coil."""
    named = "coil" in point.title.lower() or set(point.terminals) == _RELAY_COIL_TERMINALS
    return is_start_relay(point) and reads_isolated_ohms(point) and named


def _newest(points: list[PointReadings]) -> PointReadings | None:
    return max(points, key=lambda point_readings: point_readings.readings[-1].number, default=None)


def is_transformer_primary(point: TestPoint) -> bool:
    """Return whether the point reads the voltage at a transformer's primary."""
    name = f"{point.circuit} {point.title}".lower()
    return point.quantity is Quantity.VOLTAGE and "transformer" in name and "primary" in name


def is_control_supply(point: TestPoint) -> bool:
    """Return whether the point reads the voltage of the control supply at its source."""
    name = f"{point.circuit} {point.title}".lower()
    at_source = "transformer" in name or ("control" in name and "supply" in name)
    return (
        point.quantity is Quantity.VOLTAGE
        and point.state is CircuitState.ENERGIZED
        and at_source
        and "coil" not in name
        and "primary" not in name
    )


def is_line_supply(point: TestPoint) -> bool:
    """Return whether the point reads the supply voltage of the unit, between its lines or from line to neutral."""
    name = f"{point.circuit} {point.title}".lower()
    line = any(word in name for word in ("supply", "line volt", "disconnect"))
    return (
        point.quantity is Quantity.VOLTAGE
        and point.state is CircuitState.ENERGIZED
        and line
        and not any(word in name for word in ("control", "transformer", "coil", "contacts"))
        and not reads_line_to_ground(point)
        and not is_closed_path(point)
    )


@dataclass(frozen=True, slots=True)
class MotorWindings:
    """The windings of a motor: ``pairs`` are the readings by pair (``C–S``), ``to_ground`` those to the frame."""

    KIND: ClassVar[str] = "windings"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"motor"})

    case: Case
    motor: str
    pairs: dict[str, PointReadings]
    to_ground: tuple[PointReadings, ...]

    @property
    def placeholders(self) -> dict[str, str]:
        """The motor, or another part with a reading to the frame: ``{"motor": name}``."""
        return {"motor": self.motor}

    @classmethod
    def find_all(cls, case: Case) -> "list[MotorWindings]":
        """Return every motor with a reading at its windings."""
        points = [
            point_readings
            for point_readings in measured_points(case)
            if is_resistance_to_ground(point_readings.point) or terminal_pair(point_readings.point)
        ]
        motors = []
        for circuit, motor in dict.fromkeys((entry.point.circuit, _motor_name(entry.point)) for entry in points):
            of_motor = [
                entry for entry in points if (entry.point.circuit, _motor_name(entry.point)) == (circuit, motor)
            ]
            pairs = {terminal_pair(entry.point): entry for entry in of_motor if terminal_pair(entry.point)}
            to_ground = tuple(entry for entry in of_motor if is_resistance_to_ground(entry.point))
            motors.append(cls(case, motor, pairs, to_ground))
        return motors


@dataclass(frozen=True, slots=True)
class ContactorContacts:
    """One pole of a contactor, with its voltage drop under load."""

    KIND: ClassVar[str] = "contacts"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "terminals", "contactor"})

    case: Case
    point_readings: PointReadings

    @property
    def placeholders(self) -> dict[str, str]:
        """The contacts, their terminals, and the contacts of all poles: ``{name in PLACEHOLDERS: text}``."""
        point = self.point_readings.point
        return {
            "part": point.title,
            "terminals": self.point_readings.terminals_text,
            "contactor": f"{point.component} of the {point.circuit} circuit",
        }

    @classmethod
    def find_all(cls, case: Case) -> "list[ContactorContacts]":
        """Return every pole with a reading of its voltage drop."""
        return [
            cls(case, point_readings)
            for point_readings in measured_points(case)
            if "contacts" in point_readings.point.component.lower()
            and not is_start_relay(point_readings.point)  # open at work
            and point_readings.point.quantity is Quantity.VOLTAGE
            and point_readings.point.state is CircuitState.ENERGIZED
        ]


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """One test point with all its readings, of its own quantity or another."""

    KIND: ClassVar[str] = "test point"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "terminals", "quantity"})

    case: Case
    point_readings: PointReadings

    @property
    def placeholders(self) -> dict[str, str]:
        """The part, its terminals and the quantity of the test point: ``{name in PLACEHOLDERS: text}``."""
        point = self.point_readings.point
        quantity = f"{point.coupling} {point.quantity}" if point.coupling else point.quantity.value
        return {"part": point.title, "terminals": self.point_readings.terminals_text, "quantity": quantity}

    @classmethod
    def find_all(cls, case: Case) -> "list[MeasuredPoint]":
        """Return every test point with a reading."""
        return [cls(case, point_readings) for point_readings in case.point_readings if point_readings.readings]


def _share_of_low_limit(supply: PointReadings) -> Decimal:
    """Return a line voltage by its low limit, 1 for one without a value or a limit."""
    judgement, limits = supply.latest.judgement if supply.latest else None, supply.limits
    if judgement is None or judgement.digits is None or limits is None or not limits.low:
        return Decimal(1)
    return judgement.digits / limits.low


@dataclass(frozen=True, slots=True)
class WholeVisit:
    """The whole visit."""

    KIND: ClassVar[str] = "visit"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"line_terminals", "lost_line", "secondary"})

    case: Case

    @property
    def placeholders(self) -> dict[str, str]:
        """The terminals of the line supply, a lost line, the control supply: ``{name in PLACEHOLDERS: text}``."""
        supply, secondary = self.worst_line_supply, self.control_supply
        return {
            "line_terminals": supply.terminals_text if supply else "the line terminals",
            "lost_line": self.lost_line or "one line",
            "secondary": secondary.terminals_text if secondary else "the control transformer's secondary",
        }

    @property
    def lost_line(self) -> str | None:
        """The line that the newest three line-to-line voltages show to be lost; None without three, or if none is."""
        pairs = {frozenset(supply.point.terminals): supply for supply in self.line_supplies}
        lines = [
            LineReading(supply.point.terminals, supply.latest.measured) for supply in pairs.values() if supply.latest
        ]
        if len(frozenset[str]().union(*pairs)) != 3:
            return None
        try:
            return lost_line(lines)
        except InputError:  # not three pairs, or an overload
            return None

    @property
    def line_supplies(self) -> list[PointReadings]:
        """The test points of the unit's own supply with a reading, in order."""
        return [point_readings for point_readings in measured_points(self.case) if is_line_supply(point_readings.point)]

    @property
    def worst_line_supply(self) -> PointReadings | None:
        """The worst line supply: the lowest without voltage, else the lowest that is low, else the first."""
        supplies = self.line_supplies
        for level in (VoltageLevel.ABSENT, VoltageLevel.LOW):
            at_level = [supply for supply in supplies if voltage_level(supply) is level]
            if at_level:
                return min(at_level, key=_share_of_low_limit)
        return next(iter(supplies), None)

    @property
    def control_supply(self) -> PointReadings | None:
        """The control supply, else the voltage at a coil; the newest of several."""
        at_source = [entry for entry in measured_points(self.case) if is_control_supply(entry.point)]
        at_coils = [coil.voltage for coil in Coil.find_all(self.case) if coil.voltage]
        return _newest(at_source) or _newest(at_coils)

    @classmethod
    def find_all(cls, case: Case) -> "list[WholeVisit]":
        """Return the visit as the only element; none without a reading."""
        return [cls(case)] if case.observations else []
