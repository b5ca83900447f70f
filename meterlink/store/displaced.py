"""The record of a station whose database file was removed, moved or replaced: all of it is still in its connection.

SQLite's online backup reads the file by the descriptor of the connection, with its log. So the record is written to the
disk again as it is, under its own name or another one.
"""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from meterlink.core.errors import DamagedDatabaseError, DatabaseMovedError
from meterlink.store.connections import as_store_error, connect_to_copy, empty_log
from meterlink.store.copying import SIDECARS, rename_over, save_names, save_on_disk, temporary_database
from meterlink.store.file_errors import store_error_class
from meterlink.store.restore import dated_name


def write_again(connection: sqlite3.Connection, path: Path) -> None:
    """Write the record of ``connection`` to ``path``, where its file is gone; nothing there is replaced.

    Raises:
        DatabaseMovedError: another file is at ``path`` now.
        StoreError: the disk is full or fails, or the folder cannot be made.
    """
    target = path.resolve()  # of a link, the file that it leads to
    make_folder(target.parent)
    with temporary_database(target.parent, target.name) as temporary:
        _copy(connection, temporary)
        for end in SIDECARS:  # SQLite would take an old log for that of the new file
            target.with_name(target.name + end).unlink(missing_ok=True)
        save_names(target.parent)
        _give_name(temporary, target)


def keep_beside(connection: sqlite3.Connection, path: Path) -> Path:
    """Write the record of ``connection`` beside the file that is at ``path`` now; return its name.

    Raises:
        StoreError: the disk is full or fails.
    """
    kept = dated_name(path.resolve())
    with temporary_database(kept.parent, kept.name) as temporary:
        _copy(connection, temporary)
        _give_name(temporary, kept)
    return kept


def save_log(connection: sqlite3.Connection, path: Path) -> None:
    """Move the log of ``connection`` into the database at ``path``, which is in place; the log's own file is not.

    Raises:
        DatabaseLockedError: a program reads the database at this moment.
        StoreError: the disk is full or fails.
    """
    try:
        empty_log(connection, path)
    except sqlite3.Error as error:
        store_error = as_store_error(error, path)
        raise store_error from error


def close_without_writing(connection: sqlite3.Connection) -> None:
    """Close a connection without the checkpoint of the last one, which would write into a file of somebody else.

    SQLite leaves it out by itself where the file has lost its name, not where it was overwritten. It ends a checkpoint
    that is interrupted, and leaves the log; Python before 3.12 has no other way.
    """
    connection.interrupt()
    connection.close()


def make_folder(folder: Path) -> None:
    """Make the folder of a database, if it is gone.

    Raises:
        StoreError: it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise store_error_class(error)(
            f"The folder {folder} is gone and cannot be made again: {error.strerror}.", "Put it back in its place."
        ) from error


def _copy(connection: sqlite3.Connection, target: Path) -> None:
    try:
        with closing(connect_to_copy(target)) as copy:
            connection.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            (state,) = copy.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as error:
        store_error = as_store_error(error, target)
        raise store_error from error
    if state != "ok":
        raise DamagedDatabaseError(f"The record in the station's memory is damaged: {state}.", "Restore a backup.")
    save_on_disk(target)


def _give_name(temporary: Path, target: Path) -> None:
    """Give a finished file its name, unless another file has it; an empty one does not count.

    Raises:
        DatabaseMovedError: another file has it.
        StoreError: the disk fails.
    """
    try:
        if target.exists() and not target.stat().st_size:
            target.unlink()
        os.link(temporary, target)
    except FileExistsError as error:
        raise DatabaseMovedError(f"Another file has the name {target}.", "Move it elsewhere.") from error
    except OSError:  # a disk without links
        rename_over(temporary, target)
    save_names(target.parent)
