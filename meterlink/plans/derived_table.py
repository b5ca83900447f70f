"""One ``[[derived]]`` table of a plan: a judgement worked out of the readings of several test points."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from meterlink.core.equipment import DerivedPoint, DerivedPointKind, PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.plans.point_table import LONGEST_EXPLANATION, TableReader
from meterlink.plans.specification import make_span
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, find_unknown_fields, quote_value

FREQUENCY = "frequency"
_COMMON_FIELDS = ("key", "kind", "title", "inputs", "why")
_SPECIFICATION_FIELDS = {
    DerivedPointKind.UNBALANCE: ("at_most",),
    DerivedPointKind.UNDER_LOAD: ("rated", "tolerance", FREQUENCY),
    DerivedPointKind.WINDINGS: (),
    DerivedPointKind.SPLIT: ("low", "high"),
}
DERIVED_FIELDS = (*_COMMON_FIELDS, *(field for fields in _SPECIFICATION_FIELDS.values() for field in fields))

NUMBERED_ROLES = ("first", "second", "third")
# The roles of each kind, and the quantities that a reading in that role may have.
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

# Test points by key; None for a test point with an error.
PointsByKey = Mapping[str, TestPoint | None]


def read_derived_point(
    entry: Mapping[str, Any], path: TomlPath, points: PointsByKey
) -> tuple[DerivedPoint | None, list[PathProblem]]:
    """Return ``(point, problems)`` of the table ``entry`` at ``path``; the point is None if the table has an error."""
    fields = TableReader(entry, path)
    kind = fields.read_enum("kind", DerivedPointKind)
    known = DERIVED_FIELDS if kind is None else (*_COMMON_FIELDS, *_SPECIFICATION_FIELDS[kind])
    fields.problems += find_unknown_fields(entry, known, path)
    key, title = fields.read_key(), fields.read_text("title", required=False)
    why = fields.read_text("why", required=False, longest=LONGEST_EXPLANATION)
    if kind is None:
        return None, fields.problems
    inputs = _InputReader(fields, kind, points).read()
    specification, frequency = _read_specification(fields, kind, inputs), None
    if kind is DerivedPointKind.UNDER_LOAD:
        frequency_key, frequency = _read_frequency(fields, points)
        inputs |= {FREQUENCY: frequency_key} if frequency_key else {}
    input_points = [point for point in (points[key] for key in inputs.values()) if point is not None]
    if fields.problems or len(input_points) < len(inputs):
        return None, fields.problems
    title = title or _default_title(kind, input_points)
    return DerivedPoint(key, kind, title, tuple(inputs.items()), specification, frequency, why), []


def derived_point_table(point: DerivedPoint) -> dict[str, Any]:
    """Return ``{field: value}`` of a derived point: the table from which `read_derived_point` reads it."""
    inputs = dict(point.inputs)
    frequency_key = inputs.pop(FREQUENCY, None)
    table: dict[str, Any] = {"key": point.key, "kind": point.kind.value, "title": point.title}
    table["inputs"] = list(inputs.values()) if NUMBERED_ROLES[0] in inputs else inputs
    match point.specification:
        case Rating(value, tolerance):
            table |= {"rated": str(value), "tolerance": tolerance}
        case Span(low, high, unit):
            names = ("", "at_most") if point.kind is DerivedPointKind.UNBALANCE else ("low", "high")
            edges = zip(names, (low, high), strict=True)
            table |= {name: f"{edge:f} {unit}" for name, edge in edges if edge is not None}
    table |= {FREQUENCY: frequency_key or (point.frequency and str(point.frequency)), "why": point.why}
    return {field: value for field, value in table.items() if value}


def dump_derived_points(points: Sequence[DerivedPoint]) -> str:
    """Return derived points as text for the database: a JSON array of their tables."""
    return json.dumps([derived_point_table(point) for point in points], ensure_ascii=False)


def load_derived_points(text: str, points: Sequence[TestPoint]) -> tuple[DerivedPoint, ...]:
    """Return the derived points in ``text`` (see `dump_derived_points`); ``points`` are the test points of their plan.

    Raises:
        ValueError: the text is not JSON, not a list of tables, or a table has an error.
    """
    by_key: PointsByKey = {point.key: point for point in points}
    tables, derived = json.loads(text), []
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ValueError("no list of derived points")
    for entry in tables:
        point, problems = read_derived_point(entry, (), by_key)
        if point is None:
            raise ValueError("; ".join(problem.message for problem in problems))
        derived.append(point)
    return tuple(derived)


@dataclass(frozen=True, slots=True)
class _InputReader:
    """Reads the field ``inputs``: the test points that the readings come from."""

    table: TableReader
    kind: DerivedPointKind
    points: PointsByKey

    def read(self) -> dict[str, str]:
        """Return ``{role: key of a test point}``, without wrong inputs."""
        items = self._numbered_inputs() if NUMBERED_ROLES[0] in _QUANTITIES_OF_ROLE[self.kind] else self._named_inputs()
        inputs: dict[str, str] = {}
        for role, key, item in items:
            message = self._input_problem(role, key) or (f"{key} is used twice." if key in inputs.values() else "")
            if message:
                path = (*self.table.path, "inputs", item)
                self.table.problems.append(PathProblem(path, message, self._remedy(key)))
            else:
                inputs[role] = key
        if len(inputs) == len(items) and not self.table.problems:
            self._check_together(
                [point for point in (self.points[key] for key in inputs.values()) if point is not None]
            )
        return inputs

    def _numbered_inputs(self) -> list[tuple[str, Any, str | int]]:
        """Return ``(role, key as written, index in the list)`` of each input."""
        keys = self.table.entry.get("inputs")
        if not isinstance(keys, list) or len(keys) != len(NUMBERED_ROLES):
            message = "inputs is missing." if keys is None else f"{quote_value(keys)} does not name three test points."
            self.table.add_problem("inputs", message, 'Write inputs = ["…", "…", "…"], three keys of test points.')
            return []
        return [(role, key, number) for number, (role, key) in enumerate(zip(NUMBERED_ROLES, keys, strict=True))]

    def _named_inputs(self) -> list[tuple[str, Any, str | int]]:
        """Return ``(role, key as written, role)`` of each input."""
        keys, roles = self.table.entry.get("inputs"), _QUANTITIES_OF_ROLE[self.kind]
        if not isinstance(keys, dict):
            needed = ", ".join(f'{role} = "…"' for role in roles if role not in _OPTIONAL_ROLES)
            message = "inputs is missing." if keys is None else f"{quote_value(keys)} is not a table."
            self.table.add_problem("inputs", message, f"Write inputs = {{ {needed} }}.")
            return []
        self.table.problems += find_unknown_fields(keys, tuple(roles), (*self.table.path, "inputs"))
        for role in roles:
            if role not in keys and role not in _OPTIONAL_ROLES:
                self.table.add_problem("inputs", f"{role} is missing.", f'Add {role} = "…", the key of a test point.')
        return [(role, keys[role], role) for role in roles if role in keys]

    def _input_problem(self, role: str, key: object) -> str:
        if not isinstance(key, str):
            return f"{quote_value(key)} is not the key of a test point."
        if key not in self.points:
            return f"there is no test point {quote_value(key)} in this plan."
        point, quantities = self.points[key], _QUANTITIES_OF_ROLE[self.kind][role]
        if point is None:  # its errors are reported with the test point
            return ""
        if point.quantity not in quantities:
            return f"{key} reads {point.quantity}, not {' or '.join(sorted(quantities))}."
        if self.kind in _AC_ONLY and point.coupling is Coupling.DC:
            return f"{key} reads DC, not AC."
        if role == "capacitor" and point.kind is not PointKind.CAPACITOR:
            return f"{key} is not a capacitor point and has no rating."
        return ""

    def _remedy(self, key: object) -> str:
        from difflib import get_close_matches  # noqa: PLC0415  # only for a file with a mistake

        alike = get_close_matches(key, self.points, 1) if isinstance(key, str) and key not in self.points else []
        return f"Did you mean {alike[0]}?" if alike else "Give the key of a suitable test point."

    def _check_together(self, inputs: Sequence[TestPoint]) -> None:
        if self.kind is DerivedPointKind.UNBALANCE and len({point.quantity for point in inputs}) > 1:
            self.table.add_problem("inputs", "volts and amps cannot be compared.", "Give three points of one quantity.")
        if self.kind is DerivedPointKind.WINDINGS and len(inputs) == len(NUMBERED_ROLES):
            pairs = {frozenset(point.terminals) for point in inputs}
            names = frozenset().union(*pairs)
            if pairs != {frozenset(pair) for pair in combinations(names, 2)} or len(names) != len(NUMBERED_ROLES):
                message = "these are not the three pairs of three terminals."
                remedy = "Give C to S, C to R and R to S of one motor, or the pairs of T1, T2 and T3."
                self.table.add_problem("inputs", message, remedy)


def _read_specification(fields: TableReader, kind: DerivedPointKind, inputs: Mapping[str, str]) -> Rating | Span | None:
    match kind:
        case DerivedPointKind.UNBALANCE:
            return _read_greatest_unbalance(fields)
        case DerivedPointKind.SPLIT:
            return _read_temperature_differences(fields)
        case DerivedPointKind.UNDER_LOAD:
            return _read_rating(fields, inputs)
    return None


def _read_greatest_unbalance(fields: TableReader) -> Span | None:
    most = fields.read_amount("at_most", Quantity.RATIO)
    if most is None:
        return None
    if not 0 < most.digits <= 100:
        fields.add_problem(
            "at_most", f"at_most must be above 0 and at most 100 %, not {most}.", 'Write a limit: at_most = "2 %".'
        )
    return Span(None, most.digits, most.unit)


def _read_temperature_differences(fields: TableReader) -> Span | None:
    low, high = (fields.read_amount(side, Quantity.TEMPERATURE) for side in ("low", "high"))
    if low and high and low.unit != high.unit:  # temperature differences: a conversion would shift them by 32 °F
        fields.add_problem("high", f"{low} and {high} have different units.", "Write both in °C or both in °F.")
        return None
    return fields.attempt("low", lambda: make_span(low, high))


def _read_rating(fields: TableReader, inputs: Mapping[str, str]) -> Rating | None:
    rating_fields = [field for field in ("rated", "tolerance") if field in fields.entry]
    if rating_fields and "capacitor" in inputs:
        remedy = f"Remove {' and '.join(rating_fields)}, or remove capacitor from inputs."
        fields.add_problem(rating_fields[0], "the capacitor's test point already has the rating.", remedy)
        return None
    if rating_fields:
        return fields.read_rating(Quantity.CAPACITANCE, PointKind.CAPACITOR)
    if "capacitor" not in inputs and not fields.problems:
        remedy = 'Add capacitor = "…" to inputs, the key of its test point, or rated = "45 uF".'
        fields.add_problem("inputs", "the capacitor has no rating.", remedy)
    return None


def _read_frequency(fields: TableReader, points: PointsByKey) -> tuple[str | None, Amount | None]:
    """Return ``(key of the test point that reads it, None)`` or ``(None, frequency)``; two None for an error."""
    value, remedy = fields.entry.get(FREQUENCY), 'Write frequency = "60 Hz", or the key of a test point that reads it.'
    if not isinstance(value, str):
        fields.add_problem(
            FREQUENCY, "frequency is missing." if value is None else f"{quote_value(value)} is not text.", remedy
        )
        return None, None
    if value in points:
        point = points[value]
        if point is not None and point.quantity is not Quantity.FREQUENCY:
            fields.add_problem(FREQUENCY, f"{value} reads {point.quantity}, not frequency.", remedy)
        return value, None
    try:
        hertz = parse_amount(value, Quantity.FREQUENCY)
    except InputError:
        fields.add_problem(
            FREQUENCY, f"{quote_value(value)} is neither a frequency nor a test point of this plan.", remedy
        )
        return None, None
    if hertz.digits <= 0:
        fields.add_problem(FREQUENCY, f"a frequency must be above zero, not {hertz}.", remedy)
    return None, hertz


def _default_title(kind: DerivedPointKind, inputs: Sequence[TestPoint]) -> str:
    match kind:
        case DerivedPointKind.UNBALANCE:
            return f"{inputs[0].component} {inputs[0].quantity} unbalance"
        case DerivedPointKind.UNDER_LOAD:
            capacitor = next((point for point in inputs if point.kind is PointKind.CAPACITOR), inputs[1])
            return f"{capacitor.title} under load"
        case DerivedPointKind.WINDINGS:
            return f"{inputs[0].component} windings"
        case DerivedPointKind.SPLIT:
            return "temperature split"
