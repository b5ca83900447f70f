"""The lines that a person types at a terminal or sends through a pipe, each with the time of its first key."""

import asyncio
import os
import signal
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from meterlink.core.clock import Clock, Timestamp

_LONGEST_LINE = 1024  # bytes kept of a line without an end
_ECHO = 2  # standard error, where the messages to the person are
_END, _WORD, _ALL, _ESCAPE = 0x04, 0x17, 0x15, 0x1B  # Ctrl+D, Ctrl+W, Ctrl+U, Escape: the usual keys of a terminal
_ERASE = {0x08, 0x7F}  # Backspace, by the kind of terminal
_LAST_OF_SEQUENCE = range(0x40, 0x7F)  # ECMA-48, 5.4: the final byte of the sequence that an arrow key sends
_STEP_BACK = b"\b \b"


@dataclass(frozen=True, slots=True)
class TypedLine:
    """A typed line, the time of its Enter key, and the time of its first key (None: not known)."""

    text: str
    timestamp: Timestamp
    first_key: Timestamp | None = None


class LineEditor:
    """The line that is being typed at a terminal that sends each key at once.

    A line that was erased begins again with the next key.
    """

    def __init__(self) -> None:
        self._text = bytearray()
        self._first_key: Timestamp | None = None
        self._in_sequence = False
        self.ended = False

    def type_keys(self, keys: bytes, now: Timestamp) -> tuple[list[TypedLine], bytes]:
        """Return ``(finished lines, bytes to show on the terminal)`` for keys that were pressed at ``now``."""
        lines, shown = [], bytearray()
        for key in keys:
            if self._in_sequence:
                self._in_sequence = key not in _LAST_OF_SEQUENCE or key == ord("[")
            elif key in b"\r\n":
                lines.append(TypedLine(self._text.decode(errors="replace"), now, self._first_key))
                self._erase(len(self._text))
                shown += b"\r\n"
            elif key == _ESCAPE:
                self._in_sequence = True
            elif key in _ERASE:
                shown += self._erase(1)
            elif key == _ALL:
                shown += self._erase(len(self._text))
            elif key == _WORD:
                shown += self._erase(len(self._text) - self._text.rstrip().rfind(b" ") - 1)
            elif key == _END:
                self.ended = self.ended or not self._text
            elif key >= ord(" ") and len(self._text) < _LONGEST_LINE:
                self._first_key = self._first_key or now
                self._text.append(key)
                shown.append(key)
        return lines, bytes(shown)

    def _erase(self, number: int) -> bytes:
        """Remove bytes from the end, whole characters of UTF-8; return the bytes that clear them on the terminal."""
        kept = len(self._text) - number
        while 0 < kept < len(self._text) and self._text[kept] & 0xC0 == 0x80:
            kept -= 1
        erased = self._text[max(kept, 0) :].decode(errors="replace")
        del self._text[max(kept, 0) :]
        if not self._text:
            self._first_key = None
        return _STEP_BACK * len(erased)


async def read_typed_lines(descriptor: int, clock: Clock) -> AsyncIterator[TypedLine]:
    """Yield the lines of a file descriptor (0: standard input) as they are typed, until its end.

    A terminal sends each key at once meanwhile, so that the first key of a line has its time; the keys are shown as
    they are typed. From a pipe, the first byte of a line counts as its first key.
    """
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[TypedLine | None] = asyncio.Queue()

    def put(line: TypedLine | None) -> None:
        loop.call_soon_threadsafe(lines.put_nowait, line)

    with _single_keys(descriptor) as is_terminal:
        read = _read_keys if is_terminal else _read_lines
        # Reading blocks, so a thread reads. It is a daemon thread, so that the program can end while it waits for a
        # key. It bypasses Python's buffered streams, whose locks it would still have at the end.
        threading.Thread(target=read, args=(descriptor, clock, put), name="capture-read", daemon=True).start()
        while (line := await lines.get()) is not None:
            yield line


def _read_keys(descriptor: int, clock: Clock, put: Callable[[TypedLine | None], None]) -> None:
    editor = LineEditor()
    with suppress(RuntimeError):  # the loop was closed meanwhile
        while not editor.ended and (keys := _read(descriptor)):
            lines, shown = editor.type_keys(keys, clock.now())
            with suppress(OSError):
                os.write(_ECHO, shown)
            for line in lines:
                put(line)
        put(None)


def _read_lines(descriptor: int, clock: Clock, put: Callable[[TypedLine | None], None]) -> None:
    rest, begun = b"", None
    with suppress(RuntimeError):  # the loop was closed meanwhile
        while chunk := _read(descriptor):
            now = clock.now()
            *whole, rest = (rest + chunk).split(b"\n")
            rest = rest[-_LONGEST_LINE:]
            for line in whole:
                put(TypedLine(line.decode(errors="replace"), now, begun or now))
                begun = None
            begun = (begun or now) if rest else None
        if rest:
            put(TypedLine(rest.decode(errors="replace"), clock.now(), begun))
        put(None)


@contextmanager
def _single_keys(descriptor: int) -> Iterator[bool]:
    """Let a terminal send each key at once, without showing it; yield whether ``descriptor`` is one that can.

    Ctrl+C and Ctrl+Z go on working. A shell may restore its own mode while the program is stopped, so the mode is set
    again when it continues.
    """
    try:
        import termios  # noqa: PLC0415  # not on Windows, where lines are read whole

        before = termios.tcgetattr(descriptor)
    except (ImportError, OSError, ValueError):
        yield False
        return
    except termios.error:  # a pipe or a file
        yield False
        return
    keys = [*before]
    keys[3] &= ~(termios.ICANON | termios.ECHO)

    def set_keys() -> None:
        with suppress(termios.error):
            termios.tcsetattr(descriptor, termios.TCSADRAIN, keys)

    loop = asyncio.get_running_loop()
    set_keys()
    with suppress(NotImplementedError, ValueError, RuntimeError):  # a loop outside the main thread has no signals
        loop.add_signal_handler(signal.SIGCONT, set_keys)
    try:
        yield True
    finally:
        with suppress(NotImplementedError, ValueError, RuntimeError):
            loop.remove_signal_handler(signal.SIGCONT)
        with suppress(termios.error):  # the terminal was closed
            termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 4096)
    except OSError:  # a terminal that was closed
        return b""
