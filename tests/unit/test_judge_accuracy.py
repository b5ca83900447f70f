from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import PointKind, Rating
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.accuracy import AccuracySheet, accuracy_line_for
from meterlink.judge.judging import judge
from meterlink.judge.limits import rated_limits
from meterlink.judge.measured_value import MeasuredValue, convert_interval
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy, parse_accuracy
from meterlink.settings import MeterSettings
from meterlink.settings.parser import METER
from meterlink.tomlfile.problems import PathProblem

ROWS = [
    {"quantity": "capacitance", "up_to": "10 uF", "resolution": "0.001 uF", "line": "1 % + 3 digits"},
    {"quantity": "capacitance", "up_to": "100 uF", "resolution": "0.01 uF", "line": "2 % + 5 digits"},
    {"quantity": "capacitance", "up_to": "1000 uF", "resolution": "0.1 uF", "line": "3 % + 5 digits"},
    {"quantity": "voltage", "coupling": "AC", "line": "1 % + 3 digits"},
    {"quantity": "voltage", "coupling": "DC", "line": "0.5 % + 2 digits"},
    {"quantity": "temperature", "line": "10 digits"},
]


def read_sheet(rows: object, coefficient: object = None) -> tuple[AccuracySheet | None, list[PathProblem]]:
    """Read a meter with these rows and this coefficient; without it where it is None."""
    problems: list[PathProblem] = []
    meter = {"address": "00:00:5E:00:53:0A", "accuracy": rows}
    more = {} if coefficient is None else {"temperature_coefficient": coefficient}
    read = METER.read(meter | more, (), problems)
    return (read.accuracy_sheet if isinstance(read, MeterSettings) else None), problems


def sheet(rows: list[dict[str, str]] = ROWS, coefficient: str | None = None) -> AccuracySheet:
    found, problems = read_sheet(rows, None if coefficient is None else Decimal(coefficient))
    assert found is not None
    assert not problems
    return found


def measured_value(quantity: Quantity, text: str, coupling: Coupling | None = None) -> MeasuredValue:
    return MeasuredValue.from_amount(quantity, parse_amount(text, quantity), coupling)


@pytest.mark.parametrize(
    ("measured", "line"),
    [
        (measured_value(Quantity.CAPACITANCE, "4.700 uF"), "1 % + 3 digits"),
        (measured_value(Quantity.CAPACITANCE, "4.70 uF"), "2 % + 5 digits"),  # its step identifies the range
        (measured_value(Quantity.CAPACITANCE, "4700 nF"), "1 % + 3 digits"),
        (measured_value(Quantity.CAPACITANCE, "0.00000470 F"), "2 % + 5 digits"),
        (
            measured_value(Quantity.CAPACITANCE, "45 uF"),
            "2 % + 5 digits",
        ),  # no range has this step: the lowest that reaches the value
        (measured_value(Quantity.CAPACITANCE, "100.00 uF"), "2 % + 5 digits"),
        (measured_value(Quantity.CAPACITANCE, "100.1 uF"), "3 % + 5 digits"),
        (measured_value(Quantity.VOLTAGE, "24.0V", Coupling.AC), "1 % + 3 digits"),
        (measured_value(Quantity.VOLTAGE, "-24.0V", Coupling.DC), "0.5 % + 2 digits"),
        (measured_value(Quantity.VOLTAGE, "24.0V"), "1 % + 3 digits"),  # the wider of the two
        (measured_value(Quantity.TEMPERATURE, "75.2F"), "10 digits"),
    ],
)
def test_row_of_a_reading(measured: MeasuredValue, line: str) -> None:
    assert accuracy_line_for(sheet(), measured) == parse_accuracy(line)


@pytest.mark.parametrize(
    "measured", [measured_value(Quantity.CAPACITANCE, "1200 uF"), measured_value(Quantity.RESISTANCE, "14 ohm")]
)
def test_outside_the_sheet_the_line_is_assumed(measured: MeasuredValue) -> None:
    line = accuracy_line_for(sheet(), measured)
    assert line == assumed_accuracy(measured.quantity)
    assert str(line).endswith("assumed")


def test_an_overload_has_a_line_too() -> None:
    overload = MeasuredValue(Quantity.CAPACITANCE, None, "µF", Decimal(0))
    assert not accuracy_line_for(sheet(), overload).assumed


def test_a_row_for_its_own_coupling_comes_first() -> None:
    both = sheet([{"quantity": "current", "line": "3 %"}, {"quantity": "current", "coupling": "AC", "line": "2 %"}])
    assert accuracy_line_for(both, measured_value(Quantity.CURRENT, "4 A", Coupling.AC)).percent == 2
    assert accuracy_line_for(both, measured_value(Quantity.CURRENT, "4 A", Coupling.DC)).percent == 3


@pytest.mark.parametrize(
    ("celsius", "coefficient", "factor"),
    # Within 23 ± 5 °C the line applies; outside it grows by its temperature coefficient, by default 0.1 of it per °C.
    [
        (None, None, "1"), ("18", None, "1"), ("28", None, "1"), ("23", None, "1"),
        ("35", None, "1.7"), ("8", None, "2"), ("35", "0.05", "1.35"), ("50", "0", "1"), ("35", "0.2", "2.4"),
    ],
)  # fmt: skip
def test_temperature_of_use(celsius: str | None, coefficient: str | None, factor: str) -> None:
    measured = measured_value(Quantity.CAPACITANCE, "45.00 uF")
    line = accuracy_line_for(sheet(coefficient=coefficient), measured, None if celsius is None else Decimal(celsius))
    assert (line.percent, line.digits) == (2 * Decimal(factor), 5 * Decimal(factor))
    assert ("widened" in str(line)) is (factor != "1")


@given(st.decimals("-40", "70", places=1), st.decimals("-40", "70", places=1))
def test_a_meter_is_never_better_further_from_its_reference(a: Decimal, b: Decimal) -> None:
    near, far = sorted((a, b), key=lambda celsius: abs(celsius - 23))
    line = AccuracyLine(Decimal(2), Decimal(5))
    assert line.at_temperature(near).percent <= line.at_temperature(far).percent
    assert line.at_temperature(near).digits <= line.at_temperature(far).digits


@pytest.mark.parametrize("celsius", ["-41", "71", "350"])
def test_a_temperature_beyond_any_meter(celsius: str) -> None:
    with pytest.raises(InputError, match="No handheld meter"):
        AccuracyLine(Decimal(1), Decimal(1)).at_temperature(Decimal(celsius))


def test_the_text_of_an_assumed_and_widened_line() -> None:
    line = accuracy_line_for(None, measured_value(Quantity.VOLTAGE, "24.0V"), Decimal(38))
    assert str(line) == "±(2.4 % + 10 digits), widened for 38 °C, assumed"


def test_a_judgement_by_a_sheet() -> None:
    limits = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))
    measured = measured_value(Quantity.CAPACITANCE, "43.00 uF")
    cool, hot = (
        judge(PointKind.CAPACITOR, limits, measured, sheet(), celsius=celsius) for celsius in (None, Decimal(38))
    )
    assert cool.accuracy == "±(2 % + 5 digits)"
    assert hot.accuracy == "±(4 % + 10 digits), widened for 38 °C"
    assert hot.expanded_uncertainty == pytest.approx(2 * (cool.expanded_uncertainty or 0), rel=Decimal("0.01"))


def test_percent_is_of_the_displayed_value() -> None:
    # 1 % of 75.0 °F is 0.75 °F, 0.417 °C; 1 % of the value in °C would be 0.239.
    limits = rated_limits(Rating(Amount(Decimal(24), "°C"), "2 °C"))
    line = AccuracyLine(Decimal(1), Decimal(0))
    judgement = judge(PointKind.RANGE, limits, measured_value(Quantity.TEMPERATURE, "75.0 °F"), line)
    assert judgement.expanded_uncertainty is not None
    assert float(judgement.expanded_uncertainty) == pytest.approx(0.95 * 0.75 / 1.8, rel=0.01)


def test_a_width_has_no_offset() -> None:
    assert convert_interval(Decimal("1.8"), "°F", "°C") == 1
    assert convert_interval(Decimal(1), "°C", "°F") == Decimal("1.8")
    assert convert_interval(Decimal(5), "µF", "nF") == 5000


def test_a_reading_without_a_step_has_four_significant_figures() -> None:
    reading = Reading(Quantity.VOLTAGE, Decimal("24.0312"), "V", Timestamp(0, 0))
    assert MeasuredValue.from_reading(reading).resolution == Decimal("0.01")
    zero = Reading(Quantity.VOLTAGE, Decimal(0), "V", Timestamp(0, 0), coupling=Coupling.AC)
    assert (MeasuredValue.from_reading(zero).resolution, MeasuredValue.from_reading(zero).coupling) == (0, Coupling.AC)
    overload = Reading(Quantity.VOLTAGE, None, "V", Timestamp(0, 0), Status.OVERLOAD)
    assert MeasuredValue.from_reading(overload).resolution == 0


@pytest.mark.parametrize(
    ("text", "percent", "digits"), [("10 digits", "0", "10"), ("3 d", "0", "3"), ("±(2 % + 1 digit)", "2", "1")]
)
def test_lines_of_digits(text: str, percent: str, digits: str) -> None:
    assert parse_accuracy(text) == AccuracyLine(Decimal(percent), Decimal(digits))


@pytest.mark.parametrize("text", ["3", "+ 3 digits", "2 % 3 digits", "2 % +", "()", "±", f"1 % + {'9' * 400} digits"])
def test_half_a_line(text: str) -> None:
    with pytest.raises(InputError, match="accuracy line"):
        parse_accuracy(text)


@given(st.decimals("0", "10", places=2), st.decimals("0", "50", places=1))
def test_a_line_reads_back_as_it_is_written(percent: Decimal, digits: Decimal) -> None:
    line = AccuracyLine(percent, digits)
    assert parse_accuracy(str(line)) == line


def test_no_sheet_at_all() -> None:
    assert read_sheet([]) == (None, [])
    coefficient_only = sheet([], "0.2")
    assert accuracy_line_for(
        coefficient_only, measured_value(Quantity.VOLTAGE, "24.0V"), Decimal(38)
    ).percent == Decimal("3.6")


@pytest.mark.parametrize(
    ("rows", "coefficient", "path", "message"),
    [
        ("2 %", None, ("accuracy",), "'2 %' is not a list of tables."),
        (["2 %"], None, ("accuracy", 0), "'2 %' is not a table."),
        ([{"quantity": "mass", "line": "2 %"}], None, ("accuracy", 0, "quantity"), "'mass' is not known."),
        ([{"line": "2 %"}], None, ("accuracy", 0), "quantity is missing."),
        ([{"quantity": "voltage"}], None, ("accuracy", 0), "line is missing."),
        ([{"quantity": "voltage", "line": ""}], None, ("accuracy", 0, "line"), "'' is not an accuracy line."),
        ([{"quantity": "voltage", "line": 2}], None, ("accuracy", 0, "line"), "2 is not text."),
        (
            [{"quantity": "voltage", "line": "2 %", "range": "600 V"}],
            None,
            ("accuracy", 0, "range"),
            "'range' is not a field here.",
        ),
        (
            [{"quantity": "voltage", "line": "2 %", "coupling": "ac/dc"}],
            None,
            ("accuracy", 0, "coupling"),
            "'ac/dc' is not known.",
        ),
        (
            [{"quantity": "voltage", "line": "2 %", "up_to": "60 ohm"}],
            None,
            ("accuracy", 0, "up_to"),
            "'60 ohm': 'ohm' is a unit of resistance, not of voltage.",
        ),
        (
            [{"quantity": "voltage", "line": "2 %", "up_to": "0 V"}],
            None,
            ("accuracy", 0, "up_to"),
            "it must be above zero, not 0 V.",
        ),
        (
            [{"quantity": "temperature", "line": "2 %", "up_to": "400 °C", "resolution": "720 °F"}],
            None,
            ("accuracy", 0, "resolution"),
            "a step of 720 °F does not fit a range up to 400 °C.",
        ),
        (
            [{"quantity": "voltage", "line": "2 %"}, {"quantity": "voltage", "line": "1 %"}],
            None,
            ("accuracy", 1),
            "row 1 is for the same range.",
        ),
        (
            [{"quantity": "voltage", "line": "2 %", "up_to": f"{top} V"} for top in range(1, 102)],
            None,
            ("accuracy",),
            "it has 101 tables, not 0 to 100.",
        ),
        ([], "0.1", ("temperature_coefficient",), "'0.1' is not a number."),
        ([], True, ("temperature_coefficient",), "true is not a number."),
        ([], Decimal("-0.1"), ("temperature_coefficient",), "-0.1 cannot be used."),
        ([], Decimal("nan"), ("temperature_coefficient",), "nan cannot be used."),
    ],
)
def test_errors_in_a_sheet(rows: object, coefficient: object, path: tuple[str | int, ...], message: str) -> None:
    found, problems = read_sheet(rows, coefficient)
    assert found is None
    assert [(problem.path, problem.message) for problem in problems] == [(path, message)]
    assert problems[0].remedy


def test_the_step_of_a_fahrenheit_range_is_an_interval() -> None:
    row = {"quantity": "temperature", "line": "1 %", "up_to": "1 °C", "resolution": "1 °F"}
    assert sheet([row]).ranges[0].resolution == Amount(Decimal(1), "°F")
