"""Where the tables and keys of a TOML file stand; tomllib itself says that of syntax errors only."""

import re
import tomllib
from bisect import bisect_right
from typing import Any, NamedTuple

# Keys and 0-based indices down to a value, as one would write them on what tomllib returns: ("point", 2, "low").
TomlPath = tuple[str | int, ...]


class Position(NamedTuple):
    """Line and column (in characters), both counted from 1."""

    line: int
    column: int


_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')"""
_KEYS = re.compile(rf"{_PART}(?:[ \t]*\.[ \t]*{_PART})*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")  # comments, too
# Strings may hold anything that looks like TOML; a multi-line one may end in up to two quotes of its own.
_SCALAR = re.compile(
    r'''"""(?:\\.|[^\\])*?"""(?:"{0,2})|"(?:[^"\\\n]|\\.)*"|\'\'\'.*?\'\'\'(?:'{0,2})|'[^'\n]*'|[^,\]}#\n]+''',
    re.DOTALL,
)


def find_positions(text: str) -> dict[TomlPath, Position]:
    """Return where every table header, key and array item of ``text`` begins, by its path.

    ``text`` must be what tomllib has accepted; ValueError or IndexError where that was not so.
    """
    walk = _Walk(text)
    walk.document()
    begins = [0, *(match.end() for match in re.finditer("\n", text))]
    positions = {}
    for path, at in walk.found.items():
        line = bisect_right(begins, at)
        positions[path] = Position(line, at - begins[line - 1] + 1)
    return positions


class _Walk:
    """Goes through the text once. ``found`` is the offset of each path."""

    def __init__(self, text: str) -> None:
        self.found: dict[TomlPath, int] = {}
        self._text = text
        self._at = 0
        self._lengths: dict[TomlPath, int] = {}  # how many [[tables]] of that path there are so far

    def document(self) -> None:
        table: TomlPath = ()
        self._take(_BLANK)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._take(_BLANK)

    def _header(self) -> TomlPath:
        start = self._at
        brackets = 2 if self._text.startswith("[[", start) else 1
        self._at += brackets
        keys = self._keys()
        self._take(_BLANK)
        self._at += brackets
        path: TomlPath = ()
        for depth, key in enumerate(keys, 1):
            path = (*path, key)
            self.found.setdefault(path, start)
            if brackets == 2 and depth == len(keys):
                self._lengths[path] = self._lengths.get(path, 0) + 1
            if path in self._lengths:  # a header below an array of tables means the newest of them
                path = (*path, self._lengths[path] - 1)
                self.found.setdefault(path, start)
        return path

    def _keys(self) -> list[str]:
        self._take(_BLANK)
        table: Any = tomllib.loads(f"{self._take(_KEYS)} = 0")  # its own parser knows the escapes
        keys = []
        while isinstance(table, dict):
            key, table = next(iter(table.items()))
            keys.append(key)
        return keys

    def _pair(self, path: TomlPath) -> None:
        start = self._at
        for key in self._keys():
            path = (*path, key)
            self.found.setdefault(path, start)
        self._take(_BLANK)
        self._at += 1  # the equals sign
        self._take(_BLANK)
        self._value(path)

    def _value(self, path: TomlPath) -> None:
        opening = self._text[self._at]
        if opening not in "[{":
            self._take(_SCALAR)
            return
        self._at += 1
        number = 0
        while True:
            self._take(_BLANK)
            match self._text[self._at]:
                case "]" | "}":
                    self._at += 1
                    return
                case ",":
                    self._at += 1
                case _ if opening == "{":
                    self._pair(path)
                case _:
                    self.found[*path, number] = self._at
                    self._value((*path, number))
                    number += 1

    def _take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            raise ValueError(f"not TOML at offset {self._at}")
        self._at = match.end()
        return match[0]
