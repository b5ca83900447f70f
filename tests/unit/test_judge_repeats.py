"""Agreeing repeats and agreeing meters reduce doubt as far as they are independent."""

from decimal import Decimal
from math import sqrt
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import PointKind, Rating
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, GuardedSide
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.limits import rated_limits
from meterlink.judge.measured_value import MeterReading
from meterlink.judge.repeats import combine_readings, mean_of_readings, returns_agree, weighted_mean
from meterlink.judge.uncertainty import assumed_accuracy, parse_accuracy
from support.commands import run_command, run_for_json
from support.measured_values import farads, ohms

ASSUMED = assumed_accuracy(Quantity.CAPACITANCE)
ONE_PERCENT = parse_accuracy("1 % + 3 digits")
OVERLOAD = MeasuredValue(Quantity.CAPACITANCE, None, "µF", Decimal(0))
LIMITS = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))


def reading(text: str, meter: str = "one", line: str = "3 % + 5 digits") -> MeterReading:
    return MeterReading(farads(text), parse_accuracy(line), meter)


def test_two_readings_with_one_meter_average_only_the_last_digit() -> None:
    # ±(1 % + 2 digits) of 5.0 µF: 0.05 and 0.2 µF, of which one digit of 0.1 µF varies by chance, the rest stays.
    alone = combine_readings([reading("5.0uF", line="1 % + 2 digits")], "µF")
    twice = [reading("5.1uF", line="1 % + 2 digits"), reading("5.0uF", line="1 % + 2 digits")]
    together = combine_readings(twice, "µF")
    assert alone.error.first_half_width == pytest.approx(0.05 + 0.2)
    # The two differ by a digit, s = 0.1/√2 (JCGM 100, 4.2.2), a little more than a digit of repeatability: √3·s/√2.
    assert together.error.first_half_width == pytest.approx(0.051 + 0.1 + sqrt(3) * 0.1 / 2)
    assert together.error.second_half_width == pytest.approx(0.05 / sqrt(2))
    assert together.value == pytest.approx(5.05)
    assert "only the last digit's share falls, from ±0.25 to ±0.23 µF" in together.text


def test_displays_that_show_the_same_round_alike() -> None:
    # JCGM 100, F.2.2.1: readings that do not move say nothing about the digit behind the last one.
    together = combine_readings([reading("5.0uF", line="1 % + 2 digits")] * 2, "µF")
    assert together.error.second_half_width == pytest.approx(0.05)


def test_the_gain_error_of_one_meter_stays_however_often_it_is_read() -> None:
    # A meter that reads 3 % low reads 3 % low a hundred times. Common practice, no source.
    together = combine_readings([reading("45.00uF", line="3 %")] * 100, "µF")
    assert together.error.first_half_width == pytest.approx(1.35)
    assert "its own error is in all of them, so ±1.3 µF stays" in together.text


def test_two_meters_are_independent() -> None:
    # JCGM 100, 5.1.2: two independent values of one uncertainty make 1/√2 of it.
    alone = combine_readings([reading("43.1uF")], "µF")
    together = combine_readings([reading("43.1uF", "one"), reading("43.1uF", "two")], "µF")
    assert together.standard_uncertainty == pytest.approx(alone.standard_uncertainty / sqrt(2))
    assert "2 meters agree: together 43.1 µF ±1.4 µF; the newest reading alone has ±1.7 µF." in together.text


def test_a_far_less_accurate_meter_adds_nothing() -> None:
    readings = [reading("43uF", "clock", "5 % + 3 digits"), reading("43.10uF", "good", "0.5 % + 2 digits")]
    together, alone = combine_readings(readings, "µF"), combine_readings(readings[1:], "µF")
    assert together.expanded_uncertainty == alone.expanded_uncertainty
    assert together.text == "2 meters agree; ±0.22 µF stays, because the others are less accurate."
    best_first = combine_readings(readings[::-1], "µF")
    assert "and the most accurate of them counts: 43.10 µF ±0.22 µF; the newest reading alone has ±" in best_first.text


@pytest.mark.parametrize(
    "readings",
    [
        [reading("43.1uF"), reading("40.2uF")],  # one meter: beyond 1 % and its digits
        [reading("43.1uF", "one", "1 % + 2 digits"), reading("45.1uF", "two", "1 % + 2 digits")],  # beyond both lines
        [MeterReading(OVERLOAD, ASSUMED, "one"), reading("43.1uF", "two")],
    ],
)
def test_readings_that_disagree_reduce_nothing(readings: list[MeterReading]) -> None:
    together, alone = combine_readings(readings, "µF"), combine_readings(readings[-1:], "µF")
    assert not together.agree
    assert (together.value, together.error) == (alone.value, alone.error)
    assert together.text.startswith("The readings disagree: ")


def test_readings_that_cannot_be_combined() -> None:
    with pytest.raises(InputError, match="no reading"):
        combine_readings([], "µF")
    with pytest.raises(InputError, match="overload"):
        combine_readings([reading("43.1uF"), MeterReading(OVERLOAD, ASSUMED)], "µF")
    with pytest.raises(InputError):
        combine_readings([MeterReading(ohms("43.1 ohm"), ASSUMED), reading("43.1uF")], "µF")
    with pytest.raises(InputError, match="no scatter"):
        mean_of_readings([1.0])
    with pytest.raises(InputError, match="uncertainty for every value"):
        weighted_mean([1.0, 2.0], [1.0])


def test_an_exact_value_has_all_the_weight() -> None:
    assert weighted_mean([1.0, 2.0], [0.0, 1.0]) == (1.0, 0.0)


lines = st.sampled_from(["0.5 % + 2 digits", "1 %", "3 % + 5 digits", "10 digits"])
meters = st.sampled_from(["one", "two", "three"])
values = st.integers(4200, 4800).map(lambda number: f"{number / 100:.2f}uF")


@given(st.lists(st.builds(reading, values, meters, lines), min_size=1, max_size=5))
def test_more_readings_never_add_doubt(readings: list[MeterReading]) -> None:
    together, alone = combine_readings(readings, "µF"), combine_readings(readings[-1:], "µF")
    assert together.expanded_uncertainty <= alone.expanded_uncertainty * (1 + 1e-12)
    # And never less than the independent meters allow.
    count = len({entry.meter for entry in readings})
    best = min(entry.line.half_width(entry.measured.digits or Decimal(0), Decimal("0.01"), "µF") for entry in readings)
    least = (float(best) - 0.01) / sqrt(3 * count)
    assert together.standard_uncertainty >= min(least, alone.standard_uncertainty)


@given(values, values, meters, meters, lines)
def test_agreement_has_no_order(first: str, second: str, one: str, other: str, line: str) -> None:
    here, there = reading(first, one, line), reading(second, other, line)
    assert returns_agree(here, there) is returns_agree(there, here)
    assert returns_agree(here, here)


@pytest.mark.parametrize("lines", [("3 % + 5 digits",) * 2, ("3 %", "2 %"), ("3 %",) * 3, ("3 %",) * 6])
def test_the_interval_of_several_meters_holds_95_percent(lines: tuple[str, ...]) -> None:
    # Simulated: each meter errs by a rectangle of its line and one of half a step.
    readings = [reading("45.0uF", str(number), line) for number, line in enumerate(lines)]
    together = combine_readings(readings, "µF")
    alone = [combine_readings([entry], "µF") for entry in readings]
    rng = Random(7)
    trials, inside = 20_000, 0
    for _ in range(trials):
        errors = [
            sum(rng.uniform(-width, width) for width in (part.error.first_half_width, part.error.second_half_width))
            for part in alone
        ]
        mean, _ = weighted_mean(errors, [part.standard_uncertainty for part in alone])
        inside += abs(mean) <= together.expanded_uncertainty
    # Never less than 95 % but for the scatter of the count, and of three or more meters a little more.
    assert 0.945 <= inside / trials <= 0.965


def judged(
    newest: str, *earlier: MeterReading, rule: DecisionRule = SIMPLE_ACCEPTANCE, line: str = "3 % + 5 digits"
) -> Judgement:
    return judge(
        PointKind.CAPACITOR, LIMITS, farads(newest), parse_accuracy(line), rule=rule, meter="one", earlier=earlier
    )


def test_a_second_meter_settles_a_close_call() -> None:
    alone, both = judged("43.6uF"), judged("43.6uF", reading("43.8uF", "two", "0.5 % + 2 digits"))
    assert (alone.verdict, alone.margin) == (Verdict.WITHIN, Margin.CLOSE_CALL)
    assert (both.verdict, both.margin) == (Verdict.WITHIN, Margin.CLEAR)
    assert (both.probability or 0) > (alone.probability or 0)
    assert both.digits == alone.digits == Decimal("43.6")


def test_a_second_meter_tells_what_a_coarse_display_cannot() -> None:
    limits = rated_limits(Rating(Amount(Decimal(5), "µF"), "6 %"))
    alone = judge(PointKind.CAPACITOR, limits, farads("5uF"))
    both = judge(PointKind.CAPACITOR, limits, farads("5uF"), earlier=[reading("5.02uF", "two", "1 % + 3 digits")])
    assert (alone.verdict, both.verdict) == (Verdict.CANNOT_TELL, Verdict.WITHIN)


def test_readings_on_both_sides_of_a_limit_reduce_nothing() -> None:
    # The newest decides, 42.2 is outside; the other meter pulls the value they have together to the inside.
    alone, both = judged("42.2uF"), judged("42.2uF", reading("42.9uF", "two", "1 % + 2 digits"))
    assert both.verdict is alone.verdict is Verdict.OUTSIDE
    assert (both.expanded_uncertainty, both.probability) == (alone.expanded_uncertainty, alone.probability)
    assert both.reason.endswith("The readings lie on both sides of a limit, so they do not reduce the doubt.")


rules = st.builds(DecisionRule, st.sampled_from(GuardedSide))
near = st.integers(395, 505).map(lambda number: f"{number / 10:.1f}uF")


@given(near, st.lists(st.builds(reading, near, meters, lines), max_size=3), rules, lines)
def test_outside_never_stands_beside_a_probability_of_within(
    newest: str, earlier: list[MeterReading], rule: DecisionRule, line: str
) -> None:
    judgement = judged(newest, *earlier, rule=rule, line=line)
    probability = judgement.probability
    if judgement.verdict is Verdict.OUTSIDE and probability is not None:
        assert probability <= 0.5 + 1e-9
    # Simple acceptance: the displayed value decides, whatever the others say.
    if rule.guarded_side is GuardedSide.NEITHER and Verdict.CANNOT_TELL is not judgement.verdict:
        assert judgement.verdict is judged(newest, line=line).verdict
    # Clear means: by more than the uncertainty.
    if judgement.margin is Margin.CLEAR and judgement.verdict is Verdict.OUTSIDE:
        digits = farads(newest).digits or Decimal(0)
        assert digits < Decimal("42.3") or digits > Decimal("47.7")


@given(st.integers(0, 60), st.sampled_from([-1, 1]), lines, lines)
def test_certainty_of_two_meters_never_rises_away_from_the_middle(count: int, side: int, one: str, two: str) -> None:
    def at(tenths: int) -> float | None:
        text = f"{(450 + side * tenths) / 10:.1f}uF"
        return judged(text, reading(text, "two", two), line=one).probability

    here, farther = at(count), at(count + 1)
    if here is not None and farther is not None:
        assert farther <= here + 1e-6


def test_the_commands_take_further_readings() -> None:
    fields = run_for_json(
        "judge", "capacitor", "--rated=45uF", "--reading=43.6uF", "--other-meter=43.8uF, 0.5 % + 2 digits"
    )
    assert (fields["margin"], fields["readings_agree"]) == ("clear", True)
    assert fields["combined_reading"] == pytest.approx(43.8, abs=0.05)
    again = run_for_json("judge", "coil", "--low=10ohm", "--high=18ohm", "--reading=14.2ohm", "--again=20.1ohm")
    assert again["readings_agree"] is False
    status, out, _ = run_command(
        "judge", "conformity", "--low=228V", "--high=252V", "--reading=240V", "--again=241V", "--again=240V"
    )
    assert status == 0
    assert "3 readings with one meter: only the last digit's share falls" in out
    assert (
        run_command("judge", "capacitor", "--rated=45uF", "--reading=43.6uF", "--other-meter=43.8uF, good").status == 2
    )
