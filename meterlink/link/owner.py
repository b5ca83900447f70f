"""A daemon's end of the pipe to the dashboard that started it: it ends with its owner, unless others watch it."""

import asyncio
import sys
import threading
from collections.abc import Callable

CLOSE = b"close\n"
"""The owner leaves in good order."""
WATCHED = b"watched\n"
"""The daemon's answer to `CLOSE` if it runs on, because others watch it."""

# An owner that is gone without a word was killed, or its terminal hung up: time to open another dashboard, which finds
# the station recording. A station that nobody watches for so long ends; common practice, no source.
UNWATCHED_TIMEOUT = 300.0  # s
_CHECK_PERIOD = 5.0  # s
# The owner's own connection may still be there when its word arrives.
_DISCONNECT_TIMEOUT = 1.0  # s


async def wait_until_left(has_watchers: Callable[[], bool]) -> None:
    """Return when the owner has left and nobody needs the daemon: at once, or unwatched for `UNWATCHED_TIMEOUT`."""
    if await _last_line_of_owner() == CLOSE:
        for _ in range(20):
            if not has_watchers():
                return
            await asyncio.sleep(_DISCONNECT_TIMEOUT / 20)
        sys.stdout.buffer.write(WATCHED)
        sys.stdout.buffer.flush()
    loop = asyncio.get_running_loop()
    unwatched_since = loop.time()
    while loop.time() - unwatched_since < UNWATCHED_TIMEOUT:
        await asyncio.sleep(_CHECK_PERIOD)
        if has_watchers():
            unwatched_since = loop.time()


async def _last_line_of_owner() -> bytes:
    """Return the owner's line on standard input; empty if it is gone without one."""
    loop = asyncio.get_running_loop()
    line: asyncio.Future[bytes] = loop.create_future()

    def report(text: bytes) -> None:
        if not line.done():  # else the daemon is ending
            line.set_result(text)

    def read() -> None:
        # The descriptor itself: a buffered reader would hold a lock that the end of the interpreter waits for.
        with open(sys.stdin.fileno(), "rb", buffering=0, closefd=False) as stdin:
            text = stdin.readline()
        if not loop.is_closed():
            loop.call_soon_threadsafe(report, text)

    threading.Thread(target=read, name="owner", daemon=True).start()
    return await line
