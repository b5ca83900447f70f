"""The published tests of a steady state in the settling study, against published values.

Flags: S, seen in a text that quotes the source; M, from memory; C, recomputed.

R statistic: Cao and Rhinehart, J. Process Control 5 (1995) 363 (M); recursion, factors 0.2, 0.1, 0.1 and limit 2.5 as
in auralius/steady-state-detection, rhinehart/CalculateR.m (S). Von Neumann's ratio: Ann. Math. Statist. 12 (1941) 367
(M); critical values C (a table exists in the R package climtrends).
"""

import math
from decimal import Decimal
from random import Random
from statistics import quantiles

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.settling.detector import SettlingDetector
from studies.settling.published_detectors import LAMBDAS, R_LIMIT, RStatistic, VonNeumannRatio


def test_r_factors_and_limit() -> None:
    assert LAMBDAS == (0.2, 0.1, 0.1)  # S
    assert R_LIMIT == 2.5  # S


def test_r_from_a_zero_start() -> None:
    # C, with the recursion as seen (S).
    values = [1, 2, 3, 4, 5, 5, 5, 5.1, 4.9, 5]
    expected = [1.8, 3.922105, 6.429255, 9.120878, 11.860679, 15.392816, 17.904558, 19.837816, 20.587205, 21.3938]
    statistic = RStatistic(first=0.0)
    assert [statistic.feed(value) for value in values] == pytest.approx(expected, abs=1e-6, rel=1e-6)


def test_r_of_an_endless_ramp() -> None:
    # (2 − λ1)/λ1² = 45 (C): the filter lags by slope/λ1.
    statistic = RStatistic(first=0.0)
    for value in range(1000):
        last = statistic.feed(value)
    assert last == pytest.approx((2 - 0.2) / 0.2**2)
    assert last == pytest.approx(45)


def test_r_of_plus_one_minus_one() -> None:
    # 0.55556 (C): about the filtered value 10/9, successive 2; 1.8·(10/9)²/4.
    statistic = RStatistic(first=0.0)
    for number in range(1000):
        last = statistic.feed((-1) ** number)
    assert last == pytest.approx(0.55556, abs=5e-6)


def test_r_of_white_noise() -> None:
    # 90, 95, 99 and 99.9 % points (C, 200 000 runs; published 1.44 for 95 %, M).
    points = [(0.90, 1.315, 0.01), (0.95, 1.438, 0.015), (0.99, 1.726, 0.03), (0.999, 2.162, 0.1)]
    rng = Random(8)
    statistic = RStatistic(first=0.0)
    ratios = sorted(statistic.feed(rng.gauss(0, 1)) for _ in range(400_000))
    for share, expected, tolerance in points:
        assert ratios[int(share * len(ratios))] == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("readings", "one_percent", "five_percent"),
    [(20, 1.04, 1.30), (30, 1.19, 1.42), (50, 1.36, 1.54), (100, 1.54, 1.67)],
)
def test_von_neumann_ratio_critical_values(readings: int, one_percent: float, five_percent: float) -> None:
    # 1 % and 5 % points for white noise (C).
    rng = Random(readings)
    last_ratios = []
    for _ in range(20_000):
        test = VonNeumannRatio(readings)
        ratios = [test.feed(rng.gauss(0, 1)) for _ in range(readings)]
        assert ratios[-2] is None
        last_ratios.append(ratios[-1] or math.nan)
    cuts = quantiles(last_ratios, n=100)
    assert cuts[0] == pytest.approx(one_percent, abs=0.02)
    assert cuts[4] == pytest.approx(five_percent, abs=0.02)


def test_r_from_a_zero_start_finds_a_change_in_a_constant_and_ours_does_not() -> None:
    # The known trap of the zero start (C): R stays far above its limit although the value is constant.
    statistic = RStatistic(first=0.0)
    assert statistic.feed(4500.0) == pytest.approx(1.8)  # the jump itself, which no test sees in one value
    assert not any(statistic.update(4500.0) for _ in range(100))
    assert first_accepted([4500] * 100) == 8


def test_r_of_a_constant_from_a_warm_start_is_undefined_and_steady() -> None:
    # 0/0 for a constant value (C): defined as steady, by the peers and by ours.
    statistic = RStatistic()
    assert math.isnan(statistic.feed(4500.0))
    assert statistic.update(4500.0)
    ratio = VonNeumannRatio()
    assert [ratio.update(4500.0) for _ in range(20)] == [False] * 19 + [True]


def test_quantised_displays_break_the_noise_model_of_r_and_not_ours() -> None:
    # One step of one count, then rest. From then on both variances decay by 1 − λ each reading, so their quotient
    # stays above the limit: 1.8·(1 + 0.64/0.9 + (0.64/0.9)² + …) = 1.8/(1 − 0.64/0.9) = 6.23 (C).
    statistic = RStatistic()
    displayed = [4500] * 3 + [4501] * 100
    ratios = [statistic.feed(float(counts)) for counts in displayed]
    assert ratios[-1] == pytest.approx(1.8 / (1 - 0.64 / 0.9))
    assert all(ratio > R_LIMIT for ratio in ratios[4:])
    assert first_accepted(displayed) is not None


def first_accepted(displayed: list[int]) -> int | None:
    """Return the index of the reading that our detector accepts, at ten readings a second; None for none."""
    detector = SettlingDetector()
    for index, counts in enumerate(displayed):
        timestamp = Timestamp(0, index * 100_000_000)
        reading = Reading(Quantity.CAPACITANCE, Decimal(counts) / 100, "µF", timestamp, resolution=Decimal("0.01"))
        if detector.feed(reading).settled_reading:
            return index
    return None
