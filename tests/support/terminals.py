"""A program in a real terminal: tmux runs it, types keys and reads the screen."""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

TMUX = shutil.which("tmux")
LIMIT = 90.0  # s; a limit, not a wait


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
