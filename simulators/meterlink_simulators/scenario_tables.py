"""Reading a scenario's TOML tables: every value checked as it is taken, every complaint with its place in the file."""

import math
from collections.abc import Mapping
from enum import StrEnum
from typing import Any, TypeVar

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.core.units import Quantity, parse_amount
from meterlink.tomlfile.positions import find_positions

_Choice = TypeVar("_Choice", bound=StrEnum)
_LONGEST_TEXT = 400  # characters; no field is longer than a few lines


class ScenarioError(InputError):
    """A scenario file cannot be used; the message names the file, the table with its line, and the key."""


def header_lines(text: str) -> dict[tuple[str, int], int]:
    """Return the line of the n-th ``[[name]]`` header for every (name, n), both counted from 1."""
    return {
        (str(path[0]), path[1] + 1): position.line
        for path, position in find_positions(text).items()
        if len(path) == 2 and isinstance(path[1], int)
    }


class ScenarioTable:
    """One table of the file. Take what is known, then `done` complains about what is left."""

    def __init__(self, data: Mapping[str, Any], location: str) -> None:
        self._unread = dict(data)
        self.location = location

    def error(self, key: str, message: str, remedy: str = "") -> ScenarioError:
        """Return a complaint about ``key`` of this table."""
        return ScenarioError(f"{self.location}, key '{key}': {message}", remedy)

    def keys(self) -> tuple[str, ...]:
        """Return the keys not taken yet."""
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
        """Take text that is not empty (the default may be); one line, no control characters."""
        if default is not None and key not in self._unread:
            return default
        text = clean_text(self._pop(key, str, "text"), _LONGEST_TEXT)
        if not text:
            raise self.error(key, "it is empty.")
        return text

    def boolean(self, key: str, *, default: bool) -> bool:
        """Take true or false."""
        return bool(self._pop(key, bool, "true or false")) if key in self._unread else default

    def number(self, key: str, default: float | None = None, *, least: float = 0.0, most: float = math.inf) -> float:
        """Take a finite number from ``least`` to ``most``."""
        if default is not None and key not in self._unread:
            return default
        number = float(self._pop(key, (int, float), "a number"))
        if not (math.isfinite(number) and least <= number <= most):
            bounds = f"at least {least:g}" if math.isinf(most) else f"{least:g} to {most:g}"
            raise self.error(key, f"{number:g} is out of bounds.", f"Give a number, {bounds}.")
        return number

    def number_or_word(self, key: str, word: str, *, most: float) -> float | None:
        """Take a number from 0 to ``most``, or None for ``word`` or nothing."""
        if self._unread.get(key, word) == word:
            self._unread.pop(key, None)
            return None
        if isinstance(self._unread[key], str):
            raise self.error(key, f"{self._unread[key]!r} is not known.", f"Give '{word}' or a number.")
        return self.number(key, most=most)

    def integer(self, key: str, default: int | None = None, *, least: int = 0) -> int:
        """Take a whole number from ``least`` up."""
        if default is not None and key not in self._unread:
            return default
        number: int = self._pop(key, int, "a whole number")
        if number < least:
            raise self.error(key, f"{number} is out of bounds.", f"Give a whole number, at least {least}.")
        return number

    def amount(self, key: str, quantity: Quantity, default: float | None = None, *, zero: bool = False) -> float:
        """Take a number with its unit, as text (``55 µF``), above zero or ``zero`` too; in the base unit."""
        if default is not None and key not in self._unread:
            return default
        given = self._pop(key, str, "text with a unit, such as '55 µF'")
        try:
            amount = float(parse_amount(given, quantity).base_value)
        except InputError as error:
            raise self.error(key, error.message, error.remedy) from error
        if quantity is not Quantity.TEMPERATURE and (amount < 0 or (amount == 0 and not zero)):
            raise self.error(key, f"{given!r} is not above zero.")
        return amount

    def choice(self, key: str, kind: type[_Choice]) -> _Choice:
        """Take one of an enumeration's words."""
        given = self._pop(key, str, "text")
        try:
            return kind(given)
        except ValueError:
            allowed = ", ".join(member.value for member in kind)
            raise self.error(key, f"{given!r} is not known.", f"Use one of: {allowed}.") from None

    def text_list(self, key: str, count: int | None = None) -> tuple[str, ...]:
        """Take a list of text, not empty, or of exactly ``count``."""
        wanted = f"a list of {'text' if count is None else f'{count} texts'}"
        texts = self._pop(key, list, wanted)
        if not texts or not all(isinstance(item, str) and item for item in texts) or count not in {None, len(texts)}:
            raise self.error(key, f"{texts!r} is not {wanted}.")
        return tuple(texts)

    def text_pair(self, key: str) -> tuple[str, str]:
        """Take a list of two texts."""
        first, second = self.text_list(key, 2)
        return first, second

    def table(self, key: str) -> "ScenarioTable":
        """Take a table within this one."""
        return ScenarioTable(self._pop(key, dict, "a table"), f"{self.location}, {key}")

    def tables(self, key: str, lines: Mapping[tuple[str, int], int] | None = None) -> list["ScenarioTable"]:
        """Take a list of at least one table; ``lines`` gives their headers' lines."""
        entries = self._pop(key, list, f"[[{key}]] tables")
        if not entries or not all(isinstance(entry, dict) for entry in entries):
            raise self.error(key, f"it is not a list of [[{key}]] tables.")
        found = []
        for number, entry in enumerate(entries, 1):
            line = (lines or {}).get((key, number))
            place = f"{key} {number}" + (f" (line {line})" if line else "")
            found.append(ScenarioTable(entry, f"{self.location}, {place}"))
        return found

    def remaining(self) -> dict[str, Any]:
        """Take everything that is left, as it is."""
        rest, self._unread = self._unread, {}
        return rest

    def reject_unknown_keys(self) -> None:
        """Complain about a key nobody took."""
        if self._unread:
            key = min(self._unread)
            raise self.error(key, "it is not known here.", "Check its spelling.")
