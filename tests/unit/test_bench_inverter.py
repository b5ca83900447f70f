"""The inverter of the bench and its motor, against circuits worked by hand. √2 = 1.41421, √3 = 1.73205."""

import math

import pytest

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import parse_amount
from meterlink.judge.uncertainty import parse_accuracy
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.inverter import Inverter, inverter_motor
from meterlink_simulators.mains import mains
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from support.wired_units import HZ, A, C, R, V, inverter_unit, read, value, wires

BUS, INPUT = "inverter.DC+ - inverter.DC-", "line.L1 - line.L2"
OUTPUTS = ("inverter.U - inverter.V", "inverter.V - inverter.W", "inverter.W - inverter.U")


def approx(expected: float):
    return pytest.approx(expected, rel=1e-3)


def leads(bench, now):
    return [value(bench, f"compressor.{phase} - compressor.GND", A, now) for phase in "UVW"]


def test_a_running_inverter():
    """Each phase has 150/√3 = 86.60 V on 0.05 + 0.5 + 8 Ω and 2π·90·5 mH = 2.827 Ω, together 9.005 Ω: 9.617 A.

    Between two outputs √3·9.617·√(8.5² + 2.827²) = 149.2 V are left. 3·9.617²·8.5 = 2358 W at 95 %, and 15 W: 2498 W;
    the input carries 2498/(240·0.95) = 10.95 A.
    """
    bench = inverter_unit()
    assert leads(bench, 2.0) == [pytest.approx(0, abs=1e-6)] * 3  # its controller starts
    assert leads(bench, 4.0) == [approx(9.617)] * 3
    for pair in OUTPUTS:
        assert value(bench, pair, V, 4.0) == approx(149.2)
        assert value(bench, pair, HZ, 4.0) == 90.0
    assert value(bench, INPUT, HZ, 4.0) == 60.0
    assert value(bench, INPUT, A, 4.0) == approx(10.955)
    assert value(bench, BUS, V, 4.0, Coupling.DC) == approx(339.41)  # 240·√2
    bench.operate("inverter", 5.0, on=False)
    assert leads(bench, 6.0) == [pytest.approx(0, abs=1e-6)] * 3
    assert value(bench, INPUT, A, 6.0) == approx(15 / (240 * 0.95))


@pytest.mark.parametrize(
    ("fault", "seconds", "left"),
    [
        # 2 mF·30 kΩ = 60 s: 339.41/e = 124.86 V after one minute, 339.41/e⁵ = 2.287 V after five.
        (None, 60.0, 124.86),
        (None, 300.0, 2.287),
        (Fault("inverter", FaultKind.BLEED_OPEN), 300.0, 339.41),
    ],
)
def test_the_bus_stays_charged_for_minutes(fault, seconds, left):
    bench = inverter_unit()
    if fault:
        bench.set_fault(fault, 0.0)
    bench.advance(10.0)
    bench.switch_supply("line", 10.0, on=False)
    assert value(bench, INPUT, V, 10.0) == pytest.approx(0, abs=1e-3)
    assert value(bench, BUS, V, 10.0 + seconds, Coupling.DC) == approx(left)
    assert read(bench, BUS, R, 10.0 + seconds).energized
    # Through 1 kΩ beside 30 kΩ, 967.7 Ω (1 kΩ without): some seconds are enough.
    bench.connect_bleeder("inverter", 1e3, 400.0)
    assert abs(value(bench, BUS, V, 430.0, Coupling.DC)) < 0.5
    bench.connect_bleeder("inverter", math.inf, 430.0)
    assert value(bench, BUS, R, 431.0) == (approx(30e3) if fault is None else math.inf)
    assert value(bench, BUS, C, 431.0) == pytest.approx(2e-3, rel=0.01)


def test_a_bleeder_on_the_bus_by_hand():
    """1 kΩ beside 30 kΩ: 967.74 Ω·2 mF = 1.9355 s; after 3.871 s 339.41/e² = 45.93 V."""
    bench = inverter_unit()
    bench.advance(10.0)
    bench.switch_supply("line", 10.0, on=False)
    bench.connect_bleeder("inverter", 1e3, 10.0)
    assert value(bench, BUS, V, 13.871, Coupling.DC) == approx(45.93)


def test_windings_are_equal_and_there_is_no_capacitor():
    bench = inverter_unit()
    bench.switch_supply("line", 0.0, on=False)
    bench.pull_leads("compressor", 0.0)
    for first, second in ("UV", "VW", "WU"):
        assert value(bench, f"compressor.{first} - compressor.{second}", R, 0.0) == approx(1.0)
        assert value(bench, f"compressor.{first} - compressor.{second}", C, 0.0) == math.inf
    bench.set_fault(Fault("compressor", FaultKind.SHORTED_TURNS, "V", 0.8), 1.0)
    assert value(bench, "compressor.U - compressor.V", R, 1.0) == approx(0.9)  # 0.5 + 0.8·0.5
    assert value(bench, "compressor.W - compressor.U", R, 1.0) == approx(1.0)
    bench.set_fault(Fault("compressor", FaultKind.GROUNDED, amount=200e3), 2.0)
    assert value(bench, "compressor.U - compressor.GND", R, 2.0) == approx(200e3)


@pytest.mark.parametrize(
    "fault",
    [
        Fault("inverter", FaultKind.OPEN, "V"),
        Fault("compressor", FaultKind.OPEN, "W"),
        Fault("compressor", FaultKind.BAD_CONNECTION, "U", math.inf),
        # 86.60/√((0.05 + 0.5)² + 2.827²) = 86.60/2.880 = 30.07 A: more than its 30 A.
        Fault("compressor", FaultKind.ROTOR_LOCKED),
    ],
)
def test_an_inverter_trips(fault):
    bench = inverter_unit()
    bench.advance(5.0)
    bench.set_fault(fault, 5.0)
    bench.advance(6.0)
    assert bench.component("inverter").state == "tripped"
    assert value(bench, OUTPUTS[0], V, 6.0) == pytest.approx(0, abs=0.01)
    assert value(bench, BUS, V, 6.0, Coupling.DC) == approx(339.41)
    bench.set_fault(Fault(fault.component, FaultKind.REPAIRED), 7.0)
    bench.switch_supply("line", 8.0, on=False)
    bench.switch_supply("line", 9.0, on=True)  # it forgets its trip without power
    assert leads(bench, 15.0) == [approx(9.617)] * 3


@pytest.mark.parametrize(
    ("fault", "bus"), [(Fault("inverter", FaultKind.NO_OUTPUT), 339.41), (Fault("inverter", FaultKind.OPEN, "L1"), 0.0)]
)
def test_an_inverter_that_does_not_run_while_the_supply_is_there(fault, bus):
    bench = inverter_unit()
    bench.set_fault(fault, 0.0)
    assert value(bench, INPUT, V, 5.0) == approx(240.0)
    assert leads(bench, 5.0) == [pytest.approx(0, abs=1e-6)] * 3
    assert value(bench, BUS, V, 5.0, Coupling.DC) == approx(bus)


def test_an_electronically_commutated_blower():
    """On 120 V its bus holds 120·√2 = 169.7 V; 80/√3 = 46.19 V on √(10.05² + 2.827²) = 10.44 Ω drive 4.424 A."""
    parts: list[Component] = [
        mains("line", "supply", "line and neutral", 120.0, impedance=0.0),
        Inverter("blower drive", "blower", ("L", "N"), 120.0, 80.0, 90.0, bus_farads=0.5e-3, bleed_ohms=100e3),
        inverter_motor("blower motor", "blower", ohms=4.0),
    ]
    joints = wires("""
        line.L1 - blower drive.L
        line.N - blower drive.N
        blower drive.U - blower motor.U
        blower drive.V - blower motor.V
        blower drive.W - blower motor.W
    """)
    bench = Bench(parts, wires=joints)
    for phase in "UVW":
        assert value(bench, f"blower motor.{phase} - blower motor.GND", A, 5.0) == approx(4.424)
    bench.switch_supply("line", 6.0, on=False)
    assert value(bench, "blower drive.DC+ - blower drive.DC-", V, 6.0, Coupling.DC) == approx(169.71)


def test_a_fault_that_an_inverter_cannot_have():
    with pytest.raises(InputError, match="an input or output opens"):
        inverter_unit().set_fault(Fault("inverter", FaultKind.WELDED), 0.0)


def test_a_meter_shows_the_falling_voltage_of_the_bus():
    """Twelve seconds at τ = 60 s: 339.41·e^(−0.2) = 277.9 V."""
    bench = inverter_unit()
    scale = Range(parse_amount("600.0 V", V), parse_accuracy("0.5 % + 2 digits"))
    spec = MeterSpec(
        "bench meter", "00:00:5E:00:53:0A", 1, 10.0, 6000, (FunctionSpec(MeterFunction.DC_VOLTS, (scale,)),)
    )
    meter = SimulatedMeter(spec, bench)
    bench.advance(5.0)
    bench.switch_supply("line", 5.0, on=False)
    display = meter.settled_display(TerminalPair("inverter", "DC+", "DC-"), MeterFunction.DC_VOLTS, 17.0)
    assert display.digits is not None
    assert abs(float(display.digits) - 277.9) < 2.0
