"""Trend statistics against published values.

Flags: S, seen in a text that quotes the source; M, from memory; C, recomputed.
"""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from math import sqrt
from statistics import median

import pytest

from meterlink.core.equipment import Rating
from meterlink.core.units import Amount
from meterlink.judge.drift.mann_kendall import (
    exact_p_value,
    kendall_s,
    kendall_s_variance,
    mann_kendall_test,
    normal_p_value,
)
from meterlink.judge.drift.theil_sen import pair_slopes, sen_interval
from meterlink.judge.drift.trend import LimitSide, TrendPoint, fit_trend
from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.label.usual_values import CapacitorKind
from meterlink.judge.limits import rated_limits

DAY = 86_400 * 10**9  # ns
FIRST = datetime(2025, 5, 1, tzinfo=UTC)
FIRST_NS = int(FIRST.timestamp()) * 10**9

# Annual flow of the Nile at Aswan, 1871-1970, 10⁸ m³ (the data set "Nile" of R's package datasets; M).
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip


def days(times: list[float], values: list[float]) -> list[TrendPoint]:
    return [TrendPoint(FIRST_NS + round(time * DAY), value) for time, value in zip(times, values, strict=True)]


def test_sen_1968() -> None:
    # P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, the worked example (S, in scipy's own tests; C): slope 4, intercept
    # 4 (the median of y less 4 times the median of x; 6 by the median of y - 4x), 93 % interval 3.714 to 4.375.
    x: list[float] = [1, 2, 3, 4, 10, 12, 18]
    y: list[float] = [9, 15, 19, 20, 45, 55, 78]
    slopes = pair_slopes(x, y)
    assert median(slopes) == 4
    assert sen_interval(slopes, kendall_s_variance(x, y), 0.93) == pytest.approx((26 / 7, 4.375))
    trend = fit_trend(days(x, y))
    assert trend.slope == pytest.approx(4)
    assert trend.intercept == pytest.approx(4 + 4 * 1)  # ours is at the first visit, x = 1
    assert median(b - 4 * a for a, b in zip(x, y, strict=True)) == 6


X5: list[float] = [1, 2, 3, 4, 5]
Y5: list[float] = [1.26, 1.27, 1.12, 1.16, 1.03]


def test_hollander_wolfe_example_9_1() -> None:
    # M. Hollander, D. A. Wolfe, E. Chicken, Nonparametric Statistical Methods, example 9.1 (data S; slope -0.056 and
    # one-sided p 0.117 in the book M; C): slope -0.05625, S -6, tau -0.6, exact two-sided p 0.23333.
    trend = fit_trend(days(X5, Y5))
    assert trend.slope == pytest.approx(-0.05625)
    assert (trend.mann_kendall.s, trend.mann_kendall.exact) == (-6, True)
    assert trend.mann_kendall.tau == pytest.approx(-0.6)
    assert trend.mann_kendall.p_value == pytest.approx(0.23333, abs=5e-6)
    assert trend.mann_kendall.p_value / 2 == pytest.approx(0.117, abs=5e-4)
    assert not trend.is_significant
    # The intercept depends on the origin of x: 1.32875 with x from 1, 1.2725 with x from 0 (C).
    assert trend.intercept == pytest.approx(1.2725)
    assert trend.intercept is not None
    assert trend.slope is not None
    assert trend.intercept - trend.slope == pytest.approx(1.32875)


def test_three_ways_to_the_same_p_differ() -> None:
    # C: with n = 3 even a perfect order has p 0.296 by the corrected normal approximation, 1/3 exactly.
    assert normal_p_value(3, kendall_s_variance([1, 2, 3], [1, 2, 3])) == pytest.approx(0.296, abs=5e-4)
    assert exact_p_value(3, 3) == pytest.approx(1 / 3)
    # C: example 9.1 above exactly .2333, corrected normal .2207; without the correction for continuity .1416.
    variance = kendall_s_variance(X5, Y5)
    assert exact_p_value(-6, 5) == pytest.approx(0.2333, abs=5e-5)
    assert normal_p_value(-6, variance) == pytest.approx(0.2207, abs=5e-5)
    assert normal_p_value(-7, variance) == pytest.approx(0.1416, abs=5e-5)


def test_one_to_ten() -> None:
    # C: S 45, variance 125, z 3.93548, p 8.303e-5 by the corrected normal approximation.
    x = list(range(1, 11))
    assert (kendall_s(x, x), kendall_s_variance(x, x)) == (45, 125)
    assert (45 - 1) / sqrt(kendall_s_variance(x, x)) == pytest.approx(3.93548, abs=5e-6)
    assert normal_p_value(45, 125) == pytest.approx(8.303e-5, rel=1e-4)
    # Without ties p is exact: the two perfect orders of 10! (arithmetic).
    assert mann_kendall_test(x, x).p_value == pytest.approx(2 / 3_628_800)


def test_constant_values() -> None:
    # C: six equal values: S 0, p 1, slope 0.
    trend = fit_trend(days([0, 1, 2, 3, 4, 5], [7.0] * 6))
    assert (trend.mann_kendall.s, trend.mann_kendall.p_value, trend.slope) == (0, 1, 0)


def test_nile() -> None:
    # C: S -1387, variance 112728.33, z -4.12807, slope -2.6, 95 % interval -3.628 to -1.429.
    years = [float(year) for year in range(1871, 1971)]
    flow = [float(value) for value in NILE]
    test, variance = mann_kendall_test(years, flow), kendall_s_variance(years, flow)
    assert (test.s, test.exact) == (-1387, False)
    assert variance == pytest.approx(112728.33, abs=5e-3)
    assert (test.s + 1) / sqrt(variance) == pytest.approx(-4.12807, abs=5e-6)
    trend = fit_trend(days(years, flow))
    assert trend.slope == pytest.approx(-2.6)
    assert (trend.low_slope, trend.high_slope) == pytest.approx((-3.628, -1.429), abs=5e-4)
    assert trend.is_significant


def test_a_capacitor_measured_every_month() -> None:
    # C: C = 45.0 44.6 44.3 43.8 43.5 µF at 0, 30, 60, 90, 120 days. Least squares: -0.0126667 µF a day from 45.0; at
    # day 210 42.340 ± 0.3161 µF (95 % prediction interval); 42.3 µF is crossed at day 213.16.
    limits = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))
    trend = fit_trend(days([0, 30, 60, 90, 120], [45.0, 44.6, 44.3, 43.8, 43.5]), limits)
    line = trend.least_squares
    assert line is not None
    assert (line.slope, line.intercept) == pytest.approx((-0.0126667, 45.0), abs=5e-8)
    assert trend.forecast(FIRST + timedelta(days=210)) == pytest.approx((42.340, 0.3161), abs=5e-5)
    assert (42.3 - line.intercept) / line.slope == pytest.approx(213.16, abs=5e-3)
    # The robust line crosses two days later, and its range of dates includes the least-squares date.
    (crossing,) = trend.crossings
    assert crossing.side is LimitSide.LOW
    assert crossing.earliest is not None
    assert crossing.expected is not None
    assert crossing.latest is not None
    assert trend.days_since_first(crossing.expected) == pytest.approx(213.16, abs=2)
    assert trend.days_since_first(crossing.earliest) < 213.16 < trend.days_since_first(crossing.latest)


def test_the_end_of_life_is_another_limit_than_the_marked_one() -> None:
    # IEC 60252-1: drift of 10 % beyond the tolerance is failure, so a ±5 % part fails near -15 % (S). A 45 µF ±5 % part
    # of 42 µF is outside its marked limits and has not failed by that standard.
    part = parse_rating("45 uF ±5 % 440 V")
    (marked,), (failed,) = part.limits(), part.end_of_life_limits()
    assert part.kind is CapacitorKind.RUN
    assert marked.low == Decimal("42.75")
    assert failed.low == Decimal("38.25") == 45 * Decimal("0.85")
    falling = days([0, 30, 60, 90, 120], [45.0, 44.6, 44.3, 43.8, 43.5])
    trend = fit_trend(falling, marked)
    (first,), (second,) = trend.crossings, trend.crossings_for(failed)
    assert first.expected is not None
    assert second.earliest is not None
    assert first.expected < second.earliest
