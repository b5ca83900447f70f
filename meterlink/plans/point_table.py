"""One ``[[point]]`` table of a plan, field by field: whatever is wrong with one is noted, and the next is read."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from typing import Any, TypeVar

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.text import clean_text
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.plans.specification import QUANTITY_OF_KIND, make_rating, make_span, validate_span
from meterlink.tomlfile.positions import TomlPath

_Enum = TypeVar("_Enum", bound=StrEnum)
_Value = TypeVar("_Value")

POINT_FIELDS = (
    "key", "circuit", "component", "section", "terminals", "quantity", "coupling", "state", "check",
    "rated", "tolerance", "low", "high", "rule", "caution", "why",
)  # fmt: skip

_KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_LONGEST_NAME = 40  # characters: one line on the smallest screen
_LONGEST_TERMINAL = 12  # characters: two of them and what stands between, on that line
_LONGEST_RULE = 60  # characters: the longest name of a decision rule with its guard factor
LONGEST_EXPLANATION = 400  # characters: a few lines on that screen
_LONGEST_SHOWN = 40  # characters of a wrong value that are repeated to whoever wrote it
_QUANTITIES_WITH_COUPLING = {Quantity.VOLTAGE, Quantity.CURRENT}


@dataclass(frozen=True, slots=True)
class FieldProblem:
    """Something wrong (or, for a ``warning``, doubtful) at ``path`` in a TOML file."""

    path: TomlPath
    message: str
    remedy: str
    warning: bool = False


def quote_value(value: object) -> str:
    """Return a wrong value as it can be repeated in a message: one line, nothing invisible, not long."""
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}…"


def find_unknown_fields(table: Mapping[str, Any], known: tuple[str, ...], path: TomlPath) -> list[FieldProblem]:
    """Return a problem for every key of ``table`` that is not known."""
    problems = []
    for key in table:
        if key not in known:
            alike = get_close_matches(key, known, 1)
            remedy = f"Did you mean {alike[0]}?" if alike else f"Use: {', '.join(known)}."
            problems.append(FieldProblem((*path, key), f"{quote_value(key)} is not a field here.", remedy))
    return problems


def read_point(entry: Mapping[str, Any], path: TomlPath) -> tuple[TestPoint | None, list[FieldProblem]]:
    """Return the test point that ``entry`` at ``path`` describes (None when it has an error), and its problems."""
    fields = TableReader(entry, path)
    fields.problems += find_unknown_fields(entry, POINT_FIELDS, path)
    quantity = fields.read_enum("quantity", Quantity)
    check = fields.read_enum("check", PointKind)
    state = fields.read_enum("state", CircuitState)
    key, circuit, component = fields.read_key(), fields.read_text("circuit"), fields.read_text("component")
    section = fields.read_text("section", required=False)
    terminals = fields.read_terminals()
    coupling = fields.read_coupling(quantity)
    against = fields.read_specification(quantity, check)
    rule = fields.read_rule()
    caution, why = (
        fields.read_text(field, required=False, longest=LONGEST_EXPLANATION) for field in ("caution", "why")
    )
    if fields.problems or quantity is None or check is None or state is None:
        return None, fields.problems
    point = TestPoint(
        key=key, circuit=circuit, component=component, section=section, terminals=terminals, quantity=quantity,
        coupling=coupling, state=state, kind=check, specification=against, rule=rule, caution=caution, why=why,
    )  # fmt: skip
    return point, []


class TableReader:
    """The fields of one table; each method reads one, and notes in ``problems`` what is wrong with it."""

    def __init__(self, entry: Mapping[str, Any], path: TomlPath) -> None:
        self.problems: list[FieldProblem] = []
        self.entry = entry
        self.path = path

    def add_problem(self, field: str, message: str, remedy: str) -> None:
        """Note what is wrong with ``field``."""
        # What is missing is missing from the table as a whole.
        path = (*self.path, field) if field in self.entry else self.path
        self.problems.append(FieldProblem(path, message, remedy))

    def attempt(self, field: str, make: Callable[[], _Value]) -> _Value | None:
        """Return what ``make`` returns; None where it complains, which is noted."""
        try:
            return make()
        except InputError as error:
            self.add_problem(field, error.message, error.remedy)
            return None

    def read_text(self, field: str, *, required: bool = True, longest: int = _LONGEST_NAME) -> str:
        """Return a line of text, empty where there is none."""
        given = self.entry.get(field)
        if given is None:
            if required:
                self.add_problem(field, f"{field} is missing.", f'Write {field} = "…".')
            return ""
        if not isinstance(given, str):
            self.add_problem(field, f"{quote_value(given)} is not text.", f'Write {field} = "…".')
            return ""
        text = clean_text(given, longest + 1)
        if not text:
            self.add_problem(
                field, "it is empty.", "Write something, or leave it out." if not required else "Write something."
            )
        elif len(text) > longest:
            self.add_problem(field, f"{quote_value(text)} is longer than {longest} characters.", "Shorten it.")
        return text

    def read_key(self) -> str:
        """Return the key, empty where there is none."""
        key = self.read_text("key")
        if key and not _KEY.fullmatch(key):
            self.add_problem("key", f"{quote_value(key)} is not usable.", "Use lower-case letters, digits and hyphens.")
        return key

    def read_enum(self, field: str, enum_type: type[_Enum]) -> _Enum | None:
        """Return one of the words of ``kind``."""
        given = self.entry.get(field)
        allowed = [member.value for member in enum_type if member is not Quantity.BATTERY]
        if given in allowed:
            return enum_type(given)
        what = f"{field} is missing." if given is None else f"{quote_value(given)} is not known."
        self.add_problem(field, what, f"Use one of: {', '.join(allowed)}.")
        return None

    def read_terminals(self) -> tuple[str, str]:
        """Return the names of the two terminals."""
        given = self.entry.get("terminals")
        remedy = 'Write terminals = ["C", "HERM"].'
        if given is None:
            self.add_problem("terminals", "terminals is missing.", remedy)
            return "", ""
        names = [clean_text(name, _LONGEST_TERMINAL + 1) for name in given if isinstance(name, str)] \
            if isinstance(given, list) else []  # fmt: skip
        if len(names) != 2 or len(given) != 2 or not all(names):
            self.add_problem("terminals", f"{quote_value(given)} is not two names.", remedy)
            return "", ""
        if names[0] == names[1]:
            self.add_problem("terminals", "the two are the same.", "Name the two terminals the probes go on.")
        if max(map(len, names)) > _LONGEST_TERMINAL:
            self.add_problem("terminals", f"a name is longer than {_LONGEST_TERMINAL} characters.", "Shorten it.")
        return names[0], names[1]

    def read_coupling(self, quantity: Quantity | None) -> Coupling | None:
        """Return AC or DC, None where it is left out."""
        if "coupling" not in self.entry:
            return None
        if quantity is not None and quantity not in _QUANTITIES_WITH_COUPLING:
            self.add_problem("coupling", f"{quantity} is neither AC nor DC.", "Leave it out.")
            return None
        return self.read_enum("coupling", Coupling)

    def read_rule(self) -> str:
        """Return the decision rule as it is written in full, empty where it is left out."""
        rule = self.read_text("rule", required=False, longest=_LONGEST_RULE)
        parsed = self.attempt("rule", lambda: parse_decision_rule(rule)) if rule else None
        return str(parsed) if parsed else ""

    def read_specification(self, quantity: Quantity | None, kind: PointKind | None) -> Rating | Span | None:
        """Return what the reading is held against, None where it is left out."""
        if quantity is None or kind is None:
            return None
        wanted = QUANTITY_OF_KIND.get(kind, quantity)
        if quantity is not wanted:
            self.add_problem("quantity", f"a {kind} check is about {wanted}.", f'Write quantity = "{wanted}".')
            return None
        if "rated" in self.entry or "tolerance" in self.entry:
            return self.read_rating(quantity, kind)
        before = len(self.problems)
        low, high = self.read_amount("low", quantity), self.read_amount("high", quantity)
        if len(self.problems) > before:
            return None
        span = self.attempt("low", lambda: make_span(low, high))
        return span and self.attempt("low" if low else "high", lambda: validate_span(span, quantity, kind))

    def read_rating(self, quantity: Quantity, kind: PointKind) -> Rating | None:
        """Return the rating with its tolerance."""
        for field in ("low", "high"):
            if field in self.entry:
                self.add_problem(field, "a rating has no two limits.", "Give rated and tolerance, or low and high.")
        if "rated" not in self.entry:
            self.add_problem("tolerance", "there is no rating that it belongs to.", "Give rated, too, or leave it out.")
            return None
        tolerance = self.entry.get("tolerance")
        if tolerance is not None and not isinstance(tolerance, str):
            self.add_problem("tolerance", f"{quote_value(tolerance)} is not text.", 'Write tolerance = "6 %".')
            return None
        value = self.read_amount("rated", quantity)
        if value is None:
            return None
        # Without its tolerance the rating is right or wrong by itself; with it, what is left is the tolerance's fault.
        bare = self.attempt("rated", lambda: make_rating(value, tolerance and "1 %", kind))
        return bare and self.attempt("tolerance", lambda: make_rating(value, tolerance, kind))

    def read_amount(self, field: str, quantity: Quantity) -> Amount | None:
        """Return a number with its unit, None where it is left out."""
        given = self.entry.get(field)
        if given is None:
            return None
        if not isinstance(given, str):
            self.add_problem(
                field, f"{quote_value(given)} has no unit.", f'Write {field} = "{quote_value(given)} …" with its unit.'
            )
            return None
        return self.attempt(field, lambda: parse_amount(given, quantity))
