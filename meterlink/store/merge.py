"""Merge the database of another station, or an older copy of this one, into a database: no row twice, none lost.

`meterlink.store.merge_kinds` (a uid, or names) and `meterlink.store.merge_raw` say which rows are the same;
`meterlink.store.merge_changes`, which change counts where both have a row. Rows of both are put in the order of time
(`meterlink.store.row_order`). The outbox, the refused messages and the counters are the other station's own affair: it
publishes its messages itself. Only those of a record of this very station, which was kept beside the present one, are
taken over (`meterlink.store.merge_messages`).

All is one transaction on this database: it is merged, or unchanged. The other database is opened read-only.

A closed visit that both have, and that the merge changes, is sealed again by this station, over the editions of both.
"""

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from meterlink.core.errors import DamagedDatabaseError, InputError, NoDatabaseError
from meterlink.store import merge_changes
from meterlink.store.connections import (
    SCHEMA_VERSION,
    attach_for_reading,
    check_file,
    connect_for_writing,
    is_directly_readable,
    raise_store_errors,
    stored_version,
)
from meterlink.store.copying import Progress, copy_database, no_progress, temporary_database
from meterlink.store.foreign_texts import check_texts
from meterlink.store.lock import exclusive_folder
from meterlink.store.merge_kinds import (
    ACCEPTED,
    BOOTS,
    CONNECTIONS,
    JUDGEMENTS,
    METERS,
    PLACES,
    VISITS,
    insert_new_rows,
    newest_id,
)
from meterlink.store.merge_messages import is_kept_beside, take_messages
from meterlink.store.merge_raw import RawMerge
from meterlink.store.migration import migrate
from meterlink.store.older_versions import bring_up_to_date
from meterlink.store.queries import UNUSED_READING_IDS
from meterlink.store.row_order import put_in_order
from meterlink.store.sealing import Sealer
from meterlink.store.transactions import increment_counter
from meterlink.store.word_index import drop_word_triggers, rebuild_word_index

# The publisher's tables, of another station.
NOT_MERGED = ("outbox", "rejected_messages", "counters")


class MergeResult(NamedTuple):
    """``new``: the number of new rows of each table, ``{table: number}``. ``remarks``: sentences on contradictions."""

    new: Mapping[str, int]
    remarks: tuple[str, ...]


def merge_file(
    path: Path,
    other: Path,
    *,
    sealer: Sealer | None = None,
    preview: bool = False,
    progress: Progress = no_progress,
) -> MergeResult:
    """Merge the database ``other`` into that at ``path``; with ``preview`` only count the rows that would come.

    ``sealer`` seals the visits that the merge changes; None for a database without them. ``progress`` counts the raw
    readings. Without a database at ``path`` one is made.

    Raises:
        InputError: both are one file, or a text in ``other`` has control characters.
        NoDatabaseError: there is no file ``other``.
        DatabaseLockedError: a station runs on ``path``: it has the row ids in its memory.
        StoreError: one of the files is damaged, another program's or a newer Meterlink's, or the disk is full;
            ``path`` is unchanged.
    """
    if not other.is_file():
        raise NoDatabaseError(f"There is no database {other}.", "Name the database of the other station.")
    if path.exists() and path.samefile(other):
        raise InputError(f"{other} is this station's own database.", "Name the database of the other station.")
    with exclusive_folder(path, "merging"):
        check_file(path)
        with (
            _current_version(other, path.parent) as readable,
            _own_database(path, preview=preview) as own,
            raise_store_errors(path),
            closing(connect_for_writing(own)) as connection,
        ):
            bring_up_to_date(connection, own)
            attach_for_reading(connection, readable, "other")
            check_texts(connection, "other", other)
            connection.row_factory = sqlite3.Row
            with _transaction(connection, preview=preview):
                result = _merge_rows(connection, path, None if preview else sealer, progress, preview=preview)
                if is_kept_beside(path, other):
                    messages = {table: number for table, number in take_messages(connection, other).items() if number}
                    result = result._replace(new={**result.new, **messages})
            if not preview:
                with suppress(sqlite3.Error):  # the rows are committed; the next start moves the log
                    connection.execute("PRAGMA main.wal_checkpoint(TRUNCATE)")
            return result


@contextmanager
def _own_database(path: Path, *, preview: bool) -> Iterator[Path]:
    """Yield the path of the database that is merged into; where none is, a preview makes none."""
    if path.exists() or not preview:
        yield path
        return
    with temporary_database(path.parent, path.name) as empty:
        yield empty


@contextmanager
def _current_version(other: Path, folder: Path) -> Iterator[Path]:
    """Yield a database with the contents of ``other`` in the present schema: itself, or a copy in ``folder``."""
    if stored_version(other) == SCHEMA_VERSION and is_directly_readable(other):
        yield other
        return
    with temporary_database(folder, other.name) as copy:
        copy_database(other, copy)
        with raise_store_errors(copy), closing(connect_for_writing(copy)) as connection:
            migrate(connection, copy)
        yield copy


@contextmanager
def _transaction(connection: sqlite3.Connection, *, preview: bool) -> Iterator[None]:
    """Commit the changes of the context when it ends; after an error, or with ``preview``, undo them."""
    # Rows get other ids; the references are checked before the commit.
    connection.execute("PRAGMA foreign_keys = OFF")
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("ROLLBACK" if preview else "COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _merge_rows(
    connection: sqlite3.Connection,
    path: Path,
    sealer: Sealer | None,
    progress: Progress,
    *,
    preview: bool,
) -> MergeResult:
    drop_word_triggers(connection)
    kinds = (BOOTS, *PLACES, *VISITS, METERS, *CONNECTIONS, ACCEPTED, *JUDGEMENTS)
    first_new = {kind.table: newest_id(connection, kind.table) + 1 for kind in kinds}
    newest_raw = newest_id(connection, "raw_readings")
    if sealer is not None:
        sealer.watch(connection)
        connection.execute("DELETE FROM temp.changed_visits")  # of visits without a seal: the next start's
    new = insert_new_rows(connection, (BOOTS, *PLACES, *VISITS, METERS, *CONNECTIONS))
    raw = RawMerge(connection, first_new["connections"], copy=not preview)
    new["raw_readings"] = raw.run(progress)
    new |= insert_new_rows(connection, (ACCEPTED, *JUDGEMENTS))
    # `replacements.after_accepted_id` is 0 before the first accepted reading of a visit.
    connection.execute(
        "UPDATE main.replacements AS r SET after_accepted_id = COALESCE("
        " (SELECT new FROM temp.same_accepted_readings WHERE old = r.after_accepted_id), 0) WHERE id >= ?",
        (first_new["replacements"],),
    )
    merge_changes.merge_units(connection)
    remarks = merge_changes.merge_visits(connection)
    merge_changes.merge_undone_replacements(connection)
    merge_changes.merge_points(connection)
    remarks += merge_changes.merge_meters(connection, first_new["meters"])
    merge_changes.merge_ends(connection)
    merge_changes.merge_rows_without_id(connection)
    remarks += merge_changes.units_with_two_open_visits(connection)
    changed = [] if sealer is None else _changed_visits(connection, first_new["visits"])
    if not preview:
        unused = newest_id(connection, "raw_readings") - newest_raw - new["raw_readings"]
        increment_counter(connection, UNUSED_READING_IDS, unused)
        put_in_order(connection, {table: first for table, first in first_new.items() if new[table]})
        rebuild_word_index(connection)
        if broken := connection.execute("PRAGMA main.foreign_key_check").fetchone():
            raise DamagedDatabaseError(
                f"A row of {broken[0]} in the other database refers to a row that is missing; {path} is unchanged.",
                "Check the other database: back it up on its own machine, which names the damage.",
            )
    if sealer is not None:
        connection.executemany(
            "INSERT INTO temp.changed_visits SELECT id FROM main.visits WHERE uid = ?", ((uid,) for uid in changed)
        )
        sealer.seal_changed(connection)
    return MergeResult({table: number for table, number in new.items() if number}, tuple(remarks))


def _changed_visits(connection: sqlite3.Connection, first_new: int) -> list[str]:
    """Return the uids of the visits of this database that the merge has changed; stop noting them."""
    uids = [
        row["uid"]
        for row in connection.execute(
            "SELECT uid FROM main.visits WHERE id IN (SELECT id FROM temp.changed_visits) AND id < ?", (first_new,)
        )
    ]
    for (name,) in map(
        tuple, connection.execute("SELECT name FROM temp.sqlite_master WHERE type = 'trigger'").fetchall()
    ):
        connection.execute(f"DROP TRIGGER temp.{name}")
    connection.execute("DELETE FROM temp.changed_visits")
    return uids
