"""Plans from TOML files, with all errors and warnings by line."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from meterlink.core.equipment import CircuitState, DerivedPoint, Plan, TestPoint
from meterlink.core.errors import InputError, PlanError
from meterlink.core.text import clean_text
from meterlink.plans.derived_table import read_derived_point
from meterlink.plans.point_table import ON_SITE, read_point
from meterlink.tomlfile.documents import parse_document
from meterlink.tomlfile.files import package_files, read_package_text, read_text_file
from meterlink.tomlfile.problems import (
    PathProblem,
    Problem,
    find_unknown_fields,
    nearest_position,
    printable_key,
    quote_value,
)

DEFAULT_PLAN = "split-condenser"

_LONGEST_PLAN_NAME = 80  # characters: two lines on the smallest screen


@dataclass(frozen=True, slots=True)
class CheckedPlan:
    """A plan (None if it has an error), and its errors and warnings in the order of the file."""

    plan: Plan | None
    problems: tuple[Problem, ...]

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems that make the plan unusable."""
        return tuple(problem for problem in self.problems if not problem.warning)


def shipped_plans() -> tuple[str, ...]:
    """Return the names of the plans that ship with Meterlink."""
    return package_files("meterlink.plans", ".toml")


def load_plan(name_or_file: str) -> Plan:
    """Return the shipped plan of that name, or the plan in that file.

    Raises:
        PlanError: the file cannot be read or has an error; the message names the line and the point of the first error.
    """
    checked = check_plan(read_plan_text(name_or_file))
    if checked.plan is None:
        first, *rest = checked.errors
        at = f"line {first.position.line}" + (f", {first.location}" if first.location else "")
        hint = f" `meterlink plan check` lists {len(rest)} more." if rest else ""
        raise PlanError(f"The plan {name_or_file}, {at}: {first.message}", f"{first.remedy}{hint}")
    return checked.plan


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
        remedy = f"Give a file, or one of: {', '.join(shipped_plans())}."
        raise PlanError(error.message, remedy) from error


def check_plan(text: str) -> CheckedPlan:
    """Return the plan in ``text``, with all its errors and warnings."""
    document = parse_document(text)
    if isinstance(document, Problem):
        return CheckedPlan(None, (document,))
    table, positions = document
    name, problems = _read_name(table)
    points, point_problems = _parse_points(table)
    derived, derived_problems = _parse_derived_points(table, points)
    problems += [*point_problems, *derived_problems]
    problems += _find_warnings(points, derived, table) if not problems else []
    located = [
        Problem(
            nearest_position(positions, problem.path),
            _describe_location(table, problem.path),
            problem.message,
            problem.remedy,
            problem.warning,
        )
        for problem in problems
    ]
    has_errors = any(not problem.warning for problem in located)
    plan = None if has_errors else Plan(name, points, derived)
    return CheckedPlan(plan, tuple(sorted(located, key=lambda problem: problem.position)))


def read_points(table: Mapping[str, Any], where: str) -> tuple[TestPoint, ...]:
    """Return the test points of ``table["point"]``; ``where`` names the file in messages.

    Raises:
        PlanError: a table is wrong; the message names ``where`` and the point of the first error.
    """
    points, problems = _parse_points(table)
    _raise_first_problem(table, where, problems)
    return points


def read_derived_points(table: Mapping[str, Any], points: Sequence[TestPoint], where: str) -> tuple[DerivedPoint, ...]:
    """Return the derived points of ``table["derived"]``; ``where`` names the file in messages.

    Raises:
        PlanError: a table is wrong; the message names ``where`` and the derived point of the first error.
    """
    derived, problems = _parse_derived_points(table, points)
    _raise_first_problem(table, where, problems)
    return derived


def _raise_first_problem(table: Mapping[str, Any], where: str, problems: Sequence[PathProblem]) -> None:
    for first in problems:
        location = _describe_location(table, first.path)
        at = f"{where}, {location}" if location else where
        raise PlanError(f"{at}: {first.message}", first.remedy)


def _read_name(table: Mapping[str, Any]) -> tuple[str, list[PathProblem]]:
    value = table.get("name")
    name = clean_text(value, _LONGEST_PLAN_NAME + 1) if isinstance(value, str) else ""
    if not name:
        return "", [PathProblem(("name",), "the plan has no name.", 'Write name = "…" at the top of the file.')]
    if len(name) > _LONGEST_PLAN_NAME:
        return "", [PathProblem(("name",), f"the name is longer than {_LONGEST_PLAN_NAME} characters.", "Shorten it.")]
    return name, []


def _parse_points(table: Mapping[str, Any]) -> tuple[tuple[TestPoint, ...], list[PathProblem]]:
    problems = find_unknown_fields(table, ("name", "point", "derived"), ())
    entries = table.get("point")
    if not isinstance(entries, list) or not entries:
        if "point" in table:
            problems.append(PathProblem(("point",), "it lists no test points.", "Write each test point as [[point]]."))
        elif not problems:  # an unknown field is probably a misspelled [[point]]
            problems.append(PathProblem((), "no test points are listed.", "Add at least one [[point]] table."))
        return (), problems
    points: list[TestPoint] = []
    keys: set[object] = set()
    for number, entry in enumerate(entries):
        path = ("point", number)
        if not isinstance(entry, dict):
            problems.append(PathProblem(path, f"{quote_value(entry)} is not a table.", "Write it as [[point]]."))
            continue
        point, point_problems = read_point(entry, path)
        problems += point_problems
        key = entry.get("key")
        if isinstance(key, str) and key in keys:
            problems.append(
                PathProblem((*path, "key"), "another point has this key.", "Give each point a key of its own.")
            )
        keys.add(key if isinstance(key, str) else None)
        if point is not None:
            points.append(point)
    return tuple(points), problems


def _parse_derived_points(
    table: Mapping[str, Any], points: Sequence[TestPoint]
) -> tuple[tuple[DerivedPoint, ...], list[PathProblem]]:
    """Return ``(derived points, problems)``; ``points`` are those of ``table["point"]`` without an error."""
    entries = table.get("derived", [])
    if not isinstance(entries, list):
        message = "it is not a list of derived points."
        return (), [PathProblem(("derived",), message, "Write each derived point as [[derived]].")]
    tables = table.get("point")
    listed = [entry.get("key") for entry in tables if isinstance(entry, dict)] if isinstance(tables, list) else []
    by_key: dict[str, TestPoint | None] = dict.fromkeys(key for key in listed if isinstance(key, str))
    by_key |= {point.key: point for point in points}
    derived: list[DerivedPoint] = []
    keys: set[str] = set()
    problems: list[PathProblem] = []
    for number, entry in enumerate(entries):
        path = ("derived", number)
        if not isinstance(entry, dict):
            problems.append(PathProblem(path, f"{quote_value(entry)} is not a table.", "Write it as [[derived]]."))
            continue
        point, point_problems = read_derived_point(entry, path, by_key)
        problems += point_problems
        if point is None:
            continue
        if point.key in keys:
            problems.append(
                PathProblem(
                    (*path, "key"), "another derived point has this key.", "Give each derived point a key of its own."
                )
            )
        keys.add(point.key)
        derived.append(point)
    return tuple(derived), problems


def _find_warnings(
    points: Sequence[TestPoint], derived: Sequence[DerivedPoint], table: Mapping[str, Any]
) -> list[PathProblem]:
    """Return the warnings for a plan without errors; ``points`` and ``derived`` are those of ``table``."""
    why_remedy = 'Add why = "…": one sentence for a beginner.'
    warnings = [
        PathProblem(("derived", number), "why is missing.", why_remedy, warning=True)
        for number, derived_point in enumerate(derived)
        if not derived_point.why
    ]
    for number, point in enumerate(points):
        path = ("point", number)
        has_limits = point.specification is not None or "limits" in table["point"][number]
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
            measurement = (point.circuit, point.component, frozenset(point.terminals), point.quantity, point.coupling)
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


def _describe_location(table: Mapping[str, Any], path: tuple[str | int, ...]) -> str:
    match path:
        case ("point" | "derived" as kind, int(number), *keys):
            entry = table[kind][number]
            key = entry.get("key") if isinstance(entry, dict) else None
            name = clean_text(key) if isinstance(key, str) else ""
            noun = "point" if kind == "point" else "derived point"
            inner = ".".join(f"item {part + 1}" if isinstance(part, int) else printable_key(part) for part in keys)
            return f"{noun} {number + 1} ({name or 'no key'})" + (f", key {inner}" if inner else "")
        case (str(key),) if key in table:
            return f"key {printable_key(key)}"
    return ""
