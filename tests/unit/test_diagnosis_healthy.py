"""A sound unit has no cause: healthy readings at every test point of every plan that ships."""

from dataclasses import replace
from decimal import Decimal
from math import sqrt

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.units import BASE_UNIT, Amount, Quantity
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.plans import load_plan, shipped_plans
from meterlink.station.rules import shipped_rules
from support.points import span

THREE_PHASE_LINE, SPLIT_LINE, NEUTRAL_LINE = 208.0, 240.0, 120.0  # V


def line_volts(terminals: set[str], *, three_phase: bool) -> tuple[float, Span] | None:
    """Return the voltage between two terminals of a sound supply, with limits of ±10 %; None for other terminals."""
    line = THREE_PHASE_LINE if three_phase else SPLIT_LINE
    to_ground = line / sqrt(3) if three_phase else line / 2
    legs = terminals & {"L1", "L2", "L3"}
    if len(legs) == 2:
        volts = line
    elif legs and terminals & {"GND", "N"}:
        volts = to_ground if three_phase else NEUTRAL_LINE
    elif terminals == {"N", "GND"}:
        return 0.4, span(None, "3", "V")
    else:
        return None
    return volts, span(f"{0.9 * volts:.1f}", f"{1.1 * volts:.1f}", "V")


def sound_value(point: TestPoint, *, three_phase: bool) -> tuple[float, Rating | Span | None]:
    """Return the value that a sound part reads, in the base unit, and the limits for a point without its own."""
    terminals, name = set(point.terminals), f"{point.circuit} {point.title}".lower()
    match point.quantity, point.kind:
        case Quantity.CAPACITANCE, _:
            return 45.1e-6, Rating(Amount(Decimal(45), "µF"), "6 %")
        case Quantity.TEMPERATURE, _:
            return (24.0 if "return" in name else 14.0), None
        case Quantity.CURRENT, _ if "capacitor" in name:
            return 6.3, span(None, "14.1", "A")  # 2πfCU: 45.1 µF at 372 V and 60 Hz
        case Quantity.CURRENT, _:
            rated = 1.1 if "fan" in name else 14.1
            return 0.8 * rated, span(None, f"{rated}", "A")
        case Quantity.RESISTANCE, PointKind.COIL:
            return 13.5, span("10", "18", "Ω")
        case Quantity.RESISTANCE, PointKind.INSULATION:
            return float("inf"), None
        case Quantity.RESISTANCE, _:
            pairs = {"CR": 1.1, "CS": 4.2, "RS": 5.3}
            return pairs.get("".join(sorted(terminals)), 0.3 if "contacts" in name else 0.82), None
    return line_volts(terminals, three_phase=three_phase) or part_volts(name, three_phase=three_phase)


def part_volts(name: str, *, three_phase: bool) -> tuple[float, Span | None]:
    """Return the voltage at a part of this name, and its limits where a plan has none."""
    if "primary" in name:
        return (THREE_PHASE_LINE if three_phase else NEUTRAL_LINE), span("103.5", "228.8", "V")
    if any(word in name for word in ("control", "coil", "gas valve")):
        return 25.2, span("20.4", "30", "V")
    if "run capacitor" in name:
        return 372.0, None
    if "bus" in name:
        return SPLIT_LINE * sqrt(2), None
    return 0.06, span(None, "0.2", "V")  # across something closed, or metal to ground


def display(quantity: Quantity, value: float) -> MeasuredValue:
    if value == float("inf"):
        return MeasuredValue(quantity, None, "MΩ", Decimal(0))
    if quantity is Quantity.CAPACITANCE:
        return MeasuredValue.from_amount(quantity, Amount(Decimal(f"{value * 1e6:.1f}"), "µF"))
    places = 1 if value >= 60 else 2
    return MeasuredValue.from_amount(quantity, Amount(Decimal(f"{value:.{places}f}"), BASE_UNIT[quantity]))


def sound_case(plan_name: str, *, volts: float, amps: float) -> Case:
    """Return the readings of a sound unit; ``volts`` and ``amps`` scale those of its supply and its motors."""
    plan = load_plan(plan_name)
    three_phase = any("L3" in point.terminals for point in plan.points)
    entries = []
    for number, point in enumerate(plan.points):
        value, limits = sound_value(point, three_phase=three_phase)
        if point.quantity is Quantity.VOLTAGE and value > 1:
            value *= volts
        if point.quantity is Quantity.CURRENT:
            value *= amps
        rated = point if point.specification is not None else replace(point, specification=limits)
        entries.append(PointReadings(rated, (observe(rated, display(point.quantity, value), number),)))
    return Case(tuple(entries), mains_frequency=None)


@pytest.mark.parametrize("plan_name", sorted(shipped_plans()))
@pytest.mark.parametrize(("volts", "amps"), [(1.0, 1.0), (0.97, 1.2), (1.03, 0.6)])
def test_a_sound_unit_has_no_cause(plan_name: str, volts: float, amps: float) -> None:
    case = sound_case(plan_name, volts=volts, amps=amps)
    diagnosis = diagnose(case, shipped_rules())
    assert [cause.title for cause in diagnosis.causes] == []
    outside = {Verdict.OUTSIDE, Verdict.NOTHING_FLOWS, Verdict.OPEN, Verdict.CANNOT_TELL}
    for entry in case.point_readings:
        if entry.point.kind is not PointKind.INSULATION and entry.latest is not None:
            assert entry.latest.verdict not in outside, f"{entry.point.key}: {entry.latest.text}"


def test_the_sound_readings_cover_energized_and_isolated_points() -> None:
    for name in shipped_plans():
        assert {entry.point.state for entry in sound_case(name, volts=1.0, amps=1.0).point_readings} == set(
            CircuitState
        )
