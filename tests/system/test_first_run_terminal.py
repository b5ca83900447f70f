"""``meterlink`` alone in a real terminal: a pseudo-terminal types, reads the answers and sends Ctrl+C and Ctrl+D."""

import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

LIMIT = 60.0  # s; a limit, not a wait
PATIENCE = 5.0  # s; a person waits as long before another Ctrl+C
# The pseudo-terminal becomes the controlling one, so that Ctrl+C is a signal; a test runner may have it ignored.
_LAUNCH = """
import fcntl, signal, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGINT, signal.default_int_handler)
from meterlink.cli.main import main
main([])
"""
CTRL_C, CTRL_D, UP = "\x03", "\x04", "\x1b[A"


class Typist:
    """A process on a pseudo-terminal of 80x24."""

    def __init__(self, folder: Path, **environment: str) -> None:
        self._controller, terminal = pty.openpty()
        self._process = subprocess.Popen(
            [sys.executable, "-c", _LAUNCH],
            stdin=terminal, stdout=terminal, stderr=terminal, start_new_session=True,
            env=os.environ | {"METERLINK_DATA": str(folder), "TERM": "xterm", "COLUMNS": "80"} | environment,
        )  # fmt: skip
        os.close(terminal)
        self.text = ""

    def until(self, words: str) -> str:
        """Return everything printed since the last call, once it has ``words``."""
        end = time.monotonic() + LIMIT
        while words not in self.text:
            assert time.monotonic() < end, f"{words!r} did not appear:\n{self.text}"
            self._read()
        text, self.text = self.text, ""
        return text

    def type(self, text: str) -> None:
        os.write(self._controller, text.encode())

    def status(self, again: str = "") -> int:
        """Return the exit status; all output is read meanwhile.

        ``again`` is typed again while the program goes on: a signal that comes between its prompt and its wait for the
        keyboard is seen with the next one, as any program's.
        """
        begun = time.monotonic()
        pressed = 1
        while self._process.poll() is None:
            waited = time.monotonic() - begun
            assert waited < LIMIT, self.text
            self._read()
            if again and waited > pressed * PATIENCE:
                self.type(again)
                pressed += 1
        self._read()
        return self._process.returncode

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        os.close(self._controller)

    def _read(self) -> None:
        if select.select([self._controller], [], [], 0.1)[0]:
            try:
                self.text += os.read(self._controller, 1 << 16).decode(errors="replace").replace("\r", "")
            except OSError:  # Linux: the other end is closed
                return


@pytest.fixture
def typists(tmp_path: Path) -> Iterator[list[Typist]]:
    opened: list[Typist] = []
    yield opened
    for typist in opened:
        typist.close()


def test_nonsense_help_and_quit(tmp_path: Path, typists: list[Typist]) -> None:
    typist = Typist(tmp_path)
    typists.append(typist)
    assert "\x1b[1m1" in typist.until("What would you like to do? ")  # bold keys
    for nonsense in ("7\n", "\n", "die Katze\n", UP + "\n"):
        typist.type(nonsense)
        assert "ype 1, 2, 3, help or quit." in typist.until("What would you like to do? ")
    typist.type("help\n")
    assert "Usage: meterlink" in typist.until("What would you like to do? ")
    typist.type("quit\n")
    assert typist.status() == 0
    assert "Traceback" not in typist.text


@pytest.mark.parametrize(("key", "status"), [(CTRL_D, 0), (CTRL_C, 130)])
def test_ctrl_d_and_ctrl_c(tmp_path: Path, typists: list[Typist], key: str, status: int) -> None:
    typist = Typist(tmp_path, NO_COLOR="1")
    typists.append(typist)
    assert "\x1b" not in typist.until("What would you like to do? ")
    typist.type("2\n")
    typist.until("Which site?")
    typist.type(key)
    if key == CTRL_D:  # the end of the input of one question goes back
        typist.until("What would you like to do? ")
        typist.type(key)
    assert typist.status(again=key if key == CTRL_C else "") == status
    assert "Traceback" not in typist.text


def test_a_visit_is_begun_and_the_dashboard_opens(tmp_path: Path, typists: list[Typist]) -> None:
    typist = Typist(tmp_path)
    typists.append(typist)
    for question, answer in (
        ("What would you like to do? ", "2"),
        ("Which site?", "Mill Lane bakery"),
        ("Which unit at Mill Lane bakery?", "Condenser 1"),
        ("What kind of unit is it?", ""),
    ):
        typist.until(question)
        typist.type(f"{answer}\n")
    screen = typist.until("CAUTION")
    assert "Condenser 1" in re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", screen)
    typist.type("q")
    assert typist.status() == 0
    assert "Traceback" not in typist.text
