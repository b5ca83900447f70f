"""TOML text read by a declared table: its value, or every problem in the text with its position."""

import tomllib
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any, Generic, NamedTuple, TypeVar

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.tomlfile.bounds import find_excess
from meterlink.tomlfile.field_types import FieldType, Schema, Wrong
from meterlink.tomlfile.positions import Position, TomlPath, find_positions
from meterlink.tomlfile.problems import PathProblem, Problem, nearest_position, printable_key, syntax_problem

_T = TypeVar("_T")

_MOST_PROBLEMS = 100  # listed; a file with more is another kind of file
# The keys whose text names a table in a message: the first of them that the table has.
_NAMING_KEYS = ("key", "name", "address")
_INVALID = Problem(Position(1, 1), "", "it is not valid TOML.", "Give a TOML file.")


class Checked(NamedTuple, Generic[_T]):
    """The value of a TOML text (None if it has an error), and its errors and warnings in the order of the file."""

    value: _T | None
    problems: tuple[Problem, ...]

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems that make the file unusable."""
        return tuple(problem for problem in self.problems if not problem.warning)

    def require(self, source: str, error_class: type[InputError] = InputError) -> _T:
        """Return the value.

        Raises:
            InputError: there are errors: one of ``error_class``; its message lists each as ``source:line:column: …``.
        """
        if self.value is not None:
            return self.value
        lines = [f"{source}:{problem}" for problem in self.errors[:_MOST_PROBLEMS]]
        more = len(self.errors) - len(lines)
        raise error_class("\n".join([*lines, f"and {more} more." if more else ""]).rstrip("\n"))


def parse_table(text: str) -> Mapping[str, Any] | Problem:
    """Return the table in ``text``, its floats as Decimal, or the problem that makes it invalid TOML."""
    excess = find_excess(text)
    if excess is not None:
        return excess
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        return syntax_problem(str(error), text)
    except (ValueError, ArithmeticError, RecursionError):  # very long numbers
        return _INVALID


def check_document(text: str, table: FieldType[_T]) -> Checked[_T]:
    """Return the value that ``table`` reads from ``text``, or all problems."""
    entry = parse_table(text)
    if isinstance(entry, Problem):
        return Checked(None, (entry,))
    problems: list[PathProblem] = []
    value = table.read(entry, (), problems)
    return Checked(None if isinstance(value, Wrong) else value, locate_problems(problems, text, entry))


def locate_problems(problems: Iterable[PathProblem], text: str, entry: Mapping[str, Any]) -> tuple[Problem, ...]:
    """Return the problems in ``text``, which parses to ``entry``, with their positions and in their order."""
    found = tuple(problems)
    if not found:
        return ()
    try:
        positions = find_positions(text)
    except (ValueError, IndexError, RecursionError):
        positions = {}
    located = [
        Problem(
            nearest_position(positions, problem.path),
            describe_path(problem.path, entry),
            problem.message,
            problem.remedy,
            problem.warning,
        )
        for problem in found
    ]
    return tuple(dict.fromkeys(sorted(located, key=lambda problem: problem.position)))


def describe_path(path: TomlPath, entry: Any) -> str:
    """Return a path in words, items counted from 1: ``point 3 (contactor-coil), inputs.amps``."""
    words = ""
    for part, before in zip(path, ("", *path), strict=False):
        entry = _value_at(entry, part)
        if isinstance(part, str):
            separator = ", " if words.endswith((")", *"0123456789")) else "."
            words += (separator if words else "") + printable_key(part)
            continue
        words += f"{'.' if isinstance(before, int) else ' '}{part + 1}"
        names = (entry.get(key) for key in _NAMING_KEYS) if isinstance(entry, dict) else ()
        name = next((clean_text(name) for name in names if isinstance(name, str)), "")
        words += f" ({name})" if name else ""
    return words


def document_schema(table: FieldType[Any], title: str, description: str) -> Schema:
    """Return the JSON Schema (draft 2020-12) of the files that ``table`` reads, for editors that check TOML."""
    opening = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, "description": description}
    return opening | table.schema()


def _value_at(entry: Any, part: str | int) -> Any:
    if isinstance(entry, dict):
        return entry.get(part)
    return entry[part] if isinstance(entry, list) and isinstance(part, int) and part < len(entry) else None
