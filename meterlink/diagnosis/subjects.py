"""What rules are about: sections, coils, windings, contacts, single test points, the visit. Found by the words of the
trade in the test points of a case, so a plan of anybody's is understood as far as it uses them.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from meterlink.core.equipment import Check, State, TestPoint
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Limits
from meterlink.diagnosis.observations import Case, Takes
from meterlink.diagnosis.voltage import Level, level
from meterlink.judge.judging import limits_of

# What the frame is called on a terminal. Common practice, no source.
_FRAME = {"GND", "GROUND", "PE", "EARTH", "FRAME", "SHELL"}  # not G: that is a thermostat terminal
PAIRS = ("C–S", "C–R", "R–S")


def _held(case: Case) -> list[Takes]:
    return [takes for takes in case.takes if takes.matching]


def is_section(point: TestPoint) -> bool:
    """Say whether the point reads a run capacitor's section on the bench: off, discharged, wires off."""
    return point.quantity is Quantity.CAPACITANCE and point.state is State.ISOLATED and point.check is Check.CAPACITOR


def to_frame(point: TestPoint) -> bool:
    """Say whether the point reads a resistance to ground: of a motor, a heater, not of a capacitor."""
    return (
        _isolated_ohms(point)
        and any(terminal.upper() in _FRAME for terminal in point.terminals)
        and "capacitor" not in point.component.lower()
    )


def _isolated_ohms(point: TestPoint) -> bool:
    return point.quantity is Quantity.RESISTANCE and point.state is State.ISOLATED


def _motor(point: TestPoint) -> str:
    """Return whose windings the point reads: the component, or its circuit where the component is but a winding."""
    return point.circuit if point.component.lower().startswith("winding") else point.component


def _pair(point: TestPoint) -> str:
    """Return which two of a motor's terminals the point lies between, empty for any others."""
    # A capacitor and a transformer may have terminals C and R, too.
    motor = any(word in f"{point.circuit} {point.component}".lower() for word in ("motor", "compressor", "winding"))
    other = any(word in point.component.lower() for word in ("capacitor", "coil", "contact", "transformer"))
    ends = {terminal.upper() for terminal in point.terminals}
    if not _isolated_ohms(point) or not motor or other:
        return ""
    return next((pair for pair in PAIRS if set(pair.split("–")) == ends), "")


@dataclass(frozen=True, slots=True)
class Section:
    """One section of a capacitor that has been read. ``other`` is the second section of a dual one, read or not."""

    SCOPE: ClassVar[str] = "capacitor section"
    WORDS: ClassVar[frozenset[str]] = frozenset({"part", "here", "own", "common", "other_end", "other_here", "across"})

    case: Case
    takes: Takes
    other: Takes | None

    @property
    def words(self) -> dict[str, str]:
        """The part, its terminals, and those of the other section."""
        mine = self.takes.point.terminals
        theirs = self.other.point.terminals if self.other else mine
        common = next((end for end in mine if end in theirs and theirs != mine), mine[0])
        own = next(end for end in mine if end != common)
        other_end = next((end for end in theirs if end not in mine), "the other section")
        return {
            "part": self.takes.point.title,
            "here": self.takes.where,
            "own": own,
            "common": common,
            "other_end": other_end,
            "other_here": f"{common}–{other_end}",
            "across": f"{own}–{other_end}",
        }

    @property
    def other_limits(self) -> Limits | None:
        """What the other section is held against, read or not; None while nobody has read its rating."""
        if self.other is None:
            return None
        return self.other.limits or limits_of(self.other.point)

    def beside(self, quantity: Quantity, state: State) -> Takes | None:
        """Return what else was read at this section: ohms across it, its amps and volts at work."""
        mine = self.takes.point
        return next(
            (
                takes
                for takes in _held(self.case)
                if takes is not self.takes
                and (takes.point.quantity, takes.point.state) == (quantity, state)
                and (takes.point.component, takes.point.section) == (mine.component, mine.section)
            ),
            None,
        )

    @classmethod
    def all_in(cls, case: Case) -> "list[Section]":
        """Return every section that has been read."""
        points = [takes for takes in case.takes if is_section(takes.point)]
        return [cls(case, takes, _second(takes, points)) for takes in points if takes.matching]


def _second(section: Takes, points: list[Takes]) -> Takes | None:
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

    SCOPE: ClassVar[str] = "coil"
    WORDS: ClassVar[frozenset[str]] = frozenset({"part", "here", "source"})

    case: Case
    point: TestPoint
    ohms: Takes | None
    volts: Takes | None

    @property
    def words(self) -> dict[str, str]:
        """The coil, its terminals, and those of its control supply."""
        supply = self.supply
        source = supply.where if supply else "the control transformer's secondary"
        return {"part": self.point.title, "here": "–".join(self.point.terminals), "source": source}

    @property
    def supply(self) -> Takes | None:
        """The voltage at the source of this coil's circuit, as read last; a transformer's own winding has none."""
        return _newest(self._beside(is_control_supply))

    @property
    def primary(self) -> Takes | None:
        """The voltage at the primary of the transformer in this coil's circuit, as read last."""
        return _newest(self._beside(_is_primary))

    def _beside(self, wanted: Callable[[TestPoint], bool]) -> list[Takes]:
        if "transformer" in self.point.component.lower():
            return []
        return [t for t in _held(self.case) if wanted(t.point) and t.point.circuit == self.point.circuit]

    @property
    def temperature(self) -> Takes | None:
        """A temperature read at this coil, else the ambient one."""
        read = [takes for takes in _held(self.case) if takes.point.quantity is Quantity.TEMPERATURE]
        at_coil = [takes for takes in read if takes.point.component == self.point.component]
        ambient = [takes for takes in read if "ambient" in f"{takes.point.circuit} {takes.point.title}".lower()]
        return next(iter(at_coil + ambient), None)

    @classmethod
    def all_in(cls, case: Case) -> "list[Coil]":
        """Return every coil of which something has been read."""
        found = []
        points = [t for t in _held(case) if _is_coil(t.point) and not to_frame(t.point)]
        for name in dict.fromkeys((takes.point.circuit, takes.point.title) for takes in points):
            mine = [takes for takes in points if (takes.point.circuit, takes.point.title) == name]
            of = {takes.point.quantity: takes for takes in mine}
            ohms, volts = of.get(Quantity.RESISTANCE), of.get(Quantity.VOLTAGE)
            if volts is not None and (volts.point.state is not State.ENERGIZED or is_control_supply(volts.point)):
                volts = None
            first = ohms or volts
            if first is not None:
                found.append(cls(case, first.point, ohms, volts))
        return found


def _is_coil(point: TestPoint) -> bool:
    return "coil" in point.component.lower() or point.check is Check.COIL


def _newest(read: list[Takes]) -> Takes | None:
    return max(read, key=lambda takes: takes.taken[-1].number, default=None)


def _is_primary(point: TestPoint) -> bool:
    named = f"{point.circuit} {point.title}".lower()
    return point.quantity is Quantity.VOLTAGE and "transformer" in named and "primary" in named


def is_control_supply(point: TestPoint) -> bool:
    """Say whether the point reads the control supply at its source."""
    named = f"{point.circuit} {point.title}".lower()
    at_source = "transformer" in named or ("control" in named and "supply" in named)
    return (
        point.quantity is Quantity.VOLTAGE
        and point.state is State.ENERGIZED
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
        and point.state is State.ENERGIZED
        and line
        and not any(word in named for word in ("control", "transformer", "coil", "contacts"))
    )


@dataclass(frozen=True, slots=True)
class Windings:
    """A motor's windings: three resistances between C, S and R, and those to the frame, as far as read."""

    SCOPE: ClassVar[str] = "windings"
    WORDS: ClassVar[frozenset[str]] = frozenset({"motor"})

    case: Case
    motor: str
    pairs: dict[str, Takes]
    grounds: tuple[Takes, ...]

    @property
    def words(self) -> dict[str, str]:
        """The motor, or whatever else was read to the frame."""
        return {"motor": self.motor}

    @classmethod
    def all_in(cls, case: Case) -> "list[Windings]":
        """Return every motor of which a winding has been read."""
        points = [takes for takes in _held(case) if to_frame(takes.point) or _pair(takes.point)]
        found = []
        for motor in dict.fromkeys((takes.point.circuit, _motor(takes.point)) for takes in points):
            mine = [takes for takes in points if (takes.point.circuit, _motor(takes.point)) == motor]
            pairs = {_pair(takes.point): takes for takes in mine if _pair(takes.point)}
            found.append(cls(case, motor[1], pairs, tuple(takes for takes in mine if to_frame(takes.point))))
        return found


@dataclass(frozen=True, slots=True)
class Contacts:
    """One pole of a contactor, its voltage drop read at load."""

    SCOPE: ClassVar[str] = "contacts"
    WORDS: ClassVar[frozenset[str]] = frozenset({"part", "here"})

    case: Case
    takes: Takes

    @property
    def words(self) -> dict[str, str]:
        """The contacts and their terminals."""
        return {"part": self.takes.point.title, "here": self.takes.where}

    @classmethod
    def all_in(cls, case: Case) -> "list[Contacts]":
        """Return every pole whose drop was read."""
        return [
            cls(case, takes)
            for takes in _held(case)
            if "contacts" in takes.point.component.lower()
            and (takes.point.quantity, takes.point.state) == (Quantity.VOLTAGE, State.ENERGIZED)
        ]


@dataclass(frozen=True, slots=True)
class Place:
    """One test point with everything that was read there, whatever the meter was set to."""

    SCOPE: ClassVar[str] = "test point"
    WORDS: ClassVar[frozenset[str]] = frozenset({"part", "here", "quantity"})

    case: Case
    takes: Takes

    @property
    def words(self) -> dict[str, str]:
        """The part, its terminals and what should be read there."""
        point = self.takes.point
        return {"part": point.title, "here": self.takes.where, "quantity": point.quantity.value}

    @classmethod
    def all_in(cls, case: Case) -> "list[Place]":
        """Return every test point where something was read."""
        return [cls(case, takes) for takes in case.takes if takes.taken]


@dataclass(frozen=True, slots=True)
class Visit:
    """The whole visit."""

    SCOPE: ClassVar[str] = "visit"
    WORDS: ClassVar[frozenset[str]] = frozenset({"line"})

    case: Case

    @property
    def words(self) -> dict[str, str]:
        """Where the line supply is read."""
        return {"line": self.line.where if self.line else "the line terminals"}

    @property
    def lines(self) -> list[Takes]:
        """Every reading of the unit's own supply, in order."""
        return [takes for takes in _held(self.case) if is_line_supply(takes.point)]

    @property
    def line(self) -> Takes | None:
        """The worst of them: one with no voltage, else one that is low, else the first."""
        levels = [(takes, level(takes)) for takes in self.lines]
        bad = [takes for wanted in (Level.NONE, Level.LOW) for takes, found in levels if found is wanted]
        return next(iter([*bad, *self.lines]), None)

    @property
    def control(self) -> Takes | None:
        """The control supply, else the voltage it brings to a coil."""
        at_source = [takes for takes in _held(self.case) if is_control_supply(takes.point)]
        at_coils = [coil.volts for coil in Coil.all_in(self.case) if coil.volts]
        return _newest(at_source) or _newest(at_coils)

    @classmethod
    def all_in(cls, case: Case) -> "list[Visit]":
        """Return the visit."""
        return [cls(case)] if case.observations else []


SUBJECTS = {kind.SCOPE: kind for kind in (Section, Coil, Windings, Contacts, Place, Visit)}
