"""Supply, transformer taps and locked rotors against published values.

Flags: S, seen quoted; M, from memory; C, recomputed.
"""

from math import sqrt

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Span, TestPoint
from meterlink.core.units import Quantity, parse_amount
from meterlink.diagnosis.causes import Diagnosis
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import parse_accuracy
from meterlink.station.rules import shipped_rules
from support.points import span

ON, V, A = CircuitState.ENERGIZED, Quantity.VOLTAGE, Quantity.CURRENT
FINE = parse_accuracy("0.05 % + 1 digits")  # of a reference meter: the figures decide, not its error
LINE = span("187.2", "253", "V")


def reading(key: str, component: str, terminals: str, text: str, limits: Span | None, number: int) -> PointReadings:
    quantity = A if text.endswith("A") else V
    circuit = "supply" if component == "line" else "compressor" if quantity is A else "control 24 V"
    first, second = terminals.split("-")
    test_point = TestPoint(key, circuit, component, (first, second), quantity, ON, PointKind.RANGE, limits)
    measured = MeasuredValue.from_amount(quantity, parse_amount(text))
    return PointReadings(test_point, (observe(test_point, measured, number, FINE),))


def diagnosis_of(*readings: PointReadings) -> Diagnosis:
    return diagnose(Case(readings), shipped_rules())


@pytest.mark.parametrize(("loaded", "named"), [("228.0 V", False), ("228.6 V", False), ("227.0 V", True)])
def test_most_fall_of_the_line(loaded: str, named: bool) -> None:
    # NEC, informational notes to 210.19(A) and 215.2(A) (S): 5 % in all on feeder and branch circuit; of 240 V, 12 V.
    diagnosis = diagnosis_of(
        reading("off", "line", "L1-L2", "240.0 V", LINE, 0), reading("on", "line", "L1-L2", loaded, LINE, 1)
    )
    assert ("supply-sags" in {cause.rule for cause in diagnosis.causes}) is named


@pytest.mark.parametrize(
    ("line", "secondary", "rule"),
    [
        # 24 V·208/240 (C), and the 26 V of a light load: 20.8 and 22.5 V.
        ("208.0 V", "20.8 V", "transformer-on-240-tap"),
        ("208.0 V", "22.5 V", "transformer-on-240-tap"),
        # A maker's manual (S): the 240 V tap for 216 to 253 V, the 208 V tap for 187 to 220 V. Both fit 218 to 220 V.
        ("187.0 V", "21.6 V", None),
        ("219.0 V", "21.9 V", None),
        ("253.0 V", "27.0 V", None),
        # 24 V·240/208 (C).
        ("240.0 V", "27.7 V", "transformer-on-208-tap"),
        ("240.0 V", "25.5 V", None),
    ],
)
def test_taps_of_a_transformer(line: str, secondary: str, rule: str | None) -> None:
    diagnosis = diagnosis_of(
        reading("line", "line", "L1-L2", line, LINE, 0),
        reading("secondary", "control transformer", "R-C", secondary, span("20.4", "30", "V"), 1),
    )
    found = {cause.rule for cause in diagnosis.causes if "tap" in cause.rule}
    assert found == ({rule} if rule else set())


@pytest.mark.parametrize(("times", "named"), [(4.5, True), (5.0, True), (6.0, True), (2.5, False), (3.5, False)])
def test_locked_rotor_amps_that_are_not_marked(times: float, named: bool) -> None:
    # Trade pages (S): 4.5 to 5 times, and five to six times the rated amps. Breakdown is at two to three times (M).
    diagnosis = diagnosis_of(
        reading("amps", "compressor motor", "T1-C", f"{14.1 * times:.1f} A", span(None, "14.1", "A"), 0)
    )
    found = {cause.rule for cause in diagnosis.causes}
    assert ("locked-mechanically" in found) is named
    assert ("amps-high-by-load" in found) is not named


@pytest.mark.parametrize(("volts", "live"), [("15.0 V", True), ("14.9 V", False)])
def test_touchable_metal(volts: str, live: bool) -> None:
    # NEC 411.1 (S): 15 V AC at most where wet contact is likely.
    diagnosis = diagnosis_of(reading("frame", "cabinet", "FRAME-GND", volts, None, 0))
    assert ("live-frame" in {cause.rule for cause in diagnosis.causes}) is live
    assert diagnosis.summary.startswith("Stop:") is live


@pytest.mark.parametrize(
    ("between", "to_ground"),
    [
        (208.0, (208 / sqrt(3),) * 3),  # C: 120.1 V
        (480.0, (480 / sqrt(3),) * 3),  # C: 277.1 V, the phase voltage of ANSI C84.1 (S)
        (240.0, (120.0, 240 * sqrt(3) / 2, 120.0)),  # C: the high leg, 207.8 V
    ],
)
def test_sound_three_phase_systems(between: float, to_ground: tuple[float, float, float]) -> None:
    limits = span(f"{0.9 * between:.1f}", f"{1.1 * between:.1f}", "V")
    pairs = [
        reading(pair, "line", pair, f"{between:.1f} V", limits, number)
        for number, pair in enumerate(("L1-L2", "L2-L3", "L1-L3"))
    ]
    legs = [
        reading(f"L{leg}-ground", "line", f"L{leg}-GND", f"{volts:.1f} V", None, leg + 3)
        for leg, volts in enumerate(to_ground, 1)
    ]
    assert diagnosis_of(*pairs, *legs).causes == ()
