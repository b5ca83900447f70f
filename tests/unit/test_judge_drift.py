import math
import warnings
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from meterlink.core.equipment import Rating
from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.units import Amount
from meterlink.core.verdicts import Limits
from meterlink.judge.drift.least_squares import fit_line, student_quantile
from meterlink.judge.drift.mann_kendall import (
    MAX_EXACT_VALUES,
    exact_p_value,
    kendall_s,
    kendall_s_variance,
    mann_kendall_test,
    normal_p_value,
)
from meterlink.judge.drift.theil_sen import pair_slopes, sen_interval
from meterlink.judge.drift.trend import MAX_VISITS, MIN_VISITS, LimitSide, Trend, TrendPoint, fit_trend
from meterlink.judge.drift.trend_text import crossing_sentence, trend_sentences
from meterlink.judge.limits import rated_limits

DAY = 86_400 * 10**9  # ns
FIRST = datetime(2025, 5, 1, tzinfo=UTC)
FIRST_NS = int(FIRST.timestamp()) * 10**9
LIMITS = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))  # 42.3 to 47.7


def points(days: list[float], values: list[float], **fields: float | str) -> list[TrendPoint]:
    return [
        TrendPoint(FIRST_NS + round(day * DAY), value, **fields)  # type: ignore[arg-type]
        for day, value in zip(days, values, strict=True)
    ]


def visits(*values: float, every: float = 30) -> Trend:
    return fit_trend(points([every * index for index in range(len(values))], list(values)), LIMITS)


# --- the statistics, against scipy -----------------------------------------------------------------------------------

# Few different numbers give ties; whole numbers give slopes that are equal exactly or not at all.
tied = st.lists(st.tuples(st.integers(0, 40), st.integers(-20, 20)), min_size=2, max_size=45)
untied = st.integers(2, MAX_EXACT_VALUES).flatmap(
    lambda n: st.tuples(st.permutations(range(n)), st.permutations(range(n))).map(
        lambda xy: list(zip(*xy, strict=True))
    )
)
series = st.one_of(tied, untied)


@given(series.filter(lambda pairs: len({x for x, _ in pairs}) > 1))
def test_theil_sen_against_scipy(pairs: list[tuple[int, int]]) -> None:
    x, y = ([float(pair[index]) for pair in pairs] for index in (0, 1))
    slopes = pair_slopes(x, y)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # scipy warns of a variance of 0 and still returns a result
        expected = stats.theilslopes(y, x, 0.95)
    trend = fit_trend(points(x, y))
    assert trend.slope == pytest.approx(expected.slope, abs=1e-9)
    # The intercept of scipy is at x = 0, ours at the first visit.
    assert trend.intercept == pytest.approx(expected.intercept + expected.slope * min(x), abs=1e-9)
    # scipy omits the terms of the variance for ties in both; without such ties the formula is the same.
    if len(set(x)) == len(x) or len(set(y)) == len(y):
        ours = sen_interval(slopes, kendall_s_variance(x, y), 0.95)
        assert ours == pytest.approx((expected.low_slope, expected.high_slope), abs=1e-12)


@given(series)
def test_kendall_against_scipy(pairs: list[tuple[int, int]]) -> None:
    x, y = ([float(pair[index]) for pair in pairs] for index in (0, 1))
    test = mann_kendall_test(x, y)
    expected = stats.kendalltau(x, y, method="exact" if test.exact else "asymptotic")
    if math.isnan(expected.statistic):
        assert (test.tau, test.s, test.p_value) == (None, 0, 1.0)
        return
    assert test.tau == pytest.approx(expected.statistic, abs=1e-9)
    if test.exact:
        assert test.p_value == pytest.approx(expected.pvalue, rel=1e-9)
        return
    # The asymptotic p of scipy has no correction for continuity: without ours it compares the variance with ties.
    variance = kendall_s_variance(x, y)
    assert 2 * stats.norm.sf(abs(test.s) / math.sqrt(variance)) == pytest.approx(expected.pvalue, rel=1e-9)
    corrected = 2 * stats.norm.sf(max(abs(test.s) - 1, 0) / math.sqrt(variance))
    assert test.p_value == pytest.approx(corrected, rel=1e-9)


@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 10, 29, 100, 998])
def test_student_quantiles_against_scipy(coverage: float, degrees: int) -> None:
    assert student_quantile(coverage, degrees) == pytest.approx(stats.t.ppf((1 + coverage) / 2, degrees), rel=1e-11)


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(300, 500)), min_size=3, max_size=30))
def test_least_squares_against_scipy(pairs: list[tuple[int, int]]) -> None:
    x, y = ([float(pair[index]) for pair in pairs] for index in (0, 1))
    if len(set(x)) < 2:
        return
    line, expected = fit_line(x, y), stats.linregress(x, y)
    assert (line.slope, line.intercept) == pytest.approx((expected.slope, expected.intercept), rel=1e-9, abs=1e-9)
    if len(set(y)) > 1:  # scipy gives no standard error for values all equal
        # The standard error of the slope is the residual deviation over the root of the sum of squares.
        assert line.residual_deviation / math.sqrt(line.sum_of_squares) == pytest.approx(
            expected.stderr, rel=1e-6, abs=1e-6
        )


def test_a_further_visit_scatters_as_the_visits_did_and_as_their_level_is_unsure() -> None:
    """t·s·√(1 + 1/n): the prediction interval at the mean of n visits, s from their residuals (textbook)."""
    values = [45.2, 44.9, 44.95, 44.3, 44.2, 43.6, 43.5]
    trend = fit_trend([TrendPoint(86_400 * 10**9 * 180 * number, Decimal(str(v))) for number, v in enumerate(values)])
    slope, intercept, *_ = stats.theilslopes(values, [180.0 * number for number in range(7)])
    squares = sum((v - intercept - slope * 180 * number) ** 2 for number, v in enumerate(values))
    expected = stats.t.ppf(0.975, 5) * math.sqrt(squares / 5) * math.sqrt(1 + 1 / 7)
    assert trend.scatter_half_width == pytest.approx(expected)


@pytest.mark.parametrize("n", range(MIN_VISITS, MAX_EXACT_VALUES + 1))
def test_sens_interval_covers_95_percent_exactly_counted(n: int) -> None:
    # For the ranks of the interval, the exact distribution of S counts how often the true slope lies inside.
    pairs = n * (n - 1) // 2
    ranks = [float(rank) for rank in range(pairs)]
    lower, upper = sen_interval(ranks, kendall_s_variance(range(n), range(n)), 0.95)
    assert lower + upper == pairs - 1
    beyond = pairs - 2 * int(lower)  # S of a slope just outside
    assert 1 - exact_p_value(beyond, n) >= 0.95


def test_below_five_visits_no_order_is_significant() -> None:
    perfect = {n: exact_p_value(n * (n - 1) // 2, n) for n in range(2, 7)}
    assert perfect == pytest.approx({2: 1, 3: 1 / 3, 4: 1 / 12, 5: 1 / 60, 6: 1 / 360})
    assert min(n for n, p in perfect.items() if p <= 0.05) == MIN_VISITS


@given(untied, st.integers(-1000, 1000), st.sampled_from([-2.0, -1.0, 0.5, 3.0]))
def test_shifting_and_scaling_values_shifts_and_scales_the_trend(
    pairs: list[tuple[int, int]], shift: int, scale: float
) -> None:
    x, y = ([float(pair[index]) for pair in pairs] for index in (0, 1))
    before, after = fit_trend(points(x, y)), fit_trend(points(x, [shift + scale * value for value in y]))
    assert before.slope is not None
    assert after.slope == pytest.approx(scale * before.slope, abs=1e-9)
    assert after.mann_kendall.p_value == before.mann_kendall.p_value
    assert after.mann_kendall.s == (before.mann_kendall.s if scale > 0 else -before.mann_kendall.s)


@given(untied, st.randoms(use_true_random=False))
def test_the_order_of_the_points_does_not_matter(pairs: list[tuple[int, int]], rng: Random) -> None:
    x, y = ([float(pair[index]) for pair in pairs] for index in (0, 1))
    given_points = points(x, y)
    shuffled = given_points[:]
    rng.shuffle(shuffled)
    assert fit_trend(shuffled, LIMITS) == fit_trend(given_points, LIMITS)


# --- the trend of a part ---------------------------------------------------------------------------------------------


def test_a_steady_drift_crosses_the_low_limit_between_two_dates() -> None:
    trend = visits(45.0, 44.6, 44.3, 43.8, 43.5)
    assert trend.is_significant
    assert trend.slope_per_year == pytest.approx(-4.7178, abs=1e-4)
    (crossing,) = trend.crossings
    assert (crossing.side, crossing.already_crossed) == (LimitSide.LOW, False)
    assert crossing.earliest is not None
    assert crossing.expected is not None
    assert crossing.latest is not None
    assert trend.last_time < crossing.earliest < crossing.expected < crossing.latest
    # On the line: 44.3 at day 60, falling 0.0129167 a day to 42.3.
    assert trend.days_since_first(crossing.expected) == pytest.approx(60 + 2 / 0.01291667, abs=0.01)


def test_the_range_of_dates_includes_the_true_date() -> None:
    # A part that falls 4 µF a year, with meters that scatter by 0.15 µF: in at least 95 % of 400 such histories of 8
    # visits the range includes the true date, because it covers both slope and scatter.
    rng = Random(7)
    days = [25.0 * index for index in range(8)]
    true_date = (45 - 42.3) / 4 * 365.25
    inside = total = 0
    for _ in range(400):
        trend = fit_trend(points(days, [45 - 4 * day / 365.25 + rng.gauss(0, 0.15) for day in days]), LIMITS)
        for crossing in trend.crossings:
            if crossing.side is LimitSide.LOW and trend.is_significant and not crossing.already_crossed:
                total += 1
                late_enough = crossing.earliest is not None and trend.days_since_first(crossing.earliest) <= true_date
                inside += late_enough and (
                    crossing.latest is None or true_date <= trend.days_since_first(crossing.latest)
                )
    assert total > 350
    assert inside / total >= 0.95


def test_no_drift_is_rarely_significant() -> None:
    rng = Random(11)
    days = [30.0 * index for index in range(10)]
    significant = sum(fit_trend(points(days, [rng.gauss(45, 0.2) for _ in days])).is_significant for _ in range(1000))
    assert significant <= 70  # 5 % of 1000, and three standard deviations


def test_without_a_trend_there_is_only_the_earliest_date() -> None:
    trend = visits(44.0, 43.2, 44.1, 43.4, 43.9, 43.1)
    assert not trend.is_significant
    low = next(crossing for crossing in trend.crossings if crossing.side is LimitSide.LOW)
    assert low.earliest is not None
    assert (low.expected, low.latest) == (None, None)
    assert "at the earliest" in crossing_sentence(low, "µF")
    assert trend_sentences(trend, "µF")[0] == "NO TREND SHOWN"


def test_a_part_already_beyond_its_limit() -> None:
    trend = visits(43.6, 43.2, 42.9, 42.5, 42.1)
    (crossing,) = trend.crossings
    assert crossing.already_crossed
    assert "The last visit is below the low limit of 42.3 µF already." in trend_sentences(trend, "µF")
    rising = visits(46.5, 46.9, 47.3, 47.6, 48.0)
    assert [(crossing.side, crossing.already_crossed) for crossing in rising.crossings] == [(LimitSide.HIGH, True)]
    assert trend_sentences(rising, "µF")[0].startswith("DRIFTING UP")
    assert "The last visit is above the high limit of 47.7 µF already." in trend_sentences(rising, "µF")


def test_a_slow_rise_is_said_with_its_slope_a_year() -> None:
    """A tenth of a microfarad a year is up, however slow; slope and interval are in the same unit of time."""
    sentences = trend_sentences(visits(45.0, 45.1, 45.2, 45.3, 45.4, every=365.25), "µF")
    assert sentences[0] == "DRIFTING UP, 0.1 µF a year"
    assert "Slope +0.1 µF a year, with 95 % confidence +0.1 to +0.1." in sentences


def test_a_limit_out_of_reach_has_no_date() -> None:
    trend = visits(45.0, 44.999, 44.998, 44.997, 44.996, every=365)
    assert trend.is_significant
    assert trend.crossings == ()
    assert any("within 30 years" in sentence for sentence in trend_sentences(trend, "µF"))


@pytest.mark.parametrize("values", [[45.0], [45.0, 44.0], [45.0, 44.0, 43.0], [45.0, 44.0, 43.0, 42.0]])
def test_too_few_visits(values: list[float]) -> None:
    trend = visits(*values)
    assert not trend.has_enough_visits
    assert not trend.is_significant
    assert trend.crossings == ()
    assert trend.forecast(FIRST) is None
    assert trend_sentences(trend, "µF")[0] == "NOT ENOUGH VISITS"
    count = len(values)
    assert trend_sentences(trend, "µF")[1].startswith("1 visit, " if count == 1 else f"{count} visits, ")


def test_visits_of_one_time_have_no_slope() -> None:
    trend = fit_trend(points([0] * 6, [45, 44, 43, 45, 44, 43]), LIMITS)
    assert (trend.slope, trend.intercept, trend.slope_per_year, trend.mann_kendall.p_value) == (None, None, None, 1.0)
    assert "all of one time" in trend_sentences(trend, "µF")[1]


def test_values_that_never_change_have_slope_0() -> None:
    trend = visits(45, 45, 45, 45, 45, 45)
    assert (trend.slope, trend.low_slope, trend.high_slope) == (0, 0, 0)
    assert (trend.mann_kendall.s, trend.mann_kendall.p_value, trend.mann_kendall.tau) == (0, 1.0, None)
    assert trend.crossings == ()


def test_one_bad_visit_hardly_moves_the_slope_and_is_noted() -> None:
    steady = [45 - 0.1 * index for index in range(10)]
    spoilt = [*steady[:9], 20.0]
    clean, dirty = visits(*steady), visits(*spoilt)
    assert clean.slope is not None
    assert dirty.slope == pytest.approx(clean.slope, rel=0.01)
    assert clean.notes == ()
    assert any("far off" in note for note in dirty.notes)


def test_several_meters_and_their_uncertainty_are_noted() -> None:
    days, values = [0.0, 30, 60, 90, 120], [45.0, 44.9, 44.8, 44.7, 44.6]
    mixed = [
        TrendPoint(FIRST_NS + int(day) * DAY, value, meter)
        for day, value, meter in zip(days, values, ["a", "a", "b", "b", "b"], strict=True)
    ]
    assert any("2 meters" in note for note in fit_trend(mixed).notes)
    unknown = fit_trend(points(days, values, uncertainty=1.0))
    assert any("less than a meter may be off" in note for note in unknown.notes)
    assert fit_trend(points(days, values, meter="a", uncertainty=1.0)).notes == ()  # its own error stays the same
    assert fit_trend(points(days, values, uncertainty=0.1)).notes == ()


def test_limits_may_be_open_on_one_side() -> None:
    falling = points([0, 30, 60, 90, 120], [12.0, 11.5, 11.0, 10.5, 10.1])
    only_low = Limits(Decimal(8), None, "Ω", "at least 8 Ω")
    assert [crossing.side for crossing in fit_trend(falling, only_low).crossings] == [LimitSide.LOW]
    assert fit_trend(falling, Limits(None, Decimal(18), "Ω", "at most 18 Ω")).crossings == ()
    assert fit_trend(falling).crossings == ()
    assert [crossing.side for crossing in fit_trend(falling).crossings_for(only_low)] == [LimitSide.LOW]


@pytest.mark.parametrize(
    "bad",
    [
        [],
        points([0, 1], [45, math.nan]),
        points([0, 1], [45, math.inf]),
        points([0, 1], [45, 1e300]),
        [TrendPoint(10**30, 45.0)],
        [TrendPoint(9950 * 365 * DAY, 45.0)],
        points(list(range(MAX_VISITS + 1)), [45.0] * (MAX_VISITS + 1)),
    ],
)
def test_refuses_points_without_a_trend(bad: list[TrendPoint]) -> None:
    with pytest.raises(InputError):
        fit_trend(bad, LIMITS)


@given(
    st.lists(
        st.tuples(st.integers(-(10**18), 10**18), st.floats(-1e30, 1e30) | st.decimals("0", "100", places=2)),
        min_size=1,
        max_size=12,
    )
)
def test_any_points_have_a_trend_in_words(pairs: list[tuple[int, float]]) -> None:
    trend = fit_trend([TrendPoint(utc_ns, value) for utc_ns, value in pairs], LIMITS)
    assert 0 <= trend.mann_kendall.p_value <= 1
    assert all(sentence and "\n" not in sentence for sentence in trend_sentences(trend, "µF"))
    for crossing in trend.crossings:
        dates = [date for date in (crossing.earliest, crossing.expected, crossing.latest) if date is not None]
        assert dates == sorted(dates)
        assert crossing.already_crossed or all(date >= trend.last_time for date in dates)
        assert all(date <= trend.last_time + timedelta(days=31 * 366) for date in dates)


def test_s_counts_rises_less_falls() -> None:
    assert kendall_s([1, 2, 3, 4], [1, 3, 2, 2]) == 3 - 2
    assert kendall_s([1, 1, 2], [1, 2, 2]) == 1
    assert normal_p_value(0, 10) == normal_p_value(3, 0) == 1.0


# --- replacements ----------------------------------------------------------------------------------------------------


def test_a_trend_starts_anew_at_a_replacement():
    """Visits before it belong to another part: they say nothing about the drift of this one."""
    values = [44.0, 42.5, 41.0, 45.2, 45.1, 45.15, 45.05, 45.1]
    every = points([30 * index for index in range(len(values))], values)
    swap = Replacement("run capacitor", old_rating="45 µF", new_rating="50 µF", utc_ns=FIRST_NS + 80 * DAY)
    older = Replacement("run capacitor", utc_ns=FIRST_NS - DAY)
    trend = fit_trend(every, LIMITS, [swap, older])
    assert (trend.visit_count, trend.visits_before, trend.replacement) == (5, 3, swap)
    assert trend.slope == fit_trend(every[3:], LIMITS).slope
    assert trend_sentences(trend, "µF")[1] == (
        "The run capacitor was replaced on 2025-07-20 (45 µF by 50 µF): the trend starts anew, and 3 earlier visits are"
        " not counted."
    )


@pytest.mark.parametrize(
    ("swap", "message"),
    [
        (Replacement("run capacitor", utc_ns=FIRST_NS + 400 * DAY), "No visit is later than the replacement on 2026"),
        (Replacement("run capacitor", after_number=3), "The replacement of the run capacitor has no date"),
        (Replacement("run capacitor", utc_ns=10**30), "beyond the calendar"),
    ],
)
def test_an_unusable_replacement(swap, message):
    with pytest.raises(InputError, match=message):
        fit_trend(points([0, 30], [45.0, 44.9]), LIMITS, [swap])
