"""Questions of the judge on the command line: printed with numbered choices, answered with ``--answer``."""

import json
from typing import TypeVar

import click

from meterlink.core.errors import InputError
from meterlink.core.questions import OpenQuestionError, Question
from meterlink.link.messages import QuestionView, question_view

Conclusion = TypeVar("Conclusion")

answer_option = click.option(
    "--answer", metavar="CHOICE", help="The answer to a question: the number or the key of a choice."
)


def settle(result: Conclusion | Question[Conclusion], answer: str | None, *, as_json: bool) -> Conclusion:
    """Return the judge's result; of a question, the conclusion of the choice that ``answer`` names.

    A question without an answer is printed.

    Raises:
        Exit: the question has no answer; the exit status is that of `OpenQuestionError`.
        InputError: ``answer`` names no choice, or nothing is asked.
    """
    if not isinstance(result, Question):
        if answer is not None:
            raise InputError(f"--answer {answer!r} is given, but nothing is asked.", "Leave --answer out.")
        return result
    if answer is not None:
        return result.choose(answer).conclusion
    fields = json.dumps(result.as_json_object(), ensure_ascii=False)
    how = (
        "Answer with --answer and the number or the key of a choice."
        if len(result.choices) > 1
        else "If that is right, answer with --answer 1. If not, type it again as it should be read."
    )
    click.echo(fields if as_json else "\n".join([*question_lines(question_view(result)), how]))
    raise click.exceptions.Exit(OpenQuestionError.exit_code)


def question_lines(question: QuestionView) -> list[str]:
    """Return a question as lines, with its choices numbered from 1."""
    lines = [question["question"]]
    for number, choice in enumerate(question["choices"], 1):
        usual = " (usual)" if choice["key"] == question["usual"] and len(question["choices"]) > 1 else ""
        lines.append(f"  {number}  {choice['key']}: {choice['words']}{usual}")
    return lines
