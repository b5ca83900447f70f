"""The ``[[step]]`` tables of a scenario: the actions of the simulated technician, and the faults."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.text import count_phrase
from meterlink.core.units import Quantity, parse_amount
from meterlink.tomlfile.field_types import Boolean, Choice, Constant, Either, Text
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.tables import FieldError, Key, Table, Variants, VariantsByKey
from meterlink_simulators.bench import validate_terminals, with_bleeder
from meterlink_simulators.components import Component, Star, Supply
from meterlink_simulators.faults import Fault, FaultKind, with_fault
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction, MeterSpec
from meterlink_simulators.scenario_components import ComponentsByName
from meterlink_simulators.scenario_types import OHMS, SECONDS, TERMINALS, TEXT, number


@dataclass(frozen=True, slots=True)
class Measure:
    """Turn the meter to ``function``, put its probes on ``terminals``, and wait ``seconds`` (None: until accepted).

    A dial and probes already in place stay; only ``bounce`` (s of intermittent contact) acts on them. ``point`` is the
    key of the test point, empty for none. ``lift`` takes the probes off at the end.
    """

    meter: str
    function: MeterFunction
    terminals: TerminalPair
    point: str
    bounce: float
    seconds: float | None
    lift: bool


@dataclass(frozen=True, slots=True)
class Lift:
    """Take the probes of ``meter`` off."""

    meter: str


@dataclass(frozen=True, slots=True)
class DropConnection:
    """Break the radio link of ``meter`` for ``seconds``; the next step starts at once."""

    meter: str
    seconds: float


@dataclass(frozen=True, slots=True)
class SetFault:
    """Let a component fail, or repair it."""

    fault: Fault


@dataclass(frozen=True, slots=True)
class Wait:
    """Wait ``seconds``."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Switch:
    """Switch a supply ``on`` or off."""

    supply: str
    on: bool


@dataclass(frozen=True, slots=True)
class Discharge:
    """Put a resistor of ``ohms`` Ω across the capacitors of ``component`` for ``seconds``, then remove it."""

    component: str
    ohms: float
    seconds: float


Step = Measure | Lift | DropConnection | SetFault | Wait | Switch | Discharge


@dataclass(frozen=True, slots=True)
class MeasureTable:
    """A ``[[step]]`` with ``meter``, by itself: what it leaves out is that of its test point (see `build_step`)."""

    meter: str
    point: str
    component: str
    terminals: tuple[str, str] | None
    function: MeterFunction | None
    bounce: float
    until: float | str
    lift: bool


@dataclass(frozen=True, slots=True)
class DriftTable:
    """A ``[[step]]`` whose fault is a drift, by itself: the component decides the quantity of the text ``to``."""

    component: str
    terminal: str
    to: str
    duration: float


StepTable = MeasureTable | DriftTable | Lift | DropConnection | SetFault | Wait | Switch | Discharge


@dataclass(frozen=True, slots=True)
class ScenarioContext:
    """The test points by key, meters and components by name, that steps refer to; None for one with an error."""

    points: Mapping[str, TestPoint | None]
    meters: Mapping[str, MeterSpec | None]
    components: ComponentsByName


def check_steps(steps: Sequence[StepTable | Mapping[str, Any]], context: ScenarioContext) -> Iterator[FieldError]:
    """Yield the problems between the steps and the things that they refer to. A step with an error is a mapping."""
    states = dict(context.components)  # with the faults of the steps before
    for position, step in enumerate(steps):
        for problem in [] if isinstance(step, Mapping) else _check_step(step, context, states):
            yield FieldError(("step", position, *problem.at), problem.message, problem.remedy)


def build_step(table: StepTable, context: ScenarioContext) -> Step:
    """Return the step of a table; `check_steps` has found no problem."""
    match table:
        case MeasureTable():
            point, spec = context.points.get(table.point), context.meters[table.meter]
            function, terminals = _function(table, spec, point), _terminal_pair(table, point)
            assert function is not None  # noqa: S101  # it was checked
            assert terminals is not None  # noqa: S101  # it was checked
            seconds = table.until if isinstance(table.until, float) else None
            return Measure(table.meter, function, terminals, table.point, table.bounce, seconds, table.lift)
        case DriftTable():
            return SetFault(_drift(table, context.components[table.component]))
        case _:
            return table


def _check_step(step: StepTable, context: ScenarioContext, states: dict[str, Component | None]) -> Iterator[FieldError]:
    match step:
        case MeasureTable():
            yield from _check_known("meter", step.meter, "meter", context.meters)
            yield from _check_measured_terminals(step, context)
            yield from _check_function(step, context)
        case Lift(meter):
            yield from _check_known("lift", meter, "meter", context.meters)
        case DropConnection(meter):
            yield from _check_known("drop_connection", meter, "meter", context.meters)
        case Switch(supply):
            yield from _check_known("switch", supply, "component", context.components)
            if not isinstance(context.components.get(supply), Supply | None):
                yield FieldError("switch", f"{supply!r} is not a supply: it has no switch.", "Name a supply.")
        case Discharge(component):
            yield from _check_known("discharge", component, "component", context.components)
            yield from _check_change("discharge", context.components.get(component), lambda part: with_bleeder(part, 1))
        case DriftTable(component) | SetFault(Fault(component)):
            yield from _check_known(("fault", "component"), component, "component", context.components)
            yield from _check_fault(step, context, states)


def _check_known(at: str | TomlPath, name: str, noun: str, known: Mapping[str, object]) -> Iterator[FieldError]:
    if name not in known:
        yield FieldError(at, f"no {noun} is named {name!r}.", f"There are {', '.join(known)}.")


def _check_change(
    at: str | TomlPath, component: Component | None, change: Callable[[Component], object]
) -> Iterator[FieldError]:
    """Yield the problem that ``change`` raises for a component without an error."""
    try:
        if component is not None:
            change(component)
    except InputError as error:
        yield FieldError(error.at if isinstance(error, FieldError) else at, error.message, error.remedy)


# --- measuring


def _terminal_pair(table: MeasureTable, point: TestPoint | None) -> TerminalPair | None:
    """Return the terminals of the table, else those of its test point; None where that is not known."""
    component = table.component or (point.component if point else "")
    terminals = table.terminals or (point.terminals if point else None)
    return TerminalPair(component, *terminals) if component and terminals else None


def _function(table: MeasureTable, spec: MeterSpec | None, point: TestPoint | None) -> MeterFunction | None:
    """Return the function of the table, else the only one of the meter that fits its test point; else None."""
    if table.function is not None or spec is None or point is None:
        return table.function
    fitting = _fitting_functions(spec, point)
    return fitting[0] if len(fitting) == 1 else None


def _fitting_functions(spec: MeterSpec, point: TestPoint) -> list[MeterFunction]:
    return [entry.function for entry in spec.functions if entry.function.quantity is point.quantity]


def _check_measured_terminals(table: MeasureTable, context: ScenarioContext) -> Iterator[FieldError]:
    if table.point and table.point not in context.points:
        alike = get_close_matches(table.point, context.points, 1)
        remedy = f"Did you mean {alike[0]}?" if alike else f"There are {', '.join(context.points)}."
        yield FieldError("point", f"the plan has no test point {table.point!r}.", remedy)
    if table.component:
        yield from _check_known("component", table.component, "component", context.components)
    pair = _terminal_pair(table, context.points.get(table.point))
    if table.terminals is not None and pair is not None:
        component = context.components.get(pair.component)
        yield from _check_change("terminals", component, lambda part: validate_terminals(part, pair))


def _check_function(table: MeasureTable, context: ScenarioContext) -> Iterator[FieldError]:
    spec, point = context.meters.get(table.meter), context.points.get(table.point)
    if table.function is not None and point is not None and table.function.quantity is not point.quantity:
        message = f"'{table.function}' does not measure the {point.quantity} of point {point.key!r}."
        yield FieldError("function", message, "Remove function, or give one that fits.")
    elif spec is not None and table.function is not None:
        functions = [entry.function for entry in spec.functions]
        if table.function not in functions:
            message = f"{spec.name} has no function '{table.function}'."
            yield FieldError("function", message, f"It has {', '.join(functions)}.")
    elif spec is not None and point is not None:
        fitting = _fitting_functions(spec, point)
        if len(fitting) != 1:
            message = f"{spec.name} has {count_phrase(len(fitting), 'function')} for {point.quantity}."
            remedy = f"Add function, one of: {', '.join(fitting)}." if fitting else "Name another meter."
            yield FieldError("function", message, remedy)


def _check_completeness(
    point: str, component: str, terminals: tuple[str, str] | None, function: MeterFunction | None
) -> Iterator[FieldError]:
    given = {"component": component, "terminals": terminals, "function": function}
    if point and component and terminals is None:
        yield FieldError("component", "a component needs its terminals.", "Add terminals, or remove component.")
    for key in (key for key, value in given.items() if not value and not point):
        yield FieldError(key, f"{key} is missing.", f"Give {key}, or the key of a test point: point.")


# --- faults


def _check_fault(
    step: DriftTable | SetFault, context: ScenarioContext, states: dict[str, Component | None]
) -> Iterator[FieldError]:
    name = step.component if isinstance(step, DriftTable) else step.fault.component

    def fail(component: Component) -> None:
        fault = _drift(step, component) if isinstance(step, DriftTable) else step.fault
        repaired = fault.kind is FaultKind.REPAIRED
        states[name] = context.components[name] if repaired else with_fault(component, fault, 0.0)

    yield from _check_change(("fault", "kind"), states.get(name), fail)


def _drift(table: DriftTable, component: Component | None) -> Fault:
    """Return the fault of a drift.

    Raises:
        FieldError: it drifts to an amount of another quantity, or not above zero.
    """
    assert component is not None  # noqa: S101  # it has no error
    try:
        value = float(parse_amount(table.to, _drift_quantity(component, table.terminal)).base_value)
    except InputError as error:
        raise FieldError(("fault", "to"), error.message, error.remedy) from error
    if value <= 0:
        raise FieldError(("fault", "to"), f"{table.to!r} is not above zero.", 'Write the new value: to = "25 µF".')
    return Fault(table.component, FaultKind.DRIFT, table.terminal, value, table.duration)


def _drift_quantity(component: Component, terminal: str) -> Quantity:
    """Return the quantity that drifts at ``terminal`` of a component."""
    if isinstance(component, Supply):
        return Quantity.VOLTAGE
    legs = component.legs if isinstance(component, Star) else {}
    capacitors = {terminal for terminal, leg in legs.items() if leg.farads is not None}
    return Quantity.CAPACITANCE if terminal in capacitors or (not terminal and capacitors) else Quantity.RESISTANCE


def _set_fault(fault: Fault | DriftTable) -> SetFault | DriftTable:
    return fault if isinstance(fault, DriftTable) else SetFault(fault)


# --- the declaration

_FAULT_KEYS = (Key("component", TEXT), Key("kind", Choice(FaultKind)))
_TERMINAL = Key("terminal", TEXT, "")
_PATH_OHMS = Key("to", OHMS, attribute="amount")
_FAULT: Variants[Fault | DriftTable] = Variants(
    "kind",
    {
        "drift": Table(
            DriftTable, *_FAULT_KEYS, _TERMINAL, Key("to", Text(40, example='"25 µF"')), Key("duration", SECONDS, 0.0)
        ),
        "open": Table(Fault, *_FAULT_KEYS, _TERMINAL),
        "shorted": Table(Fault, *_FAULT_KEYS, _TERMINAL),
        "leakage": Table(Fault, *_FAULT_KEYS, _TERMINAL, _PATH_OHMS),
        "shorted turns": Table(Fault, *_FAULT_KEYS, _TERMINAL, Key("turns", number("0.01", "1"), attribute="amount")),
        "grounded": Table(Fault, *_FAULT_KEYS, _PATH_OHMS),
        "supply lost": Table(Fault, *_FAULT_KEYS),
        "repaired": Table(Fault, *_FAULT_KEYS),
    },
)
_UNTIL = Either[float | str](SECONDS, Constant("accepted", 'Write until = "accepted", or a number of seconds.'))

STEP: VariantsByKey[StepTable] = VariantsByKey(
    {
        "meter": Table(
            MeasureTable,
            Key("meter", TEXT),
            Key("point", TEXT, ""),
            Key("component", TEXT, ""),
            Key("terminals", TERMINALS, None),
            Key("function", Choice(MeterFunction), None),
            Key("bounce", SECONDS, 0.0),
            Key("until", _UNTIL, "accepted"),
            Key("lift", Boolean(), default=True),
            checks=(_check_completeness,),
            schema_rules=(
                {
                    "if": {"required": ["point"]},
                    "then": {"dependentRequired": {"component": ["terminals"]}},
                    "else": {"required": ["component", "terminals", "function"]},
                },
            ),
        ),
        "lift": Table(Lift, Key("lift", TEXT, attribute="meter")),
        "drop_connection": Table(
            DropConnection, Key("drop_connection", TEXT, attribute="meter"), Key("seconds", SECONDS)
        ),
        "fault": Table(_set_fault, Key("fault", _FAULT)),
        "wait": Table(Wait, Key("wait", SECONDS, attribute="seconds")),
        "switch": Table(Switch, Key("switch", TEXT, attribute="supply"), Key("on", Boolean(), default=False)),
        "discharge": Table(
            Discharge,
            Key("discharge", TEXT, attribute="component"),
            Key("resistance", OHMS, attribute="ohms"),
            Key("seconds", SECONDS),
        ),
    }
)
