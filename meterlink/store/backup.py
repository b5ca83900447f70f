"""A backup of a database: one file of one moment, read back and checked before it gets its name."""

from pathlib import Path

from meterlink.core.errors import DamagedDatabaseError, InputError, StoreError
from meterlink.core.text import count_phrase
from meterlink.store.connections import connect_to_source
from meterlink.store.copying import (
    SIDECARS,
    Contents,
    Progress,
    check_contents,
    copy_database,
    no_progress,
    rename_over,
    save_on_disk,
    temporary_database,
)

_OTHER_NAME = "Give another file to -o."


def back_up(path: Path, target: Path, *, force: bool = False, progress: Progress = no_progress) -> Contents:
    """Write a backup of the database at ``path`` to the file ``target``, while a station writes or not.

    It is written under another name in the same folder and checked there. Only then it replaces an older backup, which
    is whole until that moment. An older backup with visits that this record has not, or any other file, is replaced
    with ``force`` only.

    Raises:
        InputError: ``target`` is no file that may be replaced.
        NoDatabaseError: there is no database at ``path``.
        StoreError: the database is damaged, or the disk of ``target`` is full or fails; ``target`` is as it was.
    """
    target = target.resolve()
    _check_target(path, target, force=force)
    with temporary_database(target.parent, target.name) as temporary:
        contents = copy_and_check(path, temporary, progress)
        save_on_disk(temporary)
        rename_over(temporary, target)
    return contents


def copy_and_check(path: Path, copy: Path, progress: Progress) -> Contents:
    """Copy a database to the empty file ``copy``, check the copy, and return its contents.

    Raises:
        NoDatabaseError: there is no database at ``path``.
        DamagedDatabaseError: the copy is damaged, or has not all readings.
        StoreError: the database cannot be read, or the disk of ``copy`` is full or fails.
    """
    expected = copy_database(path, copy, progress)
    contents = check_contents(copy, progress)
    if contents[:3] != expected:
        raise DamagedDatabaseError(f"The copy of {path} has not all its readings.", "Check the disk, then try again.")
    return contents


def check_name(path: Path, target: Path) -> None:
    """Do nothing if a backup of the database at ``path`` can have the name ``target``.

    Raises:
        InputError: it is the name of the record, of a file that SQLite keeps beside a database, or of a folder, a
            device or a pipe.
    """
    if target.exists() and not target.is_file():
        raise InputError(f"{target} is no file.", _OTHER_NAME)
    if target == path.resolve():
        raise InputError(f"{target} is the record itself.", _OTHER_NAME)
    if target.name.endswith((*SIDECARS, ".lock")):
        raise InputError(f"{target} has the name of a file that belongs to a database.", _OTHER_NAME)


def _check_target(path: Path, target: Path, *, force: bool) -> None:
    """Do nothing if ``target`` is a new file, or one that may be replaced.

    Raises:
        InputError: it is not.
        StoreError: the database at ``path`` cannot be read, and so not be compared with ``target``.
    """
    check_name(path, target)
    if any(target.with_name(target.name + end).exists() for end in SIDECARS):
        raise InputError(f"{target} is in use: a program has it open, or was killed with it.", _OTHER_NAME)
    if not target.exists() or force:
        return
    own = _visit_uids(path)  # first: a fault of the record must not be taken for one of the backup
    try:
        missing = len(_visit_uids(target) - own)
    except StoreError:
        raise InputError(
            f"{target} exists, and is no backup of a record.", f"{_OTHER_NAME} --force replaces it."
        ) from None
    if missing:
        raise InputError(
            f"{target} has {count_phrase(missing, 'visit')} that this record has not: it is a backup of another"
            " station, or this record has lost them.",
            f"{_OTHER_NAME} --force replaces it.",
        )


def _visit_uids(path: Path) -> set[str]:
    with connect_to_source(path) as connection:
        return {uid for (uid,) in map(tuple, connection.execute("SELECT uid FROM visits"))}
