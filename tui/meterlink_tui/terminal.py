"""Whether a full-screen program can run here; asked before the first escape code is written."""

import os
import sys
from collections.abc import Mapping
from typing import TextIO

from meterlink.core.errors import MeterlinkError

_REMEDY = (
    "Run `meterlink history` to see held readings as text, or `meterlink demo --headless` to try it without a screen."
)


class NoTerminalError(MeterlinkError):
    """Nobody is looking at this output, or it cannot draw a screen."""

    exit_code = 2


def check_terminal(
    stdin: TextIO | None = None, stdout: TextIO | None = None, environment: Mapping[str, str] | None = None
) -> None:
    """Raise NoTerminalError unless both ends are a terminal that can draw a screen.

    The streams and the environment default to this process's own.
    """
    stdin, stdout = stdin or sys.stdin, stdout or sys.stdout
    term = (os.environ if environment is None else environment).get("TERM", "")
    for stream, what in ((stdin, "Input"), (stdout, "Output")):
        if not stream.isatty():
            raise NoTerminalError(f"The dashboard needs a terminal: {what.lower()} is not one.", _REMEDY)
    # Windows consoles set no TERM; everywhere else an empty one means nobody knows how to draw there.
    if term in {"dumb", "unknown"} or (not term and sys.platform != "win32"):
        raise NoTerminalError(f"The dashboard cannot draw on this terminal (TERM is {term or 'not set'}).", _REMEDY)
