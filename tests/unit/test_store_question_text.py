"""An open question waits in the database for its answer: it must come back as it was asked."""

import json
from dataclasses import replace
from decimal import Decimal

import pytest

from meterlink.core.questions import Choice, Question
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.store.question_text import dump_question, load_question

LIMITS = Limits(Decimal("42.30"), None, "µF", "45 µF ±6 %", Decimal(45))
PLAIN = Judgement(Verdict.CANNOT_TELL, None, None, None, None, None, "assumed", "No rating yet.")
WITHIN = Judgement(
    Verdict.WITHIN,
    Margin.CLOSE_CALL,
    LIMITS,
    Decimal("42.40"),
    Decimal("-5.8"),
    Decimal("0.45"),
    "1 % of reading + 2 digits",
    "It is above the low limit of 42.3 µF.",
    rule="guarded acceptance, guard 1 U",
    resolution=Decimal("0.01"),
    probability=0.93,
    coverage_factor=2.0,
    calibration="overdue",
    next_measurement="Measure again after five minutes.",
    prior="parts of this age",
    answer="run capacitor",
)
# After the first answer the second is asked: which of two start capacitors it is.
SECOND = Question(
    "Which one?", (Choice("left", "the left can", WITHIN), Choice("right", "the right can", PLAIN)), "left"
)
FIRST = Question(
    "Is the fan running?",
    (Choice("yes", "it runs", replace(WITHIN, question=SECOND)), Choice("no", "it stands", PLAIN)),
)


@pytest.mark.parametrize("question", [None, SECOND, FIRST])
def test_a_question_comes_back_with_the_one_behind_each_answer(question: Question[Judgement] | None) -> None:
    assert load_question(dump_question(question)) == question


def test_trailing_zeros_come_back() -> None:
    """42.40 µF is not 42.4 µF: the last digit says how fine the meter was."""
    again = load_question(dump_question(SECOND))
    assert again is not None
    judgement = again.choices[0].conclusion
    assert (str(judgement.digits), judgement.limits and str(judgement.limits.low)) == ("42.40", "42.30")


@pytest.mark.parametrize("text", ["{}", "[]", "1", "{", '{"question": "?", "usual": null, "choices": [{}]}'])
def test_another_text_is_no_question(text: str) -> None:
    with pytest.raises(ValueError, match=r"not a question|Expecting"):
        load_question(text)


@pytest.mark.parametrize("depth", [40, 100_000])
def test_a_text_that_is_nested_without_end_is_no_question(depth: int) -> None:
    # An imported record may have it; reading it must not break a later history.
    with pytest.raises(ValueError, match="question"):
        load_question("[" * depth + "]" * depth)


def test_a_number_that_is_none_is_no_question() -> None:
    fields = json.loads(dump_question(SECOND) or "")
    fields["choices"][0]["conclusion"]["digits"] = "many"
    with pytest.raises(ValueError, match="not a question"):
        load_question(json.dumps(fields))
