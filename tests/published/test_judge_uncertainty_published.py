"""Uncertainty against published values. Flags: S, seen quoted; M, from memory; C, recomputed."""

from math import sqrt
from random import Random

import pytest

from meterlink.judge.uncertainty import expanded_uncertainty


def test_a_lone_rectangle_has_coverage_factor_1_65() -> None:
    # EA-4/02 supplement 2, S9: k = 1.65 at 95 % where one rectangular term dominates (S), not 2.
    k = expanded_uncertainty(1.0, 0.0) / (1 / sqrt(3))  # u = a/√3: JCGM 100, 4.3.7 (M; C)
    assert k == pytest.approx(1.645, abs=5e-4)


def test_dmm_at_100_volts() -> None:
    # EA-4/02 S9, DMM at 100 V DC: half-widths 0.05 V and 0.011 V (M) give U = 0.05 V (S).
    assert round(expanded_uncertainty(0.05, 2 * 0.011), 2) == 0.05


def test_resolution_of_a_tenth() -> None:
    # JCGM 100, F.2.2.1: a step of 0.1 has u = 0.0288675 (M; C).
    assert expanded_uncertainty(0.0, 0.1) == pytest.approx(0.0288675 * 0.95 * sqrt(3), rel=1e-5)


@pytest.mark.parametrize(("half_width", "step"), [(1.0, 0.5), (1.0, 2.0), (0.2, 1.0), (3.0, 6.0), (0.1, 0.01)])
def test_covers_95_percent_of_what_the_two_errors_really_do(half_width: float, step: float) -> None:
    rng = Random(1)
    limit = expanded_uncertainty(half_width, step)
    trials = 40_000
    inside = sum(
        abs(rng.uniform(-half_width, half_width) + rng.uniform(-step / 2, step / 2)) <= limit for _ in range(trials)
    )
    assert inside / trials == pytest.approx(0.95, abs=0.005)  # four standard deviations of the count
