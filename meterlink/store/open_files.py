"""The files of a database that a station has open: are they still at their paths?

SQLite reads and writes an open file by its descriptor. A file that was removed, moved or replaced still takes every
commit, and all of it is gone when the descriptor closes. Only a look at the paths shows it.
"""

import os
from enum import StrEnum
from pathlib import Path

from meterlink.core.errors import DamagedDatabaseError, NewerDatabaseError, NotADatabaseError, OlderDatabaseError
from meterlink.store.connections import connect_for_reading
from meterlink.store.file_in_use import identity

# https://sqlite.org/fileformat.html, 1.3: bytes 18 and 19 are 2 in a database with a write-ahead log, 1 in any other,
# as in a backup.
_HEADER_SIZE = 100
_LOG_VERSIONS = slice(18, 20)
_WITH_LOG = b"\2\2"


class FileFault(StrEnum):
    """The fault of a database's files, in words that follow the name of the database."""

    GONE = "was removed or moved"
    REPLACED = "was replaced by another file"
    OVERWRITTEN = "was overwritten by another program"
    LOG_LOST = "has lost the files beside it, with the newest readings,"
    TAKEN = "is used by another station"


class OpenFiles:
    """The database at ``path``, with its log, as the one writer has just opened them; ``boot_uid`` is its start's."""

    def __init__(self, path: Path, boot_uid: str) -> None:
        self._path = path
        self._boot_uid = boot_uid
        self._database = identity(path)
        # Kept open: to close any descriptor of the file drops SQLite's locks on it (sqlite.org/howtocorrupt.html, 2.2).
        self._descriptor = -1 if os.name == "nt" else os.open(path, os.O_RDONLY)
        target = path.resolve()  # of a link, the file that it leads to: there its log is, too
        logs = (target.with_name(target.name + end) for end in ("-wal", "-shm"))
        self._beside = {log: number for log in logs if (number := identity(log)) is not None}
        self._written = self._last_change()

    def close(self) -> None:
        """Close the file; the connection to it comes first."""
        if self._descriptor != -1:
            os.close(self._descriptor)
            self._descriptor = -1

    def note_own_writing(self) -> None:
        """Take the present time and size of the file as those of the writer's last change."""
        self._written = self._last_change()

    def fault(self) -> FileFault | None:
        """Return the fault of the files; None while all are in place. An empty file in place of the record is none."""
        number = identity(self._path)
        if number is None or (number != self._database and not _size(self._path)):
            return FileFault.GONE
        if number != self._database:
            return FileFault.REPLACED
        if self._last_change() != self._written:
            if not self._is_still_ours():
                return FileFault.OVERWRITTEN
            self.note_own_writing()  # somebody touched it
        if any(identity(log) != number for log, number in self._beside.items()):
            return FileFault.LOG_LOST
        return None

    def remove_own_logs(self) -> None:
        """Remove the files beside the database that were there when it was opened: SQLite takes any log for its own."""
        for log, number in self._beside.items():
            if identity(log) == number:
                log.unlink(missing_ok=True)

    def remove_logs(self) -> None:
        """Remove the files that are beside the database now; nothing that was committed is in them."""
        for log in self._beside:
            log.unlink(missing_ok=True)

    def move_log(self, target: Path) -> bool:
        """Give the log that was opened another name, and remove its index; return whether there was a log."""
        is_moved = False
        for log, number in self._beside.items():
            if identity(log) == number and log.name.endswith("-wal"):
                log.replace(target)
                is_moved = True
        self.remove_own_logs()
        return is_moved

    def _last_change(self) -> tuple[int, int] | None:
        # On Windows the time of an open file changes late, and an open database is not overwritten by a copy.
        if os.name == "nt":
            return None
        try:
            state = self._path.stat()
        except OSError:
            return None
        return state.st_mtime_ns, state.st_size

    def _is_still_ours(self) -> bool:
        """Return whether the file is a whole database with this start in it, although another program wrote to it."""
        try:
            header = os.pread(self._descriptor, _HEADER_SIZE, 0)
        except OSError:
            return True  # it cannot be looked at: the next commit shows it
        if len(header) < _HEADER_SIZE or header[_LOG_VERSIONS] != _WITH_LOG:
            return False
        try:
            with connect_for_reading(self._path) as connection:
                (state,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
                own = connection.execute("SELECT 1 FROM boots WHERE uid = ?", (self._boot_uid,)).fetchone()
        except (DamagedDatabaseError, NotADatabaseError, NewerDatabaseError, OlderDatabaseError):
            return False
        return state == "ok" and own is not None


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
