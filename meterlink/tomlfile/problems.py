"""Problems in a TOML file: position, message and remedy."""

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from meterlink.core.text import clean_text
from meterlink.tomlfile.positions import Position, TomlPath

_LONGEST_VALUE = 40  # characters of a wrong value that a message repeats
_SYNTAX_ERROR = re.compile(
    r"(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)", re.DOTALL
)


class PathProblem(NamedTuple):
    """An error or a ``warning`` at ``path`` in a TOML file whose positions are not known yet."""

    path: TomlPath
    message: str
    remedy: str
    warning: bool = False


class Problem(NamedTuple):
    """An error or a ``warning`` in a TOML file, with its position.

    ``location`` names the table and the key, ``point 3 (contactor-coil), key low``; it is empty for the whole file.
    """

    position: Position
    location: str
    message: str
    remedy: str
    warning: bool = False

    def __str__(self) -> str:
        start = f"{self.position.line}:{self.position.column}: " + ("warning: " if self.warning else "")
        return start + (f"{self.location}: " if self.location else "") + f"{self.message} {self.remedy}".rstrip()


def syntax_problem(error_text: str, text: str) -> Problem:
    """Return the problem that tomllib's ``error_text`` reports in ``text``."""
    match = _SYNTAX_ERROR.fullmatch(error_text)
    if match is not None and match["line"]:
        position = Position(int(match["line"]), int(match["column"]))
    else:
        position = Position(text.count("\n") + 1, len(text) - text.rfind("\n"))
    reason = match["what"] if match else error_text
    return Problem(position, "", f"not valid TOML: {clean_text(reason, 200)}.", "Correct that line.")


def nearest_position(positions: Mapping[TomlPath, Position], path: TomlPath) -> Position:
    """Return the position of ``path``, or of its nearest ancestor that has one."""
    while path and path not in positions:
        path = path[:-1]
    return positions.get(path, Position(1, 1))


def quote_value(value: object) -> str:
    """Return a wrong value as text for a message, as TOML writes it: one printable line of at most 40 characters."""
    try:
        text = str(value).lower() if isinstance(value, bool | Decimal) else repr(value)
    except ValueError:  # of Python: hexadecimal digits may give a whole number of more digits than it writes (4,300)
        return "a number of thousands of digits"
    return text if len(text) <= _LONGEST_VALUE else f"{text[:_LONGEST_VALUE]}…"


def printable_key(key: str | int) -> str:
    """Return a key as printable text of limited length."""
    return clean_text(str(key))
