"""One ``[[point]]`` table of a plan, read field by field; a wrong field does not stop the reading."""

import re
from collections.abc import Callable, Mapping
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
from meterlink.tomlfile.problems import PathProblem, find_unknown_fields, quote_value

_Enum = TypeVar("_Enum", bound=StrEnum)
_Value = TypeVar("_Value")

POINT_FIELDS = (
    "key", "circuit", "component", "section", "terminals", "quantity", "coupling", "state", "kind",
    "rated", "tolerance", "low", "high", "limits", "rule", "caution", "why",
)  # fmt: skip

ON_SITE = "on site"  # the value of ``limits``: the technician reads them off the part during the visit
_KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_LONGEST_NAME = 40  # characters: one line on the smallest screen
_LONGEST_TERMINAL = 12  # characters: two names and a separator on that line
_LONGEST_RULE = 60  # characters: the longest name of a decision rule with its guard factor
LONGEST_EXPLANATION = 400  # characters: a few lines on that screen
_QUANTITIES_WITH_COUPLING = {Quantity.VOLTAGE, Quantity.CURRENT}


def read_point(entry: Mapping[str, Any], path: TomlPath) -> tuple[TestPoint | None, list[PathProblem]]:
    """Return ``(point, problems)`` of the table ``entry`` at ``path``; the point is None if the table has an error."""
    fields = TableReader(entry, path)
    fields.problems += find_unknown_fields(entry, POINT_FIELDS, path)
    quantity = fields.read_enum("quantity", Quantity)
    kind = fields.read_enum("kind", PointKind)
    state = fields.read_enum("state", CircuitState)
    key, circuit, component = fields.read_key(), fields.read_text("circuit"), fields.read_text("component")
    section = fields.read_text("section", required=False)
    terminals = fields.read_terminals()
    coupling = fields.read_coupling(quantity)
    specification = fields.read_specification(quantity, kind)
    rule = fields.read_rule()
    caution, why = (
        fields.read_text(field, required=False, longest=LONGEST_EXPLANATION) for field in ("caution", "why")
    )
    if fields.problems or quantity is None or kind is None or state is None:
        return None, fields.problems
    point = TestPoint(
        key=key, circuit=circuit, component=component, section=section, terminals=terminals, quantity=quantity,
        coupling=coupling, state=state, kind=kind, specification=specification, rule=rule, caution=caution, why=why,
    )  # fmt: skip
    return point, []


class TableReader:
    """Reads the fields of one table. Each method reads one field and adds its errors to ``problems``."""

    def __init__(self, entry: Mapping[str, Any], path: TomlPath) -> None:
        self.problems: list[PathProblem] = []
        self.entry = entry
        self.path = path

    def add_problem(self, field: str, message: str, remedy: str) -> None:
        """Add a problem with ``field``."""
        # A missing field has no position: the problem is at the table.
        path = (*self.path, field) if field in self.entry else self.path
        self.problems.append(PathProblem(path, message, remedy))

    def attempt(self, field: str, make: Callable[[], _Value]) -> _Value | None:
        """Return the result of ``make``; None if it raises an InputError, which becomes a problem."""
        try:
            return make()
        except InputError as error:
            self.add_problem(field, error.message, error.remedy)
            return None

    def read_text(self, field: str, *, required: bool = True, longest: int = _LONGEST_NAME) -> str:
        """Return a line of at most ``longest`` characters, empty if the field is missing."""
        value = self.entry.get(field)
        if value is None:
            if required:
                self.add_problem(field, f"{field} is missing.", f'Write {field} = "…".')
            return ""
        if not isinstance(value, str):
            self.add_problem(field, f"{quote_value(value)} is not text.", f'Write {field} = "…".')
            return ""
        text = clean_text(value, longest + 1)
        if not text:
            self.add_problem(field, "it is empty.", f"Fill {field}." if required else f"Fill {field}, or leave it out.")
        elif len(text) > longest:
            self.add_problem(field, f"{quote_value(text)} is longer than {longest} characters.", "Shorten it.")
        return text

    def read_key(self) -> str:
        """Return the key, empty if it is missing."""
        key = self.read_text("key")
        if key and not _KEY.fullmatch(key):
            self.add_problem("key", f"{quote_value(key)} is not usable.", "Use lower-case letters, digits and hyphens.")
        return key

    def read_enum(self, field: str, enum_type: type[_Enum]) -> _Enum | None:
        """Return a member of ``enum_type``, None if the field is missing or no member."""
        value = self.entry.get(field)
        allowed = [member.value for member in enum_type if member is not Quantity.BATTERY]
        if value in allowed:
            return enum_type(value)
        message = f"{field} is missing." if value is None else f"{quote_value(value)} is not known."
        self.add_problem(field, message, f"Use one of: {', '.join(allowed)}.")
        return None

    def read_terminals(self) -> tuple[str, str]:
        """Return the names of the two terminals, two empty texts if they are wrong or missing."""
        value = self.entry.get("terminals")
        remedy = 'Write terminals = ["C", "HERM"].'
        if value is None:
            self.add_problem("terminals", "terminals is missing.", remedy)
            return "", ""
        names = [clean_text(name, _LONGEST_TERMINAL + 1) for name in value if isinstance(name, str)] \
            if isinstance(value, list) else []  # fmt: skip
        if len(names) != 2 or len(value) != 2 or not all(names):
            self.add_problem("terminals", f"{quote_value(value)} is not two names.", remedy)
            return "", ""
        if names[0] == names[1]:
            self.add_problem("terminals", "the two names are the same.", "Name the terminal of each probe.")
        if max(map(len, names)) > _LONGEST_TERMINAL:
            self.add_problem("terminals", f"a name is longer than {_LONGEST_TERMINAL} characters.", "Shorten it.")
        return names[0], names[1]

    def read_coupling(self, quantity: Quantity | None) -> Coupling | None:
        """Return AC or DC, None if the field is missing."""
        if "coupling" not in self.entry:
            return None
        if quantity is not None and quantity not in _QUANTITIES_WITH_COUPLING:
            self.add_problem("coupling", f"{quantity} is neither AC nor DC.", "Leave it out.")
            return None
        return self.read_enum("coupling", Coupling)

    def read_rule(self) -> str:
        """Return the decision rule in full words, empty if the field is missing."""
        rule = self.read_text("rule", required=False, longest=_LONGEST_RULE)
        parsed = self.attempt("rule", lambda: parse_decision_rule(rule)) if rule else None
        return str(parsed) if parsed else ""

    def read_specification(self, quantity: Quantity | None, kind: PointKind | None) -> Rating | Span | None:
        """Return the rating or the limits; None if they are missing, wrong or read on site."""
        if quantity is None or kind is None:
            return None
        needed = QUANTITY_OF_KIND.get(kind, quantity)
        if quantity is not needed:
            self.add_problem("quantity", f"a {kind} point measures {needed}.", f'Write quantity = "{needed}".')
            return None
        if "limits" in self.entry:
            self._check_limits_on_site()
            return None
        if "rated" in self.entry or "tolerance" in self.entry:
            return self.read_rating(quantity, kind)
        before = len(self.problems)
        low, high = self.read_amount("low", quantity), self.read_amount("high", quantity)
        if len(self.problems) > before:
            return None
        span = self.attempt("low", lambda: make_span(low, high))
        return span and self.attempt("low" if low else "high", lambda: validate_span(span, quantity, kind))

    def _check_limits_on_site(self) -> None:
        if self.entry["limits"] != ON_SITE:
            value = quote_value(self.entry["limits"])
            self.add_problem("limits", f"{value} is not known.", f'Write limits = "{ON_SITE}", or low and high.')
        for field in ("rated", "tolerance", "low", "high"):
            if field in self.entry:
                self.add_problem(field, f"the limits are read {ON_SITE}.", f"Remove {field}, or remove limits.")

    def read_rating(self, quantity: Quantity, kind: PointKind) -> Rating | None:
        """Return the rating with its tolerance; None if it is wrong."""
        for field in ("low", "high"):
            if field in self.entry:
                self.add_problem(
                    field, "a point has a rating or limits, not both.", "Give rated and tolerance, or low and high."
                )
        if "rated" not in self.entry:
            self.add_problem("tolerance", "a tolerance needs a rating.", "Add rated, or remove tolerance.")
            return None
        tolerance = self.entry.get("tolerance")
        if tolerance is not None and not isinstance(tolerance, str):
            self.add_problem("tolerance", f"{quote_value(tolerance)} is not text.", 'Write tolerance = "6 %".')
            return None
        value = self.read_amount("rated", quantity)
        if value is None:
            return None
        # First with a harmless tolerance: an error is then a problem of rated, a later one a problem of tolerance.
        checked = self.attempt("rated", lambda: make_rating(value, tolerance and "1 %", kind))
        return checked and self.attempt("tolerance", lambda: make_rating(value, tolerance, kind))

    def read_amount(self, field: str, quantity: Quantity) -> Amount | None:
        """Return a number with its unit; None if the field is missing or wrong."""
        value = self.entry.get(field)
        if value is None:
            return None
        if not isinstance(value, str):
            self.add_problem(
                field, f"{quote_value(value)} has no unit.", f'Write {field} = "{quote_value(value)} …" with its unit.'
            )
            return None
        return self.attempt(field, lambda: parse_amount(value, quantity))
