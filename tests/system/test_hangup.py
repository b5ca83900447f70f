"""SIGHUP to a real daemon: in a real terminal that is closed, in one that stays open, and without one."""

import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="terminals and signals of Unix")
LIMIT = 60.0  # s; a limit, not a wait


def until(condition: Callable[[], bool], why: str) -> None:
    limit = time.monotonic() + LIMIT
    while not condition():
        assert time.monotonic() < limit, why
        time.sleep(0.05)


class Daemon:
    """``meterlink run`` with its log in a file; ``prefix`` is the program that starts it."""

    def __init__(self, folder: Path, *prefix: str) -> None:
        self.folder = folder
        self.log = folder / "log"
        self._command = [*prefix, sys.executable, "-m", "meterlink", "run", "--data", str(folder)]

    def start_in_terminal(self) -> tuple[int, int]:
        """Start it in a terminal of its own; return its process and the other end of the terminal."""
        process, terminal = pty.fork()
        if process == 0:  # pragma: no cover
            signal.signal(signal.SIGHUP, signal.SIG_DFL)  # the tests themselves may run below nohup
            os.chdir(self.folder)  # nohup writes its file into the present folder
            log = os.open(self.log, os.O_WRONLY | os.O_CREAT)
            os.dup2(log, 2)
            os.execvp(self._command[0], self._command)  # noqa: S606  # as a login does
        self.wait_until_it_runs()
        return process, terminal

    @contextmanager
    def without_terminal(self) -> Iterator[subprocess.Popen[bytes]]:
        with (
            self.log.open("wb") as log,
            subprocess.Popen(self._command, stderr=log, stdin=subprocess.DEVNULL, start_new_session=True) as process,
        ):
            try:
                self.wait_until_it_runs()
                yield process
            finally:
                process.kill()

    def wait_until_it_runs(self) -> None:
        until((self.folder / "station.sock").exists, "it did not start")

    def wait_for(self, text: str) -> None:
        until(lambda: text in self.log.read_text(), f"{text!r} is not in the log:\n{self.log.read_text()}")


def ended(process: int) -> int:
    """Return the exit status, as a shell has it."""
    found: list[int] = []

    def has_ended() -> bool:
        done, status = os.waitpid(process, os.WNOHANG)
        if done:
            found.append(os.waitstatus_to_exitcode(status))
        return bool(done)

    until(has_ended, "it runs on")
    return found[0]


@pytest.mark.fault("terminal-closed")
def test_a_terminal_that_is_closed_ends_the_daemon_as_sigterm_does(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    process, terminal = daemon.start_in_terminal()
    os.close(terminal)
    assert ended(process) == 0
    assert "The terminal has been closed." in daemon.log.read_text()
    assert not (tmp_path / "station.sock").exists(), "it has cleaned up"


@pytest.mark.fault("terminal-closed")
def test_a_daemon_below_a_shell_ends_with_its_terminal(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, "sh", "-c", '"$@"; true', "sh")
    shell, terminal = daemon.start_in_terminal()
    os.close(terminal)
    assert ended(shell) == -signal.SIGHUP
    until(lambda: not (tmp_path / "station.sock").exists(), "the daemon runs on")
    daemon.wait_for("The terminal has been closed.")


@pytest.mark.fault("reload-signal")
def test_in_an_open_terminal_the_settings_are_read_again(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    process, terminal = daemon.start_in_terminal()
    os.kill(process, signal.SIGHUP)
    daemon.wait_for("The settings were read again: nothing has changed.")
    (tmp_path / "settings.toml").write_text("nonsense", encoding="utf-8")
    os.kill(process, signal.SIGHUP)
    daemon.wait_for("The settings were not read again; those before stay in force.")
    os.kill(process, signal.SIGTERM)
    assert ended(process) == 0
    os.close(terminal)


@pytest.mark.fault("reload-signal")
def test_without_a_terminal_it_only_reads_the_settings(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    with daemon.without_terminal() as process:
        for _ in range(3):
            process.send_signal(signal.SIGHUP)
        daemon.wait_for("The settings were read again")
        assert process.poll() is None
        process.terminate()
        assert process.wait(LIMIT) == 0


@pytest.mark.fault("terminal-closed")
def test_nohup_outlives_the_terminal(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, "nohup")
    process, terminal = daemon.start_in_terminal()
    os.close(terminal)
    os.kill(process, signal.SIGHUP)
    daemon.wait_for("The settings were read again")
    os.kill(process, signal.SIGTERM)
    assert ended(process) == 0
