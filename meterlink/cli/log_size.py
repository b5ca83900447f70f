"""The size of a log in a file that nobody rotates: that of a daemon which a dashboard has started."""

import asyncio
import os
import stat
import sys
from contextlib import suppress

# Some days of a busy station, or an hour of the worst fault; the last lines are those that are read.
LARGEST = 4_000_000  # bytes
_PERIOD = 60.0  # s


async def keep_short(descriptor: int) -> None:
    """Shorten the file of a descriptor once a minute, until cancelled; see `shorten`."""
    while True:
        await asyncio.sleep(_PERIOD)
        with suppress(OSError):  # a full disk, a closed descriptor: the log is the least that matters then
            shorten(descriptor)


def shorten(descriptor: int, largest: int = LARGEST) -> None:
    """Keep the last half of a file that is larger than ``largest`` bytes; leave a terminal, a pipe or a smaller file.

    From then on the descriptor appends: the next line goes to the end, wherever that is now.

    Raises:
        OSError: the disk is full or fails.
    """
    if sys.platform == "win32":
        return  # nothing reads at a place of a file there without moving the descriptor
    import fcntl  # noqa: PLC0415  # not on every platform

    state = os.fstat(descriptor)
    if not stat.S_ISREG(state.st_mode) or state.st_size <= largest:
        return
    fcntl.fcntl(descriptor, fcntl.F_SETFL, fcntl.fcntl(descriptor, fcntl.F_GETFL) | os.O_APPEND)
    kept = os.pread(descriptor, largest // 2, state.st_size - largest // 2)
    os.ftruncate(descriptor, 0)
    os.write(descriptor, kept.partition(b"\n")[2])  # from a line's beginning
