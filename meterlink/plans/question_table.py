"""The ``[[question]]`` table of a plan: a question on the machine, asked before the first reading."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from meterlink.core.equipment import Answer, Hazard, PlanQuestion, Specification, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.questions import Choice as AnswerChoice
from meterlink.core.questions import Question
from meterlink.plans.point_table import KEY, NAME, WHEN
from meterlink.plans.specification import parse_specification
from meterlink.tomlfile.field_types import Choice, Text
from meterlink.tomlfile.problems import quote_value
from meterlink.tomlfile.tables import FieldError, Key, Table, Tables

_MOST_CHOICES = 9  # one key of the keyboard each
_SENTENCE = Text(120)  # characters: two lines on the smallest screen


@dataclass(frozen=True, slots=True)
class ChoiceTable:
    """A ``[[question.choice]]`` table; ``rated``, ``hazard`` and ``circuit`` are those of an `Answer`."""

    key: str
    words: str
    rated: str = ""
    hazard: Hazard | None = None
    circuit: str = ""


def _check_circuit(hazard: Hazard | None, circuit: str) -> Iterator[FieldError]:
    if circuit and hazard is None:
        yield FieldError("circuit", "it says where a hazard is.", "Add hazard, or remove circuit.")


def _check_usual(usual: str | None, partial_choice: Sequence[ChoiceTable | Mapping[str, Any]]) -> Iterator[FieldError]:
    keys = [entry.key if isinstance(entry, ChoiceTable) else str(entry.get("key")) for entry in partial_choice]
    if usual is not None and usual not in keys:
        yield FieldError("usual", f"there is no choice {quote_value(usual)}.", f"Use one of: {', '.join(keys)}.")


def _make_question(
    key: str, text: str, choice: tuple[ChoiceTable, ...], usual: str | None, when: tuple[tuple[str, str], ...]
) -> PlanQuestion:
    choices = tuple(
        AnswerChoice(entry.key, entry.words, Answer(entry.rated, entry.hazard, entry.circuit)) for entry in choice
    )
    return PlanQuestion(key, Question(text, choices, usual), when)


CHOICE = Table(
    ChoiceTable,
    Key("key", KEY, description="Unique among the choices."),
    Key("words", _SENTENCE, description="The answer in words, without a full stop."),
    Key("rated", Text(40, example='"208 V"'), "", description="For the points with rated_by."),
    Key("hazard", Choice(Hazard), None, description="Its caution is added at every point where it applies."),
    Key("circuit", NAME, "", description="The hazard is in circuits whose names begin so; without it, in all."),
    schema_rules=({"dependentRequired": {"circuit": ["hazard"]}},),
    checks=(_check_circuit,),
)
QUESTION = Table(
    _make_question,
    Key("key", KEY, description="Unique among the questions."),
    Key("text", _SENTENCE, description="The question, with its question mark."),
    Key(
        "choice",
        Tables(CHOICE, 2, _MOST_CHOICES, unique=("key",)),
    ),
    Key("usual", KEY, None, description="The choice that is right most of the time."),
    Key("when", WHEN, (), description="The answers to earlier questions for which it is asked."),
    checks=(_check_usual,),
)


# --- between the tables of a plan

# _Questions by key; None for one with an error.
_Questions = Mapping[str, PlanQuestion | None]


def _by_key(partial_question: Sequence[PlanQuestion | Mapping[str, Any]]) -> _Questions:
    return {
        (entry.key if isinstance(entry, PlanQuestion) else str(entry.get("key"))): (
            entry if isinstance(entry, PlanQuestion) else None
        )
        for entry in partial_question
    }


def check_questions(partial_question: Sequence[PlanQuestion | Mapping[str, Any]]) -> Iterator[FieldError]:
    """Yield the problems between the questions of a plan: each may depend on earlier ones only."""
    for number, entry in enumerate(partial_question):
        if isinstance(entry, PlanQuestion):
            yield from _check_when(entry.when, _by_key(partial_question[:number]), ("question", number))


def check_answers_of_points(
    partial_point: Sequence[TestPoint | Mapping[str, Any]], partial_question: Sequence[PlanQuestion | Mapping[str, Any]]
) -> Iterator[FieldError]:
    """Yield the problems between the test points of a plan and its questions."""
    by_key = _by_key(partial_question)
    for number, point in enumerate(partial_point):
        if not isinstance(point, TestPoint):
            continue
        yield from _check_when(point.when, by_key, ("point", number))
        if point.rated_by and point.rated_by not in by_key:
            message = f"there is no question {quote_value(point.rated_by)} before the test points."
            yield FieldError(("point", number, "rated_by"), message, _known(by_key))
        asked = by_key.get(point.rated_by)
        for choice in asked.question.choices if asked is not None else ():
            try:
                if choice.conclusion.rated:
                    parse_specification(choice.conclusion.rated, point.quantity, point.kind, point.band)
            except InputError as error:
                message = f"the answer {choice.key} rates it {choice.conclusion.rated!r}: {error.message}"
                yield FieldError(("point", number, "rated_by"), message, error.remedy)
        if asked is not None and not any(choice.conclusion.rated for choice in asked.question.choices):
            remedy = 'Add rated = "…" to its choices, or remove rated_by.'
            yield FieldError(("point", number, "rated_by"), f"no answer to {asked.key} gives a rating.", remedy)


def ratings_by_answer(
    points: Iterable[TestPoint], questions: Iterable[PlanQuestion]
) -> Iterator[tuple[str, str, Specification]]:
    """Yield ``(key of a test point, key of a choice, specification)``; `check_answers_of_points` found no problem."""
    by_key = {asked.key: asked for asked in questions}
    for point in points:
        for choice in by_key[point.rated_by].question.choices if point.rated_by else ():
            if rated := choice.conclusion.rated:
                yield point.key, choice.key, parse_specification(rated, point.quantity, point.kind, point.band)


def _check_when(
    when: tuple[tuple[str, str], ...], known: _Questions, path: tuple[str | int, ...]
) -> Iterator[FieldError]:
    for key, choice in when:
        if key not in known:
            yield FieldError((*path, "when", key), f"there is no earlier question {quote_value(key)}.", _known(known))
            continue
        asked = known[key]
        choices = [entry.key for entry in asked.question.choices] if asked is not None else [choice]
        if choice not in choices:
            message = f"there is no choice {quote_value(choice)} of {key}."
            yield FieldError((*path, "when", key), message, f"Use one of: {', '.join(choices)}.")


def _known(questions: _Questions) -> str:
    return f"Use one of: {', '.join(questions)}." if questions else "Add a [[question]] with this key."
