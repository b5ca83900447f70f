"""The shipped plans: complete, in a sensible order, with the right cautions; and the examples of the documentation."""

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
from meterlink.plans.point_table import POINT

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
# Words that call a part safe to touch.
_ASSURING = re.compile(r"\b(safe|safely|safety|dead|harmless|de-?energi[sz]ed|no danger)\b", re.IGNORECASE)


def test_the_five_plans_ship() -> None:
    assert set(shipped_plans()) == set(COMPONENTS)


@pytest.mark.parametrize("name", COMPONENTS)
def test_a_shipped_plan_is_complete(name: str) -> None:
    checked = check_plan(read_plan_text(name))
    assert checked.value is not None
    # No warnings: the limits left out are marked as read on site.
    assert checked.problems == ()
    assert {point.component for point in checked.value.points} >= COMPONENTS[name]
    assert [state for state, _ in group_by_state(checked.value.points)] == [
        CircuitState.ENERGIZED,
        CircuitState.ISOLATED,
        CircuitState.ENERGIZED,
    ]
    assert checked.value.points[0].circuit == "supply"


def points_with(plan: Plan, **fields: object) -> list[TestPoint]:
    return [point for point in plan.points if all(getattr(point, name) == value for name, value in fields.items())]


def test_three_phases_are_read_pair_by_pair_before_and_after() -> None:
    plan = load_plan("rooftop-three-phase")
    pairs = [("L1", "L2"), ("L2", "L3"), ("L1", "L3")]
    assert [point.terminals for point in points_with(plan, circuit="supply")] == pairs + pairs
    windings = points_with(plan, component="compressor motor", quantity=Quantity.RESISTANCE, kind=PointKind.RANGE)
    assert [point.terminals for point in windings] == [("T1", "T2"), ("T2", "T3"), ("T1", "T3")]


DERIVED = {
    "split-condenser": {"windings", "under-load"},
    "heat-pump": {"windings", "under-load"},
    "air-handler-blower": {"split"},
    "rooftop-three-phase": {"unbalance", "windings"},
    "walk-in-cooler": {"windings"},
}


@pytest.mark.parametrize("name", DERIVED)
def test_a_shipped_plan_has_its_derived_points(name: str) -> None:
    plan = load_plan(name)
    assert {str(derived.kind) for derived in plan.derived} == DERIVED[name]
    assert all(derived.why.endswith(".") for derived in plan.derived)
    points = {point.key: point for point in plan.points}
    for derived in plan.derived:
        # The readings belong to one circuit in one state; the capacitor point only supplies the rating.
        inputs = [points[key] for role, key in derived.inputs if role != "capacitor"]
        assert len({(point.circuit, point.state) for point in inputs}) == 1
        assert len(derived.title) <= 60


def test_voltages_are_compared_as_found_and_loaded() -> None:
    plan = load_plan("rooftop-three-phase")
    inputs = {point.key: [key for _, key in point.inputs] for point in plan.derived}
    assert inputs["supply-unbalance-loaded"] == [f"{key}-loaded" for key in inputs["supply-unbalance"]]


@pytest.mark.parametrize("point", POINTS)
def test_a_shipped_point_has_a_why_and_allowed_limits(point: TestPoint) -> None:
    assert point.why.endswith(".")
    assert (point.coupling is not None) == (point.quantity in {Quantity.VOLTAGE, Quantity.CURRENT})
    limits = limits_for(point)
    # Ratings belong to the part, not to the plan: a plan has limits from standards and common practice only.
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


def test_a_plan_s_caution_never_replaces_the_standard_caution() -> None:
    for point in (parameter.values[0] for parameter in POINTS):
        assert isinstance(point, TestPoint)
        assert caution_at(point).startswith(standard_caution(point.state, point.quantity))
        assert caution_at(point).endswith(point.caution)


def test_no_text_calls_a_part_harmless() -> None:
    texts = [standard_caution(state, quantity) for state, quantity in product(CircuitState, Quantity)]
    texts += [read_plan_text(name) for name in shipped_plans()]
    texts.append(DOCUMENT.read_text(encoding="utf-8"))
    for text in texts:
        # The trade's name of a part is allowed.
        assert not _ASSURING.findall(text.replace("safety switch", "")), text


DOCUMENT = Path(meterlink.__file__).parent / "docs" / "plans.md"
EXAMPLES = re.findall(r"```(toml|text)\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)


def test_the_documented_plan_has_no_problem() -> None:
    checked = check_plan(EXAMPLES[0][1])
    assert checked.value is not None
    assert len(checked.value.points) == 6
    assert checked.problems == ()


def test_the_documented_derived_points_have_no_problem() -> None:
    checked = check_plan(EXAMPLES[1][1])
    assert checked.value is not None
    assert checked.problems == ()
    assert [point.kind for point in checked.value.derived] == [DerivedPointKind.UNBALANCE, DerivedPointKind.UNDER_LOAD]


def test_the_documented_mistakes_are_found_as_documented() -> None:
    (_, _), (_, _), (_, plan_text), (_, output) = EXAMPLES
    assert [f"mistakes.toml:{problem}" for problem in check_plan(plan_text).problems] == output.splitlines()


def test_every_field_is_documented() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    rows = "".join(line.split("|")[1] for line in text.splitlines() if line.startswith("| `"))
    assert set(re.findall(r"`(\w+)`", rows)) == {*(key.name for key in POINT.keys), *DERIVED_FIELDS}
