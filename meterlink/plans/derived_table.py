"""The ``[[derived]]`` table of a plan: a judgement worked out of the readings of several test points."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from meterlink.core.equipment import DerivedPoint, DerivedPointKind, PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.plans.point_table import EXPLANATION, KEY, amount_text, rated_amount
from meterlink.plans.specification import make_rating, make_span
from meterlink.tomlfile.field_types import Choice, ListOf, Parsed, Text
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, quote_value
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Variants

FREQUENCY = "frequency"
NUMBERED_ROLES = ("first", "second", "third")
# The quantities that a reading in each role may have.
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
_AC_ONLY = {DerivedPointKind.UNBALANCE, DerivedPointKind.UNDER_LOAD}

# Test points by key; None for a test point with an error.
PointsByKey = Mapping[str, TestPoint | None]


@dataclass(frozen=True, slots=True)
class DerivedTable:
    """A ``[[derived]]`` table by itself; the test points that ``inputs`` and ``frequency`` name are not checked yet.

    ``inputs`` holds the keys of the test points by role. ``frequency`` is a frequency or the key of a test point.
    """

    kind: DerivedPointKind
    key: str
    title: str
    inputs: Mapping[str, str]
    why: str
    specification: Rating | Span | None = None
    frequency: str | None = None

    def check(self, points: PointsByKey) -> Iterator[FieldError]:
        """Yield the problems between this table and the test points of its plan."""
        problems = [*self._check_inputs(points)]
        yield from problems
        yield from self._check_frequency(points)
        if not problems:
            yield from self._check_together([point for point in self._input_points(points) if point is not None])

    def build(self, points: Mapping[str, TestPoint]) -> DerivedPoint:
        """Return the derived point; `check` has found no problem."""
        title = self.title or _default_title(self.kind, [points[key] for key in self.inputs.values()])
        inputs, frequency = dict(self.inputs), None
        if self.frequency is not None and self.frequency in points:
            inputs[FREQUENCY] = self.frequency
        elif self.frequency is not None:
            frequency = parse_amount(self.frequency, Quantity.FREQUENCY)
        return DerivedPoint(self.key, self.kind, title, tuple(inputs.items()), self.specification, frequency, self.why)

    def _input_points(self, points: PointsByKey) -> list[TestPoint | None]:
        return [points.get(key) for key in self.inputs.values()]

    def _check_inputs(self, points: PointsByKey) -> Iterator[FieldError]:
        numbered = NUMBERED_ROLES[0] in self.inputs
        for number, (role, key) in enumerate(self.inputs.items()):
            message = self._input_problem(role, key, points)
            if not message and key in list(self.inputs.values())[:number]:
                message = f"{key} is used twice."
            if message:
                path: TomlPath = ("inputs", number if numbered else role)
                yield FieldError(path, message, _input_remedy(key, points))

    def _input_problem(self, role: str, key: str, points: PointsByKey) -> str:
        if key not in points:
            return f"there is no test point {quote_value(key)} in this plan."
        point, quantities = points[key], _QUANTITIES_OF_ROLE[self.kind][role]
        if point is None:  # its errors are reported with the test point
            return ""
        if point.quantity not in quantities:
            return f"{key} reads {point.quantity}, not {' or '.join(sorted(quantities))}."
        if self.kind in _AC_ONLY and point.coupling is Coupling.DC:
            return f"{key} reads DC, not AC."
        if role == "capacitor" and point.kind is not PointKind.CAPACITOR:
            return f"{key} is not a capacitor point and has no rating."
        return ""

    def _check_together(self, inputs: Sequence[TestPoint]) -> Iterator[FieldError]:
        if self.kind is DerivedPointKind.UNBALANCE and len({point.quantity for point in inputs}) > 1:
            yield FieldError("inputs", "volts and amps cannot be compared.", "Give three points of one quantity.")
        if self.kind is DerivedPointKind.WINDINGS and len(inputs) == len(NUMBERED_ROLES):
            pairs = {frozenset(point.terminals) for point in inputs}
            names = frozenset().union(*pairs)
            if pairs != {frozenset(pair) for pair in combinations(names, 2)} or len(names) != len(NUMBERED_ROLES):
                message = "these are not the three pairs of three terminals."
                remedy = "Give C to S, C to R and R to S of one motor, or the pairs of T1, T2 and T3."
                yield FieldError("inputs", message, remedy)

    def _check_frequency(self, points: PointsByKey) -> Iterator[FieldError]:
        if self.frequency is None:
            return
        remedy = 'Write frequency = "60 Hz", or the key of a test point that reads it.'
        if self.frequency in points:
            point = points[self.frequency]
            if point is not None and point.quantity is not Quantity.FREQUENCY:
                yield FieldError(FREQUENCY, f"{self.frequency} reads {point.quantity}, not frequency.", remedy)
            return
        try:
            hertz = parse_amount(self.frequency, Quantity.FREQUENCY)
        except InputError:
            message = f"{quote_value(self.frequency)} is neither a frequency nor a test point of this plan."
            yield FieldError(FREQUENCY, message, remedy)
            return
        if hertz.digits <= 0:
            yield FieldError(FREQUENCY, f"a frequency must be above zero, not {hertz}.", remedy)


def _input_remedy(key: str, points: PointsByKey) -> str:
    from difflib import get_close_matches  # noqa: PLC0415  # only for a file with a mistake

    alike = get_close_matches(key, points, 1) if key not in points else []
    return f"Did you mean {alike[0]}?" if alike else "Give the key of a suitable test point."


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


# --- the declaration


def _numbered_inputs(numbered: tuple[str, ...]) -> dict[str, str]:
    return dict(zip(NUMBERED_ROLES, numbered, strict=True))


def _load_inputs(amps: str, volts: str, capacitor: str | None) -> dict[str, str]:
    return {"amps": amps, "volts": volts} | ({"capacitor": capacitor} if capacitor else {})


def _air_inputs(return_air: str, supply: str) -> dict[str, str]:
    return {"return": return_air, "supply": supply}


def _parse_unbalance(text: str) -> Amount:
    most = parse_amount(text, Quantity.RATIO)
    if not 0 < most.digits <= 100:
        message = f"the unbalance must be above 0 and at most 100 %, not {most}."
        raise InputError(message, 'Write a limit: at_most = "2 %".')
    return most


def _unbalance_limits(at_most: Amount | None) -> Span | None:
    return None if at_most is None else Span(None, at_most.digits, at_most.unit)


def _parse_temperature(text: str) -> Amount:
    return parse_amount(text, Quantity.TEMPERATURE)


def _temperature_differences(low: Amount | None, high: Amount | None) -> Span | None:
    if low and high and low.unit != high.unit:  # temperature differences: a conversion would shift them by 32 °F
        raise FieldError("high", f"{low} and {high} have different units.", "Write both in °C or both in °F.")
    return make_span(low, high)


def _rated_capacitance(rated: str | None, tolerance: str | None) -> Amount | None:
    return rated_amount(rated, tolerance, Quantity.CAPACITANCE, PointKind.CAPACITOR)


def _capacitor_rating(rated_value: Amount | None, tolerance: str | None) -> Rating | None:
    return None if rated_value is None else make_rating(rated_value, tolerance, PointKind.CAPACITOR)


def _check_rating(inputs: Mapping[str, str], rated: str | None, tolerance: str | None) -> Iterator[FieldError]:
    given = [field for field, value in (("rated", rated), ("tolerance", tolerance)) if value is not None]
    if given and "capacitor" in inputs:
        remedy = f"Remove {' and '.join(given)}, or remove capacitor from inputs."
        yield FieldError(given[0], "the capacitor's test point already has the rating.", remedy)
    elif "capacitor" not in inputs and rated is None:
        remedy = 'Add capacitor = "…" to inputs, the key of its test point, or rated = "45 uF".'
        yield FieldError("inputs", "the capacitor has no rating.", remedy)


_COMMON_KEYS = (
    Key("key", KEY, description="Unique among the derived points."),
    Key("kind", Choice(DerivedPointKind)),
    Key("title", Text(40), ""),
    Key("why", EXPLANATION, "", description="One sentence for a beginner."),
)
_TEST_POINT = Text(40)  # the key of a test point
_LOAD_INPUTS = Table(
    _load_inputs, Key("amps", _TEST_POINT), Key("volts", _TEST_POINT), Key("capacitor", _TEST_POINT, None)
)
_AIR_INPUTS = Table(_air_inputs, Key("return", _TEST_POINT, attribute="return_air"), Key("supply", _TEST_POINT))
_THREE_TEST_POINTS = Key("inputs", ListOf(_TEST_POINT, 3, 3, example='["…", "…", "…"]'), attribute="numbered")


DERIVED: Variants[DerivedTable] = Variants(
    "kind",
    {
        "unbalance": Table(
            DerivedTable,
            *_COMMON_KEYS,
            _THREE_TEST_POINTS,
            Key("at_most", Parsed(_parse_unbalance, '"2 %"'), None),
            computed=(Computed("inputs", _numbered_inputs), Computed("specification", _unbalance_limits)),
        ),
        "under-load": Table(
            DerivedTable,
            *_COMMON_KEYS,
            Key("inputs", _LOAD_INPUTS),
            Key("rated", amount_text('"45 uF"'), None),
            Key("tolerance", Text(40, example='"6 %"'), None),
            Key(FREQUENCY, Text(40, example='"60 Hz"'), description="A frequency, or the test point that reads it."),
            computed=(
                Computed("rated_value", _rated_capacitance, ("rated",)),
                Computed("specification", _capacitor_rating, ("tolerance",)),
            ),
            checks=(_check_rating,),
        ),
        "windings": Table(
            DerivedTable, *_COMMON_KEYS, _THREE_TEST_POINTS, computed=(Computed("inputs", _numbered_inputs),)
        ),
        "split": Table(
            DerivedTable,
            *_COMMON_KEYS,
            Key("inputs", _AIR_INPUTS),
            Key("low", Parsed(_parse_temperature, '"9 °C"'), None),
            Key("high", Parsed(_parse_temperature, '"12 °C"'), None),
            computed=(Computed("specification", _temperature_differences, ("low", "high")),),
        ),
    },
)


DERIVED_FIELDS = tuple(dict.fromkeys(key.name for table in DERIVED.tables.values() for key in table.keys))


# --- the database


def derived_point_table(point: DerivedPoint) -> dict[str, Any]:
    """Return ``{field: value}`` of a derived point: the table from which `DERIVED` reads it."""
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
    by_key = {point.key: point for point in points}
    entries = json.loads(text)
    if not isinstance(entries, list):
        raise ValueError("no list of derived points")  # noqa: TRY004  # as for text that is not JSON
    problems: list[PathProblem] = []
    tables = [DERIVED.read(entry, (), problems) for entry in entries]
    derived = [table for table in tables if isinstance(table, DerivedTable)]
    messages = [problem.message for problem in problems]
    messages += [problem.message for table in derived for problem in table.check(by_key)]
    if messages:
        raise ValueError("; ".join(messages))
    return tuple(table.build(by_key) for table in derived)
