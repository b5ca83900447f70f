"""``meterlink plan``: check a plan file, list the shipped plans, show one."""

import json
import shutil
import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import click

from meterlink.core.cautions import caution_at
from meterlink.core.equipment import DerivedPoint, Plan, Rating, Span, TestPoint
from meterlink.core.units import Quantity
from meterlink.diagnosis.derived_points import describe_basis
from meterlink.judge.judging import format_decimal, limits_for
from meterlink.plans import check_plan, group_by_state, load_plan, read_plan_text, shipped_plans
from meterlink.plans.derived_table import DERIVED_FIELDS, derived_point_table

# On a terminal narrower than a word there is nothing to keep whole; wide enough for textwrap to make headway.
_MIN_WIDTH = 20  # columns
_MAX_WIDTH = 100  # columns: longer lines are hard to follow


@click.group()
def command() -> None:
    """Work with plans: the ordered test points of a visit."""


@command.command()
@click.argument("file")
@click.pass_context
def check(context: click.Context, file: str) -> None:
    """Check a plan FILE: say everything that is wrong in it, with line and column.

    Exit status 0 for a plan that can be used, with or without warnings; 2 for one with errors.
    """
    checked = check_plan(read_plan_text(file))
    for finding in checked.problems:
        click.echo(f"{_printable(file)}:{finding}", err=True)
    if checked.plan is None:
        context.exit(2)
    warnings = len(checked.problems)
    click.echo(
        f"{_printable(file)}: {checked.plan.name}, {_points_text(checked.plan)}, {_count_phrase(warnings, 'warning')}."
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
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
def show(name: str, *, as_json: bool) -> None:
    """Show the plan NAME (a shipped plan or a file): its test points in order, with limits and cautions.

    What is worked out of several readings comes last.

    With --json: name, and points with key, circuit, component, section, terminals, quantity, coupling (AC, DC or
    null), state, check, rated, tolerance, low and high (as in the file; null where left out), limits (low, high, unit
    and basis; null while nothing is known), why, caution (in full). And derived: key, kind, title, of, at_most, low,
    high, rated, tolerance, frequency (as in the file; null where left out), basis, why.
    """
    plan = load_plan(name)
    if as_json:
        # ASCII only: whatever encoding a pipe has, it arrives unharmed.
        points, derived = (
            [_point_fields(point) for point in plan.points],
            [_derived_fields(check, plan) for check in plan.derived],
        )
        click.echo(json.dumps({"name": plan.name, "points": points, "derived": derived}, indent=2))
        return
    width = max(_MIN_WIDTH, min(shutil.get_terminal_size().columns, _MAX_WIDTH))
    click.echo("\n".join(plan_lines(plan, width)))


def plan_lines(plan: Plan, width: int) -> Iterator[str]:
    """Yield a plan as lines of at most ``width`` characters where no single word is longer."""
    yield from _wrap(f"{plan.name}: {_points_text(plan)}", width, 0)
    yield from _wrap(f"Order: {_order_text(plan.points)}.", width, 0)
    for number, point in enumerate(plan.points, 1):
        yield ""
        yield from _wrap(f"{number}. {point.circuit}: {point.title}", width, 0)
        for text in (
            _measurement_text(point),
            f"Limits: {_limits_text(point, plan.derived)}",
            point.why,
            f"CAUTION: {caution_at(point)}",
        ):
            yield from _wrap(text, width, 3)
    if plan.derived:
        yield ""
        yield "Worked out of several readings"
    points = {point.key: point for point in plan.points}
    for check in plan.derived:
        numbers = [str(list(points).index(key) + 1) for _, key in check.inputs]
        yield ""
        yield from _wrap(check.title, width, 0)
        for text in (f"from {', '.join(numbers)}", f"Limits: {describe_basis(check, points)}", check.why):
            yield from _wrap(text, width, 3)


def _wrap(text: str, width: int, indent: int) -> list[str]:
    first, rest = " " * indent, " " * (indent + 2 if indent else 0)
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def _measurement_text(point: TestPoint) -> str:
    first, second = point.terminals
    quantity = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
    at = f"in the lead between {first} and {second}" if point.quantity is Quantity.CURRENT else f"{first} to {second}"
    return f"{quantity}, {at}, {point.state}"


def _limits_text(point: TestPoint, derived: Sequence[DerivedPoint]) -> str:
    limits = limits_for(point)
    taken_for = next((check.title for check in derived if check.uses_exclusively(point.key)), None)
    if limits is None and taken_for is not None:
        return f"none of its own; taken for {taken_for}"
    if limits is None:
        return "none yet; read them off the part or nameplate"
    if limits.low is None or limits.high is None:
        return limits.basis
    spelled = f"{format_decimal(limits.low)} to {format_decimal(limits.high)} {limits.unit}"
    return spelled if isinstance(point.specification, Span) else f"{spelled} ({limits.basis})"


def _order_text(points: Sequence[TestPoint]) -> str:
    words, number = [], 1
    for state, block in group_by_state(points):
        last = number + len(block) - 1
        words.append(f"{state} {number}" + (f" to {last}" if last > number else ""))
        number = last + 1
    return ", then ".join(words)


def _points_text(plan: Plan) -> str:
    derived = f", {_count_phrase(len(plan.derived), 'derived check')}" if plan.derived else ""
    return f"{_count_phrase(len(plan.points), 'test point')}{derived}"


def _count_phrase(number: int, noun: str) -> str:
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def _derived_fields(derived_point: DerivedPoint, plan: Plan) -> dict[str, Any]:
    points = {point.key: point for point in plan.points}
    return (
        dict.fromkeys(DERIVED_FIELDS)
        | derived_point_table(derived_point)
        | {"basis": describe_basis(derived_point, points)}
    )


def _printable(path: str) -> str:
    """Return a path as it can be shown: a file name may hold whatever a terminal would obey."""
    return "".join(character if character.isprintable() else "?" for character in path)


def _point_fields(point: TestPoint) -> dict[str, Any]:
    limits, against = limits_for(point), point.specification
    rated, span = against if isinstance(against, Rating) else None, against if isinstance(against, Span) else None
    return {
        "key": point.key,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "terminals": list(point.terminals),
        "quantity": point.quantity.value,
        "coupling": point.coupling.value if point.coupling else None,
        "state": point.state.value,
        "check": point.kind.value,
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
        "caution": caution_at(point),
    }
