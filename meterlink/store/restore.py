"""Restore a backup: the checked copy takes the place of the database in one step, and the old one is kept beside it.

The steps, in this order; a killed process leaves the old database or the new one in place, never a mixture:

1. The folder is locked: no station runs on it.
2. The backup is copied to a temporary file in the folder, brought up to date, checked, and saved on the disk.
3. The old database and its log (``-wal``, ``-journal``) get second names, dated: links, or copies where the disk knows
   no links. The log comes first: a database with the second name is never without it.
4. The log is moved into the old database, which is whole without other files then. That of a damaged one stays as it is
   under the second name.
5. The files beside the old database (``-wal``, ``-shm``, ``-journal``) are removed: SQLite would take an old log for
   that of the new database and damage it.
6. The temporary file is renamed to the name of the database: one step of the operating system.

Killed before step 6, the old database is in place; its second name may be there, too, and does no harm. The next run
removes the temporary file.
"""

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from meterlink.core.errors import InputError, NoDatabaseError
from meterlink.store.backup import copy_and_check
from meterlink.store.connections import (
    SCHEMA_VERSION,
    as_store_error,
    connect_for_writing,
    empty_log,
    is_damage,
    raise_store_errors,
    stored_version,
)
from meterlink.store.copying import (
    SIDECARS,
    Contents,
    Progress,
    check_contents,
    no_progress,
    rename_over,
    save_names,
    save_on_disk,
    temporary_database,
)
from meterlink.store.file_errors import store_error_class
from meterlink.store.lock import exclusive_folder
from meterlink.store.migration import migrate

KEPT = ".before-"
"""Stands in the name of a file that was replaced, before the time."""


_FIRST_BYTES = b"SQLite format 3\0"  # https://sqlite.org/fileformat.html, 1.3


class Restored(NamedTuple):
    """``kept``: the file with the old database; None if there was none. ``updated``: the backup had an older schema."""

    contents: Contents
    kept: Path | None
    updated: bool


def restore(backup: Path, path: Path, *, replace: bool = False, progress: Progress = no_progress) -> Restored:
    """Put the database of a backup at ``path``; with ``replace`` also where one is, which is kept beside it.

    Raises:
        NoDatabaseError: there is no file ``backup``.
        InputError: there is a database at ``path`` already, or ``backup`` is that database.
        DatabaseLockedError: a station runs on the folder of ``path``, or another program has the old database open.
        StoreError: ``backup`` is damaged, another program's or a newer Meterlink's, or the disk is full or fails; the
            old database is in place.
    """
    if not backup.is_file():
        raise NoDatabaseError(f"There is no backup {backup}.", "Name the file that `meterlink backup` wrote.")
    with exclusive_folder(path, "restoring"):
        return restore_locked(backup, path, replace=replace, progress=progress)


def restore_locked(backup: Path, path: Path, *, replace: bool, progress: Progress) -> Restored:
    """Restore as `restore` does; the caller holds the lock of the folder.

    Raises:
        InputError: as `restore`.
        DatabaseLockedError: another program has the old database open.
        StoreError: as `restore`.
    """
    target = path.resolve()  # of a link, the file that it leads to: there its log is, too
    check_place(target, replace=replace)
    if target.exists() and target.samefile(backup):
        raise InputError(f"{backup} is the record itself.", "Name a backup.")
    with temporary_database(target.parent, target.name) as temporary:
        contents = copy_and_check(backup, temporary, progress)
        updated = stored_version(temporary) < SCHEMA_VERSION
        if updated:
            _bring_up_to_date(temporary)
            contents = check_contents(temporary, progress)
        save_on_disk(temporary)
        kept = _keep(target) if any(file.exists() for file in _with_sidecars(target)) else None
        for file in _with_sidecars(target)[1:]:
            file.unlink(missing_ok=True)
        save_names(target.parent)
        rename_over(temporary, target)
    return Restored(contents, kept, updated)


def check_place(path: Path, *, replace: bool) -> None:
    """Do nothing if a database may be put at ``path``.

    Raises:
        InputError: there is one already.
    """
    if path.exists() and not replace:
        raise InputError(
            f"There is a record at {path} already.", "Name an empty folder with --data, or keep it beside: --replace."
        )


def dated_name(path: Path, mark: str = KEPT) -> Path:
    """Return a free name beside a file, with a mark and the time: ``meterlink.before-2026-11-27-142530.db``.

    Raises:
        InputError: there are a thousand of them in this second.
    """
    stamp = datetime.now().astimezone().strftime("%Y-%m-%d-%H%M%S")
    for number in range(1, 1000):
        more = f"-{number}" if number > 1 else ""
        name = path.with_name(f"{path.stem}{mark}{stamp}{more}{path.suffix}")
        if not any(os.path.lexists(file) for file in _with_sidecars(name)):
            return name
    raise InputError(f"There are too many old files beside {path}.", "Move them elsewhere.")


def keep_file(path: Path, kept: Path) -> None:
    """Give a file a second name, whole at any time.

    Raises:
        StoreError: the disk is full or fails.
    """
    try:
        try:
            os.link(path, kept)
        except OSError:  # a disk without links
            part = kept.with_name(f".meterlink-{kept.name}.part")
            shutil.copy2(path, part)
            save_on_disk(part)
            part.replace(kept)
    except OSError as error:
        raise store_error_class(error)(
            f"The old file {path} cannot be kept as {kept.name}: {error.strerror}.", "Make space on the disk."
        ) from error


def _keep(path: Path) -> Path:
    """Give the old database a second name, with all that was committed to it."""
    kept = dated_name(path)
    second_names = {
        path.with_name(path.name + end): kept.with_name(kept.name + end) for end in ("-wal", "-journal", "")
    }
    for file, name in second_names.items():
        if file.exists():
            keep_file(file, name)
    save_names(path.parent)
    if _moves_log(path) and kept.samefile(path):
        for name in list(second_names.values())[:-1]:
            name.unlink(missing_ok=True)
    return kept


def _moves_log(path: Path) -> bool:
    """Move the log of a database into it; return False if there is no database, or none that can be opened.

    Raises:
        DatabaseLockedError: another program has it open.
        StoreError: the disk is full or fails.
    """
    try:
        with path.open("rb") as file:
            if file.read(len(_FIRST_BYTES)) != _FIRST_BYTES:
                return False  # SQLite would remove the log
        with closing(connect_for_writing(path)) as connection:
            connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
            empty_log(connection, path)
    except FileNotFoundError:
        return False
    except sqlite3.Error as error:
        if is_damage(error):
            return False
        store_error = as_store_error(error, path)
        raise store_error from error
    return True


def _bring_up_to_date(path: Path) -> None:
    with raise_store_errors(path), closing(connect_for_writing(path)) as connection:
        migrate(connection, path)
        with suppress(sqlite3.Error):
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode = DELETE")


def _with_sidecars(path: Path) -> list[Path]:
    return [path.with_name(path.name + end) for end in ("", *SIDECARS)]
