"""Plan files: read, or reported with line, column and remedy."""

import tomllib
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint, VoltageBand
from meterlink.core.errors import InputError, PlanError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, quantity_of
from meterlink.core.verdicts import Verdict
from meterlink.judge.judging import MeasuredValue, judge, limits_for
from meterlink.plans import check_plan, load_plan, parse_specification
from meterlink.plans.point_table import POINT
from meterlink.tomlfile.field_types import Wrong
from meterlink.tomlfile.problems import PathProblem
from support.point_texts import HERM_POINT

GOOD = f"""
name = "pump"{HERM_POINT}
[[point]]
key = "coil"
circuit = "control"
component = "contactor coil"
terminals = ["A1", "A2"]
quantity = "resistance"
state = "isolated and discharged"
kind = "coil"
low = "10 ohm"
high = "0.018 kohm"
"""

VOLTS = TestPoint("v", "supply", "line", ("L1", "L2"), Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE)


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


# (old text in GOOD, new text, line:column and location of the error, message)
WRONG = [
    ('name = "pump"', "", "1:1: ", "name is missing"),
    ('name = "pump"', f'name = "{"x" * 81}"', "2:1: name: ", "longer than 80"),
    ('name = "pump"', "name = pump", "2:8: ", "not valid TOML"),
    ('name = "pump"', 'name = "pump"\nversion = 1', "3:1: version: ", "not a field"),
    ("[[point]]", "[[points]]", "3:1: points: ", "Did you mean point?"),
    ("[[point]]", "[point]", "15:7: ", "not valid TOML"),
    ('key = "herm"', 'key = "Herm!"', "4:1: point 1 (Herm!), key: ", "'Herm!' cannot be used"),
    ('key = "herm"', "key = 7", "4:1: point 1, key: ", "7 is not text"),
    ('key = "coil"', 'key = "herm"', "16:1: point 2 (herm), key: ", "another point has the key 'herm'"),
    ('circuit = "control"', "", "15:1: point 2 (coil): ", "circuit is missing"),
    ('circuit = "control"', "circuit = 7", "17:1: point 2 (coil), circuit: ", "7 is not text"),
    ('circuit = "control"', 'circuit = " "', "17:1: point 2 (coil), circuit: ", "empty"),
    ('circuit = "control"', f'circuit = "{"x" * 41}"', "17:1: point 2 (coil), circuit: ", "longer than 40"),
    ('terminals = ["A1", "A2"]', 'terminals = ["A1"]', "19:1: point 2 (coil), terminals: ", "it has 1 item, not 2"),
    (
        'terminals = ["A1", "A2"]',
        'terminals = ["A1", 2, "A2"]',
        "19:1: point 2 (coil), terminals: ",
        "it has 3 items, not 2",
    ),
    ('terminals = ["A1", "A2"]', 'terminals = "A1, A2"', "19:1: point 2 (coil), terminals: ", "not a list"),
    ('terminals = ["A1", "A2"]', 'terminals = ["A1", "A1"]', "19:20: point 2 (coil), terminals 2: ", "listed twice"),
    (
        'terminals = ["A1", "A2"]',
        'terminals = ["A1", "A234567890123"]',
        "19:20: point 2 (coil), terminals 2: ",
        "longer than 12",
    ),
    ('quantity = "resistance"', 'quantity = "ohms"', "20:1: point 2 (coil), quantity: ", "'ohms' is not known"),
    ('quantity = "resistance"', 'quantity = "battery"', "20:1: point 2 (coil), quantity: ", "not known"),
    ('quantity = "resistance"', 'quantity = ["voltage"]', "20:1: point 2 (coil), quantity: ", "not text"),
    (
        'quantity = "resistance"',
        'quantity = "voltage"',
        "20:1: point 2 (coil), quantity: ",
        "a coil point measures resistance",
    ),
    (
        'quantity = "capacitance"',
        'quantity = "current"',
        "9:1: point 1 (herm), quantity: ",
        "a capacitor point measures capacitance",
    ),
    ('kind = "coil"', 'kind = "coils"', "22:1: point 2 (coil), kind: ", "'coils' is not known"),
    ('kind = "coil"', 'kind = "insulation"', "23:1: point 2 (coil), low: ", "a low limit alone"),
    ('kind = "coil"', 'coupling = "AC"\nkind = "coil"', "22:1: point 2 (coil), coupling: ", "neither AC nor DC"),
    ('kind = "coil"', f'kind = "coil"\ncaution = "{"x" * 401}"', "23:1: point 2 (coil), caution: ", "than 400"),
    ('rated = "45 uF"', 'rated = "45"', "12:1: point 1 (herm), rated: ", "unit is missing"),
    ('rated = "45 uF"', "rated = 45", "12:1: point 1 (herm), rated: ", "not text with a number and its unit"),
    ('rated = "45 uF"', 'rated = "45 ohm"', "12:1: point 1 (herm), rated: ", "unit of resistance"),
    ('rated = "45 uF"', 'rated = "0 uF"', "12:1: point 1 (herm), rated: ", "must be above zero"),
    (
        'rated = "45 uF"',
        'rated = "45 uF"\nlow = "45 uF"',
        "13:1: point 1 (herm), low: ",
        "a rating or limits, not both",
    ),
    ('rated = "45 uF"', "", "13:1: point 1 (herm), tolerance: ", "a tolerance needs a rating"),
    ('tolerance = "6 %"', 'tolerance = "6"', "13:1: point 1 (herm), tolerance: ", "no unit"),
    ('tolerance = "6 %"', "tolerance = 6", "13:1: point 1 (herm), tolerance: ", "not text"),
    ('low = "10 ohm"', 'low = "20 ohm"', "23:1: point 2 (coil), low: ", "is above"),
    ('low = "10 ohm"', 'low = "-1 ohm"', "23:1: point 2 (coil), low: ", "never negative"),
    ('low = "10 ohm"\nhigh = "0.018 kohm"', 'high = "-1 ohm"', "23:1: point 2 (coil), high: ", "never negative"),
    ('low = "10 ohm"\nhigh = "0.018 kohm"', 'rated = "20 ohm"', "23:1: point 2 (coil), rated: ", "its tolerance"),
    ('low = "10 ohm"', 'lowest = "20 ohm"', "23:1: point 2 (coil), lowest: ", "Did you mean low?"),
    ('low = "10 ohm"', 'limits = "on site"', "24:1: point 2 (coil), high: ", "read on site"),
    ('low = "10 ohm"\nhigh = "0.018 kohm"', 'limits = "later"', "23:1: point 2 (coil), limits: ", "on site"),
    ('low = "10 ohm"\nhigh = "0.018 kohm"', "limits = 3", "23:1: point 2 (coil), limits: ", '3 is not "on site"'),
    ('low = "10 ohm"', '"\\u001b[2J" = 1', "23:1: point 2 (coil), (2J: ", "'\\x1b[2J' is not a field"),
]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize(("old", "new", "start", "message"), WRONG)
def test_an_error_has_its_position_and_a_remedy(old: str, new: str, start: str, message: str, newline: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new).replace("\n", newline)
    checked = check_plan(text)
    assert checked.value is None
    first = checked.errors[0]
    assert str(first).startswith(start), str(first)
    assert message in str(first)
    assert first.remedy
    assert str(first).isprintable()


@pytest.mark.parametrize(("old", "new", "start", "message"), WRONG)
def test_loading_raises_with_the_file_and_the_first_error(
    tmp_path: Path, old: str, new: str, start: str, message: str
) -> None:
    file = write(tmp_path, GOOD.replace(old, new))
    with pytest.raises(PlanError) as caught:
        load_plan(file)
    assert message in str(caught.value)
    assert caught.value.message.startswith(f"{file}:{start.partition(' ')[0]}")


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ('name = "x"', "1:1: point is missing. Write each as [[point]]."),
        ('name = "x"\npoint = []', "2:1: point: it has no tables, not 1 to 500."),
        (
            'name = "x"\n[point]\nkey = "a"',
            "2:1: point: {'key': 'a'} is not a list of tables. Write each as [[point]].",
        ),
        ('name = "x"\npoint = [1]', "2:10: point 1: 1 is not a table. Write it as [[point]]."),
        ('name = "x"\npoint = [{ key = "a", quantity = "ohms" }]', "2:23: point 1 (a), quantity: 'ohms' is"),
    ],
)
def test_errors_of_the_list_of_test_points(text: str, start: str) -> None:
    errors = [str(problem) for problem in check_plan(text).errors]
    assert any(error.startswith(start) for error in errors), errors


def test_all_errors_are_reported_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = GOOD
    for old, new in (
        ('circuit = "compressor"', ""),
        ('rated = "45 uF"', 'rated = "45 ohm"'),
        ('key = "coil"', 'key = "herm"'),
        ('state = "isolated and discharged"\nkind = "coil"', 'state = "off"\nkind = "coil"'),
        ('low = "10 ohm"', 'low = "20 ohm"'),
    ):
        assert old in text
        text = text.replace(old, new)
    errors = [(problem.position, problem.location) for problem in check_plan(text).errors]
    assert errors == [
        ((3, 1), "point 1 (herm)"),
        ((12, 1), "point 1 (herm), rated"),
        ((16, 1), "point 2 (herm), key"),
        ((21, 1), "point 2 (herm), state"),
        ((23, 1), "point 2 (herm), low"),
    ]
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, text))
    assert len(caught.value.message.splitlines()) == len(errors)


def warnings_of(text: str) -> list[str]:
    checked = check_plan(text)
    assert checked.value is not None
    return [str(problem) for problem in checked.problems]


WHY = 'why = "Because."\n'
WHOLE = GOOD.replace('tolerance = "6 %"\n', f'tolerance = "6 %"\n{WHY}') + WHY
THIRD = WHOLE.partition("[[point]]")[2].partition("[[point]]")[0].replace('"herm"', '"third"')


def test_a_complete_plan_has_no_warning() -> None:
    assert warnings_of(WHOLE) == []


def test_a_point_without_limits_or_why_gets_a_warning() -> None:
    warnings = warnings_of(GOOD.replace('rated = "45 uF"\ntolerance = "6 %"\n', ""))
    assert [warning.split(". ")[0] for warning in warnings] == [
        "3:1: warning: point 1 (herm): it has no limits",
        "3:1: warning: point 1 (herm): why is missing",
        "13:1: warning: point 2 (coil): why is missing",
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
def test_the_same_terminals_twice_get_a_warning(old: str, new: str, warned: bool) -> None:
    warnings = warnings_of(f"{WHOLE}[[point]]{THIRD.replace(old, new) if old else THIRD}")
    assert bool(warnings) is warned
    if warned:
        assert "terminals: point 1 already has" in warnings[0]
        assert warnings[0].startswith("32:1: warning: point 3 (third)")


def test_power_on_and_off_and_on_gets_a_warning() -> None:
    live = WHOLE.replace('state = "isolated and discharged"\nkind = "coil"', 'state = "energized"\nkind = "coil"')
    assert warnings_of(live) == []  # the proof comes last
    (warning,) = warnings_of(f"{live}[[point]]{THIRD}")
    assert warning.startswith("22:1: warning: point 2 (coil), state: it is energized between isolated points")


@given(st.text(max_size=60) | st.text(alphabet='[]{}=", \nabcpoint', max_size=60))
def test_no_text_crashes_the_check(text: str) -> None:
    checked = check_plan(text)
    assert checked.value is None
    assert all(str(problem).isprintable() for problem in checked.problems)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


POINT_FIELDS = [key.name for key in POINT.keys]


@given(st.dictionaries(st.sampled_from([*POINT_FIELDS, "other"]), VALUES), st.sampled_from(POINT_FIELDS), VALUES)
def test_any_table_of_a_point_is_read_or_has_a_problem(entry: dict[str, object], field: str, value: object) -> None:
    good = tomllib.loads(GOOD)["point"][0]
    for table in (entry, good | {field: value}):
        problems: list[PathProblem] = []
        point = POINT.read(table, ("point", 0), problems)
        if isinstance(point, Wrong):
            assert problems
            assert all(f"{problem.message} {problem.remedy}".isprintable() for problem in problems)
        else:
            assert not problems
            limits_for(point)


@pytest.mark.parametrize("text", [f"a = {'[' * 20_000}", f"a = {'1' * 5_000}", "\ufeffname = 1"])
def test_hostile_text_is_an_ordinary_error(text: str) -> None:
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


def test_a_byte_order_mark_is_ignored(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(b"\xef\xbb\xbf" + GOOD.strip().encode())
    assert load_plan(str(file)).name == "pump"


def test_the_error_of_a_missing_file_lists_the_shipped_plans(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="split-condenser"):
        load_plan(str(tmp_path / "none.toml"))


def variant(old: str, new: str) -> TestPoint:
    assert old in GOOD
    checked = check_plan(GOOD.replace(old, new))
    assert checked.value is not None, checked.errors
    return checked.value.points[0 if old in GOOD.partition("coil")[0] else 1]


def edges(point: TestPoint) -> tuple[str, str, str]:
    limits = limits_for(point)
    assert limits is not None
    return str(limits.low), str(limits.high), limits.unit


def test_a_rating_of_any_quantity() -> None:
    block = GOOD[GOOD.index('quantity = "resistance"') :]
    volts = (
        'quantity = "voltage"\ncoupling = "AC"\nstate = "energized"\nkind = "range"\nrated = "230 V"\ntolerance = "{}"'
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
    lines = 'quantity = "temperature"\nstate = "energized"\nkind = "range"\n'
    block = GOOD[GOOD.index('quantity = "resistance"') :]
    assert edges(variant(block, lines + 'low = "-5 °C"\nhigh = "5 °C"')) == ("-5", "5", "°C")
    (error,) = check_plan(GOOD.replace(block, lines + 'rated = "20 °C"\ntolerance = "2 °C"')).errors
    assert "no rating" in error.message


def test_insulation_has_a_low_limit() -> None:
    point = variant('kind = "coil"\nlow = "10 ohm"\nhigh = "0.018 kohm"', 'kind = "insulation"\nlow = "1 Mohm"')
    assert (point.kind, str(point.specification)) == (PointKind.INSULATION, "at least 1 MΩ")


def test_locked_rotor_amps_stand_beside_the_rated_amps() -> None:
    lines = 'quantity = "current"\nstate = "energized"\nkind = "range"\n'
    block = GOOD[GOOD.index('quantity = "resistance"') :]
    point = variant(block, lines + 'high = "14.1 A"\nlocked_rotor = "77 A"')
    assert point.specification == Span(None, Decimal("14.1"), "A", locked_rotor=Decimal(77))
    limits = limits_for(point)
    assert limits is not None
    assert (limits.high, limits.basis) == (Decimal("14.1"), "at most 14.1 A")
    for wrong, message in (
        ('locked_rotor = "77 A"', "beside the rated amps"),
        ('limits = "on site"\nlocked_rotor = "77 A"', "beside the rated amps"),
        ('high = "14.1 A"\nlocked_rotor = "9 A"', "must be above"),
        ('high = "14.1 A"\nlocked_rotor = "77 V"', "current"),
    ):
        (error,) = check_plan(GOOD.replace(block, lines + wrong)).errors
        assert message in error.message


@pytest.mark.parametrize(
    ("text", "quantity", "kind", "specification"),
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
        # As a nameplate has the amps of a motor: common practice, no source.
        ("RLA 14.1 A, LRA 77 A", Quantity.CURRENT, PointKind.RANGE, "at most 14.1 A, locked rotor 77 A"),
        ("14.1 A RLA 77 A LRA", Quantity.CURRENT, PointKind.RANGE, "at most 14.1 A, locked rotor 77 A"),
        ("RLA 14.1 LRA 77", Quantity.CURRENT, PointKind.RANGE, "at most 14.1 A, locked rotor 77 A"),
        ("fla 1.1A / lra 2.4A", Quantity.CURRENT, PointKind.RANGE, "at most 1.1 A, locked rotor 2.4 A"),
        ("10 to 14.1 A, locked rotor 77 A", Quantity.CURRENT, PointKind.RANGE, "10 to 14.1 A, locked rotor 77 A"),
    ],
)
def test_text_typed_off_a_part(text: str, quantity: Quantity, kind: PointKind, specification: str) -> None:
    parsed = parse_specification(text, quantity, kind)
    assert str(parsed) == specification
    assert str(parse_specification(str(parsed), quantity, kind)) == specification  # the stored text is read again


@given(
    st.decimals("0.1", "1000", places=1),
    st.sampled_from(["V", "Ω", "µF", "A"]),
    st.sampled_from(
        ["6 %", "±6%", "J", "-10/+30 %", "- 10 / + 30 %", "-0 +20 %", "+20 -0 %", "+10 %, -5 %", "0.05 {}"]
    ),
)
def test_a_stored_rating_is_read_again(value: Decimal, unit: str, tolerance: str) -> None:
    rating = Rating(Amount(value, unit), tolerance.format(unit))
    assert parse_specification(str(rating), quantity_of(unit), PointKind.RANGE) == rating


@given(st.decimals("-10", "1000", places=1) | st.none(), st.decimals("1000", "2000", places=1) | st.none())
def test_stored_limits_are_read_again(low: Decimal | None, high: Decimal | None) -> None:
    assume(low is not None or high is not None)
    span = Span(low, high, "mV")
    assert parse_specification(str(span), Quantity.VOLTAGE, PointKind.RANGE) == span


@pytest.mark.parametrize(
    ("text", "quantity", "kind", "message"),
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
        ("0 V ±10 %", Quantity.VOLTAGE, PointKind.RANGE, "must be above zero"),
        ("230 V ±100 %", Quantity.VOLTAGE, PointKind.RANGE, "puts the low limit at zero or below"),
        ("45", Quantity.CAPACITANCE, PointKind.CAPACITOR, "unit is missing"),
        ("45 uF 6", Quantity.CAPACITANCE, PointKind.CAPACITOR, "no unit"),
        ("20 °C ±10 %", Quantity.TEMPERATURE, PointKind.RANGE, "no rating"),
        ("RLA 77 A, LRA 14.1 A", Quantity.CURRENT, PointKind.RANGE, "must be above the rated one"),
        ("at least 14.1 A, LRA 77 A", Quantity.CURRENT, PointKind.RANGE, "must be above the rated one"),
        ("RLA 14.1 A, LRA 77 ohm", Quantity.CURRENT, PointKind.RANGE, "two limits"),
        ("RLA 240 V, LRA 77 V", Quantity.VOLTAGE, PointKind.RANGE, "two limits"),
    ],
)
def test_meaningless_limits(text: str, quantity: Quantity, kind: PointKind, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_specification(text, quantity, kind)
    assert message in caught.value.message
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("text", "band", "kept", "low", "high"),
    [
        ("208 V", VoltageBand.SUPPLY, "208 V supply", "187.2", "228.8"),
        ("208/230", VoltageBand.SUPPLY, "208/230 V supply", "187.2", "253"),
        ("208 / 230 VAC", VoltageBand.SUPPLY, "208/230 V supply", "187.2", "253"),
        ("240", VoltageBand.SUPPLY, "240 V supply", "207", "253"),
        ("24 V", VoltageBand.COIL, "24 V coil", "20.4", "26.4"),
        ("24 V", VoltageBand.CONTROL, "24 V control", "20.4", "30"),
        ("24 V coil", None, "24 V coil", "20.4", "26.4"),
        ("24 V Coil", VoltageBand.SUPPLY, "24 V coil", "20.4", "26.4"),
        # A tolerance or two limits as typed count before the band.
        ("240 V 10 %", VoltageBand.SUPPLY, "240 V 10 %", "216", "264"),
        ("197 to 253 V", VoltageBand.SUPPLY, "197 to 253 V", "197", "253"),
        ("at most 0.2 V", VoltageBand.SUPPLY, "at most 0.2 V", None, "0.2"),
    ],
)
def test_a_marked_voltage_has_the_band_of_its_point(
    text: str, band: VoltageBand | None, kept: str, low: str | None, high: str
) -> None:
    specification = parse_specification(text, Quantity.VOLTAGE, PointKind.RANGE, band)
    assert str(specification) == kept
    limits = limits_for(replace(VOLTS, specification=specification))
    assert limits is not None
    assert (limits.low, limits.high) == (low and Decimal(low), Decimal(high))
    # The text is kept in the database, and read again without its plan.
    assert parse_specification(kept, Quantity.VOLTAGE, PointKind.RANGE) == specification


@pytest.mark.parametrize(
    ("text", "band", "message"),
    [
        ("24 V", None, "two limits"),
        ("208/460", VoltageBand.SUPPLY, "two ways to wire"),
        ("208/230/460 V", VoltageBand.SUPPLY, "two ways to wire"),
        ("0 V", VoltageBand.SUPPLY, "not above zero"),
        ("0 V", VoltageBand.COIL, "not above zero"),
        ("24/240 V", VoltageBand.COIL, "two voltages; a coil has one"),
        ("240 V", VoltageBand.CONTROL, "not a Class 2 control voltage"),
        ("208 ohm", VoltageBand.SUPPLY, "unit of resistance"),
        ("208..", VoltageBand.SUPPLY, "second decimal sign"),
        ("2.0.8 V", VoltageBand.SUPPLY, "second decimal sign"),
    ],
)
def test_a_wrong_marked_voltage_has_a_remedy(text: str, band: VoltageBand | None, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_specification(text, Quantity.VOLTAGE, PointKind.RANGE, band)
    assert message in caught.value.message
    assert caught.value.remedy


def test_limits_read_on_site_get_no_warning() -> None:
    text = GOOD.replace('low = "10 ohm"\nhigh = "0.018 kohm"', 'limits = "on site"')
    checked = check_plan(text)
    assert checked.value is not None
    assert checked.value.points[1].specification is None
    assert not [problem for problem in checked.problems if "limits" in problem.message]
