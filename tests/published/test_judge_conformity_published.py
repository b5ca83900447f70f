"""Conformity, risks and guard bands against published values.

Flags: S, seen in a text that quotes the source; M, from memory; C, recomputed with scipy.
"""

from decimal import Decimal
from itertools import pairwise
from math import sqrt
from statistics import NormalDist

import pytest
from scipy import integrate, stats

from meterlink.core.equipment import PointKind, Rating
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.core.verdicts import Margin, Verdict
from meterlink.judge.conformity import conformance_probability, global_risks, guard_band_for_risk, risk_at_guard_band
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, GuardedSide
from meterlink.judge.judging import judge
from meterlink.judge.limits import rated_limits
from meterlink.judge.measured_value import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine, NormalDistribution, TrapezoidalDistribution


def test_zener_diode_one_sided() -> None:
    # JCGM 106 clause 7, Zener diode: y = -5.47 V, u = 0.05 V, upper limit -5.40 V: p = 0.92 (M); z = 1.40, 0.9192 (C).
    p = conformance_probability(NormalDistribution(0.05), -5.47, None, -5.40)
    assert p == pytest.approx(0.9192, abs=5e-5)
    assert round(p, 2) == 0.92


def test_motor_oil_two_sided() -> None:
    # JCGM 106 clause 7, viscosity of motor oil: y = 13.6, u = 1.8, 12.5 to 16.3: p = 0.66 (M); 0.6626 (C).
    p = conformance_probability(NormalDistribution(1.8), 13.6, 12.5, 16.3)
    assert p == pytest.approx(0.6626, abs=5e-5)
    assert round(p, 2) == 0.66


RESISTORS, OHMMETER = NormalDist(1500, 0.12), NormalDist(0, 0.04)


def test_resistors_accepted_with_a_guard_band() -> None:
    # JCGM 106 clause 9.5, equation 21: y0 = 1500 Ω, u0 = 0.12, um = 0.04, tolerance 1499.80 to 1500.20, acceptance
    # 1499.82 to 1500.18 (inputs S). Published risks 1 % and 7 % (M); .98783, 6.90265 and 9.558 % out (C).
    risks = global_risks(RESISTORS, OHMMETER, 1499.80, 1500.20, 0.02)
    assert 100 * risks.consumers_risk == pytest.approx(0.98783, abs=5e-6)
    assert 100 * risks.producers_risk == pytest.approx(6.90265, abs=5e-6)
    assert 100 * risks.nonconforming == pytest.approx(9.558, abs=5e-4)
    assert (round(100 * risks.consumers_risk), round(100 * risks.producers_risk)) == (1, 7)


def test_resistors_by_simple_acceptance() -> None:
    # The same with acceptance equal to tolerance (C).
    risks = global_risks(RESISTORS, OHMMETER, 1499.80, 1500.20)
    assert 100 * risks.consumers_risk == pytest.approx(1.8942, abs=5e-5)
    assert 100 * risks.producers_risk == pytest.approx(3.7208, abs=5e-5)


@pytest.mark.parametrize(
    ("parts", "meter", "limit", "accepted", "consumer", "producer", "published"),
    [
        # D. Deaver, p. 7: process N(0, 4), test N(0, 1), ±8: .008 and .015 (S; C).
        (4, 1, 8, 8, 0.0080061, 0.0148509, (0.008, 0.015)),
        # p. 10: N(0, 1), N(0, .5), ±2, guard band factor .91: .008 and .066 (S; C).
        (1, 0.5, 2, 0.91 * 2, 0.0080516, 0.0661065, (0.008, 0.066)),
    ],
)
def test_false_accept_and_false_reject(
    parts: float, meter: float, limit: float, accepted: float, consumer: float, producer: float, published: object
) -> None:
    risks = global_risks(NormalDist(0, parts), NormalDist(0, meter), -limit, limit, limit - accepted)
    assert (risks.consumers_risk, risks.producers_risk) == pytest.approx((consumer, producer), abs=5e-8)
    assert (round(risks.consumers_risk, 3), round(risks.producers_risk, 3)) == published


@pytest.mark.parametrize(
    ("in_tolerance", "percent"),
    # NCSLI RP-19, draft tables: probability of false accept in % at a test uncertainty ratio of 4, here the ratio of
    # the two standard deviations, for six probabilities of being in tolerance (S; C).
    [(0.6, 4.83860), (0.7, 3.92234), (0.8, 2.85583), (0.9, 1.59995), (0.95, 0.87101), (0.99, 0.19992)],
)
def test_false_accept_at_a_ratio_of_four(in_tolerance: float, percent: float) -> None:
    scatter = 1 / NormalDist().inv_cdf((1 + in_tolerance) / 2)
    risks = global_risks(NormalDist(0, scatter), NormalDist(0, scatter / 4), -1, 1)
    assert 100 * risks.consumers_risk == pytest.approx(percent, abs=5e-6)
    assert risks.nonconforming == pytest.approx(1 - in_tolerance, abs=1e-12)


@pytest.mark.parametrize(("value", "risk"), [(10, 0.01242), (10.5, 0.10574)])
def test_specific_risk(value: float, risk: float) -> None:
    # Test values of an open calculator of measurement risk (S): N(10, .4) and N(10.5, .4) in 9 to 11.
    assert 1 - conformance_probability(NormalDistribution(0.4), value, 9, 11) == pytest.approx(risk, abs=5e-6)


@pytest.mark.parametrize(
    ("factor", "risk", "below"),
    # ILAC-G8:09/2019, guard w and the most specific risk with U at k = 2: 0 and U from a text that quotes it (S), .83 U
    # (ISO 14253-1) and 1.5 U from memory (M); all recomputed (C).
    [(0, 0.5, None), (0.83, 0.0485, 0.05), (1, 0.02275, 0.025), (1.5, 0.00135, 0.0016)],
)
def test_guard_band_and_the_most_risk(factor: float, risk: float, below: float | None) -> None:
    u = 0.3
    most_risk = risk_at_guard_band(NormalDistribution(u), factor * 2 * u)
    assert most_risk == pytest.approx(risk, abs=5e-5)
    assert below is None or most_risk < below
    assert guard_band_for_risk(NormalDistribution(u), most_risk) == pytest.approx(factor * 2 * u, abs=1e-9)


@pytest.mark.parametrize(
    ("probability", "quantile"), [(0.90, 1.28155), (0.95, 1.64485), (0.99, 2.32635), (0.999, 3.09023)]
)
def test_normal_quantiles(probability: float, quantile: float) -> None:
    # Tables of the normal distribution (C).
    assert guard_band_for_risk(NormalDistribution(1), 1 - probability) == pytest.approx(quantile, abs=5e-6)


def test_a_guard_of_four_fifths_is_not_enough_for_a_rectangle() -> None:
    # .83·U keeps 5 % for a normal error (ISO 14253-1, M); an accuracy line alone is a rectangle and needs more.
    rectangle = TrapezoidalDistribution(1.0)
    assert risk_at_guard_band(rectangle, 0.83 * rectangle.half_width()) == pytest.approx((1 - 0.83 * 0.95) / 2)
    assert guard_band_for_risk(rectangle, 0.05) / rectangle.half_width() == pytest.approx(0.9 / 0.95)


@pytest.mark.parametrize(
    ("rule", "verdict"),
    [
        (SIMPLE_ACCEPTANCE, Verdict.WITHIN),
        (DecisionRule(GuardedSide.ACCEPTANCE), Verdict.CANNOT_TELL),
        (DecisionRule(GuardedSide.REJECTION), Verdict.WITHIN),
        (DecisionRule(GuardedSide.BOTH), Verdict.CANNOT_TELL),
    ],
)
def test_a_reading_printed_on_its_limit(rule: DecisionRule, verdict: Verdict) -> None:
    # 4.70 on a display of hundredths is 4.695 to 4.705 (JCGM 100, F.2.2.1, M): simple acceptance (JCGM 106, 8.2)
    # passes it, guarded acceptance (ISO 14253-1, M) cannot tell even for a meter without any error.
    limits = rated_limits(Rating(Amount(Decimal(5), "µF"), "6 %"))
    measured = MeasuredValue.from_amount(Quantity.CAPACITANCE, parse_amount("4.70 uF"))
    judgement = judge(PointKind.RANGE, limits, measured, AccuracyLine(Decimal(0), Decimal(0)), rule=rule)
    assert judgement.verdict is verdict
    within = verdict is Verdict.WITHIN
    assert judgement.margin is (Margin.CLOSE_CALL if within else None)
    assert judgement.probability == (pytest.approx(0.5) if within else None)
    assert judgement.expanded_uncertainty == pytest.approx(Decimal("0.00475"))


@pytest.mark.parametrize("guard", [-0.3, 0.2, 3.0])
@pytest.mark.parametrize("bias", [0.0, 0.2])
@pytest.mark.parametrize(("low", "high"), [(-1.0, 1.5), (None, 0.5), (0.2, None)])
@pytest.mark.parametrize("spread", [0.01, 0.3, 4.0])
def test_global_risks_against_quadrature(
    spread: float, low: float | None, high: float | None, bias: float, guard: float
) -> None:
    # References: scipy's adaptive quadrature over the same joint density, and the normal distribution of the sum.
    parts, meter = stats.norm(0.1, 0.8), stats.norm(bias, spread)
    bottom, top = -9.0 if low is None else low, 9.0 if high is None else high
    accept_low = -40.0 if low is None else low + guard
    accept_high = 40.0 if high is None else high - guard

    def accepted(value: float) -> float:
        if accept_low >= accept_high:
            return 0.0
        return float(meter.cdf(accept_high - value) - meter.cdf(accept_low - value))

    def mass(start: float, end: float, *, accepting: bool) -> float:
        bends = sorted(
            bend
            for edge in (accept_low - bias, accept_high - bias)
            for bend in (edge - 8 * spread, edge, edge + 8 * spread)
            if start < bend < end
        )
        marks = [start, *bends, end]
        total: float = sum(
            integrate.quad(
                lambda x: parts.pdf(x) * (accepted(x) if accepting else 1 - accepted(x)), a, b, epsabs=1e-12, limit=200
            )[0]
            for a, b in pairwise(marks)
        )
        return total

    risks = global_risks(NormalDist(0.1, 0.8), NormalDist(bias, spread), low, high, guard)
    outside = (mass(-9, bottom, accepting=True) if low is not None else 0) + (
        mass(top, 9, accepting=True) if high is not None else 0
    )
    assert risks.consumers_risk == pytest.approx(outside, abs=2e-8)
    assert risks.producers_risk == pytest.approx(mass(bottom, top, accepting=False), abs=2e-8)
    if accept_low < accept_high:
        total = stats.norm(0.1 + bias, sqrt(0.8**2 + spread**2))
        all_accepted = total.cdf(accept_high) - total.cdf(accept_low)
        assert 1 - risks.nonconforming - risks.producers_risk + risks.consumers_risk == pytest.approx(
            all_accepted, abs=4e-8
        )
