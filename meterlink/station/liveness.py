"""Whether the event loop and the writer's thread still work: measured by themselves."""

import asyncio
import logging
from collections.abc import Callable
from typing import Protocol

log = logging.getLogger(__name__)

PERIOD = 1.0  # s between two looks
# A pause that a person sees: the views of a meter come twenty times a second. Common practice, no source.
LONG_PAUSE = 1.0  # s
# A commit waits for the disk, and a lock of another program for 2 s. A worn card may take seconds, a disk that does not
# answer at all is given up by the kernel after 30 s (its default for a disk command, from memory).
WRITER_LIMIT = 60.0  # s
_KEPT = 3600.0  # s for which the longest pause is remembered


class WorkingWriter(Protocol):
    """The writer, as far as it is watched."""

    def working_for(self) -> float:
        """Return for how long its thread has worked on the present transaction, in s; infinite if it has ended."""


class LoopLag:
    """Measures by how much the event loop is late; ``longest`` is the longest pause of about the last hour, in s."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._pauses = [0.0, 0.0]  # the longest of the present half hour, and of the one before
        self._half_began = 0.0

    @property
    def longest(self) -> float:
        """The longest pause of the last half hour to hour, in s."""
        return max(self._pauses)

    async def run(self) -> None:
        """Measure until cancelled."""
        while True:
            before = self._now()
            await asyncio.sleep(PERIOD)
            self.add(self._now() - before - PERIOD)

    def add(self, pause: float) -> None:
        """Record that the loop was late by ``pause`` s."""
        if self._now() - self._half_began > _KEPT / 2:
            self._pauses, self._half_began = [0.0, self._pauses[0]], self._now()
        self._pauses[0] = max(self._pauses[0], pause)
        if pause > LONG_PAUSE:
            log.warning("The event loop stood still for %.1f s.", pause)


def stall(writer: WorkingWriter) -> str:
    """Return a sentence if the writer's thread hangs or has ended; empty while it works or waits."""
    seconds = writer.working_for()
    if seconds == float("inf"):
        return "The writer's thread has ended: nothing is saved."
    if seconds > WRITER_LIMIT:
        return f"The writer's thread has waited for the disk for {seconds:.0f} s."
    return ""
