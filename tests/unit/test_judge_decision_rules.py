from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from meterlink.core.equipment import PointKind, Rating, Span
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, GuardedSide, parse_decision_rule
from meterlink.judge.judging import DEFAULT_RULE_NAME, judge
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.measured_value import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine

LIMITS = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))  # 42.3 to 47.7
LINE = AccuracyLine(Decimal(1), Decimal(2))
ACCEPTANCE, REJECTION, BOTH = (
    DecisionRule(side) for side in (GuardedSide.ACCEPTANCE, GuardedSide.REJECTION, GuardedSide.BOTH)
)


def judged(number: Decimal | str, rule: DecisionRule, limits: Limits = LIMITS) -> Verdict:
    measured = MeasuredValue(Quantity.CAPACITANCE, Decimal(number), "µF", Decimal("0.01"))
    return judge(PointKind.RANGE, limits, measured, LINE, rule=rule).verdict


@pytest.mark.parametrize(
    ("digits", "simple", "acceptance", "rejection", "both"),
    [
        # With U = 0.5 the zones end at 41.8, 42.3, 42.8 and 47.2, 47.7, 48.2; a boundary has the better verdict.
        ("41.79", "outside", "outside", "outside", "outside"),
        ("41.80", "outside", "outside", "cannot tell", "cannot tell"),
        ("42.29", "outside", "outside", "cannot tell", "cannot tell"),
        ("42.30", "within", "cannot tell", "within", "cannot tell"),
        ("42.79", "within", "cannot tell", "within", "cannot tell"),
        ("42.80", "within", "within", "within", "within"),
        ("47.20", "within", "within", "within", "within"),
        ("47.70", "within", "cannot tell", "within", "cannot tell"),
        ("48.20", "outside", "outside", "cannot tell", "cannot tell"),
        ("48.21", "outside", "outside", "outside", "outside"),
    ],
)
def test_zones(digits: str, simple: str, acceptance: str, rejection: str, both: str) -> None:
    verdicts = [
        rule.verdict(LIMITS, Decimal(digits), Decimal("0.5"))
        for rule in (SIMPLE_ACCEPTANCE, ACCEPTANCE, REJECTION, BOTH)
    ]
    assert verdicts == [simple, acceptance, rejection, both]
    assert [rule.guard_band(Decimal("0.5")) for rule in (SIMPLE_ACCEPTANCE, BOTH)] == [0, Decimal("0.5")]


def test_one_sided_limits() -> None:
    at_least = span_limits(Span(Decimal(5), None, "µF"))
    assert BOTH.verdict(at_least, Decimal(500), Decimal(1)) is Verdict.WITHIN
    assert BOTH.verdict(at_least, Decimal(5), Decimal(1)) is Verdict.CANNOT_TELL
    assert BOTH.verdict(at_least, Decimal("3.9"), Decimal(1)) is Verdict.OUTSIDE


def test_a_guard_wider_than_the_limits_accepts_nothing() -> None:
    assert ACCEPTANCE.verdict(LIMITS, Decimal(45), Decimal(3)) is Verdict.CANNOT_TELL


numbers = st.decimals("30", "60", places=2)
guards = st.decimals("0.01", "3", places=2)
guarded = st.builds(
    DecisionRule, st.sampled_from([side for side in GuardedSide if side is not GuardedSide.NEITHER]), guards
)


@given(numbers, guarded)
def test_a_guard_never_reverses_a_verdict(number: Decimal, rule: DecisionRule) -> None:
    simple, careful = judged(number, SIMPLE_ACCEPTANCE), judged(number, rule)
    assert simple is not Verdict.CANNOT_TELL
    assert careful in {simple, Verdict.CANNOT_TELL}


@given(numbers, guards, guards)
def test_a_larger_guard_decides_no_more_than_a_smaller(number: Decimal, first: Decimal, second: Decimal) -> None:
    small, large = (judged(number, DecisionRule(GuardedSide.BOTH, factor)) for factor in sorted((first, second)))
    if small is Verdict.CANNOT_TELL:
        assert large is Verdict.CANNOT_TELL


@given(st.decimals("0", "15", places=2), guarded)
def test_a_rule_is_symmetric_about_the_middle(off: Decimal, rule: DecisionRule) -> None:
    below, above = (rule.verdict(LIMITS, 45 + sign * off, Decimal("0.4")) for sign in (-1, 1))
    assert below is above


@example(Decimal("43.50"), DecisionRule(GuardedSide.BOTH, Decimal(3)))  # clear of the limit by 2 U, not by 3
@given(numbers, st.one_of(st.just(SIMPLE_ACCEPTANCE), guarded))
def test_cannot_tell_has_a_reason_and_a_next_measurement(number: Decimal, rule: DecisionRule) -> None:
    measured = MeasuredValue(Quantity.CAPACITANCE, number, "µF", Decimal("0.01"))
    judgement = judge(PointKind.CAPACITOR, LIMITS, measured, LINE, rule=rule)
    assert judgement.rule == str(rule)
    cannot_tell = judgement.verdict is Verdict.CANNOT_TELL
    assert bool(judgement.next_measurement) is (cannot_tell or judgement.margin is Margin.CLOSE_CALL)
    if cannot_tell:
        assert (judgement.margin, judgement.probability) == (None, None)
        assert "too near the limit to decide" in judgement.reason


@pytest.mark.parametrize("rule", [SIMPLE_ACCEPTANCE, ACCEPTANCE, REJECTION, BOTH])
def test_open_and_shorted_do_not_depend_on_the_rule(rule: DecisionRule) -> None:
    ohms = span_limits(Span(Decimal(10), Decimal(18), "Ω"))
    overload = MeasuredValue(Quantity.RESISTANCE, None, "Ω", Decimal(0))
    lead = MeasuredValue(Quantity.RESISTANCE, Decimal("0.3"), "Ω", Decimal("0.1"))
    assert judge(PointKind.COIL, ohms, overload, rule=rule).verdict is Verdict.OPEN
    assert judge(PointKind.COIL, ohms, lead, rule=rule).verdict is Verdict.SHORTED


@given(guarded)
def test_a_rule_reads_back_as_it_is_written(rule: DecisionRule) -> None:
    assert parse_decision_rule(str(rule)) == rule


@pytest.mark.parametrize(
    ("text", "guard", "rule"),
    [
        ("simple acceptance", None, SIMPLE_ACCEPTANCE),
        ("Simple", None, SIMPLE_ACCEPTANCE),
        ("guarded-acceptance", None, ACCEPTANCE),
        (" guarded  rejection ", "1", REJECTION),
        ("guarded", None, BOTH),
        ("guarded", "0.83", DecisionRule(GuardedSide.BOTH, Decimal("0.83"))),
        ("guarded acceptance, guard 1.5 U", None, DecisionRule(GuardedSide.ACCEPTANCE, Decimal("1.5"))),
    ],
)
def test_rules_as_people_write_them(text: str, guard: str | None, rule: DecisionRule) -> None:
    assert parse_decision_rule(text, guard) == rule


def test_the_default_is_simple_acceptance() -> None:
    assert DEFAULT_RULE_NAME == str(SIMPLE_ACCEPTANCE) == "simple acceptance"


@pytest.mark.parametrize(
    ("text", "guard"),
    [
        ("", None),
        ("strict", None),
        ("simple", "1"),
        ("simple acceptance, guard 1", None),
        ("guarded", "0"),
        ("guarded", "-1"),
        ("guarded", "3.1"),
        ("guarded", "1.2.3"),
        ("guarded", "wide"),
        ("guarded", "True"),
        ("guarded, guard 1", "1"),
    ],
)
def test_texts_that_are_not_rules(text: str, guard: str | None) -> None:
    with pytest.raises(InputError):
        parse_decision_rule(text, guard)
