"""Faults on a simulated bench, read with a simulated meter and diagnosed from its settled displays."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

import pytest

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.units import Quantity, parse_amount, resolution_of
from meterlink.diagnosis.causes import Confidence, Diagnosis
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import parse_accuracy
from meterlink.station.rules import shipped_rules
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Contacts, Leg, Star, Supply
from meterlink_simulators.display import DisplayState
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from support import points
from support.points import rated, span

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
    """Return a condensing unit without faults."""
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


def point(key: str, *fields: Any, section: str = "") -> TestPoint:
    return replace(points.point(*fields), key=key, section=section)


# {key: (component on the bench, function of the meter, test point)}
POINTS = {
    test_point.key: (component, function, test_point)
    for component, function, test_point in (
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
                "herm",
                "compressor",
                "run capacitor",
                "C-HERM",
                C,
                OFF,
                PointKind.CAPACITOR,
                rated("45"),
                section="HERM",
            ),
        ),
        (
            "capacitor",
            MeterFunction.CAPACITANCE,
            point(
                "fan", "condenser fan", "run capacitor", "C-FAN", C, OFF, PointKind.CAPACITOR, rated("5"), section="FAN"
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
ENERGIZED = [key for key, (_, _, test_point) in POINTS.items() if test_point.state is ON]
ISOLATED = [key for key, (_, _, test_point) in POINTS.items() if test_point.state is OFF]


@dataclass
class Technician:
    """A technician who reads the test points with one meter.

    ``slips`` are the terminals really touched and ``dials`` the functions really set, by the key of the test point.
    """

    bench: Bench
    meter: SimulatedMeter
    slips: dict[str, str] = field(default_factory=dict)
    dials: dict[str, MeterFunction] = field(default_factory=dict)
    observations: dict[str, list[Observation]] = field(default_factory=dict)
    now: float = 0.0

    def measure(self, keys: Iterable[str]) -> None:
        for key in keys:
            component, function, test_point = POINTS[key]
            self.now += 30
            terminals = self.slips.get(key, "-".join(test_point.terminals)).split("-")
            pair = TerminalPair(component, *terminals)
            display = self.meter.settled_display(pair, self.dials.get(key, function), self.now)
            number = sum(map(len, self.observations.values()))
            observation = observe(test_point, measured(display), number, parse_accuracy(LINE))
            self.observations.setdefault(key, []).append(
                replace(
                    observation,
                    meter=self.meter.name,
                    time=self.now,
                    coupling=display.coupling,
                    low_battery=display.low_battery,
                )
            )

    def diagnose(self) -> Diagnosis:
        point_readings = (PointReadings(POINTS[key][2], tuple(readings)) for key, readings in self.observations.items())
        return diagnose(Case(tuple(point_readings)), shipped_rules())


def measured(display: DisplayState) -> MeasuredValue:
    if display.digits is None:
        assert display.overload, "a blank display is never accepted"
        return MeasuredValue(display.quantity, None, display.unit, Decimal(0))
    return MeasuredValue(display.quantity, display.digits, display.unit, resolution_of(display.digits))


def diagnose_unit(*faults: Fault, seed: int = 1, **mistakes: Any) -> Diagnosis:
    """Diagnose the unit with these faults from one reading at every test point, the energized ones first."""
    bench = unit()
    technician = Technician(bench, meter_on(bench, seed), **mistakes)
    for fault in faults:
        bench.set_fault(fault, 0.0)
    technician.measure(ENERGIZED)
    bench.switch_supply("line", technician.now, on=False)
    technician.measure(ISOLATED)
    return technician.diagnose()


def likely_rules(diagnosis: Diagnosis) -> list[str]:
    likely = {Confidence.LIKELY, Confidence.VERY_LIKELY}
    return [cause.rule for cause in diagnosis.causes if cause.confidence in likely]


SEEDS = range(1, 9)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sound_unit(seed):
    diagnosis = diagnose_unit(seed=seed)
    assert diagnosis.causes == ()
    assert "do not point to a part" in diagnosis.summary


FAULTS: dict[str, tuple[list[Fault], dict[str, Any], list[str]]] = {
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
        ["sections-swapped"],
    ),
    "shorted turns": ([Fault("coil", FaultKind.SHORTED_TURNS, amount=0.45)], {}, ["coil-shorted-turns"]),
    "shorted coil": ([Fault("coil", FaultKind.SHORTED)], {}, []),  # only possible: the probes may have touched
    "lost control supply": (
        [Fault("transformer", FaultKind.SUPPLY_LOST)],
        {},
        ["no-control-supply"],
    ),
    "low line": ([Fault("line", FaultKind.DRIFT, amount=172.0)], {}, ["supply-low"]),
    "lost line": ([Fault("line", FaultKind.SUPPLY_LOST)], {}, ["supply-missing"]),
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
def test_a_fault_is_found_and_nothing_else_is_likely(fault, seed):
    faults, mistakes, rules = FAULTS[fault]
    assert sorted(likely_rules(diagnose_unit(*faults, seed=seed, **mistakes))) == sorted(rules)


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
        (first,) = technician.diagnose().causes
        technician.measure(keys)
        (second,) = technician.diagnose().causes
        assert (first.rule, second.rule) == (rule, rule)
        assert second.score > first.score
        assert rule in likely_rules(technician.diagnose())


@pytest.mark.parametrize("seed", SEEDS)
def test_open_coil_differs_from_a_coil_without_supply(seed):
    open_coil = {cause.rule for cause in diagnose_unit(Fault("coil", FaultKind.OPEN), seed=seed).causes}
    lost_supply = {cause.rule for cause in diagnose_unit(Fault("transformer", FaultKind.SUPPLY_LOST), seed=seed).causes}
    assert "coil-open" in open_coil
    assert "no-control-supply" not in open_coil
    assert "coil-open" not in lost_supply
    assert "no-control-supply" in lost_supply


@pytest.mark.parametrize("seed", SEEDS)
def test_connection_rather_than_part(seed):
    bench = unit()
    technician = Technician(bench, meter_on(bench, seed))
    bench.switch_supply("line", 0.0, on=False)
    technician.measure(["herm"])
    bench.set_fault(Fault("capacitor", FaultKind.OPEN, "C"), technician.now)
    technician.measure(["herm"])
    diagnosis = technician.diagnose()
    assert likely_rules(diagnosis) == ["contact-not-part"]
    assert {cause.rule for cause in diagnosis.causes} == {"contact-not-part", "section-open"}


@pytest.mark.parametrize("seed", SEEDS)
def test_bad_connection_under_load_and_good_on_the_bench(seed):
    def energized_bench(ohms: float) -> Bench:
        legs = {"C": Leg(ohms=ohms), "HERM": Leg(farads=45e-6)}
        return Bench(
            [Supply("line", "supply", ("L1", "L2"), 370.0, 60.0), Star("capacitor", "compressor", legs, fed_by="line")]
        )

    herm = POINTS["herm"][2]
    volts = replace(herm, key="volts", quantity=V, state=ON, kind=PointKind.RANGE, specification=None)
    amps = replace(volts, key="amps", quantity=A)
    for ohms, rules in ((0.01, []), (80.0, ["low-only-under-load"])):
        bench = energized_bench(ohms)
        meter, pair = meter_on(bench, seed), TerminalPair("capacitor", "C", "HERM")
        point_readings: list[Any] = []
        for test_point, function in (
            (amps, MeterFunction.AC_AMPS),
            (volts, MeterFunction.AC_VOLTS),
            (herm, MeterFunction.CAPACITANCE),
        ):
            number = len(point_readings)
            bench.switch_supply("line", 10.0 * number, on=test_point is not herm)
            display = meter.settled_display(pair, function, 10.0 * number)
            observation = observe(test_point, measured(display), number, parse_accuracy(LINE))
            point_readings.append(PointReadings(test_point, (observation,)))
        case = Case(tuple(point_readings), mains_frequency=60.0)
        assert likely_rules(diagnose(case, shipped_rules())) == rules


@pytest.mark.parametrize("seed", SEEDS)
def test_stored_charge_stops_the_work(seed):
    legs = {"C": Leg(), "HERM": Leg(farads=45e-6, volts=310.0), "FAN": Leg(farads=5e-6)}
    bench = Bench([Star("capacitor", "compressor", legs)])
    technician = Technician(bench, meter_on(bench, seed), dials={"herm": MeterFunction.DC_VOLTS})
    technician.measure(["herm"])
    diagnosis = technician.diagnose()
    assert diagnosis.summary.startswith("Stop:")
    assert diagnosis.causes[0].rule == "charge-on-capacitor"


@pytest.mark.parametrize("seed", SEEDS)
def test_line_voltage_left_on_stops_the_work(seed):
    bench = unit()
    technician = Technician(bench, meter_on(bench, seed), dials={"coil": MeterFunction.AC_VOLTS})
    technician.measure(["secondary", "coil"])  # with the disconnect still closed
    diagnosis = technician.diagnose()
    assert diagnosis.causes[0].rule == "voltage-where-isolated"
    assert diagnosis.causes[0].confidence is Confidence.VERY_LIKELY
    assert "Live parts" in diagnosis.causes[0].caution


def test_low_battery_is_reported_and_makes_the_part_less_sure():
    bench = unit()
    bench.switch_supply("line", 0.0, on=False)
    bench.set_fault(Fault("coil", FaultKind.SHORTED_TURNS, amount=0.45), 0.0)
    technician = Technician(bench, meter_on(bench, 1, battery=5.0))
    technician.measure(["coil"])
    causes = {cause.rule: cause for cause in technician.diagnose().causes}
    assert set(causes) == {"low-battery", "coil-shorted-turns"}
    assert causes["coil-shorted-turns"].confidence is Confidence.POSSIBLE


def test_two_faults_at_once():
    diagnosis = diagnose_unit(
        Fault("capacitor", FaultKind.DRIFT, "HERM", 30e-6), Fault("compressor", FaultKind.GROUNDED, amount=2e4)
    )
    assert set(likely_rules(diagnosis)) == {"section-failed", "winding-grounded"}
