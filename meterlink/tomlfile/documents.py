"""TOML text parsed to a table, with the position of every key."""

import tomllib
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from meterlink.tomlfile.positions import Position, TomlPath, find_positions
from meterlink.tomlfile.problems import Problem, syntax_problem

_INVALID = Problem(Position(1, 1), "", "it is not valid TOML.", "Give a TOML file.")


class Document(NamedTuple):
    """The table of a TOML text, and the position of each of its tables, keys and array items by path."""

    table: Mapping[str, Any]
    positions: Mapping[TomlPath, Position]


def parse_table(text: str, *, parse_float: Callable[[str], Any] = float) -> Mapping[str, Any] | Problem:
    """Return the table in ``text``, or the problem that makes it invalid TOML; without positions it is quick.

    ``parse_float`` converts the text of each float; ``Decimal`` keeps the digits as written.
    """
    try:
        return tomllib.loads(text, parse_float=parse_float)
    except tomllib.TOMLDecodeError as error:
        return syntax_problem(str(error), text)
    except (ValueError, ArithmeticError, RecursionError):  # very long numbers, very deep brackets
        return _INVALID


def parse_document(text: str, *, parse_float: Callable[[str], Any] = float) -> Document | Problem:
    """Return the table in ``text`` with its positions, or the problem that makes it invalid TOML.

    ``parse_float`` is that of `parse_table`.
    """
    table = parse_table(text, parse_float=parse_float)
    if isinstance(table, Problem):
        return table
    try:
        return Document(table, find_positions(text))
    except (ValueError, IndexError, RecursionError):  # brackets too deep for the positions
        return _INVALID
