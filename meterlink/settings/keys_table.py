"""The ``[keys]`` table of the settings: the keys of the dashboard's actions."""

from collections.abc import Mapping
from types import MappingProxyType

from meterlink.core.key_actions import DEFAULT_KEYS, KEY_NAMES, KeyAction, Keys
from meterlink.tomlfile.field_types import Choice, ListOf, Wrong
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, quote_value
from meterlink.tomlfile.tables import Key, Table

_MOST_KEYS = 6  # of one action: a keyboard's, a pedal's and a page turner's, with one to spare for each

_RESERVED = frozenset((*"0123456789", "escape", "esc", "tab", "ctrl+c"))
_RESERVED_REMEDY = "Digits answer questions, Escape closes a sheet, Tab moves in it, Ctrl+C leaves: choose another."


class _KeyName(Choice[str]):
    """The name of a key; a wrong one is told the nearest."""

    def convert(self, value: str, path: TomlPath, problems: list[PathProblem]) -> str | Wrong:
        """Return the name."""
        if value in KEY_NAMES:
            return value
        if value.lower() in _RESERVED:
            return self.refuse(path, problems, f"{quote_value(value)} is not a key for an action.", _RESERVED_REMEDY)
        from difflib import get_close_matches  # noqa: PLC0415  # only for a file with a mistake

        alike = get_close_matches(value.lower().replace(" ", ""), KEY_NAMES, 1)
        remedy = f"Did you mean {alike[0]}?" if alike else self.instruction(path)
        return self.refuse(path, problems, f"{quote_value(value)} is not a key for an action.", remedy)

    def instruction(self, path: TomlPath) -> str:  # noqa: ARG002  # overrides
        """Return the sentence that describes the names."""
        return "Use a letter, space, enter, left, right, up, down, pageup, pagedown, home, end, or f1 to f12."


class _KeysTable(Table[Keys]):
    """The keys of all actions: those of the table, and the default ones of the actions that it leaves out.

    A default key that the table gives to another action is dropped, if its action has others.
    """

    def convert(self, value: Mapping[str, object], path: TomlPath, problems: list[PathProblem]) -> Keys | Wrong:
        """Return the keys; one that two actions have is a problem at the later one that the table names."""
        before = len(problems)
        read = self._read_keys(value, path, problems)
        chosen = {word: read.get(word) or read.get(f"partial_{word}") for word in value if word in list(KeyAction)}
        claimed = {key for own in chosen.values() for key in own or ()}
        keys = {action: chosen.get(action) or _without(DEFAULT_KEYS[action], claimed) for action in KeyAction}
        owners = {key: action for action, own in keys.items() if action not in chosen for key in own}
        for word, own in chosen.items():
            for number, key in enumerate(own or ()):
                owner = owners.setdefault(key, KeyAction(word))
                if key in KEY_NAMES and owner != word:
                    message = f"{quote_value(key)} is a key of {owner}, too."
                    self.refuse((*path, word, number), problems, message, f"Choose another, or give {owner} others.")
        return Wrong() if len(problems) > before else MappingProxyType(keys)


def _without(keys: tuple[str, ...], claimed: set[str]) -> tuple[str, ...]:
    """Return the default keys of an action that no other has claimed; all of them if none would be left."""
    return tuple(key for key in keys if key not in claimed) or keys


def _default_keys() -> Keys:
    return DEFAULT_KEYS


KEYS = _KeysTable(
    _default_keys,
    *(
        Key(
            action,
            ListOf(_KeyName(KEY_NAMES), 1, _MOST_KEYS, distinct=True),
            None,
            description=f"Default: {', '.join(DEFAULT_KEYS[action])}.",
        )
        for action in KeyAction
    ),
)
"""The table of the keys."""
