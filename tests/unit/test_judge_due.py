"""Parts that are due: the state of a part, against scipy and against drifts whose true dates are known."""

import math
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from random import Random

import pytest
from scipy import stats

from meterlink.core.clock import Timestamp, utc_nanoseconds
from meterlink.core.equipment import CircuitState, Meter, PointKind, Rating, Site
from meterlink.core.readings import Reading, Status
from meterlink.core.replacements import Replacement
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.drift.due import DueState, PartDue, Sureness, assess_part
from meterlink.judge.drift.part_groups import DatedReplacement, series_of_parts
from meterlink.judge.drift.part_series import PartSeries
from meterlink.judge.drift.trend import DAYS_PER_YEAR
from meterlink.judge.limits import rated_limits

NOW = datetime(2026, 11, 27, 12, tzinfo=UTC)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
YEAR = timedelta(days=DAYS_PER_YEAR)
LIMITS = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))  # 42.3 to 47.7 µF
NOISE = 0.15  # µF, standard deviation of a reading: a meter of 0.5 %, and the temperature of the day (from memory)


@dataclass(frozen=True)
class Row:
    """An accepted reading, made by hand."""

    id: int
    reading: Reading
    judgement: Judgement
    visit_uid: str
    rating: str = "45 µF ±6 %"
    meter: Meter = field(default_factory=lambda: Meter("00:00:5E:00:53:0A", "clamp meter"))
    clock_set: bool | None = True
    site: Site = field(default_factory=lambda: Site("Mill Lane bakery", "Condenser 1"))
    circuit: str = "compressor"
    component: str = "run capacitor"
    section: str = "HERM"
    terminals: tuple[str, str] = ("C", "HERM")
    kind: PointKind = PointKind.CAPACITOR
    state: CircuitState = CircuitState.ISOLATED


def row(number: int, when: datetime, value: float, limits: Limits | None = LIMITS, **changes: object) -> Row:
    digits = Decimal(str(round(value, 2)))
    verdict, margin = Verdict.NO_LIMITS, None
    if limits is not None:
        assert limits.low is not None
        assert limits.high is not None
        verdict = Verdict.WITHIN if limits.low <= digits <= limits.high else Verdict.OUTSIDE
        margin = Margin.CLEAR
    judgement = Judgement(verdict, margin, limits, digits, None, None, "", "")
    reading = Reading(Quantity.CAPACITANCE, digits, "µF", Timestamp(utc_nanoseconds(when), 1))
    return Row(number, reading, judgement, f"visit-{number}", **changes)  # type: ignore[arg-type]


def part(
    values: list[float], last: datetime = NOW - timedelta(days=30), replaced: tuple[Replacement, ...] = (),
    **changes: object,
) -> PartSeries[Row]:  # fmt: skip
    """Return a part with a value every half year, the newest ``last``."""
    first = last - (len(values) - 1) * YEAR / 2
    rows = [row(number, first + number * YEAR / 2, value, **changes) for number, value in enumerate(values)]  # type: ignore[arg-type]
    return PartSeries.from_visits(rows, replaced, now_utc_ns=utc_nanoseconds(NOW))


def assess(series: PartSeries[Row], months: float = 12, unseen: float = 24) -> PartDue[Row]:
    return assess_part(series, NOW + YEAR * months / 12, NOW - YEAR * unseen / 12)


STEADY = [45.0, 44.5, 44.0, 43.5, 43.0]  # falls 1 µF a year without any scatter: 42.3 µF is reached in 0.7 years


@pytest.mark.parametrize(
    ("months", "state", "sureness"),
    [(12, DueState.DUE, Sureness.SURE), (6, DueState.NOT_DUE, None), (24, DueState.DUE, Sureness.SURE)],
)
def test_a_steady_fall_is_due_when_its_date_lies_within_the_months(
    months: float, state: DueState, sureness: Sureness | None
) -> None:
    """Without scatter the three dates are one: 0.7 years after the last visit."""
    found = assess(part(STEADY), months)
    assert (found.state, found.sureness) == (state, sureness)
    if found.crossing is not None:
        assert found.crossing.expected is not None
        assert (found.crossing.expected - (NOW - timedelta(days=30))) / YEAR == pytest.approx(0.7, abs=0.01)
        assert found.reason.startswith("Falls 1 µF a year: below 42.3 µF about 2027-07-")


def test_the_expected_date_is_that_of_scipys_line() -> None:
    """Theil's slope and the line through the medians: the date on it is where scipy's estimate meets the limit."""
    values = [45.2, 44.9, 44.95, 44.3, 44.2, 43.6, 43.5]
    found = assess(part(values), 36)
    days = [index * DAYS_PER_YEAR / 2 for index in range(len(values))]
    slope, intercept, *_ = stats.theilslopes(values, days)
    assert found.crossing is not None
    assert found.crossing.expected is not None
    first = NOW - timedelta(days=30) - 3 * YEAR
    assert (found.crossing.expected - first) / timedelta(days=1) == pytest.approx((42.3 - intercept) / slope, abs=0.1)


def test_a_steady_rise_is_due_at_the_high_limit() -> None:
    found = assess(part([45.0, 45.5, 46.0, 46.5, 47.0]))
    assert (found.state, found.sureness) == (DueState.DUE, Sureness.SURE)
    assert found.reason.startswith("Rises 1 µF a year: above 47.7 µF about 2027-07-")


def test_how_sure_a_date_is_depends_on_which_date_lies_within_the_months() -> None:
    series = part([45.2, 44.9, 44.95, 44.3, 44.2, 43.6, 43.5])
    crossing = next(crossing for crossing in series.trend.crossings) if series.trend else None
    assert crossing is not None
    for date, sureness in (
        (crossing.earliest, Sureness.POSSIBLE), (crossing.expected, Sureness.LIKELY), (crossing.latest, Sureness.SURE),
    ):  # fmt: skip
        assert date is not None
        assert assess_part(series, date, EPOCH).sureness is sureness
    assert crossing.earliest is not None
    assert assess_part(series, crossing.earliest - timedelta(days=1), EPOCH).state is DueState.NOT_DUE


def test_a_date_that_has_passed_since_the_last_visit_is_due() -> None:
    """Nobody was there when it crossed its limit: that makes it no less due."""
    found = assess(part(STEADY, NOW - YEAR), 0)
    assert (found.state, found.sureness) == (DueState.DUE, Sureness.SURE)


@pytest.mark.parametrize("values", [[43.0], [44.0, 43.0], STEADY[:4]])
def test_fewer_than_five_visits_tell_nothing(values: list[float]) -> None:
    """Four fall into perfect order by chance in 2 of 24 cases (counted): no date, and no word that it is good."""
    found = assess(part(values))
    assert (found.state, found.crossing) == (DueState.CANNOT_TELL, None)
    assert "5 are needed" in found.reason


def test_scatter_near_a_limit_is_neither_due_nor_good() -> None:
    found = assess(part([42.9, 42.5, 42.8, 42.4, 42.9, 42.6]))
    assert found.state is DueState.CANNOT_TELL
    assert found.reason == "No trend shown, but its scatter may hide one."


def test_a_part_far_inside_its_limits_with_no_trend_is_not_due() -> None:
    found = assess(part([45.02, 45.0, 45.01, 45.03, 45.0, 45.02]))
    assert found.state is DueState.NOT_DUE


def test_a_part_that_moves_away_from_a_limit_is_not_due_at_it() -> None:
    """It rises from near the low limit: the scatter still touches that limit, the drift does not lead there."""
    found = assess(part([42.4, 42.6, 42.5, 42.8, 42.75, 43.0, 43.1]))
    assert found.state is DueState.NOT_DUE


def test_outside_at_the_last_visit_comes_first_whatever_the_trend_says() -> None:
    found = assess(part([45.0, 44.0, 43.0, 42.0, 41.0]))
    assert (found.state, found.reason) == (DueState.OUTSIDE, "The last visit found it outside.")
    last = row(0, NOW, 42.2)
    close = replace(last, judgement=replace(last.judgement, margin=Margin.CLOSE_CALL))
    by_a_hair = assess(PartSeries.from_visits([close], now_utc_ns=utc_nanoseconds(NOW)))
    assert by_a_hair.reason == "The last visit found it outside, a close call."


def test_how_far_outside_is_counted_in_widths_of_the_limits_or_in_the_one_limit() -> None:
    """5 µF below a span of 10 µF is worse than 5 µF above a limit of 50 µF: a half of it, and a tenth."""
    span = replace(LIMITS, low=Decimal(40), high=Decimal(50))
    most = replace(LIMITS, low=None, high=Decimal(50))
    below = assess(part([35.0], limits=span))
    last = row(0, NOW, 55.0, span)
    above = assess(
        PartSeries.from_visits(
            [replace(last, judgement=replace(last.judgement, limits=most))], now_utc_ns=utc_nanoseconds(NOW)
        )
    )
    assert (below.urgency[1], above.urgency[1]) == (-0.5, -0.1)
    assert sorted([above, below], key=lambda part: part.urgency) == [below, above]


def test_the_farthest_outside_is_the_worst_and_an_open_part_before_all() -> None:
    slightly, far = assess(part([42.2])), assess(part([30.0]))
    opened = row(0, NOW, 45.0)
    open_part = PartSeries.from_visits(
        [Row(0, opened.reading, Judgement(Verdict.OPEN, None, LIMITS, None, None, None, "", ""), "v")],
        now_utc_ns=utc_nanoseconds(NOW),
    )
    due = assess(part(STEADY))
    unseen = assess(part([45.0], NOW - 3 * YEAR))
    longer = assess(part([45.0], NOW - 4 * YEAR))
    mixed = [unseen, due, slightly, longer, far, assess(open_part)]
    assert sorted(mixed, key=lambda part: part.urgency) == [mixed[5], far, slightly, due, longer, unseen]


def test_a_part_not_measured_for_long_is_listed_unless_it_is_due() -> None:
    assert assess(part([45.0, 45.0], NOW - 3 * YEAR)).state is DueState.NOT_MEASURED
    assert assess(part([45.02, 45.0, 45.01, 45.03, 45.0, 45.02], NOW - 3 * YEAR)).state is DueState.NOT_MEASURED
    assert assess(part(STEADY, NOW - 3 * YEAR)).state is DueState.DUE
    assert assess(part([45.0], NOW - YEAR), unseen=11).state is DueState.NOT_MEASURED


def test_a_time_without_a_set_clock_is_not_long_ago() -> None:
    """A board whose clock was not set shows a day in the past: nobody knows when that reading was."""
    assert assess(part([45.0], EPOCH + YEAR, clock_set=False)).state is DueState.CANNOT_TELL


def test_a_new_part_without_a_reading_is_not_measured_whatever_the_old_one_did() -> None:
    swap = Replacement("run capacitor", "compressor", after_number=4, utc_ns=1_790_000_000 * 10**9)
    found = assess(part([45.0, 44.0, 43.0, 42.0, 41.0], replaced=(swap,)))
    assert (found.state, found.is_unseen) == (DueState.NOT_MEASURED, False)
    assert found.reason == "The part of 2026-09-21 is not measured yet."


def test_only_the_visits_to_the_present_part_make_it_due() -> None:
    swap = Replacement("run capacitor", "compressor", after_number=2, utc_ns=1)
    found = assess(part([45.0, 43.5, 42.5, 45.1, 45.0], replaced=(swap,)))
    assert (found.state, found.reason) == (DueState.CANNOT_TELL, "2 visits: 5 are needed.")


@pytest.mark.parametrize(
    ("site", "unit", "replaced"),
    [
        ("Mill Lane bakery", "Condenser 1", {"HERM", "FAN"}),  # a dual capacitor is one part
        ("MILL LANE BAKERY", "condenser 1", {"HERM", "FAN"}),
        ("Mill Lane bakery", "", {"HERM", "FAN", "other unit"}),
        ("", "", {"HERM", "FAN", "other unit", "other site"}),
        ("Mill Lane bakery", "Condenser 3", set()),
    ],
)
def test_a_replacement_counts_for_the_parts_of_its_unit(site: str, unit: str, replaced: set[str]) -> None:
    """One visit to each part, and the replacement after it: the part that is there now was not measured yet."""
    before, after = NOW - YEAR, NOW - YEAR / 2
    rows = [
        row(0, before, 45.0),
        row(1, before, 5.0, section="FAN"),
        row(2, before, 45.0, section="other unit", site=Site("Mill Lane bakery", "Condenser 2")),
        row(3, before, 45.0, section="other site", site=Site("Harbour hotel", "Condenser 1")),
    ]
    new = Replacement("run capacitor", "compressor", (), utc_ns=utc_nanoseconds(after))
    series = series_of_parts(rows, [DatedReplacement(new, site, unit)], now_utc_ns=utc_nanoseconds(NOW))
    assert {part.visits[-1].section for part in series if part.newest_part is not None} == replaced


def test_of_a_visit_the_last_reading_of_each_test_point_counts() -> None:
    first, again = row(0, NOW, 40.0), replace(row(1, NOW, 45.0), visit_uid="visit-0")
    (series,) = series_of_parts([first, again], [], now_utc_ns=utc_nanoseconds(NOW))
    assert list(series.visits) == [again]


def test_a_running_circuit_gives_no_date() -> None:
    """Amps rise with the weather (common practice, no source): five visits in a warming spring are no wear."""
    found = assess(part(STEADY, state=CircuitState.ENERGIZED))
    assert found.state is DueState.CANNOT_TELL
    assert "the weather" in found.reason


def test_without_limits_there_is_no_date() -> None:
    assert assess(part(STEADY, limits=None)).reason == "Its limits are not known."


SOUND = [45.02, 45.0, 45.01, 45.03, 45.0, 45.02]


def ending_with(values: list[float], verdict: Verdict, digits: str | None = None, **changes: object) -> PartSeries[Row]:
    """Return a part that was read with ``values``, and last with a reading of this verdict, without digits an OL."""
    rows = list(part(values, NOW - YEAR).visits)
    value = None if digits is None else Decimal(digits)
    timestamp = row(0, NOW - timedelta(days=30), 45.0).reading.timestamp
    status = Status.OVERLOAD if value is None else Status.OK
    reading = Reading(Quantity.CAPACITANCE, value, "µF", timestamp, status)
    judgement = Judgement(verdict, None, LIMITS, value, None, None, "", "")
    last = Row(99, reading, judgement, "last", **changes)  # type: ignore[arg-type]
    return PartSeries.from_visits([*rows, last], now_utc_ns=utc_nanoseconds(NOW))


def with_a_future_visit(values: list[float], last: float) -> PartSeries[Row]:
    rows = [*part(values).visits, row(99, NOW + 60 * YEAR, last)]
    return PartSeries.from_visits(rows, now_utc_ns=utc_nanoseconds(NOW))


def test_a_falling_part_is_due_though_a_clock_ran_ahead_once() -> None:
    """With the visit of 2086 in its line, no date could lie before 2086, and the part would not be due."""
    found = assess(with_a_future_visit(STEADY, 42.9))
    assert (found.state, found.sureness) == (DueState.DUE, Sureness.SURE)
    assert found.reason.startswith("Falls 1 µF a year: below 42.3 µF about 2027-07-")


def test_a_part_whose_last_visit_is_dated_in_the_future_is_not_called_not_due() -> None:
    found = assess(with_a_future_visit(SOUND, 42.4))
    assert found.state is DueState.CANNOT_TELL
    assert found.reason == "The last reading decides nothing: its date is in the future."


def test_a_part_found_outside_by_a_clock_that_ran_ahead_is_outside() -> None:
    assert assess(with_a_future_visit(SOUND, 42.2)).state is DueState.OUTSIDE


@pytest.mark.parametrize(
    ("days", "undated"),
    [
        ([0, 100, 200, 300], []),
        ([0, 100, 99.5, 300], []),  # clocks that differ by hours
        ([0, 100, -2000, 300, 400], [2]),  # one clock was back
        ([0, 800, 200, 300, 400], [1]),  # one clock was ahead, of a day that has come since
        ([0, 300, 100], [1, 2]),  # one of the two is wrong, and nothing says which
        ([300, 0], [0, 1]),
        ([0, 900, 950, 100, 200, 300], [1, 2]),  # a season with a clock that was ahead
    ],
)
def test_a_date_that_does_not_fit_the_order_of_acceptance_is_left_out(days: list[float], undated: list[int]) -> None:
    rows = [row(number, NOW + timedelta(days=day - 1000), 45.0) for number, day in enumerate(days)]
    series = PartSeries.from_visits(rows, now_utc_ns=utc_nanoseconds(NOW))
    assert sorted(series.undated) == undated
    assert {reason for _, reason in series.excluded} <= {"its date does not fit the order of the visits"}


def test_clocks_that_differ_by_hours_are_no_reason_to_leave_a_visit_out() -> None:
    rows = [*part(SOUND).visits, row(99, NOW + timedelta(hours=20), 45.0)]
    assert PartSeries.from_visits(rows, now_utc_ns=utc_nanoseconds(NOW)).excluded == ()


@pytest.mark.parametrize("verdict", [Verdict.NO_CONTACT, Verdict.NOTHING_FLOWS, Verdict.OVER_RANGE])
def test_a_part_whose_last_reading_decides_nothing_is_not_called_not_due(verdict: Verdict) -> None:
    """A probe that touched nothing is no word on the part, however steady it was before."""
    assert assess(part(SOUND)).state is DueState.NOT_DUE
    found = assess(ending_with(SOUND, verdict))
    assert (found.state, found.reason) == (DueState.CANNOT_TELL, f"The last reading decides nothing: {verdict}.")


def test_a_part_on_which_the_last_verdict_is_cannot_tell_is_not_called_not_due() -> None:
    found = assess(ending_with(SOUND, Verdict.CANNOT_TELL, "45.01"))
    assert (found.state, found.reason) == (DueState.CANNOT_TELL, "The last reading decides nothing: cannot tell.")


def test_a_part_whose_last_value_has_no_date_is_not_called_not_due() -> None:
    """The line of the earlier visits does not count it, and it may have fallen: 42.4 of 42.3 µF."""
    found = assess(ending_with(SOUND, Verdict.WITHIN, "42.4", clock_set=False))
    assert found.state is DueState.CANNOT_TELL
    assert found.reason == "The last reading decides nothing: the clock was not set."


def test_a_part_that_was_due_is_still_due_after_a_reading_without_contact() -> None:
    assert assess(ending_with(STEADY, Verdict.NO_CONTACT)).state is DueState.DUE


def test_an_overload_within_the_limits_after_a_fall_is_not_due() -> None:
    """Damp windings that were dried: to ground they read 5 MΩ, less at each visit, and then overload again."""
    found = assess(ending_with(STEADY, Verdict.WITHIN))
    assert found.state is DueState.CANNOT_TELL
    assert found.reason == "The last reading is an overload within the limits, not a value."


# --- drifts with known dates ------------------------------------------------------------------------------------------


def drifting(rng: Random, per_year: float, visits: int) -> PartSeries[Row]:
    """Return a part that falls ``per_year`` µF a year from 45 µF, with half-yearly visits, some weeks early or late."""
    first = NOW - timedelta(days=30) - (visits - 1) * YEAR / 2
    rows = []
    for number in range(visits):
        when = first + number * YEAR / 2 + timedelta(days=rng.uniform(-30, 30))
        value = 45 - per_year * ((when - first) / YEAR) + rng.gauss(0, NOISE)
        rows.append(row(number, when, value))
    return PartSeries.from_visits(rows, now_utc_ns=utc_nanoseconds(NOW))


@pytest.mark.study(everyday=200, sample=1_000, full=1_000)  # parts
def test_the_interval_contains_the_true_date(study_size: int) -> None:
    """1,000 parts that fall 0.2 to 0.8 µF a year: how many of the intervals that are stated hold the true date."""
    rng = Random(20261127)
    stated = inside = sure = rightly = 0
    for _ in range(study_size):
        per_year, visits = rng.uniform(0.2, 0.8), rng.randrange(5, 13)
        series = drifting(rng, per_year, visits)
        found = assess(series, 360)
        if found.state is not DueState.DUE or found.crossing is None or found.crossing.earliest is None:
            continue
        first = NOW - timedelta(days=30) - (visits - 1) * YEAR / 2
        true = first + YEAR * (2.7 / per_year)
        stated += 1
        inside += found.crossing.earliest <= true and (found.crossing.latest is None or true <= found.crossing.latest)
        within = assess(series, 12)
        sure += within.sureness is Sureness.SURE
        rightly += within.sureness is Sureness.SURE and true <= NOW + YEAR
    assert stated > study_size / 2
    # The interval is meant to hold 95 %; a study of n parts may miss that by three standard deviations.
    assert inside / stated >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / stated)
    if study_size == 1_000:  # the figures of docs/history.md
        assert (stated, inside, sure, rightly) == (727, 717, 16, 16)


@pytest.mark.study(everyday=300, sample=2_000, full=2_000)  # parts
def test_a_part_without_drift_is_rarely_due_and_hardly_ever_surely(study_size: int) -> None:
    """Parts without any drift, anywhere between their limits: each that is due is a false alarm."""
    rng = Random(20261128)
    due = sure = 0
    for _ in range(study_size):
        series = drifting(rng, 0.0, rng.randrange(5, 13))
        shift = rng.uniform(-2.5, 2.5)
        rows = [
            row(
                number,
                EPOCH + timedelta(microseconds=each.reading.timestamp.utc_ns // 1000),
                float(each.reading.digits or 0) + shift,
            )
            for number, each in enumerate(series.visits)
        ]
        if rows[-1].judgement.verdict is not Verdict.WITHIN:
            continue
        found = assess(PartSeries.from_visits(rows, now_utc_ns=utc_nanoseconds(NOW)))
        due += found.state is DueState.DUE
        sure += found.sureness is Sureness.SURE
    # A trend is shown by chance in 5 % of such parts; only those near a limit are then due within a year.
    assert due <= 0.05 * study_size
    assert sure <= 0.005 * study_size
    if study_size == 2_000:  # the figures of docs/history.md
        assert (due, sure) == (3, 0)
