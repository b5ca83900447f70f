"""Motors of the bench, against circuits worked by hand.

Locked rotors have a power factor of 0.6: R = 0.6 Z, X = 0.8 Z.
"""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Leg, Star
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.mains import mains
from meterlink_simulators.motors import SinglePhaseMotor, ThreePhaseMotor, single_phase_motor
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.switchgear import Pole, Switch
from support.wired_units import (
    A,
    C,
    R,
    V,
    compressor,
    read,
    rooftop,
    scroll,
    split_condenser,
    start_kit_unit,
    value,
    wires,
)

CLOSE = 2e-3  # relative: contacts and connections are not in the hand-worked values


def approx(expected: float):
    return pytest.approx(expected, rel=CLOSE)


def motor_bench(
    volts: float = 240.0, farads: float = 45e-6, impedance: complex = 0.0, motor: SinglePhaseMotor | None = None
) -> Bench:
    parts: list[Component] = [
        mains("line", "supply", "split phase", volts, impedance=impedance),
        Star("run capacitor", "compressor", {"C": Leg(), "HERM": Leg(farads=farads)}),
        motor or compressor(),
    ]
    joints = wires("""
        line.L1 - compressor.C
        line.L2 - compressor.R
        line.L2 - run capacitor.C
        run capacitor.HERM - compressor.S
    """)
    return Bench(parts, wires=joints)


def state(bench: Bench) -> str:
    motor = bench.component("compressor")
    assert isinstance(motor, SinglePhaseMotor | ThreePhaseMotor)
    return motor.state


COMMON, START, CAPACITOR = (
    "compressor.C - compressor.R",
    "compressor.S - compressor.C",
    "run capacitor.C - run capacitor.HERM",
)


# Single-phase


def test_a_running_motor_draws_its_rated_current():
    """15 A at 240 V with 45 µF, as its nameplate says.

    Auxiliary winding: 2.2 Ω and, half of the leakage of the main winding by the square of the ratio,
    0.8·(240/80)/2·1.2² = 1.728 Ω; the capacitor 1/(2π·60·45e-6) = 58.946 Ω. The voltage 240·√(1 + 1.2²) = 374.9 V on
    √(2.2² + 57.218²) = 57.26 Ω drives 6.547 A; the capacitor has 6.547·58.946 = 385.9 V.
    """
    bench = motor_bench()
    bench.advance(2.0)
    assert state(bench) == "running"
    assert value(bench, COMMON, A, 2.0) == approx(15.0)
    assert value(bench, CAPACITOR, A, 2.0) == approx(6.547)
    assert value(bench, CAPACITOR, V, 2.0) == approx(385.9)
    # Capacitance under load, I/(2πfU): 6.547/(377·385.9) = 45.0 µF.
    assert 6.547 / (math.tau * 60 * 385.9) == approx(45e-6)


def test_a_running_motor_without_its_capacitor_carries_everything_in_its_main_winding():
    """The main winding takes over the power of the auxiliary one.

    The current of the auxiliary winding leads by 37.60°: 5.187 + j3.995 A. The rated 15 A at 0.9 are 13.5 − j6.538 A;
    the main winding has the rest, 8.313 − j10.533 A: 240·8.313 = 1995 W. The auxiliary winding converts 288·3.995 =
    1151 W. All 3146 W in the main winding are 3146/240 = 13.11 A beside 10.533 A reactive: 16.82 A.
    """
    bench = motor_bench()
    bench.advance(2.0)
    bench.set_fault(Fault("run capacitor", FaultKind.OPEN, "HERM"), 2.0)
    assert value(bench, COMMON, A, 3.0) == approx(16.815)
    assert value(bench, CAPACITOR, A, 3.0) == pytest.approx(0, abs=1e-6)


def test_a_weak_section_draws_more_and_its_own_lead_less():
    """30 µF: 374.9/√(2.2² + (88.419 − 1.728)²) = 374.9/86.72 = 4.323 A; 4.323/(2π·60·382.2 V) = 30 µF."""
    bench = motor_bench(farads=30e-6)
    assert value(bench, CAPACITOR, A, 2.0) == approx(4.323)
    assert value(bench, CAPACITOR, V, 2.0) == approx(382.2)
    weak, sound = value(bench, COMMON, A, 2.0), value(motor_bench(), COMMON, A, 2.0)
    assert weak > sound + 0.3
    fan = [split_condenser(impedance=0.0) for _ in range(2)]
    fan[1].set_fault(Fault("run capacitor", FaultKind.DRIFT, "FAN", 2.5e-6), 0.0)
    lead = "condenser fan.S - condenser fan.C"
    sound, weak = (value(bench, lead, A, 2.0) for bench in fan)
    assert weak < 0.6 * sound
    sound, weak = (value(bench, "condenser fan.C - condenser fan.R", A, 2.0) for bench in fan)
    assert sound == approx(1.2)
    assert weak > sound
    assert value(fan[1], COMMON, A, 2.0) == approx(15.0)  # the compressor's section is another one


def test_a_locked_rotor_sags_the_supply():
    """240 V/80 A = 3 Ω: 1.8 + j2.4. Without capacitor behind 2·0.1 Ω: √(2² + 2.4²) = 3.124 Ω, 76.82 A; 230.5 V left."""
    bench = motor_bench(impedance=0.1)
    bench.set_fault(Fault("compressor", FaultKind.ROTOR_LOCKED), 0.0)
    bench.set_fault(Fault("run capacitor", FaultKind.OPEN, "HERM"), 0.0)
    assert value(bench, COMMON, A, 1.0) == approx(76.82)
    assert value(bench, COMMON, V, 1.0) == approx(230.46)
    # With the capacitor: the auxiliary winding's 2.2 + (1.8 − 0.6)·1.44 = 3.93 Ω and 3.456 − 58.946 Ω, 55.63 Ω.
    bench = motor_bench()
    bench.set_fault(Fault("compressor", FaultKind.ROTOR_LOCKED), 0.0)
    assert value(bench, START, A, 1.0) == approx(4.314)
    assert value(bench, "compressor.R - compressor.C", A, 1.0) == approx(80.0)


def test_a_protector_opens_and_closes_again():
    """At the 75.6 A of a locked rotor with its capacitor: 6 s·(80/75.6)² = 6.7 s; it cools down in 600 s."""
    bench = motor_bench()
    bench.set_fault(Fault("compressor", FaultKind.ROTOR_LOCKED), 0.0)
    assert value(bench, COMMON, A, 6.0) > 70
    assert value(bench, COMMON, A, 7.5) == pytest.approx(0, abs=1e-6)
    assert state(bench) == "tripped"
    assert value(bench, COMMON, V, 7.5) == approx(240.0)  # off, while the supply is there
    assert value(bench, START, V, 7.5) == approx(240.0)  # from R through both windings
    bench.switch_supply("line", 8.0, on=False)
    bench.pull_leads("compressor", 8.0)
    assert value(bench, COMMON, R, 8.0) == value(bench, START, R, 8.0) == math.inf
    assert value(bench, "compressor.R - compressor.S", R, 8.0) == approx(2.8)  # 0.6 + 2.2
    assert value(bench, COMMON, R, 700.0) == approx(0.6)


def test_starting_torque_goes_with_the_square_of_the_voltage():
    """It needs 0.55 of its torque: √0.55 = 0.7416, 178 V."""
    for volts, expected in ((180.0, "running"), (176.0, "stopped")):
        bench = motor_bench(volts)
        bench.advance(1.0)
        assert state(bench) == expected


def test_a_motor_without_capacitor_hums_and_trips():
    bench = motor_bench()
    bench.set_fault(Fault("run capacitor", FaultKind.OPEN, "HERM"), 0.0)
    assert value(bench, COMMON, A, 1.0) == approx(80.0)
    bench.advance(10.0)
    assert state(bench) == "tripped"


def test_a_low_voltage_draws_more_current():
    """The same power at 210 V needs more amps; far below, the motor falls out of its run."""
    bench = motor_bench()
    bench.advance(2.0)
    bench.set_fault(Fault("line", FaultKind.DRIFT, amount=210.0), 2.0)
    assert value(bench, COMMON, A, 3.0) > 15.5
    bench.set_fault(Fault("line", FaultKind.DRIFT, amount=160.0), 3.0)
    bench.advance(4.0)
    assert state(bench) == "stopped"
    assert value(bench, COMMON, A, 4.0) > 45.0


@settings(deadline=None, max_examples=30)  # no check depends on the machine's speed
@given(volts=st.floats(200, 260), microfarads=st.floats(20, 60))
def test_power_in_is_load_and_winding_losses(volts, microfarads):
    """The load takes 3146 W (see above) at any voltage; the rest heats the auxiliary winding, I²R."""
    bench = motor_bench()
    bench.advance(2.0)
    bench.set_fault(Fault("line", FaultKind.DRIFT, amount=volts), 2.0)
    bench.set_fault(Fault("run capacitor", FaultKind.DRIFT, "HERM", microfarads * 1e-6), 2.0)
    bench.advance(3.0)
    solved = bench._circuit.solve()
    power = sum(
        solved.volts("compressor", terminal, 60.0) * solved._amps("compressor", terminal, 60.0).conjugate()
        for terminal in ("C", "R", "S")
    ).real
    assert state(bench) == "running"
    assert power == pytest.approx(3145.7 + 2.2 * solved.amps("compressor", "S") ** 2, rel=1e-3)


def test_windings_of_a_wired_motor():
    """0.6 Ω, 2.2 Ω, and both, 2.8 Ω. With nine tenths of its turns the main winding has 0.54 Ω and draws more."""
    bench = motor_bench()
    before = value(bench, COMMON, A, 2.0)
    bench.set_fault(Fault("compressor", FaultKind.SHORTED_TURNS, "R", 0.9), 2.0)
    # The bridged tenth is a secondary of (3 Ω)/0.1 = 30 Ω: 240/30 = 8 A more, 53° behind the voltage.
    assert before + 6 < value(bench, COMMON, A, 3.0) < before + 8
    bench.switch_supply("line", 4.0, on=False)
    bench.pull_leads("compressor", 4.0)
    assert value(bench, COMMON, R, 4.0) == approx(0.54)
    assert value(bench, START, R, 4.0) == approx(2.2)
    assert value(bench, "compressor.R - compressor.S", R, 4.0) == approx(2.74)
    bench.set_fault(Fault("compressor", FaultKind.GROUNDED, amount=200e3), 5.0)
    assert value(bench, "compressor.C - compressor.GND", R, 5.0) == approx(200e3)
    bench.set_fault(Fault("compressor", FaultKind.REPAIRED), 6.0)
    assert value(bench, "compressor.C - compressor.GND", R, 6.0) == approx(5e8)


def test_a_winding_to_ground_carries_current_past_the_protector():
    """120 V from L2 to ground on 5 Ω: 24 A in the lead of R, none of them in that of C."""
    bench = motor_bench()
    bench.set_fault(Fault("compressor", FaultKind.GROUNDED, "R", 5.0), 0.0)
    assert value(bench, "compressor.GND - compressor.C", A, 2.0) == approx(24.0)
    assert value(bench, COMMON, A, 2.0) == approx(15.0)
    assert value(bench, "compressor.R - compressor.C", A, 2.0) > 30


def test_a_motor_that_is_switched_off_leaves_no_charge_in_its_run_capacitor():
    """45 µF·(0.6 + 2.2 Ω) = 0.13 ms: the windings discharge it. With an open winding it stays charged."""
    bench = split_condenser()
    bench.advance(2.0)
    bench.operate("thermostat", 2.0, on=False)
    assert value(bench, CAPACITOR, V, 3.0, Coupling.DC) == pytest.approx(0, abs=0.01)
    assert not read(bench, CAPACITOR, C, 3.0).energized
    bench.operate("thermostat", 4.0, on=True)
    bench.advance(6.0)
    bench.set_fault(Fault("compressor", FaultKind.OPEN, "S"), 6.0)
    bench.operate("thermostat", 7.0, on=False)
    # 240 V·√2 = 339 V on the terminals: the capacitor is cut off when the winding opens.
    assert abs(value(bench, CAPACITOR, V, 8.0, Coupling.DC)) > 300


@pytest.mark.parametrize(
    ("values", "words"),
    [({"locked_amps": 300.0}, "do not fit 0.6 Ω"), ({"farads": 200e-6}, "the run capacitor would carry more")],
)
def test_a_nameplate_that_contradicts_itself_is_refused(values, words):
    with pytest.raises(InputError, match=words):
        compressor(**values)


def test_a_motor_that_is_not_wired_is_measured_as_any_part():
    motor = single_phase_motor("motor", "fan", main_ohms=35.0, start_ohms=55.0, amps=1.2, locked_amps=2.4, farads=5e-6)
    bench = Bench([motor])
    assert bench.true_value(TerminalPair("motor", "R", "S"), R, 0.0).value == pytest.approx(90.0)


# Start kit


def test_a_potential_relay_takes_the_start_capacitor_out():
    """100 µF at 281 V carry 2π·60·100e-6·281 = 10.6 A while the rotor stands; running, 304 V open the contacts."""
    bench = start_kit_unit()
    start = "start capacitor.1 - start capacitor.2"
    volts, amps = value(bench, start, V, 0.2), value(bench, start, A, 0.2)
    assert amps == approx(math.tau * 60 * 100e-6 * volts)
    assert value(bench, START, V, 0.2) < 90  # below the voltage at which the relay would hold
    assert value(bench, START, V, 1.0) > 220
    assert state(bench) == "running"
    assert value(bench, start, A, 1.0) == pytest.approx(0, abs=1e-6)
    # The bleed resistor, 15 kΩ·100 µF = 1.5 s: five time constants leave 0.7 % of some 577 V.
    assert abs(value(bench, start, V, 0.5, Coupling.DC)) > 300
    assert abs(value(bench, start, V, 9.0, Coupling.DC)) < 5


@pytest.mark.parametrize(
    ("fault", "expected", "start_amps"),
    [
        (Fault("start relay contacts", FaultKind.OPEN), "stopped", (0, 0.01)),
        (Fault("start capacitor", FaultKind.OPEN), "stopped", (0, 0.01)),
        (Fault("start capacitor", FaultKind.DRIFT, amount=30e-6), "stopped", (2, 4)),  # 2π·60·30e-6·260 = 2.94 A
        (Fault("start relay contacts", FaultKind.WELDED), "running", (12, 20)),
        (Fault("start relay coil", FaultKind.OPEN), "running", (12, 20)),
    ],
)
def test_faults_of_a_start_kit(fault, expected, start_amps):
    """Without the start capacitor's torque it stands; with the capacitor always in, its winding carries too much."""
    bench = start_kit_unit()
    bench.set_fault(fault, 0.0)
    bench.advance(2.0)
    assert state(bench) == expected
    assert start_amps[0] <= value(bench, "start capacitor.1 - start capacitor.2", A, 2.0) <= start_amps[1]
    if expected == "running":
        assert value(bench, COMMON, A, 2.0) > 17.0  # 15 A with the start capacitor out


def test_an_open_bleed_resistor_leaves_the_start_capacitor_charged():
    bench = start_kit_unit()
    bench.set_fault(Fault("bleed resistor", FaultKind.OPEN), 0.0)
    early, late = (
        abs(value(bench, "start capacitor.1 - start capacitor.2", V, now, Coupling.DC)) for now in (1.0, 60.0)
    )
    assert late == approx(early)
    assert late > 300
    assert read(bench, "start capacitor.1 - start capacitor.2", C, 60.0).energized


# Three-phase

PHASES = ("T1", "T2", "T3")


def amps(bench: Bench, now: float) -> list[float]:
    return [value(bench, f"compressor.{phase} - compressor.GND", A, now) for phase in PHASES]


def volts(bench: Bench, now: float) -> list[float]:
    pairs = (("T1", "T2"), ("T2", "T3"), ("T3", "T1"))
    return [value(bench, f"compressor.{first} - compressor.{second}", V, now) for first, second in pairs]


def ohms(bench: Bench, now: float) -> list[float]:
    pairs = (("T1", "T2"), ("T2", "T3"), ("T3", "T1"))
    return [value(bench, f"compressor.{first} - compressor.{second}", R, now) for first, second in pairs]


def off_and_pulled(bench: Bench, now: float) -> Bench:
    bench.switch_supply("line", now, on=False)
    bench.pull_leads("compressor", now)
    return bench


def test_a_three_phase_motor_runs_and_has_equal_windings():
    """20 A in each lead; 0.8 Ω between any two terminals; locked 150 A."""
    bench = rooftop(impedance=0.0)
    assert amps(bench, 2.0) == [approx(20.0)] * 3
    assert volts(bench, 2.0) == [approx(208.0)] * 3
    assert ohms(off_and_pulled(bench, 3.0), 3.0) == [approx(0.8)] * 3
    bench = rooftop(impedance=0.0)
    bench.set_fault(Fault("compressor", FaultKind.ROTOR_LOCKED), 0.0)
    assert amps(bench, 1.0) == [pytest.approx(150.0, rel=0.01)] * 3  # 1 %: 4 mΩ of contacts beside 0.8 Ω


@pytest.mark.parametrize("fault", [Fault("line", FaultKind.OPEN, "L3"), Fault("contactor", FaultKind.OPEN, "T3")])
def test_a_stopped_motor_on_two_phases(fault):
    """Two windings in series have √3 times the voltage of one: 150·√3/2 = 129.9 A; T3 lies in the middle, 104 V.

    The two rotating fields are equal, so there is no torque: it hums, and its protector opens after
    6 s·(150/129.9)² = 8 s.
    """
    bench = rooftop(impedance=0.0)
    bench.set_fault(fault, 0.0)
    assert amps(bench, 1.0) == [
        pytest.approx(129.9, rel=0.01),
        pytest.approx(129.9, rel=0.01),
        pytest.approx(0, abs=1e-3),
    ]
    across = volts(bench, 1.0)
    assert across[1:] == [approx(across[0] / 2)] * 2
    assert across[0] == pytest.approx(208.0, rel=0.01)
    assert amps(bench, 7.5)[0] > 100
    assert amps(bench, 9.0) == [pytest.approx(0, abs=1e-3)] * 3


def test_a_running_motor_on_two_phases():
    """Common practice, no source: it runs on with some √3 times its current; its third terminal reads near normal."""
    bench = rooftop(impedance=0.0)
    bench.advance(2.0)
    bench.set_fault(Fault("line", FaultKind.OPEN, "L3"), 2.0)
    first, second, third = amps(bench, 3.0)
    assert 1.6 * 20 < first < 2.0 * 20
    assert second == approx(first)
    assert third == pytest.approx(0, abs=1e-3)
    assert all(0.7 * 208 < across <= 209 for across in volts(bench, 3.0))
    assert state(bench) == "running"
    bench.advance(200.0)  # 6 s·(150/37.6)² = 95 s
    assert state(bench) == "tripped"
    # With a fifth of its load the terminal is nearer to normal.
    light = rooftop(scroll(load=0.2), impedance=0.0)
    light.advance(2.0)
    light.set_fault(Fault("contactor", FaultKind.OPEN, "T3"), 2.0)
    assert all(0.85 * 208 < across <= 209 for across in volts(light, 3.0))


def test_some_percent_of_unbalanced_voltage_unbalance_the_current_by_many():
    """L1 at 200 of 208: U₋ = (208 − 200)/√3/3 = 1.5396 V drive 1.5396/(120.09/150) = 1.923 A beside some 20 A."""
    bench = rooftop(impedance=0.0)
    bench.set_fault(Fault("line", FaultKind.DRIFT, "L1", 200.0), 0.0)
    lines, leads = volts(bench, 2.0), amps(bench, 2.0)
    mean_volts, mean_amps = sum(lines) / 3, sum(leads) / 3
    voltage_unbalance = max(abs(reading - mean_volts) for reading in lines) / mean_volts
    current_unbalance = max(abs(reading - mean_amps) for reading in leads) / mean_amps
    assert 0.01 < voltage_unbalance < 0.02
    assert current_unbalance > 4 * voltage_unbalance
    turn = complex(math.cos(math.tau / 3), math.sin(math.tau / 3))
    solved = bench._circuit.solve()
    phasors = [solved._amps("compressor", phase, 60.0) for phase in PHASES]
    negative = abs(phasors[0] + turn**2 * phasors[1] + turn * phasors[2]) / 3
    assert negative == pytest.approx(1.923, rel=0.01)


@settings(deadline=None, max_examples=30)  # no check depends on the machine's speed
@given(low=st.floats(190, 220), load=st.floats(0.2, 1.1), single_phase=st.booleans())
def test_power_in_is_load_and_the_heat_of_the_negative_sequence(low, load, single_phase):
    """Rated √3·208·20·0.85 = 6124.5 W; the negative sequence heats 3·0.6·(120.09/150) = 1.4411 Ω with its current."""
    bench = rooftop(scroll(load=load), impedance=0.0)
    bench.advance(2.0)
    fault = Fault("line", FaultKind.OPEN, "L3") if single_phase else Fault("line", FaultKind.DRIFT, "L1", low)
    bench.set_fault(fault, 2.0)
    bench.advance(3.0)
    assert state(bench) == "running"
    solved = bench._circuit.solve()
    currents = [solved._amps("compressor", phase, 60.0) for phase in PHASES]
    power = sum(
        solved.volts("compressor", phase, 60.0) * current.conjugate()
        for phase, current in zip(PHASES, currents, strict=True)
    ).real
    turn = complex(math.cos(math.tau / 3), math.sin(math.tau / 3))
    negative = abs(currents[0] + turn**2 * currents[1] + turn * currents[2]) / 3
    assert power == pytest.approx(load * 6124.5 + 1.4411 * negative**2, rel=2e-3)


def test_two_phases_exchanged_turn_it_backward():
    """Common practice, no source: a scroll that runs backward pumps nothing and draws little."""
    bench = rooftop()
    bench.set_fault(Fault("line", FaultKind.PHASES_EXCHANGED), 0.0)
    leads = amps(bench, 2.0)
    assert state(bench) == "backward"
    assert all(reading < 0.7 * 20 for reading in leads)
    assert volts(bench, 2.0) == [pytest.approx(208.0, rel=0.01)] * 3  # a voltmeter sees nothing


def test_an_open_star_point_leaves_no_path():
    bench = rooftop()
    bench.set_fault(Fault("compressor", FaultKind.PROTECTOR_OPEN), 0.0)
    assert amps(bench, 2.0) == [pytest.approx(0, abs=1e-3)] * 3
    assert volts(bench, 2.0) == [approx(208.0)] * 3  # off, while the supply is there
    assert ohms(off_and_pulled(bench, 3.0), 3.0) == [math.inf] * 3


def test_faults_of_three_phase_windings():
    """Nine tenths of one winding: 0.36 + 0.4 = 0.76 Ω to either of the others, 0.8 Ω between these."""
    bench = rooftop(impedance=0.0)
    bench.set_fault(Fault("compressor", FaultKind.SHORTED_TURNS, "T1", 0.9), 0.0)
    leads = amps(bench, 2.0)
    # The bridged tenth is a load of (120.09/150)/0.1 = 8 Ω on one phase: 15 A, of which 2/3 flow in T1 (no neutral).
    assert leads[0] > 20 + 6
    assert leads[0] == max(leads)
    assert ohms(off_and_pulled(bench, 3.0), 3.0) == [approx(0.76), approx(0.8), approx(0.76)]
    bench.set_fault(Fault("compressor", FaultKind.REPAIRED), 4.0)
    bench.set_fault(Fault("compressor", FaultKind.OPEN, "T2"), 4.0)
    assert ohms(bench, 4.0) == [math.inf, math.inf, approx(0.8)]


@pytest.mark.parametrize(("path", "lead"), [(2.0, 60.04), (200e3, 0.0)])
def test_a_phase_to_ground(path, lead):
    """120.09 V of a phase on 2 Ω: 60.04 A to ground. 200 kΩ carry 0.6 mA: no clamp shows that, an ohmmeter does."""
    bench = rooftop(impedance=0.0)
    bench.set_fault(Fault("compressor", FaultKind.GROUNDED, "T1", path), 0.0)
    assert value(bench, "compressor.GND - compressor.T1", A, 1.0) == pytest.approx(lead, rel=0.01, abs=1e-3)
    bench = off_and_pulled(bench, 2.0)
    assert value(bench, "compressor.T1 - compressor.GND", R, 2.0) == approx(path)
    assert value(bench, "compressor.T2 - compressor.GND", R, 2.0) == approx(path + 0.8)


def test_a_meter_finds_voltage_on_a_wire_that_both_poles_cut_off():
    # Open contacts in both lines: L1–T1 is L1 (120 V to ground), the meter's 10 MΩ, and the capacitance of the windings
    # to the frame, 2 nF: 1/(2π·60·2e-9) = 1.33 MΩ at -90°. |120·10/(10 - j·1.33)| = 118.9 V. Such voltage is met on
    # every open contactor with two poles: common practice, no source.
    bench = Bench(
        [
            mains("line", "supply", "split phase", 240.0, impedance=0.0),
            Switch("contactor", "compressor", (Pole("L1", "T1"), Pole("L2", "T2"))),
            compressor(ground_ohms=math.inf),
        ],
        wires=wires("""
            line.L1 - contactor.L1
            line.L2 - contactor.L2
            contactor.T1 - compressor.C
            contactor.T2 - compressor.R
        """),
    )
    assert value(bench, "contactor.L1 - contactor.T1", V, 1.0) == pytest.approx(118.9, abs=0.3)
    # At direct current there is no path: the meter to ground reads infinity.
    assert math.isinf(bench.component("compressor").resistance("C", "GND", math.inf))
