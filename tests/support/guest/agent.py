"""The agent, process 1 of the guest: it does as the host says, a line of JSON for each request and each answer.

A request has ``id``, ``do`` and the arguments; the answer has the ``id`` and ``result``, or ``error``. The first
line is sent unasked when the guest is up. Requests are handled in order, one at a time.
"""

import contextlib
import importlib
import json
import multiprocessing
import os
import runpy
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

PORT_NAME = "meterlink.agent"
METERS_SOCKET = "/run/meters.sock"


def open_port() -> int:
    """Return the file of the virtual serial port to the host."""
    for name in Path("/sys/class/virtio-ports").glob("*/name"):
        if name.read_text().strip() == PORT_NAME:
            return os.open(f"/dev/{name.parent.name}", os.O_RDWR)
    raise FileNotFoundError(PORT_NAME)


# Loaded once, then a command of Meterlink is a fork of the agent: under emulation the imports of a command take 6 s.
_PRELOADED = (
    "bleak.backends.bluezdbus.client",
    "bleak.backends.bluezdbus.scanner",
    "meterlink.cli.find",
    "meterlink.cli.main",
    "meterlink.cli.run",
    "meterlink.cli.visit",
    "meterlink.publish.publisher",
    "meterlink.store.schema",
    "meterlink_drivers.presented",
)


class _Program(subprocess.Popen[bytes]):
    """A program of the system; its output is added to a file."""

    def __init__(self, argv: Sequence[str], env: dict[str, str], log: str) -> None:
        with Path(log).open("ab") as output:
            super().__init__(argv, env={**os.environ, **env}, stdin=subprocess.DEVNULL, stdout=output, stderr=output)

    def status(self, timeout: float) -> int | None:
        """Return the exit status; None if it still runs after ``timeout`` s."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            return self.wait(timeout)
        return None


class _Module:
    """A module of Python, run as ``python -m`` would, in a fork of the agent; its output is added to a file."""

    def __init__(self, argv: Sequence[str], env: dict[str, str], log: str) -> None:
        self._process = multiprocessing.get_context("fork").Process(target=self._run, args=(argv, env, log))
        self._process.start()
        assert self._process.pid is not None
        self.pid = self._process.pid

    def _run(self, argv: Sequence[str], env: dict[str, str], log: str) -> None:
        output = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        for stream in (1, 2):
            os.dup2(output, stream)
        os.environ.update(env)
        sys.argv[:] = argv
        runpy.run_module(argv[0], run_name="__main__", alter_sys=True)

    def status(self, timeout: float) -> int | None:
        """Return the exit status, negative for a signal; None if it still runs after ``timeout`` s."""
        self._process.join(timeout)
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        """Send a signal; nothing happens if it has ended."""
        if self._process.is_alive():
            os.kill(self.pid, number)


class Agent:
    """Handles requests; remembers the processes that it started."""

    def __init__(self) -> None:
        self._processes: dict[int, _Program | _Module] = {}

    def handle(self, request: dict[str, Any]) -> Any:
        """Handle a request and return the result; an error of any kind is the answer's."""
        handlers: dict[str, Callable[..., Any]] = {
            "preload": self.preload,
            "start": self.start,
            "signal": self.signal,
            "wait": self.wait,
            "query": self.query,
            "meters": self.ask_meters,
            "time": time.time,
        }
        arguments = {key: value for key, value in request.items() if key not in {"id", "do"}}
        return handlers[request["do"]](**arguments)

    def preload(self) -> None:
        """Load the modules that commands need."""
        for name in _PRELOADED:
            importlib.import_module(name)

    def start(self, argv: list[str], env: dict[str, str], log: str, *, module: bool) -> int:
        """Start a program, or a Python module, whose output is added to the file ``log``; return its process id."""
        process = (_Module if module else _Program)(argv, env, log)
        self._processes[process.pid] = process
        return process.pid

    def signal(self, pid: int, number: int) -> None:
        """Send a signal to a process that was started; nothing happens if it has ended."""
        self._processes[pid].send_signal(number)

    def wait(self, pid: int, timeout: float) -> int | None:
        """Return the exit status of a process that was started; None if it still runs after ``timeout`` s."""
        return self._processes[pid].status(timeout)

    def query(self, path: str, sql: str, values: list[Any]) -> list[Any]:
        """Return the rows of a query of a database; none while there is no database."""
        if not Path(path).exists():
            return []
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            return connection.execute(sql, values).fetchall()

    def ask_meters(self, line: dict[str, Any]) -> Any:
        """Pass a request on to the simulated meters."""
        with socket.socket(socket.AF_UNIX) as link:
            link.connect(METERS_SOCKET)
            with link.makefile("rw", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
                file.flush()
                answer = json.loads(file.readline())
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return answer["result"]


def main() -> None:
    """Serve the host for ever: if process 1 ends, the guest ends."""
    agent = Agent()
    port = open_port()
    with open(port, "rb", buffering=0, closefd=False) as requests:

        def answer(message: dict[str, Any]) -> None:
            data = json.dumps(message).encode() + b"\n"
            while data:
                data = data[os.write(port, data) :]

        answer({"up": time.time()})
        rest = b""
        while True:
            rest += requests.read(65536) or b""
            *lines, rest = rest.split(b"\n")
            for line in lines:
                request = json.loads(line)
                try:
                    answer({"id": request["id"], "result": agent.handle(request)})
                except Exception as error:  # noqa: BLE001 - the test gets every error of its request
                    answer({"id": request["id"], "error": repr(error)})


if __name__ == "__main__":
    main()
