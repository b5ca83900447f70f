"""What `meterlink diagnose` and `meterlink judge diagnosis` share: how a diagnosis is printed."""

import shutil
import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import click

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.core.verdicts import Margin
from meterlink.diagnosis.causes import Cause, Diagnosis
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM

Function = TypeVar("Function", bound=Callable[..., Any])

_LABEL_WIDTH = len("against  ")
_MAX_TEXT_LENGTH = 800  # characters; more would be somebody else's text


def diagnosis_options(function: Function) -> Function:
    """Add ``--mains`` and ``--ground-minimum``."""
    for option in (
        click.option("--mains", metavar="HZ", help="Supply frequency, for capacitance under load: 60Hz."),
        click.option(
            "--ground-minimum",
            metavar="OHMS",
            help=f"Least winding resistance to ground where a test point states none. [default: {DEFAULT_INSULATION_MINIMUM}]",
        ),
    ):
        function = option(function)
    return function


def parse_mains_frequency(text: str | None) -> float | None:
    """Return a supply frequency in Hz; InputError unless it is above zero."""
    if text is None:
        return None
    hertz = float(parse_amount(text, Quantity.FREQUENCY, unit="Hz").base_value)
    if hertz <= 0:
        raise InputError(f"A supply frequency of {text} cannot be.", "Write 50Hz or 60Hz.")
    return hertz


def parse_ground_minimum(text: str | None) -> Amount:
    """Return a least resistance to ground; InputError unless it is above zero."""
    minimum = DEFAULT_INSULATION_MINIMUM if text is None else parse_amount(text, Quantity.RESISTANCE)
    if minimum.digits <= 0:
        raise InputError(f"A minimum of {minimum} accepts anything.", "Give the least resistance to ground: 1Mohm.")
    return minimum


def diagnosis_fields(diagnosis: Diagnosis) -> dict[str, Any]:
    """Return a diagnosis as JSON."""
    return {
        "summary": diagnosis.summary,
        "findings": [_cause_fields(each) for each in diagnosis.causes],
        "notes": list(diagnosis.notes),
    }


def _cause_fields(cause: Cause) -> dict[str, Any]:
    return {
        "rule": cause.rule,
        "title": cause.title,
        "blames": str(cause.kind),
        "confidence": str(cause.confidence),
        "score": cause.score,
        "for": list(cause.evidence_for),
        "against": list(cause.evidence_against),
        "next": cause.next_measurement,
        "caution": cause.caution,
        "beside": list(cause.related),
    }


def diagnosis_lines(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield a diagnosis as lines for the terminal at hand."""
    width = max(shutil.get_terminal_size().columns, 30)  # narrower leaves no room beside the labels
    yield from textwrap.wrap(diagnosis.summary, width)
    for number, finding in enumerate(diagnosis.causes, 1):
        yield ""
        yield from textwrap.wrap(f"{number}. {finding.title}", width, subsequent_indent="   ")
        yield f"   {finding.confidence.upper()}"
        for label, texts in (
            ("for", finding.evidence_for),
            ("against", finding.evidence_against),
            ("next", (finding.next_measurement,)),
            ("caution", (finding.caution,)),
            ("beside", finding.related),
        ):
            yield from _labelled_lines(label, texts, width)
    for note in diagnosis.notes:
        yield ""
        yield from textwrap.wrap(f"Note: {note}", width, subsequent_indent="  ")


def derived_lines(results: Sequence[DerivedResult]) -> Iterator[str]:
    """Yield what was worked out of several readings as lines for the terminal at hand."""
    width = max(shutil.get_terminal_size().columns, 30)
    if results:
        yield ""
        yield "Worked out of several readings"
    for each in results:
        yield ""
        title, value = (clean_text(text, _MAX_TEXT_LENGTH) for text in (each.point.title, each.value))
        yield from textwrap.wrap(f"{title}: {value}" if value else title, width, subsequent_indent="   ")
        close = f", {each.margin}" if each.margin is Margin.CLOSE_CALL else ""
        yield f"   {(each.verdict or 'not judged').upper()}{close}"
        for label, text in (("why", each.text), ("basis", each.basis)):
            yield from _labelled_lines(label, (clean_text(text, _MAX_TEXT_LENGTH),), width)


def _labelled_lines(label: str, texts: tuple[str, ...], width: int) -> Iterator[str]:
    for text in texts:
        lead = f"   {label:<{_LABEL_WIDTH}}"
        yield from textwrap.wrap(text, width, initial_indent=lead, subsequent_indent=" " * len(lead))
        label = ""
