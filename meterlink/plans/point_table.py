"""One ``[[point]]`` table of a plan, field by field: whatever is wrong with one is noted, and the next is read."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from typing import Any, TypeVar

from meterlink.core.equipment import Check, Rating, Span, State, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.text import clean_name
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.rules import parse_rule
from meterlink.plans.specification import QUANTITY_OF_CHECK, check_span, make_rating, make_span
from meterlink.tomlfile.positions import TomlPath

_Word = TypeVar("_Word", bound=StrEnum)
_Given = TypeVar("_Given")

FIELDS = (
    "key", "circuit", "component", "section", "terminals", "quantity", "coupling", "state", "check",
    "rated", "tolerance", "low", "high", "rule", "caution", "why",
)  # fmt: skip

_KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_LONGEST_NAME = 40  # characters: one line on the smallest screen
_LONGEST_TERMINAL = 12  # characters: two of them and what stands between, on that line
_LONGEST_RULE = 60  # characters: the longest name of a decision rule with its guard factor
LONGEST_SENTENCES = 400  # characters: a few lines on that screen
_LONGEST_SHOWN = 40  # characters of a wrong value that are repeated to whoever wrote it
_COUPLED = {Quantity.VOLTAGE, Quantity.CURRENT}


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong (or, for a ``warning``, doubtful) at ``path`` in a TOML file."""

    path: TomlPath
    message: str
    remedy: str
    warning: bool = False


def shown(value: object) -> str:
    """Return a wrong value as it can be repeated in a message: one line, nothing invisible, not long."""
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}…"


def unknown_fields(table: Mapping[str, Any], known: tuple[str, ...], path: TomlPath) -> list[Problem]:
    """Return a problem for every key of ``table`` that is not known."""
    problems = []
    for key in table:
        if key not in known:
            alike = get_close_matches(key, known, 1)
            remedy = f"Did you mean {alike[0]}?" if alike else f"Use: {', '.join(known)}."
            problems.append(Problem((*path, key), f"{shown(key)} is not a field here.", remedy))
    return problems


def read_point(entry: Mapping[str, Any], path: TomlPath) -> tuple[TestPoint | None, list[Problem]]:
    """Return the test point that ``entry`` at ``path`` describes (None when it has an error), and its problems."""
    fields = Fields(entry, path)
    fields.problems += unknown_fields(entry, FIELDS, path)
    quantity = fields.word("quantity", Quantity)
    check = fields.word("check", Check)
    state = fields.word("state", State)
    key, circuit, component = fields.key(), fields.text("circuit"), fields.text("component")
    section = fields.text("section", needed=False)
    terminals = fields.terminals()
    coupling = fields.coupling(quantity)
    against = fields.against(quantity, check)
    rule = fields.rule()
    caution, why = (fields.text(field, needed=False, longest=LONGEST_SENTENCES) for field in ("caution", "why"))
    if fields.problems or quantity is None or check is None or state is None:
        return None, fields.problems
    point = TestPoint(
        key=key, circuit=circuit, component=component, section=section, terminals=terminals, quantity=quantity,
        coupling=coupling, state=state, check=check, against=against, rule=rule, caution=caution, why=why,
    )  # fmt: skip
    return point, []


class Fields:
    """The fields of one table; each method reads one, and notes in ``problems`` what is wrong with it."""

    def __init__(self, entry: Mapping[str, Any], path: TomlPath) -> None:
        self.problems: list[Problem] = []
        self.entry = entry
        self.path = path

    def note(self, field: str, message: str, remedy: str) -> None:
        """Note what is wrong with ``field``."""
        # What is missing is missing from the table as a whole.
        path = (*self.path, field) if field in self.entry else self.path
        self.problems.append(Problem(path, message, remedy))

    def attempt(self, field: str, make: Callable[[], _Given]) -> _Given | None:
        """Return what ``make`` returns; None where it complains, which is noted."""
        try:
            return make()
        except InputError as error:
            self.note(field, error.message, error.remedy)
            return None

    def text(self, field: str, *, needed: bool = True, longest: int = _LONGEST_NAME) -> str:
        """Return a line of text, empty where there is none."""
        given = self.entry.get(field)
        if given is None:
            if needed:
                self.note(field, f"{field} is missing.", f'Write {field} = "…".')
            return ""
        if not isinstance(given, str):
            self.note(field, f"{shown(given)} is not text.", f'Write {field} = "…".')
            return ""
        text = clean_name(given, longest + 1)
        if not text:
            self.note(field, "it is empty.", "Write something, or leave it out." if not needed else "Write something.")
        elif len(text) > longest:
            self.note(field, f"{shown(text)} is longer than {longest} characters.", "Shorten it.")
        return text

    def key(self) -> str:
        """Return the key, empty where there is none."""
        key = self.text("key")
        if key and not _KEY.fullmatch(key):
            self.note("key", f"{shown(key)} is not usable.", "Use lower-case letters, digits and hyphens.")
        return key

    def word(self, field: str, kind: type[_Word]) -> _Word | None:
        """Return one of the words of ``kind``."""
        given = self.entry.get(field)
        allowed = [member.value for member in kind if member is not Quantity.BATTERY]
        if given in allowed:
            return kind(given)
        what = f"{field} is missing." if given is None else f"{shown(given)} is not known."
        self.note(field, what, f"Use one of: {', '.join(allowed)}.")
        return None

    def terminals(self) -> tuple[str, str]:
        """Return the names of the two terminals."""
        given = self.entry.get("terminals")
        remedy = 'Write terminals = ["C", "HERM"].'
        if given is None:
            self.note("terminals", "terminals is missing.", remedy)
            return "", ""
        names = [clean_name(name, _LONGEST_TERMINAL + 1) for name in given if isinstance(name, str)] \
            if isinstance(given, list) else []  # fmt: skip
        if len(names) != 2 or len(given) != 2 or not all(names):
            self.note("terminals", f"{shown(given)} is not two names.", remedy)
            return "", ""
        if names[0] == names[1]:
            self.note("terminals", "the two are the same.", "Name the two terminals the probes go on.")
        if max(map(len, names)) > _LONGEST_TERMINAL:
            self.note("terminals", f"a name is longer than {_LONGEST_TERMINAL} characters.", "Shorten it.")
        return names[0], names[1]

    def coupling(self, quantity: Quantity | None) -> Coupling | None:
        """Return AC or DC, None where it is left out."""
        if "coupling" not in self.entry:
            return None
        if quantity is not None and quantity not in _COUPLED:
            self.note("coupling", f"{quantity} is neither AC nor DC.", "Leave it out.")
            return None
        return self.word("coupling", Coupling)

    def rule(self) -> str:
        """Return the decision rule as it is written in full, empty where it is left out."""
        rule = self.text("rule", needed=False, longest=_LONGEST_RULE)
        parsed = self.attempt("rule", lambda: parse_rule(rule)) if rule else None
        return str(parsed) if parsed else ""

    def against(self, quantity: Quantity | None, check: Check | None) -> Rating | Span | None:
        """Return what the reading is held against, None where it is left out."""
        if quantity is None or check is None:
            return None
        wanted = QUANTITY_OF_CHECK.get(check, quantity)
        if quantity is not wanted:
            self.note("quantity", f"a {check} check is about {wanted}.", f'Write quantity = "{wanted}".')
            return None
        if "rated" in self.entry or "tolerance" in self.entry:
            return self.rating(quantity, check)
        before = len(self.problems)
        low, high = self.amount("low", quantity), self.amount("high", quantity)
        if len(self.problems) > before:
            return None
        span = self.attempt("low", lambda: make_span(low, high))
        return span and self.attempt("low" if low else "high", lambda: check_span(span, quantity, check))

    def rating(self, quantity: Quantity, check: Check) -> Rating | None:
        """Return the rating with its tolerance."""
        for field in ("low", "high"):
            if field in self.entry:
                self.note(field, "a rating has no two limits.", "Give rated and tolerance, or low and high.")
        if "rated" not in self.entry:
            self.note("tolerance", "there is no rating that it belongs to.", "Give rated, too, or leave it out.")
            return None
        tolerance = self.entry.get("tolerance")
        if tolerance is not None and not isinstance(tolerance, str):
            self.note("tolerance", f"{shown(tolerance)} is not text.", 'Write tolerance = "6 %".')
            return None
        value = self.amount("rated", quantity)
        if value is None:
            return None
        # Without its tolerance the rating is right or wrong by itself; with it, what is left is the tolerance's fault.
        bare = self.attempt("rated", lambda: make_rating(value, tolerance and "1 %", check))
        return bare and self.attempt("tolerance", lambda: make_rating(value, tolerance, check))

    def amount(self, field: str, quantity: Quantity) -> Amount | None:
        """Return a number with its unit, None where it is left out."""
        given = self.entry.get(field)
        if given is None:
            return None
        if not isinstance(given, str):
            self.note(field, f"{shown(given)} has no unit.", f'Write {field} = "{shown(given)} …" with its unit.')
            return None
        return self.attempt(field, lambda: parse_amount(given, quantity))
