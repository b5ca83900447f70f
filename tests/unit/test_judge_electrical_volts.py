from cmath import exp, pi
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from meterlink.core.equipment import PointKind, Span
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.core.verdicts import Margin, Verdict
from meterlink.judge.electrical.bands import (
    CoilTest,
    ServiceRange,
    coil_voltage_limits,
    contact_drop_limits,
    control_voltage_limits,
    nameplate_current_limits,
    nameplate_voltage_limits,
    service_voltage_limits,
)
from meterlink.judge.electrical.temperature_split import judge_split
from meterlink.judge.electrical.unbalance import derating_factor, judge_unbalance, unbalance, unbalance_uncertainty
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.measured_value import MeterReading
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy
from support.measured_values import measured, volts


def amount(text: str) -> Amount:
    return parse_amount(text)


def phasor_unbalance(a: float, b: float, c: float) -> float:
    """Return V2/V1 in percent for three phasors of these lengths that sum to zero, by Fortescue."""
    first = complex(a)
    # For a + b∠θ + c∠φ = 0 the law of cosines gives the angle between the first two sides.
    cosine = (c**2 - a**2 - b**2) / (2 * a * b)
    second = b * complex(cosine, -(max(0.0, 1 - cosine**2) ** 0.5))
    third = -first - second
    turn = exp(2j * pi / 3)
    positive = abs(first + turn * second + turn**2 * third)
    negative = abs(first + turn**2 * second + turn * third)
    return 100 * min(negative, positive) / max(negative, positive)


@st.composite
def triangles(draw: st.DrawFn) -> tuple[Decimal, Decimal, Decimal]:
    """Three lengths that close a triangle: the sums of two out of three numbers (Ravi substitution)."""
    x, y, z = (draw(st.decimals("0.5", "350", places=1)) for _ in range(3))
    return y + z, x + z, x + y


share = st.decimals("-0.1", "0.1", places=4)


@given(triangles())
def test_true_unbalance_equals_the_phasors(sides: tuple[Decimal, Decimal, Decimal]) -> None:
    a, b, c = sides
    result = unbalance(a, b, c)
    assert result.true_percent == pytest.approx(phasor_unbalance(float(a), float(b), float(c)), abs=1e-4)
    assert 0 <= result.true_percent <= 100
    assert unbalance(b, c, a) == unbalance(c, b, a) == result


@given(share, share)
def test_true_unbalance_stays_below_its_worst_case(p: Decimal, q: Decimal) -> None:
    result = unbalance(1 + p, 1 + q, 1 - p - q)
    d = result.nema_percent / 100
    assert d <= Decimal("0.2")
    assert result.true_percent <= unbalance(1 + d, Decimal(1), 1 - d).true_percent * (1 + 1e-9)
    assert result.true_percent >= 0.9 * float(result.nema_percent)  # with one phase off it is nearly NEMA's percent


@given(triangles(), st.integers(1, 9))
def test_unbalance_does_not_depend_on_the_unit(sides: tuple[Decimal, Decimal, Decimal], factor: int) -> None:
    a, b, c = sides
    original, scaled = unbalance(a, b, c), unbalance(factor * a, factor * b, factor * c)
    assert (original.nema_percent, original.true_percent) == (scaled.nema_percent, scaled.true_percent)


def test_a_missing_phase_is_wholly_unbalanced() -> None:
    assert unbalance(Decimal(230), Decimal(230), Decimal(0)).true_percent == pytest.approx(100)
    assert unbalance(Decimal(230), Decimal(230), Decimal(0)).nema_percent == 100


@pytest.mark.parametrize("values", [(230, 100, 100), (0, 0, 0), (-1, 1, 1), (230, 0, 0)])
def test_values_that_close_no_triangle(values: tuple[int, int, int]) -> None:
    a, b, c = map(Decimal, values)
    with pytest.raises(InputError):
        unbalance(a, b, c)


@given(st.floats(0, 10))
def test_derating_falls_and_ends_at_five_percent(percent: float) -> None:
    factor = derating_factor(percent)
    if percent > 5:
        assert factor is None
    else:
        assert factor is not None
        assert 0.75 <= factor <= 1


def one_meter(values: list[MeasuredValue]) -> list[MeterReading]:
    return [MeterReading(value, assumed_accuracy(value.quantity)) for value in values]


def test_unbalance_verdicts_at_the_boundary() -> None:
    ten = one_meter([measured(text, Quantity.CURRENT) for text in ("10.00A", "11.00A", "9.00A")])
    at, _ = judge_unbalance(ten, Decimal(10))
    assert (at.verdict, at.margin) == (Verdict.WITHIN, Margin.CLOSE_CALL)
    assert judge_unbalance(ten, Decimal("9.99"))[0].verdict is Verdict.OUTSIDE
    # A value 1 part in a million beyond the limit is outside, although the display rounds it.
    beyond = one_meter([volts(text) for text in ("1.0200010V", "1.0000000V", "0.9799990V")])
    result, _ = judge_unbalance(beyond, Decimal(2))
    assert result.verdict is Verdict.OUTSIDE
    assert result.digits is not None
    assert result.digits > 2


@pytest.mark.parametrize(("wander", "margin"), [("0", Margin.CLEAR), (None, Margin.CLOSE_CALL)])
def test_unbalance_uncertainty(wander: str | None, margin: Margin) -> None:
    # By the package `uncertainties`: one digit of repeatability and half a digit of rounding, rectangular, in each; and
    # ±0.5 % of each, by which the supply moves between two readings.
    values = [Decimal("460.0"), Decimal("467.0"), Decimal("451.5")]
    repeated = ((0.1**2 + 0.05**2) / 3) ** 0.5
    moved = 0.0 if wander == "0" else 0.005 / 3**0.5
    a, b, c = (ufloat(float(value), (repeated**2 + (moved * float(value)) ** 2) ** 0.5) for value in values)
    mean = (a + b + c) / 3
    reference = 100 * (mean - c) / mean
    readings = one_meter([MeasuredValue(Quantity.VOLTAGE, value, "V", Decimal("0.1")) for value in values])
    judgement, _ = judge_unbalance(readings, Decimal(2), None if wander is None else Decimal(wander))
    assert float(judgement.expanded_uncertainty or 0) == pytest.approx(2 * reference.std_dev, rel=1e-5)
    assert (judgement.verdict, judgement.margin) == (Verdict.WITHIN, margin)


def test_the_wander_of_the_supply_is_said_and_its_remedy_is_to_read_again() -> None:
    # A technician reads three voltages within a minute. Meanwhile a motor elsewhere starts and the supply sags by a
    # volt: 1.96 % is no proof of less than 2 %. Reading all three again, quickly, is. Common practice, no source.
    readings = one_meter([volts(text) for text in ("460.0V", "467.0V", "450.0V")])
    judgement, _ = judge_unbalance(readings, Decimal(2))
    assert judgement.margin is Margin.CLOSE_CALL
    assert "the supply may move by ±0.5 % between two readings, so read all three again" in judgement.reason
    assert judgement.accuracy.endswith("the supply may move by ±0.5 % between two readings, common practice")
    # With a coarse display the display is the larger part.
    coarse, _ = judge_unbalance(one_meter([volts(text) for text in ("46V", "47V", "45V")]), Decimal(2))
    assert "measure again, more finely" in coarse.reason
    at_once, _ = judge_unbalance(readings, Decimal(2), Decimal(0))
    assert "move" not in at_once.accuracy


@given(st.decimals("0", "3", places=2), triangles())
def test_more_wander_never_removes_doubt(wander: Decimal, sides: tuple[Decimal, Decimal, Decimal]) -> None:
    readings = one_meter([MeasuredValue(Quantity.VOLTAGE, side, "V", Decimal("0.1")) for side in sides])
    less, more = (unbalance_uncertainty(readings, share) for share in (wander, wander + Decimal("0.1")))
    assert less < more


def test_unbalance_refuses_an_overload_and_a_limit_of_zero() -> None:
    overload = MeasuredValue(Quantity.VOLTAGE, None, "V", Decimal(0))
    with pytest.raises(InputError, match="overload"):
        judge_unbalance(one_meter([volts("230V"), volts("230V"), overload]), Decimal(2))
    with pytest.raises(InputError, match="not above zero"):
        judge_unbalance(one_meter([volts("230V")] * 3), Decimal(0))


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("230V", "207", "253"),
        ("230", "207", "253"),
        ("208-230 V", "187.2", "253"),
        ("208V/230V", "187.2", "253"),
        ("230/208", "187.2", "253"),
        ("220/240", "198", "264"),
        ("0.46 kV", "414", "506"),
    ],
)
def test_nameplate_spellings(text: str, low: str, high: str) -> None:
    limits = nameplate_voltage_limits(text)
    assert (limits.low, limits.high) == (Decimal(low), Decimal(high))
    assert ("/" in limits.basis) is (limits.nominal is None)  # one voltage has a nominal, a range none


@pytest.mark.parametrize(
    "text", ["", "0V", "-230V", "230/460", "115/230", "208/230/460", "volts", "230A", "208/", "1e9/1e99"]
)
def test_texts_that_are_not_a_nameplate_voltage(text: str) -> None:
    with pytest.raises(InputError):
        nameplate_voltage_limits(text)


@pytest.mark.parametrize("tolerance", [Decimal(0), Decimal(100), Decimal(-5)])
def test_numbers_that_are_not_a_nameplate_tolerance(tolerance: Decimal) -> None:
    with pytest.raises(InputError):
        nameplate_voltage_limits("230V", tolerance)


def test_service_range_b_is_rounded_to_whole_volts_like_the_table() -> None:
    # ANSI C84.1, Range B service (from memory): 191 to 220 V, 440 to 508 V.
    for nominal, low, high in (("208V", 191, 220), ("480V", 440, 508)):
        limits = service_voltage_limits(amount(nominal), ServiceRange.B)
        assert (limits.low, limits.high) == (low, high)
    with pytest.raises(InputError, match="not a service voltage"):
        service_voltage_limits(amount("230V"), ServiceRange.A)


def test_bands_refuse_limits_that_accept_nothing() -> None:
    for call in (
        lambda: coil_voltage_limits(amount("0V"), CoilTest.PICK_UP),
        lambda: control_voltage_limits(amount("120V")),
        lambda: contact_drop_limits(amount("0V")),
        lambda: nameplate_current_limits(amount("0A"), "RLA"),
        lambda: nameplate_current_limits(amount("14.1A"), "RLA", Decimal(0)),
    ):
        with pytest.raises(InputError):
            call()


@pytest.mark.parametrize(
    ("reading", "verdict"), [("14.10A", Verdict.WITHIN), ("14.11A", Verdict.OUTSIDE), ("0A", Verdict.WITHIN)]
)
def test_nameplate_amps(reading: str, verdict: Verdict) -> None:
    judgement = judge(
        PointKind.RANGE, nameplate_current_limits(amount("14.1A"), "RLA"), measured(reading, Quantity.CURRENT)
    )
    assert judgement.verdict is verdict
    more = nameplate_current_limits(amount("14.1A"), "RLA", Decimal(110))
    assert more.high == Decimal("15.51")
    assert nameplate_current_limits(amount("0.8A"), "FLA").high == Decimal("0.8")  # a small fan motor


@pytest.mark.parametrize(
    ("warm", "cold", "digits", "unit", "verdict"),
    [
        ("75.0F", "57.0F", "18.0", "°F", Verdict.WITHIN),
        ("75.0F", "59.0F", "16.0", "°F", Verdict.WITHIN),
        ("75.0F", "59.1F", "15.9", "°F", Verdict.OUTSIDE),
        ("24.0C", "13.0C", "11.0", "°C", Verdict.WITHIN),
        # 12.2 °C are 21.96 °F, and 12.3 °C are 22.14 °F.
        ("24.0C", "11.8C", "12.2", "°C", Verdict.WITHIN),
        ("24.0C", "11.7C", "12.3", "°C", Verdict.OUTSIDE),
        ("24.0C", "57.2F", "18.00", "°F", Verdict.WITHIN),
        ("57.0F", "75.0F", "-18.0", "°F", Verdict.OUTSIDE),
    ],
)
def test_split(warm: str, cold: str, digits: str, unit: str, verdict: Verdict) -> None:
    judgement = judge_split(measured(warm, Quantity.TEMPERATURE), measured(cold, Quantity.TEMPERATURE), None, None)
    assert judgement.verdict is verdict
    assert judgement.digits == Decimal(digits)
    assert judgement.limits is not None
    assert judgement.limits.unit == unit


def test_split_against_a_range_of_the_other_degrees() -> None:
    warm, cold = (measured(text, Quantity.TEMPERATURE) for text in ("25.0C", "15.0C"))
    # A difference of 10 °C is exactly a difference of 18 °F.
    at = judge_split(warm, cold, Span(Decimal(18), Decimal(20), "°F"), None)
    assert (at.verdict, at.digits) == (Verdict.WITHIN, Decimal(18))
    warm, cold = (measured(text, Quantity.TEMPERATURE) for text in ("75.0F", "57.0F"))
    assert judge_split(warm, cold, Span(Decimal(10), Decimal(12), "°C"), None).verdict is Verdict.WITHIN
    # A range with one end, in °C, for readings in °F: 10 °C is at most.
    assert judge_split(warm, cold, Span(None, Decimal(10), "°C"), None).verdict is Verdict.WITHIN
    assert judge_split(warm, cold, Span(Decimal(11), None, "°C"), None).verdict is Verdict.OUTSIDE


def test_split_uncertainty() -> None:
    warm, cold = (measured(text, Quantity.TEMPERATURE) for text in ("75.0F", "57.0F"))
    # Assumed: ± 0.5 °C = ± 0.9 °F each, and half a tenth of rounding.
    assumed = judge_split(warm, cold, None, None)
    assert float(assumed.expanded_uncertainty or 0) == pytest.approx(2 * (2 * (0.9**2 + 0.05**2) / 3) ** 0.5, rel=1e-5)
    assert "assumed" in assumed.accuracy
    line = AccuracyLine(Decimal(0), Decimal(5))
    given_line = judge_split(warm, cold, None, line)
    assert float(given_line.expanded_uncertainty or 0) == pytest.approx(
        2 * (2 * (0.5**2 + 0.05**2) / 3) ** 0.5, rel=1e-5
    )


def test_a_split_needs_two_temperatures() -> None:
    warm = measured("75.0F", Quantity.TEMPERATURE)
    for second in (MeasuredValue(Quantity.TEMPERATURE, None, "°C", Decimal(0)), volts("5V")):
        with pytest.raises(InputError):
            judge_split(warm, second, None, None)
