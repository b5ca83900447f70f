"""The ``[[step]]`` tables of a scenario: the actions of the simulated technician, and the faults."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.outcomes import Outcome
from meterlink.core.stock import MovementKind
from meterlink.core.text import count_phrase, did_you_mean
from meterlink.core.units import Quantity, parse_amount
from meterlink.tomlfile.field_types import Boolean, Choice, Constant, Either, Integer, ListOf, Parsed, Text
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.tables import FieldError, Key, Table, Variants, VariantsByKey
from meterlink_simulators.bench import Bench, validate_terminals, with_bleeder
from meterlink_simulators.components import Component, Star, Supply
from meterlink_simulators.faults import Fault, FaultKind, with_fault
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction, MeterSpec
from meterlink_simulators.scenario_components import ComponentsByName
from meterlink_simulators.scenario_types import OHMS, SECONDS, TEXT, amount, number


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


@dataclass(frozen=True, slots=True)
class Operate:
    """Close (``on``) or open a switch that has no coil, or start or stop an inverter."""

    component: str
    on: bool


@dataclass(frozen=True, slots=True)
class Leads:
    """Take the leads of a wired component off, or put them ``on`` again."""

    component: str
    on: bool


@dataclass(frozen=True, slots=True)
class Arrive:
    """Begin the visit at the scenario's unit, with a job number."""

    job: str


@dataclass(frozen=True, slots=True)
class Note:
    """Keep a note on the visit."""

    text: str


@dataclass(frozen=True, slots=True)
class Leave:
    """Close the visit."""

    outcome: Outcome


@dataclass(frozen=True, slots=True)
class ReadLabel:
    """Enter the rating on the part at a test point."""

    point: str
    rating: str


@dataclass(frozen=True, slots=True)
class Replace:
    """Record that the part at a test point is replaced by one with this rating."""

    point: str
    rating: str


@dataclass(frozen=True, slots=True)
class Stock:
    """Make an entry of the truck's stock: ``count`` capacitors with this rating."""

    rating: str
    count: int
    entry: MovementKind


VisitStep = Arrive | ReadLabel | Note | Replace | Stock | Leave
Step = Measure | Lift | DropConnection | SetFault | Wait | Switch | Discharge | Operate | Leads | VisitStep


@dataclass(frozen=True, slots=True)
class MeasureTable:
    """A ``[[step]]`` with ``meter``, by itself: what it leaves out is that of its test point (see `build_step`)."""

    meter: str
    point: str
    component: str
    second_component: str
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


StepTable = MeasureTable | DriftTable | Step


@dataclass(frozen=True, slots=True)
class ScenarioContext:
    """The test points by key, meters and components by name, that steps refer to; None for one with an error.

    ``bench`` has the components and wires; None where one of them has an error.
    """

    points: Mapping[str, TestPoint | None]
    meters: Mapping[str, MeterSpec | None]
    components: ComponentsByName
    bench: Bench | None = None


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
        case Lift(meter) | DropConnection(meter):
            key = "lift" if isinstance(step, Lift) else "drop_connection"
            yield from _check_known(key, meter, "meter", context.meters)
        case Switch(supply):
            yield from _check_known("switch", supply, "component", context.components)
            if not isinstance(context.components.get(supply), Supply | None):
                yield FieldError("switch", f"{supply!r} is not a supply: it has no switch.", "Name a supply.")
        case Discharge(component):
            yield from _check_known("discharge", component, "component", context.components)
            yield from _check_change("discharge", context.components.get(component), lambda part: with_bleeder(part, 1))
        case Operate(component, on):
            yield from _check_part("operate", component, context, lambda bench: bench.operate(component, 0.0, on=on))
        case Leads(component):
            yield from _check_part("leads", component, context, lambda bench: bench.connect_leads(component, 0.0))
        case ReadLabel(point) | Replace(point):
            key = "label_at" if isinstance(step, ReadLabel) else "replace"
            yield from () if point in context.points else (_unknown_point(key, point, context),)
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


def _check_part(
    key: str, component: str, context: ScenarioContext, action: Callable[[Bench], object]
) -> Iterator[FieldError]:
    """Yield the problem of a step that ``action`` takes on a component."""
    yield from _check_known(key, component, "component", context.components)
    if component in context.components:
        yield from _check_on_bench(key, context, action)


def _check_on_bench(
    at: str | TomlPath, context: ScenarioContext, action: Callable[[Bench], object]
) -> Iterator[FieldError]:
    """Yield the problem that ``action`` raises on a bench without an error."""
    try:
        if context.bench is not None:
            action(context.bench)
    except InputError as error:
        yield FieldError(at, error.message, error.remedy)


# --- measuring


def _terminal_pair(table: MeasureTable, point: TestPoint | None) -> TerminalPair | None:
    """Return the terminals of the table, else those of its test point; None where that is not known."""
    component = table.component or (point.component if point else "")
    terminals = table.terminals or (point.terminals if point else None)
    return TerminalPair(component, *terminals, table.second_component) if component and terminals else None


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
        yield _unknown_point("point", table.point, context)
    if table.component:
        yield from _check_known("component", table.component, "component", context.components)
    pair = _terminal_pair(table, context.points.get(table.point))
    if table.second_component:
        yield from _check_known("second_component", table.second_component, "component", context.components)
        known = {table.component, table.second_component} <= context.components.keys()
        if known and pair is not None:
            yield from _check_on_bench("terminals", context, lambda bench: bench.validate_terminals(pair))
    elif table.terminals is not None and pair is not None:
        component = context.components.get(pair.component)
        yield from _check_change("terminals", component, lambda part: validate_terminals(part, pair))


def _unknown_point(at: str, key: str, context: ScenarioContext) -> FieldError:
    remedy = did_you_mean(key, context.points) or f"There are {', '.join(context.points)}."
    return FieldError(at, f"the plan has no test point {key!r}.", remedy)


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
    point: str,
    component: str,
    second_component: str,
    terminals: tuple[str, str] | None,
    function: MeterFunction | None,
) -> Iterator[FieldError]:
    if second_component and not (component and terminals):
        message = "a second component needs the first one, and the terminal of each."
        yield FieldError("second_component", message, "Add component and terminals.")
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
    if isinstance(step, SetFault) and step.fault.kind is FaultKind.BAD_CONNECTION and name in context.components:
        yield from _check_on_bench(("fault", "component"), context, lambda bench: bench.set_fault(step.fault, 0.0))
        return

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


def _joint(text: str) -> float:
    """Return the resistance of a connection, Ω; inf for ``off``, a lead that is off.

    Raises:
        InputError: it is no resistance above zero.
    """
    if text.strip() == "off":
        return math.inf
    ohms = float(parse_amount(text, Quantity.RESISTANCE).base_value)
    if ohms <= 0:
        raise InputError(f"{text!r} is not above zero.", 'Write to = "5 ohm", or to = "off".')
    return ohms


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
        "grounded": Table(Fault, *_FAULT_KEYS, _TERMINAL, _PATH_OHMS),
        "partly open": Table(Fault, *_FAULT_KEYS, _TERMINAL, Key("share", number("0.01", "1"), attribute="amount")),
        "bad connection": Table(
            Fault, *_FAULT_KEYS, Key("terminal", TEXT), Key("to", Parsed(_joint, '"5 ohm"'), attribute="amount")
        ),
        "welded": Table(Fault, *_FAULT_KEYS, _TERMINAL),
        "wrong tap": Table(Fault, *_FAULT_KEYS, Key("terminal", TEXT)),
        "wrong coil": Table(Fault, *_FAULT_KEYS, Key("volts", amount(Quantity.VOLTAGE, '"240 V"'), attribute="amount")),
        **dict.fromkeys(
            (
                "supply lost",
                "phases exchanged",
                "rotor locked",
                "protector open",
                "bleed resistor open",
                "no output",
                "repaired",
            ),
            Table(Fault, *_FAULT_KEYS),
        ),
    },
)
# Terminals of two components may have the same name.
_MEASURED = ListOf(TEXT, 2, 2, example='["C", "HERM"]')
_MOST_IN_STOCK = 99  # of one part: no truck carries as many
_UNTIL = Either[float | str](SECONDS, Constant("accepted", 'Write until = "accepted", or a number of seconds.'))

STEP: VariantsByKey[StepTable] = VariantsByKey(
    {
        "meter": Table(
            MeasureTable,
            Key("meter", TEXT),
            Key("point", TEXT, ""),
            Key("component", TEXT, ""),
            Key("second_component", TEXT, ""),
            Key("terminals", _MEASURED, None),
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
                {"dependentRequired": {"second_component": ["component", "terminals"]}},
            ),
        ),
        "lift": Table(Lift, Key("lift", TEXT, attribute="meter")),
        "drop_connection": Table(
            DropConnection, Key("drop_connection", TEXT, attribute="meter"), Key("seconds", SECONDS)
        ),
        "fault": Table(_set_fault, Key("fault", _FAULT)),
        "wait": Table(Wait, Key("wait", SECONDS, attribute="seconds")),
        "switch": Table(Switch, Key("switch", TEXT, attribute="supply"), Key("on", Boolean(), default=False)),
        "operate": Table(Operate, Key("operate", TEXT, attribute="component"), Key("on", Boolean(), default=False)),
        "leads": Table(Leads, Key("leads", TEXT, attribute="component"), Key("on", Boolean(), default=False)),
        "arrive": Table(Arrive, Key("arrive", TEXT, attribute="job")),
        "note": Table(Note, Key("note", TEXT, attribute="text")),
        "label_at": Table(ReadLabel, Key("label_at", TEXT, attribute="point"), Key("rating", TEXT)),
        "replace": Table(Replace, Key("replace", TEXT, attribute="point"), Key("rating", TEXT)),
        "stock": Table(
            Stock,
            Key("stock", TEXT, attribute="rating"),
            Key("count", Integer(0, _MOST_IN_STOCK), 1),
            Key("entry", Choice(MovementKind), MovementKind.LOADED),
        ),
        "leave": Table(Leave, Key("leave", Choice(Outcome), attribute="outcome")),
        "discharge": Table(
            Discharge,
            Key("discharge", TEXT, attribute="component"),
            Key("resistance", OHMS, attribute="ohms"),
            Key("seconds", SECONDS),
        ),
    }
)
