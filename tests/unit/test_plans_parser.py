"""Plan files: read whole, or complained about with line, column and remedy."""

import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from meterlink.core.equipment import PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError, PlanError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, quantity_of
from meterlink.core.verdicts import Verdict
from meterlink.judge.judging import MeasuredValue, judge, limits_for
from meterlink.plans import check_plan, load_plan, parse_specification
from meterlink.plans.point_table import POINT_FIELDS, read_point

GOOD = """
name = "pump"
[[point]]
key = "herm"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
check = "capacitor"
rated = "45 uF"
tolerance = "6 %"

[[point]]
key = "coil"
circuit = "control"
component = "contactor coil"
terminals = ["A1", "A2"]
quantity = "resistance"
state = "isolated and discharged"
check = "coil"
low = "10 ohm"
high = "0.018 kohm"
"""


def write(folder: Path, text: str) -> str:
    file = folder / "plan.toml"
    file.write_text(text, encoding="utf-8")
    return str(file)


def test_a_plan_file(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, GOOD))
    assert plan.name == "pump"
    herm, coil = plan.points
    assert isinstance(herm.specification, Rating)
    assert str(herm.specification) == "45 µF 6 %"
    assert isinstance(coil.specification, Span)
    assert str(coil.specification) == "10 to 18 Ω"
    assert herm.title == "run capacitor HERM"


# (what is replaced in GOOD, by what, line:column and place of what is then said, and what)
WRONG = [
    ('name = "pump"', "", "1:1: ", "no name"),
    ('name = "pump"', f'name = "{"x" * 81}"', "2:1: key name: ", "longer than 80"),
    ('name = "pump"', "name = pump", "2:8: ", "not valid TOML"),
    ('name = "pump"', 'name = "pump"\nversion = 1', "3:1: key version: ", "not a field"),
    ("[[point]]", "[[points]]", "3:1: key points: ", "Did you mean point?"),
    ("[[point]]", "[point]", "15:7: ", "not valid TOML"),
    ('key = "herm"', 'key = "Herm!"', "4:1: point 1 (Herm!), key key: ", "'Herm!' is not usable"),
    ('key = "herm"', "key = 7", "4:1: point 1 (no key), key key: ", "7 is not text"),
    ('key = "coil"', 'key = "herm"', "16:1: point 2 (herm), key key: ", "another point has this key"),
    ('circuit = "control"', "", "15:1: point 2 (coil): ", "circuit is missing"),
    ('circuit = "control"', "circuit = 7", "17:1: point 2 (coil), key circuit: ", "7 is not text"),
    ('circuit = "control"', 'circuit = " "', "17:1: point 2 (coil), key circuit: ", "empty"),
    ('circuit = "control"', f'circuit = "{"x" * 41}"', "17:1: point 2 (coil), key circuit: ", "longer than 40"),
    ('terminals = ["A1", "A2"]', 'terminals = ["A1"]', "19:1: point 2 (coil), key terminals: ", "two names"),
    ('terminals = ["A1", "A2"]', 'terminals = ["A1", 2, "A2"]', "19:1: point 2 (coil), key terminals: ", "two names"),
    ('terminals = ["A1", "A2"]', 'terminals = "A1, A2"', "19:1: point 2 (coil), key terminals: ", "two names"),
    ('terminals = ["A1", "A2"]', 'terminals = ["A1", "A1"]', "19:1: point 2 (coil), key terminals: ", "the same"),
    ('terminals = ["A1", "A2"]', 'terminals = ["A1", "A234567890123"]', "19:1: point 2 (coil), key", "longer than 12"),
    ('quantity = "resistance"', 'quantity = "ohms"', "20:1: point 2 (coil), key quantity: ", "'ohms' is not known"),
    ('quantity = "resistance"', 'quantity = "battery"', "20:1: point 2 (coil), key quantity: ", "not known"),
    ('quantity = "resistance"', 'quantity = ["voltage"]', "20:1: point 2 (coil), key quantity: ", "not known"),
    ('quantity = "resistance"', 'quantity = "voltage"', "20:1: point 2 (coil), key quantity: ", "about resistance"),
    ('quantity = "capacitance"', 'quantity = "current"', "9:1: point 1 (herm), key quantity: ", "about capacitance"),
    ('check = "coil"', 'check = "coils"', "22:1: point 2 (coil), key check: ", "'coils' is not known"),
    ('check = "coil"', 'check = "insulation"', "23:1: point 2 (coil), key low: ", "a low limit alone"),
    ('check = "coil"', 'coupling = "AC"\ncheck = "coil"', "22:1: point 2 (coil), key coupling: ", "neither AC nor DC"),
    ('check = "coil"', f'check = "coil"\ncaution = "{"x" * 401}"', "23:1: point 2 (coil), key caution: ", "than 400"),
    ('rated = "45 uF"', 'rated = "45"', "12:1: point 1 (herm), key rated: ", "unit is missing"),
    ('rated = "45 uF"', "rated = 45", "12:1: point 1 (herm), key rated: ", "has no unit"),
    ('rated = "45 uF"', 'rated = "45 ohm"', "12:1: point 1 (herm), key rated: ", "unit of resistance"),
    ('rated = "45 uF"', 'rated = "0 uF"', "12:1: point 1 (herm), key rated: ", "cannot be"),
    ('rated = "45 uF"', 'low = "45 uF"', "12:1: point 1 (herm), key low: ", "a rating has no two limits"),
    ('rated = "45 uF"', "", "13:1: point 1 (herm), key tolerance: ", "no rating that it belongs to"),
    ('tolerance = "6 %"', 'tolerance = "6"', "13:1: point 1 (herm), key tolerance: ", "no unit"),
    ('tolerance = "6 %"', "tolerance = 6", "13:1: point 1 (herm), key tolerance: ", "not text"),
    ('low = "10 ohm"', 'low = "20 ohm"', "23:1: point 2 (coil), key low: ", "is above"),
    ('low = "10 ohm"', 'low = "-1 ohm"', "23:1: point 2 (coil), key low: ", "never negative"),
    ('low = "10 ohm"\nhigh = "0.018 kohm"', 'high = "-1 ohm"', "23:1: point 2 (coil), key high: ", "never negative"),
    ('low = "10 ohm"\nhigh = "0.018 kohm"', 'rated = "20 ohm"', "23:1: point 2 (coil), key rated: ", "its tolerance"),
    ('low = "10 ohm"', 'lowest = "20 ohm"', "23:1: point 2 (coil), key lowest: ", "Did you mean low?"),
    ('low = "10 ohm"', '"\\u001b[2J" = 1', "23:1: point 2 (coil), key (2J: ", "'\\x1b[2J' is not a field"),
]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize(("old", "new", "where", "says"), WRONG)
def test_what_is_wrong_is_said_with_its_place(old: str, new: str, where: str, says: str, newline: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new).replace("\n", newline)
    checked = check_plan(text)
    assert checked.plan is None
    first = checked.errors[0]
    assert str(first).startswith(where), str(first)
    assert says in str(first)
    assert first.remedy
    assert str(first).isprintable()


@pytest.mark.parametrize(("old", "new", "where", "says"), WRONG)
def test_whoever_loads_it_is_told_the_file_and_the_first_error(
    tmp_path: Path, old: str, new: str, where: str, says: str
) -> None:
    file = write(tmp_path, GOOD.replace(old, new))
    with pytest.raises(PlanError) as caught:
        load_plan(file)
    assert says in str(caught.value)
    assert f"{file}, line {where.partition(':')[0]}" in caught.value.message
    assert caught.value.remedy
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('name = "x"', "1:1: no test points are listed."),
        ('name = "x"\npoint = []', "2:1: key point: these are no test points."),
        ('name = "x"\n[point]\nkey = "a"', "2:1: key point: these are no test points."),
        ('name = "x"\npoint = [1]', "2:10: point 1 (no key): 1 is not a table."),
        ('name = "x"\npoint = [{ key = "a", quantity = "ohms" }]', "2:23: point 1 (a), key quantity: 'ohms' is"),
    ],
)
def test_what_is_no_table_of_points(text: str, says: str) -> None:
    found = [str(finding) for finding in check_plan(text).errors]
    assert any(line.startswith(says) for line in found), found


def test_everything_wrong_is_said_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = GOOD
    for old, new in (
        ('circuit = "compressor"', ""),
        ('rated = "45 uF"', 'rated = "45 ohm"'),
        ('key = "coil"', 'key = "herm"'),
        ('state = "isolated and discharged"\ncheck = "coil"', 'state = "off"\ncheck = "coil"'),
        ('low = "10 ohm"', 'low = "20 ohm"'),
    ):
        assert old in text
        text = text.replace(old, new)
    found = [(finding.position, finding.location) for finding in check_plan(text).errors]
    assert found == [
        ((3, 1), "point 1 (herm)"),
        ((12, 1), "point 1 (herm), key rated"),
        ((16, 1), "point 2 (herm), key key"),
        ((21, 1), "point 2 (herm), key state"),
        ((23, 1), "point 2 (herm), key low"),
    ]
    with pytest.raises(PlanError, match="lists 4 more"):
        load_plan(write(tmp_path, text))


def doubts(text: str) -> list[str]:
    checked = check_plan(text)
    assert checked.plan is not None
    return [str(finding) for finding in checked.problems]


WHY = 'why = "Because."\n'
WHOLE = GOOD.replace('tolerance = "6 %"\n', f'tolerance = "6 %"\n{WHY}') + WHY
THIRD = WHOLE.partition("[[point]]")[2].partition("[[point]]")[0].replace('"herm"', '"third"')


def test_a_whole_plan_is_beyond_doubt() -> None:
    assert doubts(WHOLE) == []


def test_a_point_without_limits_or_reason_is_doubtful() -> None:
    found = doubts(GOOD.replace('rated = "45 uF"\ntolerance = "6 %"\n', ""))
    assert [line.split(". ")[0] for line in found] == [
        "3:1: warning: point 1 (herm): there is nothing to hold a reading against yet",
        "3:1: warning: point 1 (herm): it does not say why",
        "13:1: warning: point 2 (coil): it does not say why",
    ]


@pytest.mark.parametrize(
    ("old", "new", "warned"),
    [
        ("", "", True),
        ('["C", "HERM"]', '["HERM", "C"]', True),
        ('"C"', '"FAN"', False),
        ('component = "run', 'component = "other run', False),
        ('state = "isolated and discharged"', 'state = "energized"', False),  # before and after
    ],
)
def test_the_same_terminals_twice_are_doubtful(old: str, new: str, warned: bool) -> None:
    found = doubts(f"{WHOLE}[[point]]{THIRD.replace(old, new) if old else THIRD}")
    assert bool(found) is warned
    if warned:
        assert "key terminals: point 1 already has" in found[0]
        assert found[0].startswith("32:1: warning: point 3 (third)")


def test_power_on_and_off_and_on_is_doubtful() -> None:
    live = WHOLE.replace('state = "isolated and discharged"\ncheck = "coil"', 'state = "energized"\ncheck = "coil"')
    assert doubts(live) == []  # the proof comes last
    (found,) = doubts(f"{live}[[point]]{THIRD}")
    assert found.startswith("22:1: warning: point 2 (coil), key state: it is energized and stands between")


@given(st.text(max_size=60) | st.text(alphabet='[]{}=", \nabcpoint', max_size=60))
def test_no_text_is_too_much(text: str) -> None:
    checked = check_plan(text)
    assert checked.plan is None
    assert all(str(finding).isprintable() for finding in checked.problems)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from([*POINT_FIELDS, "other"]), VALUES), st.sampled_from(POINT_FIELDS), VALUES)
def test_whatever_a_point_holds_it_is_read_or_complained_about(
    entry: dict[str, object], field: str, value: object
) -> None:
    good = tomllib.loads(GOOD)["point"][0]
    for point in (entry, good | {field: value}):
        read, problems = read_point(point, ("point", 0))
        if read is None:
            assert problems
            assert all(f"{one.message} {one.remedy}".isprintable() for one in problems)
        else:
            limits_for(read)


@pytest.mark.parametrize("text", [f"a = {'[' * 20_000}", f"a = {'1' * 5_000}", "\ufeffname = 1"])
def test_hostile_text_is_an_error_as_any_other(text: str) -> None:
    assert check_plan(text).errors


def test_files_that_are_no_plans(tmp_path: Path) -> None:
    binary = tmp_path / "binary"
    binary.write_bytes(b"\xff\xfe\x00")
    large = tmp_path / "large"
    large.write_bytes(b"#" * (1 << 20) + b"\n")
    for name in (str(binary), str(large), str(tmp_path), "\0"):
        with pytest.raises(PlanError) as caught:
            load_plan(name)
        assert caught.value.remedy


def test_a_byte_order_mark_is_not_the_plan_s_fault(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.strip().encode())
    assert load_plan(str(file)).name == "pump"


def test_a_missing_file_says_which_plans_there_are(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="split-condenser"):
        load_plan(str(tmp_path / "none.toml"))


def variant(old: str, new: str) -> TestPoint:
    assert old in GOOD
    checked = check_plan(GOOD.replace(old, new))
    assert checked.plan is not None, checked.errors
    return checked.plan.points[0 if old in GOOD.partition("coil")[0] else 1]


def edges(point: TestPoint) -> tuple[str, str, str]:
    limits = limits_for(point)
    assert limits is not None
    return str(limits.low), str(limits.high), limits.unit


def test_a_rating_of_any_quantity() -> None:
    block = GOOD[GOOD.index('quantity = "resistance"') :]
    volts = (
        'quantity = "voltage"\ncoupling = "AC"\nstate = "energized"\ncheck = "range"\nrated = "230 V"\ntolerance = "{}"'
    )
    point = variant(block, volts.format("10 %"))
    assert edges(point) == ("207", "253", "V")
    assert point.coupling is Coupling.AC
    assert edges(variant(block, volts.format("-15/+10 %"))) == ("195.5", "253", "V")
    assert edges(variant(block, volts.format("5 V"))) == ("225", "235", "V")


def test_a_start_capacitor_s_two_limits() -> None:
    point = variant('rated = "45 uF"\ntolerance = "6 %"', 'low = "189 uF"\nhigh = "227 uF"')
    assert edges(point) == ("189", "227", "µF")
    # An open section is recognised without a rating, too.
    judged = judge(point.kind, limits_for(point), MeasuredValue(point.quantity, Decimal("0.1"), "µF", Decimal("0.1")))
    assert judged.verdict is Verdict.OPEN


def test_temperature_has_limits_and_no_rating() -> None:
    lines = 'quantity = "temperature"\nstate = "energized"\ncheck = "range"\n'
    block = GOOD[GOOD.index('quantity = "resistance"') :]
    assert edges(variant(block, lines + 'low = "-5 °C"\nhigh = "5 °C"')) == ("-5", "5", "°C")
    (error,) = check_plan(GOOD.replace(block, lines + 'rated = "20 °C"\ntolerance = "2 °C"')).errors
    assert "no rating" in error.message


def test_insulation_is_held_against_the_least() -> None:
    point = variant('check = "coil"\nlow = "10 ohm"\nhigh = "0.018 kohm"', 'check = "insulation"\nlow = "1 Mohm"')
    assert (point.kind, str(point.specification)) == (PointKind.INSULATION, "at least 1 MΩ")


@pytest.mark.parametrize(
    ("text", "quantity", "check", "means"),
    [
        ("45 uF", Quantity.CAPACITANCE, PointKind.CAPACITOR, "45 µF"),
        ("45uF 6 %", Quantity.CAPACITANCE, PointKind.CAPACITOR, "45 µF 6 %"),
        ("45 MFD J", Quantity.CAPACITANCE, PointKind.CAPACITOR, "45 µF J"),
        ("10 to 18 ohm", Quantity.RESISTANCE, PointKind.COIL, "10 to 18 Ω"),
        ("10-18 ohm", Quantity.RESISTANCE, PointKind.COIL, "10 to 18 Ω"),
        ("1k to 2k", Quantity.RESISTANCE, PointKind.RANGE, "1 to 2 kΩ"),
        ("at most 250 mV", Quantity.VOLTAGE, PointKind.RANGE, "at most 250 mV"),
        ("-5 to 20 °C", Quantity.TEMPERATURE, PointKind.RANGE, "-5 to 20 °C"),
        ("40 % to 60 %", Quantity.RATIO, PointKind.RANGE, "40 to 60 %"),
        ("45 uF -10/+30 %", Quantity.CAPACITANCE, PointKind.CAPACITOR, "45 µF -10/+30 %"),
        ("45 uF 0.5 uF", Quantity.CAPACITANCE, PointKind.CAPACITOR, "45 µF 0.5 uF"),
        ("189-227 uF", Quantity.CAPACITANCE, PointKind.CAPACITOR, "189 to 227 µF"),
        ("at least 40 uF", Quantity.CAPACITANCE, PointKind.CAPACITOR, "at least 40 µF"),
        ("230 V 10 %", Quantity.VOLTAGE, PointKind.RANGE, "230 V 10 %"),
        ("230V ±10%", Quantity.VOLTAGE, PointKind.RANGE, "230 V ±10%"),
        ("230 V -15/+10 %", Quantity.VOLTAGE, PointKind.RANGE, "230 V -15/+10 %"),
        ("230 V +10/-15 %", Quantity.VOLTAGE, PointKind.RANGE, "230 V +10/-15 %"),
        ("208-230 V", Quantity.VOLTAGE, PointKind.RANGE, "208 to 230 V"),
        ("12 ohm 10 %", Quantity.RESISTANCE, PointKind.COIL, "12 Ω 10 %"),
        ("at least 1 Mohm", Quantity.RESISTANCE, PointKind.INSULATION, "at least 1 MΩ"),
    ],
)
def test_what_somebody_types_off_the_part(text: str, quantity: Quantity, check: PointKind, means: str) -> None:
    against = parse_specification(text, quantity, check)
    assert str(against) == means
    assert str(parse_specification(str(against), quantity, check)) == means  # what is kept can be read again


@given(
    st.decimals("0.1", "1000", places=1),
    st.sampled_from(["V", "Ω", "µF", "A"]),
    st.sampled_from(
        ["6 %", "±6%", "J", "-10/+30 %", "- 10 / + 30 %", "-0 +20 %", "+20 -0 %", "+10 %, -5 %", "0.05 {}"]
    ),
)
def test_a_kept_rating_can_be_read_again(value: Decimal, unit: str, tolerance: str) -> None:
    rating = Rating(Amount(value, unit), tolerance.format(unit))
    assert parse_specification(str(rating), quantity_of(unit), PointKind.RANGE) == rating


@given(st.decimals("-10", "1000", places=1) | st.none(), st.decimals("1000", "2000", places=1) | st.none())
def test_kept_limits_can_be_read_again(low: Decimal | None, high: Decimal | None) -> None:
    assume(low is not None or high is not None)
    span = Span(low, high, "mV")
    assert parse_specification(str(span), Quantity.VOLTAGE, PointKind.RANGE) == span


@pytest.mark.parametrize(
    ("text", "quantity", "check", "says"),
    [
        ("", Quantity.RESISTANCE, PointKind.COIL, "two limits"),
        ("ten", Quantity.RESISTANCE, PointKind.COIL, "two limits"),
        ("18 to 10 ohm", Quantity.RESISTANCE, PointKind.COIL, "is above"),
        ("10 ohm", Quantity.RESISTANCE, PointKind.COIL, "two limits"),
        ("10 to 18", Quantity.RESISTANCE, PointKind.COIL, "unit is missing"),
        ("10 to 18 V", Quantity.RESISTANCE, PointKind.COIL, "unit of voltage"),
        ("to ohm", Quantity.RESISTANCE, PointKind.COIL, "two limits"),
        ("at most -1 ohm", Quantity.RESISTANCE, PointKind.COIL, "never negative"),
        ("at most 1 ohm", Quantity.RESISTANCE, PointKind.INSULATION, "low limit alone"),
        ("1 to 2 Mohm", Quantity.RESISTANCE, PointKind.INSULATION, "low limit alone"),
        ("1 Mohm 10 %", Quantity.RESISTANCE, PointKind.INSULATION, "least resistance"),
        ("0 V ±10 %", Quantity.VOLTAGE, PointKind.RANGE, "cannot be"),
        ("230 V ±100 %", Quantity.VOLTAGE, PointKind.RANGE, "nothing at all"),
        ("45", Quantity.CAPACITANCE, PointKind.CAPACITOR, "unit is missing"),
        ("45 uF 6", Quantity.CAPACITANCE, PointKind.CAPACITOR, "no unit"),
        ("20 °C ±10 %", Quantity.TEMPERATURE, PointKind.RANGE, "no rating"),
    ],
)
def test_what_makes_no_sense_as_limits(text: str, quantity: Quantity, check: PointKind, says: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_specification(text, quantity, check)
    assert says in caught.value.message
    assert caught.value.remedy
