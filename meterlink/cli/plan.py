"""``meterlink plan``: check a plan file, list the shipped plans, show one."""

import json
import shutil
import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import click

from meterlink.core.cautions import caution_at
from meterlink.core.equipment import DerivedPoint, Plan, Rating, Span, TestPoint
from meterlink.core.text import count_phrase
from meterlink.core.units import Quantity
from meterlink.diagnosis.derived_points import describe_basis
from meterlink.judge.judging import format_decimal, limits_for
from meterlink.plans import check_plan, group_by_state, load_plan, read_plan_text, shipped_plans
from meterlink.plans.derived_table import DERIVED_FIELDS, derived_point_table

_MIN_WIDTH = 20  # columns: textwrap needs room, even on a terminal narrower than a word
_MAX_WIDTH = 100  # columns: longer lines are hard to follow


@click.group()
def command() -> None:
    """Check, list and show plans: the ordered test points of a visit."""


@command.command()
@click.argument("file")
@click.pass_context
def check(context: click.Context, file: str) -> None:
    """Check a plan FILE and list every problem with its line and column.

    Exit status 0 for a usable plan, with or without warnings; 2 for a plan with errors.
    """
    checked = check_plan(read_plan_text(file))
    for problem in checked.problems:
        click.echo(f"{_printable(file)}:{problem}", err=True)
    if checked.value is None:
        context.exit(2)
    warnings = len(checked.problems)
    click.echo(
        f"{_printable(file)}: {checked.value.name}, {_points_text(checked.value)}, {count_phrase(warnings, 'warning')}."
    )


@command.command("list")
def list_shipped() -> None:
    """List the plans that ship with Meterlink."""
    width = max(map(len, shipped_plans()))
    for name in shipped_plans():
        plan = load_plan(name)
        click.echo(f"{name:{width}}  {plan.name}, {_points_text(plan)}")


@command.command()
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for programs.")
def show(name: str, *, as_json: bool) -> None:
    """Show the plan NAME (a shipped plan or a file): its test points in order, with limits and cautions.

    Points derived from several readings come last.

    With --json: name, and points with key, circuit, component, section, terminals, quantity, coupling (AC, DC or
    null), state, kind, rated, tolerance, low and high (as in the file; null where left out), limits (low, high, unit
    and basis; null while unknown), why, caution (in full). Also derived, with key, kind, title, inputs, at_most, low,
    high, rated, tolerance, frequency (as in the file; null where left out), basis, why.
    """
    plan = load_plan(name)
    if as_json:
        # ASCII only: safe in a pipe of any encoding.
        points, derived = (
            [_point_fields(point, plan) for point in plan.points],
            [_derived_fields(point, plan) for point in plan.derived],
        )
        click.echo(json.dumps({"name": plan.name, "points": points, "derived": derived}, indent=2))
        return
    width = max(_MIN_WIDTH, min(shutil.get_terminal_size().columns, _MAX_WIDTH))
    click.echo("\n".join(plan_lines(plan, width)))


def plan_lines(plan: Plan, width: int) -> Iterator[str]:
    """Yield a plan as lines of at most ``width`` characters."""
    yield from _wrap(f"{plan.name}: {_points_text(plan)}", width, 0)
    yield from _wrap(f"Order: {_order_text(plan.points)}.", width, 0)
    for number, point in enumerate(plan.points, 1):
        yield ""
        yield from _wrap(f"{number}. {point.circuit}: {point.title}", width, 0)
        for text in (
            _measurement_text(point),
            f"Limits: {_limits_text(point, plan.derived)}",
            point.why,
            f"CAUTION: {caution_at(point, plan.points)}",
        ):
            yield from _wrap(text, width, 3)
    if plan.derived:
        yield ""
        yield "Derived from several readings"
    points = {point.key: point for point in plan.points}
    for derived_point in plan.derived:
        numbers = [str(list(points).index(key) + 1) for _, key in derived_point.inputs]
        yield ""
        yield from _wrap(derived_point.title, width, 0)
        for text in (
            f"from test points {', '.join(numbers)}",
            f"Limits: {describe_basis(derived_point, points)}",
            derived_point.why,
        ):
            yield from _wrap(text, width, 3)


def _wrap(text: str, width: int, indent: int) -> list[str]:
    first_indent, next_indent = " " * indent, " " * (indent + 2 if indent else 0)
    return textwrap.wrap(
        text, width, initial_indent=first_indent, subsequent_indent=next_indent, break_on_hyphens=False
    )


def _measurement_text(point: TestPoint) -> str:
    first, second = point.terminals
    quantity = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
    probes = (
        f"in the lead between {first} and {second}" if point.quantity is Quantity.CURRENT else f"{first} to {second}"
    )
    return f"{quantity}, {probes}, {point.state}"


def _limits_text(point: TestPoint, derived: Sequence[DerivedPoint]) -> str:
    limits = limits_for(point)
    used_for = next(
        (derived_point.title for derived_point in derived if derived_point.uses_exclusively(point.key)), None
    )
    if limits is None and used_for is not None:
        return f"none of its own; used for {used_for}"
    if limits is None:
        return "none yet; read them off the part or nameplate"
    if limits.low is None or limits.high is None:
        return limits.basis
    range_text = f"{format_decimal(limits.low)} to {format_decimal(limits.high)} {limits.unit}"
    return range_text if isinstance(point.specification, Span) else f"{range_text} ({limits.basis})"


def _order_text(points: Sequence[TestPoint]) -> str:
    words, number = [], 1
    for state, block in group_by_state(points):
        last = number + len(block) - 1
        words.append(f"{state} {number}" + (f" to {last}" if last > number else ""))
        number = last + 1
    return ", then ".join(words)


def _points_text(plan: Plan) -> str:
    derived = f", {count_phrase(len(plan.derived), 'derived point')}" if plan.derived else ""
    return f"{count_phrase(len(plan.points), 'test point')}{derived}"


def _derived_fields(derived_point: DerivedPoint, plan: Plan) -> dict[str, Any]:
    points = {point.key: point for point in plan.points}
    return (
        dict.fromkeys(DERIVED_FIELDS)
        | derived_point_table(derived_point)
        | {"basis": describe_basis(derived_point, points)}
    )


def _printable(path: str) -> str:
    """Return a path with "?" for every control character: a terminal would obey those in a file name."""
    return "".join(character if character.isprintable() else "?" for character in path)


def _point_fields(point: TestPoint, plan: Plan) -> dict[str, Any]:
    limits, specification = limits_for(point), point.specification
    rated = specification if isinstance(specification, Rating) else None
    span = specification if isinstance(specification, Span) else None
    return {
        "key": point.key,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "terminals": list(point.terminals),
        "quantity": point.quantity.value,
        "coupling": point.coupling.value if point.coupling else None,
        "state": point.state.value,
        "kind": point.kind.value,
        "rated": str(rated.value) if rated else None,
        "tolerance": rated.tolerance if rated else None,
        "low": f"{span.low:f} {span.unit}" if span and span.low is not None else None,
        "high": f"{span.high:f} {span.unit}" if span and span.high is not None else None,
        "limits": limits
        and {
            "low": None if limits.low is None else float(limits.low),
            "high": None if limits.high is None else float(limits.high),
            "unit": limits.unit,
            "basis": limits.basis,
        },
        "why": point.why,
        "caution": caution_at(point, plan.points),
    }
