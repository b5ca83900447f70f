"""Drawing by events: at once after a quiet time, and never more often than a floor on the interval allows."""

import asyncio
from collections.abc import Callable


class PacedAction:
    """Calls ``action`` after a `request`, at most once in ``interval`` s; between requests nothing runs.

    The first request after a quiet time is carried out in the loop's next turn, so that the changes of one turn are
    gathered. Later requests wait until ``interval`` has passed since the last call.
    """

    def __init__(self, action: Callable[[], object], interval: float) -> None:
        self._action = action
        self._interval = interval
        self._last_call = float("-inf")  # s of the loop's time
        self._timer: asyncio.TimerHandle | None = None

    def request(self) -> None:
        """Call the action as soon as the interval allows; call this in the event loop's thread."""
        if self._timer is None:
            loop = asyncio.get_running_loop()
            self._timer = loop.call_at(max(loop.time(), self._last_call + self._interval), self._call)

    def cancel(self) -> None:
        """Forget a request that is not carried out yet."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _call(self) -> None:
        self._timer = None
        self._last_call = asyncio.get_running_loop().time()
        self._action()
