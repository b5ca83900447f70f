"""The one writing connection of a station, its lock, and its files, which somebody may remove, move or replace."""

import logging
import sqlite3
from collections.abc import Callable
from pathlib import Path

from meterlink.core.errors import DatabaseLockedError, DatabaseMovedError
from meterlink.store.connections import check_file, connect_for_writing
from meterlink.store.displaced import close_without_writing, keep_beside, make_folder, save_log, write_again
from meterlink.store.file_in_use import note_closed, note_in_use, opening
from meterlink.store.lock import FileLock
from meterlink.store.migration import migrate
from meterlink.store.older_versions import bring_up_to_date
from meterlink.store.open_files import FileFault, OpenFiles
from meterlink.store.restore import dated_name

_FINAL = {FileFault.REPLACED, FileFault.OVERWRITTEN, FileFault.TAKEN}

_log = logging.getLogger(__name__)


class OpenDatabase:
    """The database at ``path``, whose ``lock`` this process holds; ``watch`` is called with each new connection.

    `open` comes first, then `watch_files`. All calls come from one thread.
    """

    connection: sqlite3.Connection

    def __init__(self, path: Path, lock: FileLock, watch: Callable[[sqlite3.Connection], None]) -> None:
        self._path = path
        self._lock = lock
        self._watch = watch
        self._boot = 0
        self._files: OpenFiles | None = None

    def open(self) -> None:
        """Create the database, or open it and bring it up to date.

        Raises:
            StoreError: it is damaged, another program's or a newer Meterlink's, or the disk is full or fails.
            sqlite3.Error: SQLite could not open it.
        """
        check_file(self._path)
        self.connection = connect_for_writing(self._path)
        note_in_use(self._path)
        try:
            bring_up_to_date(self.connection, self._path)
            self.connection.row_factory = sqlite3.Row
        except BaseException:
            self.close()
            raise

    def watch_files(self, boot: int) -> None:
        """Take the files that are there now as those of this database; ``boot`` is the row id of this start."""
        self._boot = boot
        self._watch(self.connection)
        (uid,) = self.connection.execute("SELECT uid FROM boots WHERE id = ?", (boot,)).fetchone()
        self._files = OpenFiles(self._path, uid)

    def note_own_writing(self) -> None:
        """Take the present time and size of the file as those of the writer's last change."""
        self._watched.note_own_writing()

    def fault(self) -> FileFault | None:
        """Return the fault of the files; None while they are in place. A lock that is gone is locked again.

        Raises:
            StoreError: the folder is gone and cannot be made again.
        """
        if not self._lock.is_in_place():
            make_folder(self._path.parent)
            try:
                self._lock.acquire()
            except DatabaseLockedError:
                return FileFault.TAKEN
            _log.warning("The lock of %s was removed while the station runs; it was made again.", self._path)
        return self._watched.fault()

    def mend(self, fault: FileFault) -> str:
        """Bring the record back to its place, with every commit; return the result as a sentence.

        Raises:
            DatabaseMovedError: that cannot be: another file, or another station, is in its place. The record is kept
                beside it where that can be.
            StoreError: the disk is full or fails; a later try may succeed.
        """
        if fault in _FINAL:
            raise self._give_way(fault)
        if fault is FileFault.LOG_LOST:
            save_log(self.connection, self._path)
            done = "They were made again, and nothing is lost."
        else:
            write_again(self.connection, self._path)
            done = (
                "It was written again, with every reading. A file that was moved may lack the newest readings. To move"
                " or remove a record, end the station first."
            )
        self._reopen()
        return f"{self._path} {fault} while the station ran. {done}"

    def close(self) -> None:
        """Close the connection; the last commits go from the log into the database."""
        self.connection.close()
        if self._files is not None:
            self._files.close()
        note_closed(self._path)

    @property
    def _watched(self) -> OpenFiles:
        assert self._files is not None  # noqa: S101  # `watch_files` was called
        return self._files

    def _reopen(self) -> None:
        with opening:
            self.close()
            self._watched.remove_logs()
            self.connection = connect_for_writing(self._path)
            note_in_use(self._path)
        migrate(self.connection, self._path)
        self.connection.row_factory = sqlite3.Row
        self.watch_files(self._boot)

    def _give_way(self, fault: FileFault) -> DatabaseMovedError:
        """Leave the path to the file that is there now; return the error that says where the record is."""
        again = "After a new start it goes on with the file that is there now."
        if fault is FileFault.OVERWRITTEN:
            return DatabaseMovedError(
                f"{self._path} {fault} while the station ran: the record that was there is gone.",
                f"{again} Next time use `meterlink restore`: it keeps the old record.{self._set_log_aside()}",
            )
        if fault is FileFault.TAKEN and self._watched.fault() is None:
            close_without_writing(self.connection)
            return DatabaseMovedError(
                f"{self._path} {fault}: its lock was removed while this one ran.", "End one of the two stations."
            )
        kept = keep_beside(self.connection, self._path)
        close_without_writing(self.connection)
        self._watched.remove_own_logs()
        return DatabaseMovedError(
            f"{self._path} {fault} while the station ran. The record until then is kept whole as {kept.name}.",
            f"{again} `meterlink merge {kept}` takes the readings in, and the messages for the broker.",
        )

    def _set_log_aside(self) -> str:
        """Move the log away from a file that it does not belong to; return in a sentence where it is."""
        close_without_writing(self.connection)
        kept = dated_name(self._path.resolve())
        kept = kept.with_name(f"{kept.name}-wal")
        if not self._watched.move_log(kept):
            return ""
        return f" The last changes of the old one are kept as {kept.name}."
