"""The actions of the dashboard that have keys, and the keys they have by default.

A page turner, a pedal or a Bluetooth button is a keyboard: it sends one of these keys.
"""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType


class KeyAction(StrEnum):
    """An action of the dashboard, by its name in the table ``[keys]`` of the settings."""

    NEXT = "next"
    PREVIOUS = "previous"
    PICK = "pick"
    REPEAT = "repeat"
    ACCEPT = "accept"
    PROVE = "prove"
    RATING = "rating"
    ENTER_READING = "enter-reading"
    DIAGNOSIS = "diagnosis"
    QUESTION = "question"
    REPLACE = "replace"
    VOID = "void"
    SKIP = "skip"
    NOTE = "note"
    UNIT = "unit"
    HISTORY = "history"
    REPORT = "report"
    VISITS = "visits"
    METERS = "meters"
    TEACH = "teach"
    THEME = "theme"
    LARGE = "large"
    CAUTIONS = "cautions"
    SOUND = "sound"
    HELP = "help"
    QUIT = "quit"
    PAGE_DOWN = "page-down"
    PAGE_UP = "page-up"


Keys = Mapping[KeyAction, tuple[str, ...]]
"""The keys of each action, by their names in `KEY_NAMES`; the first one is shown at the foot of the screen."""

DEFAULT_KEYS: Keys = MappingProxyType(
    {
        KeyAction.NEXT: ("n", "right"),
        KeyAction.PREVIOUS: ("p", "left"),
        KeyAction.PICK: ("l",),
        KeyAction.REPEAT: ("r",),
        KeyAction.ACCEPT: ("a",),
        KeyAction.PROVE: ("y",),
        KeyAction.RATING: ("t",),
        KeyAction.ENTER_READING: ("enter", "e"),
        KeyAction.DIAGNOSIS: ("c",),
        KeyAction.QUESTION: ("o",),
        KeyAction.REPLACE: ("x",),
        KeyAction.VOID: ("z",),
        KeyAction.SKIP: ("k",),
        KeyAction.NOTE: ("w",),
        KeyAction.UNIT: ("u",),
        KeyAction.HISTORY: ("h",),
        KeyAction.REPORT: ("g",),
        KeyAction.VISITS: ("v",),
        KeyAction.METERS: ("b",),
        KeyAction.TEACH: ("m",),
        KeyAction.THEME: ("d",),
        KeyAction.LARGE: ("f",),
        KeyAction.CAUTIONS: ("i",),
        KeyAction.SOUND: ("s",),
        KeyAction.HELP: ("?", "f1"),
        KeyAction.QUIT: ("q",),
        KeyAction.PAGE_DOWN: ("pagedown", "down"),
        KeyAction.PAGE_UP: ("pageup", "up"),
    }
)

# The names are those that a terminal can tell apart. The digits answer questions, Escape closes a sheet, Tab moves
# within it, Ctrl+C leaves: these have no other action.
KEY_NAMES: Mapping[str, str] = MappingProxyType(
    {
        **{letter: letter for letter in "abcdefghijklmnopqrstuvwxyz?.-+*/"},
        "space": "Space", "enter": "Enter", "backspace": "Backspace", "insert": "Ins", "delete": "Del",
        "left": "←", "right": "→", "up": "↑", "down": "↓",
        "pageup": "PgUp", "pagedown": "PgDn", "home": "Home", "end": "End",
        **{f"f{number}": f"F{number}" for number in range(1, 13)},
    }
)  # fmt: skip
"""``{name of a key in the settings: its name as printed on a keyboard}``."""
