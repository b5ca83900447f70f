"""Virtual time: an event loop that jumps to its next timer instead of sleeping.

Hours of simulated measuring run in moments, and callbacks run in the same order every time. Code under test needs no
change: it keeps using ``asyncio.sleep``, ``asyncio.timeout`` and ``loop.time()``.
"""

import asyncio
import concurrent.futures
import contextvars
import selectors
import sys
import time
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from typing import Any, TypeVar, TypeVarTuple

from meterlink.core.clock import Timestamp
from meterlink.core.errors import MeterlinkError

_T = TypeVar("_T")
_Ts = TypeVarTuple("_Ts")

# Real seconds of one wait for threads and sockets, before the loop checks again whether they are busy. Results wake the
# loop at once, so this only bounds the delay after work that ends without a result.
EXTERNAL_WAIT = 0.005

# Start of virtual time, for `VirtualClock`. It is fixed so that timestamps in tests never change.
VIRTUAL_START = datetime(2026, 7, 14, 13, 0, tzinfo=UTC)


class DeadlockError(MeterlinkError):
    """A `VirtualTimeLoop` can never run again: no callback is ready, no timer is set, no outside work is running."""


class _VirtualTimeSelector(selectors.DefaultSelector):
    """Polls files like its base class, and moves a virtual clock where the base class would sleep."""

    def __init__(self, busy: Callable[[], bool] | None, speed: float | None) -> None:
        super().__init__()
        self.now = 0.0
        self.outstanding = 0
        self._busy = busy
        self._speed = speed

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Return the ready files; with none ready, advance the clock by ``timeout`` s (None: no timer is set).

        Raises:
            DeadlockError: no file is ready, no timer is set and no outside work is running.
        """
        # Read before polling: work that ends in between has already woken the loop, so polling sees its result.
        busy = self.outstanding > 0 or (self._busy is not None and self._busy())
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if busy:
            return super().select(EXTERNAL_WAIT)
        if timeout is None:
            raise DeadlockError(
                "The virtual-time loop is stuck: nothing is ready, no timer is set and no thread is at work.",
                "Look for a future that is never completed; for sockets or own threads pass `busy`.",
            )
        if self._speed is not None:
            begin = time.monotonic()
            if ready := super().select(timeout / self._speed):
                self.now += min(timeout, (time.monotonic() - begin) * self._speed)
                return ready
        self.now += timeout
        return ready


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop with virtual time, starting at 0 s.

    Time does not pass while callbacks run; it jumps to the next timer when none is ready. Sockets are polled before
    every jump. While a future of ``run_in_executor`` (also ``asyncio.to_thread``) is running, or ``busy()`` is true,
    the loop waits in real time, so a jump never overtakes the result of a thread or a socket. ``busy`` must turn false
    in the end, or time never passes. ``speed`` is virtual seconds per real second; None jumps without waiting. The loop
    raises `DeadlockError` where an ordinary loop would wait for ever.
    """

    def __init__(self, *, busy: Callable[[], bool] | None = None, speed: float | None = None) -> None:
        self._virtual_selector = _VirtualTimeSelector(busy, speed)
        super().__init__(self._virtual_selector)

    def time(self) -> float:
        """Return the virtual seconds since the loop was made."""
        return self._virtual_selector.now

    def run_in_executor(
        self, executor: concurrent.futures.Executor | None, func: Callable[[*_Ts], _T], *args: *_Ts
    ) -> asyncio.Future[_T]:
        """Run ``func`` in a thread or process; virtual time does not pass until it is done."""
        future = super().run_in_executor(executor, func, *args)
        self._virtual_selector.outstanding += 1
        # An empty context, so that the caller's is not kept alive by the callback.
        future.add_done_callback(self._on_executor_done, context=contextvars.Context())
        return future

    def _on_executor_done(self, _future: object) -> None:
        self._virtual_selector.outstanding -= 1

    if sys.version_info >= (3, 12):
        # The parameter is the base class's, hence the exception from the rule.
        async def shutdown_default_executor(self, timeout: float | None = None) -> None:  # noqa: ASYNC109
            """Wait for the default executor's threads; ``timeout`` is in virtual seconds."""
            self._virtual_selector.outstanding += 1
            try:
                await super().shutdown_default_executor(timeout)
            finally:
                self._virtual_selector.outstanding -= 1

    else:

        async def shutdown_default_executor(self) -> None:
            """Wait for the default executor's threads."""
            self._virtual_selector.outstanding += 1
            try:
                await super().shutdown_default_executor()
            finally:
                self._virtual_selector.outstanding -= 1


class VirtualClock:
    """A `meterlink.core.clock.Clock` that follows a loop's time from a fixed start in UTC."""

    def __init__(self, start: datetime = VIRTUAL_START, loop: asyncio.AbstractEventLoop | None = None) -> None:
        self._start_ns = round(start.timestamp()) * 1_000_000_000
        self._loop = loop or asyncio.get_running_loop()

    def now(self) -> Timestamp:
        """Return the loop's present moment; ``monotonic_ns`` is the loop's own time."""
        now_ns = round(self._loop.time() * 1_000_000_000)
        return Timestamp(self._start_ns + now_ns, now_ns)


def run_in_virtual_time(
    coroutine: Coroutine[Any, Any, _T], *, busy: Callable[[], bool] | None = None, speed: float | None = None
) -> _T:
    """Run ``coroutine`` on a fresh `VirtualTimeLoop` and return its result; tasks it left running are cancelled.

    Raises:
        DeadlockError: ``coroutine`` waits for an event that never happens.
    """
    with asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(busy=busy, speed=speed)) as runner:
        return runner.run(coroutine)
