"""Reading plans: the whole of one, with everything that is wrong or doubtful in it, line by line."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from itertools import groupby
from pathlib import Path
from typing import Any

from meterlink.core.equipment import CircuitState, DerivedPoint, Plan, TestPoint
from meterlink.core.errors import PlanError
from meterlink.core.text import clean_text
from meterlink.plans.derived_table import read_derived_point
from meterlink.plans.point_table import FieldProblem, find_unknown_fields, quote_value, read_point
from meterlink.tomlfile.positions import Position, find_positions

DEFAULT_PLAN = "split-condenser"

_LONGEST_PLAN_NAME = 80  # characters: two lines on the smallest screen
# Bytes; a plan of a hundred points has some tens of kilobytes. More is another file, given by mistake.
_LARGEST_FILE = 1 << 20
_SYNTAX_ERROR = re.compile(
    r"(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)", re.DOTALL
)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong (or, for a ``warning``, doubtful) in a plan, and where.

    ``place`` is in words, such as ``point 3 (contactor-coil), key low``; empty for the file as a whole.
    """

    position: Position
    location: str
    message: str
    remedy: str
    warning: bool = False

    def __str__(self) -> str:
        start = f"{self.position.line}:{self.position.column}: " + ("warning: " if self.warning else "")
        return start + (f"{self.location}: " if self.location else "") + f"{self.message} {self.remedy}".rstrip()


@dataclass(frozen=True, slots=True)
class CheckedPlan:
    """A plan (None when there is an error in it) and what was found, in the order of the file."""

    plan: Plan | None
    problems: tuple[Problem, ...]

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The findings that keep the plan from being used."""
        return tuple(finding for finding in self.problems if not finding.warning)


def shipped_plans() -> tuple[str, ...]:
    """Return the names of the plans that ship with Meterlink."""
    folder = resources.files(__package__)
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")))


def load_plan(name_or_file: str) -> Plan:
    """Return the shipped plan of that name, or the plan in that file.

    PlanError names the file, the line and the test point of the first thing that is wrong.
    """
    checked = check_plan(read_plan_text(name_or_file))
    if checked.plan is None:
        first, *others = checked.errors
        at = f"line {first.position.line}" + (f", {first.location}" if first.location else "")
        more = f" `meterlink plan check` lists {len(others)} more." if others else ""
        raise PlanError(f"The plan {name_or_file}, {at}: {first.message}", f"{first.remedy}{more}")
    return checked.plan


def read_plan_text(name_or_file: str) -> str:
    """Return the text of a shipped plan or of a file; PlanError when it cannot be read or is no plan by its size."""
    if name_or_file in shipped_plans():
        return resources.files(__package__).joinpath(f"{name_or_file}.toml").read_text(encoding="utf-8")
    try:
        with Path(name_or_file).open("rb") as file:
            data = file.read(_LARGEST_FILE + 1)
        # Some editors put a byte-order mark before UTF-8; TOML has none.
        text = data.decode("utf-8-sig")
    except (OSError, ValueError) as error:
        raise PlanError(
            f"The plan {name_or_file!r} cannot be read: {_error_reason(error)}.",
            f"Give a file, or one of: {', '.join(shipped_plans())}.",
        ) from error
    if len(data) > _LARGEST_FILE:
        raise PlanError(f"The plan {name_or_file!r} is larger than 1 MiB.", "Give a plan file.")
    return text


def _error_reason(error: OSError | ValueError) -> str:
    if isinstance(error, OSError):
        return error.strerror or "it cannot be opened"
    return "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "no file can have this name"


def check_plan(text: str) -> CheckedPlan:
    """Return the plan written in ``text`` with everything that is wrong or doubtful in it."""
    try:
        table = tomllib.loads(text)
        positions = find_positions(text)
    except tomllib.TOMLDecodeError as error:
        return CheckedPlan(None, (syntax_problem(str(error), text),))
    except (ValueError, RecursionError):  # a number of thousands of digits; brackets in brackets without end
        return CheckedPlan(None, (Problem(Position(1, 1), "", "it is not valid TOML.", "Give a plan file."),))
    name, problems = _read_name(table)
    points, of_points = _parse_points(table)
    derived, of_derived = _parse_derived_points(table, points)
    problems += [*of_points, *of_derived]
    problems += _find_warnings(points, derived) if not problems else []
    found = [
        Problem(
            nearest_position(positions, one.path),
            _describe_location(table, one.path),
            one.message,
            one.remedy,
            one.warning,
        )
        for one in problems
    ]
    errors = any(not finding.warning for finding in found)
    plan = None if errors else Plan(name, points, derived)
    return CheckedPlan(plan, tuple(sorted(found, key=lambda finding: finding.position)))


def read_points(table: Mapping[str, Any], where: str) -> tuple[TestPoint, ...]:
    """Return the test points of ``table["point"]``; PlanError naming ``where`` and the point otherwise."""
    points, problems = _parse_points(table)
    _raise_first_problem(table, where, problems)
    return points


def read_derived_points(table: Mapping[str, Any], points: Sequence[TestPoint], where: str) -> tuple[DerivedPoint, ...]:
    """Return the checks of ``table["derived"]`` on ``points``; PlanError naming ``where`` and the check otherwise."""
    derived, problems = _parse_derived_points(table, points)
    _raise_first_problem(table, where, problems)
    return derived


def _raise_first_problem(table: Mapping[str, Any], where: str, problems: Sequence[FieldProblem]) -> None:
    for first in problems:
        place = _describe_location(table, first.path)
        raise PlanError(f"{where}, {place}: {first.message}" if place else f"{where}: {first.message}", first.remedy)


def syntax_problem(error_text: str, text: str) -> Problem:
    """Return where tomllib's ``words`` say that ``text`` is not TOML."""
    match = _SYNTAX_ERROR.fullmatch(error_text)
    if match is not None and match["line"]:
        at = Position(int(match["line"]), int(match["column"]))
    else:
        at = Position(text.count("\n") + 1, len(text) - text.rfind("\n"))
    what = match["what"] if match else error_text
    return Problem(at, "", f"not valid TOML: {clean_text(what, 200)}.", "Mend that line.")


def _read_name(table: Mapping[str, Any]) -> tuple[str, list[FieldProblem]]:
    given = table.get("name")
    name = clean_text(given, _LONGEST_PLAN_NAME + 1) if isinstance(given, str) else ""
    if not name:
        return "", [FieldProblem(("name",), "the plan has no name.", 'Write name = "…" at its top.')]
    if len(name) > _LONGEST_PLAN_NAME:
        return "", [FieldProblem(("name",), f"the name is longer than {_LONGEST_PLAN_NAME} characters.", "Shorten it.")]
    return name, []


def _parse_points(table: Mapping[str, Any]) -> tuple[tuple[TestPoint, ...], list[FieldProblem]]:
    problems = find_unknown_fields(table, ("name", "point", "derived"), ())
    entries = table.get("point")
    if not isinstance(entries, list) or not entries:
        if "point" in table:
            problems.append(FieldProblem(("point",), "these are no test points.", "Write each of them as [[point]]."))
        elif not problems:  # else it is a misspelled header, most likely
            problems.append(FieldProblem((), "no test points are listed.", "Add at least one [[point]] table."))
        return (), problems
    points: list[TestPoint] = []
    keys: set[object] = set()
    for number, entry in enumerate(entries):
        path = ("point", number)
        if not isinstance(entry, dict):
            problems.append(FieldProblem(path, f"{quote_value(entry)} is not a table.", "Write it as [[point]]."))
            continue
        point, of_point = read_point(entry, path)
        problems += of_point
        key = entry.get("key")
        if isinstance(key, str) and key in keys:
            problems.append(
                FieldProblem((*path, "key"), "another point has this key.", "Give each point a key of its own.")
            )
        keys.add(key if isinstance(key, str) else None)
        if point is not None:
            points.append(point)
    return tuple(points), problems


def _parse_derived_points(
    table: Mapping[str, Any], points: Sequence[TestPoint]
) -> tuple[tuple[DerivedPoint, ...], list[FieldProblem]]:
    """``points`` are those of ``table["point"]`` that have no error."""
    entries = table.get("derived", [])
    if not isinstance(entries, list):
        return (), [FieldProblem(("derived",), "this is no list of checks.", "Write each of them as [[derived]].")]
    written = table.get("point")
    listed = [entry.get("key") for entry in written if isinstance(entry, dict)] if isinstance(written, list) else []
    by_key: dict[str, TestPoint | None] = dict.fromkeys(key for key in listed if isinstance(key, str))
    by_key |= {point.key: point for point in points}
    checks: list[DerivedPoint] = []
    keys: set[str] = set()
    problems: list[FieldProblem] = []
    for number, entry in enumerate(entries):
        path = ("derived", number)
        if not isinstance(entry, dict):
            problems.append(FieldProblem(path, f"{quote_value(entry)} is not a table.", "Write it as [[derived]]."))
            continue
        check, of_check = read_derived_point(entry, path, by_key)
        problems += of_check
        if check is None:
            continue
        if check.key in keys:
            problems.append(
                FieldProblem((*path, "key"), "another check has this key.", "Give each check a key of its own.")
            )
        keys.add(check.key)
        checks.append(check)
    return tuple(checks), problems


def _find_warnings(points: Sequence[TestPoint], derived: Sequence[DerivedPoint]) -> list[FieldProblem]:
    """What is allowed but worth a second look; ``points`` and ``derived`` are all of the plan's."""
    reason = 'Add why = "…": one sentence for whoever has not done this before.'
    doubts = [
        FieldProblem(("derived", number), "it does not say why.", reason, warning=True)
        for number, check in enumerate(derived)
        if not check.why
    ]
    for number, point in enumerate(points):
        path = ("point", number)
        if point.specification is None and not any(check.uses_exclusively(point.key) for check in derived):
            remedy = "It is then asked for on site; give rated or low and high where they are known."
            doubts.append(FieldProblem(path, "there is nothing to hold a reading against yet.", remedy, warning=True))
        if not point.why:
            doubts.append(FieldProblem(path, "it does not say why.", reason, warning=True))
    number = 0
    blocks = group_by_state(points)
    for place, (state, block) in enumerate(blocks):
        seen: dict[object, int] = {}
        for offset, point in enumerate(block):
            same = (point.circuit, point.component, frozenset(point.terminals), point.quantity, point.coupling)
            first = seen.setdefault(same, number + offset)
            if first != number + offset:
                what = f"point {first + 1} already has this quantity between these terminals of the {point.component}."
                remedy = "Leave one out, or mend its terminals."
                doubts.append(FieldProblem(("point", number + offset, "terminals"), what, remedy, warning=True))
        if state is CircuitState.ENERGIZED and 0 < place < len(blocks) - 1:
            what = "it is energized and stands between isolated points: power goes on and off more often than needed."
            remedy = "Put energized points before all isolated ones, or after them as the proof of the repair."
            doubts.append(FieldProblem(("point", number, "state"), what, remedy, warning=True))
        number += len(block)
    return doubts


def group_by_state(points: Sequence[TestPoint]) -> list[tuple[CircuitState, list[TestPoint]]]:
    """Return the points in blocks of one state: between two of them somebody isolates, or restores power."""
    return [(state, list(block)) for state, block in groupby(points, key=lambda point: point.state)]


def nearest_position(positions: Mapping[tuple[str | int, ...], Position], path: tuple[str | int, ...]) -> Position:
    """Return where ``path`` stands, or the innermost of what it is in that stands anywhere."""
    while path and path not in positions:
        path = path[:-1]
    return positions.get(path, Position(1, 1))


def _describe_location(table: Mapping[str, Any], path: tuple[str | int, ...]) -> str:
    match path:
        case ("point" | "derived" as kind, int(number), *keys):
            entry = table[kind][number]
            key = entry.get("key") if isinstance(entry, dict) else None
            name = clean_text(key) if isinstance(key, str) else ""
            what = "point" if kind == "point" else "derived check"
            inner = ".".join(f"item {part + 1}" if isinstance(part, int) else printable_key(part) for part in keys)
            return f"{what} {number + 1} ({name or 'no key'})" + (f", key {inner}" if inner else "")
        case (str(key),) if key in table:
            return f"key {printable_key(key)}"
    return ""


def printable_key(key: str | int) -> str:
    """Return a key as it can be shown: nothing invisible, not long."""
    return clean_text(str(key))
