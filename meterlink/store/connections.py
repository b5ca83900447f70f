"""Open the database, check that it is ours, and turn SQLite's errors into messages."""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path

from meterlink.core.errors import (
    DamagedDatabaseError,
    DatabaseAccessError,
    DatabaseLockedError,
    DiskFailedError,
    DiskFullError,
    NewerDatabaseError,
    NoDatabaseError,
    NotADatabaseError,
    OlderDatabaseError,
    StoreError,
)
from meterlink.core.permissions import PRIVATE_FILE
from meterlink.store.file_errors import has_no_space, store_error_class
from meterlink.store.file_in_use import opening, refuse_another_file

# Number of migrations in `schema`; the file's header keeps it (PRAGMA user_version) for every program that opens it.
SCHEMA_VERSION = 2

# "MtrL" in ASCII, in the header field by which SQLite distinguishes the files of programs.
APPLICATION_ID = 0x4D74724C

# How long SQLite itself waits for a lock, in s. Our writer is alone, and readers never lock it out. Only another
# program (a backup, a database browser) can lock the file: 2 s outlasts the start of a copy and soon alerts the
# technician.
LOCK_TIMEOUT = 2.0

# Primary result codes (https://sqlite.org/rescode.html) for a fault of the disk, not of the data: worth another try.
_TRANSIENT_CODES = {
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_CORRUPT,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_NOTADB,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_PROTOCOL,
    sqlite3.SQLITE_READONLY,
}


def connect_for_writing(path: Path) -> sqlite3.Connection:
    """Open (or create) the database for the one writer: durable at every COMMIT, with explicit transactions."""
    # SQLite gives its other files the permissions of this one. Only a new file is opened here: to close one that is in
    # use would drop SQLite's locks on it (https://sqlite.org/howtocorrupt.html, 2.2).
    with suppress(OSError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, PRIVATE_FILE))
    connection = _connect_to_uri(path, "mode=rwc")
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        # FULL: in WAL mode NORMAL may lose the last commits at a power cut (https://sqlite.org/pragma.html).
        connection.execute("PRAGMA synchronous = FULL")
        # macOS: fsync() alone leaves data in the drive's cache. No effect elsewhere.
        connection.execute("PRAGMA fullfsync = ON")
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def connect_for_reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the database read-only; all queries on the connection see the same moment.

    Read-only connections never checkpoint, so only the writer moves the write-ahead log.

    Raises:
        NoDatabaseError: there is no file.
        StoreError: the file is damaged, another program's, or of another schema version; the class names the cause.
    """
    if not path.exists():
        raise NoDatabaseError(
            f"There is no database at {path}.", "Start the station once, or name its folder with --data."
        )
    try:
        with _open_read_only(path) as connection:
            connection.row_factory = sqlite3.Row
            connection.execute("BEGIN")
            check_version(connection, path, oldest=SCHEMA_VERSION)
            yield connection
    except (sqlite3.Error, UnicodeError) as error:  # UnicodeEncodeError: a file name that is not text
        store_error = as_store_error(error, path)
        raise store_error from error


@contextmanager
def connect_to_source(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a database of this or an older schema version read-only, to copy or check it as it is at this moment.

    Raises:
        NoDatabaseError: there is no file.
        NotADatabaseError: the file is another program's.
        StoreError: the file is damaged, or of a newer schema version.
    """
    if not path.exists():
        raise NoDatabaseError(f"There is no database at {path}.", "Check the name of the file or the folder.")
    try:
        with _open_read_only(path) as connection:
            connection.execute("BEGIN")
            check_version(connection, path, oldest=1)
            yield connection
    except (sqlite3.Error, UnicodeDecodeError) as error:
        store_error = as_store_error(error, path)
        store_error = type(store_error)(store_error.message, _of_a_file(store_error))
        raise store_error from error
    except NotADatabaseError as error:
        raise NotADatabaseError(error.message, _of_a_file(error)) from error


def _of_a_file(error: StoreError) -> str:
    """Return the remedy for an error of a file that a person named, not of a data folder."""
    match error:
        case NotADatabaseError():
            return "Check the name of the file."
        case DamagedDatabaseError():
            return "Take another copy of it."
        case _:
            return error.remedy


def connect_to_copy(path: Path) -> sqlite3.Connection:
    """Open the empty file that a copy is written to; who writes it syncs the whole file, so no step needs a journal."""
    connection = _connect_to_uri(path, "mode=rw")
    connection.execute("PRAGMA synchronous = OFF")
    return connection


def empty_log(connection: sqlite3.Connection, path: Path) -> None:
    """Move the write-ahead log of the database at ``path`` into it.

    Raises:
        DatabaseLockedError: another program reads the database, and so keeps a part of the log.
    """
    (is_busy, *_) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if is_busy:
        raise DatabaseLockedError(
            f"Another program reads the database at {path}, and keeps its log.", "Close that program."
        )


def write_anew(path: Path) -> None:
    """Write a database anew, without the room and the bytes of deleted rows; the disk needs room for a second copy.

    Run it outside any transaction, by the only writer.

    Raises:
        DatabaseLockedError: another program reads the database, and keeps its log.
        StoreError: the disk is full or fails. After either error the room and the bytes are still in the files.
    """
    # A connection of its own, whose temporary files are on the disk: the copy may be larger than the memory.
    with raise_store_errors(path), closing(connect_for_writing(path)) as connection:
        connection.execute("VACUUM")
        empty_log(connection, path)


def stored_version(path: Path) -> int:
    """Return the schema version of a database.

    Raises:
        StoreError: the file is damaged, another program's, or of a newer schema version.
    """
    with connect_to_source(path) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def is_directly_readable(path: Path) -> bool:
    """Return whether a read-only connection can read the file with its log: not so in some read-only folders."""
    with closing(_connect_to_uri(path, "mode=ro")) as connection:
        try:
            connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
        except sqlite3.OperationalError:
            return False
    return True


def attach_for_reading(connection: sqlite3.Connection, path: Path, name: str) -> None:
    """Attach the database at ``path`` to a connection of this module, read-only, under a name."""
    connection.execute(f"ATTACH ? AS {name}", (_uri(path, "mode=ro"),))


def check_file(path: Path) -> None:
    """Check that this program may write the file at ``path``, if there is one; the file stays unchanged.

    (A writing connection would move the rest of the write-ahead log into the file when it closes.)

    Raises:
        StoreError: the file is damaged, another program's, or written by a newer Meterlink.
    """
    if not path.exists():
        return
    try:
        with _open_read_only(path) as connection:
            check_writable(connection, path)
    except sqlite3.Error as error:
        # A first start was cut short while it created the file; only a writing connection can repair it.
        if getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_READONLY_ROLLBACK:
            store_error = as_store_error(error, path)
            raise store_error from error


def has_tables(path: Path) -> bool:
    """Return whether there is a database with tables: a first start or import that was cut short leaves none.

    Raises:
        StoreError: the file is damaged.
    """
    if not path.exists():
        return False
    try:
        with _open_read_only(path) as connection:
            return not is_empty(connection)
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_READONLY_ROLLBACK:
            return False  # it was cut short while it created the file
        store_error = as_store_error(error, path)
        raise store_error from error


def check_writable(connection: sqlite3.Connection, path: Path) -> None:
    """Check that the file is new, or ours and no newer than this program.

    Raises:
        StoreError: the file is another program's or written by a newer Meterlink.
    """
    if not is_empty(connection):
        check_version(connection, path, oldest=0)


@contextmanager
def _open_read_only(path: Path) -> Iterator[sqlite3.Connection]:
    # SQLite needs a shared-memory file beside a database in WAL mode, which a read-only folder may lack. Without a
    # write-ahead log the database is then opened as immutable. With a log it is copied first, because an immutable
    # connection ignores the log and the commits in it.
    with ExitStack() as stack:
        try:
            with opening:
                connection = stack.enter_context(closing(_connect_to_uri(path, "mode=ro")))
                connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
        except sqlite3.OperationalError as error:
            if _primary_code(error) != sqlite3.SQLITE_CANTOPEN or os.access(path.parent, os.W_OK):
                raise
            log = path.with_name(f"{path.name}-wal")
            if log.exists() and log.stat().st_size:
                folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="meterlink-")))
                connection = stack.enter_context(closing(_connect_to_uri(_copy_with_log(path, log, folder), "mode=ro")))
            else:
                connection = stack.enter_context(closing(_connect_to_uri(path, "mode=ro&immutable=1")))
        yield connection


def _copy_with_log(path: Path, log: Path, folder: Path) -> Path:
    try:
        shutil.copy(log, folder)
        return Path(shutil.copy(path, folder))
    except OSError as error:
        raise store_error_class(error)(
            f"{path} cannot be copied for reading: {error.strerror}.", "Make space on the disk for temporary files."
        ) from error


def _connect_to_uri(path: Path, options: str) -> sqlite3.Connection:
    connection = sqlite3.connect(_uri(path, options), uri=True, timeout=LOCK_TIMEOUT, isolation_level=None)
    try:
        refuse_another_file(path)  # the file is open now; nothing beside it is before the first query
    except BaseException:
        connection.close()
        raise
    return connection


def _uri(path: Path, options: str) -> str:
    return f"{path.absolute().as_uri()}?{options}"


def is_empty(connection: sqlite3.Connection) -> bool:
    """Return whether the file has no tables yet: it is new, or its first start was cut short."""
    (tables,) = connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    return tables == 0 and owner in {0, APPLICATION_ID}


def write_file_header(connection: sqlite3.Connection, version: int) -> None:
    """Write program and schema version into the file's header, as part of the open transaction."""
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {version}")


def check_version(connection: sqlite3.Connection, path: Path, oldest: int) -> None:
    """Check that the file is ours and that its schema version is ``oldest`` to `SCHEMA_VERSION`.

    Raises:
        NotADatabaseError: the file is another program's.
        NewerDatabaseError: its version is above that range.
        OlderDatabaseError: its version is below that range.
    """
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if owner != APPLICATION_ID:
        raise NotADatabaseError(f"{path} is not a Meterlink database.", "Name another folder with --data.")
    if version > SCHEMA_VERSION:
        raise NewerDatabaseError(
            f"{path} was written by a newer Meterlink (schema {version}; this one reads {SCHEMA_VERSION}).",
            "Update Meterlink; the file was left as it is.",
        )
    if version < oldest:
        raise OlderDatabaseError(
            f"{path} was written by an older Meterlink (schema {version}; this one reads {SCHEMA_VERSION}).",
            "Start the station once with this version: it brings the file up to date.",
        )


def is_transient(error: BaseException) -> bool:
    """Return whether an error is the disk's or a lock's, not the data's: a later try may succeed."""
    return isinstance(error, sqlite3.Error) and _primary_code(error) in _TRANSIENT_CODES


@contextmanager
def raise_store_errors(path: Path) -> Iterator[None]:
    """Raise each error of SQLite in the context as that of the database at ``path``; see `as_store_error`."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:
        store_error = as_store_error(error, path)
        raise store_error from error


def is_damage(error: BaseException) -> bool:
    """Return whether SQLite found the contents of a file damaged."""
    return _primary_code(error) in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def as_store_error(error: BaseException, path: Path) -> StoreError:
    """Return ``error`` of the database at ``path`` as the subclass of StoreError for its cause, with a remedy."""
    name = getattr(error, "sqlite_errorname", "")
    # SQLite's message may quote a damaged name, and Python reads a message as UTF-8.
    code = sqlite3.SQLITE_CORRUPT if isinstance(error, UnicodeDecodeError) else _primary_code(error)
    if code == sqlite3.SQLITE_IOERR and has_no_space(path):
        # SQLite says "full" for its data only; for the files beside the database it says that writing failed.
        code = sqlite3.SQLITE_FULL
    match code:
        case sqlite3.SQLITE_FULL:
            return DiskFullError(f"The disk that holds {path} is full.", f"Free some space on it. ({name})")
        case sqlite3.SQLITE_IOERR:
            return DiskFailedError(
                f"The disk that holds {path} failed to read or write.",
                f"Check that it is not full, worn out or unplugged. ({name})",
            )
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return DatabaseLockedError(
                f"Another program has locked {path}.", f"Close the program that has it open. ({name})"
            )
        case sqlite3.SQLITE_NOTADB:
            return NotADatabaseError(
                f"{path} is not a Meterlink database.",
                "Name another folder with --data; if it was one, its beginning is damaged: meterlink salvage -o FILE.",
            )
        case sqlite3.SQLITE_CORRUPT:
            return DamagedDatabaseError(
                f"{path} is damaged.",
                f"End the station, then save the readable part: meterlink salvage -o FILE. ({name or 'not UTF-8'})",
            )
        case sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM:
            return DatabaseAccessError(
                f"{path} cannot be opened for writing or reading.",
                f"Check that its folder exists and that you may write in it. ({name})",
            )
        case _:
            return StoreError(f"{path}: {error}.", "This is a fault in Meterlink or in its input.")


def _primary_code(error: BaseException) -> int:
    # Extended result codes carry the primary one in their low byte.
    return int(getattr(error, "sqlite_errorcode", -1)) & 0xFF
