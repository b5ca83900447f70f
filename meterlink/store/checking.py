"""Checks of a database for damage: a quick one of its pages, and a full one that also compares indexes and rows.

SQLite keeps no checksums: a page that is whole in itself, with other contents than were written, is found by neither.
"""

import sqlite3
from collections.abc import Callable
from pathlib import Path

from meterlink.core.errors import StoreError
from meterlink.core.text import count_phrase
from meterlink.store.connections import connect_for_reading
from meterlink.store.copying import Progress, no_progress

# Faults that a check names: the first show that there is damage, and `meterlink salvage` counts it.
_MOST_FAULTS = 10
_PAGE_NUMBERS = ("page_count", "freelist_count", "page_size")
_LOCK_BYTE = 2**30  # https://sqlite.org/fileformat.html, 1.4
# Steps of SQLite's machine between two looks whether to stop: some milliseconds.
_STEPS = 100_000


def _never() -> bool:
    return False


def quick_check(path: Path, is_stopped: Callable[[], bool] = _never) -> tuple[str, ...]:
    """Return the faults in the pages of a database, ten at most; none if they are sound, or when it is stopped.

    It takes about as long as to read the file. Each table is looked at in a transaction of its own, so that a station
    that writes can tidy its log meanwhile. ``is_stopped`` is asked every few milliseconds.

    Raises:
        StoreError: there is no database, or it cannot be opened; a `DamagedDatabaseError` is a fault as well.
    """
    with connect_for_reading(path) as connection:
        rows = connection.execute(
            "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type IN ('table', 'shadow')"
        )
        tables = [name for (name,) in map(tuple, rows)]
    faults: list[str] = []
    for table in tables:
        if is_stopped() or len(faults) >= _MOST_FAULTS:
            break
        try:
            with connect_for_reading(path) as connection:
                connection.set_progress_handler(is_stopped, _STEPS)
                faults += _faults(connection, f"PRAGMA quick_check('{table}')")
        except StoreError:
            if not is_stopped():  # a stopped check ends in an error of SQLite
                raise
    return tuple(faults[:_MOST_FAULTS])


def full_check(path: Path, progress: Progress = no_progress) -> tuple[str, ...]:
    """Return the faults of a database, ten at most; none if it is sound.

    Every page is read, every index is compared with its table, and every reference with its row; a page that nothing
    leads to is a fault, too: its rows are lost. A large record takes minutes.

    Raises:
        StoreError: there is no database, or it cannot be opened; a `DamagedDatabaseError` is a fault as well.
    """
    progress("Checking", 0, 2)
    with connect_for_reading(path) as connection:
        faults = _faults(connection, f"PRAGMA integrity_check({_MOST_FAULTS})")
        progress("Checking", 1, 2)
        if not faults:
            faults = _pages_of_nothing(connection)
        if not faults:  # in a damaged table the references are of no use
            faults = [
                f"a row of {table} refers to a row of {parent} that is missing"
                for table, _, parent, _ in map(
                    tuple, connection.execute("PRAGMA foreign_key_check").fetchmany(_MOST_FAULTS)
                )
            ]
    progress("Checking", 2, 2)
    return tuple(faults)


def _pages_of_nothing(connection: sqlite3.Connection) -> list[str]:
    """Return the fault of pages that are neither in a table or an index nor free.

    SQLite 3.40 leaves them out of its own check where the first object that it finds in the schema is a view, which
    has no page. A library without the table of its pages (dbstat) tells nothing of them.
    """
    if not connection.execute("SELECT 1 FROM pragma_module_list WHERE name = 'dbstat'").fetchone():
        return []
    # All numbers are of one state of the record: the connection is in a transaction.
    (used,) = connection.execute("SELECT COUNT(*) FROM dbstat").fetchone()
    count, free, size = (connection.execute(f"PRAGMA {name}").fetchone()[0] for name in _PAGE_NUMBERS)
    locking = 1 if count > _LOCK_BYTE // size else 0  # the page of the lock byte is in no table (file format, 1.4)
    left = count - free - used - locking
    return [f"{count_phrase(left, 'page')} in no table, no index and not free"] if left else []


def _faults(connection: sqlite3.Connection, check: str) -> list[str]:
    """Return the lines of one of SQLite's checks, without its headings."""
    texts = [str(text) for (text,) in map(tuple, connection.execute(check))]
    lines = [line for text in texts for line in text.splitlines()]
    return [line for line in lines if line != "ok" and not line.startswith("*** in database")]
