"""The units of the fault matrix: a bench file, the plan, the ratings that a technician reads off the parts.

Every value is invented. A *place* is the pair of terminals that the probes are on, ``component.terminal -
component.terminal``, or the leads that the clamp is around, ``clamp component.terminal + component.terminal``.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

from meterlink.core.equipment import CircuitState, Plan, TestPoint
from meterlink.plans import load_plan, parse_specification
from meterlink_simulators.bench_file import BenchDescription, load_bench
from meterlink_simulators.probes import TerminalPair

FOLDER = Path(__file__).parent / "units"
# Stages of a visit, in the order of the shipped plans. With power on and nothing called for; with a call, as found;
# isolated, locked out and discharged; energized again. A unit may have further stages with calls of their own.
IDLE, CALLED, ISOLATED, RUNNING = "idle", "called", "isolated", "running"


@dataclass(frozen=True, slots=True)
class Place:
    """Two terminals ``(component, terminal)`` with the probes on, or one or more leads in a clamp."""

    ends: tuple[tuple[str, str], ...]
    is_clamp: bool

    @classmethod
    def parse(cls, text: str) -> "Place":
        """Return the place of a text, as written above."""
        clamped = text.startswith("clamp ")
        words = text.removeprefix("clamp ").split(" + " if clamped else " - ")
        return cls(tuple((component, end) for component, _, end in (word.rpartition(".") for word in words)), clamped)

    @property
    def pair(self) -> TerminalPair:
        """The terminals of the probes."""
        (first, first_end), (second, second_end) = self.ends
        return TerminalPair(first, first_end, second_end, "" if second == first else second)


@dataclass(frozen=True)
class Unit:
    """A unit on the bench.

    ``calls`` are the switches that are closed in a stage, by stage. ``isolation`` are the switches that a technician
    opens before touching anything. ``ground`` is a proven ground. ``aliases`` map the component of a plan (or
    ``circuit/component``) to that of the bench; ``places``, ``stages`` and ``ratings`` are those of single test points.
    """

    name: str
    bench: BenchDescription
    plan: Plan
    calls: Mapping[str, tuple[str, ...]]
    isolation: tuple[str, ...]
    ratings: Mapping[str, str]
    aliases: Mapping[str, str] = field(default_factory=dict)
    places: Mapping[str, str] = field(default_factory=dict)
    stages: Mapping[str, str] = field(default_factory=dict)
    ground: str = "line.GND"

    def points(self, ratings: Mapping[str, str]) -> list[tuple[str, TestPoint]]:
        """Return ``[(stage, test point)]`` in the order of the plan, with the ratings entered."""
        found = []
        isolated_before = False
        for point in (point for point in self.plan.points if self.has(point)):
            text = ratings.get(point.key) or self.ratings.get(point.key)
            if text:
                point = replace(point, specification=parse_specification(text, point.quantity, point.kind))  # noqa: PLW2901
            isolated = point.state is CircuitState.ISOLATED
            isolated_before |= isolated
            stage = ISOLATED if isolated else RUNNING if isolated_before else CALLED
            found.append((self.stages.get(point.key, stage), point))
        return found

    def has(self, point: TestPoint) -> bool:
        """Return whether the bench has the part of a test point."""
        terminals = {component.name: component.terminals for component in self.bench.components}
        return all(terminal in terminals.get(name, ()) for name, terminal in Place.parse(self.place(point)).ends)

    def place(self, point: TestPoint) -> str:
        """Return the place of a test point."""
        if point.key in self.places:
            return self.places[point.key]
        name = self.aliases.get(f"{point.circuit}/{point.component}") or self.aliases.get(point.component)
        first, second = point.terminals
        component = name or point.component
        return f"{component}.{first} - {component}.{second}"


def _bench(name: str) -> BenchDescription:
    return load_bench(FOLDER / f"{name}.toml")


def _with_points(plan: Plan, added: Iterable[TestPoint]) -> Plan:
    """Return ``plan`` with more test points: energized ones as found, isolated ones after its own."""
    added = list(added)
    isolated = [point for point in added if point.state is CircuitState.ISOLATED]
    last = max(number for number, point in enumerate(plan.points) if point.state is CircuitState.ISOLATED) + 1
    first = next(number for number, point in enumerate(plan.points) if point.state is CircuitState.ISOLATED)
    energized = [point for point in added if point.state is CircuitState.ENERGIZED]
    points = (*plan.points[:first], *energized, *plan.points[first:last], *isolated, *plan.points[last:])
    return replace(plan, points=points)


def _own_plan(name: str) -> Plan:
    return load_plan(str(FOLDER / f"{name}-plan.toml"))


@cache
def units() -> Mapping[str, Unit]:
    """Return the units by name."""
    return {
        unit.name: unit
        for unit in (_split_condenser(), _heat_pump(), _rooftop(), _air_handler(), _walk_in(), _inverter_unit())
    }


def _split_condenser() -> Unit:
    return Unit(
        "split condenser",
        _bench("split-condenser"),
        _with_points(load_plan("split-condenser"), _own_plan("split-condenser").points),
        calls={CALLED: ("thermostat",), RUNNING: ("thermostat",)},
        isolation=("disconnect", "thermostat", "indoor breaker"),
        ratings={
            "run-capacitor-herm": "45 µF 6 %",
            "run-capacitor-fan": "5 µF 6 %",
            "contactor-coil": "10-14 ohm",
            "compressor-amps": "at most 14.1 A",
            "condenser-fan-amps": "at most 1.4 A",
        },
        aliases={
            "line": "disconnect",
            "compressor motor": "compressor",
            "condenser fan motor": "condenser fan",
            "contactor contacts": "contactor",
        },
        places={
            "supply-volts": "disconnect.T1 - disconnect.T2",
            "supply-volts-loaded": "disconnect.T1 - disconnect.T2",
            "compressor-amps": "clamp compressor.C",
            "run-capacitor-herm-amps": "clamp run capacitor.HERM",
            "condenser-fan-amps": "clamp condenser fan.C",
            "cabinet-volts": "compressor.GND - line.GND",
        },
        stages={"supply-volts": IDLE},
    )


def _heat_pump() -> Unit:
    return Unit(
        "heat pump",
        _bench("heat-pump"),
        _with_points(load_plan("heat-pump"), _own_plan("heat-pump-start-kit").points),
        calls={CALLED: ("thermostat",), RUNNING: ("thermostat",)},
        isolation=("disconnect", "thermostat"),
        ratings={
            "run-capacitor-herm": "45 µF 6 %",
            "run-capacitor-fan": "5 µF 6 %",
            "contactor-coil": "10-14 ohm",
            "reversing-valve-coil": "34-46 ohm",
            "outdoor-coil-temperature": "-15 to 0 degC",
            "defrost-thermostat": "at most 1 ohm",
            "defrost-sensor": "4.7-5.9 kohm",
            "crankcase-heater": "900-1100 ohm",
            "start-capacitor": "88-108 µF",
            "start-relay-coil": "2400-3600 ohm",
            "compressor-amps": "at most 14.1 A",
            "outdoor-fan-amps": "at most 1.4 A",
        },
        aliases={
            "compressor motor": "compressor",
            "outdoor fan motor": "outdoor fan",
            "contactor contacts": "contactor",
        },
        places={
            "supply-volts": "disconnect.T1 - disconnect.T2",
            "supply-volts-loaded": "disconnect.T1 - disconnect.T2",
            "compressor-amps": "clamp compressor.C",
            "run-capacitor-herm-amps": "clamp run capacitor.HERM",
            "outdoor-fan-amps": "clamp outdoor fan.C",
        },
        stages={"supply-volts": IDLE},
    )


def _rooftop() -> Unit:
    lines = {
        f"supply-{first}-{second}{loaded}": f"disconnect.T{first[1]} - disconnect.T{second[1]}"
        for first, second in (("l1", "l2"), ("l2", "l3"), ("l1", "l3"))
        for loaded in ("", "-loaded")
    }
    return Unit(
        "rooftop unit",
        _bench("rooftop"),
        load_plan("rooftop-three-phase"),
        calls={CALLED: ("thermostat",), RUNNING: ("thermostat",)},
        isolation=("disconnect", "thermostat"),
        ratings={
            **dict.fromkeys(lines, "208 V 10 %"),
            "condenser-fan-1-capacitor": "7.5 µF 6 %",
            "condenser-fan-2-capacitor": "7.5 µF 6 %",
            "contactor-coil": "8-12 ohm",
            "crankcase-heater": "560-680 ohm",
            **{f"compressor-amps-{lead}": "at most 23 A" for lead in (1, 2, 3)},
            "condenser-fan-1-amps": "at most 1.6 A",
            "condenser-fan-2-amps": "at most 1.6 A",
        },
        aliases={
            "control transformer": "transformer",
            "compressor motor": "compressor",
            "contactor contacts": "contactor",
            "condenser fan 1/fan capacitor": "fan capacitor 1",
            "condenser fan 2/fan capacitor": "fan capacitor 2",
        },
        places={
            **lines,
            **{f"compressor-amps-{lead}": f"clamp compressor.T{lead}" for lead in (1, 2, 3)},
            "condenser-fan-1-amps": "clamp condenser fan 1.C",
            "condenser-fan-2-amps": "clamp condenser fan 2.C",
        },
        stages={key: IDLE for key in lines if not key.endswith("loaded")},
    )


def _air_handler() -> Unit:
    return Unit(
        "air handler",
        _bench("air-handler"),
        _own_plan("air-handler"),
        calls={CALLED: ("thermostat",), RUNNING: ("thermostat",)},
        isolation=("disconnect", "strip breaker", "thermostat"),
        ratings={
            "blower-capacitor": "10 µF 6 %",
            "blower-relay-coil": "50-70 ohm",
            "sequencer-heater": "80-120 ohm",
            "blower-winding": "10.5-13.5 ohm",
            "heat-strip-1": "10.9-12.7 ohm",
            "heat-strip-2": "10.9-12.7 ohm",
            "blower-amps": "at most 3.2 A",
            "heat-strip-1-amps": "18.8-22.9 A",
            "heat-strip-2-amps": "18.8-22.9 A",
        },
        aliases={
            "control transformer": "transformer",
            "blower motor": "blower",
            "sequencer heater coil": "sequencer heater",
            "sequencer contacts": "sequencer",
        },
        places={
            "supply-volts": "disconnect.T1 - disconnect.T2",
            "supply-volts-loaded": "disconnect.T1 - disconnect.T2",
            "blower-amps": "clamp blower.C",
            "heat-strip-1-amps": "clamp heat strip 1.1",
            "heat-strip-2-amps": "clamp heat strip 2.1",
        },
        stages={"supply-volts": IDLE},
    )


def _walk_in() -> Unit:
    return Unit(
        "walk-in cooler",
        _bench("walk-in-cooler"),
        load_plan("walk-in-cooler"),
        calls={
            CALLED: ("thermostat", "low pressure control"),
            RUNNING: ("thermostat", "low pressure control"),
            "defrost": ("defrost timer",),
        },
        isolation=("disconnect", "heater breaker", "thermostat", "low pressure control"),
        ratings={
            "solenoid-volts": "195.5-253 V",
            "contactor-coil-volts": "195.5-253 V",
            "start-capacitor": "88-108 µF",
            "run-capacitor": "25 µF 6 %",
            "start-relay-coil": "2400-3600 ohm",
            "contactor-coil": "760-1040 ohm",
            "crankcase-heater": "810-990 ohm",
            "solenoid-coil": "760-1040 ohm",
            "defrost-timer-motor": "5-7 kohm",
            "defrost-heater": "31.5-38.5 ohm",
            "compressor-amps": "at most 11 A",
            "condenser-fan-amps": "at most 1.1 A",
            "defrost-heater-amps": "5.6-7.6 A",
        },
        aliases={
            "compressor motor": "compressor",
            "contactor contacts": "contactor",
        },
        places={
            "supply-volts": "disconnect.T1 - disconnect.T2",
            "supply-volts-loaded": "disconnect.T1 - disconnect.T2",
            "compressor-amps": "clamp compressor.C",
            "condenser-fan-amps": "clamp condenser fan.1",
            "defrost-heater-amps": "clamp defrost heater.H1",
        },
        stages={"supply-volts": IDLE, "defrost-heater-amps": "defrost"},
    )


def _inverter_unit() -> Unit:
    return Unit(
        "inverter unit",
        _bench("inverter-unit"),
        _own_plan("inverter-unit"),
        calls={CALLED: ("inverter",)},
        isolation=("disconnect", "inverter"),
        ratings=dict.fromkeys(
            ("compressor-winding-u-v", "compressor-winding-v-w", "compressor-winding-u-w"), "1.0-1.4 ohm"
        ),
        aliases={"bus capacitor": "inverter", "compressor motor": "compressor", "inverter supply": "inverter"},
        places={"supply-volts": "disconnect.T1 - disconnect.T2"},
        stages={"supply-volts": IDLE},
    )
