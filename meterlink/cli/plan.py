"""``meterlink plan``: check a plan file, list the shipped plans, show one."""

import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import click

from meterlink.cli.completion import complete_plan
from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import Form, listing_options, print_table
from meterlink.cli.terminal import text_width
from meterlink.core.cautions import caution_at
from meterlink.core.equipment import DerivedPoint, MarkedVoltage, Plan, PlanQuestion, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.text import count_phrase
from meterlink.core.units import Quantity
from meterlink.diagnosis.derived_points import describe_basis
from meterlink.judge.judging import format_decimal, limits_for
from meterlink.plans import check_plan, group_by_state, load_plan, read_plan_text, shipped_plans
from meterlink.plans.derived_table import DERIVED_FIELDS, derived_point_table

_MIN_WIDTH = 20  # columns: textwrap needs room, even on a terminal narrower than a word
_MAX_WIDTH = 100  # columns: longer lines are hard to follow


def _parse_answers(_context: click.Context, _parameter: click.Parameter, texts: tuple[str, ...]) -> dict[str, str]:
    answers = {}
    for text in texts:
        key, equals, choice = text.partition("=")
        if not equals:
            raise InputError(f"--answer {text!r} is not KEY=CHOICE.", "Write --answer service=208.")
        answers[key.strip()] = choice
    return answers


_answer_option: Callable[[Callable[..., None]], Callable[..., None]] = click.option(
    "--answer",
    "answers",
    multiple=True,
    metavar="KEY=CHOICE",
    callback=_parse_answers,
    help="Answer a question of the plan, by the key or number of a choice; repeatable.",
)


@click.group(cls=CommandGroup)
def command() -> None:
    """Check, list and show plans: the ordered test points of a visit."""


@command.command()
@click.argument("file")
@_answer_option
@click.pass_context
def check(context: click.Context, file: str, answers: dict[str, str]) -> None:
    """Check a plan FILE and list every problem with its line and column, then the questions that are open.

    \b
        meterlink plan check plan.toml
        meterlink plan check split-condenser --answer service=240

    With --answer it counts the test points of the machine that the answers describe.

    Exit status 0 for a usable plan, with or without warnings; 2 for a plan with errors.
    """
    checked = check_plan(read_plan_text(file))
    for problem in checked.problems:
        click.echo(f"{_printable(file)}:{problem}", err=True)
    if checked.value is None:
        context.exit(2)
    plan, open_questions = _answered(checked.value, answers)
    counts = f"{_points_text(plan)}, {count_phrase(len(checked.problems), 'warning')}"
    click.echo(f"{_printable(file)}: {plan.name}, {counts}.")
    for asked in open_questions:
        click.echo(_question_line(asked))


@command.command("list")
@listing_options("plan", "name", "points", "derived", "questions")
def list_shipped(*, form: Form) -> None:
    """List the plans that ship with Meterlink, one for each kind of unit.

    \b
        meterlink plan list

    With --json: an array of plan (its name for --plan), name (the kind of unit), points, derived and questions (their
    numbers).
    """
    plans = {key: load_plan(key) for key in shipped_plans()}
    records = [
        {
            "plan": key,
            "name": plan.name,
            "points": len(plan.points),
            "derived": len(plan.derived),
            "questions": len(plan.asked),
        }
        for key, plan in plans.items()
    ]
    if form.prints(records, records):
        return
    headings = ("Plan", "Kind of unit", "Test points")
    print_table(
        headings, [(key, plan.name, _points_text(plan)) for key, plan in plans.items()], ("Kind of unit", "Test points")
    )


@command.command()
@click.argument("name", shell_complete=complete_plan)
@listing_options("key", "circuit", "component", "section", "terminals", "quantity", "coupling", "state", "basis")
@_answer_option
def show(name: str, *, form: Form, answers: dict[str, str]) -> None:
    """Show the plan NAME (a shipped plan or a file): its test points in order, with limits and cautions.

    \b
        meterlink plan show split-condenser
        meterlink plan show split-condenser --answer service=240

    Its questions on the machine come first, points derived from several readings last. With --answer only the test
    points known to exist are shown; a point that depends on an open question is not among them.

    With --json: name, and points with key, circuit, component, section, terminals, quantity, coupling (AC, DC or
    null), state, kind, rated, tolerance, low, high, band and rated_by (as in the file; null where left out), limits
    (low, high, unit and basis; null while unknown), in_series, optional, when (question: choice), hazards, why, caution
    (in full). Also derived, with key, kind, title, inputs, at_most, low, high, rated, tolerance, frequency (as in the
    file; null where left out), basis, why. Also questions, those that are open, with key, question, choices (key,
    words), usual and when.
    """
    plan, open_questions = _answered(load_plan(name), answers)
    points = [_point_fields(point, plan) for point in plan.points]
    derived = [_derived_fields(point, plan) for point in plan.derived]
    questions = [_question_fields(asked) for asked in open_questions]
    lines = [{**fields, "basis": (fields["limits"] or {}).get("basis")} for fields in points]
    if form.prints({"name": plan.name, "questions": questions, "points": points, "derived": derived}, lines):
        return
    width = max(_MIN_WIDTH, min(text_width(), _MAX_WIDTH))
    click.echo("\n".join(plan_lines(plan, open_questions, width)))


def _answered(plan: Plan, answers: dict[str, str]) -> tuple[Plan, tuple[PlanQuestion, ...]]:
    """Return the plan for the answers, and its open questions; without an answer the whole plan and all of them."""
    return (plan.for_answers(answers), plan.questions(answers)) if answers else (plan, plan.asked)


def plan_lines(plan: Plan, open_questions: Sequence[PlanQuestion], width: int) -> Iterator[str]:
    """Yield a plan as lines of at most ``width`` characters."""
    yield from _wrap(f"{plan.name}: {_points_text(plan)}", width, 0)
    yield from _wrap(f"Order: {_order_text(plan.points)}.", width, 0)
    for asked in open_questions:
        yield ""
        yield from _wrap(f"{asked.key}: {asked.question.text}{_condition_text(asked.when)}", width, 0)
        for choice in asked.question.choices:
            usual = " (usual)" if choice.key == asked.question.usual else ""
            yield from _wrap(f"{choice.key}: {choice.words}{usual}", width, 3)
    for number, point in enumerate(plan.points, 1):
        yield ""
        optional = " (optional)" if point.optional else ""
        yield from _wrap(f"{number}. {point.circuit}: {point.title}{optional}{_condition_text(point.when)}", width, 0)
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


def _condition_text(when: Sequence[tuple[str, str]]) -> str:
    answers = " and ".join(f"{question} is {choice}" for question, choice in when)
    return f", where {answers}" if answers else ""


def _question_line(asked: PlanQuestion) -> str:
    choices = ", ".join(choice.key for choice in asked.question.choices)
    return f"{asked.key}: {asked.question.text} ({choices}){_condition_text(asked.when)}"


def _question_fields(asked: PlanQuestion) -> dict[str, Any]:
    return {"key": asked.key} | asked.question.as_json_object() | {"when": dict(asked.when)}


def _wrap(text: str, width: int, indent: int) -> list[str]:
    first_indent, next_indent = " " * indent, " " * (indent + 2 if indent else 0)
    return textwrap.wrap(
        text, width, initial_indent=first_indent, subsequent_indent=next_indent, break_on_hyphens=False
    )


def _measurement_text(point: TestPoint) -> str:
    first, second = point.terminals
    quantity = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
    if point.in_series:
        probes = f"through the meter, in the wire between {first} and {second}"
    elif point.quantity is Quantity.CURRENT:
        probes = f"in the lead between {first} and {second}"
    else:
        probes = f"{first} to {second}"
    return f"{quantity}, {probes}, {point.state}"


def _limits_text(point: TestPoint, derived: Sequence[DerivedPoint]) -> str:
    limits = limits_for(point)
    used_for = next(
        (derived_point.title for derived_point in derived if derived_point.uses_exclusively(point.key)), None
    )
    if limits is None and used_for is not None:
        return f"none of its own; used for {used_for}"
    if limits is None and point.rated_by:
        return f"from the answer to {point.rated_by}"
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
    marked = specification if isinstance(specification, MarkedVoltage) else None
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
        "rated": str(rated.value) if rated else marked and marked.volts_text,
        "tolerance": rated.tolerance if rated else None,
        "low": f"{span.low:f} {span.unit}" if span and span.low is not None else None,
        "high": f"{span.high:f} {span.unit}" if span and span.high is not None else None,
        "band": point.band,
        "rated_by": point.rated_by or None,
        "limits": limits
        and {
            "low": None if limits.low is None else float(limits.low),
            "high": None if limits.high is None else float(limits.high),
            "unit": limits.unit,
            "basis": limits.basis,
        },
        "in_series": point.in_series,
        "optional": point.optional,
        "when": dict(point.when),
        "hazards": list(point.hazards),
        "why": point.why,
        "caution": caution_at(point, plan.points),
    }
