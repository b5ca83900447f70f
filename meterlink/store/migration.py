"""Bring a database up to date: all migrations that are due, or none."""

import sqlite3
from pathlib import Path

from meterlink.core.errors import StoreError
from meterlink.store.connections import APPLICATION_ID, SCHEMA_VERSION, check_writable, is_empty, write_file_header

# STRICT tables (SQLite 3.37) refuse a value of the wrong type.
OLDEST_SQLITE = (3, 37, 0)


def migrate(connection: sqlite3.Connection, path: Path, version: int | None = None) -> None:
    """Create or migrate the database of ``connection`` (in autocommit mode): all migrations or none.

    A new one may get the tables of an older ``version``, for rows of that version.

    Raises:
        StoreError: the file is another program's or written by a newer Meterlink, or the SQLite library is too old, or
            has no FTS5; the file is unchanged.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        oldest = ".".join(map(str, OLDEST_SQLITE))
        raise StoreError(
            f"This Python has SQLite {sqlite3.sqlite_version}; {oldest} or newer is needed.", "Use a newer Python."
        )
    if not connection.execute("SELECT 1 FROM pragma_module_list WHERE name = 'fts5'").fetchone():
        raise StoreError("The SQLite of this Python has no word index (FTS5).", "Use another build of Python.")
    check_writable(connection, path)
    # In WAL mode a reader never waits for the writer, nor the writer for a reader.
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("BEGIN IMMEDIATE")
    try:
        if is_empty(connection) or older_version(connection) is not None:
            _apply_migrations(connection, SCHEMA_VERSION if version is None else version)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def older_version(connection: sqlite3.Connection) -> int | None:
    """Return the schema version of a database of ours that a migration is due for; None for any other file."""
    # The version in the file's header is written in the transaction that applies the migrations.
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    is_older = owner == APPLICATION_ID and int(version) < SCHEMA_VERSION
    return int(version) if is_older and not is_empty(connection) else None


def _apply_migrations(connection: sqlite3.Connection, version: int) -> None:
    # Imported here: sqlite-utils takes a third of the time of the daemon's imports, and is needed once per version.
    from sqlite_utils import Database  # noqa: PLC0415

    from meterlink.store.schema import MIGRATIONS  # noqa: PLC0415

    database = Database(connection, execute_plugins=False, recursive_triggers=False)
    done = len(MIGRATIONS.applied(database))
    later = [migration.name for migration in MIGRATIONS.pending(database)][version - done :]
    MIGRATIONS.apply(database, stop_before=later)
    write_file_header(connection, version)
