"""Commands run in this process, as a user types them."""

import json
import os
from contextlib import redirect_stderr, redirect_stdout
from io import BytesIO, TextIOWrapper
from typing import Any, NamedTuple
from unittest.mock import patch

import pytest

from meterlink.cli.main import main


class CommandResult(NamedTuple):
    """The exit status of a command, its standard output and its standard error."""

    status: int
    out: str
    err: str


def run_command(*args: str) -> CommandResult:
    """Run ``meterlink`` with ``args``."""
    # Streams of bytes inside, as a pipe has: JSON is written as bytes.
    out, err = (TextIOWrapper(BytesIO(), encoding="utf-8", newline="\n", write_through=True) for _ in range(2))
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main(list(args))
    assert isinstance(ended.value.code, int)
    return CommandResult(ended.value.code, _text(out), _text(err))


class _Terminal(TextIOWrapper):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def run_on_terminal(columns: int, *args: str) -> str:
    """Run ``meterlink`` with ``args`` on a terminal of so many columns; return its output, with its colours."""
    out = _Terminal(BytesIO(), encoding="utf-8", newline="\n", write_through=True)
    given = {"COLUMNS": str(columns), "TERM": "xterm", "NO_COLOR": "", "FORCE_COLOR": "", "CLICOLOR": ""}
    with patch.dict(os.environ, given), redirect_stdout(out), pytest.raises(SystemExit):
        main(list(args))
    return _text(out)


def _text(stream: TextIOWrapper) -> str:
    stream.seek(0)
    return stream.read()


def parse_json(text: str) -> Any:
    """Return the value of a JSON text; NaN and infinities, which JSON does not have, fail the test."""
    return json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))


def run_for_json(*args: str) -> Any:
    """Run ``meterlink`` with ``args`` and ``--json``, which must succeed, and return the value printed."""
    status, out, err = run_command(*args, "--json")
    assert (status, err) == (0, "")
    return parse_json(out)
