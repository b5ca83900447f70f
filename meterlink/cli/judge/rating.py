"""``meterlink judge rating``: a capacitor's label, as it is understood, with the limits that follow."""

import json
from typing import Any

import click

from meterlink.cli.judge.output import json_number, json_option, print_answer
from meterlink.core.units import Quantity, parse_unit
from meterlink.core.verdicts import Limits
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.rated_part import CapacitorKind, RatedPart
from meterlink.judge.label.ratings import AmbiguousRatingError, describe_part, parse_rating
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE

_LARGER_IS_HERM = "The larger section is taken as HERM, the smaller as FAN (common practice, no source): see the marks."


@click.command()
@click.argument("text")
@click.option(
    "--kind", type=click.Choice([kind.value for kind in CapacitorKind]), help="What the part is, where it is known."
)
@click.option("--unit", metavar="UNIT", help="Unit of a value that has none: uF.")
@json_option
def rating(text: str, kind: str | None, unit: str | None, as_json: bool) -> None:  # noqa: FBT001
    """Read a capacitor's rating as it is written on the part: "45+7.5 MFD ±6% 440 VAC".

    What could mean several things is asked about, never guessed: exit status 2, the question on standard error, and
    with --json an object with question and candidates (text, meaning) on standard output. Otherwise --json prints:
    rating, meaning, kind (run, start or null), sections (name, rated or null, low, high, end_of_life_low,
    end_of_life_high, unit, basis), tolerance, volts and hertz (lists), unread (words not used) and remarks.
    """
    try:
        wanted = None if unit is None else parse_unit(unit, Quantity.CAPACITANCE)
        part = parse_rating(text, kind=CapacitorKind(kind) if kind else None, unit=wanted)
    except AmbiguousRatingError as question:
        if as_json:
            click.echo(json.dumps(question.as_json_object(), ensure_ascii=False))
        raise
    print_answer(rating_fields(part), _lines(part), as_json=as_json)


def rating_fields(part: RatedPart) -> dict[str, Any]:
    """Return a rating as JSON; values and limits in µF, volts in V, frequencies in Hz."""
    return {
        "rating": str(part),
        "meaning": describe_part(part),
        "kind": part.kind,
        "sections": [_section_fields(*section) for section in _sections(part)],
        "tolerance": None if part.tolerance is None else str(part.tolerance),
        "volts": [json_number(volts) for volts in part.volts],
        "hertz": [json_number(hertz) for hertz in part.hertz],
        "unread": list(part.unused_words),
        "remarks": list(part.unusual_values()),
    }


def _sections(part: RatedPart) -> list[tuple[str, Limits, Limits | None]]:
    limits = part.limits()
    ends: tuple[Limits | None, ...] = part.end_of_life_limits() or (None,) * len(limits)
    return list(zip(part.section_names, limits, ends, strict=True))


def _section_fields(name: str, limits: Limits, end: Limits | None) -> dict[str, Any]:
    return {
        "name": name,
        "rated": json_number(limits.nominal),
        "low": json_number(limits.low),
        "high": json_number(limits.high),
        "end_of_life_low": None if end is None else json_number(end.low),
        "end_of_life_high": None if end is None else json_number(end.high),
        "unit": limits.unit,
        "basis": limits.basis,
    }


def _lines(part: RatedPart) -> list[str]:
    lines = [str(part), f"{describe_part(part)}."]
    for name, limits, end in _sections(part):
        lines.append(f"{name} {_range_text(limits)} ({limits.basis})".lstrip())
        if end is not None:
            lines.append(f"  counts as failed by IEC 60252-1 beyond {_range_text(end)}")
    if part.tolerance is None and part.marked_range is None:
        lines.append(f"No tolerance on it: {part.ratings()[0].tolerance or DEFAULT_CAPACITOR_TOLERANCE} is taken.")
    if len(part.sections) == 2:
        lines.append(_LARGER_IS_HERM)
    if part.unused_words:
        lines.append(f"Not used: {', '.join(part.unused_words)}.")
    return [*lines, *part.unusual_values()]


def _range_text(limits: Limits) -> str:
    low, high = ("open" if edge is None else format_decimal(edge) for edge in (limits.low, limits.high))
    return f"{low} to {high} {limits.unit}"
