"""One ``[[derived]]`` table of a plan: a judgement worked out of the readings held at several of its test points."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import combinations
from typing import Any

from meterlink.core.equipment import DerivedPoint, DerivedPointKind, PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.plans.point_table import LONGEST_EXPLANATION, FieldProblem, TableReader, find_unknown_fields, quote_value
from meterlink.plans.specification import make_span
from meterlink.tomlfile.positions import TomlPath

FREQUENCY = "frequency"
_COMMON_FIELDS = ("key", "kind", "title", "of", "why")
_SPECIFICATION_FIELDS = {
    DerivedPointKind.UNBALANCE: ("at_most",),
    DerivedPointKind.UNDER_LOAD: ("rated", "tolerance", FREQUENCY),
    DerivedPointKind.WINDINGS: (),
    DerivedPointKind.SPLIT: ("low", "high"),
}
DERIVED_FIELDS = (*_COMMON_FIELDS, *(field for fields in _SPECIFICATION_FIELDS.values() for field in fields))

NUMBERED_ROLES = ("first", "second", "third")
# The readings of each kind, by what each is for, and the quantities they may have.
_QUANTITIES_OF_ROLE: dict[DerivedPointKind, dict[str, frozenset[Quantity]]] = {
    DerivedPointKind.UNBALANCE: dict.fromkeys(NUMBERED_ROLES, frozenset({Quantity.VOLTAGE, Quantity.CURRENT})),
    DerivedPointKind.UNDER_LOAD: {
        "amps": frozenset({Quantity.CURRENT}),
        "volts": frozenset({Quantity.VOLTAGE}),
        "capacitor": frozenset({Quantity.CAPACITANCE}),
    },
    DerivedPointKind.WINDINGS: dict.fromkeys(NUMBERED_ROLES, frozenset({Quantity.RESISTANCE})),
    DerivedPointKind.SPLIT: {"return": frozenset({Quantity.TEMPERATURE}), "supply": frozenset({Quantity.TEMPERATURE})},
}
_OPTIONAL_ROLES = {"capacitor"}
_AC_ONLY = {DerivedPointKind.UNBALANCE, DerivedPointKind.UNDER_LOAD}

# Test points by key; None for one that has an error of its own.
PointsByKey = Mapping[str, TestPoint | None]


def read_derived_point(
    entry: Mapping[str, Any], path: TomlPath, points: PointsByKey
) -> tuple[DerivedPoint | None, list[FieldProblem]]:
    """Return the check that ``entry`` at ``path`` describes (None when it has an error), and its problems."""
    fields = TableReader(entry, path)
    kind = fields.read_enum("kind", DerivedPointKind)
    known = DERIVED_FIELDS if kind is None else (*_COMMON_FIELDS, *_SPECIFICATION_FIELDS[kind])
    fields.problems += find_unknown_fields(entry, known, path)
    key, title = fields.read_key(), fields.read_text("title", required=False)
    why = fields.read_text("why", required=False, longest=LONGEST_EXPLANATION)
    if kind is None:
        return None, fields.problems
    inputs = _InputReader(fields, kind, points)
    of = inputs.read()
    against, frequency = _read_specification(fields, kind, of), None
    if kind is DerivedPointKind.UNDER_LOAD:
        at, frequency = _read_frequency(fields, points)
        of |= {FREQUENCY: at} if at else {}
    read = [point for point in (points[at] for at in of.values()) if point is not None]
    if fields.problems or len(read) < len(of):
        return None, fields.problems
    check = DerivedPoint(key, kind, title or _default_title(kind, read), tuple(of.items()), against, frequency, why)
    return check, []


def derived_point_table(point: DerivedPoint) -> dict[str, Any]:
    """Return a check as the table of a plan file that `read_derived` reads it from."""
    of = dict(point.inputs)
    at = of.pop(FREQUENCY, None)
    table: dict[str, Any] = {"key": point.key, "kind": point.kind.value, "title": point.title}
    table["of"] = list(of.values()) if NUMBERED_ROLES[0] in of else of
    match point.specification:
        case Rating(value, tolerance):
            table |= {"rated": str(value), "tolerance": tolerance}
        case Span(low, high, unit):
            names = ("", "at_most") if point.kind is DerivedPointKind.UNBALANCE else ("low", "high")
            edges = zip(names, (low, high), strict=True)
            table |= {name: f"{edge:f} {unit}" for name, edge in edges if edge is not None}
    table |= {FREQUENCY: at or (point.frequency and str(point.frequency)), "why": point.why}
    return {field: given for field, given in table.items() if given}


def dump_derived_points(points: Sequence[DerivedPoint]) -> str:
    """Return checks as they are kept beside a visit: a JSON array of their tables."""
    return json.dumps([derived_point_table(check) for check in points], ensure_ascii=False)


def load_derived_points(text: str, points: Sequence[TestPoint]) -> tuple[DerivedPoint, ...]:
    """Return the checks in ``text`` (see `derived_text`) on ``points``; ValueError for anything else."""
    by_key: PointsByKey = {point.key: point for point in points}
    tables, checks = json.loads(text), []
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ValueError("no list of derived checks")  # of the text, whatever is in it
    for entry in tables:
        check, problems = read_derived_point(entry, (), by_key)
        if check is None:
            raise ValueError("; ".join(problem.message for problem in problems))
        checks.append(check)
    return tuple(checks)


@dataclass(frozen=True, slots=True)
class _InputReader:
    """The field ``of``: which test points the readings are taken from."""

    table: TableReader
    kind: DerivedPointKind
    points: PointsByKey

    def read(self) -> dict[str, str]:
        """Return the keys of the test points by what each is read for."""
        written = (
            self._numbered_inputs() if NUMBERED_ROLES[0] in _QUANTITIES_OF_ROLE[self.kind] else self._named_inputs()
        )
        of: dict[str, str] = {}
        for role, given, place in written:
            problem = self._input_problem(role, given) or ("it is taken already." if given in of.values() else "")
            if problem:
                self.table.problems.append(FieldProblem((*self.table.path, "of", place), problem, self._remedy(given)))
            else:
                of[role] = given
        if len(of) == len(written) and not self.table.problems:
            self._check_together([point for point in (self.points[at] for at in of.values()) if point is not None])
        return of

    def _numbered_inputs(self) -> list[tuple[str, Any, str | int]]:
        given = self.table.entry.get("of")
        if not isinstance(given, list) or len(given) != len(NUMBERED_ROLES):
            what = "of is missing." if given is None else f"{quote_value(given)} does not name three test points."
            self.table.add_problem("of", what, 'Write of = ["…", "…", "…"], three keys of test points.')
            return []
        return [(role, one, number) for number, (role, one) in enumerate(zip(NUMBERED_ROLES, given, strict=True))]

    def _named_inputs(self) -> list[tuple[str, Any, str | int]]:
        given, roles = self.table.entry.get("of"), _QUANTITIES_OF_ROLE[self.kind]
        if not isinstance(given, dict):
            needed = ", ".join(f'{role} = "…"' for role in roles if role not in _OPTIONAL_ROLES)
            what = "of is missing." if given is None else f"{quote_value(given)} is not a table."
            self.table.add_problem("of", what, f"Write of = {{ {needed} }}.")
            return []
        self.table.problems += find_unknown_fields(given, tuple(roles), (*self.table.path, "of"))
        for role in roles:
            if role not in given and role not in _OPTIONAL_ROLES:
                self.table.add_problem("of", f"{role} is missing.", f'Add {role} = "…", the key of a test point.')
        return [(role, given[role], role) for role in roles if role in given]

    def _input_problem(self, role: str, key: object) -> str:
        if not isinstance(key, str):
            return f"{quote_value(key)} is not the key of a test point."
        if key not in self.points:
            return f"there is no test point {quote_value(key)} in this plan."
        point, wanted = self.points[key], _QUANTITIES_OF_ROLE[self.kind][role]
        if point is None:  # its own errors are said where it stands
            return ""
        if point.quantity not in wanted:
            return f"{key} reads {point.quantity}, not {' or '.join(sorted(wanted))}."
        if self.kind in _AC_ONLY and point.coupling is Coupling.DC:
            return f"{key} reads DC, not AC."
        if role == "capacitor" and point.kind is not PointKind.CAPACITOR:
            return f"{key} is not checked as a capacitor, and so has no rating."
        return ""

    def _remedy(self, key: object) -> str:
        alike = get_close_matches(key, self.points, 1) if isinstance(key, str) and key not in self.points else []
        return f"Did you mean {alike[0]}?" if alike else "Give the key of a test point that stands for it."

    def _check_together(self, read: Sequence[TestPoint]) -> None:
        if self.kind is DerivedPointKind.UNBALANCE and len({point.quantity for point in read}) > 1:
            self.table.add_problem("of", "volts and amps cannot be compared.", "Give three of one kind.")
        if self.kind is DerivedPointKind.WINDINGS and len(read) == len(NUMBERED_ROLES):
            ends = {frozenset(point.terminals) for point in read}
            names = frozenset().union(*ends)
            if ends != {frozenset(pair) for pair in combinations(names, 2)} or len(names) != len(NUMBERED_ROLES):
                what = "these three do not lie between each two of three terminals."
                self.table.add_problem("of", what, "Give C to S, C to R and R to S of one motor, or T1, T2 and T3.")


def _read_specification(fields: TableReader, kind: DerivedPointKind, of: Mapping[str, str]) -> Rating | Span | None:
    match kind:
        case DerivedPointKind.UNBALANCE:
            return _read_greatest_unbalance(fields)
        case DerivedPointKind.SPLIT:
            return _read_temperature_differences(fields)
        case DerivedPointKind.UNDER_LOAD:
            return _read_rating(fields, of)
    return None


def _read_greatest_unbalance(fields: TableReader) -> Span | None:
    most = fields.read_amount("at_most", Quantity.RATIO)
    if most is None:
        return None
    if not 0 < most.digits <= 100:
        fields.add_problem("at_most", f"{most} cannot be used as a limit.", 'Write the most accepted: at_most = "2 %".')
    return Span(None, most.digits, most.unit)


def _read_temperature_differences(fields: TableReader) -> Span | None:
    low, high = (fields.read_amount(side, Quantity.TEMPERATURE) for side in ("low", "high"))
    if low and high and low.unit != high.unit:  # one cannot be turned into the other: these are differences
        fields.add_problem("high", f"{low} and {high} are two units.", "Write both in °C or both in °F.")
        return None
    return fields.attempt("low", lambda: make_span(low, high))


def _read_rating(fields: TableReader, of: Mapping[str, str]) -> Rating | None:
    given = [field for field in ("rated", "tolerance") if field in fields.entry]
    if given and "capacitor" in of:
        fields.add_problem(given[0], "the capacitor's test point has the rating already.", "Leave one of the two out.")
        return None
    if given:
        return fields.read_rating(Quantity.CAPACITANCE, PointKind.CAPACITOR)
    if "capacitor" not in of and not fields.problems:
        remedy = 'Add capacitor = "…" to of, the key of its test point, or rated = "45 uF".'
        fields.add_problem("of", "the capacitor has no rating to be held against.", remedy)
    return None


def _read_frequency(fields: TableReader, points: PointsByKey) -> tuple[str | None, Amount | None]:
    """Return the key of the test point where the frequency is read, or the frequency itself."""
    given, remedy = fields.entry.get(FREQUENCY), 'Write frequency = "60 Hz", or the key of a test point that reads it.'
    if not isinstance(given, str):
        fields.add_problem(
            FREQUENCY, "frequency is missing." if given is None else f"{quote_value(given)} is not text.", remedy
        )
        return None, None
    if given in points:
        point = points[given]
        if point is not None and point.quantity is not Quantity.FREQUENCY:
            fields.add_problem(FREQUENCY, f"{given} reads {point.quantity}, not frequency.", remedy)
        return given, None
    try:
        hertz = parse_amount(given, Quantity.FREQUENCY)
    except InputError:
        fields.add_problem(
            FREQUENCY, f"{quote_value(given)} is neither a frequency nor a test point of this plan.", remedy
        )
        return None, None
    if hertz.digits <= 0:
        fields.add_problem(FREQUENCY, f"a frequency of {hertz} cannot be.", remedy)
    return None, hertz


def _default_title(kind: DerivedPointKind, read: Sequence[TestPoint]) -> str:
    match kind:
        case DerivedPointKind.UNBALANCE:
            return f"{read[0].component} {read[0].quantity} unbalance"
        case DerivedPointKind.UNDER_LOAD:
            part = next((point for point in read if point.kind is PointKind.CAPACITOR), read[1])
            return f"{part.title} under load"
        case DerivedPointKind.WINDINGS:
            return f"{read[0].component} windings"
        case DerivedPointKind.SPLIT:
            return "temperature split"
