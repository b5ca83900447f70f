"""An open question as text in the database: JSON with the judgement that follows from each choice."""

import json
from decimal import Decimal
from typing import Any

from meterlink.core.nesting import is_too_deep
from meterlink.core.questions import Choice, Question
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.store.decoding import decode_decimal
from meterlink.store.stretches import decimal_text

_DECIMALS = ("digits", "deviation_percent", "expanded_uncertainty", "resolution")
_TEXTS = ("accuracy", "calibration", "reason", "rule", "next_measurement", "prior", "answer")
_NUMBERS = ("probability", "coverage_factor")
_LIMIT_DECIMALS = ("low", "high", "nominal")


def dump_question(question: Question[Judgement] | None) -> str | None:
    """Return the text of a question; None for None. A conclusion may have a question of its own."""
    return None if question is None else json.dumps(_question_fields(question), ensure_ascii=False)


def load_question(text: str | None) -> Question[Judgement] | None:
    """Return the question that `dump_question` wrote.

    Raises:
        ValueError: the text is not that of a question.
    """
    if text is None:
        return None
    try:
        fields = json.loads(text)
        if is_too_deep(fields):
            raise ValueError(f"too deep for a question: {text[:80]!r}")
        return _question(fields)
    except (KeyError, TypeError, ArithmeticError, RecursionError) as error:
        raise ValueError(f"not a question: {text[:80]!r}") from error


def _question_fields(question: Question[Judgement]) -> dict[str, Any]:
    choices = [
        {"key": choice.key, "words": choice.words, "conclusion": _judgement_fields(choice.conclusion)}
        for choice in question.choices
    ]
    return {**question.as_json_object(), "choices": choices}


def _question(fields: dict[str, Any]) -> Question[Judgement]:
    choices = tuple(
        Choice(choice["key"], choice["words"], _judgement(choice["conclusion"])) for choice in fields["choices"]
    )
    return Question(fields["question"], choices, fields["usual"])


def _judgement_fields(judgement: Judgement) -> dict[str, Any]:
    limits = judgement.limits
    return {
        "verdict": judgement.verdict,
        "margin": judgement.margin,
        "limits": None if limits is None else _limits_fields(limits),
        **{name: decimal_text(getattr(judgement, name)) for name in _DECIMALS},
        **{name: getattr(judgement, name) for name in (*_TEXTS, *_NUMBERS)},
        "question": None if judgement.question is None else _question_fields(judgement.question),
    }


def _judgement(fields: dict[str, Any]) -> Judgement:
    limits = fields["limits"]
    values: dict[str, Any] = {name: decode_decimal(fields[name]) for name in _DECIMALS}
    values |= {name: fields[name] for name in (*_TEXTS, *_NUMBERS)}
    return Judgement(
        verdict=Verdict(fields["verdict"]),
        margin=None if fields["margin"] is None else Margin(fields["margin"]),
        limits=None if limits is None else _limits(limits),
        question=None if fields["question"] is None else _question(fields["question"]),
        **values,
    )


def _limits_fields(limits: Limits) -> dict[str, Any]:
    decimals = {name: decimal_text(getattr(limits, name)) for name in _LIMIT_DECIMALS}
    return {**decimals, "unit": limits.unit, "basis": limits.basis}


def _limits(fields: dict[str, Any]) -> Limits:
    decimals: dict[str, Decimal | None] = {name: decode_decimal(fields[name]) for name in _LIMIT_DECIMALS}
    return Limits(unit=fields["unit"], basis=fields["basis"], **decimals)
