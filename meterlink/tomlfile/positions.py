"""The positions of tables and keys in a TOML file; tomllib reports positions of syntax errors only."""

import re
import tomllib
from bisect import bisect_right
from typing import Any, NamedTuple

# Keys and 0-based indices from the document of tomllib down to a value: ("point", 2, "low").
TomlPath = tuple[str | int, ...]


class Position(NamedTuple):
    """Line and column (in characters), both counted from 1."""

    line: int
    column: int


_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')"""
_KEYS = re.compile(rf"{_PART}(?:[ \t]*\.[ \t]*{_PART})*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")  # and comments
# A string may contain text that looks like TOML; a multi-line string may end in up to two quotes of its own.
_SCALAR = re.compile(
    r'''"""(?:\\.|[^\\])*?"""(?:"{0,2})|"(?:[^"\\\n]|\\.)*"|\'\'\'.*?\'\'\'(?:'{0,2})|'[^'\n]*'|[^,\]}#\n]+''',
    re.DOTALL,
)


def find_positions(text: str) -> dict[TomlPath, Position]:
    """Return ``{path: position}`` of every table header, key and array item of ``text``.

    ``text`` must be valid TOML.

    Raises:
        ValueError: the text is not TOML.
        IndexError: the text is not TOML.
    """
    scanner = _PositionScanner(text)
    scanner.scan_document()
    starts = [0, *(match.end() for match in re.finditer("\n", text))]
    positions = {}
    for path, offset in scanner.offsets.items():
        line = bisect_right(starts, offset)
        positions[path] = Position(line, offset - starts[line - 1] + 1)
    return positions


class _PositionScanner:
    """Scans the text once. ``offsets`` is the offset of each path."""

    def __init__(self, text: str) -> None:
        self.offsets: dict[TomlPath, int] = {}
        self._text = text
        self._offset = 0
        self._lengths: dict[TomlPath, int] = {}  # the number of [[tables]] of that path so far

    def scan_document(self) -> None:
        table: TomlPath = ()
        self._consume(_BLANK)
        while self._offset < len(self._text):
            if self._text[self._offset] == "[":
                table = self._scan_header()
            else:
                self._scan_pair(table)
            self._consume(_BLANK)

    def _scan_header(self) -> TomlPath:
        start = self._offset
        brackets = 2 if self._text.startswith("[[", start) else 1
        self._offset += brackets
        keys = self._scan_keys()
        self._consume(_BLANK)
        self._offset += brackets
        path: TomlPath = ()
        for depth, key in enumerate(keys, 1):
            path = (*path, key)
            self.offsets.setdefault(path, start)
            if brackets == 2 and depth == len(keys):
                self._lengths[path] = self._lengths.get(path, 0) + 1
            if path in self._lengths:  # a header below an array of tables belongs to its newest table
                path = (*path, self._lengths[path] - 1)
                self.offsets.setdefault(path, start)
        return path

    def _scan_keys(self) -> list[str]:
        self._consume(_BLANK)
        table: Any = tomllib.loads(f"{self._consume(_KEYS)} = 0")  # tomllib decodes the escapes
        keys = []
        while isinstance(table, dict):
            key, table = next(iter(table.items()))
            keys.append(key)
        return keys

    def _scan_pair(self, path: TomlPath) -> None:
        start = self._offset
        for key in self._scan_keys():
            path = (*path, key)
            self.offsets.setdefault(path, start)
        self._consume(_BLANK)
        self._offset += 1  # the equals sign
        self._consume(_BLANK)
        self._scan_value(path)

    def _scan_value(self, path: TomlPath) -> None:
        opening = self._text[self._offset]
        if opening not in "[{":
            self._consume(_SCALAR)
            return
        self._offset += 1
        number = 0
        while True:
            self._consume(_BLANK)
            match self._text[self._offset]:
                case "]" | "}":
                    self._offset += 1
                    return
                case ",":
                    self._offset += 1
                case _ if opening == "{":
                    self._scan_pair(path)
                case _:
                    self.offsets[*path, number] = self._offset
                    self._scan_value((*path, number))
                    number += 1

    def _consume(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._offset)
        if match is None:
            raise ValueError(f"not TOML at offset {self._offset}")
        self._offset = match.end()
        return match[0]
