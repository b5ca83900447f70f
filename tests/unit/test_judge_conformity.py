from math import inf
from statistics import NormalDist

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.judge.conformity import conformance_probability, global_risks, guard_band_for_risk, risk_at_guard_band
from meterlink.judge.uncertainty import Distribution, NormalDistribution, TrapezoidalDistribution, propagate_uncertainty

widths = st.floats(1e-3, 10)
errors: st.SearchStrategy[Distribution] = st.one_of(
    st.builds(NormalDistribution, widths), st.builds(TrapezoidalDistribution, widths, st.one_of(st.just(0.0), widths))
)
values = st.floats(-30, 30)


@given(errors, values, values, st.floats(0, 20))
def test_probability_falls_with_the_distance_from_the_middle(
    error: Distribution, near: float, far: float, half: float
) -> None:
    near, far = sorted((near, far), key=abs)
    assert conformance_probability(error, near, -half, half) >= conformance_probability(error, far, -half, half) - 1e-12


@given(errors, values, st.floats(0, 20))
def test_probability_is_symmetric(error: Distribution, value: float, half: float) -> None:
    above, below = (conformance_probability(error, x, -half, half) for x in (value, -value))
    assert above == pytest.approx(below, abs=1e-12)
    assert 0 <= above <= 1


@given(errors, values)
def test_at_a_limit_far_from_the_other_it_is_even(error: Distribution, limit: float) -> None:
    far = limit + 50 * error.standard_uncertainty
    assert conformance_probability(error, limit, limit, far) == pytest.approx(0.5, abs=1e-9)
    assert conformance_probability(error, limit, limit, None) == pytest.approx(0.5, abs=1e-9)
    assert conformance_probability(error, limit, None, limit) == pytest.approx(0.5, abs=1e-9)


@given(errors, values, st.floats(0, 20))
def test_the_sides_add_up(error: Distribution, value: float, half: float) -> None:
    within = conformance_probability(error, value, -half, half)
    beyond = conformance_probability(error, value, None, -half) + conformance_probability(error, value, half, None)
    assert within + beyond == pytest.approx(1, abs=1e-9)


@given(errors, st.floats(0.01, 0.999))
def test_half_width_and_cdf_are_inverse(error: Distribution, coverage: float) -> None:
    half = error.half_width(coverage)
    assert error.cdf(half) - error.cdf(-half) == pytest.approx(coverage, abs=1e-7)


@given(errors, st.floats(0.001, 0.499))
def test_a_guard_band_has_the_risk_it_was_calculated_for(error: Distribution, risk: float) -> None:
    assert risk_at_guard_band(error, guard_band_for_risk(error, risk)) == pytest.approx(risk, abs=1e-7)


def test_a_tail_keeps_its_digits() -> None:
    # Φ(-20) from a table
    assert conformance_probability(NormalDistribution(1), 20, None, 0) == pytest.approx(
        2.753624118606e-89, rel=1e-9, abs=0
    )
    assert conformance_probability(NormalDistribution(1), -20, 0, 100) == pytest.approx(
        2.753624118606e-89, rel=1e-9, abs=0
    )
    assert conformance_probability(TrapezoidalDistribution(1, 0.5), 1.5 - 1e-9, None, 0) == pytest.approx(
        1e-18 / 4, rel=1e-6, abs=0
    )


def test_no_error_at_all() -> None:
    exact = TrapezoidalDistribution(0, 0)
    assert (exact.standard_uncertainty, exact.half_width()) == (0, 0)
    assert [conformance_probability(exact, value, 0, 1) for value in (-1, 0, 0.5, 1, 2)] == [0, 0.5, 1, 0.5, 0]
    assert exact.cdf(inf) == 1


@pytest.mark.parametrize("risk", [0.0, 1.0, -0.1, 2.0])
def test_a_risk_without_a_guard_band(risk: float) -> None:
    with pytest.raises(InputError, match="cannot be kept"):
        guard_band_for_risk(NormalDistribution(1), risk)


def test_a_risk_of_half_needs_no_guard_band() -> None:
    assert guard_band_for_risk(NormalDistribution(1), 0.5) == guard_band_for_risk(NormalDistribution(1), 0.7) == 0


@given(st.floats(0.1, 3), st.floats(0.01, 3), st.floats(0, 2), st.floats(0.1, 4))
def test_a_guard_moves_risk_from_the_consumer_to_the_producer(
    spread: float, u: float, guard: float, half: float
) -> None:
    assume(guard < half)
    parts, meter = NormalDist(0, spread), NormalDist(0, u)
    simple, guarded = (global_risks(parts, meter, -half, half, w) for w in (0.0, guard))
    assert guarded.consumers_risk <= simple.consumers_risk + 1e-8
    assert guarded.producers_risk >= simple.producers_risk - 1e-8
    assert 0 <= guarded.consumers_risk <= guarded.nonconforming + 1e-8


def test_a_guard_band_wider_than_the_limits_rejects_everything() -> None:
    risks = global_risks(NormalDist(0, 1), NormalDist(0, 0.1), -1, 1, 2)
    assert risks.consumers_risk == 0
    assert risks.producers_risk == pytest.approx(1 - risks.nonconforming, abs=1e-8)


@pytest.mark.parametrize(
    ("parts", "meter", "low", "high"),
    [
        (NormalDist(0, 0), NormalDist(0, 1), -1, 1),
        (NormalDist(0, 1), NormalDist(0, 0), -1, 1),
        (NormalDist(0, 1), NormalDist(0, 1), 1, -1),
    ],
)
def test_risks_need_scatter_and_ordered_limits(parts: NormalDist, meter: NormalDist, low: float, high: float) -> None:
    with pytest.raises(InputError):
        global_risks(parts, meter, low, high)


@given(st.floats(-5, 5), st.floats(-5, 5), st.floats(0.01, 1), st.floats(0.01, 1), st.floats(-1, 1))
def test_propagation_through_a_sum_and_a_difference(a: float, b: float, ua: float, ub: float, r: float) -> None:
    matrix = [[ua**2, r * ua * ub], [r * ua * ub, ub**2]]
    for sign in (1, -1):
        value, u = propagate_uncertainty(lambda x, y, sign=sign: x + sign * y, [a, b], matrix)
        assert value == a + sign * b
        assert u**2 == pytest.approx(max(ua**2 + ub**2 + sign * 2 * r * ua * ub, 0), abs=1e-8)


def test_an_exact_input_adds_no_uncertainty() -> None:
    assert propagate_uncertainty(lambda x, y: x * y, [2.0, 3.0], [[0.0, 0.0], [0.0, 0.01]]) == (6.0, pytest.approx(0.2))


@pytest.mark.parametrize(
    "matrix",
    [
        [[1.0]],
        [[1.0, 0.0]],
        [[1.0, 0.5], [0.4, 1.0]],
        [[-1.0, 0.0], [0.0, 1.0]],
        [[1.0, -2.0], [-2.0, 1.0]],
        [[1e-12, -2e-12], [-2e-12, 1e-12]],  # microamps are no reason to pass it as rounding
    ],
)
def test_matrices_that_are_not_covariances(matrix: list[list[float]]) -> None:
    with pytest.raises(InputError):
        propagate_uncertainty(lambda x, y: x + y, [1.0, 1.0], matrix)
