"""Doubt: the displayed value decides, a coarse measurement cannot tell, and prior knowledge supports only 'within'."""

from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import PointKind, Rating, Span
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.judge.judging import MOST_UNCERTAINTY, MeasuredValue, judge
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.service_parts import ASSUMED_SERVICE_PARTS, fitted_service_parts, probability_within
from meterlink.judge.uncertainty import AccuracyLine, TrapezoidalDistribution, parse_accuracy

LINES = [None, parse_accuracy("0.5 % + 2 digits"), parse_accuracy("2 % + 5 digits"), parse_accuracy("5 % + 10 digits")]


def capacitor(reading: Decimal, rated: str, resolution: str, line: AccuracyLine | None = None) -> Judgement:
    limits = rated_limits(Rating(Amount(Decimal(rated), "µF"), "6 %"))
    measured = MeasuredValue(Quantity.CAPACITANCE, reading, "µF", Decimal(resolution))
    return judge(PointKind.CAPACITOR, limits, measured, line)


@pytest.mark.parametrize(
    ("reading", "resolution", "verdict", "margin"),
    [
        # A display of tenths with the assumed accuracy may be off by 0.6 µF: the trade still judges with it.
        ("4.7", "0.1", Verdict.WITHIN, Margin.CLOSE_CALL),
        ("5.0", "0.1", Verdict.WITHIN, Margin.CLOSE_CALL),
        ("4.6", "0.1", Verdict.OUTSIDE, Margin.CLOSE_CALL),
        # A display of whole microfarads may be off by 4.9 µF: it cannot distinguish ±0.3 µF.
        ("5", "1", Verdict.CANNOT_TELL, None),
        ("2", "1", Verdict.CANNOT_TELL, None),
        # Outside by more than the meter may be off: outside, however coarse the display.
        ("11", "1", Verdict.OUTSIDE, Margin.CLEAR),
        # 0 µF on whole microfarads may be 4.7 µF: it does not prove an open section.
        ("0", "1", Verdict.CANNOT_TELL, None),
        ("0.0", "0.1", Verdict.OPEN, None),
    ],
)
def test_a_5_uf_section(reading: str, resolution: str, verdict: Verdict, margin: Margin | None) -> None:
    judgement = capacitor(Decimal(reading), "5", resolution)
    assert (judgement.verdict, judgement.margin) == (verdict, margin)
    assert (judgement.probability is not None) is (margin is not None)
    if verdict is Verdict.CANNOT_TELL:
        assert "times the ±0.3 µF of 5 µF ±6 %" in judgement.reason
        assert judgement.next_measurement


def test_a_finer_display_settles_what_a_coarse_one_cannot_tell() -> None:
    judgement = capacitor(Decimal(5), "5", "1")
    assert "shows 0.1 µF would settle it" in judgement.next_measurement


def test_one_limit_has_no_width_to_be_too_narrow() -> None:
    limits = span_limits(Span(Decimal(1), None, "Ω"))
    judgement = judge(PointKind.RANGE, limits, MeasuredValue(Quantity.RESISTANCE, Decimal(2), "Ω", Decimal(1)))
    assert (judgement.verdict, judgement.margin) == (Verdict.WITHIN, Margin.CLOSE_CALL)


rated_values = st.sampled_from(["2", "3", "5", "7.5", "10", "12.5", "20", "35", "45", "60", "80"])


@given(rated_values, st.sampled_from(["0.01", "0.1", "1"]), st.sampled_from(LINES), st.sampled_from([-1, 1]))
def test_certainty_never_rises_away_from_the_middle(
    rated: str, resolution: str, line: AccuracyLine | None, side: int
) -> None:
    certainty = 1.0
    for permille in range(0, 401, 8):
        reading = Decimal(rated) * (1000 + side * permille) / 1000
        judgement = capacitor(reading, rated, resolution, line)
        probability = judgement.probability
        if judgement.verdict is Verdict.OUTSIDE:
            assert probability is not None
            assert probability <= 0.5 + 1e-9
        if probability is not None:
            assert probability <= certainty + 1e-6
            certainty = probability


@given(rated_values, st.sampled_from(["0.01", "0.1", "1"]), st.sampled_from(LINES), st.integers(-400, 400))
def test_cannot_tell_depends_on_the_measurement_alone(
    rated: str, resolution: str, line: AccuracyLine | None, permille: int
) -> None:
    judgement = capacitor(Decimal(rated) * (1000 + permille) / 1000, rated, resolution, line)
    limits, uncertainty = judgement.limits, judgement.expanded_uncertainty
    assert limits is not None
    assert limits.low is not None
    assert limits.high is not None
    assert judgement.digits is not None
    assert uncertainty is not None
    coarse = uncertainty > MOST_UNCERTAINTY * (limits.high - limits.low) / 2
    proven_outside = not limits.low - uncertainty <= judgement.digits <= limits.high + uncertainty
    assert (judgement.verdict is Verdict.CANNOT_TELL) is (coarse and not proven_outside)


def test_the_prior_is_a_distribution_and_the_probability_agrees_with_quadrature() -> None:
    # Reference library: scipy.integrate.quad.
    from scipy.integrate import quad  # noqa: PLC0415  # only here

    parts = ASSUMED_SERVICE_PARTS
    mass = quad(parts.density, 0, 1)[0] + quad(parts.density, 1, 1.2)[0]
    assert mass == pytest.approx(1, abs=1e-6)
    for value, half_width, half_step in ((4.7, 0.64, 0.05), (4.9, 0.02, 0.005), (4.72, 0.1, 0.1), (5.2, 0.3, 0.05)):
        error = TrapezoidalDistribution(half_width, half_step)
        below = 5 - abs(value - 5)

        def joint(x: float, error: TrapezoidalDistribution = error, below: float = below) -> float:
            return parts.density(x / 5) * error.density(below - x)

        ends = [0.0, 4.7, 5.0, 5.3, 7.0]
        bends = [below + sign * (half_width + other * half_step) for sign in (1, -1) for other in (1, -1)]
        pieces = [
            quad(joint, low, high, points=[bend for bend in bends if low < bend < high] or None, limit=200)[0]
            for low, high in pairwise(ends)
        ]
        expected = (pieces[1] + pieces[2]) / sum(pieces)
        assert probability_within(parts, error, value, 4.7, 5.3, 5.0) == pytest.approx(expected, abs=1e-5)


def test_first_readings_of_new_parts_replace_the_assumed_spread() -> None:
    readings = [0.99 + 0.001 * (number % 21) for number in range(30)]
    parts = fitted_service_parts(readings)
    assert parts.source == "30 first readings of new parts"
    assert parts.healthy_mean == pytest.approx(sum(readings) / 30)
    with pytest.raises(InputError, match="29 first readings"):
        fitted_service_parts(readings[1:])
    with pytest.raises(InputError, match="several parts"):
        fitted_service_parts([1.0] * 30)
