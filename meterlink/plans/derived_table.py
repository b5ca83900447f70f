"""One ``[[derived]]`` table of a plan: a judgement worked out of the readings held at several of its test points."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import combinations
from typing import Any

from meterlink.core.equipment import Check, Derivation, DerivedCheck, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.plans.point_table import LONGEST_SENTENCES, Fields, Problem, shown, unknown_fields
from meterlink.plans.specification import make_span
from meterlink.tomlfile.positions import TomlPath

FREQUENCY = "frequency"
_COMMON = ("key", "kind", "title", "of", "why")
_LIMITS = {
    Derivation.UNBALANCE: ("at_most",),
    Derivation.UNDER_LOAD: ("rated", "tolerance", FREQUENCY),
    Derivation.WINDINGS: (),
    Derivation.SPLIT: ("low", "high"),
}
DERIVED_FIELDS = (*_COMMON, *(field for fields in _LIMITS.values() for field in fields))

ALIKE = ("first", "second", "third")
# The readings of each kind, by what each is for, and the quantities they may have.
_ROLES: dict[Derivation, dict[str, frozenset[Quantity]]] = {
    Derivation.UNBALANCE: dict.fromkeys(ALIKE, frozenset({Quantity.VOLTAGE, Quantity.CURRENT})),
    Derivation.UNDER_LOAD: {
        "amps": frozenset({Quantity.CURRENT}),
        "volts": frozenset({Quantity.VOLTAGE}),
        "capacitor": frozenset({Quantity.CAPACITANCE}),
    },
    Derivation.WINDINGS: dict.fromkeys(ALIKE, frozenset({Quantity.RESISTANCE})),
    Derivation.SPLIT: {"return": frozenset({Quantity.TEMPERATURE}), "supply": frozenset({Quantity.TEMPERATURE})},
}
_MAY_BE_LEFT_OUT = {"capacitor"}
_ALTERNATING = {Derivation.UNBALANCE, Derivation.UNDER_LOAD}

# Test points by key; None for one that has an error of its own.
Points = Mapping[str, TestPoint | None]


def read_derived(entry: Mapping[str, Any], path: TomlPath, points: Points) -> tuple[DerivedCheck | None, list[Problem]]:
    """Return the check that ``entry`` at ``path`` describes (None when it has an error), and its problems."""
    fields = Fields(entry, path)
    kind = fields.word("kind", Derivation)
    known = DERIVED_FIELDS if kind is None else (*_COMMON, *_LIMITS[kind])
    fields.problems += unknown_fields(entry, known, path)
    key, title = fields.key(), fields.text("title", needed=False)
    why = fields.text("why", needed=False, longest=LONGEST_SENTENCES)
    if kind is None:
        return None, fields.problems
    inputs = _Inputs(fields, kind, points)
    of = inputs.read()
    against, frequency = _against(fields, kind, of), None
    if kind is Derivation.UNDER_LOAD:
        at, frequency = _frequency(fields, points)
        of |= {FREQUENCY: at} if at else {}
    read = [point for point in (points[at] for at in of.values()) if point is not None]
    if fields.problems or len(read) < len(of):
        return None, fields.problems
    check = DerivedCheck(key, kind, title or _title(kind, read), tuple(of.items()), against, frequency, why)
    return check, []


def as_table(check: DerivedCheck) -> dict[str, Any]:
    """Return a check as the table of a plan file that `read_derived` reads it from."""
    of = dict(check.of)
    at = of.pop(FREQUENCY, None)
    table: dict[str, Any] = {"key": check.key, "kind": check.kind.value, "title": check.title}
    table["of"] = list(of.values()) if ALIKE[0] in of else of
    match check.against:
        case Rating(value, tolerance):
            table |= {"rated": str(value), "tolerance": tolerance}
        case Span(low, high, unit):
            names = ("", "at_most") if check.kind is Derivation.UNBALANCE else ("low", "high")
            edges = zip(names, (low, high), strict=True)
            table |= {name: f"{edge:f} {unit}" for name, edge in edges if edge is not None}
    table |= {FREQUENCY: at or (check.frequency and str(check.frequency)), "why": check.why}
    return {field: given for field, given in table.items() if given}


def derived_text(checks: Sequence[DerivedCheck]) -> str:
    """Return checks as they are kept beside a visit: a JSON array of their tables."""
    return json.dumps([as_table(check) for check in checks], ensure_ascii=False)


def read_derived_text(text: str, points: Sequence[TestPoint]) -> tuple[DerivedCheck, ...]:
    """Return the checks in ``text`` (see `derived_text`) on ``points``; ValueError for anything else."""
    by_key: Points = {point.key: point for point in points}
    tables, checks = json.loads(text), []
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ValueError("no list of derived checks")  # of the text, whatever is in it
    for entry in tables:
        check, problems = read_derived(entry, (), by_key)
        if check is None:
            raise ValueError("; ".join(problem.message for problem in problems))
        checks.append(check)
    return tuple(checks)


@dataclass(frozen=True, slots=True)
class _Inputs:
    """The field ``of``: which test points the readings are taken from."""

    fields: Fields
    kind: Derivation
    points: Points

    def read(self) -> dict[str, str]:
        """Return the keys of the test points by what each is read for."""
        written = self._listed() if ALIKE[0] in _ROLES[self.kind] else self._named()
        of: dict[str, str] = {}
        for role, given, place in written:
            problem = self._problem(role, given) or ("it is taken already." if given in of.values() else "")
            if problem:
                self.fields.problems.append(Problem((*self.fields.path, "of", place), problem, self._remedy(given)))
            else:
                of[role] = given
        if len(of) == len(written) and not self.fields.problems:
            self._check_together([point for point in (self.points[at] for at in of.values()) if point is not None])
        return of

    def _listed(self) -> list[tuple[str, Any, str | int]]:
        given = self.fields.entry.get("of")
        if not isinstance(given, list) or len(given) != len(ALIKE):
            what = "of is missing." if given is None else f"{shown(given)} does not name three test points."
            self.fields.note("of", what, 'Write of = ["…", "…", "…"], three keys of test points.')
            return []
        return [(role, one, number) for number, (role, one) in enumerate(zip(ALIKE, given, strict=True))]

    def _named(self) -> list[tuple[str, Any, str | int]]:
        given, roles = self.fields.entry.get("of"), _ROLES[self.kind]
        if not isinstance(given, dict):
            needed = ", ".join(f'{role} = "…"' for role in roles if role not in _MAY_BE_LEFT_OUT)
            what = "of is missing." if given is None else f"{shown(given)} is not a table."
            self.fields.note("of", what, f"Write of = {{ {needed} }}.")
            return []
        self.fields.problems += unknown_fields(given, tuple(roles), (*self.fields.path, "of"))
        for role in roles:
            if role not in given and role not in _MAY_BE_LEFT_OUT:
                self.fields.note("of", f"{role} is missing.", f'Add {role} = "…", the key of a test point.')
        return [(role, given[role], role) for role in roles if role in given]

    def _problem(self, role: str, key: object) -> str:
        if not isinstance(key, str):
            return f"{shown(key)} is not the key of a test point."
        if key not in self.points:
            return f"there is no test point {shown(key)} in this plan."
        point, wanted = self.points[key], _ROLES[self.kind][role]
        if point is None:  # its own errors are said where it stands
            return ""
        if point.quantity not in wanted:
            return f"{key} reads {point.quantity}, not {' or '.join(sorted(wanted))}."
        if self.kind in _ALTERNATING and point.coupling is Coupling.DC:
            return f"{key} reads DC, not AC."
        if role == "capacitor" and point.check is not Check.CAPACITOR:
            return f"{key} is not checked as a capacitor, and so has no rating."
        return ""

    def _remedy(self, key: object) -> str:
        alike = get_close_matches(key, self.points, 1) if isinstance(key, str) and key not in self.points else []
        return f"Did you mean {alike[0]}?" if alike else "Give the key of a test point that stands for it."

    def _check_together(self, read: Sequence[TestPoint]) -> None:
        if self.kind is Derivation.UNBALANCE and len({point.quantity for point in read}) > 1:
            self.fields.note("of", "volts and amps cannot be compared.", "Give three of one kind.")
        if self.kind is Derivation.WINDINGS and len(read) == len(ALIKE):
            ends = {frozenset(point.terminals) for point in read}
            names = frozenset().union(*ends)
            if ends != {frozenset(pair) for pair in combinations(names, 2)} or len(names) != len(ALIKE):
                what = "these three do not lie between each two of three terminals."
                self.fields.note("of", what, "Give C to S, C to R and R to S of one motor, or T1, T2 and T3.")


def _against(fields: Fields, kind: Derivation, of: Mapping[str, str]) -> Rating | Span | None:
    match kind:
        case Derivation.UNBALANCE:
            return _at_most(fields)
        case Derivation.SPLIT:
            return _differences(fields)
        case Derivation.UNDER_LOAD:
            return _rating(fields, of)
    return None


def _at_most(fields: Fields) -> Span | None:
    most = fields.amount("at_most", Quantity.RATIO)
    if most is None:
        return None
    if not 0 < most.digits <= 100:
        fields.note("at_most", f"{most} cannot be used as a limit.", 'Write the most accepted: at_most = "2 %".')
    return Span(None, most.digits, most.unit)


def _differences(fields: Fields) -> Span | None:
    low, high = (fields.amount(side, Quantity.TEMPERATURE) for side in ("low", "high"))
    if low and high and low.unit != high.unit:  # one cannot be turned into the other: these are differences
        fields.note("high", f"{low} and {high} are two units.", "Write both in °C or both in °F.")
        return None
    return fields.attempt("low", lambda: make_span(low, high))


def _rating(fields: Fields, of: Mapping[str, str]) -> Rating | None:
    given = [field for field in ("rated", "tolerance") if field in fields.entry]
    if given and "capacitor" in of:
        fields.note(given[0], "the capacitor's test point has the rating already.", "Leave one of the two out.")
        return None
    if given:
        return fields.rating(Quantity.CAPACITANCE, Check.CAPACITOR)
    if "capacitor" not in of and not fields.problems:
        remedy = 'Add capacitor = "…" to of, the key of its test point, or rated = "45 uF".'
        fields.note("of", "the capacitor has no rating to be held against.", remedy)
    return None


def _frequency(fields: Fields, points: Points) -> tuple[str | None, Amount | None]:
    """Return the key of the test point where the frequency is read, or the frequency itself."""
    given, remedy = fields.entry.get(FREQUENCY), 'Write frequency = "60 Hz", or the key of a test point that reads it.'
    if not isinstance(given, str):
        fields.note(FREQUENCY, "frequency is missing." if given is None else f"{shown(given)} is not text.", remedy)
        return None, None
    if given in points:
        point = points[given]
        if point is not None and point.quantity is not Quantity.FREQUENCY:
            fields.note(FREQUENCY, f"{given} reads {point.quantity}, not frequency.", remedy)
        return given, None
    try:
        hertz = parse_amount(given, Quantity.FREQUENCY)
    except InputError:
        fields.note(FREQUENCY, f"{shown(given)} is neither a frequency nor a test point of this plan.", remedy)
        return None, None
    if hertz.digits <= 0:
        fields.note(FREQUENCY, f"a frequency of {hertz} cannot be.", remedy)
    return None, hertz


def _title(kind: Derivation, read: Sequence[TestPoint]) -> str:
    match kind:
        case Derivation.UNBALANCE:
            return f"{read[0].component} {read[0].quantity} unbalance"
        case Derivation.UNDER_LOAD:
            part = next((point for point in read if point.check is Check.CAPACITOR), read[1])
            return f"{part.title} under load"
        case Derivation.WINDINGS:
            return f"{read[0].component} windings"
        case Derivation.SPLIT:
            return "temperature split"
