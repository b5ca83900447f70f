"""The shipped plans: complete, in a sensible order, with the right cautions; and the examples of the documentation."""

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest

import meterlink
from meterlink.core.cautions import LOCAL_CODES, caution_at, standard_caution
from meterlink.core.equipment import (
    CircuitState,
    DerivedPointKind,
    Hazard,
    Plan,
    PlanQuestion,
    PointKind,
    TestPoint,
    VoltageBand,
)
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.judge.judging import limits_for
from meterlink.plans import (
    check_plan,
    group_by_state,
    load_plan,
    parse_specification,
    read_plan_text,
    shipped_plans,
)
from meterlink.plans.derived_table import DERIVED_FIELDS
from meterlink.plans.point_table import POINT
from meterlink.plans.question_table import CHOICE, QUESTION
from meterlink_tui.scene import narrow_caution

POINTS = [pytest.param(point, id=f"{name}/{point.key}") for name in shipped_plans() for point in load_plan(name).points]
COMPONENTS = {
    "split-condenser": {
        "line", "run capacitor", "contactor coil", "contactor contacts", "compressor motor", "condenser fan motor",
        "start capacitor", "start relay coil", "start relay contacts", "crankcase heater",
    },
    "heat-pump": {
        "reversing valve coil", "defrost thermostat", "defrost sensor", "outdoor fan motor", "run capacitor",
        "start capacitor", "start relay coil", "start relay contacts", "crankcase heater",
    },
    "air-handler-blower": {
        "blower capacitor", "blower motor", "control transformer", "line", "heat strip 1", "sequencer coil",
        "sequencer contacts", "float switch",
    },
    "rooftop-three-phase": {
        "line", "contactor coil", "crankcase heater", "condenser fan 1 capacitor", "compressor motor", "blower motor",
        "phase monitor",
    },
    "walk-in-cooler": {
        "start capacitor", "run capacitor", "start relay coil", "contactor coil", "defrost timer motor",
        "defrost heater", "crankcase heater", "solenoid valve coil", "evaporator fan motor", "low-pressure control",
        "high-pressure control",
    },
    "inverter-outdoor": {"line", "DC bus", "compressor motor", "terminal block", "expansion valve coil", "reactor"},
    "gas-furnace": {
        "line", "control transformer", "inducer motor", "pressure switch", "igniter", "gas valve", "flame sensor",
        "rollout switch", "blower motor",
    },
    "package-unit": {
        "run capacitor", "compressor motor", "blower motor", "heat strip 1", "flame sensor", "reversing valve coil",
    },
    "reach-in-cooler": {
        "thermostat", "overload protector", "compressor motor", "start relay coil", "PTC starter",
        "evaporator fan motor", "condenser fan motor", "defrost heater",
    },
}  # fmt: skip
# Words of the caution for each hazard.
HAZARD_WORDS = {
    Hazard.COMPRESSOR_TERMINALS: "Refrigerant pressure",
    Hazard.MOVING_FAN: "blower wheel may start",
    Hazard.HOT_HEATER: "stays hot",
    Hazard.LINE_VOLTAGE_BESIDE: "in the same box",
    Hazard.SECOND_SOURCE: "second source",
    Hazard.THREE_PHASES: "Measure every pair",
    Hazard.POWER_RETURNS: "Before power comes back",
    Hazard.START_CAPACITOR: "bleed resistor",
    Hazard.SINGLE_POLE: "always live to ground",
    Hazard.DC_BUS: "Do not short them",
    Hazard.COMMUTATED_MOTOR: "its connectors under power",
    Hazard.GAS: "If you smell gas",
}
# Words that call a part safe to touch.
_ASSURING = re.compile(r"\b(safe|safely|safety|dead|harmless|de-?energi[sz]ed|no danger)\b", re.IGNORECASE)


def test_the_plans_ship() -> None:
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
    legs = [(f"L{number}", "GND") for number in (1, 2, 3)]
    assert [point.terminals for point in points_with(plan, circuit="supply")] == pairs + legs + pairs
    windings = points_with(plan, component="compressor motor", quantity=Quantity.RESISTANCE, kind=PointKind.RANGE)
    assert [point.terminals for point in windings] == [("T1", "T2"), ("T2", "T3"), ("T1", "T3")]


DERIVED = {
    "split-condenser": {"windings", "under-load"},
    "heat-pump": {"windings", "under-load"},
    "air-handler-blower": {"split"},
    "rooftop-three-phase": {"unbalance", "windings"},
    "walk-in-cooler": {"windings"},
    "inverter-outdoor": {"windings"},
    "package-unit": {"windings", "under-load", "split"},
    "reach-in-cooler": {"windings"},
}


@pytest.mark.parametrize("name", DERIVED)
def test_a_shipped_plan_has_its_derived_points(name: str) -> None:
    plan = load_plan(name)
    assert {str(derived.kind) for derived in plan.derived} == DERIVED[name]
    assert all(derived.why.endswith(".") for derived in plan.derived)
    points = {point.key: point for point in plan.points}
    for derived in plan.derived:
        # The readings belong to one circuit in one state, and exist together; the capacitor point only supplies the
        # rating.
        assert len({points[key].when for _, key in derived.inputs}) == 1
        inputs = [points[key] for role, key in derived.inputs if role != "capacitor"]
        assert len({(point.circuit, point.state) for point in inputs}) == 1
        assert len(derived.title) <= 60


def test_voltages_are_compared_as_found_and_loaded() -> None:
    plan = load_plan("rooftop-three-phase")
    inputs = {point.key: [key for _, key in point.inputs] for point in plan.derived}
    assert inputs["supply-unbalance-loaded"] == [f"{key}-loaded" for key in inputs["supply-unbalance"]]


@pytest.mark.parametrize("name", COMPONENTS)
def test_every_point_can_be_told_apart(name: str) -> None:
    # A list shows the part, the quantity, the terminals and the state: nobody may have to guess which point is meant.
    # A loaded supply is another point of the same part, so its section says so.
    plan = load_plan(name)
    told = [(point.title, point.quantity, point.coupling, point.terminals, point.state) for point in plan.points]
    assert [entry for entry in told if told.count(entry) > 1] == []


def possible_answers(questions: tuple[PlanQuestion, ...]) -> Iterator[dict[str, str]]:
    for choices in product(*(asked.question.choices for asked in questions)):
        yield {asked.key: choice.key for asked, choice in zip(questions, choices, strict=True)}


@pytest.mark.parametrize("name", COMPONENTS)
def test_every_machine_of_a_plan_can_be_worked_on(name: str) -> None:
    plan = load_plan(name)
    offered = set()
    for answers in possible_answers(plan.asked):
        machine = plan.for_answers(answers)
        assert plan.questions(answers) == ()
        offered |= {point.key for point in machine.points}
        # It starts at the supply, and each of the three parts of a visit has a point that everybody reads. An inverter
        # has a plan of its own, which its answer names.
        assert machine.points[0].circuit == "supply"
        needed = [point for point in machine.points if not point.optional]
        assert len(group_by_state(needed)) == 3 or answers.get("compressor-drive") == "inverter"
        # A supply has the band of its service as soon as that is known.
        assert all(limits_for(point) for point in machine.points if point.key.startswith("supply-volts"))
        for derived in machine.derived:
            assert {key for _, key in derived.inputs} <= {point.key for point in machine.points}
    assert offered == {point.key for point in plan.points}


@pytest.mark.parametrize("name", COMPONENTS)
def test_no_capacitor_is_asked_for_where_there_is_none(name: str) -> None:
    # An inverter and an electronically commutated motor have no run capacitor, and a meter on their terminals meets
    # the charged DC bus. Common practice, no source.
    plan = load_plan(name)
    for answers in possible_answers(plan.asked):
        machine = plan.for_answers(answers)
        circuits = {point.circuit for point in machine.points if point.quantity is Quantity.CAPACITANCE}
        without = {
            ("compressor-drive", "inverter"): {"compressor"},
            ("fan-motor", "commutated"): {"condenser fan", "outdoor fan", "condenser fan 1", "condenser fan 2"},
            ("blower-motor", "commutated"): {"blower"},
        }
        for (question, choice), none_in in without.items():
            if answers.get(question) == choice:
                assert not circuits & none_in
                brought = {Hazard.DC_BUS} if question == "compressor-drive" else {Hazard.COMMUTATED_MOTOR}
                there = [point for point in machine.points if point.circuit in none_in and is_isolated(point)]
                assert all(brought & {*point.hazards} for point in there)


def test_an_inverter_brings_its_caution_to_every_isolated_point() -> None:
    plan = load_plan("split-condenser").for_answers({"compressor-drive": "inverter", "service": "240"})
    isolated = [point for point in (*plan.points, *load_plan("inverter-outdoor").points) if is_isolated(point)]
    assert len(isolated) > 10
    for point in isolated:
        text = caution_at(point)
        assert "DC bus stays charged for minutes" in text
        assert "Do not short them" in text
        # A resistor for a run capacitor is none for the bus.
        assert "discharge it through a resistor first" not in text


@pytest.mark.parametrize("name", COMPONENTS)
def test_a_caution_is_short_enough_for_a_screen(name: str) -> None:
    # The dashboard shows 800 characters of a caution, a narrow screen 480: those hold the first step and the first
    # hazard.
    plan = load_plan(name)
    for answers in possible_answers(plan.asked):
        points = plan.for_answers(answers).points
        for point in points:
            text = caution_at(point, points)
            assert len(text) <= 800
            kept = narrow_caution(text)
            assert ("lock out every source" in kept) is is_isolated(point)
            assert all(HAZARD_WORDS[hazard] in kept for hazard in point.hazards[:1])
            assert all(HAZARD_WORDS[hazard] in text for hazard in point.hazards)


def is_isolated(point: TestPoint) -> bool:
    return point.state is CircuitState.ISOLATED


def test_one_pole_leaves_a_leg_live() -> None:
    plan = load_plan("split-condenser")
    for point in plan.for_answers({"contactor-poles": "1", "compressor-drive": "capacitor"}).points:
        assert ("always live to ground" in caution_at(point)) is (point.state is CircuitState.ENERGIZED)
    # Before anybody has answered, the contactor's own points say so.
    contactor = [point for point in plan.points if point.component == "contactor contacts"]
    assert contactor
    assert all("always live to ground" in caution_at(point) for point in contactor)


def test_gas_has_its_caution() -> None:
    plan = load_plan("gas-furnace")
    gas = [point for point in plan.points if Hazard.GAS in point.hazards]
    assert {point.circuit for point in gas} >= {"ignition", "inducer"}
    for point in gas:
        text = caution_at(point)
        words = ("smell gas", "Close the valve", "leak-test", "Combustion air", "carbon monoxide", "qualified")
        assert all(word in text for word in words)


def test_flame_current_is_read_in_series_in_microamps() -> None:
    for name in ("gas-furnace", "package-unit"):
        (flame,) = points_with(load_plan(name), key="flame-current")
        assert (flame.quantity, flame.coupling, flame.in_series) == (Quantity.CURRENT, Coupling.DC, True)
        limits = limits_for(
            replace(flame, specification=parse_specification("at least 1 uA", flame.quantity, flame.kind))
        )
        assert limits is not None
        assert (limits.low, limits.unit) == (1, "µA")


def test_bands_of_shipped_points_name_their_source() -> None:
    for name in shipped_plans():
        for point in load_plan(name).points:
            limits = limits_for(point)
            if point.band is VoltageBand.COIL and limits is not None:
                assert "IEC 60947-4-1" in limits.basis
            if point.quantity is Quantity.VOLTAGE and "coil" in point.component and "relay" not in point.component:
                assert point.band is VoltageBand.COIL


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
    if point.in_series:
        assert "put the meter, on microamps, into the opened wire" in text
        assert "back to volts" in text
    elif point.quantity is Quantity.CURRENT:
        assert "never put probes set to amps across two terminals" in text
    if point.quantity is Quantity.RESISTANCE:
        assert "wires off" in text
    if point.component == "compressor motor" and point.quantity is Quantity.RESISTANCE:
        assert ("discharge it through a resistor" in text) is (Hazard.DC_BUS not in point.hazards)
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
        standard = standard_caution(point.state, point.quantity, in_series=point.in_series)
        text = caution_at(point)
        assert all(sentence in text for sentence in re.split(r"(?<=[.]) ", standard))
        assert point.caution in text
        assert text.endswith(LOCAL_CODES)


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


def test_the_documented_questions_have_no_problem() -> None:
    checked = check_plan(EXAMPLES[1][1])
    assert checked.value is not None
    assert checked.problems == ()
    assert [point.key for point in checked.value.points_for({})] == ["supply-volts"]
    assert len(checked.value.points_for({"motor": "capacitor"})) == 2


def test_the_points_beside_the_standard_exist() -> None:
    _, table = DOCUMENT.read_text(encoding="utf-8").split("## The shipped plans beside a maintenance standard")
    plans = [load_plan(name) for name in shipped_plans()]
    known = {point.key for plan in plans for point in plan.points}
    known |= {derived.key for plan in plans for derived in plan.derived}
    named = set(re.findall(r"`([a-z0-9-]+)`", table))
    assert len(named) > 40
    assert named <= known


def test_the_documented_derived_points_have_no_problem() -> None:
    checked = check_plan(EXAMPLES[2][1])
    assert checked.value is not None
    assert checked.problems == ()
    assert [point.kind for point in checked.value.derived] == [DerivedPointKind.UNBALANCE, DerivedPointKind.UNDER_LOAD]


def test_the_documented_mistakes_are_found_as_documented() -> None:
    (_, _), (_, _), (_, _), (_, plan_text), (_, output) = EXAMPLES
    assert [f"mistakes.toml:{problem}" for problem in check_plan(plan_text).problems] == output.splitlines()


def test_every_field_is_documented() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    rows = "".join(line.split("|")[1] for line in text.splitlines() if line.startswith("| `"))
    fields = {key.name for table in (POINT, QUESTION, CHOICE) for key in table.keys}
    assert set(re.findall(r"`(\w+)`", rows)) == fields | {*DERIVED_FIELDS}


def test_every_hazard_is_documented() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert all(f"`{hazard}`" in text for hazard in Hazard)
