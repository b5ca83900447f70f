"""The legs of a supply to ground: sound systems and open legs from the bench, and the patterns by themselves."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Span
from meterlink.core.units import Amount, Quantity
from meterlink.diagnosis.causes import Confidence
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, PointReadings, observe
from meterlink.diagnosis.supply_legs import LegPattern, SupplyLegs
from meterlink.diagnosis.supply_points import is_closed_path, is_frame_to_ground
from meterlink.judge.judging import MeasuredValue
from meterlink.station.rules import shipped_rules
from meterlink_simulators.bench import Bench
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.mains import Layout, mains
from meterlink_simulators.switchgear import Pole, Switch
from support.points import point, span
from support.wired_units import V, resistor, value, wires

ON = CircuitState.ENERGIZED
SPLIT_PAIRS = ("L1-L2", "L1-GND", "L2-GND")
THREE_PAIRS = ("L1-L2", "L2-L3", "L1-L3", "L1-GND", "L2-GND", "L3-GND")


def legs_case(volts: Mapping[str, float], limits: Span | None) -> Case:
    """Return the readings of a supply; ``limits`` are those between two legs."""
    entries = []
    for number, (pair, reading) in enumerate(volts.items()):
        specification = limits if "GND" not in pair and "N" not in pair else None
        test_point = replace(point("supply", "line", pair, V, ON, PointKind.RANGE, specification), key=pair.lower())
        measured = MeasuredValue.from_amount(V, Amount(Decimal(f"{reading:.1f}"), "V"))
        entries.append(PointReadings(test_point, (observe(test_point, measured, number),)))
    return Case(tuple(entries))


def pattern(volts: Mapping[str, float], limits: Span | None = None) -> tuple[LegPattern, str] | None:
    (legs,) = SupplyLegs.find_all(legs_case(volts, limits))
    return None if legs.finding is None else (legs.finding.pattern, legs.finding.leg)


def supply(layout: Layout, volts: float, *, load: bool = False) -> Bench:
    """Return a supply with a switch on its load side; the ``load`` of 50 Ω is between L1 and L2."""
    poles = tuple(Pole(f"L{leg}", f"T{leg}") for leg in (1, 2))
    parts: list[Any] = [
        mains("line", "supply", layout, volts),
        Switch("disconnect", "supply", poles, closed=load),
        resistor("load", 50.0),
    ]
    joints = wires("""
        line.L1 - disconnect.L1
        line.L2 - disconnect.L2
        disconnect.T1 - load.1
        disconnect.T2 - load.2
    """)
    return Bench(parts, wires=joints)


def bench_volts(bench: Bench, pairs: tuple[str, ...]) -> dict[str, float]:
    return {pair: value(bench, "line.{} - line.{}".format(*pair.split("-")), V, 1.0) for pair in pairs}


@pytest.mark.parametrize("load", [False, True])
@pytest.mark.parametrize(
    ("layout", "volts", "pairs"),
    [
        ("split phase", 240.0, SPLIT_PAIRS),
        ("wye", 208.0, SPLIT_PAIRS),  # two legs of a wye feed a single-phase unit
        ("wye", 208.0, THREE_PAIRS),
        ("wye", 480.0, THREE_PAIRS),
        ("high-leg delta", 240.0, THREE_PAIRS),
    ],
)
def test_a_sound_supply(layout: Layout, volts: float, pairs: tuple[str, ...], load: bool) -> None:
    """Half of the line voltage, the line voltage by √3, or a high leg of 0.866 of it: all are sound (textbook)."""
    limits = span(f"{0.9 * volts:.1f}", f"{1.1 * volts:.1f}", "V")
    readings = bench_volts(supply(layout, volts, load=load), pairs)
    assert pattern(readings, limits) == (LegPattern.SOUND, "")
    assert diagnose(legs_case(readings, limits), shipped_rules()).causes == ()


def test_a_grounded_corner_is_left_open() -> None:
    """It is sound where the panel says so, and a fault on an ungrounded delta: it cannot be told (textbook)."""
    limits = span("216", "264", "V")
    readings = bench_volts(supply("corner-grounded delta", 240.0), THREE_PAIRS)
    assert pattern(readings, limits) == (LegPattern.LEG_GROUNDED, "L2")
    causes = {cause.rule: cause for cause in diagnose(legs_case(readings, limits), shipped_rules()).causes}
    assert set(causes) == {"one-leg-grounded"}
    assert causes["one-leg-grounded"].confidence is Confidence.POSSIBLE
    # Without limits nothing says that the voltages between the legs are as they should be.
    assert pattern(readings) == (LegPattern.UNCLEAR, "")


@pytest.mark.parametrize("leg", ["L1", "L2"])
def test_an_open_leg_is_named_with_the_load_off(leg: str) -> None:
    """Nothing feeds an open leg back (textbook)."""
    bench = supply("split phase", 240.0)
    bench.set_fault(Fault("line", FaultKind.OPEN, leg), 0.0)
    assert pattern(bench_volts(bench, SPLIT_PAIRS)) == (LegPattern.LEG_OPEN, leg)


@pytest.mark.parametrize(("layout", "pairs"), [("split phase", SPLIT_PAIRS), ("wye", THREE_PAIRS)])
def test_an_open_leg_is_fed_back_by_the_load(layout: Layout, pairs: tuple[str, ...]) -> None:
    """The load without current has one voltage at both ends (textbook): which leg is open does not show."""
    bench = supply(layout, 240.0, load=True)
    bench.set_fault(Fault("line", FaultKind.OPEN, "L1"), 0.0)
    assert pattern(bench_volts(bench, pairs), span("216", "264", "V")) == (LegPattern.FED_BACK, "")


@pytest.mark.parametrize("leg", ["L1", "L2", "L3"])
def test_an_open_leg_of_three_with_the_load_off(leg: str) -> None:
    """Two pairs have half of the third or less, and their common leg nothing to ground (textbook)."""
    bench = supply("wye", 208.0)
    bench.set_fault(Fault("line", FaultKind.OPEN, leg), 0.0)
    assert pattern(bench_volts(bench, THREE_PAIRS)) == (LegPattern.LEG_OPEN, leg)


def test_a_low_leg() -> None:
    """The bench lowers one line: 22 V are missing in that leg and in no other (Kirchhoff)."""
    bench = supply("split phase", 240.0)
    bench.set_fault(Fault("line", FaultKind.DRIFT, "L2", 196.0), 0.0)
    assert pattern(bench_volts(bench, SPLIT_PAIRS)) == (LegPattern.LEG_LOW, "L2")
    three = supply("wye", 208.0)
    three.set_fault(Fault("line", FaultKind.DRIFT, "L3", 165.0), 0.0)
    assert pattern(bench_volts(three, THREE_PAIRS)) == (LegPattern.LEG_LOW, "L3")


@pytest.mark.parametrize(
    ("volts", "expected"),
    [
        # 120 and 0 V cannot make 240 V: the leg opened since, or the readings are from two places. It has no voltage.
        ({"L1-L2": 240.0, "L1-GND": 0.2, "L2-GND": 120.0}, (LegPattern.LEG_OPEN, "L1")),
        # An open leg that reads about ground has the other leg's voltage to it.
        ({"L1-L2": 120.0, "L1-GND": 0.2, "L2-GND": 120.0}, (LegPattern.LEG_OPEN, "L1")),
        # 240 V to ground at the other leg: the ground that was touched is that leg.
        ({"L1-L2": 240.0, "L1-GND": 0.2, "L2-GND": 240.0}, (LegPattern.LEG_GROUNDED, "L1")),
        ({"L1-L2": 240.0, "L1-GND": 155.0, "L2-GND": 85.0}, (LegPattern.GROUND_MOVED, "")),
        ({"L1-L2": 240.0, "L1-GND": 4.0, "L2-GND": 3.0}, (LegPattern.NO_GROUND, "")),
        ({"L1-L2": 0.2, "L1-GND": 0.2, "L2-GND": 0.3}, None),  # the supply is off
        ({"L1-L2": 240.0, "L1-GND": 120.0}, None),  # the other leg was not read
        ({"L1-GND": 120.0, "L2-GND": 121.0}, (LegPattern.SOUND, "")),
        ({"L1-GND": 120.0, "L2-GND": 95.0}, (LegPattern.UNCLEAR, "")),
        ({"L1-L2": 240.0, "L1-GND": 208.0, "L2-GND": 120.0}, (LegPattern.SOUND, "")),  # L1 is a high leg
        ({"L1-L2": 240.0, "L1-GND": 160.0, "L2-GND": 160.0}, (LegPattern.UNCLEAR, "")),
    ],
)
def test_patterns_of_two_legs(volts: dict[str, float], expected: tuple[LegPattern, str] | None) -> None:
    assert pattern(volts, span("187.2", "253", "V")) == expected


def test_the_voltage_between_the_legs_that_was_read_next_to_those_to_ground_counts() -> None:
    """The line fell under load after the legs were read: 120 V and 120 V belong to the 240 V before."""
    readings = {"L1-L2": 240.0, "L1-GND": 120.0, "L2-GND": 120.0}
    case = legs_case(readings, span("187.2", "253", "V"))
    loaded = replace(case.point_readings[0].point, key="loaded")
    measured = MeasuredValue.from_amount(V, Amount(Decimal("192.0"), "V"))
    later = PointReadings(loaded, (observe(loaded, measured, 9),))
    (legs,) = SupplyLegs.find_all(replace(case, recorded=(*case.point_readings, later)))
    assert legs.finding is not None
    assert legs.finding.pattern is LegPattern.SOUND


def test_two_supplies_of_a_unit_are_kept_apart() -> None:
    """The evaporator of a walk-in cooler may be fed from another panel: its legs are not those of the condenser."""
    limits = span("187.2", "253", "V")
    condenser = legs_case({"L1-L2": 240.0, "L1-GND": 120.0, "L2-GND": 120.0}, limits).point_readings
    evaporator = legs_case({"L1-L2": 0.2, "L1-GND": 0.2, "L2-GND": 0.1}, limits).point_readings
    other = tuple(
        replace(entry, point=replace(entry.point, circuit="evaporator supply", key=f"evaporator-{entry.point.key}"))
        for entry in evaporator
    )
    findings = [legs.finding for legs in SupplyLegs.find_all(Case((*condenser, *other)))]
    assert [finding and finding.pattern for finding in findings] == [LegPattern.SOUND, None]


def test_the_grounding_of_a_unit_belongs_to_its_supply() -> None:
    """120 V to ground and none to the neutral, in a plan that has the two in two circuits: the neutral is open."""
    entries = legs_case({"L1-N": 0.4, "L1-GND": 119.0}, None).point_readings
    to_neutral, to_ground = entries
    grounding = replace(to_ground, point=replace(to_ground.point, circuit="grounding"))
    diagnosis = diagnose(Case((to_neutral, grounding)), shipped_rules())
    assert "neutral-open" in {cause.rule for cause in diagnosis.causes}


@pytest.mark.parametrize(
    ("component", "terminals", "expected"),
    [
        ("contactor contacts", "L1-T1", True),
        ("contactor contacts", "L1-T2", False),  # from leg to leg
        ("contactor contacts", "T1-T2", False),
        ("disconnect", "L1-T1", True),
        ("disconnect", "L1-L2", False),
        ("disconnect", "L1-N", False),
        ("disconnect", "L1-GND", False),
        ("fuse", "1-2", True),
        ("control fuse", "1-2", False),
        ("line", "L1-L2", False),
    ],
)
def test_what_should_be_closed(component: str, terminals: str, expected: bool) -> None:
    assert is_closed_path(point("supply", component, terminals, V, ON, PointKind.RANGE)) is expected


@pytest.mark.parametrize(
    ("terminals", "state", "expected"),
    [
        ("FRAME-GND", ON, True),
        ("cabinet-PE", ON, True),
        ("L1-GND", ON, False),
        ("PE-GND", ON, False),
        ("FRAME-GND", CircuitState.ISOLATED, False),  # that voltage is one where none may be at all
    ],
)
def test_metal_that_should_be_grounded(terminals: str, state: CircuitState, expected: bool) -> None:
    test_point = point("compressor", "compressor motor", terminals, Quantity.VOLTAGE, state, PointKind.RANGE)
    assert is_frame_to_ground(test_point) is expected


@pytest.mark.parametrize(
    ("volts", "expected"),
    [
        ({"L1-L2": 240.0, "L1-GND": 120.0, "L2-GND": 208.0}, LegPattern.SOUND),
        ({"L1-L2": 240.0, "L1-GND": 120.0, "L2-GND": 160.0}, LegPattern.UNCLEAR),
        ({"L1-L2": 240.0, "L1-GND": 60.0, "L2-GND": 180.0}, LegPattern.GROUND_MOVED),
    ],
)
def test_two_legs_of_a_delta_with_a_high_leg_are_sound(volts: Mapping[str, float], expected: LegPattern) -> None:
    """A 240 V unit may be on the high leg, 208 V to ground, and another: 240·√3/2 = 208 (textbook)."""
    found = pattern(volts)
    assert found is not None
    assert found[0] is expected
