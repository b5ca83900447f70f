"""One writer for each data folder: a file lock that the operating system releases when the process ends."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from meterlink.core.errors import DatabaseLockedError
from meterlink.core.permissions import PRIVATE_FILE
from meterlink.store.file_errors import store_error_class

if sys.platform == "win32":
    import msvcrt

    # On Windows other processes cannot use a locked byte, so it lies far behind the contents of any file that we lock.
    _LOCKED_BYTE = (1 << 31) - 1  # of `locking`, the largest position

    def try_lock(file: IO[bytes]) -> None:
        """Lock a file until it is closed, without waiting; raise OSError if another process has locked it."""
        os.lseek(file.fileno(), _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        os.lseek(file.fileno(), 0, os.SEEK_SET)

else:
    import fcntl

    def try_lock(file: IO[bytes]) -> None:
        """Lock a file until it is closed, without waiting; raise OSError if another process has locked it."""
        # flock, not lockf: it belongs to the open file, so it also excludes a second writer in this process.
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def private_opener(path: str, flags: int) -> int:
    """Open a file for `open`; a new one is its owner's alone."""
    return os.open(path, flags, PRIVATE_FILE)


class FileLock:
    """Locks ``PATH.lock`` from `acquire` to `release`. The file stays: its removal would race with the next writer."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self._path = database.with_name(database.name + ".lock")
        self._file: IO[bytes] | None = None

    def acquire(self) -> None:
        """Lock the file without waiting.

        Raises:
            DatabaseLockedError: another process has the lock; the message has its id.
            StoreError: the file cannot be opened; the class names the cause.
        """
        try:
            # Who can open the file, even only to read it, can lock it: no other account may.
            file = open(self._path, "a+b", buffering=0, opener=private_opener)  # noqa: SIM115  # until `release`
        except OSError as error:
            raise store_error_class(error)(
                f"{self._path} cannot be opened: {error.strerror}.", "Check that you may write in this folder."
            ) from error
        try:
            try_lock(file)
        except OSError as error:
            file.seek(0)
            holder = file.read(20).decode("ascii", "replace").strip()
            file.close()
            raise DatabaseLockedError(
                f"Another station (process {holder or 'unknown'}) is already recording to {self._database}.",
                "Stop it first, or give this one a folder of its own with --data.",
            ) from error
        with suppress(OSError):  # a full disk: the lock works, but others cannot read our id
            file.truncate(0)
            file.write(str(os.getpid()).encode("ascii"))
        self.release()  # of a file that has lost its name
        self._file = file

    def is_in_place(self) -> bool:
        """Return whether the locked file still has its name; without it another process can lock a new one."""
        if self._file is None:
            return False
        try:
            return os.path.samestat(os.fstat(self._file.fileno()), self._path.stat())
        except OSError:
            return False

    def release(self) -> None:
        """Unlock the file, if it is locked."""
        if self._file is not None:
            self._file.close()
            self._file = None


def lock_holder(database: Path) -> str:
    """Return the process that holds the lock of a database, ``unknown`` if it did not say; empty if nobody holds it."""
    path = database.with_name(database.name + ".lock")
    try:
        with path.open("rb", buffering=0) as file:
            try:
                try_lock(file)
            except OSError:
                return file.read(20).decode("ascii", "replace").strip() or "unknown"
    except OSError:
        pass  # there is none, or it is not ours to open
    return ""


@contextmanager
def exclusive_folder(database: Path, work: str) -> Iterator[None]:
    """Hold the lock of a database while the context lasts; ``work`` says for which: 'merging'.

    Raises:
        DatabaseLockedError: a station runs on its folder.
        StoreError: the lock file cannot be opened; the class names the cause.
    """
    lock = FileLock(database)
    try:
        lock.acquire()
    except DatabaseLockedError as error:
        raise DatabaseLockedError(
            f"A station runs on {database.parent}: {work} needs it stopped.",
            "End it (Ctrl+C in its window, or close the dashboard), then try again.",
        ) from error
    try:
        yield
    finally:
        lock.release()
