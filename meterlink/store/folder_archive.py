"""A whole data folder in one ZIP file, to move to another machine: database, settings, profiles, plans, key, photos.

An archive is read with distrust: no file outside the folder, no link, no more than the disk has room for. It is
unpacked into a folder of its own first; the files get their places when the database has been checked, it last.
"""

import errno
import filecmp
import shutil
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from meterlink.core.errors import DamagedDatabaseError, DiskFullError, InputError, NotADatabaseError
from meterlink.core.permissions import FOR_OTHERS, PRIVATE_FILE
from meterlink.store.backup import check_name, copy_and_check
from meterlink.store.copying import (
    Contents,
    Progress,
    check_contents,
    no_progress,
    rename_over,
    save_names,
    save_on_disk,
    size_text,
    temporary_database,
)
from meterlink.store.file_errors import store_error_class
from meterlink.store.lock import exclusive_folder
from meterlink.store.restore import KEPT, Restored, check_place, dated_name, keep_file, restore_locked

# Files of a technician's folder: hundreds of profiles and photos of some years. More is no data folder.
MOST_FILES = 20_000
_CHUNK = 1 << 20  # bytes read at once
# Databases, locks and sockets are a machine's own, and so are files that are being written, and those replaced before.
_OWN_ENDINGS = (".db", ".db-wal", ".db-shm", ".db-journal", ".lock", ".sock", ".link", ".part")
_UNPACKED = ".meterlink-unpacked.part"
_COMPRESSIONS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


def pack_folder(
    database: Path, target: Path, *, force: bool = False, progress: Progress = no_progress
) -> tuple[Contents, list[str]]:
    """Write the folder of a database to a ZIP file, which only its owner may read, and read it back.

    Databases beside the record, links, sockets and lock files are left out.

    Returns:
        The contents of the record, and the names of the other files in the archive.

    Raises:
        InputError: ``target`` exists, and ``force`` is not given; or it is no name for a backup, see `check_name`; or a
            file in the folder has a name that not every machine can have, or there are too many.
        DatabaseLockedError: a station runs on the folder: its further readings would stay behind.
        DamagedDatabaseError: the database is damaged, or the disk did not keep the file as it was written.
        StoreError: the database cannot be read, or a disk is full or fails; ``target`` is as it was.
    """
    target = target.resolve()
    check_name(database, target)
    if target.exists() and not force:
        raise InputError(f"{target} exists already.", "Give another file to -o; --force replaces it.")
    folder = database.parent.resolve()  # it may be a link itself
    with (
        exclusive_folder(database, "moving"),
        temporary_database(target.parent, f"{target.name}.db") as copy,
        temporary_database(target.parent, target.name) as temporary,
        _as_store_errors(target),
    ):
        contents = copy_and_check(database, copy, progress)
        names = [name for name in _files(folder) if folder / name != target]
        _check_movable(folder, names)
        temporary.chmod(PRIVATE_FILE)  # the key that signs is in it, and all that the settings keep
        sources = {database.name: copy, **{name: folder / name for name in names}}
        _write_archive(temporary, sources, progress)
        with zipfile.ZipFile(temporary) as archive:
            if bad := archive.testzip():
                raise DamagedDatabaseError(f"{bad} was not written as it is.", "Check the disk, then try again.")
        save_on_disk(temporary)
        rename_over(temporary, target)
        return contents._replace(size=target.stat().st_size), names


def is_archive(path: Path) -> bool:
    """Return whether a file is a ZIP file."""
    return zipfile.is_zipfile(path)


def unpack_folder(
    archive: Path, database: Path, *, replace: bool = False, progress: Progress = no_progress
) -> tuple[Restored, list[Path]]:
    """Put the files of an archive into the folder of ``database``; with ``replace``, files there are kept beside.

    Returns:
        The restored record, and the second names of the files that were there and are different.

    Raises:
        InputError: a file is there already, or the archive is not one that `pack_folder` wrote.
        DatabaseLockedError: a station runs on the folder.
        StoreError: the archive is damaged, or the disk is full or fails; the old database is in place.
    """
    folder = database.parent
    with exclusive_folder(database, "restoring"), _as_store_errors(database):
        check_place(database, replace=replace)
        unpacked = folder / _UNPACKED
        shutil.rmtree(unpacked, ignore_errors=True)  # of a killed run
        try:
            names = _unpack(archive, unpacked, database.name, progress)
            check_contents(unpacked / database.name, progress)
            names.remove(database.name)
            changed = [name for name in names if _differs(unpacked / name, folder / name)]
            present = [name for name in changed if (folder / name).exists()]
            if present and not replace:
                raise InputError(
                    f"{folder / present[0]} is there already, with other contents.",
                    "Name an empty folder with --data, or keep it beside: --replace.",
                )
            kept = _place(unpacked, folder, changed)
            restored = restore_locked(unpacked / database.name, database, replace=replace, progress=progress)
        finally:
            shutil.rmtree(unpacked, ignore_errors=True)
        return restored, kept


def _files(folder: Path) -> list[str]:
    """Return the names, with ``/``, of the files of a folder that move with it."""
    found = []
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder)
        if path.is_symlink() or not path.is_file() or any((folder / part).is_symlink() for part in relative.parents):
            continue
        if not _is_own(relative.as_posix()):
            found.append(relative.as_posix())
    return found


def _is_own(name: str) -> bool:
    parts = PurePosixPath(name).parts
    is_temporary = any(part.startswith(".meterlink-") for part in parts)
    return parts[-1].endswith(_OWN_ENDINGS) or KEPT in parts[-1] or is_temporary


def _is_portable(name: str) -> bool:
    """Return whether every machine can have a file of this name, with ``/``, inside a folder."""
    has_only_names = all(part not in {"", ".", ".."} for part in name.split("/"))
    return has_only_names and name.isprintable() and not any(sign in name for sign in "\\:")


def _check_movable(folder: Path, names: list[str]) -> None:
    """Do nothing if `unpack_folder` takes files of these names.

    Raises:
        InputError: it refuses one; said here, where the file can still be renamed.
    """
    folded: set[str] = set()
    for name in names:
        if not _is_portable(name):
            raise InputError(
                f"{folder} has a file with a name that not every machine can have: {ascii(name)[:100]}.",
                "Rename it, without colon, backslash and invisible signs.",
            )
        if name.casefold() in folded:
            raise InputError(
                f"{folder} has two files whose names differ in upper and lower case only: {name}.", "Rename one."
            )
        folded.add(name.casefold())
    if len(names) >= MOST_FILES:  # the database comes with them
        raise InputError(
            f"{folder} has {len(names) + 1:,} files; an archive has at most {MOST_FILES:,}.", "Move some elsewhere."
        )


def _write_archive(target: Path, sources: dict[str, Path], progress: Progress) -> None:
    whole = sum(source.stat().st_size for source in sources.values())
    done = 0
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, source in sources.items():
            info = zipfile.ZipInfo.from_file(source, name, strict_timestamps=False)
            info.compress_type = zipfile.ZIP_DEFLATED
            with source.open("rb") as reading, archive.open(info, "w", force_zip64=True) as writing:
                while chunk := reading.read(_CHUNK):
                    writing.write(chunk)
                    done += len(chunk)
                    progress("Packing", done, whole)


def _unpack(archive: Path, folder: Path, database_name: str, progress: Progress) -> list[str]:
    """Unpack an archive into a new folder; return the names of its files.

    Raises:
        InputError: the archive has a file that no archive of a data folder has.
        NotADatabaseError: it has no database.
        DamagedDatabaseError: it cannot be read.
        DiskFullError: the disk has no room for its files.
        OSError: the disk fails.
    """
    try:
        with zipfile.ZipFile(archive) as opened:
            members = [member for member in opened.infolist() if not member.filename.endswith("/")]
            names = _checked_names(archive, members, database_name)
            whole = sum(member.file_size for member in members)
            if whole > shutil.disk_usage(folder.parent).free:
                raise DiskFullError(
                    f"{archive} needs {size_text(whole)}, more than the disk of {folder.parent} has.",
                    "Free some space on it.",
                )
            done = 0
            for member, name in zip(members, names, strict=True):
                path = folder / name
                path.parent.mkdir(parents=True, exist_ok=True)
                with opened.open(member) as reading, path.open("xb") as writing:
                    while chunk := reading.read(_CHUNK):
                        writing.write(chunk)
                        done += len(chunk)
                        progress("Unpacking", done, whole)
                if (mode := stat.S_IMODE(member.external_attr >> 16)) and not mode & FOR_OTHERS:
                    path.chmod(PRIVATE_FILE)  # it was its owner's alone, as the station's key is
                save_on_disk(path)
    except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, RuntimeError) as error:
        raise DamagedDatabaseError(f"{archive} is damaged: {error}.", "Copy it again.") from error
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        # The system refuses a place before the beginning of the file, at which a damaged list says that a file begins.
        raise DamagedDatabaseError(f"{archive} is damaged: its list of files is wrong.", "Copy it again.") from error
    return names


def _checked_names(archive: Path, members: list[zipfile.ZipInfo], database_name: str) -> list[str]:
    names = [member.filename for member in members]
    if database_name not in names:
        raise NotADatabaseError(f"{archive} has no record in it.", "Name the file that `meterlink backup` wrote.")
    if len(names) > MOST_FILES:
        raise InputError(f"{archive} has {len(names):,} files; a data folder has at most {MOST_FILES:,}.")
    if len({name.casefold() for name in names}) < len(names):
        raise InputError(f"{archive} has two files of one name.", "It was not written by `meterlink backup`.")
    for member in members:
        name = member.filename
        is_strange = (
            not _is_portable(name)
            or stat.S_ISLNK(member.external_attr >> 16)
            or (name != database_name and _is_own(name))
        )
        if is_strange:
            raise InputError(
                f"{archive} has a file that no data folder has: {ascii(name)[:100]}.",
                "It was not written by `meterlink backup`.",
            )
        if member.compress_type not in _COMPRESSIONS:
            raise DamagedDatabaseError(f"{archive} is damaged: {name} is compressed in another way.", "Copy it again.")
    return names


def _differs(new: Path, present: Path) -> bool:
    return not present.is_file() or not filecmp.cmp(new, present, shallow=False)


def _place(unpacked: Path, folder: Path, names: list[str]) -> list[Path]:
    """Give the unpacked files their places; return the second names of those that were there.

    Raises:
        InputError: a link leads out of the folder.
    """
    kept = []
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.parent.resolve().is_relative_to(folder.resolve()):
            raise InputError(f"{path.parent} leads out of the data folder.", "Replace the link by a folder.")
        if path.exists():
            kept.append(dated_name(path))
            keep_file(path, kept[-1])
        (unpacked / name).replace(path)
        save_names(path.parent)
    return kept


@contextmanager
def _as_store_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise store_error_class(error)(
            f"{error.filename or path} cannot be read or written: {error.strerror}.", "Check the disk and the folder."
        ) from error
