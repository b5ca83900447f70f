"""Opening the database, telling whose it is, and putting SQLite's errors into words."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from meterlink.core.errors import StoreError

# Number of migrations in `schema`, kept in the file's header (PRAGMA user_version) for whoever opens it.
SCHEMA_VERSION = 6

# "MtrL" in ASCII, in the header field SQLite keeps for telling one program's files from another's.
APPLICATION_ID = 0x4D74724C

# How long SQLite itself waits for a lock, in s. Our own writer is alone and readers never lock it out, so only a
# foreign program (a backup, a database browser) can hold one; 2 s outlasts a copy being started, and is short enough
# that a technician hears of it.
LOCK_TIMEOUT = 2.0

# Primary result codes (https://sqlite.org/rescode.html) that put the disk, not the data, at fault: worth another try.
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
    """Open (or create) the database for the one writer: durable at every COMMIT, transactions begun by hand."""
    connection = sqlite3.connect(path, timeout=LOCK_TIMEOUT, isolation_level=None)
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
    """Open the database read-only for a few queries that see one moment; StoreError when that cannot be.

    Read-only connections never checkpoint, so the writer is the only one that moves the write-ahead log.
    """
    if not path.exists():
        raise StoreError(f"There is no database at {path}.", "Start the station once, or name its folder with --data.")
    try:
        with closing(_open_read_only(path)) as found:
            found.row_factory = sqlite3.Row
            found.execute("BEGIN")
            check_version(found, path, oldest=SCHEMA_VERSION)
            yield found
    except (sqlite3.Error, UnicodeEncodeError) as error:  # the latter: a name that is not text at all
        raise as_store_error(error, path) from error


def check_file(path: Path) -> None:
    """StoreError when the file at ``path``, if any, is not for this program to write. Looks without touching it.

    (A writing connection would, on closing, move what is left in the write-ahead log into the file.)
    """
    if not path.exists():
        return
    try:
        with closing(_open_read_only(path)) as found:
            check_writable(found, path)
    except sqlite3.Error as error:
        # A first start was cut short while it made the file; only a writing connection can clear that up.
        if getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_READONLY_ROLLBACK:
            raise as_store_error(error, path) from error


def check_writable(connection: sqlite3.Connection, path: Path) -> None:
    """StoreError unless the file is new, or ours and no newer than this program."""
    if not is_empty(connection):
        check_version(connection, path, oldest=0)


def _open_read_only(path: Path) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?mode=ro"
    return sqlite3.connect(address, uri=True, timeout=LOCK_TIMEOUT, isolation_level=None)


def is_empty(connection: sqlite3.Connection) -> bool:
    """Whether nothing was ever created in the file: it is new, or its first start was cut short."""
    (tables,) = connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    return tables == 0 and owner in {0, APPLICATION_ID}


def write_file_header(connection: sqlite3.Connection, version: int) -> None:
    """Write program and schema version into the file's header, as part of the open transaction."""
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {version}")


def check_version(connection: sqlite3.Connection, path: Path, oldest: int) -> None:
    """StoreError unless the file is ours and its schema is between ``oldest`` and what this program knows."""
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if owner != APPLICATION_ID:
        raise StoreError(f"{path} is not a Meterlink database.", "Name another folder with --data.")
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path} was written by a newer Meterlink (schema {version}; this one knows {SCHEMA_VERSION}).",
            "Update Meterlink; the file was left as it is.",
        )
    if version < oldest:
        raise StoreError(
            f"{path} was written by an older Meterlink (schema {version}; this one reads {SCHEMA_VERSION}).",
            "Start the station once with this version: it brings the file up to date.",
        )


def is_transient(error: BaseException) -> bool:
    """Whether an error may go away by itself or by a person's hand (disk full, locked) with the data being sound."""
    return isinstance(error, sqlite3.Error) and _primary_code(error) in _TRANSIENT_CODES


def as_store_error(error: BaseException, path: Path) -> StoreError:
    """Return what happened to the database at ``path`` as a StoreError a person can act on."""
    name = getattr(error, "sqlite_errorname", "")
    match _primary_code(error):
        case sqlite3.SQLITE_FULL:
            return StoreError(f"The disk that holds {path} is full.", f"Free some space on it. ({name})")
        case sqlite3.SQLITE_IOERR:
            return StoreError(
                f"The disk that holds {path} failed to read or write.",
                f"Check that it is not full, worn out or unplugged. ({name})",
            )
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return StoreError(f"Another program has locked {path}.", f"Close whatever has it open. ({name})")
        case sqlite3.SQLITE_NOTADB:
            return StoreError(f"{path} is not a Meterlink database.", "Name another folder with --data.")
        case sqlite3.SQLITE_CORRUPT:
            return StoreError(
                f"{path} is damaged.",
                f"Move the whole folder aside and start again; keep it, most of it can be recovered. ({name})",
            )
        case sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM:
            return StoreError(
                f"{path} cannot be opened as needed.",
                f"Check that its folder exists and that you may write in it. ({name})",
            )
        case _:
            return StoreError(f"{path}: {error}.", "This is a fault in Meterlink or in what it was given.")


def _primary_code(error: BaseException) -> int:
    # Extended result codes carry the primary one in their low byte.
    return int(getattr(error, "sqlite_errorcode", -1)) & 0xFF
