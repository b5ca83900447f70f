"""Commands run in this process, as a user types them."""

import json
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from typing import Any, NamedTuple

import pytest

from meterlink.cli.main import main


class CommandResult(NamedTuple):
    """The exit status of a command, its standard output and its standard error."""

    status: int
    out: str
    err: str


def run_command(*args: str) -> CommandResult:
    """Run ``meterlink`` with ``args``."""
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main(list(args))
    assert isinstance(ended.value.code, int)
    return CommandResult(ended.value.code, out.getvalue(), err.getvalue())


def parse_json(text: str) -> Any:
    """Return the value of a JSON text; NaN and infinities, which JSON does not have, fail the test."""
    return json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))


def run_for_json(*args: str) -> Any:
    """Run ``meterlink`` with ``args`` and ``--json``, which must succeed, and return the value printed."""
    status, out, err = run_command(*args, "--json")
    assert (status, err) == (0, "")
    return parse_json(out)
