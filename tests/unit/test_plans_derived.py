"""``[[derived]]`` tables: read whole, or complained about with line, column and remedy; kept and read again."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import DerivedPoint, DerivedPointKind, Rating, Span
from meterlink.core.errors import PlanError
from meterlink.plans import check_plan, load_plan, read_derived_points, read_points, shipped_plans
from meterlink.plans.derived_table import dump_derived_points, load_derived_points

# The key, the quantity, the terminals and what else stands in a table.
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
terminals = ["{ends[0]}", "{ends[1]}"]
quantity = "{quantity}"
state = "energized"
check = "range"
why = "Because."
{more}
"""
        for key, quantity, ends, more in POINTS
    )
    + """[[point]]
key = "cap"
circuit = "c"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
check = "capacitor"
why = "Because."
"""
)
START = HEAD.count("\n") + 1  # the line of [[derived]]

UNBALANCE = """[[derived]]
key = "check"
kind = "unbalance"
of = ["v1", "v2", "v3"]
at_most = "2 %"
why = "Because."
"""
UNDER_LOAD = """[[derived]]
key = "check"
kind = "under-load"
of = { amps = "amps", volts = "v1", capacitor = "cap" }
frequency = "60 Hz"
why = "Because."
"""
WINDINGS = """[[derived]]
key = "check"
kind = "windings"
of = ["r1", "r2", "r3"]
why = "Because."
"""
SPLIT = """[[derived]]
key = "check"
kind = "split"
of = { return = "t1", supply = "t2" }
low = "9 °C"
high = "12 °C"
why = "Because."
"""


def only(text: str) -> DerivedPoint:
    checked = check_plan(HEAD + text)
    assert checked.plan is not None, checked.problems
    (check,) = checked.plan.derived
    return check


def test_each_kind_is_read() -> None:
    assert only(UNBALANCE) == DerivedPoint(
        "check", DerivedPointKind.UNBALANCE, "part voltage unbalance", (("first", "v1"), ("second", "v2"), ("third", "v3")),
        Span(None, Decimal(2), "%"), None, "Because.",
    )  # fmt: skip
    under = only(UNDER_LOAD)
    assert (under.title, under.specification, str(under.frequency)) == ("run capacitor HERM under load", None, "60 Hz")
    assert (under.input_key("capacitor"), under.input_key("frequency")) == ("cap", None)
    assert only(WINDINGS).title == "part windings"
    assert only(SPLIT).specification == Span(Decimal(9), Decimal(12), "°C")


def test_what_may_be_left_out_and_what_may_stand_instead() -> None:
    assert only(UNBALANCE.replace('at_most = "2 %"\n', "")).specification is None
    assert only(SPLIT.replace('low = "9 °C"\n', "")).specification == Span(None, Decimal(12), "°C")
    rated = UNDER_LOAD.replace(', capacitor = "cap"', "").replace(
        'frequency = "60 Hz"', 'frequency = "hertz"\nrated = "45 uF"'
    )
    check = only(rated)
    assert isinstance(check.specification, Rating)
    assert check.specification.tolerance is None
    assert (check.frequency, check.input_key("frequency")) == (None, "hertz")
    assert check.title == "part under load"
    assert only(WINDINGS + 'title = "of the pump"\n').title == "of the pump"
    assert (
        only(
            SPLIT.replace('of = { return = "t1", supply = "t2" }', "").rstrip()
            + '\n[derived.of]\nreturn = "t1"\nsupply = "t2"\n'
        ).input_key("return")
        == "t1"
    )


# (which table, what is replaced in it, by what, line after [[derived]]:column and place, what is said)
WRONG = [
    (UNBALANCE, 'kind = "unbalance"', 'kind = "imbalance"', "2:1", ", key kind", "'imbalance' is not known"),
    (UNBALANCE, 'kind = "unbalance"', "", "0:1", "", "kind is missing"),
    (UNBALANCE, 'key = "check"', 'key = "Check"', "1:1", ", key key", "not usable"),
    (UNBALANCE, "at_most", "atmost", "4:1", ", key atmost", "Did you mean at_most?"),
    (UNBALANCE, "at_most", "low", "4:1", ", key low", "not a field here"),
    (UNBALANCE, '"2 %"', '"0 %"', "4:1", ", key at_most", "cannot be used as a limit"),
    (UNBALANCE, '"2 %"', '"2 V"', "4:1", ", key at_most", "unit"),
    (UNBALANCE, '"2 %"', "2", "4:1", ", key at_most", "no unit"),
    (UNBALANCE, 'of = ["v1", "v2", "v3"]', "", "0:1", "", "of is missing"),
    (UNBALANCE, '["v1", "v2", "v3"]', '["v1", "v2"]', "3:1", ", key of", "does not name three test points"),
    (UNBALANCE, '["v1", "v2", "v3"]', '{ a = "v1" }', "3:1", ", key of", "does not name three test points"),
    (UNBALANCE, '"v2", "v3"', '"v4", "v3"', "3:13", ", key of.item 2", "no test point 'v4' in this plan"),
    (UNBALANCE, '"v2", "v3"', '"v1", "v3"', "3:13", ", key of.item 2", "taken already"),
    (UNBALANCE, '"v2", "v3"', '7, "v3"', "3:13", ", key of.item 2", "7 is not the key"),
    (UNBALANCE, '"v2", "v3"', '"r1", "v3"', "3:13", ", key of.item 2", "r1 reads resistance, not current or voltage"),
    (UNBALANCE, '"v2", "v3"', '"amps", "v3"', "3:1", ", key of", "volts and amps cannot be compared"),
    (UNBALANCE, '"v2", "v3"', '"dc", "v3"', "3:13", ", key of.item 2", "dc reads DC, not AC"),
    (UNDER_LOAD, 'amps = "amps", ', "", "3:1", ", key of", "amps is missing"),
    (UNDER_LOAD, 'amps = "amps"', 'amps = "v2"', "3:8", ", key of.amps", "v2 reads voltage, not current"),
    (UNDER_LOAD, "volts =", "volt =", "3:1", ", key of", "volts is missing"),
    (UNDER_LOAD, "volts =", 'ohms = "r1", volts =', "3:23", ", key of.ohms", "not a field here"),
    (UNDER_LOAD, '"amps", v', '"apms", v', "3:8", ", key of.amps", "Did you mean amps?"),
    (UNDER_LOAD, '{ amps = "amps", volts = "v1", capacitor = "cap" }', '["amps"]', "3:1", ", key of", "not a table"),
    (UNDER_LOAD, '"cap"', '"stray"', "3:37", ", key of.capacitor", "not checked as a capacitor"),
    (UNDER_LOAD, ', capacitor = "cap"', "", "3:1", ", key of", "no rating to be held against"),
    (UNDER_LOAD, "frequency =", 'rated = "45 uF"\nfrequency =', "4:1", ", key rated", "has the rating already"),
    (UNDER_LOAD, 'frequency = "60 Hz"', "", "0:1", "", "frequency is missing"),
    (UNDER_LOAD, '"60 Hz"', "60", "4:1", ", key frequency", "not text"),
    (UNDER_LOAD, '"60 Hz"', '"mains"', "4:1", ", key frequency", "neither a frequency nor a test point"),
    (UNDER_LOAD, '"60 Hz"', '"v2"', "4:1", ", key frequency", "v2 reads voltage, not frequency"),
    (UNDER_LOAD, '"60 Hz"', '"0 Hz"', "4:1", ", key frequency", "cannot be"),
    (WINDINGS, '"r3"', '"r4"', "3:1", ", key of", "do not lie between each two of three terminals"),
    (WINDINGS, '"r3"', '"v1"', "3:19", ", key of.item 3", "v1 reads voltage, not resistance"),
    (SPLIT, '"9 °C"', '"16 °F"', "5:1", ", key high", "two units"),
    (SPLIT, '"9 °C"', '"19 °C"', "4:1", ", key low", "is above"),
    (SPLIT, ', supply = "t2"', "", "3:1", ", key of", "supply is missing"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "old", "new", "where", "place", "says"), WRONG)
def test_what_is_wrong_is_said_with_its_place(
    table: str, old: str, new: str, where: str, place: str, says: str
) -> None:
    assert old in table
    checked = check_plan(HEAD + table.replace(old, new, 1))
    assert checked.plan is None
    first = checked.errors[0]
    line, column = map(int, where.split(":"))
    assert first.position == (START + line, column), str(first)
    assert first.location.removeprefix("derived check 1 (check)").removeprefix("derived check 1 (Check)") == place
    assert says in str(first)
    assert first.remedy


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (HEAD.replace('name = "derived"', 'name = "derived"\nderived = 7'), "key derived: this is no list of checks"),
        (HEAD.replace('name = "derived"', 'name = "derived"\nderived = [7]'), "check 1 (no key): 7 is not a table"),
        (HEAD + UNBALANCE + WINDINGS, "derived check 2 (check), key key: another check has this key"),
    ],
)  # fmt: skip
def test_the_list_of_checks_itself(text: str, says: str) -> None:
    assert says in " ".join(map(str, check_plan(text).errors))


def test_a_points_own_errors_are_said_once() -> None:
    checked = check_plan(HEAD.replace('quantity = "resistance"', 'quantity = "ohms"', 1) + WINDINGS)
    assert [finding.location for finding in checked.errors] == ["point 7 (r1), key quantity"]


def test_doubts() -> None:
    checked = check_plan(HEAD + UNBALANCE.replace('why = "Because."', "") + SPLIT.replace("check", "other"))
    assert checked.plan is not None
    said = {finding.location: finding.message for finding in checked.problems}
    assert said["derived check 1 (check)"] == "it does not say why."
    # Temperatures are taken for the split; a supply voltage has its nameplate all the same.
    assert "point 11 (t1)" not in said
    assert said["point 1 (v1)"] == "there is nothing to hold a reading against yet."


def test_tables_outside_a_plan_file() -> None:
    import tomllib  # noqa: PLC0415

    table = tomllib.loads(HEAD + UNBALANCE)
    points = read_points(table, "here")
    assert [check.key for check in read_derived_points(table, points, "here")] == ["check"]
    table["derived"][0]["of"][0] = "nowhere"
    with pytest.raises(PlanError, match=r"here, derived check 1 \(check\), key of.item 1: there is no test point"):
        read_derived_points(table, points, "here")


@pytest.mark.parametrize("name", shipped_plans())
def test_what_ships_is_kept_and_read_again(name: str) -> None:
    plan = load_plan(name)
    assert load_derived_points(dump_derived_points(plan.derived), plan.points) == plan.derived


amounts = st.decimals(min_value=Decimal("0.1"), max_value=99, places=1)


@given(st.sampled_from([UNBALANCE, UNDER_LOAD, WINDINGS, SPLIT]), amounts, amounts, st.text(max_size=60))
def test_any_check_is_kept_and_read_again(table: str, low: Decimal, width: Decimal, why: str) -> None:
    plan = check_plan(
        HEAD
        + table.replace("2 %", f"{low} %")
        .replace("9 °C", f"{low} °C")
        .replace("12 °C", f"{low + width} °C")
        .replace("60 Hz", f"{low} Hz")
    ).plan
    assert plan is not None
    (check,) = plan.derived
    assert load_derived_points(dump_derived_points([check]), plan.points) == (check,)


@pytest.mark.parametrize("text", ["", "{", "7", '[{"kind": "unbalance"}]'])
def test_what_was_not_kept_by_us_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011  # json's own among them
        load_derived_points(text, ())
