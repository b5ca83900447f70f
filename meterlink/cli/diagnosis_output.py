"""Options and output that `meterlink diagnose` and `meterlink judge diagnosis` share."""

import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import click

from meterlink.cli.output import printable_text
from meterlink.cli.table import styled
from meterlink.cli.terminal import text_width
from meterlink.core.errors import InputError
from meterlink.core.questions import Question
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.core.verdicts import Margin
from meterlink.diagnosis.causes import Cause, Diagnosis, Repair
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM

Function = TypeVar("Function", bound=Callable[..., Any])

_LABEL_WIDTH = len("against  ")
_MIN_WIDTH = 30  # columns: the text needs room beside the labels


def diagnosis_options(function: Function) -> Function:
    """Add ``--mains`` and ``--ground-minimum``."""
    for option in (
        click.option("--mains", metavar="HZ", help="Supply frequency, for capacitance under load: 60Hz."),
        click.option(
            "--ground-minimum",
            metavar="OHMS",
            help="Lowest good winding resistance to ground, for test points without limits."
            f" [default: {DEFAULT_INSULATION_MINIMUM}]",
        ),
    ):
        function = option(function)
    return function


def parse_mains_frequency(text: str | None) -> float | None:
    """Return the supply frequency in ``text`` in Hz, None without text.

    Raises:
        InputError: the text is not a frequency above zero.
    """
    if text is None:
        return None
    hertz = float(parse_amount(text, Quantity.FREQUENCY, unit="Hz").base_value)
    if hertz <= 0:
        raise InputError(f"--mains must be above zero, not {text}.", "Write 50Hz or 60Hz.")
    return hertz


def parse_ground_minimum(text: str | None) -> Amount:
    """Return the lowest good resistance to ground in ``text``, the default without text.

    Raises:
        InputError: the text is not a resistance above zero.
    """
    minimum = DEFAULT_INSULATION_MINIMUM if text is None else parse_amount(text, Quantity.RESISTANCE)
    if minimum.digits <= 0:
        raise InputError(f"--ground-minimum must be above zero, not {minimum}.", "Give a resistance: 1Mohm.")
    return minimum


def diagnosis_fields(diagnosis: Diagnosis) -> dict[str, Any]:
    """Return a diagnosis as JSON; the keys are documented in the help of `meterlink diagnose`."""
    return {
        "summary": diagnosis.summary,
        "causes": [_cause_fields(cause) for cause in diagnosis.causes],
        "notes": list(diagnosis.notes),
        "repairs": [_repair_fields(repair) for repair in diagnosis.repairs],
        "questions": [_question_fields(asked.question) for asked in diagnosis.questions],
    }


def _repair_fields(repair: Repair) -> dict[str, Any]:
    return {
        "part": repair.part,
        "terminals": repair.terminals,
        "outcome": str(repair.outcome),
        "text": repair.text,
    }


def _question_fields(question: Question[str]) -> dict[str, Any]:
    choices = [
        {"key": choice.key, "words": choice.words, "conclusion": choice.conclusion} for choice in question.choices
    ]
    return {"question": question.text, "choices": choices}


def _cause_fields(cause: Cause) -> dict[str, Any]:
    return {
        "rule": cause.rule,
        "title": cause.title,
        "kind": str(cause.kind),
        "confidence": str(cause.confidence),
        "score": cause.score,
        "evidence_for": list(cause.evidence_for),
        "evidence_against": list(cause.evidence_against),
        "next_measurement": cause.next_measurement,
        "caution": cause.caution,
        "related": list(cause.related),
        "is_decided": cause.is_decided,
    }


def diagnosis_lines(diagnosis: Diagnosis, on_the_truck: Sequence[str] = ()) -> Iterator[str]:
    """Yield a diagnosis as lines that fit the terminal; ``on_the_truck`` are sentences on parts in stock."""
    width = _width()
    yield from textwrap.wrap(diagnosis.summary, width)
    for number, cause in enumerate(diagnosis.causes, 1):
        yield ""
        for line in textwrap.wrap(f"{number}. {cause.title}", width, subsequent_indent="   "):
            yield styled(line, "bold")
        yield f"   {cause.confidence.upper()}"
        for label, texts in (
            ("for", cause.evidence_for),
            ("against", cause.evidence_against),
            ("next", (cause.next_measurement,)),
            ("caution", (cause.caution,)),
            ("related", cause.related),
        ):
            yield from _labelled_lines(label, texts, width)
    for sentence in on_the_truck:
        yield ""
        yield from textwrap.wrap(printable_text(sentence), width, subsequent_indent="  ")
    for repair in diagnosis.repairs:
        yield ""
        yield from textwrap.wrap(f"Replaced: {repair.text}", width, subsequent_indent="  ")
    for asked in diagnosis.questions:
        yield ""
        yield from textwrap.wrap(f"Question: {asked.question.text}", width, subsequent_indent="  ")
        for choice in asked.question.choices:
            yield from _labelled_lines(choice.key, (choice.conclusion,), width)
    for note in diagnosis.notes:
        yield ""
        yield from textwrap.wrap(f"Note: {note}", width, subsequent_indent="  ")


def derived_lines(results: Sequence[DerivedResult]) -> Iterator[str]:
    """Yield the results derived from several readings as lines that fit the terminal."""
    width = _width()
    if results:
        yield ""
        yield "Derived from several readings"
    for result in results:
        yield ""
        title, value = (printable_text(text) for text in (result.point.title, result.value))
        yield from textwrap.wrap(f"{title}: {value}" if value else title, width, subsequent_indent="   ")
        margin = f", {result.margin}" if result.margin is Margin.CLOSE_CALL else ""
        yield f"   {(result.verdict or 'not judged').upper()}{margin}"
        for label, text in (("why", result.text), ("basis", result.basis)):
            yield from _labelled_lines(label, (printable_text(text),), width)


def _width() -> int:
    return max(text_width(), _MIN_WIDTH)


def _labelled_lines(label: str, texts: tuple[str, ...], width: int) -> Iterator[str]:
    for text in texts:
        lead = f"   {label:<{_LABEL_WIDTH}}"
        yield from textwrap.wrap(text, width, initial_indent=lead, subsequent_indent=" " * len(lead))
        label = ""
