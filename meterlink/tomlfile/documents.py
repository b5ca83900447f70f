"""TOML text parsed to a table, with the position of every key."""

import tomllib
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from meterlink.tomlfile.positions import Position, TomlPath, find_positions
from meterlink.tomlfile.problems import Problem, syntax_problem


class Document(NamedTuple):
    """The table of a TOML text, and the position of each of its tables, keys and array items by path."""

    table: Mapping[str, Any]
    positions: Mapping[TomlPath, Position]


def parse_document(text: str, *, parse_float: Callable[[str], Any] = float) -> Document | Problem:
    """Return the document in ``text``, or the problem that makes it invalid TOML.

    ``parse_float`` converts the text of each float; ``Decimal`` keeps the digits as written.
    """
    try:
        return Document(tomllib.loads(text, parse_float=parse_float), find_positions(text))
    except tomllib.TOMLDecodeError as error:
        return syntax_problem(str(error), text)
    except (ValueError, IndexError, ArithmeticError, RecursionError):  # very long numbers, very deep brackets
        return Problem(Position(1, 1), "", "it is not valid TOML.", "Give a TOML file.")
