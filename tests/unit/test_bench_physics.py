"""The true values of the bench, against textbook values."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink_simulators.bench import Bench, TrueValue
from meterlink_simulators.components import CAPACITANCE_HERTZ, Contacts, Leg, Star, Supply, Surface
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.probes import TerminalPair

C, R, V, A, HZ, T = (
    Quantity.CAPACITANCE,
    Quantity.RESISTANCE,
    Quantity.VOLTAGE,
    Quantity.CURRENT,
    Quantity.FREQUENCY,
    Quantity.TEMPERATURE,
)

LINE = Supply("line", "supply", ("L1", "L2"), 240.0, 60.0)
CONTROL = Supply("control", "control 24 V", ("R", "C"), 24.0, 60.0, fed_by="line")
COIL = Star("coil", "control 24 V", {"A1": Leg(ohms=12.0, henries=0.04, is_winding=True), "A2": Leg()}, "control")
POLE = Contacts("pole", "compressor", {"L1": Leg(ohms=0.02), "T1": Leg()}, "line", 15.0, coil="coil")
MOTOR = Star(
    "motor",
    "compressor",
    {
        "C": Leg(),
        "R": Leg(ohms=1.0, is_winding=True),
        "S": Leg(ohms=4.0, is_winding=True),
        "GND": Leg(ohms=math.inf),
    },
)


def dual(herm: float = 45e-6, fan: float = 5e-6, **herm_more: Any) -> Star:
    legs = {"C": Leg(), "HERM": Leg(farads=herm, **herm_more), "FAN": Leg(farads=fan)}
    return Star("capacitor", "compressor", legs)


def value(bench: Bench, component: str, pair: str, quantity: Quantity, **more: Any) -> float | None:
    first, second = pair.split()
    return bench.true_value(TerminalPair(component, first, second), quantity, more.pop("now", 0.0), **more).value


# Capacitors


def test_sections_of_a_dual_capacitor():
    bench = Bench([dual()])
    assert value(bench, "capacitor", "C HERM", C) == pytest.approx(45e-6)
    assert value(bench, "capacitor", "FAN C", C) == pytest.approx(5e-6)
    assert value(bench, "capacitor", "HERM FAN", C) == pytest.approx(4.5e-6)  # 45·5/(45 + 5)
    assert value(Bench([dual(40e-6)]), "capacitor", "HERM FAN", C) == pytest.approx(4.44444e-6, rel=1e-5)


@settings(deadline=None)  # no check depends on the machine's speed
@given(herm=st.floats(1e-6, 100e-6), fan=st.floats(1e-6, 100e-6), esr=st.floats(0, 5))
def test_series_is_less_than_the_smaller_section(herm, fan, esr):
    series = value(Bench([dual(herm, fan, ohms=esr)]), "capacitor", "HERM FAN", C)
    assert series < min(herm, fan)
    assert series == pytest.approx(herm * fan / (herm + fan))


def test_a_leaking_section_reads_high_by_one_plus_d_squared():
    leakage = 400.0
    dissipation = 1 / (math.tau * CAPACITANCE_HERTZ * leakage * 45e-6)
    measured = value(Bench([dual(leakage=leakage)]), "capacitor", "C HERM", C)
    assert dissipation > 0.5
    assert measured == pytest.approx(45e-6 * (1 + dissipation**2))


def test_open_and_shorted_sections():
    bench = Bench([dual()])
    bench.set_fault(Fault("capacitor", FaultKind.SHORTED, "HERM"), 0.0)
    assert value(bench, "capacitor", "C HERM", C) == math.inf
    assert value(bench, "capacitor", "HERM FAN", C) == pytest.approx(5e-6)
    shorted = value(bench, "capacitor", "C HERM", R)
    assert shorted is not None
    assert shorted < 0.2
    bench.set_fault(Fault("capacitor", FaultKind.OPEN, "FAN"), 0.0)
    assert value(bench, "capacitor", "C FAN", C) == 0
    assert value(bench, "capacitor", "HERM FAN", C) == 0
    assert value(bench, "capacitor", "C FAN", R) == math.inf
    bench.set_fault(Fault("capacitor", FaultKind.REPAIRED), 0.0)
    assert value(bench, "capacitor", "C HERM", C) == pytest.approx(45e-6)


def test_an_ohmmeter_charges_a_capacitor_up_to_its_leakage():
    bench = Bench([dual(leakage=1e6)])
    assert value(bench, "capacitor", "C HERM", R, charged_for=0.0) == 0
    assert value(bench, "capacitor", "C HERM", R, charged_for=45.0) == pytest.approx(1e6 * (1 - math.exp(-1)))  # RC
    assert value(bench, "capacitor", "C HERM", R) == pytest.approx(1e6)
    # No leakage: a constant current charges at t/C, without end.
    assert value(bench, "capacitor", "C FAN", R, charged_for=2.0) == pytest.approx(2.0 / 5e-6)
    assert value(bench, "capacitor", "C FAN", R) == math.inf


@pytest.mark.parametrize(("constants", "left"), [(1, 0.367879), (3, 0.049787), (5, 0.006738)])
def test_a_bleeder_discharges_exponentially(constants, left):
    bench = Bench([dual(volts=100.0)])
    bench.connect_bleeder("capacitor", 20e3, 0.0)
    now = constants * 20e3 * 45e-6
    assert value(bench, "capacitor", "HERM C", V, coupling=Coupling.DC, now=now) == pytest.approx(100 * left, rel=1e-4)


def test_time_to_50_volts():
    """Peak of 370 V RMS on 45 µF through 20 kΩ: 2.1132 s, by RC·ln(U/50)."""
    bench = Bench([dual(volts=370 * math.sqrt(2))])
    bench.connect_bleeder("capacitor", 20e3, 0.0)
    assert value(bench, "capacitor", "HERM C", V, coupling=Coupling.DC, now=2.1132) == pytest.approx(50.0, rel=1e-4)
    assert value(bench, "capacitor", "C HERM", V, coupling=Coupling.DC, now=2.1132) == pytest.approx(-50.0, rel=1e-4)


@settings(deadline=None)  # no check depends on the machine's speed
@given(st.lists(st.floats(0.01, 0.5), min_size=1, max_size=8))
def test_the_number_of_time_steps_does_not_matter(steps):
    at_once, stepwise = (Bench([dual(volts=300.0, leakage=50e3)]) for _ in range(2))
    now = 0.0
    for step in steps:
        now += step
        stepwise.advance(now)
    at_once.advance(now)
    measured = [value(bench, "capacitor", "HERM C", V, coupling=Coupling.DC, now=now) for bench in (at_once, stepwise)]
    assert measured[0] == pytest.approx(measured[1])


def test_a_stored_charge_spoils_ohms_and_farads():
    bench = Bench([dual(volts=20.0)])
    clip = TerminalPair("capacitor", "C", "HERM")
    assert bench.true_value(clip, R, 0.0) == bench.true_value(clip, C, 0.0) == TrueValue(None, energized=True)
    assert not bench.true_value(TerminalPair("capacitor", "C", "FAN"), C, 0.0).energized
    bench.connect_bleeder("capacitor", 100.0, 0.0)
    bench.connect_bleeder("capacitor", math.inf, 1.0)
    assert value(bench, "capacitor", "C HERM", C, now=1.0) == pytest.approx(45e-6)


def test_current_in_the_lead_of_a_capacitor():
    """I = 2πfCU: 45 µF at 370 V and 60 Hz carry 6.27690 A."""
    supply = Supply("supply", "supply", ("1", "2"), 370.0, 60.0)
    single = Star("capacitor", "fan", {"1": Leg(farads=45e-6), "2": Leg()}, "supply")
    assert value(Bench([supply, single]), "capacitor", "1 2", A) == pytest.approx(6.27690, rel=1e-5)


# Coils, contacts, windings


def test_coil():
    bench = Bench([LINE, CONTROL, COIL])
    assert bench.true_value(TerminalPair("coil", "A1", "A2"), R, 0.0) == TrueValue(None, energized=True)
    assert value(bench, "coil", "A1 A2", V, coupling=Coupling.AC) == 24.0
    assert value(bench, "coil", "A1 A2", V, coupling=Coupling.DC) == 0.0
    assert value(bench, "coil", "A1 A2", HZ) == 60.0
    assert value(bench, "coil", "A1 A2", A) == pytest.approx(24 / math.hypot(12.0, math.tau * 60 * 0.04))
    bench.switch_supply("line", 0.0, on=False)
    assert value(bench, "coil", "A1 A2", V, coupling=Coupling.AC) == 0.0
    assert value(bench, "coil", "A1 A2", A) == 0.0
    assert value(bench, "coil", "A1 A2", R) == 12.0
    assert value(bench, "coil", "A1 A2", C) == math.inf  # an inductance is no capacitor
    bench.set_fault(Fault("coil", FaultKind.SHORTED_TURNS, amount=0.5), 0.0)
    assert value(bench, "coil", "A1 A2", R) == 6.0
    bench.set_fault(Fault("coil", FaultKind.OPEN), 0.0)
    assert value(bench, "coil", "A1 A2", R) == math.inf


def test_contacts_follow_their_coil():
    bench = Bench([LINE, CONTROL, COIL, POLE])
    assert value(bench, "pole", "L1 T1", V, coupling=Coupling.AC) == pytest.approx(15.0 * 0.02)
    assert value(bench, "pole", "L1 T1", A) == 15.0
    bench.set_fault(Fault("coil", FaultKind.OPEN), 1.0)
    assert value(bench, "pole", "L1 T1", V, coupling=Coupling.AC) == 240.0
    assert value(bench, "pole", "L1 T1", A) == 0.0
    bench.switch_supply("line", 2.0, on=False)
    assert value(bench, "pole", "L1 T1", R) == math.inf


def test_windings():
    """C–S + C–R = R–S (both windings in series between R and S)."""
    bench = Bench([MOTOR])
    assert value(bench, "motor", "C R", R) == 1.0
    assert value(bench, "motor", "C S", R) == 4.0
    assert value(bench, "motor", "R S", R) == 5.0
    assert value(bench, "motor", "C GND", R) == math.inf
    bench.set_fault(Fault("motor", FaultKind.GROUNDED, amount=20e3), 0.0)
    assert value(bench, "motor", "S GND", R) == pytest.approx(20004.0)
    bench.set_fault(Fault("motor", FaultKind.OPEN, "S"), 0.0)
    assert value(bench, "motor", "C S", R) == value(bench, "motor", "R S", R) == math.inf
    assert value(bench, "motor", "C R", R) == 1.0


def test_an_open_protector_leaves_the_windings_in_series():
    bench = Bench([MOTOR])
    bench.set_fault(Fault("motor", FaultKind.OPEN, "C"), 0.0)
    assert value(bench, "motor", "C R", R) == value(bench, "motor", "C S", R) == math.inf
    assert value(bench, "motor", "R S", R) == 5.0


# Supplies, surfaces, faults over time


def test_supplies():
    bench = Bench([LINE, CONTROL])
    assert value(bench, "line", "L1 L2", V, coupling=Coupling.AC) == 240.0
    assert value(bench, "line", "L1 L2", V, coupling=Coupling.DC) == 0.0
    assert value(bench, "line", "L1 L2", HZ) == 60.0
    assert bench.true_value(TerminalPair("line", "L1", "L2"), R, 0.0).energized
    bench.set_fault(Fault("line", FaultKind.SUPPLY_LOST), 1.0)
    assert value(bench, "line", "L1 L2", V, coupling=Coupling.AC, now=1.0) == 0.0
    assert value(bench, "control", "R C", V, coupling=Coupling.AC, now=1.0) == 0.0
    assert value(bench, "control", "R C", HZ, now=1.0) is None


def test_drift_is_a_straight_line():
    bench = Bench([LINE, dual()])
    bench.set_fault(Fault("capacitor", FaultKind.DRIFT, "HERM", 35e-6, duration=10.0), 2.0)
    bench.set_fault(Fault("line", FaultKind.DRIFT, amount=200.0, duration=10.0), 2.0)
    for now, farads, volts in ((2.0, 45e-6, 240.0), (7.0, 40e-6, 220.0), (12.0, 35e-6, 200.0), (99.0, 35e-6, 200.0)):
        assert value(bench, "capacitor", "C HERM", C, now=now) == pytest.approx(farads)
        assert value(bench, "line", "L1 L2", V, coupling=Coupling.AC, now=now) == pytest.approx(volts)
    bench.set_fault(Fault("capacitor", FaultKind.DRIFT, "HERM", 50e-6), 99.0)
    assert value(bench, "capacitor", "C HERM", C, now=99.0) == pytest.approx(50e-6)


def test_a_surface_cools_by_newtons_law():
    bench = Bench([Surface("pipe", "compressor", 60.0, 20.0, 30.0)])
    assert value(bench, "pipe", "surface bead", T) == 60.0
    assert value(bench, "pipe", "surface bead", T, now=30.0) == pytest.approx(20 + 40 * 0.367879, rel=1e-5)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (Fault("nothing", FaultKind.OPEN), "no component 'nothing'"),
        (Fault("capacitor", FaultKind.OPEN), "several legs"),
        (Fault("capacitor", FaultKind.OPEN, "X"), "no terminal 'X'"),
        (Fault("capacitor", FaultKind.SHORTED_TURNS, "HERM", 0.5), "shorted turns"),
        (Fault("capacitor", FaultKind.GROUNDED, amount=1.0), "GND"),
        (Fault("capacitor", FaultKind.SUPPLY_LOST, "HERM"), "lost"),
        (Fault("capacitor", FaultKind.LEAKAGE, "HERM"), "needs an amount"),
        (Fault("motor", FaultKind.LEAKAGE, "S", 1e6), "leakage"),
        (Fault("line", FaultKind.OPEN), "supply"),
        (Fault("pipe", FaultKind.OPEN), "pipe"),
    ],
)
def test_impossible_faults_say_why(fault, words):
    bench = Bench([LINE, dual(), MOTOR, Surface("pipe", "x", 1.0, 1.0, 1.0)])
    with pytest.raises(InputError, match=words):
        bench.set_fault(fault, 0.0)


def test_a_bench_with_wrong_names_is_refused():
    with pytest.raises(InputError, match="two components named 'line'"):
        Bench([LINE, LINE])
    with pytest.raises(InputError, match="no supply listed before"):
        Bench([CONTROL, LINE])
    with pytest.raises(InputError, match="no coil listed before"):
        Bench([LINE, POLE])


# Probes


def test_probes_bounce_and_then_touch():
    bench = Bench([dual()], seed=3)
    bench.attach_probes("m", TerminalPair("capacitor", "C", "HERM"), 1.0, bounce=0.8)
    probes = bench.probes("m")
    assert probes.contact_share(0.0, 1.0) == 0.0
    assert len(probes.gaps) >= 2
    assert 0.0 < probes.contact_share(1.0, 1.8) < 1.0
    assert probes.contact_share(1.8, 2.8) == 1.0
    assert 1.0 < probes.contact_start(2.8) <= 1.8
    gap = probes.gaps[0]
    assert probes.contact_share(*gap) == 0.0
    bench.lift_probes("m", 3.0)
    assert bench.probes("m").contact_share(3.0, 4.0) == 0.0


def test_probes_move_through_the_air_and_can_bounce_later():
    bench = Bench([dual()])
    bench.move_probes("m", TerminalPair("capacitor", "C", "FAN"), 5.0, travel=0.6)
    probes = bench.probes("m")
    assert (probes.contact_share(5.0, 5.6), probes.contact_share(5.6, 6.0)) == (0.0, 1.0)
    assert probes.contact_share(5.5, 5.7) == pytest.approx(0.5)
    bench.bounce_probes("m", 7.0, 0.5)
    assert bench.probes("m").contact_share(6.0, 7.0) == 1.0
    assert bench.probes("m").contact_share(7.0, 7.5) < 1.0
    assert bench.probes("m").contact_share(7.5, 8.0) == 1.0


def test_the_bouncing_of_two_meters_is_independent():
    gaps = []
    for other_moves in (0, 3):
        bench = Bench([dual()], seed=9)
        for _ in range(other_moves):
            bench.attach_probes("other", TerminalPair("capacitor", "C", "FAN"), 0.0, bounce=0.5)
        bench.attach_probes("m", TerminalPair("capacitor", "C", "HERM"), 1.0, bounce=0.5)
        gaps.append(bench.probes("m").gaps)
    assert gaps[0] == gaps[1]


@pytest.mark.parametrize(("first", "second", "words"), [("C", "X", "no terminal 'X'"), ("C", "C", "Both probes")])
def test_probes_need_two_terminals(first, second, words):
    with pytest.raises(InputError, match=words):
        Bench([dual()]).attach_probes("m", TerminalPair("capacitor", first, second), 0.0)
