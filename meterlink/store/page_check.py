"""The check of a database's pages, read-only: damage is found before a reading is looked for in vain."""

from pathlib import Path

from meterlink.core.errors import DamagedDatabaseError
from meterlink.store.connections import connect_for_reading

_MOST_PROBLEMS = 3  # of SQLite's sentences: enough to see that there is damage


def check_pages(path: Path, *, full: bool = False) -> None:
    """Check every page of a database; ``full`` also compares the indexes and the references between tables.

    Both read the whole file.

    Raises:
        DamagedDatabaseError: a page is damaged; the message has SQLite's own words.
        StoreError: the database cannot be read.
    """
    pragma = "integrity_check" if full else "quick_check"
    with connect_for_reading(path) as connection:
        rows = [str(text) for (text,) in map(tuple, connection.execute(f"PRAGMA {pragma}({_MOST_PROBLEMS})"))]
        problems = [] if rows == ["ok"] else rows
        if full and not problems:
            problems = [
                f"a row of {table} refers to a missing one"
                for table, *_ in map(tuple, connection.execute("PRAGMA foreign_key_check").fetchmany(_MOST_PROBLEMS))
            ]
    if problems:
        raise DamagedDatabaseError(
            f"{path} is damaged ({'; '.join(problems)}).",
            "Stop the daemon, keep a copy of the whole folder, then restore a backup: meterlink restore FILE --replace",
        )
