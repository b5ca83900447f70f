from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import Rating
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.judge.electrical.capacitance import (
    capacitance_under_load,
    capacitor_current,
    judge_under_load,
    other_mains_frequency,
    parallel_capacitance,
    series_capacitance,
)
from meterlink.judge.electrical.discharge import bleed_down_time, max_bleed_resistance, residual_voltage, stored_energy
from meterlink.judge.estimates import Estimate, judge_estimate, round_significant
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.limits import rated_limits
from meterlink.judge.uncertainty import AccuracyLine

farads = st.floats(1e-7, 1e-3)
volts = st.floats(1.0, 1000.0)
hertz = st.floats(1.0, 400.0)
LIMITS = rated_limits(Rating(parse_amount("45 uF", Quantity.CAPACITANCE), "6 %"))


@given(farads, volts, hertz)
def test_capacitance_under_load_inverts_exactly(c: float, v: float, f: float) -> None:
    capacitance = capacitance_under_load(Estimate(capacitor_current(c, v, f)), Estimate(v), Estimate(f))
    assert capacitance.value == pytest.approx(c, rel=1e-12)
    assert capacitance.standard_uncertainty == 0


@given(farads, volts, st.floats(0, 0.1), st.floats(0, 0.1), st.floats(0, 0.1))
def test_relative_uncertainties_add_in_squares(c: float, v: float, ui: float, uv: float, uf: float) -> None:
    amps = capacitor_current(c, v, 60.0)
    capacitance = capacitance_under_load(Estimate(amps, ui * amps), Estimate(v, uv * v), Estimate(60.0, uf * 60.0))
    assert capacitance.standard_uncertainty / c == pytest.approx((ui**2 + uv**2 + uf**2) ** 0.5, abs=1e-12)


def test_no_current_still_has_an_uncertainty() -> None:
    capacitance = capacitance_under_load(Estimate(0.0, 0.01), Estimate(370.0, 1.0), Estimate(60.0, 0.1))
    assert capacitance.value == 0
    assert capacitance.standard_uncertainty == pytest.approx(0.01 * 1e-6 * 2652.5824 / 370, rel=1e-6)


@pytest.mark.parametrize(
    ("amps", "v", "f"), [(-1.0, 370.0, 60.0), (1.0, 0.0, 60.0), (1.0, 370.0, 0.0), (1.0, -5.0, 60.0)]
)
def test_impossible_values_under_load(amps: float, v: float, f: float) -> None:
    with pytest.raises(InputError):
        capacitance_under_load(Estimate(amps), Estimate(v), Estimate(f))


@pytest.mark.parametrize(
    ("measured", "other_mains"),
    [(60.0, 50.0), (59.2, 50.0), (50.0, 60.0), (51.0, 60.0), (55.0, None), (400.0, None), (0.0, None)],
)
def test_other_mains(measured: float, other_mains: float | None) -> None:
    assert other_mains_frequency(measured) == other_mains


def judged(microfarads: float, f: float = 60.0) -> tuple[Verdict, Margin | None, bool, tuple[str, ...]]:
    amps = capacitor_current(microfarads * 1e-6, 370.0, f) if microfarads else 0.0
    result = judge_under_load(Estimate(amps), Estimate(370.0), Estimate(f), LIMITS, "")
    assert result.judgement is not None
    return result.judgement.verdict, result.judgement.margin, result.fits_other_mains_frequency, result.warnings


def test_under_load_verdicts() -> None:
    assert judged(45.0) == (Verdict.WITHIN, Margin.CLEAR, False, ())
    assert judged(42.3)[0] is Verdict.WITHIN  # the boundary, in the displayed digits
    assert judged(42.2)[:1] == (Verdict.OUTSIDE,)
    assert judged(0.0)[0] is Verdict.OPEN
    assert judged(0.5)[0] is Verdict.OPEN
    for microfarads, words in (
        (42.0, "42.00 µF is below the low limit of 42.3 µF"),
        (48.0, "48.00 µF is above the high limit of 47.7 µF"),
        (45.0, "45.00 µF is within 45 µF ±6 %"),
    ):
        amps = Estimate(capacitor_current(microfarads * 1e-6, 370.0, 60.0))
        judgement = judge_under_load(amps, Estimate(370.0), Estimate(60.0), LIMITS, "").judgement
        assert judgement is not None
        assert judgement.reason.startswith(words)


def test_the_other_mains_frequency_is_warned_about_only_where_it_explains_the_deviation() -> None:
    # 37.5 µF at 60 Hz is 45 µF at 50 Hz; 30 µF is 36 µF, still outside; 42.3 µF is within at 60 Hz.
    assert judged(37.5)[2]
    assert "50 Hz" in judged(37.5)[3][0]
    assert not judged(30.0)[2]
    assert not judged(42.3)[2]
    # Within a wide tolerance at either frequency there is no deviation to explain.
    wide = rated_limits(Rating(parse_amount("45 uF", Quantity.CAPACITANCE), "30 %"))
    amps = Estimate(capacitor_current(42e-6, 370.0, 60.0))
    assert not judge_under_load(amps, Estimate(370.0), Estimate(60.0), wide, "").fits_other_mains_frequency
    # The reverse: 54 µF at 50 Hz is 45 µF at 60 Hz.
    assert judged(54.0, 50.0)[2]
    assert not judged(37.5, 50.0)[2]


def test_a_frequency_of_no_mains_is_warned_about() -> None:
    verdict, _, fits_other, warnings = judged(37.5, 90.0)
    assert verdict is Verdict.OUTSIDE
    assert not fits_other
    assert "not a mains frequency" in warnings[0]


def test_without_a_rating_nothing_is_judged() -> None:
    result = judge_under_load(Estimate(4.0), Estimate(370.0), Estimate(60.0), None, "")
    assert result.judgement is None
    assert not result.fits_other_mains_frequency


def test_an_uncertainty_that_reaches_the_limit_is_a_close_call() -> None:
    amps = Estimate(capacitor_current(42.5e-6, 370.0, 60.0), 0.05)
    result = judge_under_load(amps, Estimate(370.0), Estimate(60.0), LIMITS, "ammeter")
    assert result.judgement is not None
    assert result.judgement.margin is Margin.CLOSE_CALL
    assert result.judgement.accuracy == "ammeter"
    assert float(result.judgement.expanded_uncertainty or 0) == pytest.approx(
        result.capacitance.expanded_uncertainty * 1e6, rel=1e-4
    )


def test_limits_in_nanofarads() -> None:
    limits = rated_limits(Rating(parse_amount("45000 nF", Quantity.CAPACITANCE), "6 %"))
    amps = Estimate(capacitor_current(45e-6, 370.0, 60.0), 0.05)
    result = judge_under_load(amps, Estimate(370.0), Estimate(60.0), limits, "")
    assert result.judgement is not None
    assert result.judgement.digits == 45000
    assert float(result.judgement.expanded_uncertainty or 0) == pytest.approx(
        result.capacitance.expanded_uncertainty * 1e9, rel=1e-4
    )


sizes = st.decimals("0.001", "2000", places=3)


@given(st.lists(sizes, min_size=1, max_size=6))
def test_series_is_at_most_the_smallest_and_parallel_at_least_the_largest(capacitances: list[Decimal]) -> None:
    assert 0 < series_capacitance(capacitances) <= min(capacitances)
    assert parallel_capacitance(capacitances) >= max(capacitances)


@given(sizes, st.integers(1, 5))
def test_equal_capacitors(size: Decimal, count: int) -> None:
    assert parallel_capacitance([size] * count) == size * count
    assert series_capacitance([size] * count) == pytest.approx(size / count, rel=Decimal("1e-25"))


@pytest.mark.parametrize("values", [[], [Decimal(0)], [Decimal(5), Decimal(-1)]])
def test_capacitances_that_are_not_above_zero(values: list[Decimal]) -> None:
    for combine in (series_capacitance, parallel_capacitance):
        with pytest.raises(InputError):
            combine(values)


@given(st.floats(51, 1000), farads, st.floats(1e3, 1e6))
def test_bleed_down_time_and_residual_voltage_agree(v: float, c: float, ohms: float) -> None:
    seconds = bleed_down_time(v, c, ohms)
    assert residual_voltage(v, c, ohms, seconds) == pytest.approx(50.0)
    assert bleed_down_time(v, c, max_bleed_resistance(v, c, seconds)) == pytest.approx(seconds)


def test_a_capacitor_below_the_threshold_takes_no_time() -> None:
    assert bleed_down_time(30.0, 45e-6, 20e3) == 0
    assert max_bleed_resistance(30.0, 45e-6) == float("inf")


@pytest.mark.parametrize("bad", [0.0, -1.0])
def test_discharge_refuses_values_not_above_zero(bad: float) -> None:
    for call in (
        lambda: stored_energy(bad, 370.0),
        lambda: residual_voltage(370.0, bad, 20e3, 1.0),
        lambda: residual_voltage(370.0, 45e-6, bad, 1.0),
        lambda: bleed_down_time(bad, 45e-6, 20e3),
        lambda: bleed_down_time(370.0, 45e-6, 20e3, bad),
        lambda: max_bleed_resistance(370.0, 45e-6, bad),
    ):
        with pytest.raises(InputError):
            call()


def test_an_estimate_applies_the_accuracy_line_to_the_displayed_value() -> None:
    line = AccuracyLine(Decimal(1), Decimal(5))
    amps = Estimate.from_measured_value(MeasuredValue.from_amount(Quantity.CURRENT, parse_amount("2000mA")), line)
    # 1 % of 2000 mA + 5 mA, and half a milliamp of rounding, in A
    assert amps is not None
    assert amps.value == 2
    assert amps.standard_uncertainty == pytest.approx((0.025**2 + 0.0005**2) ** 0.5 / 3**0.5)
    # 1 % of 68 °F is 0.68 °F or 0.38 °C, not 1 % of 20 °C.
    warm = Estimate.from_measured_value(
        MeasuredValue.from_amount(Quantity.TEMPERATURE, parse_amount("68.0 °F")), AccuracyLine(Decimal(1), Decimal(0))
    )
    assert warm is not None
    assert warm.value == pytest.approx(20)
    assert warm.standard_uncertainty == pytest.approx((0.68**2 + 0.05**2) ** 0.5 / 1.8 / 3**0.5)
    assert Estimate.from_measured_value(MeasuredValue(Quantity.CURRENT, None, "A", Decimal(0))) is None


@pytest.mark.parametrize(
    ("value", "text"), [(45.0222, "45.02"), (4.4444, "4.444"), (1234567.0, "1235000"), (0.0, "0.000")]
)
def test_significant_figures(value: float, text: str) -> None:
    assert f"{round_significant(value):f}" == text


@given(st.decimals("0", "100", places=2))
def test_a_calculated_value_is_judged_like_a_display(digits: Decimal) -> None:
    limits = Limits(Decimal(10), Decimal(20), "V", "10 to 20 V")
    judgement = judge_estimate(limits, digits, 0.5, "")
    assert (judgement.verdict is Verdict.WITHIN) == (10 <= digits <= 20)
    assert (judgement.margin is Margin.CLOSE_CALL) == (min(abs(digits - 10), abs(digits - 20)) <= Decimal("0.5"))
