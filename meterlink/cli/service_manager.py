"""Telling systemd how the daemon is: ready, reloading, stopping, and alive (sd_notify(3)).

The protocol is a datagram of lines to the socket that ``NOTIFY_SOCKET`` names. Without one nothing is sent.
"""

import asyncio
import logging
import os
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import suppress

log = logging.getLogger(__name__)


class ServiceManager:
    """Sends the daemon's state with ``send``. ``watchdog`` is the manager's limit in s, None if it has none."""

    def __init__(self, send: Callable[[str], None], watchdog: float | None) -> None:
        self._send = send
        self._watchdog = watchdog
        self._stall = ""

    @classmethod
    def of_environment(cls, environment: Mapping[str, str] | None = None) -> "ServiceManager":
        """Return the manager that started this process; one that gets nothing if none did."""
        given = os.environ if environment is None else environment
        address = given.get("NOTIFY_SOCKET", "")
        if not address.startswith(("/", "@")):
            return cls(lambda _: None, None)
        limit = given.get("WATCHDOG_USEC", "")
        is_watched = limit.isdecimal() and given.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        return cls(lambda text: _send(address, text), int(limit) / 1e6 if is_watched else None)

    def ready(self) -> None:
        """Tell that the start is complete."""
        self._send("READY=1\nSTATUS=Collecting readings.")

    def reloading(self) -> None:
        """Tell that the settings are being read again; `ready` ends it."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """Tell that the daemon ends."""
        self._send("STOPPING=1")

    async def feed_watchdog(self, stall: Callable[[], str]) -> None:
        """Tell twice in each period of the watchdog that the daemon is alive, until cancelled.

        ``stall`` returns a sentence if a part of the daemon hangs: then nothing is told, and the manager starts the
        daemon again. An event loop that hangs tells nothing either, since this is a task of it.
        """
        if self._watchdog is None:
            return
        while True:
            problem = stall()
            if not problem:
                self._send("WATCHDOG=1")
            elif problem != self._stall:
                log.error("%s The service manager will start the daemon again.", problem)
            self._stall = problem
            await asyncio.sleep(self._watchdog / 2)


def _send(address: str, text: str) -> None:
    # An address that begins with @ is abstract: its first byte is NUL (unix(7)).
    target = f"\0{address[1:]}" if address.startswith("@") else address
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:  # the manager may be gone
        channel.settimeout(0)  # a full queue must not stop the daemon
        channel.sendto(text.encode(), target)
