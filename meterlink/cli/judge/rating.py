"""``meterlink judge rating``: a capacitor's label, as it is understood, with the limits that follow."""

import json
from typing import Any

import click

from meterlink.cli.judge.output import answer, json_option, number
from meterlink.core.units import Quantity, parse_unit
from meterlink.core.verdicts import Limits
from meterlink.judge.judging import plain
from meterlink.judge.label.rated_part import Kind, RatedPart
from meterlink.judge.label.ratings import AmbiguousRatingError, describe, parse_rating
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE

_LARGER_IS_HERM = "The larger section is taken as HERM, the smaller as FAN (common practice, no source): see the marks."


@click.command()
@click.argument("text")
@click.option("--kind", type=click.Choice([kind.value for kind in Kind]), help="What the part is, where it is known.")
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
        part = parse_rating(text, kind=Kind(kind) if kind else None, unit=wanted)
    except AmbiguousRatingError as question:
        if as_json:
            click.echo(json.dumps(question.as_fields(), ensure_ascii=False))
        raise
    answer(rating_fields(part), _lines(part), as_json=as_json)


def rating_fields(part: RatedPart) -> dict[str, Any]:
    """Return a rating as JSON; values and limits in µF, volts in V, frequencies in Hz."""
    return {
        "rating": str(part),
        "meaning": describe(part),
        "kind": part.kind,
        "sections": [_section(*section) for section in _sections(part)],
        "tolerance": None if part.tolerance is None else str(part.tolerance),
        "volts": [number(volts) for volts in part.volts],
        "hertz": [number(hertz) for hertz in part.hertz],
        "unread": list(part.unread),
        "remarks": list(part.unusual()),
    }


def _sections(part: RatedPart) -> list[tuple[str, Limits, Limits | None]]:
    limits = part.limits()
    ends: tuple[Limits | None, ...] = part.end_of_life() or (None,) * len(limits)
    return list(zip(part.names, limits, ends, strict=True))


def _section(name: str, limits: Limits, end: Limits | None) -> dict[str, Any]:
    return {
        "name": name,
        "rated": number(limits.nominal),
        "low": number(limits.low),
        "high": number(limits.high),
        "end_of_life_low": None if end is None else number(end.low),
        "end_of_life_high": None if end is None else number(end.high),
        "unit": limits.unit,
        "basis": limits.basis,
    }


def _lines(part: RatedPart) -> list[str]:
    lines = [str(part), f"{describe(part)}."]
    for name, limits, end in _sections(part):
        lines.append(f"{name} {_span(limits)} ({limits.basis})".lstrip())
        if end is not None:
            lines.append(f"  counts as failed by IEC 60252-1 beyond {_span(end)}")
    if part.tolerance is None and part.marked is None:
        lines.append(f"No tolerance on it: {part.ratings()[0].tolerance or DEFAULT_CAPACITOR_TOLERANCE} is taken.")
    if len(part.sections) == 2:
        lines.append(_LARGER_IS_HERM)
    if part.unread:
        lines.append(f"Not used: {', '.join(part.unread)}.")
    return [*lines, *part.unusual()]


def _span(limits: Limits) -> str:
    low, high = ("open" if edge is None else plain(edge) for edge in (limits.low, limits.high))
    return f"{low} to {high} {limits.unit}"
