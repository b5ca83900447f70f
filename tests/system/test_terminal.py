"""The demo in a real terminal: tmux runs it, types keys and reads the screen."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.tools import skip_without_tool

TMUX = shutil.which("tmux")
LIMIT = 90.0  # s; the demo plays in real time, a little over a minute in all


class Terminal:
    """A tmux session with its own server."""

    def __init__(self, folder: Path, columns: int, rows: int) -> None:
        assert TMUX is not None
        self._tmux = [TMUX, "-S", str(folder / "tmux"), "-f", os.devnull]
        self._size = ["-x", str(columns), "-y", str(rows)]
        self._folder = folder

    def run(self, *arguments: str) -> None:
        """Start Meterlink in the session and write its exit status to a file."""
        status = self._folder / "status"
        command = f"{sys.executable} -m meterlink {' '.join(arguments)}; echo $? > {status}; sleep 600"
        self._call("new-session", "-d", *self._size, f"sh -c '{command}'")

    def _call(self, *arguments: str) -> str:
        return subprocess.run([*self._tmux, *arguments], capture_output=True, text=True, check=True).stdout

    def screen(self) -> str:
        return self._call("capture-pane", "-p")

    def until(self, *texts: str) -> str:
        """Return the screen once it contains all ``texts``."""
        limit = time.monotonic() + LIMIT
        while not all(text in (screen := self.screen()) for text in texts):
            assert time.monotonic() < limit, f"{texts} did not appear:\n{screen}"
            time.sleep(0.1)
        return screen

    def press(self, *keys: str) -> None:
        self._call("send-keys", *keys)

    def status(self) -> str:
        limit = time.monotonic() + LIMIT
        while not (self._folder / "status").exists() and time.monotonic() < limit:
            time.sleep(0.1)
        return (self._folder / "status").read_text().strip()

    def close(self) -> None:
        subprocess.run([*self._tmux, "kill-server"], capture_output=True, check=False)


@pytest.fixture
def terminals(tmp_path: Path) -> Iterator[list[Terminal]]:
    """Terminals of 80x24 and 120x40."""
    if TMUX is None:
        skip_without_tool("tmux")
    opened = []
    for columns, rows in ((80, 24), (120, 40)):
        folder = tmp_path / f"{columns}x{rows}"
        folder.mkdir()
        opened.append(Terminal(folder, columns, rows))
    yield opened
    for terminal in opened:
        terminal.close()


def test_the_demo_in_two_terminals(terminals: list[Terminal]) -> None:
    # Both play at the same time: a demo takes half a minute to its third reading.
    for terminal in terminals:
        terminal.run("demo")
    for terminal in terminals:
        screen = terminal.until("1 of 8 accepted", "WITHIN", "234.8 V")
        assert "CAUTION" in screen
        assert "NEXT" in screen
    for terminal in terminals:
        terminal.press("c")
        terminal.until("Causes the readings point to")
        terminal.press("c")  # not Escape: a terminal reads Escape and a key soon after it as Alt and that key
        terminal.until("of 8 accepted", "NEXT")
        terminal.press("?")
        terminal.until("Keys (Esc closes)")
        terminal.press("?")
    for terminal in terminals:
        screen = terminal.until("43.72 µF", "OUTSIDE", "3 of 8 accepted")
        shown = " ".join(screen.split())
        assert "Follow local codes" in shown or "i more" in shown  # short after the first reading of its kind
    for terminal in terminals:
        terminal.press("q")
        assert terminal.status() == "0"
        # The program restores the terminal's own screen.
        assert "CAUTION" not in terminal.screen()
