"""Copies of a database: of one moment, while a station writes or not; under a temporary name, and checked.

A temporary file is locked by the process that writes it. The file of a killed process is removed by the next process
that makes a copy in the same folder.
"""

import itertools
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from meterlink.core.errors import DamagedDatabaseError
from meterlink.store.connections import as_store_error, connect_to_copy, connect_to_source, is_damage
from meterlink.store.file_errors import store_error_class
from meterlink.store.lock import private_opener, try_lock

_PREFIX, _SUFFIX = ".meterlink-", ".part"
_numbers = itertools.count(1)  # of the temporary files of this process
SIDECARS = ("-wal", "-shm", "-journal")
"""The ends of the names of the files that SQLite keeps beside a database."""

# Pages (4 KiB) in one step of a copy: a step takes some milliseconds, so that a progress bar moves.
_PAGES = 1024

Progress = Callable[[str, int, int], None]
"""Called with the work in a word, the number of parts that are done, and of all."""


class Contents(NamedTuple):
    """The numbers of rows of a database, and its size in bytes."""

    visits: int
    accepted_readings: int
    raw_readings: int
    size: int

    def __str__(self) -> str:
        texts = [
            f"{number:,} {name}{'' if number == 1 else 's'}"
            for number, name in zip(self, ("visit", "accepted reading", "raw reading"), strict=False)
        ]
        return f"{', '.join(texts)}: {size_text(self.size)}"

    def fields(self) -> dict[str, int]:
        """Return the numbers under their names in JSON."""
        return {
            "visits": self.visits,
            "accepted_readings": self.accepted_readings,
            "raw_readings": self.raw_readings,
            "bytes": self.size,
        }


def size_text(size: int) -> str:
    """Return a number of bytes as a person reads it: 48 MB, 0.4 MB, 24 kB."""
    if size < 100_000:
        return f"{size / 1e3:.0f} kB"
    return f"{size / 1e6:,.{0 if size >= 10_000_000 else 1}f} MB"


def no_progress(_work: str, _done: int, _all: int) -> None:
    """Show nothing."""


@contextmanager
def temporary_database(folder: Path, name: str) -> Iterator[Path]:
    """Yield the path of a new, empty file in ``folder`` for the database ``name``; remove it afterwards if it is there.

    Raises:
        StoreError: the file cannot be made; the class names the cause.
    """
    _remove_leftovers(folder)
    path = folder / f"{_PREFIX}{name}-{os.getpid()}-{next(_numbers)}{_SUFFIX}"
    try:
        file = open(path, "x+b", opener=private_opener)  # noqa: SIM115  # closed below; the whole record will be in it
    except OSError as error:
        raise store_error_class(error)(
            f"{folder} cannot be written: {error.strerror}.", "Name another folder, or make space in this one."
        ) from error
    try:
        with suppress(OSError):  # a disk without locks
            try_lock(file)
        yield path
    finally:
        file.close()
        _remove_with_sidecars(path)


def _remove_leftovers(folder: Path) -> None:
    """Remove the temporary files of processes that were killed."""
    with suppress(OSError):  # a folder that cannot be listed
        for path in folder.glob(f"{_PREFIX}*{_SUFFIX}"):
            with suppress(OSError):  # another process writes it now
                with path.open("r+b") as file:
                    try_lock(file)
                _remove_with_sidecars(path)


def _remove_with_sidecars(path: Path) -> None:
    for end in ("", *SIDECARS):
        with suppress(OSError):
            path.with_name(path.name + end).unlink()


def copy_database(source: Path, target: Path, progress: Progress = no_progress) -> tuple[int, int, int]:
    """Copy a database as it is at this moment to the empty file ``target``, in one file, by SQLite's online backup.

    It may be of an older schema version.

    Returns:
        Its numbers of visits, accepted readings and raw readings at that moment.

    Raises:
        NoDatabaseError: there is no file ``source``.
        StoreError: it is damaged, another program's or a newer Meterlink's, or the disk of ``target`` is full.
    """
    with connect_to_source(source) as connection:
        # The source's transaction is open: all pages are of one moment, however long it takes.
        numbers = count_contents(connection)
        try:
            with closing(connect_to_copy(target)) as copy:
                connection.backup(
                    copy, pages=_PAGES, progress=lambda _, rest, pages: progress("Copying", pages - rest, pages)
                )
                # The copy needs no second file, and can be read where nothing can be written.
                copy.execute("PRAGMA journal_mode = DELETE")
        except sqlite3.Error as error:
            store_error = as_store_error(error, source if is_damage(error) else target)
            raise store_error from error
    return numbers


def check_contents(path: Path, progress: Progress = no_progress) -> Contents:
    """Read every page of a database, check it, and return its numbers of rows.

    Raises:
        NoDatabaseError: there is no such file.
        DamagedDatabaseError: it is damaged.
        StoreError: it is another program's or a newer Meterlink's, or cannot be read.
    """
    progress("Checking", 0, 1)
    with connect_to_source(path) as connection:
        for (fault,) in map(tuple, connection.execute("PRAGMA integrity_check(1)")):
            if fault != "ok":
                raise DamagedDatabaseError(f"{path} is damaged: {fault}.", "Take another copy of the record.")
        if broken := connection.execute("PRAGMA foreign_key_check").fetchone():
            raise DamagedDatabaseError(
                f"{path} is damaged: a row of {broken[0]} refers to a row of {broken[2]} that is missing.",
                "Take another copy of the record.",
            )
        numbers = count_contents(connection)
    progress("Checking", 1, 1)
    return Contents(*numbers, path.stat().st_size)


def count_contents(connection: sqlite3.Connection) -> tuple[int, int, int]:
    """Return the numbers of visits, accepted readings and raw readings."""
    visits, accepted, raw = (
        int(connection.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0])  # noqa: S608  # constants
        for table in ("visits", "accepted_readings", "raw_readings")
    )
    return visits, accepted, raw


def save_on_disk(path: Path) -> None:
    """Return when the contents of a file are on the disk.

    Raises:
        StoreError: the disk is full or fails.
    """
    try:
        with path.open("r+b") as file:
            os.fsync(file.fileno())
    except OSError as error:
        raise store_error_class(error)(
            f"{path} cannot be written: {error.strerror}.", "Check the disk, or name another."
        ) from error


def save_names(folder: Path) -> None:
    """Return when the names of the files in a folder are on the disk."""
    if os.name == "nt":
        return  # a folder cannot be opened there
    with suppress(OSError):  # a file system without it
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def rename_over(path: Path, target: Path) -> None:
    """Give a finished file its final name, in one step.

    Raises:
        StoreError: it cannot be renamed.
    """
    try:
        path.replace(target)
    except OSError as error:
        raise store_error_class(error)(
            f"{target} cannot be written: {error.strerror}.", "Name another file."
        ) from error
    save_names(target.parent)
