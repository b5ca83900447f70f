"""``[[derived]]`` tables: read, or reported with line, column and remedy; stored and read again."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import DerivedPoint, DerivedPointKind, Rating, Span
from meterlink.plans import check_plan, load_plan, shipped_plans
from meterlink.plans.derived_table import dump_derived_points, load_derived_points

# (key, quantity, terminals, further lines of the table)
POINTS = [
    ("v1", "voltage", ("L1", "L2"), 'coupling = "AC"'),
    ("v2", "voltage", ("L2", "L3"), 'coupling = "AC"'),
    ("v3", "voltage", ("L1", "L3"), ""),
    ("dc", "voltage", ("L1", "L3"), 'coupling = "DC"'),
    ("amps", "current", ("HERM", "S"), ""),
    ("hertz", "frequency", ("L1", "L2"), ""),
    ("r1", "resistance", ("C", "R"), ""),
    ("r2", "resistance", ("C", "S"), ""),
    ("r3", "resistance", ("R", "S"), ""),
    ("r4", "resistance", ("R", "GND"), ""),
    ("t1", "temperature", ("duct", "bead"), ""),
    ("t2", "temperature", ("pipe", "bead"), ""),
    ("stray", "capacitance", ("C", "HERM"), ""),
]
HEAD = (
    'name = "derived"\n'
    + "".join(
        f"""[[point]]
key = "{key}"
circuit = "c"
component = "part"
terminals = ["{terminals[0]}", "{terminals[1]}"]
quantity = "{quantity}"
state = "energized"
kind = "range"
why = "Because."
{lines}
"""
        for key, quantity, terminals, lines in POINTS
    )
    + """[[point]]
key = "cap"
circuit = "c"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
why = "Because."
"""
)
START = HEAD.count("\n") + 1  # the line of [[derived]]

UNBALANCE = """[[derived]]
key = "check"
kind = "unbalance"
inputs = ["v1", "v2", "v3"]
at_most = "2 %"
why = "Because."
"""
UNDER_LOAD = """[[derived]]
key = "check"
kind = "under-load"
inputs = { amps = "amps", volts = "v1", capacitor = "cap" }
frequency = "60 Hz"
why = "Because."
"""
WINDINGS = """[[derived]]
key = "check"
kind = "windings"
inputs = ["r1", "r2", "r3"]
why = "Because."
"""
SPLIT = """[[derived]]
key = "check"
kind = "split"
inputs = { return = "t1", supply = "t2" }
low = "9 °C"
high = "12 °C"
why = "Because."
"""


def read_only_point(text: str) -> DerivedPoint:
    checked = check_plan(HEAD + text)
    assert checked.value is not None, checked.problems
    (point,) = checked.value.derived
    return point


def test_each_kind_is_read() -> None:
    assert read_only_point(UNBALANCE) == DerivedPoint(
        "check", DerivedPointKind.UNBALANCE, "part voltage unbalance",
        (("first", "v1"), ("second", "v2"), ("third", "v3")), Span(None, Decimal(2), "%"), None, "Because.",
    )  # fmt: skip
    under = read_only_point(UNDER_LOAD)
    assert (under.title, under.specification, str(under.frequency)) == ("run capacitor HERM under load", None, "60 Hz")
    assert (under.input_key("capacitor"), under.input_key("frequency")) == ("cap", None)
    assert read_only_point(WINDINGS).title == "part windings"
    assert read_only_point(SPLIT).specification == Span(Decimal(9), Decimal(12), "°C")


def test_optional_fields_and_their_alternatives() -> None:
    assert read_only_point(UNBALANCE.replace('at_most = "2 %"\n', "")).specification is None
    assert read_only_point(SPLIT.replace('low = "9 °C"\n', "")).specification == Span(None, Decimal(12), "°C")
    rated = UNDER_LOAD.replace(', capacitor = "cap"', "").replace(
        'frequency = "60 Hz"', 'frequency = "hertz"\nrated = "45 uF"'
    )
    point = read_only_point(rated)
    assert isinstance(point.specification, Rating)
    assert point.specification.tolerance is None
    assert (point.frequency, point.input_key("frequency")) == (None, "hertz")
    assert point.title == "part under load"
    assert read_only_point(WINDINGS + 'title = "of the pump"\n').title == "of the pump"
    assert (
        read_only_point(
            SPLIT.replace('inputs = { return = "t1", supply = "t2" }', "").rstrip()
            + '\n[derived.inputs]\nreturn = "t1"\nsupply = "t2"\n'
        ).input_key("return")
        == "t1"
    )


# (table, old text, new text, line after [[derived]]:column, location, message)
WRONG = [
    (UNBALANCE, 'kind = "unbalance"', 'kind = "imbalance"', "2:1", ", kind", "'imbalance' is not known"),
    (UNBALANCE, 'kind = "unbalance"', "", "0:1", "", "kind is missing"),
    (UNBALANCE, 'key = "check"', 'key = "Check"', "1:1", ", key", "cannot be used"),
    (UNBALANCE, "at_most", "atmost", "4:1", ", atmost", "Did you mean at_most?"),
    (UNBALANCE, "at_most", "low", "4:1", ", low", "not a field here"),
    (UNBALANCE, '"2 %"', '"0 %"', "4:1", ", at_most", "must be above 0 and at most 100 %"),
    (UNBALANCE, '"2 %"', '"2 V"', "4:1", ", at_most", "unit"),
    (UNBALANCE, '"2 %"', "2", "4:1", ", at_most", "2 is not text"),
    (UNBALANCE, 'inputs = ["v1", "v2", "v3"]', "", "0:1", "", "inputs is missing"),
    (UNBALANCE, '["v1", "v2", "v3"]', '["v1", "v2"]', "3:1", ", inputs", "it has 2 items, not 3"),
    (UNBALANCE, '["v1", "v2", "v3"]', '{ a = "v1" }', "3:1", ", inputs", "is not a list"),
    (UNBALANCE, '"v2", "v3"', '"v4", "v3"', "3:17", ", inputs 2", "no test point 'v4' in this plan"),
    (UNBALANCE, '"v2", "v3"', '"v1", "v3"', "3:17", ", inputs 2", "v1 is used twice"),
    (UNBALANCE, '"v2", "v3"', '7, "v3"', "3:17", ", inputs 2", "7 is not text"),
    (
        UNBALANCE, '"v2", "v3"', '"r1", "v3"', "3:17", ", inputs 2",
        "r1 reads resistance, not current or voltage",
    ),
    (UNBALANCE, '"v2", "v3"', '"amps", "v3"', "3:1", ", inputs", "volts and amps cannot be compared"),
    (UNBALANCE, '"v2", "v3"', '"dc", "v3"', "3:17", ", inputs 2", "dc reads DC, not AC"),
    (UNDER_LOAD, 'amps = "amps", ', "", "3:1", ", inputs", "amps is missing"),
    (UNDER_LOAD, 'amps = "amps"', 'amps = "v2"', "3:12", ", inputs.amps", "v2 reads voltage, not current"),
    (UNDER_LOAD, "volts =", "volt =", "3:27", ", inputs.volt", "Did you mean volts?"),
    (UNDER_LOAD, "volts =", 'ohms = "r1", volts =', "3:27", ", inputs.ohms", "not a field here"),
    (UNDER_LOAD, '"amps", v', '"apms", v', "3:12", ", inputs.amps", "Did you mean amps?"),
    (
        UNDER_LOAD, '{ amps = "amps", volts = "v1", capacitor = "cap" }', '["amps"]', "3:1", ", inputs",
        "not a table",
    ),
    (UNDER_LOAD, '"cap"', '"stray"', "3:41", ", inputs.capacitor", "not a capacitor point"),
    (UNDER_LOAD, ', capacitor = "cap"', "", "3:1", ", inputs", "the capacitor has no rating"),
    (UNDER_LOAD, "frequency =", 'rated = "45 uF"\nfrequency =', "4:1", ", rated", "already has the rating"),
    (UNDER_LOAD, 'frequency = "60 Hz"', "", "0:1", "", "frequency is missing"),
    (UNDER_LOAD, '"60 Hz"', "60", "4:1", ", frequency", "not text"),
    (UNDER_LOAD, '"60 Hz"', '"mains"', "4:1", ", frequency", "neither a frequency nor a test point"),
    (UNDER_LOAD, '"60 Hz"', '"v2"', "4:1", ", frequency", "v2 reads voltage, not frequency"),
    (UNDER_LOAD, '"60 Hz"', '"0 Hz"', "4:1", ", frequency", "must be above zero"),
    (WINDINGS, '"r3"', '"r4"', "3:1", ", inputs", "not the three pairs of three terminals"),
    (WINDINGS, '"r3"', '"v1"', "3:23", ", inputs 3", "v1 reads voltage, not resistance"),
    (SPLIT, '"9 °C"', '"16 °F"', "5:1", ", high", "different units"),
    (SPLIT, '"9 °C"', '"19 °C"', "4:1", ", low", "is above"),
    (SPLIT, ', supply = "t2"', "", "3:1", ", inputs", "supply is missing"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "old", "new", "position", "location", "message"), WRONG)
def test_an_error_has_its_position_and_a_remedy(
    table: str, old: str, new: str, position: str, location: str, message: str
) -> None:
    assert old in table
    checked = check_plan(HEAD + table.replace(old, new, 1))
    assert checked.value is None
    first = checked.errors[0]
    line, column = map(int, position.split(":"))
    assert first.position == (START + line, column), str(first)
    assert first.location.removeprefix("derived 1 (check)").removeprefix("derived 1 (Check)") == location
    assert message in str(first)
    assert first.remedy


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            HEAD.replace('name = "derived"', 'name = "derived"\nderived = 7'),
            "derived: 7 is not a list of tables. Write each as [[derived]]",
        ),
        (
            HEAD.replace('name = "derived"', 'name = "derived"\nderived = [7]'),
            "derived 1: 7 is not a table",
        ),
        (HEAD + UNBALANCE + WINDINGS, "derived 2 (check), key: another derived has the key 'check'"),
    ],
)  # fmt: skip
def test_errors_of_the_list_of_derived_points(text: str, message: str) -> None:
    assert message in " ".join(map(str, check_plan(text).errors))


def test_an_error_of_a_test_point_is_reported_once() -> None:
    checked = check_plan(HEAD.replace('quantity = "resistance"', 'quantity = "ohms"', 1) + WINDINGS)
    assert [problem.location for problem in checked.errors] == ["point 7 (r1), quantity"]


def test_warnings() -> None:
    checked = check_plan(HEAD + UNBALANCE.replace('why = "Because."', "") + SPLIT.replace("check", "other"))
    assert checked.value is not None
    messages = {problem.location: problem.message for problem in checked.problems}
    assert messages["derived 1 (check)"] == "why is missing."
    # The temperatures serve the split only; a supply voltage is judged by its nameplate, too.
    assert "point 11 (t1)" not in messages
    assert messages["point 1 (v1)"] == "it has no limits."


@pytest.mark.parametrize("name", shipped_plans())
def test_shipped_derived_points_are_stored_and_read_again(name: str) -> None:
    plan = load_plan(name)
    assert load_derived_points(dump_derived_points(plan.derived), plan.points) == plan.derived


amounts = st.decimals(min_value=Decimal("0.1"), max_value=99, places=1)


@given(st.sampled_from([UNBALANCE, UNDER_LOAD, WINDINGS, SPLIT]), amounts, amounts, st.text(max_size=60))
def test_any_derived_point_is_stored_and_read_again(table: str, low: Decimal, width: Decimal, why: str) -> None:
    plan = check_plan(
        HEAD
        + table.replace("2 %", f"{low} %")
        .replace("9 °C", f"{low} °C")
        .replace("12 °C", f"{low + width} °C")
        .replace("60 Hz", f"{low} Hz")
    ).value
    assert plan is not None
    (point,) = plan.derived
    assert load_derived_points(dump_derived_points([point]), plan.points) == (point,)


@pytest.mark.parametrize("text", ["", "{", "7", '[{"kind": "unbalance"}]'])
def test_foreign_text_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011  # JSONDecodeError is one
        load_derived_points(text, ())
