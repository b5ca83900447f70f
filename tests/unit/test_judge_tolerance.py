from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.units import Amount
from meterlink.judge.tolerance import Tolerance, parse_tolerance

RATED = Amount(Decimal(45), "µF")


@pytest.mark.parametrize(
    ("text", "minus", "plus", "unit"),
    [
        ("6 %", "6", "6", "%"),
        ("6%", "6", "6", "%"),
        ("±6 %", "6", "6", "%"),
        ("+/-6%", "6", "6", "%"),
        ("-10/+30 %", "10", "30", "%"),
        ("+30/-10 %", "10", "30", "%"),
        ("-10%/+30%", "10", "30", "%"),
        ("-0 +20 %", "0", "20", "%"),
        ("-10/+0 %", "10", "0", "%"),  # as a limit that must not be exceeded
        ("0.5 %", "0.5", "0.5", "%"),
        ("\u22125/+10 %", "5", "10", "%"),  # a typographic minus
        ("J", "5", "5", "%"),
        ("k", "10", "10", "%"),
        ("±0.5 uF", "0.5", "0.5", "µF"),
        ("500 nF", "0.500", "0.500", "µF"),
    ],
)
def test_reads_tolerances_as_they_are_written(text: str, minus: str, plus: str, unit: str) -> None:
    assert parse_tolerance(text, RATED) == Tolerance(Decimal(minus), Decimal(plus), unit)


@pytest.mark.parametrize(
    "text", ["", "6", "x", "A", "-5 %", "0 %", "100 %", "-100/+5 %", "5 V", "±45 uF", "+5/+6 %", "6 % or so", "nan %"]
)
def test_refuses_ambiguous_tolerances(text: str) -> None:
    with pytest.raises(InputError):
        parse_tolerance(text, RATED)


@given(st.text(max_size=20))
def test_any_text_is_a_tolerance_or_an_input_error(text: str) -> None:
    try:
        tolerance = parse_tolerance(text, RATED)
    except InputError:
        return
    assert tolerance.minus >= 0
    assert tolerance.plus >= 0


@given(
    st.decimals("0.01", "99", places=2),
    st.decimals("0.01", "500", places=2),
    st.sampled_from(["{m}/{p} %", "{p}/{m} %"]),
)
def test_two_sides_come_back_as_written(minus: Decimal, plus: Decimal, form: str) -> None:
    tolerance = parse_tolerance(form.format(m=f"-{minus}", p=f"+{plus}"), RATED)
    assert (tolerance.minus, tolerance.plus) == (minus, plus)


def test_small_capacitors_take_letters_as_picofarads() -> None:
    # IEC 60062: below 10 pF the letter C means ±0.25 pF, from 10 pF on ±0.25 %.
    assert parse_tolerance("C", Amount(Decimal("4.7"), "pF")) == Tolerance(Decimal("0.25"), Decimal("0.25"), "pF")
    assert parse_tolerance("C", Amount(Decimal(10), "pF")) == Tolerance(Decimal("0.25"), Decimal("0.25"), "%")


@pytest.mark.parametrize("text", ["-1e30V", "1e30 uF", "-6 V"])
def test_an_error_names_the_tolerance_as_typed(text: str) -> None:
    with pytest.raises(InputError) as error:
        parse_tolerance(text, Amount(Decimal(45), "µF"))
    assert repr(text) in str(error.value)
