import pytest

from meterlink.core.errors import InputError
from meterlink.core.questions import Choice, OpenQuestionError, Question

OVERLOAD = Question(
    "OL on a capacitor: over the range of the meter, or shorted?",
    (Choice("over range", "the meter's range is too small", 1), Choice("shorted", "the part conducts", 2)),
    usual="over range",
)


def test_a_choice_is_named_by_its_number_or_its_key() -> None:
    assert [OVERLOAD.choose(answer).conclusion for answer in ("1", " 2 ", "shorted", "over range")] == [1, 2, 2, 1]
    for wrong in ("", "0", "3", "-1", "short", "OVER RANGE"):
        with pytest.raises(InputError, match=r"1 \(over range\), 2 \(shorted\)"):
            OVERLOAD.choose(wrong)


def test_a_key_that_is_a_number_counts_before_a_place() -> None:
    question = Question("Which?", (Choice("2", "two", "two"), Choice("1", "one", "one")))
    assert question.choose("1").conclusion == "one"


def test_a_question_as_json() -> None:
    assert OVERLOAD.as_json_object() == {
        "question": OVERLOAD.text,
        "choices": [
            {"key": "over range", "words": "the meter's range is too small"},
            {"key": "shorted", "words": "the part conducts"},
        ],
        "usual": "over range",
    }


def test_a_question_has_choices_with_keys_of_their_own() -> None:
    yes = Choice("yes", "", None)
    for choices, usual in (((), None), ((yes, yes), None), ((yes,), "no")):
        with pytest.raises(ValueError, match="not the choices"):
            Question("Is it?", choices, usual)


def test_a_caller_who_cannot_ask_raises_it() -> None:
    error = OpenQuestionError(OVERLOAD)
    assert error.question is OVERLOAD
    assert error.exit_code == 3
    assert str(error) == f"{OVERLOAD.text} Is it 'over range' or 'shorted'?"
