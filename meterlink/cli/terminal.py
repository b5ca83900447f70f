"""The terminal of a command: its colours, its columns, a person who answers."""

import os
import shutil
import sys
from collections.abc import Mapping


def colour_choice(environment: Mapping[str, str] | None = None) -> bool | None:
    """Return whether the environment asks for colours: True or False; None leaves it to the output, a terminal or not.

    ``NO_COLOR`` turns them off, ``FORCE_COLOR`` and ``CLICOLOR_FORCE`` on, also in a pipe; ``CLICOLOR=0`` and a
    terminal that knows no codes (``TERM=dumb``) turn them off. `NO_COLOR` wins. An empty variable says nothing.
    """
    given = os.environ if environment is None else environment
    if given.get("NO_COLOR"):
        return False
    if any(given.get(name, "") not in {"", "0"} for name in ("FORCE_COLOR", "CLICOLOR_FORCE")):
        return True
    if given.get("CLICOLOR") == "0" or given.get("TERM") == "dumb":
        return False
    return None


def terminal_width() -> int | None:
    """Return the columns of the terminal that the output goes to; None in a pipe or a file, where nothing is cut."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def text_width() -> int:
    """Return the columns to wrap sentences to: those of the terminal; in a pipe ``COLUMNS``, or 80."""
    return shutil.get_terminal_size().columns


def is_interactive() -> bool:
    """Return whether a person reads the output and can answer."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()
