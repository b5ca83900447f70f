"""The units of the fault matrix: a bench file, the shipped plan, the ratings that a technician reads off the parts.

Every value is invented. A *place* is the pair of terminals that the probes are on, ``component.terminal -
component.terminal``, or the leads that the clamp is around, ``clamp component.terminal + component.terminal``.
"""

from collections.abc import Mapping
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

    ``plan`` is that of this machine, its questions answered. ``calls`` are the switches that are closed in a stage, by
    stage. ``isolation`` are the switches that a technician opens before touching anything. ``ground`` is a proven
    ground. ``aliases`` map the component of the plan to that of the bench; ``places``, ``stages`` and ``ratings`` are
    those of single test points. ``fitted`` are the optional test points whose part a technician sees on this unit.
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
    fitted: frozenset[str] = frozenset()
    ground: str = "line.GND"

    def is_due(self, point: TestPoint) -> bool:
        """Return whether a test point is read without a reading that points to it."""
        return not point.optional or point.key in self.fitted

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
        first, second = point.terminals
        component = self.aliases.get(point.component, point.component)
        return f"{component}.{first} - {component}.{second}"


def _bench(name: str) -> BenchDescription:
    return load_bench(FOLDER / f"{name}.toml")


def _plan(name: str, answers: Mapping[str, str]) -> Plan:
    return load_plan(name).with_usual_answers(answers)


def _with_points(plan: Plan, name: str) -> Plan:
    """Return ``plan`` with the test points of a file, which no shipped plan has: a technician adds them.

    Isolated ones come after its own; energized ones after the last of their circuit, else as the unit was found.
    """
    points = list(plan.points)
    for point in load_plan(str(FOLDER / f"{name}-points.toml")).points:
        isolated = [number for number, own in enumerate(points) if own.state is CircuitState.ISOLATED]
        after = [number + 1 for number, own in enumerate(points) if own.circuit == point.circuit]
        end = after[-1] if after else isolated[0]
        points.insert(isolated[-1] + 1 if point.state is CircuitState.ISOLATED else end, point)
    return replace(plan, points=tuple(points))


# Places and stages that all units with two lines behind a disconnect share.
_LINES = {
    "supply-volts": "disconnect.T1 - disconnect.T2",
    "supply-volts-loaded": "disconnect.T1 - disconnect.T2",
    "supply-l1-ground": "disconnect.T1 - line.GND",
    "supply-l2-ground": "disconnect.T2 - line.GND",
}
_LINE_STAGES = {"supply-volts": IDLE, "supply-l1-ground": IDLE, "supply-l2-ground": IDLE}
_START_KIT = frozenset({"start-capacitor", "start-relay-coil", "start-relay-contacts"})


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
        _with_points(_plan("split-condenser", {"service": "240"}), "cabinet"),
        calls={CALLED: ("thermostat",), RUNNING: ("thermostat",)},
        isolation=("disconnect", "thermostat", "indoor breaker"),
        ratings={
            "run-capacitor-herm": "45 µF 6 %",
            "run-capacitor-fan": "5 µF 6 %",
            "contactor-coil": "10-14 ohm",
            "crankcase-heater": "900-1100 ohm",
            "compressor-amps": "at most 14.1 A",
            "condenser-fan-amps": "at most 1.4 A",
        },
        aliases={
            "compressor motor": "compressor",
            "condenser fan motor": "condenser fan",
            "contactor contacts": "contactor",
        },
        places={
            **_LINES,
            "compressor-amps": "clamp compressor.C",
            "run-capacitor-herm-amps": "clamp run capacitor.HERM",
            "run-capacitor-fan-amps": "clamp run capacitor.FAN",
            "condenser-fan-amps": "clamp condenser fan.C",
            "crankcase-heater-amps": "clamp crankcase heater.1",
            "cabinet-volts": "compressor.GND - line.GND",
        },
        stages=_LINE_STAGES,
        fitted=frozenset({"crankcase-heater"}),
    )


def _heat_pump() -> Unit:
    return Unit(
        "heat pump",
        _bench("heat-pump"),
        _plan("heat-pump", {"service": "240", "contactor-poles": "1"}),
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
            **_LINES,
            "compressor-amps": "clamp compressor.C",
            "run-capacitor-herm-amps": "clamp run capacitor.HERM",
            "run-capacitor-fan-amps": "clamp run capacitor.FAN",
            "outdoor-fan-amps": "clamp outdoor fan.C",
            "crankcase-heater-amps": "clamp crankcase heater.1",
        },
        stages=_LINE_STAGES,
        fitted=_START_KIT,
    )


def _rooftop() -> Unit:
    lines = {
        f"supply-{first}-{second}{loaded}": f"disconnect.T{first[1]} - disconnect.T{second[1]}"
        for first, second in (("l1", "l2"), ("l2", "l3"), ("l1", "l3"))
        for loaded in ("", "-loaded")
    }
    to_ground = {f"supply-l{number}-ground": f"disconnect.T{number} - line.GND" for number in (1, 2, 3)}
    return Unit(
        "rooftop unit",
        _bench("rooftop"),
        _plan("rooftop-three-phase", {"service": "208"}),
        calls={CALLED: ("thermostat",), RUNNING: ("thermostat",)},
        isolation=("disconnect", "thermostat"),
        ratings={
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
            "condenser fan 1 capacitor": "fan capacitor 1",
            "condenser fan 2 capacitor": "fan capacitor 2",
        },
        places={
            **lines,
            **to_ground,
            **{f"compressor-amps-{lead}": f"clamp compressor.T{lead}" for lead in (1, 2, 3)},
            "condenser-fan-1-amps": "clamp condenser fan 1.C",
            "condenser-fan-2-amps": "clamp condenser fan 2.C",
        },
        stages=dict.fromkeys((*(key for key in lines if not key.endswith("loaded")), *to_ground), IDLE),
    )


def _air_handler() -> Unit:
    return Unit(
        "air handler",
        _bench("air-handler"),
        _with_points(_plan("air-handler-blower", {"service": "240", "heat-strips": "fitted"}), "air-handler"),
        calls={CALLED: ("thermostat",), RUNNING: ("thermostat",)},
        isolation=("disconnect", "strip breaker", "thermostat"),
        ratings={
            "blower-capacitor": "10 µF 6 %",
            "blower-relay-coil": "50-70 ohm",
            "sequencer-coil": "80-120 ohm",
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
            "sequencer contacts": "sequencer",
        },
        places={
            "supply-volts": "disconnect.T1 - disconnect.T2",
            "supply-volts-loaded": "disconnect.T1 - disconnect.T2",
            "float-switch-volts": "float switch.2 - transformer.C",
            "blower-amps": "clamp blower.C",
            "heat-strip-1-amps": "clamp heat strip 1.1",
            "heat-strip-2-amps": "clamp heat strip 2.1",
        },
        stages={"supply-volts": IDLE},
        fitted=frozenset({"heat-strip-2", "heat-strip-2-amps"}),
    )


def _walk_in() -> Unit:
    return Unit(
        "walk-in cooler",
        _bench("walk-in-cooler"),
        _plan("walk-in-cooler", {"service": "208-230"}),
        calls={
            CALLED: ("thermostat", "low pressure control"),
            RUNNING: ("thermostat", "low pressure control"),
            "defrost": ("defrost timer",),
        },
        isolation=("disconnect", "heater breaker", "thermostat"),
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
            "low-pressure control": "low pressure control",
            "high-pressure control": "high pressure control",
        },
        places={
            **_LINES,
            "compressor-amps": "clamp compressor.C",
            "condenser-fan-amps": "clamp condenser fan.1",
            "defrost-heater-amps": "clamp defrost heater.H1",
            "crankcase-heater-amps": "clamp crankcase heater.1",
        },
        stages={**_LINE_STAGES, "defrost-heater-amps": "defrost"},
    )


def _inverter_unit() -> Unit:
    return Unit(
        "inverter unit",
        _bench("inverter-unit"),
        _with_points(_plan("inverter-outdoor", {"service": "240"}), "inverter-unit"),
        calls={CALLED: ("inverter",), RUNNING: ("inverter",)},
        isolation=("disconnect", "inverter"),
        ratings={
            "bus-volts": "320-360 V",
            **dict.fromkeys(
                ("compressor-winding-u-v", "compressor-winding-v-w", "compressor-winding-u-w"), "1.0-1.4 ohm"
            ),
        },
        aliases={
            "bus capacitor": "inverter",
            "compressor motor": "compressor",
            "main fuse": "line fuse",
        },
        places={
            **_LINES,
            "bus-volts": "inverter.DC+ - inverter.DC-",
            "bus-volts-loaded": "inverter.DC+ - inverter.DC-",
            "supply-amps": "clamp line fuse.1",
        },
        stages={**_LINE_STAGES, "bus-volts": IDLE},
    )
