"""Reads a scenario's TOML tables: checks each value as it is read, and names the location of each problem."""

import math
from collections.abc import Mapping
from enum import StrEnum
from typing import Any, TypeVar

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.core.units import Quantity, parse_amount
from meterlink.tomlfile.positions import Position, TomlPath

_Choice = TypeVar("_Choice", bound=StrEnum)
_LONGEST_TEXT = 400  # characters; no field is longer than a few lines


class ScenarioError(InputError):
    """A scenario file is wrong; the message names the file, the table with its line, and the key."""


def header_lines(positions: Mapping[TomlPath, Position]) -> dict[tuple[str, int], int]:
    """Return the lines of the ``[[name]]`` headers: ``{(name, n): line}``, both numbers from 1."""
    return {
        (str(path[0]), path[1] + 1): position.line
        for path, position in positions.items()
        if len(path) == 2 and isinstance(path[1], int)
    }


class ScenarioTable:
    """One table of the file. Each read removes its key; `reject_unknown_keys` reports a key that is left.

    Every method that reads raises `ScenarioError` if the key is missing or its value is wrong.
    """

    def __init__(self, data: Mapping[str, Any], location: str) -> None:
        self._unread = dict(data)
        self.location = location

    def error(self, key: str, message: str, remedy: str = "") -> ScenarioError:
        """Return an error about ``key`` of this table."""
        return ScenarioError(f"{self.location}, key '{key}': {message}", remedy)

    def keys(self) -> tuple[str, ...]:
        """Return the keys that are not read yet."""
        return tuple(self._unread)

    def __contains__(self, key: str) -> bool:
        return key in self._unread

    def _pop(self, key: str, kind: type[Any] | tuple[type[Any], ...], expected: str) -> Any:
        if key not in self._unread:
            raise self.error(key, "it is missing.", f"Give {expected}.")
        value = self._unread.pop(key)
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise self.error(key, f"{value!r} is not {expected}.")
        return value

    def text(self, key: str, default: str | None = None) -> str:
        """Read text that is not empty (the default may be): one line, no control characters."""
        if default is not None and key not in self._unread:
            return default
        text = clean_text(self._pop(key, str, "text"), _LONGEST_TEXT)
        if not text:
            raise self.error(key, "it is empty.")
        return text

    def boolean(self, key: str, *, default: bool) -> bool:
        """Read true or false."""
        return bool(self._pop(key, bool, "true or false")) if key in self._unread else default

    def number(self, key: str, default: float | None = None, *, least: float = 0.0, most: float = math.inf) -> float:
        """Read a finite number from ``least`` to ``most``."""
        if default is not None and key not in self._unread:
            return default
        number = float(self._pop(key, (int, float), "a number"))
        if not (math.isfinite(number) and least <= number <= most):
            bounds = f"at least {least:g}" if math.isinf(most) else f"{least:g} to {most:g}"
            raise self.error(key, f"{number:g} is out of bounds.", f"Give a number, {bounds}.")
        return number

    def number_or_word(self, key: str, word: str, *, most: float) -> float | None:
        """Read a number from 0 to ``most``; None for ``word`` or a missing key."""
        if self._unread.get(key, word) == word:
            self._unread.pop(key, None)
            return None
        if isinstance(self._unread[key], str):
            raise self.error(key, f"{self._unread[key]!r} is not known.", f"Give '{word}' or a number.")
        return self.number(key, most=most)

    def integer(self, key: str, default: int | None = None, *, least: int = 0) -> int:
        """Read a whole number, ``least`` or more."""
        if default is not None and key not in self._unread:
            return default
        number: int = self._pop(key, int, "a whole number")
        if number < least:
            raise self.error(key, f"{number} is out of bounds.", f"Give a whole number, at least {least}.")
        return number

    def amount(self, key: str, quantity: Quantity, default: float | None = None, *, zero: bool = False) -> float:
        """Read a number with its unit (``55 µF``) and return it in the base unit; with ``zero`` it may be zero."""
        if default is not None and key not in self._unread:
            return default
        text = self._pop(key, str, "text with a unit, such as '55 µF'")
        try:
            amount = float(parse_amount(text, quantity).base_value)
        except InputError as error:
            raise self.error(key, error.message, error.remedy) from error
        if quantity is not Quantity.TEMPERATURE and (amount < 0 or (amount == 0 and not zero)):
            raise self.error(key, f"{text!r} is not above zero.")
        return amount

    def choice(self, key: str, kind: type[_Choice]) -> _Choice:
        """Read one of the words of an enumeration."""
        word = self._pop(key, str, "text")
        try:
            return kind(word)
        except ValueError:
            allowed = ", ".join(member.value for member in kind)
            raise self.error(key, f"{word!r} is not known.", f"Use one of: {allowed}.") from None

    def text_list(self, key: str, count: int | None = None) -> tuple[str, ...]:
        """Read a list of texts: at least one, or exactly ``count``."""
        expected = f"a list of {'text' if count is None else f'{count} texts'}"
        texts = self._pop(key, list, expected)
        if not texts or not all(isinstance(item, str) and item for item in texts) or count not in {None, len(texts)}:
            raise self.error(key, f"{texts!r} is not {expected}.")
        return tuple(texts)

    def text_pair(self, key: str) -> tuple[str, str]:
        """Read a list of two texts."""
        first, second = self.text_list(key, 2)
        return first, second

    def table(self, key: str) -> "ScenarioTable":
        """Read a table within this table."""
        return ScenarioTable(self._pop(key, dict, "a table"), f"{self.location}, {key}")

    def tables(self, key: str, lines: Mapping[tuple[str, int], int] | None = None) -> list["ScenarioTable"]:
        """Read a list of at least one table; ``lines`` are the lines of their headers (see `header_lines`)."""
        entries = self._pop(key, list, f"[[{key}]] tables")
        if not entries or not all(isinstance(entry, dict) for entry in entries):
            raise self.error(key, f"it is not a list of [[{key}]] tables.")
        tables = []
        for number, entry in enumerate(entries, 1):
            line = (lines or {}).get((key, number))
            name = f"{key} {number}" + (f" (line {line})" if line else "")
            tables.append(ScenarioTable(entry, f"{self.location}, {name}"))
        return tables

    def remaining(self) -> dict[str, Any]:
        """Read all keys that are left, unchecked."""
        data, self._unread = self._unread, {}
        return data

    def reject_unknown_keys(self) -> None:
        """Check that every key was read.

        Raises:
            ScenarioError: a key is not known.
        """
        if self._unread:
            key = min(self._unread)
            raise self.error(key, "this table has no such key.", "Check its spelling.")
