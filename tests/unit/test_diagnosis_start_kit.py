"""Faults of a start kit on the bench, diagnosed from the amps that a clamp reads."""

from decimal import Decimal

import pytest

from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.units import Amount, Quantity
from meterlink.diagnosis.causes import Diagnosis
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.station.rules import shipped_rules
from meterlink_simulators.faults import Fault, FaultKind
from support.points import point, span
from support.wired_units import start_kit_unit, value

A, ON = Quantity.CURRENT, CircuitState.ENERGIZED
START_AMPS = point("compressor", "start capacitor", "1-2", A, ON, PointKind.RANGE, span(None, "0.5", "A"))
# The compressor of the bench takes 15 A at work.
MOTOR_AMPS = point("compressor", "compressor motor", "T1-C", A, ON, PointKind.RANGE, span(None, "16.0", "A"))
PLACES = (
    (START_AMPS, "start capacitor.1 - start capacitor.2"),
    (MOTOR_AMPS, "contactor.T1 - compressor.C"),
)


def diagnosis_at(seconds: float, *faults: Fault) -> Diagnosis:
    """Return the diagnosis of the amps so long after power came on, with ``faults``."""
    bench = start_kit_unit()
    for fault in faults:
        bench.set_fault(fault, 0.0)
    bench.advance(seconds)
    readings = []
    for number, (test_point, place) in enumerate(PLACES, 1):
        amps = Decimal(f"{value(bench, place, A, seconds):.1f}")
        observation = observe(test_point, MeasuredValue.from_amount(A, Amount(amps, "A")), number)
        readings.append(PointReadings(test_point, (observation,)))
    return diagnose(Case(tuple(readings)), shipped_rules())


def rules_at(seconds: float, *faults: Fault) -> list[str]:
    return [cause.rule for cause in diagnosis_at(seconds, *faults).causes]


def test_a_sound_start_kit():
    """The capacitor carries current while the rotor stands, and none once the motor runs: neither is a fault."""
    assert "start-capacitor-stays-in" not in rules_at(0.2)
    assert rules_at(2.0) == []


@pytest.mark.parametrize(
    "fault", [Fault("start relay contacts", FaultKind.WELDED), Fault("start relay coil", FaultKind.OPEN)]
)
def test_a_start_capacitor_that_stays_in(fault):
    """Both leave the capacitor in the circuit; only the ohms of the relay's coil tell them apart."""
    diagnosis = diagnosis_at(2.0, fault)
    (cause,) = (cause for cause in diagnosis.causes if cause.rule == "start-capacitor-stays-in")
    assert cause.next_measurement.startswith("Switch off at once")
    assert "ohms across the relay's coil" in cause.next_measurement


@pytest.mark.parametrize("part", ["start relay contacts", "start capacitor"])
def test_an_open_start_circuit(part):
    """The rotor stands and takes its locked amps, and nothing flows where the start capacitor should help."""
    assert "start-circuit-open" in rules_at(1.0, Fault(part, FaultKind.OPEN))


def test_a_weak_start_capacitor_does_not_blame_the_relay():
    """Its relay never opens because the rotor stands: the capacitor is in as it should be."""
    weak = Fault("start capacitor", FaultKind.DRIFT, amount=30e-6)
    assert "start-capacitor-stays-in" not in rules_at(1.0, weak)
