"""Uncertainty against published values. Flags: S, seen quoted; M, from memory; C, recomputed."""

from math import cos, hypot, sin, sqrt
from random import Random
from statistics import covariance, mean

import pytest
from scipy import integrate

from meterlink.judge.uncertainty import TrapezoidalDistribution, expanded_uncertainty, propagate_uncertainty


def test_a_single_rectangle_has_coverage_factor_1_65() -> None:
    # EA-4/02 supplement 2, S9: k = 1.65 at 95 % where one rectangular term dominates (S), not 2.
    k = expanded_uncertainty(1.0, 0.0) / (1 / sqrt(3))  # u = a/√3: JCGM 100, 4.3.7 (M; C)
    assert k == pytest.approx(1.645, abs=5e-4)


def test_dmm_at_100_volts() -> None:
    # EA-4/02 S9, DMM at 100 V DC: contributions .001, .029 and .0064 V (S), of which the last two are rectangles of
    # half-widths .05 and .011 V (M): u = 0.030 V, k = 1.65, U = 0.05 V (S); the exact u is .0295748 (C).
    u = propagate_uncertainty(
        lambda *errors: sum(errors), [0, 0, 0], _diagonal(0.001, 0.05 / sqrt(3), 0.011 / sqrt(3))
    )[1]
    assert u == pytest.approx(0.0295748, abs=5e-8)
    assert round(u, 3) == 0.030
    assert round(1.65 * u, 2) == 0.05
    error = TrapezoidalDistribution(0.05, 0.011)
    assert (round(0.05 / sqrt(3), 3), round(0.011 / sqrt(3), 4)) == (0.029, 0.0064)
    assert error.standard_uncertainty == pytest.approx(hypot(0.05, 0.011) / sqrt(3))
    # The exact trapezoid of the two rectangles: k is just above that of the larger rectangle, U is as printed.
    assert 1.645 < error.half_width() / error.standard_uncertainty < 1.72
    assert round(expanded_uncertainty(0.05, 2 * 0.011), 2) == 0.05


def _diagonal(*uncertainties: float) -> list[list[float]]:
    return [[u**2 if i == j else 0.0 for j in range(len(uncertainties))] for i, u in enumerate(uncertainties)]


def test_resolution_of_a_tenth() -> None:
    # JCGM 100, F.2.2.1: a step of 0.1 has u = 0.0288675 (M; C).
    assert TrapezoidalDistribution(0.0, 0.1 / 2).standard_uncertainty == pytest.approx(0.0288675, abs=5e-8)
    assert expanded_uncertainty(0.0, 0.1) == pytest.approx(0.0288675 * 0.95 * sqrt(3), rel=1e-5)


@pytest.mark.parametrize("half_width", [0.05, 1.0, 7.0])
def test_rectangle(half_width: float) -> None:
    # JCGM 100, 4.3.7: u = a/√3 (M; C).
    assert TrapezoidalDistribution(half_width).standard_uncertainty == pytest.approx(half_width / sqrt(3))


@pytest.mark.parametrize(("first", "second"), [(1, 0), (1, 1e-6), (1, 0.1), (1, 0.5), (0.5, 1), (1, 1), (3, 2.9)])
@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.95, 0.99])
def test_effective_coverage_factor_of_a_trapezoid(first: float, second: float, coverage: float) -> None:
    # EA-4/02 supplement 2, S10, closed form (M) with β = |a-b|/(a+b); and numerically, from the trapezoid's density.
    error = TrapezoidalDistribution(first, second)
    k = error.half_width(coverage) / error.standard_uncertainty
    beta = abs(first - second) / (first + second)
    if coverage <= 2 * beta / (1 + beta):
        published = coverage * (1 + beta) / 2 / sqrt((1 + beta**2) / 6)
    else:
        published = (1 - sqrt((1 - coverage) * (1 - beta**2))) / sqrt((1 + beta**2) / 6)
    assert k == pytest.approx(published, rel=1e-9)
    wide, narrow = max(first, second), min(first, second)

    def density(x: float) -> float:
        if abs(x) <= wide - narrow:
            return 1 / (2 * wide)
        return max(wide + narrow - abs(x), 0) / (4 * wide * narrow)

    limit = error.half_width(coverage)
    bends = [bend for bend in (wide - narrow,) if bend < limit]
    inside = sum(
        integrate.quad(density, a, b, epsabs=1e-12)[0]
        for a, b in zip([0.0, *bends], [*bends, limit], strict=True)
        if b > a
    )
    assert 2 * inside == pytest.approx(coverage, abs=1e-9)


@pytest.mark.parametrize(("half_width", "step"), [(1.0, 0.5), (1.0, 2.0), (0.2, 1.0), (3.0, 6.0), (0.1, 0.01)])
def test_covers_95_percent_of_simulated_errors(half_width: float, step: float) -> None:
    rng = Random(1)
    limit = expanded_uncertainty(half_width, step)
    trials = 40_000
    inside = sum(
        abs(rng.uniform(-half_width, half_width) + rng.uniform(-step / 2, step / 2)) <= limit for _ in range(trials)
    )
    assert inside / trials == pytest.approx(0.95, abs=0.005)  # four standard deviations of the count


# JCGM 100, H.2, five sets of simultaneous readings (S): volts, milliamps, radians.
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
MILLIAMPS = [19.663, 19.639, 19.640, 19.685, 19.678]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


@pytest.mark.parametrize(
    ("component", "value", "u"), [("R", 127.732, 0.071), ("X", 219.847, 0.296), ("Z", 254.260, 0.236)]
)
def test_impedance_from_correlated_readings(component: str, value: float, u: float) -> None:
    # JCGM 100, H.2: R = V/I·cos φ, X = V/I·sin φ, Z = V/I with the covariances of the means (S; C).
    model = {
        "R": lambda v, i, phi: v / i * cos(phi),
        "X": lambda v, i, phi: v / i * sin(phi),
        "Z": lambda v, i, _: v / i,
    }[component]
    readings = [VOLTS, [amps / 1000 for amps in MILLIAMPS], PHASE]
    covariances = [[covariance(a, b) / 5 for b in readings] for a in readings]
    result = propagate_uncertainty(model, [mean(series) for series in readings], covariances)
    assert (round(result[0], 3), round(result[1], 3)) == (value, u)
    # Without the correlation the result is different, so this test can fail.
    uncorrelated = [[entry if i == j else 0.0 for j, entry in enumerate(row)] for i, row in enumerate(covariances)]
    assert round(propagate_uncertainty(model, [mean(series) for series in readings], uncorrelated)[1], 3) != u
