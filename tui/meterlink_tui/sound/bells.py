"""Bell patterns through the terminal: a BEL byte sounds where the person is, also at the far end of SSH."""

import asyncio
from collections.abc import Callable, Mapping
from types import MappingProxyType

from meterlink_tui.sound.moments import Moment

BELL = "\a"
# Terminals join bells that follow each other within about a tenth of a second. Common practice, no source.
_BEAT = 0.3  # s
_PAUSE = 0.9  # s; a gap that is heard as one
PATTERNS: Mapping[Moment, tuple[float, ...]] = MappingProxyType(
    {
        Moment.WITHIN: (0.0,),
        Moment.OUTSIDE: (0.0, _BEAT),
        Moment.NO_VERDICT: (0.0, _PAUSE),
        Moment.CLOSE_CALL: (0.0, _PAUSE, _PAUSE + _BEAT),
        Moment.WRONG_FUNCTION: (0.0, _BEAT, _BEAT + _PAUSE, 2 * _BEAT + _PAUSE),
        Moment.STOP: tuple(number * _BEAT for number in range(7)),
    }
)
"""The times of the bells after each moment, in s: told apart by their count, and two of them by their rhythm."""


class BellRinger:
    """Writes the bells of a pattern by the event loop's clock. A new pattern replaces the one that still sounds."""

    def __init__(self, write: Callable[[str], object]) -> None:
        self._write = write
        self._timers: list[asyncio.TimerHandle] = []

    def ring(self, moment: Moment) -> None:
        """Begin the pattern of ``moment``: its first bell sounds at once."""
        self.silence()
        first, *later = PATTERNS[moment]
        loop = asyncio.get_running_loop()
        self._write(BELL)
        self._timers = [loop.call_later(time - first, self._write, BELL) for time in later]

    def silence(self) -> None:
        """Leave out the bells that are still to come."""
        for timer in self._timers:
            timer.cancel()
        self._timers = []
