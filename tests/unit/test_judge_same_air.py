"""The same air, judged in °C and in °F: one verdict, with its margin, its probability and its doubt."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import PointKind, Span
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.judge.accuracy import AccuracyRange, AccuracySheet
from meterlink.judge.decision_rules import DecisionRule, GuardedSide
from meterlink.judge.electrical.temperature_split import judge_split
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.limits import span_limits
from meterlink.judge.measured_value import MeterReading, convert_interval
from meterlink.judge.repeats import combine_readings
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy
from support.examples import examples

T = Quantity.TEMPERATURE
DEGREE = Decimal("1.8")  # °F in one °C

temperatures = st.decimals("-40", "120", places=1)
steps = st.sampled_from([Decimal(text) for text in ("0.01", "0.1", "0.2", "0.5", "1")])
lines = st.one_of(
    st.none(),
    st.builds(
        AccuracyLine,
        st.sampled_from([Decimal(0), Decimal("0.5"), Decimal(2)]),
        st.sampled_from([Decimal(0), Decimal(3), Decimal(10)]),
        degrees=st.sampled_from([None, Amount(Decimal("0.5"), "°C"), Amount(Decimal(2), "°F")]),
    ),
)
rules = st.builds(DecisionRule, st.sampled_from(GuardedSide), st.sampled_from([Decimal(1), Decimal("0.5")]))


def celsius(digits: Decimal, step: Decimal) -> MeasuredValue:
    return MeasuredValue(T, digits, "°C", step)


def in_fahrenheit(measured: MeasuredValue) -> MeasuredValue:
    """Return the same reading in °F, worked by hand: the value has an offset, the display step has none."""
    assert measured.digits is not None
    return replace(measured, digits=measured.digits * DEGREE + 32, resolution=measured.resolution * DEGREE, unit="°F")


def span_in_fahrenheit(span: Span, offset: int) -> Span:
    low, high = (None if edge is None else edge * DEGREE + offset for edge in (span.low, span.high))
    return Span(low, high, "°F")


@st.composite
def spans(draw: st.DrawFn) -> Span:
    low = draw(temperatures)
    return Span(low, low + draw(st.decimals("0.5", "30", places=1)), "°C")


def decided(judgement: Judgement) -> tuple[object, ...]:
    return judgement.verdict, judgement.margin, judgement.probability, bool(judgement.next_measurement)


@examples(300)
@given(temperatures, steps, lines, spans(), rules)
def test_one_temperature_has_one_verdict_in_both_units(
    digits: Decimal, step: Decimal, line: AccuracyLine | None, span: Span, rule: DecisionRule
) -> None:
    warm = celsius(digits, step)
    limits = [span_limits(span), span_limits(span_in_fahrenheit(span, 32))]
    judgements = [
        judge(PointKind.RANGE, edges, reading, line, rule=rule)
        for edges in limits
        for reading in (warm, in_fahrenheit(warm))
    ]
    assert len({decided(judgement) for judgement in judgements}) == 1
    half_widths = [
        float(convert_interval(judgement.expanded_uncertainty or Decimal(0), judgement.limits.unit, "°C"))
        for judgement in judgements
        if judgement.limits
    ]
    assert half_widths == pytest.approx([half_widths[0]] * 4)
    assert {judgement.deviation_percent for judgement in judgements} == {None}


@examples(300)
@given(temperatures, temperatures, steps, lines, st.one_of(st.none(), spans()))
def test_one_split_has_one_verdict_in_both_units(
    warm: Decimal, cold: Decimal, step: Decimal, line: AccuracyLine | None, span: Span | None
) -> None:
    return_air, supply_air = celsius(warm, step), celsius(cold, step)
    warm_f, cold_f = in_fahrenheit(return_air), in_fahrenheit(supply_air)
    in_fahrenheit_span = None if span is None else span_in_fahrenheit(span, 0)
    judgements = [
        judge_split(return_air, supply_air, span, line),
        judge_split(warm_f, cold_f, in_fahrenheit_span, line),
        judge_split(return_air, cold_f, span, line),
        judge_split(return_air, supply_air, in_fahrenheit_span, line),
    ]
    assert len({(judgement.verdict, judgement.margin) for judgement in judgements}) == 1
    deviations = [float(judgement.deviation_percent or 0) for judgement in judgements]
    assert deviations == pytest.approx([deviations[0]] * 4)


@given(st.lists(temperatures, min_size=2, max_size=4), steps, lines)
def test_repeated_temperatures_combine_alike_in_both_units(
    values: list[Decimal], step: Decimal, line: AccuracyLine | None
) -> None:
    used = line or parse_accuracy("1 % + 1 °C")
    readings = [MeterReading(celsius(value, step), used, f"meter {value % 2}") for value in values]
    converted = [reading._replace(measured=in_fahrenheit(reading.measured)) for reading in readings]
    here, there = combine_readings(readings, "°C"), combine_readings(converted, "°F", shown_in="°C")
    assert here.agree is there.agree
    assert here.expanded_uncertainty * 1.8 == pytest.approx(there.expanded_uncertainty)
    assert here.value * 1.8 + 32 == pytest.approx(there.value)


def test_the_switch_of_the_meter_does_not_change_the_assumed_doubt() -> None:
    # A thermometer's sensor errs by degrees, whatever its switch shows: ±1 °C and 1 % assumed, common practice, no
    # source. The switch to °F only makes the display step finer, 0.1 °F for 0.1 °C.
    limits = span_limits(Span(Decimal(20), Decimal(25), "°C"))
    in_celsius = judge(PointKind.RANGE, limits, celsius(Decimal("24.0"), Decimal("0.1")))
    switched = judge(PointKind.RANGE, limits, MeasuredValue(T, Decimal("75.2"), "°F", Decimal("0.1")))
    assert in_celsius.accuracy == switched.accuracy == "±(1 % + 1 °C), assumed"
    assert (in_celsius.verdict, in_celsius.margin) == (switched.verdict, switched.margin)
    assert (in_celsius.verdict, in_celsius.margin) == (Verdict.WITHIN, Margin.CLOSE_CALL)
    half_widths = [float(judgement.expanded_uncertainty or 0) for judgement in (in_celsius, switched)]
    assert half_widths[0] == pytest.approx(half_widths[1], rel=0.01)


def test_a_percentage_counts_from_the_farther_zero() -> None:
    # 1 % of 75.2 °F is 0.752 °F, of 24.0 °C only 0.432 °F. The sheet may mean either: the larger counts, in both units.
    line = parse_accuracy("1 %")
    assert line.half_width(Decimal("75.2"), Decimal("0.1"), "°F") == Decimal("0.752")
    assert line.half_width(Decimal("24.0"), Decimal("0.1"), "°C") == Decimal("0.752") / DEGREE
    # Far below zero it is the other one: -40 °F is 72 °F below 0 °C.
    assert line.half_width(Decimal(-40), Decimal("0.1"), "°F") == Decimal("0.72")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("1 % + 1 °C", "±(1 % + 1 °C)"),
        ("0.5 C", "±0.5 °C"),
        ("±(0.5% rdg + 2 dgt + 1.8 °F)", "±(0.5 % + 2 digits + 1.8 °F)"),
    ],
)
def test_lines_in_degrees(text: str, shown: str) -> None:
    line = parse_accuracy(text)
    assert str(line) == shown
    assert parse_accuracy(shown) == line


@pytest.mark.parametrize("text", ["1 °C + 1 %", "1 °C + 2 °F", "1 % + 1 K", "°C", "1 % 1 °C", "1 % + 2 + 3", "+ 1 °C"])
def test_texts_that_are_no_line_in_degrees(text: str) -> None:
    with pytest.raises(InputError, match="not an accuracy line"):
        parse_accuracy(text)


def test_degrees_are_refused_for_another_quantity() -> None:
    volts = MeasuredValue(Quantity.VOLTAGE, Decimal(24), "V", Decimal("0.1"))
    with pytest.raises(InputError, match="accuracy of a thermometer"):
        judge(PointKind.RANGE, span_limits(Span(Decimal(20), Decimal(26), "V")), volts, parse_accuracy("1 °C"))


@given(temperatures, st.sampled_from([Decimal("0.1"), Decimal(1)]))
def test_a_sheet_has_one_row_for_the_same_air(digits: Decimal, step: Decimal) -> None:
    rows = (
        AccuracyRange(T, parse_accuracy("0.5 °C"), Amount(Decimal(50), "°C"), Amount(Decimal("0.1"), "°C")),
        AccuracyRange(T, parse_accuracy("2 °C"), Amount(Decimal(200), "°C"), Amount(Decimal(1), "°C")),
    )
    reading = celsius(digits, step)
    assert AccuracySheet(rows).line_for(reading) == AccuracySheet(rows).line_for(in_fahrenheit(reading))
