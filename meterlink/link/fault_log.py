"""The log lines about watchers that misbehave: one line for many faults."""

import logging
import time
from collections.abc import Callable
from enum import StrEnum

log = logging.getLogger(__name__)

# A person who reads the log sees that it goes on; a watcher that sends nonsense all day writes 1,440 lines.
PERIOD = 60.0  # s


class Fault(StrEnum):
    """The kinds of faults; each is logged once in a `PERIOD`."""

    OTHER_ACCOUNT = "other account"
    WRONG_TOKEN = "wrong token"  # noqa: S105  # a name
    TOO_MANY = "too many"
    SILENT = "silent"
    NOT_READING = "not reading"
    NO_COMMAND = "no command"
    COMMAND_FAILED = "command failed"
    CONNECTION_FAILED = "connection failed"


class FaultLog:
    """Logs the first fault of a kind at once, then no other of it for `PERIOD`, and says how many were left out."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._logged: dict[Fault, float] = {}
        self._left_out: dict[Fault, int] = {}

    def add(self, fault: Fault, text: str) -> None:
        """Log ``text``, a sentence without its full stop, or count it."""
        now = self._now()
        if fault in self._logged and now - self._logged[fault] < PERIOD:
            self._left_out[fault] = self._left_out.get(fault, 0) + 1
            return
        self._logged[fault] = now
        left_out = self._left_out.pop(fault, 0)
        log.warning("%s%s.", text, f"; {left_out} more like it came before" if left_out else "")

    def close(self) -> None:
        """Log how many were left out since the last line of each kind."""
        for fault, number in self._left_out.items():
            log.warning("Left out: %d more watchers' faults of the kind '%s'.", number, fault)
        self._left_out.clear()
