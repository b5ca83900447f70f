from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import PointKind, Rating, Span
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.judge.judging import MeasuredValue, judge, warning_text
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy
from support.measured_values import farads, ohms

CAPACITOR = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))
COIL = span_limits(Span(Decimal(10), Decimal(18), "Ω"))
FINE = AccuracyLine(Decimal("0.1"), Decimal(1))


OVERLOAD = MeasuredValue(Quantity.RESISTANCE, None, "MΩ", Decimal(0))


@pytest.mark.parametrize(
    ("kind", "limits", "measured", "verdict"),
    [
        (PointKind.CAPACITOR, CAPACITOR, farads("42.3uF"), Verdict.WITHIN),
        (PointKind.CAPACITOR, CAPACITOR, farads("42.29uF"), Verdict.OUTSIDE),
        (PointKind.CAPACITOR, CAPACITOR, farads("47.8uF"), Verdict.OUTSIDE),
        (PointKind.CAPACITOR, CAPACITOR, farads("0.03uF"), Verdict.OPEN),
        (PointKind.CAPACITOR, CAPACITOR, farads("1.2uF"), Verdict.OUTSIDE),
        (
            PointKind.CAPACITOR,
            CAPACITOR,
            MeasuredValue(Quantity.CAPACITANCE, None, "µF", Decimal(0)),
            Verdict.OVER_RANGE,
        ),
        (PointKind.COIL, COIL, ohms("14.2ohm"), Verdict.WITHIN),
        (PointKind.COIL, COIL, ohms("10ohm"), Verdict.WITHIN),
        (PointKind.COIL, COIL, ohms("6.1ohm"), Verdict.OUTSIDE),
        (PointKind.COIL, COIL, ohms("0.3ohm"), Verdict.SHORTED),
        (PointKind.COIL, COIL, OVERLOAD, Verdict.OPEN),
        (PointKind.RANGE, COIL, OVERLOAD, Verdict.OPEN),
        (PointKind.RANGE, COIL, ohms("0.3ohm"), Verdict.OUTSIDE),
        (PointKind.COIL, None, ohms("14ohm"), Verdict.NO_LIMITS),
    ],
)
def test_verdicts(kind: PointKind, limits: Limits | None, measured: MeasuredValue, verdict: Verdict) -> None:
    judgement = judge(kind, limits, measured)
    assert judgement.verdict is verdict
    assert judgement.reason.endswith(".")


def test_a_close_call_and_its_assumed_accuracy() -> None:
    assumed = judge(PointKind.CAPACITOR, CAPACITOR, farads("43.0uF"))
    assert assumed.margin is Margin.CLOSE_CALL
    assert "assumed" in assumed.accuracy
    known = judge(PointKind.CAPACITOR, CAPACITOR, farads("43.0uF"), FINE)
    assert known.margin is Margin.CLEAR
    assert "assumed" not in known.accuracy


def test_deviation_is_from_the_rating_or_from_the_middle_of_two_limits() -> None:
    assert judge(PointKind.CAPACITOR, CAPACITOR, farads("42.3uF")).deviation_percent == Decimal(-6)
    assert judge(PointKind.COIL, COIL, ohms("14.2ohm")).deviation_percent == pytest.approx(
        Decimal("1.4286"), abs=Decimal("1e-4")
    )
    one_sided = span_limits(Span(Decimal(5), None, "kΩ"))
    assert judge(PointKind.RANGE, one_sided, ohms("6kohm")).deviation_percent is None


def test_a_temperature_has_no_deviation_in_percent() -> None:
    """The zero of °C is arbitrary: 11 °C is not 10 % more than 10 °C, and in °F it would be another share."""
    superheat = Limits(Decimal(8), Decimal(12), "°C", "8 to 12 °C", Decimal(10))
    judged = judge(
        PointKind.RANGE, superheat, MeasuredValue(Quantity.TEMPERATURE, Decimal("11.0"), "°C", Decimal("0.1"))
    )
    assert judged.verdict is Verdict.WITHIN
    assert judged.deviation_percent is None


@pytest.mark.parametrize(
    ("low", "high", "limits_unit", "digits", "unit", "verdict"),
    [
        ("46", "54", "°F", "10.0", "°C", Verdict.WITHIN),  # 50 °F
        ("46", "54", "°F", "13.0", "°C", Verdict.OUTSIDE),  # 55.4 °F
        ("46", None, "°F", "7.0", "°C", Verdict.OUTSIDE),  # 44.6 °F
        (None, "54", "°F", "7.0", "°C", Verdict.WITHIN),
        ("8", "12", "°C", "50.0", "°F", Verdict.WITHIN),  # 10 °C
        ("8", "12", "°C", "44.0", "°F", Verdict.OUTSIDE),  # 6.7 °C
        ("8", "12", "°C", "56.0", "°F", Verdict.OUTSIDE),  # 13.3 °C
        ("8", "12", "°C", "7.0", "°C", Verdict.OUTSIDE),
        ("8", None, "°C", "7.0", "°C", Verdict.OUTSIDE),
        ("8", None, "°C", "13.0", "°C", Verdict.WITHIN),
        (None, "12", "°C", "13.0", "°C", Verdict.OUTSIDE),
        (None, "12", "°C", "7.0", "°C", Verdict.WITHIN),
    ],
)
def test_a_temperature_is_judged_by_limits_in_either_unit(
    low: str | None, high: str | None, limits_unit: str, digits: str, unit: str, verdict: Verdict
) -> None:
    edges = [None if edge is None else Decimal(edge) for edge in (low, high)]
    limits = span_limits(Span(edges[0], edges[1], limits_unit))
    measured = MeasuredValue(Quantity.TEMPERATURE, Decimal(digits), unit, Decimal("0.1"))
    assert judge(PointKind.RANGE, limits, measured, FINE).verdict is verdict


def test_a_capacitor_with_one_limit_is_judged() -> None:
    """A setting may ask for a least capacitance only."""
    at_least = Limits(Decimal(40), None, "µF", "at least 40 µF")
    assert judge(PointKind.CAPACITOR, at_least, farads("41.0uF")).verdict is Verdict.WITHIN
    assert judge(PointKind.CAPACITOR, at_least, farads("39.0uF")).verdict is Verdict.OUTSIDE


@pytest.mark.parametrize(
    ("digits", "begins"),
    [("0.099", " It is grounded"), ("0.1", " Do not run"), ("0.99", " Do not run"), ("1.00", ""), ("50", "")],
)
def test_a_winding_that_conducts_to_ground_has_the_graver_warning_below_a_tenth(digits: str, begins: str) -> None:
    """A damp winding reads somewhat below its limit and may dry; below a tenth it is a fault. Common practice."""
    to_ground = span_limits(Span(Decimal(1), None, "MΩ"))
    text = warning_text(PointKind.INSULATION, to_ground, Decimal(digits))
    assert text.startswith(begins)
    assert bool(text) is bool(begins)
    assert warning_text(PointKind.COIL, to_ground, Decimal(digits)) == ""


@pytest.mark.parametrize("measured", [farads("-1uF"), ohms("-0.2ohm")])
def test_a_negative_part_is_bad_input(measured: MeasuredValue) -> None:
    limits = CAPACITOR if measured.quantity is Quantity.CAPACITANCE else COIL
    with pytest.raises(InputError, match="never negative"):
        judge(PointKind.RANGE, limits, measured)


def test_another_quantity_is_bad_input() -> None:
    with pytest.raises(InputError, match="wanted here"):
        judge(PointKind.CAPACITOR, CAPACITOR, ohms("45ohm"))


def test_a_reading_without_a_value_is_bad_input() -> None:
    reading = Reading(Quantity.CAPACITANCE, None, "µF", Timestamp(0, 0), Status.INVALID)
    with pytest.raises(InputError):
        MeasuredValue.from_reading(reading)


numbers = st.decimals("0", "200", places=2)


@given(numbers, st.sampled_from([("µF", 0), ("nF", 3), ("F", -6), ("MFD", 0)]))
def test_verdict_does_not_depend_on_how_the_unit_is_spelled(number: Decimal, spelling: tuple[str, int]) -> None:
    unit, shift = spelling
    same = judge(PointKind.CAPACITOR, CAPACITOR, farads(f"{number.scaleb(shift):f} {unit}"))
    assert same.verdict is judge(PointKind.CAPACITOR, CAPACITOR, farads(f"{number:f} uF")).verdict
    assert same.digits == number


@given(numbers, st.sampled_from([("nF", 3), ("F", -6), ("mF", -3)]))
def test_uncertainty_does_not_depend_on_how_the_unit_is_spelled(number: Decimal, spelling: tuple[str, int]) -> None:
    unit, shift = spelling
    hundredths = MeasuredValue(Quantity.CAPACITANCE, number, "µF", Decimal("0.01"))
    scaled = MeasuredValue(Quantity.CAPACITANCE, number.scaleb(shift), unit, Decimal("0.01").scaleb(shift))
    same, plain = (judge(PointKind.CAPACITOR, CAPACITOR, measured) for measured in (scaled, hundredths))
    assert (same.verdict, same.margin, same.reason) == (plain.verdict, plain.margin, plain.reason)
    assert same.probability == pytest.approx(plain.probability, abs=1e-12)
    assert same.expanded_uncertainty == plain.expanded_uncertainty


@pytest.mark.parametrize(
    ("line", "k"),
    # One dominant rectangle: 0.95·√3; two equal rectangles of half a step: 1.90 (EA-4/02, S9 and S10, from memory).
    [(AccuracyLine(Decimal(2), Decimal(0)), 1.65), (AccuracyLine(Decimal(0), Decimal("0.5")), 1.90)],
)
def test_the_effective_coverage_factor(line: AccuracyLine, k: float) -> None:
    assert judge(PointKind.CAPACITOR, CAPACITOR, farads("45.00uF"), line).coverage_factor == pytest.approx(k, abs=0.01)


def test_probability_goes_with_verdict_and_margin() -> None:
    clear, close, beyond, far = (
        judge(PointKind.CAPACITOR, CAPACITOR, farads(text)).probability
        for text in ("45.0uF", "43.0uF", "42.0uF", "30.0uF")
    )
    assert clear is not None
    assert close is not None
    assert beyond is not None
    assert 1 >= clear > 0.975 > close > 0.5 > beyond > 0.025
    assert far == 0


def test_without_limits_or_value_there_is_no_probability() -> None:
    for judgement in (judge(PointKind.COIL, None, ohms("14ohm")), judge(PointKind.COIL, COIL, OVERLOAD)):
        assert (judgement.probability, judgement.coverage_factor, judgement.next_measurement) == (None, None, "")
        assert judgement.rule == "simple acceptance"


def test_a_meter_without_error_or_step_leaves_no_uncertainty() -> None:
    exact = MeasuredValue(Quantity.RESISTANCE, Decimal(14), "Ω", Decimal(0))
    judgement = judge(PointKind.COIL, COIL, exact, AccuracyLine(Decimal(0), Decimal(0)))
    assert (judgement.expanded_uncertainty, judgement.coverage_factor, judgement.probability) == (0, None, 1)


def test_an_overload_does_not_show_whether_a_low_limit_is_met() -> None:
    overload = MeasuredValue(Quantity.VOLTAGE, None, "V", Decimal(0))
    with pytest.raises(InputError, match="does not show"):
        judge(PointKind.RANGE, span_limits(Span(Decimal(20), None, "V")), overload)
    assert judge(PointKind.RANGE, span_limits(Span(None, Decimal(20), "V")), overload).verdict is Verdict.OUTSIDE


def test_one_sided_limits_read_as_a_sentence() -> None:
    one_sided = span_limits(Span(Decimal(5), None, "kΩ"))
    assert judge(PointKind.RANGE, one_sided, ohms("60kohm")).reason == "60 kΩ is at least 5 kΩ."


# Below 10 Ω a coil may be shorted.
@given(st.decimals("10", "200", places=2), st.decimals("10", "200", places=2))
def test_verdict_is_monotone(a: Decimal, b: Decimal) -> None:
    low, high = sorted((a, b))
    rank = []
    for number in (low, high):
        judgement = judge(PointKind.COIL, COIL, MeasuredValue(Quantity.RESISTANCE, number, "Ω", Decimal("0.01")))
        rank.append(judgement.verdict is Verdict.OUTSIDE)
    assert rank[0] <= rank[1]


@given(st.decimals("0", "30", places=2))
def test_verdict_is_symmetric_about_the_rating(off: Decimal) -> None:
    below, above = (
        judge(
            PointKind.CAPACITOR, CAPACITOR, MeasuredValue(Quantity.CAPACITANCE, 45 + sign * off, "µF", Decimal("0.01"))
        )
        for sign in (-1, 1)
    )
    assert below.verdict is above.verdict


@pytest.mark.parametrize(
    ("text", "percent", "digits"),
    [
        ("2 % + 5 digits", "2", "5"),
        ("±(1.5% rdg + 3 dgt)", "1.5", "3"),
        ("0.8 %", "0.8", "0"),
        ("1% + 2 counts", "1", "2"),
    ],
)
def test_accuracy_lines(text: str, percent: str, digits: str) -> None:
    line = parse_accuracy(text)
    assert (line.percent, line.digits) == (Decimal(percent), Decimal(digits))
    # ±(2 % + 5 digits) at 40.00: 0.80 + 0.05
    assert (
        line.half_width(Decimal("40.00"), Decimal("0.01"), "µF") == Decimal(40) * line.percent / 100 + line.digits / 100
    )


@pytest.mark.parametrize("text", ["", "2", "five %", "2 % + many", "-2 % + 5", "2 % + 5 volts"])
def test_texts_that_are_not_an_accuracy_line(text: str) -> None:
    with pytest.raises(InputError):
        parse_accuracy(text)
