"""The display of a simulated meter, against the true values of its bench."""

import itertools
import math
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity, parse_amount, to_base
from meterlink.judge.uncertainty import parse_accuracy
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Leg, Star, Supply, Surface
from meterlink_simulators.display import DisplayState
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.meter import RANGE_SECONDS, SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range

SCALES = {
    MeterFunction.CAPACITANCE: ("6.000 µF", "60.00 µF", "600.0 µF"),
    MeterFunction.RESISTANCE: ("600.0 ohm", "6.000 kohm", "60.00 kohm", "600.0 kohm", "6.000 Mohm"),
    MeterFunction.AC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    MeterFunction.DC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    MeterFunction.FREQUENCY: ("60.00 Hz", "600.0 Hz"),
    MeterFunction.TEMPERATURE: ("600.0 °C",),
    MeterFunction.AC_AMPS: ("60.00 A",),
}


def spec(*functions: MeterFunction, line: str = "1.2 % + 3 digits", seed: int = 1, **more: Any) -> MeterSpec:
    entries = tuple(
        FunctionSpec(
            function,
            tuple(Range(parse_amount(scale, function.quantity), parse_accuracy(line)) for scale in SCALES[function]),
        )
        for function in functions or SCALES
    )
    return MeterSpec("Godwit 61", "C0:00:00:00:00:01", seed, more.pop("rate", 10.0), 6000, entries, **more)


def capacitor(farads: float) -> Star:
    return Star("part", "x", {"1": Leg(farads=farads), "2": Leg()})


def resistor(ohms: float) -> Star:
    return Star("part", "x", {"1": Leg(ohms=ohms), "2": Leg()})


CLIP = TerminalPair("part", "1", "2")


def digits_of(display: DisplayState) -> Decimal:
    assert display.digits is not None
    return display.digits


def watch(meter: SimulatedMeter, begin: float, end: float) -> list[Any]:
    """Return the displays at every refresh of a 10 Hz meter from ``begin`` to before ``end``."""
    return [meter.show(tick / 10) for tick in range(round(begin * 10), round(end * 10))]


def settle_time(farads: float) -> float:
    bench = Bench([capacitor(farads)])
    meter = SimulatedMeter(spec(), bench)
    watch(meter, 0, 1)
    bench.attach_probes(meter.name, CLIP, 1.0)
    final = meter.settled_display(CLIP, MeterFunction.CAPACITANCE, 1.0).digits
    displays = watch(meter, 1, 31)
    last_off = max(
        n
        for n, display in enumerate(displays)
        if display.digits is None or abs(display.digits - final) > Decimal("0.01")
    )
    return last_off / 10


@settings(deadline=None)  # no check depends on the machine's speed
@given(
    seed=st.integers(0, 10_000),
    ohms=st.floats(0.0, 5.9e6),
    line=st.sampled_from(["0.5 % + 1", "0.8 % + 2 digits", "2.5 % + 10"]),
)
def test_settled_display_lies_within_the_accuracy_line(seed, ohms, line):
    meter = SimulatedMeter(spec(MeterFunction.RESISTANCE, line=line, seed=seed), Bench([resistor(ohms)]))
    display = meter.settled_display(CLIP, MeterFunction.RESISTANCE, 0.0)
    assert display.digits is not None
    step = Decimal(1).scaleb(int(display.digits.as_tuple().exponent))
    allowed = to_base(parse_accuracy(line).half_width(display.digits, step, display.unit), display.unit)
    assert abs(to_base(display.digits, display.unit) - Decimal(ohms)) <= allowed


@settings(deadline=None)  # no check depends on the machine's speed
@given(seed=st.integers(0, 500), farads=st.floats(1e-9, 5.5e-4))
def test_flickering_display_lies_within_the_accuracy_line_too(seed, farads):
    bench = Bench([capacitor(farads)])
    meter = SimulatedMeter(spec(MeterFunction.CAPACITANCE, line="1 % + 1", seed=seed), bench)
    bench.attach_probes(meter.name, CLIP, 0.0)
    watch(meter, 0, 1)
    meter.show(100.0)  # after a hundred seconds it is at rest
    for display in watch(meter, 101, 103):
        step = Decimal(1).scaleb(int(display.digits.as_tuple().exponent))
        allowed = to_base(parse_accuracy("1 % + 1").half_width(display.digits, step, display.unit), display.unit)
        assert abs(to_base(display.digits, display.unit) - Decimal(farads)) <= allowed


def test_two_specimens_differ_and_one_repeats():
    digits = {
        seed: SimulatedMeter(spec(seed=seed), Bench([capacitor(42e-6)]))
        .settled_display(CLIP, MeterFunction.CAPACITANCE, 0.0)
        .digits
        for seed in (1, 2, 3, 1)
    }
    assert len(set(digits.values())) == 3


def test_same_calls_same_displays():
    runs = []
    for _ in range(2):
        bench = Bench([capacitor(42e-6)], seed=5)
        meter = SimulatedMeter(spec(), bench)
        first = watch(meter, 0, 1)
        bench.attach_probes(meter.name, CLIP, 1.0, bounce=0.6)
        runs.append(first + watch(meter, 1, 8))
    assert runs[0] == runs[1]


def test_a_capacitance_creeps_up_without_going_past():
    bench = Bench([capacitor(42e-6)])
    meter = SimulatedMeter(spec(), bench)
    watch(meter, 0, 1)
    bench.attach_probes(meter.name, CLIP, 1.0)
    displays = [display for display in watch(meter, 1, 12) if not display.blank]
    final = meter.settled_display(CLIP, MeterFunction.CAPACITANCE, 12.0)
    at_rest = digits_of(final)
    creeping = [digits_of(display) for display in displays if display.unit == final.unit]
    assert creeping[0] < at_rest * Decimal("0.9")
    assert all(later - earlier >= Decimal("-0.01") for earlier, later in itertools.pairwise(creeping))
    assert max(creeping) <= at_rest + Decimal("0.01")
    assert displays[-1].digits in {at_rest, at_rest - Decimal("0.01"), at_rest + Decimal("0.01")}


def test_a_larger_capacitance_takes_longer():
    small, middle, large = (settle_time(farads) for farads in (3e-6, 12e-6, 50e-6))
    assert small < middle < large
    assert 2.0 < large < 8.0


def test_autoranging_blanks_the_display_step_by_step():
    bench = Bench([resistor(150e3)])
    meter = SimulatedMeter(spec(MeterFunction.RESISTANCE), bench)
    bench.attach_probes(meter.name, CLIP, 0.0)
    displays = watch(meter, 0.1, 3)
    blank = sum(1 for display in displays if display.blank)
    assert blank / meter.rate == pytest.approx(3 * RANGE_SECONDS, abs=0.2)  # 600 Ω → 600 kΩ
    assert not displays[-1].blank
    assert displays[-1].unit == "kΩ"
    assert displays[-1].digits.as_tuple().exponent == -1


def test_the_range_follows_the_counts():
    def unit_and_places(ohms: float) -> tuple[str, int]:
        meter = SimulatedMeter(spec(MeterFunction.RESISTANCE), Bench([resistor(ohms)]))
        display = meter.settled_display(CLIP, MeterFunction.RESISTANCE, 0.0)
        return display.unit, int(display.digits.as_tuple().exponent)

    assert unit_and_places(500.0) == ("Ω", -1)
    assert unit_and_places(700.0) == ("kΩ", -3)
    assert unit_and_places(5e6) == ("MΩ", -3)


def test_the_last_count_of_a_range_does_not_flicker_to_overload():
    for ohms in (590 + n / 100 for n in range(2000)):
        bench = Bench([resistor(ohms)])
        meter = SimulatedMeter(spec(MeterFunction.RESISTANCE), bench)
        if str(meter.settled_display(CLIP, MeterFunction.RESISTANCE, 0.0).digits) == "599.9":
            bench.attach_probes(meter.name, CLIP, 0.0)
            assert {str(display.digits) for display in watch(meter, 1, 6)} <= {"599.8", "599.9"}
            return
    pytest.fail("no resistance was display as 599.9 Ω")


def test_overload():
    bench = Bench([resistor(10.0)])
    meter = SimulatedMeter(spec(), bench)
    meter.turn_dial(MeterFunction.RESISTANCE)
    assert watch(meter, 0, 3)[-1].overload  # open leads
    bench.attach_probes(meter.name, CLIP, 3.0)
    assert watch(meter, 3, 6)[-1].digits is not None
    bench.set_fault(Fault("part", FaultKind.OPEN), 6.0)
    last = watch(meter, 6, 9)[-1]
    assert last.overload
    assert last.digits is None
    assert last == meter.settled_display(CLIP, MeterFunction.RESISTANCE, 9.0)


def test_capacitance_above_the_top_range_is_an_overload():
    meter = SimulatedMeter(spec(), Bench([capacitor(2e-3)]))
    assert meter.settled_display(CLIP, MeterFunction.CAPACITANCE, 0.0).overload


def test_the_charging_of_a_capacitor_runs_through_the_ohm_ranges():
    bench = Bench([capacitor(10e-6)])
    meter = SimulatedMeter(spec(MeterFunction.RESISTANCE), bench)
    bench.attach_probes(meter.name, CLIP, 0.0)
    displays = watch(meter, 0.1, 90)
    numbers = [to_base(display.digits, display.unit) for display in displays if display.digits is not None]
    assert numbers == sorted(numbers)
    assert {display.unit for display in displays if display.digits is not None} >= {"kΩ", "MΩ"}
    assert displays[-1].overload


def test_open_leads_show_nearly_zero_and_jitter():
    meter = SimulatedMeter(spec(), Bench([]))
    displays = watch(meter, 0, 20)
    assert {display.unit for display in displays} == {"µF"}
    assert len({display.digits for display in displays}) > 1
    assert max(display.digits for display in displays) <= Decimal("0.003")
    assert min(display.digits for display in displays) >= 0


def test_lifting_brings_the_display_back_to_zero():
    bench = Bench([capacitor(42e-6)])
    meter = SimulatedMeter(spec(), bench)
    bench.attach_probes(meter.name, CLIP, 0.0)
    watch(meter, 0, 8)
    bench.lift_probes(meter.name, 8.0)
    displays = watch(meter, 8, 12)
    assert any(display.blank for display in displays[:5])
    assert displays[-1].digits <= Decimal("0.003")


def test_bounce_shows_as_dropouts():
    bench = Bench([resistor(100.0)], seed=4)
    meter = SimulatedMeter(spec(MeterFunction.RESISTANCE), bench)
    bench.attach_probes(meter.name, CLIP, 0.0)
    steady = watch(meter, 0.1, 3)[-10:]
    bench.bounce_probes(meter.name, 3.0, 1.0)
    bouncing, after = watch(meter, 3.1, 4.1), watch(meter, 6, 7)
    wrong = [display for display in bouncing if display.digits is None or abs(display.digits - steady[-1].digits) > 1]
    assert len(wrong) >= 3
    assert all(abs(display.digits - steady[-1].digits) <= Decimal("0.1") for display in after)


def test_voltage_functions_have_their_coupling():
    bench = Bench([Supply("part", "supply", ("1", "2"), 230.0, 60.0)])
    meter = SimulatedMeter(spec(), bench)
    ac, dc = (
        meter.settled_display(CLIP, function, 0.0) for function in (MeterFunction.AC_VOLTS, MeterFunction.DC_VOLTS)
    )
    assert (ac.coupling, dc.coupling) == (Coupling.AC, Coupling.DC)
    assert abs(digits_of(ac) - 230) < 4
    assert abs(digits_of(dc)) < Decimal("0.01")
    assert meter.settled_display(CLIP, MeterFunction.FREQUENCY, 0.0).quantity is Quantity.FREQUENCY
    assert meter.settled_display(CLIP, MeterFunction.RESISTANCE, 0.0).blank  # energized: no resistance


def test_direct_voltage_has_a_sign():
    charged = Star("part", "x", {"1": Leg(farads=10e-6, volts=-30.0), "2": Leg()})
    meter = SimulatedMeter(spec(), Bench([charged]))
    assert digits_of(meter.settled_display(CLIP, MeterFunction.DC_VOLTS, 0.0)) < -29


def test_open_leads_by_function():
    bench = Bench([Surface("pipe", "x", 50.0, 50.0, 1.0)], ambient=21.0)
    meter = SimulatedMeter(spec(), bench)
    assert abs(digits_of(meter.settled_display(None, MeterFunction.TEMPERATURE, 0.0)) - 21) < 2
    assert meter.settled_display(None, MeterFunction.FREQUENCY, 0.0).blank
    assert meter.settled_display(None, MeterFunction.RESISTANCE, 0.0).overload
    assert abs(digits_of(meter.settled_display(None, MeterFunction.AC_AMPS, 0.0))) <= Decimal("0.02")
    bead = TerminalPair("pipe", "surface", "bead")
    assert abs(digits_of(meter.settled_display(bead, MeterFunction.TEMPERATURE, 0.0)) - 50) < 2


def test_the_display_changes_only_at_its_rate():
    bench = Bench([capacitor(42e-6)])
    meter = SimulatedMeter(spec(rate=2.0), bench)
    bench.attach_probes(meter.name, CLIP, 0.0)
    watch(meter, 0, 10)
    before = meter.show(10.0)
    bench.lift_probes(meter.name, 10.1)
    assert meter.show(10.49) == before
    assert meter.show(10.5) != before
    assert meter.rate == 2.0


def test_every_tenth_of_a_second_is_a_refresh_however_it_was_summed():
    meter = SimulatedMeter(spec(), Bench([]))
    now, ticks = 0.0, set()
    for _ in range(1000):
        meter.show(now)
        ticks.add(meter._tick)
        now += 0.1
    assert len(ticks) == 1000


def test_the_battery_runs_down():
    meter = SimulatedMeter(spec(battery=12.0, drain=3.0), Bench([]))
    first, last = meter.show(0.0), meter.show(60.0)
    assert (first.battery_percent, first.low_battery) == (12, False)
    assert (last.battery_percent, last.low_battery) == (9, True)
    assert meter.show(3600.0).battery_percent == 0


def test_turning_the_dial():
    meter = SimulatedMeter(spec(MeterFunction.CAPACITANCE, MeterFunction.RESISTANCE), Bench([resistor(10.0)]))
    assert meter.function is MeterFunction.CAPACITANCE
    meter.turn_dial(MeterFunction.RESISTANCE)
    assert meter.show(0.0).quantity is Quantity.RESISTANCE
    with pytest.raises(InputError, match="no function 'AC volts'"):
        meter.turn_dial(MeterFunction.AC_VOLTS)
    with pytest.raises(InputError, match="no function 'AC volts'"):
        meter.settled_display(CLIP, MeterFunction.AC_VOLTS, 0.0)


def test_a_pause_between_refreshes_changes_nothing_at_rest():
    bench = Bench([capacitor(42e-6)])
    meter = SimulatedMeter(spec(), bench)
    bench.attach_probes(meter.name, CLIP, 0.0)
    watch(meter, 0, 1)
    assert not math.isnan(float(digits_of(meter.show(500.0))))
    at_rest = digits_of(meter.settled_display(CLIP, MeterFunction.CAPACITANCE, 501.0))
    assert abs(digits_of(meter.show(501.0)) - at_rest) <= Decimal("0.01")
