"""The database files that a writer of this process has open: no other file is opened under such a name.

SQLite keeps one index of the log beside a database, and a lock on it. A process does not see its own locks (fcntl(2)):
to a second connection, to another file under the same name, the index looks abandoned, and it cuts the index to 3 bytes
(unixLockSharedMemory in https://sqlite.org/src/file/src/os_unix.c). The writer has it mapped into its memory, and the
system ends the process (SIGBUS), with all that was not committed.
"""

import threading
from pathlib import Path

from meterlink.core.errors import DatabaseMovedError

Identity = tuple[int, int]

opening = threading.RLock()
"""Held from opening a connection to its first query, and while a writer changes files: between the two, a reader could
meet the new index with the old file."""

_in_use: dict[Path, Identity | None] = {}


def identity(path: Path) -> Identity | None:
    """Return the numbers of the disk and of the file at ``path``; None if there is no file."""
    try:
        state = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError:
        return -1, -1  # a folder without the right to look into it, a broken disk: no file that we know
    return state.st_dev, state.st_ino


def note_in_use(path: Path) -> None:
    """Take the file at ``path`` as the one that a writer has just opened."""
    _in_use[path.resolve()] = identity(path)


def note_closed(path: Path) -> None:
    """Let any file be opened under this name from now on; none need be noted."""
    _in_use.pop(path.resolve(), None)


def refuse_another_file(path: Path) -> None:
    """Check that a connection just opened at ``path`` is one to the file that a writer of this process has open there.

    Raises:
        DatabaseMovedError: the file was removed, moved or replaced; the writer brings it back, or ends.
    """
    used = _in_use.get(path.resolve())
    if used is not None and identity(path) != used:
        raise DatabaseMovedError(
            f"{path} is no longer the file that the station has open.",
            "Try again: within a second the station brings it back, or ends and says why.",
        )
