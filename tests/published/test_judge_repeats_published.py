"""Repeated readings and several meters against published values.

Flags: S, seen quoted; M, from memory; C, recomputed.
"""

from math import sqrt

import pytest

from meterlink.judge.repeats import mean_of_readings, weighted_mean

# JCGM 100, 4.4.3, table 1: twenty readings of a temperature in °C (S, in a discussion that quotes them).
TEMPERATURES = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip


def test_twenty_readings_of_a_temperature() -> None:
    # JCGM 100, 4.4.3: mean 100.145 ≈ 100.14 °C, s = 1.489 ≈ 1.49 °C, s of the mean 0.333 ≈ 0.33 °C (S; C).
    result = mean_of_readings(TEMPERATURES)
    assert result.mean == pytest.approx(100.145, abs=1e-3)
    assert result.standard_deviation == pytest.approx(1.489, abs=5e-4)
    assert result.standard_deviation_of_mean == pytest.approx(0.333, abs=5e-4)


def test_five_readings_of_a_voltage() -> None:
    # JCGM 100, H.2, table H.2: mean 4.9990 V, experimental standard deviation of the mean 0.0032 V (S; C).
    result = mean_of_readings([5.007, 4.994, 5.005, 4.990, 4.999])
    assert (round(result.mean, 4), round(result.standard_deviation_of_mean, 4)) == (4.9990, 0.0032)


def test_three_measurements_of_one_resistance() -> None:
    # A textbook of error analysis, weighted averages: 11 ± 1, 12 ± 1 and 10 ± 3 Ω make 11.42 ± 0.69 Ω (M; C).
    mean, u = weighted_mean([11.0, 12.0, 10.0], [1.0, 1.0, 3.0])
    assert (round(mean, 2), round(u, 2)) == (11.42, 0.69)


def test_the_weighted_mean_of_equal_uncertainties_is_the_mean() -> None:
    # JCGM 100, 5.1.2 and 4.2.3: n independent values of one u make u/√n (C).
    mean, u = weighted_mean([4.0, 5.0, 6.0, 7.0], [0.2] * 4)
    assert (mean, u) == pytest.approx((5.5, 0.2 / sqrt(4)))
