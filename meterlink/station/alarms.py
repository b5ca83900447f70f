"""The alarms of a station for somebody far away: a retained message with the present problems."""

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress

from meterlink.core.clock import Clock, format_rfc3339
from meterlink.core.errors import StoreError
from meterlink.link.messages import ProblemView, StatusView
from meterlink.station.status import StationStatus

log = logging.getLogger(__name__)

# The disk fills and a clock loses its time in hours; a look costs a query of the database and some file status calls.
LOOK_PERIOD = 600.0  # s
# Faults come in groups: the radio, then each of its meters. And one that passes at once is none.
SETTLING_TIME = 2.0  # s


class Alarms:
    """Tells the problems of a station with ``tell`` as soon as they change; see `alarm_content`.

    `request` announces a change; between two of them `run` looks every `LOOK_PERIOD`. While the database cannot be
    read, the problems that ``present`` returns without it are told.
    """

    def __init__(
        self,
        status: StationStatus,
        present: Callable[[StatusView | None], Sequence[ProblemView]],
        tell: Callable[[Mapping[str, object]], None],
        clock: Clock,
    ) -> None:
        self._status = status
        self._present = present
        self._tell = tell
        self._clock = clock
        self._view: StatusView | None = None
        self._since: dict[tuple[str, str], str] = {}
        self._changed = asyncio.Event()

    def request(self) -> None:
        """Tell the present problems soon; call it in the event loop's thread."""
        self._changed.set()

    async def run(self) -> None:
        """Tell until cancelled."""
        while True:
            with suppress(StoreError):  # a fault of the database is among the notices
                self._view = await self._status.status()
            self._tell_present()
            with suppress(TimeoutError):
                async with asyncio.timeout(LOOK_PERIOD):
                    while True:
                        await self._changed.wait()
                        await asyncio.sleep(SETTLING_TIME)
                        self._changed.clear()
                        self._tell_present()

    def _tell_present(self) -> None:
        problems = self._present(self._view)
        now = format_rfc3339(self._clock.now().utc_ns)
        keys = [(problem["source"], problem["text"]) for problem in problems]
        self._since = {key: self._since.get(key, now) for key in keys}
        self._tell(alarm_content(problems, [self._since[key] for key in keys]))


def alarm_content(problems: Sequence[ProblemView], since: Sequence[str]) -> dict[str, object]:
    """Return the content of the message: ``state`` (``ok``, or the most severe level) and ``problems``.

    Each problem has ``source``, ``level``, ``text`` and ``since``, the RFC 3339 time at which it was first told.
    """
    levels = [str(problem["level"]) for problem in problems]
    return {
        "state": levels[0] if levels else "ok",
        "problems": [
            {"source": problem["source"], "level": level, "text": problem["text"], "since": begun}
            for problem, level, begun in zip(problems, levels, since, strict=True)
        ],
    }
