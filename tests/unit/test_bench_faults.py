"""Every kind of fault on every part of the wired units: it is refused in words, or meters still read a number."""

import math

import pytest

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink_simulators.bench import Bench
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.probes import TerminalPair
from support.wired_units import (
    HZ,
    A,
    C,
    R,
    V,
    air_handler,
    inverter_unit,
    rooftop,
    split_condenser,
    start_kit_unit,
    walk_in,
)

UNITS = {
    unit.__name__: unit for unit in (split_condenser, start_kit_unit, rooftop, inverter_unit, air_handler, walk_in)
}
AMOUNTS = {
    FaultKind.DRIFT: 20e-6,
    FaultKind.LEAKAGE: 1e4,
    FaultKind.SHORTED_TURNS: 0.8,
    FaultKind.GROUNDED: 2e5,
    FaultKind.PARTLY_OPEN: 0.5,
    FaultKind.BAD_CONNECTION: 0.5,
    FaultKind.WRONG_COIL: 120.0,
}


def possible_fault(unit: str, name: str, kind: FaultKind) -> tuple[Fault, Bench] | None:
    """Return the first fault of that kind that the component can have, and a bench that has it."""
    bench = UNITS[unit]()
    for terminal in ("", *bench.component(name).terminals):
        fault = Fault(name, kind, terminal, AMOUNTS.get(kind))
        try:
            bench.set_fault(fault, 0.0)
        except InputError:
            continue
        return fault, bench
    return None


def readings(bench: Bench, now: float) -> list[float | None]:
    """Return every reading between the first two terminals of every component."""
    return [
        bench.true_value(TerminalPair(name, *bench.component(name).terminals[:2]), quantity, now, coupling).value
        for name in bench.names
        for quantity, coupling in (
            (V, Coupling.AC),
            (V, Coupling.DC),
            (A, Coupling.AC),
            (HZ, None),
            (R, None),
            (C, None),
        )
    ]


@pytest.mark.parametrize("unit", UNITS)
def test_every_kind_of_fault_on_every_part(unit):
    names = UNITS[unit]().names
    possible = [found for name in names for kind in FaultKind if (found := possible_fault(unit, name, kind))]
    assert {fault.component for fault, _ in possible} == set(names)
    for fault, bench in possible:
        numbers = readings(bench, 2.0)
        bench.switch_supply("line", 40.0, on=False)
        numbers += readings(bench, 41.0)
        assert not any(number is not None and math.isnan(number) for number in numbers), fault


def test_every_kind_of_fault_is_possible_somewhere():
    kinds = {
        kind for unit in UNITS for name in UNITS[unit]().names for kind in FaultKind if possible_fault(unit, name, kind)
    }
    assert kinds == set(FaultKind)
