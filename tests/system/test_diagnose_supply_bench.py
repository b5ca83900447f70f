"""Supply, running currents and contacts on the wired bench: the numbers come from its circuits, not from a hand.

A clamp and a voltmeter of a good handheld: 0.01 A and 0.1 V, without errors of their own.
"""

import math
from collections.abc import Iterable
from decimal import Decimal

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.units import Amount, Quantity
from meterlink.diagnosis.causes import Confidence, Diagnosis
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.station.rules import shipped_rules
from meterlink_simulators.bench import Bench
from meterlink_simulators.faults import Fault, FaultKind
from support.points import span
from support.wired_units import compressor, rooftop, split_condenser, value

OFF, ON = CircuitState.ISOLATED, CircuitState.ENERGIZED
C, V, A = Quantity.CAPACITANCE, Quantity.VOLTAGE, Quantity.CURRENT
LINE, WYE_LINE = span("187.2", "253", "V"), span("187.2", "228.8", "V")
DROP, CONTROL = span(None, "0.2", "V"), span("20.4", "30", "V")


def point(
    key: str, circuit: str, component: str, terminals: str, quantity: Quantity, specification: Rating | Span | None
) -> TestPoint:
    first, second = terminals.split("-")
    state, kind = (OFF, PointKind.CAPACITOR) if quantity is C else (ON, PointKind.RANGE)
    section = terminals.removeprefix("C-") if quantity is C else ""
    return TestPoint(key, circuit, component, (first, second), quantity, state, kind, specification, section)


# {key: (the place on the bench, test point)}; the ratings are those of the simulated motors.
SPLIT = {
    test_point.key: (place, test_point)
    for place, test_point in (
        ("contactor.L1 - contactor.L2", point("line", "supply", "line", "L1-L2", V, LINE)),
        ("contactor.L1 - contactor.L2", point("line-loaded", "supply", "line", "L1-L2", V, LINE)),
        ("contactor.L1 - line.GND", point("l1-ground", "supply", "line", "L1-GND", V, None)),
        ("contactor.L2 - line.GND", point("l2-ground", "supply", "line", "L2-GND", V, None)),
        ("transformer.R - transformer.C", point("control", "control 24 V", "control transformer", "R-C", V, CONTROL)),
        ("contactor.L1 - contactor.T1", point("drop", "compressor", "contactor contacts", "L1-T1", V, DROP)),
        ("disconnect.L1 - disconnect.T1", point("blade-1", "supply", "disconnect blade", "L1-T1", V, DROP)),
        ("disconnect.L2 - disconnect.T2", point("blade-2", "supply", "disconnect blade", "L2-T2", V, DROP)),
        (
            "compressor.C - compressor.R",
            point(
                "amps",
                "compressor",
                "compressor motor",
                "T1-C",
                A,
                Span(None, Decimal("15.5"), "A", locked_rotor=Decimal(80)),
            ),
        ),
        (
            "condenser fan.C - condenser fan.R",
            point("fan-amps", "condenser fan", "fan motor", "T1-motor", A, span(None, "1.4", "A")),
        ),
        (
            "run capacitor.C - run capacitor.HERM",
            point("herm", "compressor", "run capacitor", "C-HERM", C, Rating(Amount(Decimal(45), "µF"), "6 %")),
        ),
        (
            "run capacitor.C - run capacitor.FAN",
            point("fan", "condenser fan", "run capacitor", "C-FAN", C, Rating(Amount(Decimal(5), "µF"), "6 %")),
        ),
    )
}
ROOFTOP = {
    test_point.key: (place, test_point)
    for place, test_point in (
        *(
            (f"line.{a} - line.{b}", point(f"{a}{b}".lower(), "supply", "line", f"{a}-{b}", V, WYE_LINE))
            for a, b in (("L1", "L2"), ("L2", "L3"), ("L1", "L3"))
        ),
        *(
            (f"line.{leg} - line.GND", point(f"{leg}-ground".lower(), "supply", "line", f"{leg}-GND", V, None))
            for leg in ("L1", "L2", "L3")
        ),
        *(
            (
                f"compressor.{lead} - contactor.{lead}",
                point(
                    f"{lead}-amps".lower(), "compressor", "compressor motor", f"{lead}-motor", A, span(None, "21", "A")
                ),
            )
            for lead in ("T1", "T2", "T3")
        ),
        ("transformer.R - transformer.C", point("control", "control 24 V", "control transformer", "R-C", V, CONTROL)),
    )
}
RUNNING = ("line-loaded", "l1-ground", "l2-ground", "control", "drop", "blade-1", "blade-2", "amps", "fan-amps")
BENCHED = ("herm", "fan")


class Readings:
    """Readings of a wired unit at its test points, in the order in which they are taken."""

    def __init__(self, bench: Bench, places: dict[str, tuple[str, TestPoint]]) -> None:
        self._bench = bench
        self._places = places
        self._taken: list[PointReadings] = []

    def take(self, now: float, keys: Iterable[str]) -> None:
        for key in keys:
            place, test_point = self._places[key]
            number = value(self._bench, place, test_point.quantity, now)
            amount = {
                C: Amount(Decimal(f"{number * 1e6:.2f}"), "µF"),
                V: Amount(Decimal(f"{number:.1f}" if number > 6 else f"{number:.3f}"), "V"),
                A: Amount(Decimal(f"{number:.2f}"), "A"),
            }[test_point.quantity]
            measured = MeasuredValue.from_amount(test_point.quantity, amount)
            self._taken.append(PointReadings(test_point, (observe(test_point, measured, len(self._taken)),)))

    def text(self, key: str) -> str:
        (entry,) = (entry for entry in self._taken if entry.point.key == key)
        assert entry.latest is not None
        return entry.latest.text

    def diagnose(self) -> Diagnosis:
        return diagnose(Case(tuple(self._taken)), shipped_rules())


def rules_of(diagnosis: Diagnosis) -> list[str]:
    return [cause.rule for cause in diagnosis.causes]


def likely(diagnosis: Diagnosis) -> list[str]:
    sure = {Confidence.LIKELY, Confidence.VERY_LIKELY}
    return [cause.rule for cause in diagnosis.causes if cause.confidence in sure]


def split_readings(*faults: Fault, keys: Iterable[str] = RUNNING, seconds: float = 2.0) -> Readings:
    """Return the readings of a split condenser with ``faults``: the line before the call, ``keys`` some ``seconds``
    after it, then the capacitor with its leads pulled.
    """
    bench = split_condenser()
    readings = Readings(bench, SPLIT)
    for fault in faults:
        bench.set_fault(fault, 0.0)
    bench.operate("thermostat", 0.0, on=False)
    readings.take(0.5, ["line"])
    bench.operate("thermostat", 1.0, on=True)
    readings.take(1.0 + seconds, keys)
    isolate_capacitor(bench, 2.0 + seconds)
    readings.take(600.0, BENCHED)
    return readings


def isolate_capacitor(bench: Bench, now: float) -> None:
    """Open the disconnect, discharge the capacitor and pull its leads."""
    bench.operate("disconnect", now, on=False)
    bench.connect_bleeder("run capacitor", 20e3, now)
    bench.advance(now + 60.0)
    bench.connect_bleeder("run capacitor", math.inf, now + 60.0)
    bench.pull_leads("run capacitor", now + 60.0)


def rooftop_readings(bench: Bench, now: float, keys: Iterable[str] = tuple(ROOFTOP)) -> Readings:
    readings = Readings(bench, ROOFTOP)
    readings.take(now, keys)
    return readings


def test_a_sound_split_condenser() -> None:
    """A healthy unit gives no cause, and 0.06 V across contacts with 16 A through them is a good contact."""
    readings = split_readings()
    assert rules_of(readings.diagnose()) == []
    assert readings.diagnose().notes == ()


def test_a_sound_rooftop_unit() -> None:
    """208 V in wye, 120 V to ground, and the transformer on its 208 V tap: no cause."""
    diagnosis = rooftop_readings(rooftop(), 3.0).diagnose()
    assert rules_of(diagnosis) == []


def test_a_stuck_compressor_with_a_good_capacitor() -> None:
    """Locked-rotor amps with good voltage and a good capacitor leave the machine (common practice)."""
    diagnosis = split_readings(Fault("compressor", FaultKind.ROTOR_LOCKED)).diagnose()
    assert likely(diagnosis) == ["locked-mechanically"]
    assert "locked-by-capacitor" not in rules_of(diagnosis)


def test_a_compressor_that_cannot_start_without_its_capacitor() -> None:
    """Without the current of its auxiliary winding it has no torque: the capacitor explains the amps (textbook)."""
    diagnosis = split_readings(Fault("run capacitor", FaultKind.OPEN, "HERM")).diagnose()
    assert likely(diagnosis) == ["locked-by-capacitor"]


def test_high_amps_of_the_fan_point_to_its_weak_section() -> None:
    """Without its capacitor the fan stands still and draws twice its amps: the section first (common practice)."""
    diagnosis = split_readings(Fault("run capacitor", FaultKind.OPEN, "FAN")).diagnose()
    assert "amps-high-weak-capacitor" in likely(diagnosis)
    assert "amps-high-by-load" not in rules_of(diagnosis)


def test_high_amps_with_good_voltage_and_capacitor_are_the_load() -> None:
    """Half as much load again at good voltage with a good capacitor: not electrical (common practice)."""
    bench = split_condenser(motor=compressor(load=1.4))
    readings = Readings(bench, SPLIT)
    readings.take(3.0, ["line-loaded", "amps"])
    isolate_capacitor(bench, 4.0)
    readings.take(600.0, ["herm"])
    assert likely(readings.diagnose()) == ["amps-high-by-load"]


def test_the_voltage_is_lost_across_one_blade() -> None:
    """A burnt blade of 1.2 Ω: what is missing at the load is across it (Kirchhoff)."""
    diagnosis = split_readings(Fault("disconnect", FaultKind.DRIFT, "L1", 1.2)).diagnose()
    causes = {cause.rule: cause for cause in diagnosis.causes}
    assert causes["voltage-lost-across"].title.startswith("The voltage is lost across the disconnect blade, L1–T1")
    assert causes["voltage-lost-across"].confidence is Confidence.VERY_LIKELY
    assert "supply-sags" not in causes
    assert "contacts-worn" not in causes
    titles = [cause.title for cause in diagnosis.causes if cause.rule == "voltage-lost-across"]
    assert len(titles) == 1  # the sound blade is not named


def test_an_open_leg_that_the_load_feeds_back() -> None:
    """With L1 open at the source, transformer and heater join it to L2: 120 V to ground at both (textbook)."""
    readings = split_readings(Fault("line", FaultKind.OPEN, "L1"), keys=("line-loaded", "l1-ground", "l2-ground"))
    diagnosis = readings.diagnose()
    assert likely(diagnosis) == ["leg-fed-back"]


def test_an_open_leg_with_the_load_off() -> None:
    """Nothing feeds the open leg, and it reads nothing to ground: that leg's fuse or pole (textbook)."""
    bench = split_condenser()
    bench.operate("disconnect", 0.0, on=False)
    bench.set_fault(Fault("line", FaultKind.OPEN, "L2"), 0.0)
    places = {
        key: (f"{place}", SPLIT[key][1])
        for key, place in (
            ("line", "line.L1 - line.L2"),
            ("l1-ground", "line.L1 - line.GND"),
            ("l2-ground", "line.L2 - line.GND"),
        )
    }
    readings = Readings(bench, places)
    readings.take(1.0, places)
    (cause,) = (cause for cause in readings.diagnose().causes if cause.rule == "leg-open")
    assert cause.title.startswith("The L2 leg of the supply is open")


def test_a_protector_that_opened() -> None:
    """Contacts closed, no current, and the fan runs: the compressor's protector or its lead (textbook)."""
    fault = Fault("compressor", FaultKind.PROTECTOR_OPEN)
    assert likely(split_readings(fault).diagnose()) == ["load-open"]
    without_contacts = split_readings(fault, keys=("line-loaded", "amps", "fan-amps"))
    assert rules_of(without_contacts.diagnose()) == ["draws-no-current"]


def test_worn_contacts_with_current() -> None:
    """0.05 Ω at 15 A drop 0.8 V: worn contacts, and no more than that of the supply (Ohm)."""
    diagnosis = split_readings(Fault("contactor", FaultKind.DRIFT, "L1", 0.05)).diagnose()
    assert likely(diagnosis) == ["contacts-worn"]


def test_a_phase_lost_in_the_contactor() -> None:
    """One pole open: no current in its lead, the same in the other two (textbook)."""
    bench = rooftop()
    bench.advance(2.0)
    bench.set_fault(Fault("contactor", FaultKind.OPEN, "L3"), 2.0)
    diagnosis = rooftop_readings(bench, 2.5).diagnose()
    (cause,) = (cause for cause in diagnosis.causes if cause.rule == "motor-on-two-lines")
    assert "T3" in cause.title


def test_the_transformer_on_the_wrong_tap_at_208_volts() -> None:
    """24·208/240 = 20.8 V at its load, more with less: the ratio of the turns (textbook)."""
    bench = rooftop()
    bench.set_fault(Fault("transformer", FaultKind.WRONG_TAP, "208"), 0.0)
    assert likely(rooftop_readings(bench, 3.0).diagnose()) == ["transformer-on-240-tap"]


def test_the_transformer_on_the_wrong_tap_at_240_volts() -> None:
    """26.5·240/208 = 30.6 V without load: above the 28 V of a sound one (the ratio: textbook)."""
    diagnosis = split_readings(
        Fault("transformer", FaultKind.WRONG_TAP, "240"), keys=("line-loaded", "control")
    ).diagnose()
    assert "transformer-on-208-tap" in rules_of(diagnosis)


def test_one_leg_of_three_is_lost() -> None:
    """L2 open at the source: the transformer between L1 and L2 feeds it back, and L1–L2 reads nothing (textbook)."""
    bench = rooftop()
    bench.set_fault(Fault("line", FaultKind.OPEN, "L2"), 0.0)
    diagnosis = rooftop_readings(bench, 2.0).diagnose()
    assert likely(diagnosis) == ["leg-fed-back"]
    assert "supply-missing" not in rules_of(diagnosis)
