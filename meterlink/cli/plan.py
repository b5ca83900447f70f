"""``meterlink plan``: check a plan file, list the shipped plans, show one."""

import json
import shutil
import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import click

from meterlink.core.cautions import caution_at
from meterlink.core.equipment import DerivedCheck, Plan, Rating, Span, TestPoint
from meterlink.core.units import Quantity
from meterlink.diagnosis.derived import basis_of
from meterlink.judge.judging import limits_of, plain
from meterlink.plans import blocks_of, check_plan, load_plan, read_text, shipped_plans
from meterlink.plans.derived_table import DERIVED_FIELDS, as_table

# On a terminal narrower than a word there is nothing to keep whole; wide enough for textwrap to make headway.
_NARROWEST = 20  # columns
_WIDEST = 100  # columns: longer lines are hard to follow


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
    checked = check_plan(read_text(file))
    for finding in checked.findings:
        click.echo(f"{_printable(file)}:{finding}", err=True)
    if checked.plan is None:
        context.exit(2)
    warnings = len(checked.findings)
    click.echo(f"{_printable(file)}: {checked.plan.name}, {_points(checked.plan)}, {_counted(warnings, 'warning')}.")


@command.command("list")
def list_shipped() -> None:
    """List the plans that ship with Meterlink."""
    width = max(map(len, shipped_plans()))
    for name in shipped_plans():
        plan = load_plan(name)
        click.echo(f"{name:{width}}  {plan.name}, {_points(plan)}")


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
            [_as_object(point) for point in plan.points],
            [_derived(check, plan) for check in plan.derived],
        )
        click.echo(json.dumps({"name": plan.name, "points": points, "derived": derived}, indent=2))
        return
    width = max(_NARROWEST, min(shutil.get_terminal_size().columns, _WIDEST))
    click.echo("\n".join(as_lines(plan, width)))


def as_lines(plan: Plan, width: int) -> Iterator[str]:
    """Yield a plan as lines of at most ``width`` characters where no single word is longer."""
    yield from _wrapped(f"{plan.name}: {_points(plan)}", width, 0)
    yield from _wrapped(f"Order: {_order(plan.points)}.", width, 0)
    for number, point in enumerate(plan.points, 1):
        yield ""
        yield from _wrapped(f"{number}. {point.circuit}: {point.title}", width, 0)
        for text in (
            _where(point),
            f"Limits: {_limits(point, plan.derived)}",
            point.why,
            f"CAUTION: {caution_at(point)}",
        ):
            yield from _wrapped(text, width, 3)
    if plan.derived:
        yield ""
        yield "Worked out of several readings"
    points = {point.key: point for point in plan.points}
    for check in plan.derived:
        numbers = [str(list(points).index(key) + 1) for _, key in check.of]
        yield ""
        yield from _wrapped(check.title, width, 0)
        for text in (f"from {', '.join(numbers)}", f"Limits: {basis_of(check, points)}", check.why):
            yield from _wrapped(text, width, 3)


def _wrapped(text: str, width: int, indent: int) -> list[str]:
    first, rest = " " * indent, " " * (indent + 2 if indent else 0)
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def _where(point: TestPoint) -> str:
    first, second = point.terminals
    quantity = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
    at = f"in the lead between {first} and {second}" if point.quantity is Quantity.CURRENT else f"{first} to {second}"
    return f"{quantity}, {at}, {point.state}"


def _limits(point: TestPoint, derived: Sequence[DerivedCheck]) -> str:
    limits = limits_of(point)
    taken_for = next((check.title for check in derived if check.takes_alone(point.key)), None)
    if limits is None and taken_for is not None:
        return f"none of its own; taken for {taken_for}"
    if limits is None:
        return "none yet; read them off the part or nameplate"
    if limits.low is None or limits.high is None:
        return limits.basis
    spelled = f"{plain(limits.low)} to {plain(limits.high)} {limits.unit}"
    return spelled if isinstance(point.against, Span) else f"{spelled} ({limits.basis})"


def _order(points: Sequence[TestPoint]) -> str:
    words, number = [], 1
    for state, block in blocks_of(points):
        last = number + len(block) - 1
        words.append(f"{state} {number}" + (f" to {last}" if last > number else ""))
        number = last + 1
    return ", then ".join(words)


def _points(plan: Plan) -> str:
    derived = f", {_counted(len(plan.derived), 'derived check')}" if plan.derived else ""
    return f"{_counted(len(plan.points), 'test point')}{derived}"


def _counted(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"


def _derived(check: DerivedCheck, plan: Plan) -> dict[str, Any]:
    points = {point.key: point for point in plan.points}
    return dict.fromkeys(DERIVED_FIELDS) | as_table(check) | {"basis": basis_of(check, points)}


def _printable(path: str) -> str:
    """Return a path as it can be shown: a file name may hold whatever a terminal would obey."""
    return "".join(character if character.isprintable() else "?" for character in path)


def _as_object(point: TestPoint) -> dict[str, Any]:
    limits, against = limits_of(point), point.against
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
        "check": point.check.value,
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
