"""The plans that ship: complete, in a sensible order, with fitting cautions; and the documentation's examples."""

import re
from itertools import product
from pathlib import Path

import pytest

import meterlink
from meterlink.core.cautions import caution_at, standard_caution
from meterlink.core.equipment import CircuitState, DerivedPointKind, Plan, PointKind, TestPoint
from meterlink.core.units import Quantity
from meterlink.judge.judging import limits_for
from meterlink.plans import check_plan, group_by_state, load_plan, read_plan_text, shipped_plans
from meterlink.plans.derived_table import DERIVED_FIELDS
from meterlink.plans.point_table import POINT_FIELDS

POINTS = [pytest.param(point, id=f"{name}/{point.key}") for name in shipped_plans() for point in load_plan(name).points]
COMPONENTS = {
    "split-condenser": {"line", "run capacitor", "contactor coil", "contactor contacts", "compressor motor"},
    "heat-pump": {"reversing valve coil", "defrost thermostat", "defrost sensor", "outdoor fan motor", "run capacitor"},
    "air-handler-blower": {"blower capacitor", "blower motor", "control transformer", "line"},
    "rooftop-three-phase": {"line", "contactor coil", "crankcase heater", "fan capacitor", "compressor motor"},
    "walk-in-cooler": {
        "start capacitor", "run capacitor", "start relay coil", "contactor coil", "defrost timer motor",
        "defrost heater", "crankcase heater", "solenoid valve coil",
    },
}  # fmt: skip
# Words that say that something may be touched, or that it does nothing.
_ASSURING = re.compile(r"\b(safe|safely|safety|dead|harmless|de-?energi[sz]ed|no danger)\b", re.IGNORECASE)


def test_the_five_are_there() -> None:
    assert set(shipped_plans()) == set(COMPONENTS)


@pytest.mark.parametrize("name", COMPONENTS)
def test_a_shipped_plan_is_whole(name: str) -> None:
    checked = check_plan(read_plan_text(name))
    assert checked.plan is not None
    # What is read off the part on site is left out on purpose; nothing else is to be said.
    assert {finding.message for finding in checked.problems} <= {"there is nothing to hold a reading against yet."}
    assert {point.component for point in checked.plan.points} >= COMPONENTS[name]
    assert [state for state, _ in group_by_state(checked.plan.points)] == [
        CircuitState.ENERGIZED,
        CircuitState.ISOLATED,
        CircuitState.ENERGIZED,
    ]
    assert checked.plan.points[0].circuit == "supply"


def found(plan: Plan, **wanted: object) -> list[TestPoint]:
    return [point for point in plan.points if all(getattr(point, name) == value for name, value in wanted.items())]


def test_three_phases_are_read_pair_by_pair_before_and_after() -> None:
    plan = load_plan("rooftop-three-phase")
    pairs = [("L1", "L2"), ("L2", "L3"), ("L1", "L3")]
    assert [point.terminals for point in found(plan, circuit="supply")] == pairs + pairs
    windings = found(plan, component="compressor motor", quantity=Quantity.RESISTANCE, check=PointKind.RANGE)
    assert [point.terminals for point in windings] == [("T1", "T2"), ("T2", "T3"), ("T1", "T3")]


DERIVED = {
    "split-condenser": {"windings", "under-load"},
    "heat-pump": {"windings", "under-load"},
    "air-handler-blower": {"split"},
    "rooftop-three-phase": {"unbalance", "windings"},
    "walk-in-cooler": {"windings"},
}


@pytest.mark.parametrize("name", DERIVED)
def test_a_shipped_plan_works_out_what_its_points_make(name: str) -> None:
    plan = load_plan(name)
    assert {str(check.kind) for check in plan.derived} == DERIVED[name]
    assert all(check.why.endswith(".") for check in plan.derived)
    points = {point.key: point for point in plan.points}
    for check in plan.derived:
        # One circuit, one state: what is worked out is of one thing at one time, but for the rating of a capacitor.
        read = [points[key] for role, key in check.inputs if role != "capacitor"]
        assert len({(point.circuit, point.state) for point in read}) == 1
        assert len(check.title) <= 60


def test_voltages_are_compared_as_found_and_loaded() -> None:
    plan = load_plan("rooftop-three-phase")
    of = {check.key: [key for _, key in check.inputs] for check in plan.derived}
    assert of["supply-unbalance-loaded"] == [f"{key}-loaded" for key in of["supply-unbalance"]]


@pytest.mark.parametrize("point", POINTS)
def test_a_shipped_point_has_its_reason_and_sound_limits(point: TestPoint) -> None:
    assert point.why.endswith(".")
    assert (point.coupling is not None) == (point.quantity in {Quantity.VOLTAGE, Quantity.CURRENT})
    limits = limits_for(point)
    # Ratings belong to the part, not to the plan: only what a standard or common practice gives is written down.
    assert limits is None or point.kind in {PointKind.RANGE, PointKind.INSULATION}


@pytest.mark.parametrize("point", POINTS)
def test_a_shipped_point_has_its_caution(point: TestPoint) -> None:
    text = caution_at(point)
    assert "local codes" in text
    assert "qualified people" in text
    if point.state is CircuitState.ISOLATED:
        assert "lock out every source" in text
        assert "tester proved on a known source before and after" in text
    else:
        assert "protective equipment" in text
        assert "rated for this voltage and category" in text
    if point.quantity is Quantity.CAPACITANCE:
        assert "Discharge the capacitor through a resistor" in text
    if point.quantity is Quantity.CURRENT:
        assert "never put probes set to amps across two terminals" in text
    if point.quantity is Quantity.RESISTANCE:
        assert "wires off" in text
    if point.component == "compressor motor" and point.quantity is Quantity.RESISTANCE:
        assert "discharge it through a resistor" in text
        assert "no power with their cover off" in text
    if "heater" in point.component:
        assert "stays hot" in text
    if "start capacitor" in point.component:
        assert "bleed resistor" in text
    if point.circuit == "supply" and "L3" in {*point.terminals}:
        assert "Measure every pair" in text


def test_power_comes_back_with_a_caution() -> None:
    for name in shipped_plans():
        _, _, (_, proof) = group_by_state(load_plan(name).points)
        assert "every wire and cover in place" in caution_at(proof[0])


def test_what_a_plan_adds_never_replaces_the_standard_caution() -> None:
    for point in (parameter.values[0] for parameter in POINTS):
        assert isinstance(point, TestPoint)
        assert caution_at(point).startswith(standard_caution(point.state, point.quantity))
        assert caution_at(point).endswith(point.caution)


def test_nothing_is_ever_said_to_be_harmless() -> None:
    texts = [standard_caution(state, quantity) for state, quantity in product(CircuitState, Quantity)]
    texts += [read_plan_text(name) for name in shipped_plans()]
    texts.append(DOCUMENT.read_text(encoding="utf-8"))
    for text in texts:
        # A part may be called what it is called in the trade.
        assert not _ASSURING.findall(text.replace("safety switch", "")), text


DOCUMENT = Path(meterlink.__file__).parent / "docs" / "plans.md"
EXAMPLES = re.findall(r"```(toml|text)\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)


def test_the_documented_plan_is_beyond_doubt_but_for_what_it_says() -> None:
    checked = check_plan(EXAMPLES[0][1])
    assert checked.plan is not None
    assert len(checked.plan.points) == 6
    assert [finding.location for finding in checked.problems] == ["point 4 (relay-coil)"]


def test_the_documented_derived_checks_are_beyond_doubt() -> None:
    checked = check_plan(EXAMPLES[1][1])
    assert checked.plan is not None
    assert checked.problems == ()
    assert [check.kind for check in checked.plan.derived] == [DerivedPointKind.UNBALANCE, DerivedPointKind.UNDER_LOAD]


def test_the_documented_mistakes_are_found_as_documented() -> None:
    (_, _), (_, _), (_, mistaken), (_, said) = EXAMPLES
    assert [f"mistakes.toml:{finding}" for finding in check_plan(mistaken).problems] == said.splitlines()


def test_every_field_is_documented() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    rows = "".join(line.split("|")[1] for line in text.splitlines() if line.startswith("| `"))
    assert set(re.findall(r"`(\w+)`", rows)) == {*POINT_FIELDS, *DERIVED_FIELDS}
