"""Plans from TOML files, with all errors and warnings by line."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from meterlink.core.equipment import CircuitState, Plan, PlanQuestion, TestPoint
from meterlink.core.errors import InputError, PlanError
from meterlink.core.text import did_you_mean
from meterlink.plans.derived_table import DERIVED, DerivedTable, PointsByKey
from meterlink.plans.point_table import ON_SITE, POINT
from meterlink.plans.question_table import (
    QUESTION,
    check_answers_of_points,
    check_questions,
    ratings_by_answer,
)
from meterlink.tomlfile.documents import Checked, check_document, document_schema, locate_problems, parse_table
from meterlink.tomlfile.field_types import Schema, Text
from meterlink.tomlfile.files import package_files, printable_path, read_package_text, read_text_file
from meterlink.tomlfile.problems import PathProblem, Problem
from meterlink.tomlfile.tables import FieldError, Key, Table, Tables

DEFAULT_PLAN = "split-condenser"

_LONGEST_PLAN_NAME = 80  # characters: two lines on the smallest screen
_MOST_POINTS = 500  # more than a technician measures in a week
_MOST_QUESTIONS = 20  # more than anybody answers before the first reading


def _check_derived(
    partial_point: Sequence[TestPoint | Mapping[str, Any]], partial_derived: Sequence[DerivedTable | Mapping[str, Any]]
) -> Iterator[FieldError]:
    points: PointsByKey = {
        (point.key if isinstance(point, TestPoint) else str(point.get("key", ""))): (
            point if isinstance(point, TestPoint) else None
        )
        for point in partial_point
    }
    for number, table in enumerate(partial_derived):
        for problem in table.check(points) if isinstance(table, DerivedTable) else ():
            yield FieldError(("derived", number, *problem.at), problem.message, problem.remedy)


def _check_some_point_exists(point: tuple[TestPoint, ...]) -> Iterator[FieldError]:
    if all(entry.when for entry in point):
        message = "every test point depends on an answer, so the plan may be empty."
        yield FieldError(("point", 0, "when"), message, "Remove when from a point that every such machine has.")


def _make_plan(
    name: str, point: tuple[TestPoint, ...], derived: tuple[DerivedTable, ...], question: tuple[PlanQuestion, ...]
) -> Plan:
    points = {entry.key: entry for entry in point}
    built = tuple(table.build(points) for table in derived)
    return Plan(name, point, built, question, tuple(ratings_by_answer(point, question)))


PLAN = Table(
    _make_plan,
    Key("name", Text(_LONGEST_PLAN_NAME)),
    Key("question", Tables(QUESTION, 0, _MOST_QUESTIONS, unique=("key",)), (), description="Asked before measuring."),
    Key("point", Tables(POINT, 1, _MOST_POINTS, unique=("key",)), description="In the order of measurement."),
    Key("derived", Tables(DERIVED, 0, _MOST_POINTS, unique=("key",)), ()),
    checks=(check_questions, check_answers_of_points, _check_some_point_exists, _check_derived),
)
"""The table of a plan file."""


def plan_schema() -> Schema:
    """Return the JSON Schema of plans."""
    return document_schema(PLAN, "Meterlink plan", "The test points of a visit, in the order of measurement.")


def shipped_plans() -> tuple[str, ...]:
    """Return the names of the plans that ship with Meterlink."""
    return package_files("meterlink.plans", ".toml")


def load_plan(name_or_file: str) -> Plan:
    """Return the shipped plan of that name, or the plan in that file.

    Raises:
        PlanError: the file cannot be read or has errors; the message lists each with its line and column.
    """
    return check_plan(read_plan_text(name_or_file)).require(printable_path(name_or_file), PlanError)


def read_plan_text(name_or_file: str) -> str:
    """Return the text of a shipped plan or of a file.

    Raises:
        PlanError: the file cannot be read, is larger than 1 MiB or is not UTF-8.
    """
    if name_or_file in shipped_plans():
        return read_package_text("meterlink.plans", f"{name_or_file}.toml")
    try:
        return read_text_file(name_or_file, "plan")
    except InputError as error:
        remedy = did_you_mean(name_or_file, shipped_plans()) or f"Give a file, or one of: {', '.join(shipped_plans())}."
        raise PlanError(error.message, remedy) from error


def check_plan(text: str) -> Checked[Plan]:
    """Return the plan in ``text``, with all its errors and warnings."""
    checked = check_document(text, PLAN)
    if checked.value is None:
        return checked
    table = parse_table(text)
    assert not isinstance(table, Problem)  # noqa: S101  # it was read
    return Checked(checked.value, locate_problems(_find_warnings(checked.value, table), text, table))


def _find_warnings(plan: Plan, table: Mapping[str, Any]) -> list[PathProblem]:
    """Return the warnings for a plan, which was read from ``table``."""
    points, derived = plan.points, plan.derived
    why_remedy = 'Add why = "…": one sentence for a beginner.'
    warnings = [
        PathProblem(("derived", number), "why is missing.", why_remedy, warning=True)
        for number, derived_point in enumerate(derived)
        if not derived_point.why
    ]
    for number, point in enumerate(points):
        path = ("point", number)
        has_limits = point.specification is not None or "limits" in table["point"][number] or point.rated_by
        if not has_limits and not any(derived_point.uses_exclusively(point.key) for derived_point in derived):
            remedy = f'Give rated, or low and high; write limits = "{ON_SITE}" if they are read off the part.'
            warnings.append(PathProblem(path, "it has no limits.", remedy, warning=True))
        if not point.why:
            warnings.append(PathProblem(path, "why is missing.", why_remedy, warning=True))
    number = 0
    blocks = group_by_state(points)
    for block_number, (state, block) in enumerate(blocks):
        first_numbers: dict[object, int] = {}
        for offset, point in enumerate(block):
            terminals = frozenset(point.terminals)
            measurement = (point.circuit, point.component, terminals, point.quantity, point.coupling, point.when)
            first = first_numbers.setdefault(measurement, number + offset)
            if first != number + offset:
                message = (
                    f"point {first + 1} already has this quantity between these terminals of the {point.component}."
                )
                remedy = "Remove one of the two, or correct its terminals."
                warnings.append(PathProblem(("point", number + offset, "terminals"), message, remedy, warning=True))
        if state is CircuitState.ENERGIZED and 0 < block_number < len(blocks) - 1:
            message = "it is energized between isolated points: power is switched more often than needed."
            remedy = "Put energized points before all isolated ones, or after them as the proof of the repair."
            warnings.append(PathProblem(("point", number, "state"), message, remedy, warning=True))
        number += len(block)
    return warnings


def group_by_state(points: Sequence[TestPoint]) -> list[tuple[CircuitState, list[TestPoint]]]:
    """Return ``(state, points)`` of each run of points in one state; between runs power is switched off or on."""
    return [(state, list(block)) for state, block in groupby(points, key=lambda point: point.state)]
