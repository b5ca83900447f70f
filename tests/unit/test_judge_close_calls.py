import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import PointKind, Rating, Span
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.judge.accuracy import Accuracy, AccuracySheet
from meterlink.judge.close_calls import CloseCall
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, GuardedSide
from meterlink.judge.judging import judge
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.measured_value import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy
from meterlink.settings import MeterSettings
from meterlink.settings.parser import METER
from support.measured_values import ohms, volts

VOLTS = span_limits(Span(Decimal(228), Decimal(252), "V"))
COIL = span_limits(Span(Decimal(10), Decimal(18), "Ω"))
CAPACITOR = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))

ROWS = [
    {"quantity": "voltage", "up_to": "600 V", "resolution": "0.1 V", "line": "0.4 % + 3 digits"},
    {"quantity": "voltage", "up_to": "1000 V", "resolution": "1 V", "line": "0.5 % + 5 digits"},
]


def judged(
    text: str, accuracy: Accuracy | str, rule: DecisionRule = SIMPLE_ACCEPTANCE, celsius: str | None = None
) -> Judgement:
    return judge(
        PointKind.RANGE,
        VOLTS,
        volts(text),
        parse_accuracy(accuracy) if isinstance(accuracy, str) else accuracy,
        rule=rule,
        celsius=None if celsius is None else Decimal(celsius),
    )


@pytest.fixture
def sheet() -> AccuracySheet:
    meter = METER.read({"address": "00:00:5E:00:53:0A", "accuracy": ROWS}, (), [])
    assert isinstance(meter, MeterSettings)
    assert meter.accuracy_sheet is not None
    return meter.accuracy_sheet


def test_a_clear_reading_needs_nothing() -> None:
    assert judged("240V", "1 % + 3 digits").next_measurement == ""


def test_where_digits_dominate_a_finer_range_settles_it() -> None:
    assert judged("230V", "0.1 % + 5 digits").next_measurement == "A range that shows 0.1 V would settle it."
    assert judged("230.0V", "0.1 % + 5 digits").margin is Margin.CLEAR


def test_a_range_with_a_fifth_digit_is_not_suggested() -> None:
    assert "range" not in judged("230.0V", "0 % + 40 digits").next_measurement


def test_the_range_named_by_the_sheet_settles_it(sheet: AccuracySheet) -> None:
    assert judged("230V", sheet).next_measurement == "Its range up to 600 V would settle it."
    assert judged("230.0V", sheet).margin is Margin.CLEAR


def test_a_listed_range_that_is_too_coarse_is_not_named(sheet: AccuracySheet) -> None:
    assert "range" not in judged("229V", sheet).next_measurement
    # In the heat no range is fine enough.
    assert "range" not in judged("230V", sheet, celsius="45").next_measurement


def test_a_hot_meter_must_cool_down(sheet: AccuracySheet) -> None:
    judgement = judged("230.0V", sheet, celsius="45")
    assert (
        judgement.next_measurement
        == "The same meter would settle it at 18 to 28 °C: let it warm up or cool down first."
    )


def test_where_percent_dominates_a_better_meter_settles_it() -> None:
    judgement = judged("229.0V", "1 % + 3 digits")
    assert judgement.next_measurement == "A meter good to ±1 V (0.45 %) here would settle it."
    assert judged("229.0V", "0.45 %").margin is Margin.CLEAR
    assert judged("229.0V", "0.47 %").margin is Margin.CLOSE_CALL


def test_an_assumed_line_must_be_entered() -> None:
    judgement = judge(PointKind.RANGE, VOLTS, volts("229.0V"))
    assert judgement.next_measurement.endswith("This meter's accuracy is assumed: enter its accuracy line.")


def test_close_calls_that_no_meter_settles() -> None:
    assert judged("228.0V", "1 %").next_measurement.startswith("It reads exactly the limit")
    assert "no handheld meter has" in judged("228.10V", "1 % + 3 digits").next_measurement
    limits = span_limits(Span(Decimal("22.8"), Decimal(26), "V"))
    coarse = judge(PointKind.RANGE, limits, volts("23V"), parse_accuracy("1 % + 3 digits"))
    assert coarse.next_measurement == "Only a meter with steps finer than 1 V can settle it."


def test_a_low_resistance_needs_clean_terminals_first() -> None:
    judgement = judge(PointKind.COIL, COIL, ohms("10.2ohm"))
    assert judgement.next_measurement == (
        "Clean the terminals, subtract the resistance of the leads and measure again; "
        "a range that shows 0.01 Ω would settle it."
    )
    high = span_limits(Span(Decimal(1000), Decimal(1200), "Ω"))
    assert "leads" not in judge(PointKind.COIL, high, ohms("1195ohm")).next_measurement
    # Leads, clips and a tarnished terminal add half an ohm at most: common practice, no source.
    for allowed, leads in (("0.5", True), ("0.51", False)):
        assert ("leads" in CloseCall(PointKind.COIL, ohms("10.2ohm"), Decimal(allowed)).advice()) is leads


@pytest.mark.parametrize("text", ["43.0uF", "41.9 uF", "47.9 uF"])
def test_a_capacitor_is_discharged_and_measured_again_first(text: str) -> None:
    measured = MeasuredValue.from_amount(Quantity.CAPACITANCE, parse_amount(text))
    judgement = judge(PointKind.CAPACITOR, CAPACITOR, measured)
    assert judgement.next_measurement.startswith(
        "Discharge it again through a resistor and measure it again with every lead off; "
    )


numbers = st.decimals("215", "265", places=1)
lines = st.builds(AccuracyLine, st.decimals("0", "3", places=1), st.decimals("0", "9", places=0))
rules = st.one_of(
    st.just(SIMPLE_ACCEPTANCE),
    st.builds(
        DecisionRule,
        st.sampled_from([side for side in GuardedSide if side is not GuardedSide.NEITHER]),
        st.decimals("0.1", "3", places=1),
    ),
)


@given(numbers, lines, rules)
def test_every_suggestion_settles_it(number: Decimal, line: AccuracyLine, rule: DecisionRule) -> None:
    measured = MeasuredValue(Quantity.VOLTAGE, number, "V", Decimal("0.1"))
    judgement = judge(PointKind.RANGE, VOLTS, measured, line, rule=rule)
    unsettled = judgement.margin is Margin.CLOSE_CALL or judgement.verdict is Verdict.CANNOT_TELL
    assert unsettled is bool(judgement.next_measurement)
    if better := re.search(r"good to ±[0-9.]+ V \(([0-9.]+) %\)", judgement.next_measurement):
        again = judge(PointKind.RANGE, VOLTS, measured, AccuracyLine(Decimal(better[1]), Decimal(0)), rule=rule)
    elif finer := re.search(r"shows ([0-9.]+) V", judgement.next_measurement):
        again = judge(
            PointKind.RANGE, VOLTS, MeasuredValue(Quantity.VOLTAGE, number, "V", Decimal(finer[1])), line, rule=rule
        )
    else:
        return
    assert again.margin is Margin.CLEAR
    assert again.verdict is not Verdict.CANNOT_TELL
    assert again.next_measurement == ""
