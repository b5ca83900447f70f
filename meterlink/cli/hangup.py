"""The two meanings of SIGHUP: the terminal of the daemon hung up, or somebody asks for its settings to be read again.

The kernel and a shell send the first, a person or a service manager sends the second; the signal is the same. They are
told apart by the controlling terminal: after it hung up, ``/dev/tty`` cannot be opened any more (tty(4)). A daemon that
was started without one, by systemd or by the dashboard, or with nohup, has nothing to hang up.
"""

import asyncio
import logging
import os
import signal
from collections.abc import Awaitable, Callable
from contextlib import suppress

# A shell that leaves a job running (disown) sends no signal. After two looks without the terminal it is known that none
# will come: the signal comes within milliseconds of the hang-up.
CHECK_PERIOD = 5.0  # s

log = logging.getLogger(__name__)


def has_terminal() -> bool:
    """Return whether this process has a controlling terminal that has not hung up."""
    try:
        os.close(os.open("/dev/tty", os.O_RDONLY | os.O_NOCTTY))
    except OSError:
        return False
    return True


class TerminalWatch:
    """Tells whether a SIGHUP is that of the terminal. ``is_there`` returns whether the process has its terminal now."""

    def __init__(self, is_there: Callable[[], bool], *, ignores_hangups: bool) -> None:
        self._is_there = is_there
        self._may_hang_up = is_there() and not ignores_hangups
        self._was_missing = False

    def look(self) -> None:
        """Look for the terminal, every `CHECK_PERIOD`."""
        if not self._may_hang_up:
            return
        is_missing = not self._is_there()
        if is_missing and self._was_missing:
            self._may_hang_up = False  # it left without a signal
        self._was_missing = is_missing

    def has_hung_up(self) -> bool:
        """Return whether the signal that has just come means that the terminal hung up."""
        return self._may_hang_up and not self._is_there()


async def obey_hangups(stop: Callable[[], None], reload: Callable[[], Awaitable[None]]) -> None:
    """On each SIGHUP call ``stop`` if the terminal hung up, else ``reload``; until cancelled.

    On Windows, which has no such signal, it returns at once.
    """
    if not hasattr(signal, "SIGHUP"):
        return
    watch = TerminalWatch(has_terminal, ignores_hangups=signal.getsignal(signal.SIGHUP) is signal.SIG_IGN)
    received = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGHUP, received.set)
    try:
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(CHECK_PERIOD):
                    await received.wait()
            if not received.is_set():
                watch.look()
                continue
            received.clear()
            if watch.has_hung_up():
                log.info("The terminal has been closed.")
                stop()
            else:
                await reload()
    finally:
        loop.remove_signal_handler(signal.SIGHUP)
