"""The accuracy that a technician enters: a class of meters, or lines of the manual."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.accuracy import AccuracyRange, AccuracySheet
from meterlink.judge.accuracy_entry import (
    AccuracyClass,
    AccuracyEntry,
    class_line,
    describe_class,
    parse_accuracy_entry,
)
from meterlink.judge.measured_value import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy, parse_accuracy

# Ordinary readings, one for each quantity: the width of a line is compared there.
READINGS = {
    Quantity.CAPACITANCE: "45.0 uF",
    Quantity.RESISTANCE: "14.2 ohm",
    Quantity.VOLTAGE: "240.0 V",
    Quantity.CURRENT: "12.4 A",
    Quantity.FREQUENCY: "60.0 Hz",
    Quantity.TEMPERATURE: "21.5 °C",
    Quantity.RATIO: "50.0 %",
}


def measured(quantity: Quantity, text: str, coupling: Coupling | None = None) -> MeasuredValue:
    return MeasuredValue.from_amount(quantity, parse_amount(text, quantity), coupling)


def line_for(text: str, quantity: Quantity, reading: str, coupling: Coupling | None = None) -> str:
    return str(parse_accuracy_entry(text).sheet.line_for(measured(quantity, reading, coupling)))


@pytest.mark.parametrize(
    ("text", "understood"),
    [
        ("good", "good"),
        ("GOOD", "good"),
        ("capacitance: 0.9 % + 2 digits", "basic; capacitance: 0.9 % + 2 digits"),
        ("capacitance 0,9 % + 2 digits", "basic; capacitance: 0.9 % + 2 digits"),  # a decimal comma
        ("uF 0.9% rdg + 2 dgt", "basic; capacitance: 0.9 % + 2 digits"),
        ("V AC ±(1 % + 3)", "basic; voltage AC: 1 % + 3 digits"),
        ("temperature: 1 % + 1 °C", "basic; temperature: 1 % + 1 °C"),
        ("uF up to 100 uF step 0.01 uF: 2 % + 5", "basic; capacitance up to 100 µF, step 0.01 µF: 2 % + 5 digits"),
        ("capacitance 2 % + 5; lab", "lab"),  # a class replaces all before it
        ("current: 2 %; current: 1 % + 3", "basic; current: 1 % + 3 digits"),  # the later line of a range counts
        ("current AC: 2 % + 5; current: 1 %", "basic; current AC: 2 % + 5 digits; current: 1 % + 0 digits"),
        ("good; per °C 0.05", "good; per °C 0.05"),
    ],
)  # fmt: skip
def test_a_text_is_understood_and_shown_as_it_was_understood(text: str, understood: str) -> None:
    entry = parse_accuracy_entry(text)
    assert str(entry) == understood
    assert parse_accuracy_entry(understood) == entry


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", "This is no accuracy. Write a class (basic, good, lab), or a line"),
        (" ; ", "This is no accuracy."),
        ("excellent", "'excellent' is neither a class nor an accuracy line."),
        ("capacitance", "'capacitance' is neither a class nor an accuracy line."),
        ("capacitance: well made", "'well made' is not an accuracy line."),
        ("pressure: 1 %", "'pressure' is no quantity of a meter. Use one of: voltage,"),
        ("battery: 5 %", "'battery' is no quantity of a meter."),
        ("ohm AC: 2 %", "Resistance is neither AC nor DC."),
        ("capacitance up to 100 V: 2 %", "'V' is a unit of voltage, not of capacitance."),
        ("capacitance up to -1 uF: 2 %", "-1 µF is not the size of a range or of a step."),
        ("capacitance up to 1 uF, step 10 uF: 2 %", "A step of 10 µF does not fit a range up to 1 µF."),
        ("current: 1 % + 1 °C", "is the accuracy of a thermometer."),
        # No doubt at all would turn every close call into a clear verdict.
        ("capacitance: 0 % + 0 digits", "No meter is without any error."),
        ("per °C 2", "'2' is no share of an accuracy line per °C."),
        ("capacitance: 2 % + 1,000 digits", "is not an accuracy line."),  # a comma with three digits may be either
        ("; ".join(f"capacitance up to {top} uF: 2 %" for top in range(1, 200)), "more than 100 accuracy lines"),
    ],
)
def test_nonsense_is_refused(text: str, error: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_accuracy_entry(text)
    assert error in str(refused.value)


def test_a_typed_line_takes_the_place_of_the_class_for_its_range_only() -> None:
    """Common practice, no source: the manual of this very meter says more than any class."""
    text = "good; capacitance up to 100 uF: 0.9 % + 2 digits; voltage AC: 0.7 % + 2 digits"
    assert line_for(text, Quantity.CAPACITANCE, "45.0 uF") == "±(0.9 % + 2 digits)"
    assert line_for(text, Quantity.CAPACITANCE, "130 uF") == "±(2 % + 4 digits), class good, assumed"
    assert line_for(text, Quantity.VOLTAGE, "240.0 V", Coupling.AC) == "±(0.7 % + 2 digits)"
    assert line_for(text, Quantity.VOLTAGE, "24.0 V", Coupling.DC) == "±(1 % + 3 digits), class good, assumed"
    # Nothing is entered for temperature, and the class says nothing of it.
    assert line_for(text, Quantity.TEMPERATURE, "21.5 °C") == str(assumed_accuracy(Quantity.TEMPERATURE))


def test_a_line_is_added_to_those_before() -> None:
    before = parse_accuracy_entry("good; capacitance: 0.9 % + 2 digits")
    assert str(before.with_text("voltage: 1 %")) == "good; capacitance: 0.9 % + 2 digits; voltage: 1 % + 0 digits"
    assert str(before.with_text("capacitance: 3 % + 5")) == "good; capacitance: 3 % + 5 digits"
    assert str(before.with_text("basic")) == "basic"


@pytest.mark.parametrize("quantity", READINGS)
def test_a_better_class_never_has_the_wider_line(quantity: Quantity) -> None:
    value = measured(quantity, READINGS[quantity])
    widths = [
        class_line(each, quantity).half_width(value.digits or Decimal(0), value.resolution, value.unit)
        for each in AccuracyClass
    ]
    assert widths == sorted(widths, reverse=True)
    # The weakest class is no better than the line assumed for any meter, and every class is a guess.
    assert class_line(AccuracyClass.BASIC, quantity) == assumed_accuracy(quantity)
    assert all(class_line(each, quantity).assumed for each in AccuracyClass)


def test_a_class_says_what_it_claims() -> None:
    assert describe_class(AccuracyClass.GOOD) == (
        "good: capacitance 2 % + 4 digits, resistance 0.8 % + 3 digits, voltage 1 % + 3 digits, current 2 % + 5 digits"
        " (common practice, no source)"
    )


def test_heat_widens_a_class_and_keeps_its_name() -> None:
    line = class_line(AccuracyClass.GOOD, Quantity.CAPACITANCE).at_temperature(Decimal(38))
    assert str(line) == "±(4 % + 8 digits), class good, widened for 38 °C, assumed"


def _range_of(row: AccuracyRange) -> tuple[object, ...]:
    return row.quantity, row.coupling, row.up_to and row.up_to.digits, row.resolution


_number = st.decimals("0.01", "20", places=2)
_lines = st.builds(AccuracyLine, _number, st.decimals("0", "50", places=1))
_sizes = st.none() | st.builds(Amount, st.decimals("1", "1000", places=1), st.just("µF"))
_rows = st.builds(
    AccuracyRange, st.just(Quantity.CAPACITANCE), _lines, _sizes, st.none() | st.just(parse_amount("0.1 uF"))
)
_volts = st.builds(
    AccuracyRange, st.just(Quantity.VOLTAGE), _lines, st.none(), st.none(), st.none() | st.sampled_from(Coupling)
)


@given(st.lists(_rows | _volts, max_size=8, unique_by=_range_of), st.decimals("0", "1", places=3))
def test_a_sheet_of_the_settings_is_the_same_as_a_text(rows: list[AccuracyRange], coefficient: Decimal) -> None:
    entry = AccuracyEntry.from_sheet(AccuracySheet(tuple(rows), coefficient))
    again = parse_accuracy_entry(str(entry))
    assert again.sheet.temperature_coefficient == coefficient
    assert [(row.line, row.up_to, row.resolution, row.coupling) for row in again.rows] == [
        (row.line, row.up_to, row.resolution, row.coupling) for row in rows
    ]


def test_a_comma_counts_as_a_point_with_one_or_two_decimals() -> None:
    assert parse_accuracy("0,8 % + 2 digits") == parse_accuracy("0.8 % + 2 digits")
    assert parse_accuracy("1,25 %") == parse_accuracy("1.25 %")
