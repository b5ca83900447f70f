"""A fault on the bench, the settled display of a simulated meter, and what the diagnosis makes of it."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.units import Amount, Quantity, parse_amount, resolution_of
from meterlink.diagnosis.causes import Confidence, Diagnosis
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import parse_accuracy
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Contacts, Leg, Star, Supply
from meterlink_simulators.display import DisplayState
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range

LINE = "1.2 % + 3 digits"
SCALES = {
    MeterFunction.CAPACITANCE: ("6.000 uF", "60.00 uF", "600.0 uF"),
    MeterFunction.RESISTANCE: ("60.00 ohm", "600.0 ohm", "6.000 kohm", "60.00 kohm", "600.0 kohm", "6.000 Mohm"),
    MeterFunction.AC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    MeterFunction.DC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    MeterFunction.AC_AMPS: ("6.000 A", "60.00 A"),
}
OFF, ON = CircuitState.ISOLATED, CircuitState.ENERGIZED
C, R, V, A = Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.VOLTAGE, Quantity.CURRENT


def meter_on(bench: Bench, seed: int, battery: float = 100.0) -> SimulatedMeter:
    functions = tuple(
        FunctionSpec(
            function, tuple(Range(parse_amount(scale, function.quantity), parse_accuracy(LINE)) for scale in scales)
        )
        for function, scales in SCALES.items()
    )
    return SimulatedMeter(MeterSpec("bench meter", "00:00:5E:00:53:0A", seed, 10.0, 6000, functions, battery), bench)


def unit() -> Bench:
    """A condensing unit, sound."""
    return Bench(
        [
            Supply("line", "supply", ("L1", "L2"), 240.0, 60.0),
            Supply("transformer", "control 24 V", ("R", "C"), 26.0, 60.0, fed_by="line"),
            Star("coil", "control 24 V", {"A1": Leg(ohms=13.5, is_winding=True), "A2": Leg()}, "transformer"),
            Contacts("pole", "compressor", {"L1": Leg(ohms=0.004), "T1": Leg()}, "line", 15.0, "coil"),
            Star("capacitor", "compressor", {"C": Leg(ohms=0.01), "HERM": Leg(farads=45e-6), "FAN": Leg(farads=5e-6)}),
            Star(
                "compressor",
                "compressor",
                {
                    "C": Leg(),
                    "R": Leg(ohms=1.1, is_winding=True),
                    "S": Leg(ohms=4.2, is_winding=True),
                    "GND": Leg(ohms=5e9),
                },
            ),
        ]
    )


def point(key, circuit, component, ends, quantity, state, check, against=None, *, section=""):
    return TestPoint(key, circuit, component, tuple(ends.split("-")), quantity, state, check, against, section)


def rated(microfarads: int) -> Rating:
    return Rating(Amount(Decimal(microfarads), "µF"), "6 %")


def span(low: str | None, high: str | None, in_unit: str) -> Span:
    return Span(*(None if edge is None else Decimal(edge) for edge in (low, high)), in_unit)


# What is measured: the component on the bench, and the test point a plan has there.
POINTS = {
    each.key: (component, function, each)
    for component, function, each in (
        (
            "line",
            MeterFunction.AC_VOLTS,
            point("line", "supply", "line", "L1-L2", V, ON, PointKind.RANGE, span("187.2", "253", "V")),
        ),
        (
            "transformer",
            MeterFunction.AC_VOLTS,
            point(
                "secondary",
                "control 24 V",
                "control transformer",
                "R-C",
                V,
                ON,
                PointKind.RANGE,
                span("20.4", "30", "V"),
            ),
        ),
        (
            "coil",
            MeterFunction.AC_VOLTS,
            point(
                "coil-volts",
                "control 24 V",
                "contactor coil",
                "A1-A2",
                V,
                ON,
                PointKind.RANGE,
                span("20.4", "26.4", "V"),
            ),
        ),
        (
            "pole",
            MeterFunction.AC_VOLTS,
            point("drop", "compressor", "contactor contacts", "L1-T1", V, ON, PointKind.RANGE, span(None, "0.2", "V")),
        ),
        (
            "coil",
            MeterFunction.RESISTANCE,
            point("coil", "control 24 V", "contactor coil", "A1-A2", R, OFF, PointKind.COIL, span("10", "18", "Ω")),
        ),
        (
            "capacitor",
            MeterFunction.CAPACITANCE,
            point(
                "herm", "compressor", "run capacitor", "C-HERM", C, OFF, PointKind.CAPACITOR, rated(45), section="HERM"
            ),
        ),
        (
            "capacitor",
            MeterFunction.CAPACITANCE,
            point(
                "fan", "condenser fan", "run capacitor", "C-FAN", C, OFF, PointKind.CAPACITOR, rated(5), section="FAN"
            ),
        ),
        (
            "capacitor",
            MeterFunction.RESISTANCE,
            point("herm-ohms", "compressor", "run capacitor", "C-HERM", R, OFF, PointKind.RANGE, section="HERM"),
        ),
        (
            "compressor",
            MeterFunction.RESISTANCE,
            point("cr", "compressor", "compressor motor", "C-R", R, OFF, PointKind.RANGE),
        ),
        (
            "compressor",
            MeterFunction.RESISTANCE,
            point("cs", "compressor", "compressor motor", "C-S", R, OFF, PointKind.RANGE),
        ),
        (
            "compressor",
            MeterFunction.RESISTANCE,
            point("rs", "compressor", "compressor motor", "R-S", R, OFF, PointKind.RANGE),
        ),
        (
            "compressor",
            MeterFunction.RESISTANCE,
            point(
                "ground", "compressor", "compressor motor", "C-GND", R, OFF, PointKind.INSULATION, span("1", None, "MΩ")
            ),
        ),
    )
}
ENERGIZED = [key for key, (_, _, at) in POINTS.items() if at.state is ON]
ISOLATED = [key for key, (_, _, at) in POINTS.items() if at.state is OFF]


@dataclass
class Technician:
    """Goes from point to point with one meter. ``slips`` are the terminals really touched, ``dials`` the functions."""

    bench: Bench
    meter: SimulatedMeter
    slips: dict[str, str] = field(default_factory=dict)
    dials: dict[str, MeterFunction] = field(default_factory=dict)
    taken: dict[str, list[Observation]] = field(default_factory=dict)
    now: float = 0.0

    def measure(self, keys: Iterable[str]) -> None:
        for key in keys:
            component, function, at = POINTS[key]
            self.now += 30
            ends = self.slips.get(key, "-".join(at.terminals)).split("-")
            shown = self.meter.settled_display(TerminalPair(component, *ends), self.dials.get(key, function), self.now)
            number = sum(map(len, self.taken.values()))
            observation = observe(at, measured(shown), number, parse_accuracy(LINE))
            self.taken.setdefault(key, []).append(
                replace(
                    observation,
                    meter=self.meter.name,
                    time=self.now,
                    coupling=shown.coupling,
                    low_battery=shown.low_battery,
                )
            )

    def diagnose(self) -> Diagnosis:
        return diagnose(Case(tuple(PointReadings(POINTS[key][2], tuple(taken)) for key, taken in self.taken.items())))


def measured(shown: DisplayState) -> MeasuredValue:
    if shown.digits is None:
        assert shown.overload, "a blank display is never held"
        return MeasuredValue(shown.quantity, None, shown.unit, Decimal(0))
    return MeasuredValue(shown.quantity, shown.digits, shown.unit, resolution_of(shown.digits))


def call(*faults: Fault, seed: int = 1, **more: object) -> Diagnosis:
    """A whole call at the unit with these faults: energized, isolated, every point once."""
    bench = unit()
    technician = Technician(bench, meter_on(bench, seed), **more)
    for fault in faults:
        bench.set_fault(fault, 0.0)
    technician.measure(ENERGIZED)
    bench.switch_supply("line", technician.now, on=False)
    technician.measure(ISOLATED)
    return technician.diagnose()


def sure(diagnosis: Diagnosis) -> list[str]:
    words = {Confidence.LIKELY, Confidence.VERY_LIKELY}
    return [each.rule for each in diagnosis.causes if each.confidence in words]


SEEDS = range(1, 9)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sound_unit(seed):
    found = call(seed=seed)
    assert found.causes == ()
    assert "do not point to a part" in found.summary


FAULTS = {
    "weak section": ([Fault("capacitor", FaultKind.DRIFT, "HERM", 40e-6)], {}, ["section-weak"]),
    "failed section": ([Fault("capacitor", FaultKind.DRIFT, "HERM", 31e-6)], {}, ["section-failed"]),
    "shorted section": ([Fault("capacitor", FaultKind.SHORTED, "HERM")], {}, ["section-shorted"]),
    # 1 kΩ across 45 µF: at 10 Hz D = 0.35, which reads 12.5 % high.
    "leaking section": ([Fault("capacitor", FaultKind.LEAKAGE, "HERM", 1e3)], {}, ["section-reads-high"]),
    "leads across both sections": ([], {"slips": {"herm": "HERM-FAN"}}, ["leads-across-both-sections"]),
    "probe on the other section": ([], {"slips": {"herm": "C-FAN"}}, ["probe-on-the-other-section"]),
    "sections swapped": (
        [],
        {"slips": {"herm": "C-FAN", "fan": "C-HERM"}},
        ["sections-swapped", "sections-swapped"],
    ),
    "shorted turns": ([Fault("coil", FaultKind.SHORTED_TURNS, amount=0.45)], {}, ["coil-shorted-turns"]),
    "shorted coil": ([Fault("coil", FaultKind.SHORTED)], {}, []),  # possible only: probes may have touched
    "lost control supply": (
        [Fault("transformer", FaultKind.SUPPLY_LOST)],
        {},
        ["no-control-supply"],
    ),
    "low line": ([Fault("line", FaultKind.DRIFT, amount=172.0)], {}, ["supply-low"]),
    "lost line": ([Fault("line", FaultKind.SUPPLY_LOST)], {}, ["supply-missing", "no-control-supply"]),
    "worn contacts": ([Fault("pole", FaultKind.DRIFT, amount=0.05)], {}, ["contacts-worn"]),
    "overload open": ([Fault("compressor", FaultKind.OPEN, "C")], {}, ["overload-open"]),
    "start winding open": ([Fault("compressor", FaultKind.OPEN, "S")], {}, ["start-winding-open"]),
    "run winding open": ([Fault("compressor", FaultKind.OPEN, "R")], {}, ["run-winding-open"]),
    "winding grounded": ([Fault("compressor", FaultKind.GROUNDED, amount=30e3)], {}, ["winding-grounded"]),
    "S and R mixed up": ([], {"slips": {"cs": "C-R", "cr": "C-S"}}, ["start-and-run-mixed-up"]),
    "meter on ohms at a capacitor": ([], {"dials": {"fan": MeterFunction.RESISTANCE}}, ["wrong-function"]),
}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_found_and_nothing_else_is_thought_likely(fault, seed):
    faults, more, wanted = FAULTS[fault]
    assert sorted(sure(call(*faults, seed=seed, **more))) == sorted(wanted)


@pytest.mark.parametrize("seed", SEEDS)
def test_open_section_and_open_coil_are_only_possible_until_read_again(seed):
    for fault, keys, rule in (
        (Fault("capacitor", FaultKind.OPEN, "HERM"), ["herm", "fan"], "section-open"),
        (Fault("coil", FaultKind.OPEN), ["coil"], "coil-open"),
    ):
        bench = unit()
        technician = Technician(bench, meter_on(bench, seed))
        bench.switch_supply("line", 0.0, on=False)
        bench.set_fault(fault, 0.0)
        technician.measure(keys)
        (once,) = technician.diagnose().causes
        technician.measure(keys)
        (again,) = technician.diagnose().causes
        assert (once.rule, again.rule) == (rule, rule)
        assert again.score > once.score
        assert rule in sure(technician.diagnose())


@pytest.mark.parametrize("seed", SEEDS)
def test_open_coil_is_told_from_a_coil_nobody_calls(seed):
    opened = {each.rule for each in call(Fault("coil", FaultKind.OPEN), seed=seed).causes}
    lost = {each.rule for each in call(Fault("transformer", FaultKind.SUPPLY_LOST), seed=seed).causes}
    assert "coil-open" in opened
    assert "no-control-supply" not in opened
    assert "coil-open" not in lost
    assert "no-control-supply" in lost


@pytest.mark.parametrize("seed", SEEDS)
def test_connection_rather_than_part(seed):
    bench = unit()
    technician = Technician(bench, meter_on(bench, seed))
    bench.switch_supply("line", 0.0, on=False)
    technician.measure(["herm"])
    bench.set_fault(Fault("capacitor", FaultKind.OPEN, "C"), technician.now)
    technician.measure(["herm"])
    found = technician.diagnose()
    assert sure(found) == ["contact-not-part"]
    assert {each.rule for each in found.causes} == {"contact-not-part", "section-open"}


@pytest.mark.parametrize("seed", SEEDS)
def test_bad_connection_at_work_and_good_on_the_bench(seed):
    def fed(ohms: float) -> Bench:
        legs = {"C": Leg(ohms=ohms), "HERM": Leg(farads=45e-6)}
        return Bench(
            [Supply("line", "supply", ("L1", "L2"), 370.0, 60.0), Star("capacitor", "compressor", legs, fed_by="line")]
        )

    herm = POINTS["herm"][2]
    volts = replace(herm, key="volts", quantity=V, state=ON, check=PointKind.RANGE, against=None)
    amps = replace(volts, key="amps", quantity=A)
    for ohms, wanted in ((0.01, []), (80.0, ["good-on-bench-low-under-load"])):
        bench = fed(ohms)
        meter, clip, takes = meter_on(bench, seed), TerminalPair("capacitor", "C", "HERM"), []
        for at, function in (
            (amps, MeterFunction.AC_AMPS),
            (volts, MeterFunction.AC_VOLTS),
            (herm, MeterFunction.CAPACITANCE),
        ):
            bench.switch_supply("line", 10.0 * len(takes), on=at is not herm)
            shown = meter.settled_display(clip, function, 10.0 * len(takes))
            takes.append(PointReadings(at, (observe(at, measured(shown), len(takes), parse_accuracy(LINE)),)))
        assert sure(diagnose(Case(tuple(takes), mains_frequency=60.0))) == wanted


@pytest.mark.parametrize("seed", SEEDS)
def test_stored_charge_stops_the_work(seed):
    legs = {"C": Leg(), "HERM": Leg(farads=45e-6, volts=310.0), "FAN": Leg(farads=5e-6)}
    bench = Bench([Star("capacitor", "compressor", legs)])
    technician = Technician(bench, meter_on(bench, seed), dials={"herm": MeterFunction.DC_VOLTS})
    technician.measure(["herm"])
    found = technician.diagnose()
    assert found.summary.startswith("Stop:")
    assert found.causes[0].rule == "charge-on-capacitor"


@pytest.mark.parametrize("seed", SEEDS)
def test_line_voltage_left_on_stops_the_work(seed):
    bench = unit()
    technician = Technician(bench, meter_on(bench, seed), dials={"coil": MeterFunction.AC_VOLTS})
    technician.measure(["secondary", "coil"])  # nobody has opened the disconnect
    found = technician.diagnose()
    assert found.causes[0].rule == "voltage-where-isolated"
    assert found.causes[0].confidence is Confidence.VERY_LIKELY
    assert "Live parts" in found.causes[0].caution


def test_low_battery_is_said_and_makes_the_part_less_sure():
    bench = unit()
    bench.switch_supply("line", 0.0, on=False)
    bench.set_fault(Fault("coil", FaultKind.SHORTED_TURNS, amount=0.45), 0.0)
    technician = Technician(bench, meter_on(bench, 1, battery=5.0))
    technician.measure(["coil"])
    found = {each.rule: each for each in technician.diagnose().causes}
    assert set(found) == {"low-battery", "coil-shorted-turns"}
    assert found["coil-shorted-turns"].confidence is Confidence.POSSIBLE


def test_two_faults_at_once():
    found = call(
        Fault("capacitor", FaultKind.DRIFT, "HERM", 30e-6), Fault("compressor", FaultKind.GROUNDED, amount=2e4)
    )
    assert set(sure(found)) == {"section-failed", "winding-grounded"}
