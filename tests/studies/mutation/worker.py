"""A process that runs tests of one copy of the tree, each time in a fork that has the libraries imported already.

It reads lines of JSON, ``{"tests": [...], "seconds": limit}``, and answers each with an outcome, until its input ends.
"""

import gc
import importlib
import json
import os
import signal
import sys
import tempfile
import time

import pytest

# What the tests import, or pytest loads. An import in each fork would cost more than most tests.
_LIBRARIES = (
    "cryptography.hazmat.primitives.asymmetric.ed25519",
    "hypothesis",
    "pint",
    "pytest_benchmark.plugin",
    "pytest_textual_snapshot",
    "sqlite_utils",
    "textual.app",
    "xdist.plugin",
)
_POLL = 0.02  # s; short beside the fastest run
_OPTIONS = ("-q", "-x", "-n0", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning")
_FAILED = 1  # pytest's own code of failed tests; any other code but 0 is an error of a changed module, too


def _run_tests(tests: list[str]) -> int:
    """Run the tests in a fork, silently; a changed module leaves no compiled file behind."""
    os.setsid()
    sys.dont_write_bytecode = True
    sink = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(sink, stream)
    # A short path: a socket below a longer one could not be opened.
    with tempfile.TemporaryDirectory(prefix="mut") as folder:
        return int(pytest.main([*_OPTIONS, "--hypothesis-seed=1", f"--basetemp={folder}/t", *tests]))


def _outcome(child: int, seconds: float) -> str:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return "killed" if status else "survived"
        time.sleep(_POLL)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "timeout"


def _serve() -> None:
    for library in _LIBRARIES:
        importlib.import_module(library)
    gc.freeze()  # a collection in a fork looks at its own objects only
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            code = _FAILED
            try:
                code = _run_tests(order["tests"])
            finally:
                os._exit(code)  # a fork never returns into the loop
        sys.stdout.write(f"{_outcome(child, order['seconds'])}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    _serve()
