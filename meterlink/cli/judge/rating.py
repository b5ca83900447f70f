"""``meterlink judge rating``: a capacitor's label, spelled out with its limits."""

from typing import Any

import click

from meterlink.cli.judge.output import json_number, json_option, print_answer
from meterlink.cli.judge.questions import answer_option, settle
from meterlink.core.units import Quantity, parse_unit
from meterlink.core.verdicts import Limits
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.ratings import describe_part, read_label
from meterlink.judge.label.usual_values import CapacitorKind
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE

_LARGER_IS_HERM = (
    "The larger section is taken as HERM, the smaller as FAN (common practice, no source): check the marks."
)


@click.command()
@click.argument("text")
@click.option("--kind", type=click.Choice([kind.value for kind in CapacitorKind]), help="Kind of part, if known.")
@click.option("--unit", metavar="UNIT", help="Unit of a value without one: uF.")
@answer_option
@json_option
def rating(text: str, kind: str | None, unit: str | None, answer: str | None, as_json: bool) -> None:  # noqa: FBT001
    """Read a capacitor's rating as printed on the part: "45+7.5 MFD ±6% 440 VAC".

    \b
        meterlink judge rating "45+7.5 MFD 440 VAC"

    A rating with several meanings is never guessed: the question is printed with its choices, and the exit status is
    3. Give the same command with --answer and the number or the key of a choice. With --json the question is: question,
    choices (key, words), usual (a key or null). Otherwise --json prints: rating, description, kind (run, start or
    null), sections (name, rated or null, low, high, end_of_life_low, end_of_life_high, unit, basis), tolerance, volts
    and hertz (lists), unused_words and remarks.
    """
    default_unit = None if unit is None else parse_unit(unit, Quantity.CAPACITANCE)
    part = settle(
        read_label(text, kind=CapacitorKind(kind) if kind else None, unit=default_unit), answer, as_json=as_json
    )
    print_answer(rating_fields(part), _lines(part), as_json=as_json)


def rating_fields(part: RatedPart) -> dict[str, Any]:
    """Return a rating as JSON: values and limits in µF, volts in V, frequencies in Hz.

    The keys are documented in the command's help.
    """
    return {
        "rating": str(part),
        "description": describe_part(part),
        "kind": part.kind,
        "sections": [_section_fields(*section) for section in _sections(part)],
        "tolerance": None if part.tolerance is None else str(part.tolerance),
        "volts": [json_number(volts) for volts in part.volts],
        "hertz": [json_number(hertz) for hertz in part.hertz],
        "unused_words": list(part.unused_words),
        "remarks": list(part.unusual_values()),
    }


def _sections(part: RatedPart) -> list[tuple[str, Limits, Limits | None]]:
    limits = part.limits()
    end_of_life: tuple[Limits | None, ...] = part.end_of_life_limits() or (None,) * len(limits)
    return list(zip(part.section_names, limits, end_of_life, strict=True))


def _section_fields(name: str, limits: Limits, end_of_life: Limits | None) -> dict[str, Any]:
    return {
        "name": name,
        "rated": json_number(limits.nominal),
        "low": json_number(limits.low),
        "high": json_number(limits.high),
        "end_of_life_low": None if end_of_life is None else json_number(end_of_life.low),
        "end_of_life_high": None if end_of_life is None else json_number(end_of_life.high),
        "unit": limits.unit,
        "basis": limits.basis,
    }


def _lines(part: RatedPart) -> list[str]:
    lines = [str(part), f"{describe_part(part)}."]
    for name, limits, end_of_life in _sections(part):
        lines.append(f"{name} {_range_text(limits)} ({limits.basis})".lstrip())
        if end_of_life is not None:
            lines.append(f"  failed by IEC 60252-1 outside {_range_text(end_of_life)}")
    if part.tolerance is None and part.marked_range is None:
        tolerance = part.ratings()[0].tolerance or DEFAULT_CAPACITOR_TOLERANCE
        lines.append(f"No tolerance given: {tolerance} is assumed.")
    if len(part.sections) == 2:
        lines.append(_LARGER_IS_HERM)
    if part.unused_words:
        lines.append(f"Not used: {', '.join(part.unused_words)}.")
    return [*lines, *part.unusual_values()]


def _range_text(limits: Limits) -> str:
    low, high = ("open" if limit is None else format_decimal(limit) for limit in (limits.low, limits.high))
    return f"{low} to {high} {limits.unit}"
