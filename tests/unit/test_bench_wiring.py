"""Wired circuits of the bench, against circuits worked by hand. √2 = 1.41421, √3 = 1.73205."""

import math
from typing import cast

import pytest

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Contacts, Leg, Star, Supply, Surface
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.mains import Layout, mains
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.switchgear import coil, contactor, fuse
from meterlink_simulators.transformer import Transformer
from meterlink_simulators.wiring import Wire
from support.wired_units import (
    HZ,
    A,
    C,
    R,
    V,
    air_handler,
    read,
    resistor,
    split_condenser,
    value,
    walk_in,
    wires,
)

CLOSE = 1e-3  # relative: the least resistance of a joint and the leakage of a node are not in the hand-worked values


def approx(expected: float):
    return pytest.approx(expected, rel=CLOSE)


def loaded(layout: Layout, volts: float, loads: str, ohms: float, impedance: complex = 0.0, count: int = 3) -> Bench:
    parts: list[Component] = [mains("line", "supply", layout, volts, impedance=impedance)]
    parts += [resistor(f"load {number}", ohms) for number in range(1, count + 1)]
    return Bench(parts, wires=wires(loads))


DELTA = """
    line.L1 - load 1.1
    load 1.2 - line.L2
    line.L2 - load 2.1
    load 2.2 - line.L3
    line.L3 - load 3.1
    load 3.2 - line.L1
"""
WYE = """
    line.L1 - load 1.1
    line.L2 - load 2.1
    line.L3 - load 3.1
    load 1.2 - load 2.2
    load 2.2 - load 3.2
"""
SINGLE = """
    line.L1 - load 1.1
    load 1.2 - line.L2
"""


# Supplies


@pytest.mark.parametrize(
    ("layout", "volts", "expected"),
    [
        ("line and neutral", 230.0, {"L1 N": 230, "L1 GND": 230, "N GND": 0}),
        # Half of 240 V on either side of the neutral.
        ("split phase", 240.0, {"L1 L2": 240, "L1 N": 120, "L2 N": 120, "L2 GND": 120, "N GND": 0}),
        # 208/√3 = 120.09 V.
        ("wye", 208.0, {"L1 L2": 208, "L2 L3": 208, "L3 L1": 208, "L3 N": 120.09, "L1 GND": 120.09}),
        # The high leg: the height of the triangle, 240·√3/2 = 207.85 V.
        ("high-leg delta", 240.0, {"L1 L2": 240, "L2 L3": 240, "L3 L1": 240, "L1 N": 120, "L2 N": 207.85, "L3 N": 120}),
        ("corner-grounded delta", 240.0, {"L1 L2": 240, "L3 L1": 240, "L2 GND": 0, "L1 GND": 240, "L3 GND": 240}),
        ("delta", 480.0, {"L1 L2": 480, "L2 L3": 480, "L3 L1": 480}),
    ],
)
def test_voltages_of_supplies(layout, volts, expected):
    bench = Bench([mains("line", "supply", layout, volts)])
    for pair, reading in expected.items():
        first, second = pair.split()
        place = f"line.{first} - line.{second}"
        assert value(bench, place, V, 0.0) == pytest.approx(reading, rel=CLOSE, abs=0.01), pair
        assert value(bench, place, V, 0.0, Coupling.DC) == pytest.approx(0, abs=1e-6)
        assert read(bench, place, HZ, 0.0).value == (60.0 if reading else None)
    bench.switch_supply("line", 1.0, on=False)
    assert value(bench, f"line.{first} - line.{second}", V, 1.0) == pytest.approx(0, abs=0.01)


def test_a_supply_that_is_grounded_nowhere_reads_hardly_anything_to_ground():
    """278 V behind 4 leakages of 1 GΩ beside each other, 250 MΩ, leave 277.13·10/260 = 10.66 V on a 10 MΩ voltmeter."""
    bench = Bench([mains("line", "supply", "delta", 480.0)])
    assert value(bench, "line.L1 - line.GND", V, 0.0) == pytest.approx(10.66, rel=0.01)


def test_currents_of_a_balanced_delta():
    """240 V on 24 Ω are 10 A in each resistor; two of them meet in a line: 10·√3 = 17.32 A."""
    bench = loaded("wye", 240.0, DELTA, 24.0)
    for number in (1, 2, 3):
        assert value(bench, f"load {number}.1 - load {number}.2", A, 0.0) == approx(10.0)
        assert value(bench, f"line.L{number} - line.GND", A, 0.0) == approx(17.3205)


def test_currents_of_a_balanced_wye():
    """208/√3 = 120.09 V on 12 Ω are 10.007 A in each line."""
    bench = loaded("wye", 208.0, WYE, 12.0)
    for number in (1, 2, 3):
        assert value(bench, f"load {number}.1 - load {number}.2", A, 0.0) == approx(10.0074)
        assert value(bench, f"load {number}.1 - load {number}.2", V, 0.0) == approx(120.089)


def test_a_delta_with_an_open_phase():
    """Without L3: 24 Ω beside 24 + 24 Ω are 16 Ω, 240/16 = 15 A; L3 lies in the middle, 120 V from L1 and from L2."""
    bench = loaded("wye", 240.0, DELTA, 24.0)
    bench.set_fault(Fault("line", FaultKind.OPEN, "L3"), 0.0)
    assert value(bench, "line.L1 - line.L2", A, 0.0) == approx(15.0)
    assert value(bench, "line.L3 - line.L1", A, 0.0) == pytest.approx(0, abs=1e-6)
    assert value(bench, "line.L3 - line.L1", V, 0.0) == approx(120.0)
    assert value(bench, "line.L2 - line.L3", V, 0.0) == approx(120.0)
    assert value(bench, "line.L1 - line.L2", V, 0.0) == approx(240.0)
    # L1 to ground is 138.56 V as before; L3, between L1 and L2, is the half of that to ground: 240/√3/2 = 69.28 V.
    assert value(bench, "line.L3 - line.GND", V, 0.0) == approx(69.282)


def test_a_hard_supply_sags():
    """Twice 0.25 Ω and 11.5 Ω on 240 V: 240/12 = 20 A; 20·0.5 = 10 V are lost and 230 V are left."""
    bench = loaded("split phase", 240.0, SINGLE, 11.5, impedance=0.25, count=1)
    assert value(bench, "line.L1 - line.L2", A, 0.0) == approx(20.0)
    assert value(bench, "line.L1 - line.L2", V, 0.0) == approx(230.0)


def test_a_low_line_and_a_lost_supply():
    """One line of 120.09 V lowered to 100/208 of it: 57.735 V. L1–L2: √(57.735² + 120.09² + 57.735·120.09) = 157.1."""
    bench = Bench([mains("line", "supply", "wye", 208.0)])
    bench.set_fault(Fault("line", FaultKind.DRIFT, "L1", 100.0), 0.0)
    assert value(bench, "line.L1 - line.N", V, 0.0) == approx(57.735)
    assert value(bench, "line.L1 - line.L2", V, 0.0) == approx(157.125)
    assert value(bench, "line.L2 - line.L3", V, 0.0) == approx(208.0)
    bench.set_fault(Fault("line", FaultKind.REPAIRED), 1.0)
    assert value(bench, "line.L1 - line.N", V, 1.0) == approx(120.089)
    bench.set_fault(Fault("line", FaultKind.DRIFT, amount=104.0, duration=10.0), 1.0)
    assert value(bench, "line.L1 - line.L2", V, 6.0) == approx(156.0)  # half way from 208 to 104
    bench.set_fault(Fault("line", FaultKind.SUPPLY_LOST), 12.0)
    assert value(bench, "line.L1 - line.L2", V, 12.0) == pytest.approx(0, abs=1e-3)


# Capacitors


def test_a_capacitor_under_load():
    """I = 2πfCU: 2π·60·45e-6·240 = 4.0715 A; and back, 4.0715/(2π·60·240) = 45 µF."""
    parts: list[Component] = [mains("line", "supply", "split phase", 240.0, impedance=0.0)]
    parts += [Star("capacitor", "fan", {"1": Leg(), "2": Leg(farads=45e-6)})]
    bench = Bench(parts, wires=[Wire("line.L1", "capacitor.1"), Wire("line.L2", "capacitor.2")])
    assert value(bench, "capacitor.1 - capacitor.2", A, 0.0) == approx(4.0715)
    assert value(bench, "capacitor.1 - capacitor.2", V, 0.0) == approx(240.0)
    assert read(bench, "capacitor.1 - capacitor.2", C, 0.0).energized
    # Cut off when its current is zero, it keeps the peak, 240·√2 = 339.41 V, and nothing discharges it.
    bench.switch_supply("line", 1.0, on=False)
    assert value(bench, "capacitor.2 - capacitor.1", V, 5.0, Coupling.DC) == approx(339.41)
    assert value(bench, "capacitor.1 - capacitor.2", V, 5.0, Coupling.DC) == approx(-339.41)
    assert read(bench, "capacitor.1 - capacitor.2", C, 5.0).energized
    # Through 20 kΩ, RC = 0.9 s: 339.41/e = 124.86 V.
    bench.connect_bleeder("capacitor", 20e3, 5.0)
    assert value(bench, "capacitor.2 - capacitor.1", V, 5.9, Coupling.DC) == approx(124.86)
    bench.connect_bleeder("capacitor", math.inf, 30.0)
    assert value(bench, "capacitor.1 - capacitor.2", C, 30.0) == approx(45e-6)


def test_a_bleed_resistor_is_a_part_of_the_circuit():
    """100 µF and 15 kΩ: RC = 1.5 s; 339.41 V fall to 339.41/e² = 45.93 V within 3 s; with it open they stay."""
    for fault, left in ((None, 45.934), (Fault("bleed", FaultKind.OPEN), 339.41)):
        parts: list[Component] = [mains("line", "supply", "split phase", 240.0, impedance=0.0), resistor("bleed", 15e3)]
        parts += [Star("capacitor", "start", {"1": Leg(farads=100e-6), "2": Leg()})]
        joints = wires("""
            line.L1 - capacitor.1
            line.L2 - capacitor.2
            capacitor.1 - bleed.1
            capacitor.2 - bleed.2
        """)
        bench = Bench(parts, wires=joints)
        if fault:
            bench.set_fault(fault, 0.0)
        bench.advance(1.0)
        bench.switch_supply("line", 1.0, on=False)
        assert value(bench, "capacitor.1 - capacitor.2", V, 1.0, Coupling.DC) == approx(339.41)
        assert value(bench, "capacitor.1 - capacitor.2", V, 4.0, Coupling.DC) == approx(left)


# Connections, ohms


def test_ohms_with_the_leads_on_are_those_of_everything_connected():
    """30 Ω beside 60 Ω: 20 Ω; alone 30 Ω."""
    joints = wires("""
        a.1 - b.1
        a.2 - b.2
    """)
    bench = Bench([resistor("a", 30.0), resistor("b", 60.0)], wires=joints)
    assert value(bench, "a.1 - a.2", R, 0.0) == approx(20.0)
    assert value(bench, "a.1 - b.2", R, 0.0) == approx(20.0)
    bench.pull_leads("a", 1.0)
    assert value(bench, "a.1 - a.2", R, 1.0) == approx(30.0)
    assert value(bench, "a.1 - b.2", R, 1.0) == math.inf
    assert value(bench, "b.1 - b.2", R, 1.0) == approx(60.0)
    bench.connect_leads("a", 2.0)
    assert value(bench, "a.1 - a.2", R, 2.0) == approx(20.0)


def test_a_bad_connection_takes_its_share_of_the_voltage():
    """0.5 Ω before 11.5 Ω on 240 V: 20 A, 10 V are lost between the wire and the load. A lead off: no current."""
    bench = loaded("split phase", 240.0, SINGLE, 11.5, count=1)
    bench.set_fault(Fault("load 1", FaultKind.BAD_CONNECTION, "1", 0.5), 0.0)
    assert value(bench, "load 1.1 - load 1.2", A, 0.0) == approx(20.0)
    assert value(bench, "load 1.1 - load 1.2", V, 0.0) == approx(230.0)
    assert value(bench, "line.L1 - load 1.1", V, 0.0) == approx(10.0)
    bench.set_fault(Fault("load 1", FaultKind.BAD_CONNECTION, "1", math.inf), 1.0)
    assert value(bench, "load 1.1 - load 1.2", A, 1.0) == pytest.approx(0, abs=1e-6)
    assert value(bench, "line.L1 - load 1.1", V, 1.0) == approx(240.0)
    bench.set_fault(Fault("load 1", FaultKind.REPAIRED), 2.0)
    assert value(bench, "load 1.1 - load 1.2", V, 2.0) == approx(240.0)


# Transformer and contactor


def test_a_control_transformer_on_its_taps():
    """26.5 V at 240 V. On the wrong tap 26.5·240/208 = 30.58 V; from 208 V on the 240 V tap 26.5·208/240 = 22.97 V."""
    parts: list[Component] = [
        mains("line", "supply", "split phase", 240.0, impedance=0.0),
        Transformer("transformer", "control", {"208": 208.0, "240": 240.0}),
    ]
    joints = [Wire("line.L1", "transformer.240"), Wire("line.L2", "transformer.COM")]
    bench = Bench(parts, wires=joints)
    secondary = "transformer.R - transformer.C"
    assert value(bench, secondary, V, 0.0) == approx(26.5)
    assert value(bench, secondary, HZ, 0.0) == 60.0
    bench.set_fault(Fault("transformer", FaultKind.WRONG_TAP, "208"), 1.0)
    assert value(bench, secondary, V, 1.0) == approx(30.577)
    bench.set_fault(Fault("transformer", FaultKind.REPAIRED), 2.0)
    bench.set_fault(Fault("line", FaultKind.DRIFT, amount=208.0), 2.0)
    assert value(bench, secondary, V, 2.0) == approx(22.967)
    bench.set_fault(Fault("transformer", FaultKind.OPEN, "240"), 3.0)
    assert value(bench, secondary, V, 3.0) == pytest.approx(0, abs=1e-3)
    bench.switch_supply("line", 4.0, on=False)
    bench.pull_leads("transformer", 4.0)
    assert value(bench, "transformer.240 - transformer.COM", R, 4.0) == math.inf
    assert value(bench, secondary, R, 4.0) == approx(0.7)
    bench.set_fault(Fault("transformer", FaultKind.REPAIRED), 5.0)
    # The primary's 60 Ω go with the turns: 60·208/240 = 52 Ω from the common to the lower tap, 8 Ω between the taps.
    assert value(bench, "transformer.240 - transformer.COM", R, 5.0) == approx(60.0)
    assert value(bench, "transformer.208 - transformer.COM", R, 5.0) == approx(52.0)
    assert value(bench, "transformer.208 - transformer.240", R, 5.0) == approx(8.0)
    bench.set_fault(Fault("transformer", FaultKind.OPEN, "R"), 6.0)
    assert value(bench, secondary, R, 6.0) == math.inf


def test_a_loaded_transformer_drops():
    """60 Ω of the primary are 60·(26.5/240)² = 0.7315 Ω at the secondary; with its own 0.7 Ω 1.4315 Ω.

    30 Ω of load: 26.5·30/31.4315 = 25.29 V, 0.8431 A; the primary carries 0.8431·26.5/240 = 0.0931 A and the
    magnetizing current 26.5²/(0.2·40) = 87.8 Ω, 0.302 A·0.1104 = 0.0333 A at right angles: 0.0989 A.
    """
    parts: list[Component] = [
        mains("line", "supply", "split phase", 240.0, impedance=0.0),
        Transformer("transformer", "control", {"240": 240.0}),
        resistor("load", 30.0),
    ]
    joints = wires("""
        line.L1 - transformer.240
        line.L2 - transformer.COM
        transformer.R - load.1
        transformer.C - load.2
    """)
    bench = Bench(parts, wires=joints)
    assert value(bench, "load.1 - load.2", V, 0.0) == approx(25.29)
    assert value(bench, "load.1 - load.2", A, 0.0) == approx(0.8431)
    assert value(bench, "transformer.240 - transformer.COM", A, 0.0) == pytest.approx(0.0989, rel=0.01)


def contactor_bench(control_volts: float) -> Bench:
    parts: list[Component] = [
        mains("line", "supply", "split phase", 240.0, impedance=0.0),
        mains("control", "control", "line and neutral", control_volts, impedance=0.0),
        coil("coil", "control", ("A1", "A2"), 10.0, henries=0.05),
        contactor("contactor", "load", {"L1": "T1"}, "coil", ohms=0.004, bars={"L2": "T2"}),
        resistor("load", 15.0),
    ]
    joints = wires("""
        line.L1 - contactor.L1
        line.L2 - contactor.L2
        contactor.T1 - load.1
        contactor.T2 - load.2
        control.L1 - coil.A1
        control.N - coil.A2
    """)
    return Bench(parts, wires=joints)


def test_a_contactor_pulls_in_at_80_and_lets_go_at_50_percent():
    """24 V: 19.2 V and 12 V. Closed, 240/(15 + 0.004 + 0.004) = 15.99 A drop 15.99·0.004 = 0.064 V."""
    pole = "contactor.L1 - contactor.T1"
    bench = contactor_bench(19.0)
    assert value(bench, pole, V, 1.0) == approx(240.0)
    assert value(bench, "contactor.T1 - contactor.T2", V, 1.0) == pytest.approx(0, abs=1e-3)
    bench.set_fault(Fault("control", FaultKind.DRIFT, amount=19.4), 1.0)
    assert value(bench, pole, V, 1.01) == approx(240.0)  # its armature needs 20 ms
    assert value(bench, pole, V, 2.0) == approx(0.06397)
    assert value(bench, "load.1 - load.2", A, 2.0) == approx(15.99)
    bench.set_fault(Fault("control", FaultKind.DRIFT, amount=12.5), 2.0)
    assert value(bench, "load.1 - load.2", A, 3.0) == approx(15.99)
    bench.set_fault(Fault("control", FaultKind.DRIFT, amount=11.5), 3.0)
    assert value(bench, "load.1 - load.2", A, 4.0) == pytest.approx(0, abs=1e-6)
    # One leg is not switched: half of 240 V to ground on either terminal of the load.
    assert value(bench, "load.1 - line.GND", V, 4.0) == approx(120.0)
    assert value(bench, "load.2 - line.GND", V, 4.0) == approx(120.0)


def test_the_coil_draws_what_its_impedance_gives():
    """√(10² + (2π·60·0.05)²) = √(100 + 355.3) = 21.34 Ω: 24/21.34 = 1.1247 A. For 120 V 25 times as many: 0.0450 A."""
    bench = contactor_bench(24.0)
    assert value(bench, "coil.A1 - coil.A2", A, 0.0) == approx(1.1247)
    bench.set_fault(Fault("coil", FaultKind.WRONG_COIL, amount=120.0), 1.0)
    assert value(bench, "coil.A1 - coil.A2", A, 1.0) == approx(0.04499)
    assert value(bench, "contactor.L1 - contactor.T1", V, 2.0) == approx(240.0)  # 24 V are too few for it
    bench.switch_supply("control", 3.0, on=False)
    bench.pull_leads("coil", 3.0)
    assert value(bench, "coil.A1 - coil.A2", R, 3.0) == approx(250.0)


def test_faults_of_contacts():
    """Pitted to 0.3 Ω: 240/15.304 = 15.682 A drop 4.705 V."""
    pole, load = "contactor.L1 - contactor.T1", "load.1 - load.2"
    bench = contactor_bench(24.0)
    bench.advance(1.0)
    bench.set_fault(Fault("contactor", FaultKind.DRIFT, "T1", 0.3), 1.0)
    assert value(bench, pole, V, 1.0) == approx(4.7047)
    bench.set_fault(Fault("contactor", FaultKind.OPEN), 2.0)
    assert value(bench, pole, V, 2.0) == approx(240.0)
    assert value(bench, "contactor.L2 - contactor.T2", V, 2.0) == pytest.approx(0, abs=0.01)  # the bar is whole
    bench.set_fault(Fault("contactor", FaultKind.REPAIRED), 3.0)
    bench.set_fault(Fault("contactor", FaultKind.WELDED), 3.0)
    bench.switch_supply("control", 4.0, on=False)
    assert value(bench, load, V, 5.0) == approx(239.87)  # without control voltage
    bench.set_fault(Fault("contactor", FaultKind.OPEN, "T2"), 6.0)
    assert value(bench, load, A, 6.0) == pytest.approx(0, abs=1e-6)


def test_an_open_or_shorted_coil():
    """An open coil has its voltage and does nothing; a shorted one drags 26.5 V down to 26.5·0.05/1.48 = 0.9 V."""
    bench = split_condenser()
    bench.set_fault(Fault("contactor coil", FaultKind.OPEN), 0.0)
    assert value(bench, "contactor coil.A1 - contactor coil.A2", V, 2.0) == pytest.approx(26.5, rel=0.01)
    assert value(bench, "contactor.L1 - contactor.T1", V, 2.0) == approx(240.0)
    bench.set_fault(Fault("contactor coil", FaultKind.SHORTED), 3.0)
    assert value(bench, "transformer.R - transformer.C", V, 3.0) == pytest.approx(0.9, abs=0.25)


def test_contacts_that_chatter_do_not_stop_the_bench():
    """A supply of 1 Ω cannot hold its contactor: the motor pulls the control voltage down, lets go, and so on."""
    bench = split_condenser(impedance=1.0)
    seen = set()
    for step in range(1, 60):
        volts = value(bench, "contactor.L1 - contactor.T1", V, step * 0.013)
        seen.add(volts > 100)
    assert seen == {True, False}
    bench.advance(1000.0)


def test_a_fuse_blows_by_its_current():
    """5 A carry 10 A for 50·(5/10)² = 12.5 s."""
    parts: list[Component] = [
        mains("line", "supply", "line and neutral", 120.0, impedance=0.0),
        fuse("fuse", "load", ("1", "2"), 5.0),
        resistor("load", 11.99),
    ]
    joints = wires("""
        line.L1 - fuse.1
        fuse.2 - load.1
        load.2 - line.N
    """)
    bench = Bench(parts, wires=joints)
    assert value(bench, "load.1 - load.2", A, 12.4) == approx(10.0)
    assert value(bench, "load.1 - load.2", A, 12.6) == pytest.approx(0, abs=1e-6)
    assert value(bench, "fuse.1 - fuse.2", V, 13.0) == approx(120.0)
    bench.set_fault(Fault("fuse", FaultKind.REPAIRED), 14.0)
    assert value(bench, "load.1 - load.2", A, 14.0) == approx(10.0)


# Air handler and walk-in


def test_heat_strips_come_on_by_their_sequencer():
    """240²/11.52 = 5 kW, 20.833 A each, 41.67 A both; with half of its wires left a strip has 23.04 Ω: 10.417 A."""
    bench = air_handler()
    strip = "heat strip 1.1 - heat strip 1.2"
    assert value(bench, strip, A, 29.0) == pytest.approx(0, abs=1e-6)
    assert value(bench, strip, A, 31.0) == approx(20.833)
    assert value(bench, "line.L1 - line.L2", A, 31.0) == pytest.approx(41.67, rel=2e-3)
    bench.set_fault(Fault("heat strip 1", FaultKind.PARTLY_OPEN, amount=0.5), 32.0)
    assert value(bench, strip, A, 32.0) == approx(10.417)
    bench.set_fault(Fault("heat strip 1", FaultKind.OPEN), 33.0)
    assert value(bench, strip, A, 33.0) == 0.0
    assert value(bench, strip, V, 33.0) == approx(240.0)
    bench.set_fault(Fault("sequencer", FaultKind.OPEN, "M3"), 34.0)
    assert value(bench, "heat strip 2.1 - heat strip 2.2", V, 34.0) == pytest.approx(0, abs=0.01)


def test_a_float_switch_opens_the_control_circuit():
    """Open, the whole 26.5 V lie across it, and none across the sequencer's heater."""
    bench = air_handler()
    bench.advance(40.0)
    bench.operate("float switch", 40.0, on=False)
    assert value(bench, "float switch.1 - float switch.2", V, 40.0) == approx(26.5)
    assert value(bench, "sequencer heater.H1 - sequencer heater.H2", V, 40.0) == pytest.approx(0, abs=0.01)
    assert value(bench, "heat strip 1.1 - heat strip 1.2", A, 69.0) == approx(20.833)  # it cools down slowly
    assert value(bench, "heat strip 1.1 - heat strip 1.2", A, 71.0) == pytest.approx(0, abs=1e-6)


def test_a_pressure_control_stops_the_compressor_but_not_the_fans():
    """Fans of 0.6 A each: 1.2 A. The contactor's load: 120/20.004 = 5.999 A."""
    bench = walk_in()
    assert value(bench, "load.1 - load.2", A, 2.0) == approx(5.9988)
    for number in (1, 2):
        assert value(bench, f"evaporator fan {number}.1 - evaporator fan {number}.2", A, 2.0) == approx(0.6)
    bench.operate("low pressure control", 3.0, on=False)
    assert value(bench, "load.1 - load.2", A, 4.0) == pytest.approx(0, abs=1e-6)
    assert value(bench, "low pressure control.1 - low pressure control.2", V, 4.0) == approx(120.0)
    assert value(bench, "high pressure control.1 - high pressure control.2", V, 4.0) == pytest.approx(0, abs=0.01)
    assert value(bench, "line.L1 - line.N", A, 4.0) == approx(1.2)
    bench.set_fault(Fault("evaporator fan 2", FaultKind.OPEN, "2"), 5.0)
    assert value(bench, "line.L1 - line.N", A, 6.0) == approx(0.6)
    bench.set_fault(Fault("evaporator fan 1", FaultKind.ROTOR_LOCKED), 7.0)
    assert value(bench, "evaporator fan 1.1 - evaporator fan 1.2", A, 8.0) == approx(1.0)


# Errors


@pytest.mark.parametrize(
    ("joint", "words"),
    [
        (Wire("nothing.1", "load.1"), "no component 'nothing'"),
        (Wire("load.3", "load.1"), "'load.3', which is not a terminal"),
        (Wire("pipe.surface", "load.1"), "'pipe' cannot be wired"),
        (Wire("plain.L1", "load.1"), "'plain' cannot be wired"),
        (Wire("pole.L1", "load.1"), "'pole' cannot be wired"),
        (Wire("fed.1", "load.1"), "'fed' is fed by 'plain'"),
    ],
)
def test_wires_that_cannot_be(joint, words):
    parts: list[Component] = [
        Supply("plain", "supply", ("L1", "L2"), 240.0, 60.0),
        resistor("load", 10.0),
        Surface("pipe", "x", 1.0, 1.0, 1.0),
        Contacts("pole", "x", {"L1": Leg(ohms=0.02), "T1": Leg()}),
        Star("fed", "x", {"1": Leg(ohms=1.0), "2": Leg()}, "plain"),
    ]
    with pytest.raises(InputError, match=words):
        Bench(parts, wires=[joint])


def test_a_switch_needs_its_coil_in_the_circuit():
    with pytest.raises(InputError, match="no wired coil"):
        Bench([contactor("contactor", "x", {"L1": "T1"}, "coil")])


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault("line", FaultKind.OPEN, "L9"), "no line 'L9'"),
        (Fault("line", FaultKind.DRIFT, "N", 100.0), "no line 'N'"),
        (Fault("line", FaultKind.DRIFT, "L1", 100.0, 5.0), "at once"),
        (Fault("line", FaultKind.LEAKAGE), "lost or drifts"),
        (Fault("contactor", FaultKind.OPEN, "T9"), "no terminal 'T9'"),
        (Fault("contactor", FaultKind.WELDED, "T2"), "open, weld or drift"),
        (Fault("contactor", FaultKind.DRIFT, "T1"), "needs an amount"),
        (Fault("transformer", FaultKind.WRONG_TAP, "R"), "two taps"),
        (Fault("contactor coil", FaultKind.ROTOR_LOCKED), "can fail this way"),
        (Fault("compressor", FaultKind.GROUNDED, "X", 10.0), "no winding at 'X'"),
        (Fault("compressor", FaultKind.BAD_CONNECTION, "X", 10.0), "set 'terminal'"),
        (Fault("compressor", FaultKind.BAD_CONNECTION, "C"), "needs an amount"),
        (Fault("crankcase heater", FaultKind.PARTLY_OPEN, amount=1.5), "up to 1"),
    ],
)
def test_impossible_faults_of_wired_parts_say_why(fault, words):
    with pytest.raises(InputError, match=words):
        split_condenser().set_fault(fault, 0.0)


def test_what_cannot_be_operated_or_probed_is_refused():
    bench = Bench([resistor("alone", 1.0), mains("line", "supply", "split phase", 240.0)])
    with pytest.raises(InputError, match="not wired"):
        bench.pull_leads("alone", 0.0)
    with pytest.raises(InputError, match="cannot be operated"):
        bench.operate("alone", 0.0, on=True)
    with pytest.raises(InputError, match="'alone' to another component"):
        bench.validate_terminals(TerminalPair("line", "L1", "1", "alone"))
    with pytest.raises(InputError, match="not wired"):
        bench.set_fault(Fault("alone", FaultKind.BAD_CONNECTION, "1", 1.0), 0.0)
    with pytest.raises(InputError, match="no component 'other'"):
        bench.validate_terminals(TerminalPair("line", "L1", "1", "other"))
    with pytest.raises(InputError, match="No supply has the layout"):
        mains("line", "supply", cast("Layout", "star"), 240.0)
    with pytest.raises(InputError, match="above 0 Hz"):
        mains("line", "supply", "wye", 240.0, 0.0)
    with pytest.raises(InputError, match="cannot be operated"):
        split_condenser().operate("contactor", 0.0, on=True)
