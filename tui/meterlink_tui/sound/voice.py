"""Speech by a program of the machine, espeak-ng. It is optional: without it nothing is missing but the voice."""

import shutil
import subprocess
from contextlib import suppress
from io import BytesIO
from typing import Protocol

PROGRAM = "espeak-ng"
_LONGEST_END = 1.0  # s; a process that is killed ends at once, unless its sound device hangs
# English voice; 150 words a minute are understood beside a running fan, the usual 175 less so. Common practice, no
# source. The text comes from standard input: no text can be taken for an option.
_ARGUMENTS = ("-v", "en", "-s", "150", "--stdin")


class Voice(Protocol):
    """Says words aloud."""

    def say(self, words: str) -> bool:
        """Begin to say ``words``; the saying before ends. Return whether that was possible."""
        ...

    def silence(self) -> None:
        """End the saying."""
        ...

    def close(self) -> None:
        """End the saying; no process is left."""
        ...


class SpeechProgram:
    """A voice that runs the speech program once for each saying, and never waits for it."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._process: subprocess.Popen[bytes] | None = None
        self._killed: list[subprocess.Popen[bytes]] = []
        self._is_usable = True

    def say(self, words: str) -> bool:
        """Begin to say ``words``; the saying before ends.

        Return False if the program cannot be started, or if it failed at the last saying, without a sound device.
        """
        if self._process is not None and self._process.poll() not in {None, 0}:
            self._is_usable = False
        self.silence()
        if not self._is_usable:
            return False
        try:
            self._process = subprocess.Popen(  # noqa: S603  # a fixed command; the text is its standard input
                [self._path, *_ARGUMENTS], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except OSError:
            self._is_usable = False
            return False
        # A saying is shorter than the buffer of a pipe: writing it never waits.
        with suppress(OSError), self._process.stdin or BytesIO() as text:
            text.write(words.encode())
        return True

    def silence(self) -> None:
        """Kill the process of the saying, without waiting for its end."""
        if self._process is not None:
            self._process.kill()
            self._killed.append(self._process)
            self._process = None
        self._killed = [process for process in self._killed if process.poll() is None]

    def close(self) -> None:
        """Kill the process of the saying, and wait for its end, at most `_LONGEST_END`."""
        self.silence()
        for process in self._killed:
            with suppress(subprocess.TimeoutExpired):
                process.wait(_LONGEST_END)


def find_voice() -> SpeechProgram | None:
    """Return the voice of this machine; None where the program is not installed."""
    path = shutil.which(PROGRAM)
    return SpeechProgram(path) if path else None
