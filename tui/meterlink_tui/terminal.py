"""Checks before the first escape code is written that a full-screen program can run here."""

import os
import sys
from collections.abc import Mapping
from typing import TextIO

from meterlink.core.errors import MeterlinkError

_REMEDY = (
    "Run `meterlink history` to see accepted readings as text, or `meterlink demo --headless` to try it without a "
    "screen."
)


class NoTerminalError(MeterlinkError):
    """The input or the output is no terminal, or the terminal cannot draw a screen."""

    exit_code = 2


def check_terminal(
    stdin: TextIO | None = None, stdout: TextIO | None = None, environment: Mapping[str, str] | None = None
) -> None:
    """Check that input and output are a terminal that can draw a screen; by default those of this process.

    Raises:
        NoTerminalError: input or output is no terminal, or it cannot draw a screen.
    """
    stdin, stdout = stdin or sys.stdin, stdout or sys.stdout
    term = (os.environ if environment is None else environment).get("TERM", "")
    for stream, name in ((stdin, "input"), (stdout, "output")):
        if not stream.isatty():
            raise NoTerminalError(f"The dashboard needs a terminal, but its {name} is not a terminal.", _REMEDY)
    # Windows consoles set no TERM. On any other system, the terminal's escape codes are unknown without it.
    if term in {"dumb", "unknown"} or (not term and sys.platform != "win32"):
        raise NoTerminalError(f"The dashboard cannot draw on this terminal (TERM is {term or 'not set'}).", _REMEDY)
