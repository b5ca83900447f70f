"""The ``[[step]]`` tables of a scenario: the actions of the simulated technician, and the faults."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from meterlink.core.equipment import Plan, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Star, Supply
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction, MeterSpec
from meterlink_simulators.scenario_tables import ScenarioTable

_LONGEST = 3600.0  # s; a longer step is a typing error


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
class ScenarioContext:
    """The plan, meters and bench that steps refer to."""

    plan: Plan
    meters: tuple[MeterSpec, ...]
    bench: Bench


def read_step(table: ScenarioTable, context: ScenarioContext) -> Step:
    """Return the step that a ``[[step]]`` table describes.

    Raises:
        ScenarioError: a key is missing or wrong.
    """
    for key, reader in _READERS.items():
        if key in table:
            step = reader(table, context)
            table.reject_unknown_keys()
            return step
    raise table.error("meter", "the step has no known action.", f"Give one of: {', '.join(_READERS)}.")


def _meter(table: ScenarioTable, key: str, context: ScenarioContext) -> MeterSpec:
    name = table.text(key)
    for spec in context.meters:
        if spec.name == name:
            return spec
    raise table.error(
        key, f"no meter is named {name!r}.", f"There are {', '.join(spec.name for spec in context.meters)}."
    )


def _measure(table: ScenarioTable, context: ScenarioContext) -> Measure:
    spec = _meter(table, "meter", context)
    point = _point(table, context.plan)
    if point is not None and "terminals" not in table:
        terminals = TerminalPair(point.component, *point.terminals)
    else:
        component = table.text("component", point.component if point is not None else None)
        terminals = TerminalPair(component, *table.text_pair("terminals"))
    try:
        context.bench.validate_terminals(terminals)
    except InputError as error:
        raise table.error("terminals", error.message, error.remedy) from error
    function = _function(table, spec, point)
    return Measure(
        meter=spec.name,
        function=function,
        terminals=terminals,
        point=point.key if point is not None else "",
        bounce=table.number("bounce", 0.0, most=_LONGEST),
        seconds=table.number_or_word("until", "accepted", most=_LONGEST),
        lift=table.boolean("lift", default=True),
    )


def _point(table: ScenarioTable, plan: Plan) -> TestPoint | None:
    key = table.text("point", "")
    for point in plan.points:
        if point.key == key:
            return point
    if key:
        raise table.error("point", f"the plan has no test point {key!r}.")
    return None


def _function(table: ScenarioTable, spec: MeterSpec, point: TestPoint | None) -> MeterFunction:
    functions = [entry.function for entry in spec.functions]
    if "function" in table or point is None:
        function = table.choice("function", MeterFunction)
    else:
        fitting = [function for function in functions if function.quantity is point.quantity]
        if len(fitting) != 1:
            raise table.error(
                "function", f"{spec.name} has {len(fitting)} functions for {point.quantity}.", "Set 'function'."
            )
        function = fitting[0]
    if function not in functions:
        raise table.error("function", f"{spec.name} has no function '{function}'.", f"It has {', '.join(functions)}.")
    if point is not None and function.quantity is not point.quantity:
        raise table.error("function", f"'{function}' does not measure the {point.quantity} of point {point.key!r}.")
    return function


def _lift(table: ScenarioTable, context: ScenarioContext) -> Lift:
    return Lift(_meter(table, "lift", context).name)


def _drop_connection(table: ScenarioTable, context: ScenarioContext) -> DropConnection:
    return DropConnection(_meter(table, "drop_connection", context).name, table.number("seconds", most=_LONGEST))


def _wait(table: ScenarioTable, context: ScenarioContext) -> Wait:  # noqa: ARG001  # same signature as the other readers
    return Wait(table.number("wait", most=_LONGEST))


def _component(table: ScenarioTable, key: str, context: ScenarioContext) -> str:
    name = table.text(key)
    if name not in context.bench.names:
        raise table.error(key, f"no component is named {name!r}.", f"There are {', '.join(context.bench.names)}.")
    return name


def _switch(table: ScenarioTable, context: ScenarioContext) -> Switch:
    name = _component(table, "switch", context)
    if not isinstance(context.bench.component(name), Supply):
        raise table.error("switch", f"{name!r} is not a supply.")
    return Switch(name, table.boolean("on", default=False))


def _discharge(table: ScenarioTable, context: ScenarioContext) -> Discharge:
    name = _component(table, "discharge", context)
    try:
        context.bench.connect_bleeder(name, 1.0, 0.0)
    except InputError as error:
        raise table.error("discharge", error.message, error.remedy) from error
    return Discharge(name, table.amount("resistance", Quantity.RESISTANCE), table.number("seconds", most=_LONGEST))


def _fault(table: ScenarioTable, context: ScenarioContext) -> SetFault:
    entry = table.table("fault")
    name = _component(entry, "component", context)
    kind = entry.choice("kind", FaultKind)
    terminal = entry.text("terminal", "")
    amount = _fault_amount(entry, kind, _drift_quantity(context.bench.component(name), terminal))
    fault = Fault(name, kind, terminal, amount, entry.number("duration", 0.0, most=_LONGEST))
    entry.reject_unknown_keys()
    try:
        context.bench.set_fault(fault, 0.0)
    except InputError as error:
        raise entry.error("kind", error.message, error.remedy) from error
    return SetFault(fault)


def _fault_amount(entry: ScenarioTable, kind: FaultKind, drift_quantity: Quantity) -> float | None:
    match kind:
        case FaultKind.LEAKAGE | FaultKind.GROUNDED:
            return entry.amount("to", Quantity.RESISTANCE)
        case FaultKind.SHORTED_TURNS:
            return entry.number("turns", least=0.01, most=1.0)
        case FaultKind.DRIFT:
            return entry.amount("to", drift_quantity)
        case _:
            return None


def _drift_quantity(component: Component, terminal: str) -> Quantity:
    """Return the quantity that drifts at ``terminal`` of a component."""
    if isinstance(component, Supply):
        return Quantity.VOLTAGE
    legs = component.legs if isinstance(component, Star) else {}
    capacitors = {terminal for terminal, leg in legs.items() if leg.farads is not None}
    return Quantity.CAPACITANCE if terminal in capacitors or (not terminal and capacitors) else Quantity.RESISTANCE


_READERS: Mapping[str, Callable[[ScenarioTable, ScenarioContext], Step]] = {
    "meter": _measure,
    "lift": _lift,
    "drop_connection": _drop_connection,
    "fault": _fault,
    "wait": _wait,
    "switch": _switch,
    "discharge": _discharge,
}
