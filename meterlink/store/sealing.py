"""Seal closed visits, in the transaction that closes or changes them.

Triggers of the writer's connection note each visit that a statement changes, so that none can be forgotten. They are no
part of the file: where another program changes a visit, no edition is sealed, and the check finds it.
"""

import logging
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.core.clock import Clock
from meterlink.core.errors import SealError
from meterlink.store.connections import is_transient

if TYPE_CHECKING:
    from meterlink.store.edition_writer import EditionWriter

_log = logging.getLogger(__name__)

_OF_READING = "SELECT visit_id FROM accepted_readings WHERE id = {0}.accepted_id"
# Each table, with SQL for the visits that a change of its row {0} (new or old) touches.
_TOUCHED = {
    "visits": "SELECT {0}.id",
    "test_points": "SELECT {0}.visit_id",
    "accepted_readings": "SELECT {0}.visit_id",
    "verdicts": _OF_READING,
    "voids": _OF_READING,
    "corrections": _OF_READING,
    "replacements": "SELECT {0}.visit_id",
    "notes": "SELECT {0}.visit_id",
}
# Names: the rows are shared by visits, and change by a new name only.
_RENAMED = {
    "sites": "SELECT v.id FROM visits v JOIN units u ON u.id = v.unit_id WHERE u.site_id = new.id",
    "units": "SELECT id FROM visits WHERE unit_id = new.id",
    "circuits": "SELECT p.visit_id FROM test_points p JOIN components co ON co.id = p.component_id"
    " WHERE co.circuit_id = new.id",
    "components": "SELECT visit_id FROM test_points WHERE component_id = new.id",
}
_WATCH = (
    "CREATE TEMP TABLE changed_visits (id INTEGER PRIMARY KEY)",
    "CREATE TEMP TABLE unsealed_visits (id INTEGER PRIMARY KEY)",
    *(
        f"CREATE TEMP TRIGGER seal_{event}_{table} AFTER {event} ON main.{table} BEGIN"
        f" INSERT OR IGNORE INTO changed_visits {visits.format(row)}; END"
        for table, visits in _TOUCHED.items()
        for event, row in (("INSERT", "new"), ("UPDATE", "new"), ("DELETE", "old"))
    ),
    *(
        f"CREATE TEMP TRIGGER seal_renamed_{table} AFTER UPDATE ON main.{table} BEGIN"
        f" INSERT OR IGNORE INTO changed_visits {visits}; END"
        for table, visits in _RENAMED.items()
    ),
)
_NOTE_UNSEALED = """
    INSERT INTO unsealed_visits
    SELECT id FROM visits v WHERE closed_utc_ns IS NOT NULL AND NOT EXISTS (SELECT 1 FROM seals WHERE visit_id = v.id)
"""
# Some at a time, at some ms each: a record without seals may have thousands of visits, and readings must not wait.
_MOVE_UNSEALED = """
    INSERT OR IGNORE INTO changed_visits SELECT id FROM unsealed_visits ORDER BY id LIMIT 20
"""
_CLOSED = """
    SELECT c.id FROM changed_visits c JOIN visits v ON v.id = c.id WHERE v.closed_utc_ns IS NOT NULL ORDER BY c.id
"""


class Sealer:
    """Seals the closed visits of the database beside which the station's key lies, as the writer's thread."""

    def __init__(self, database: Path, station: str, clock: Clock) -> None:
        self._database = database
        self._station = station
        self._clock = clock
        self._editions: EditionWriter | None = None
        self._fault = ""

    def watch(self, connection: sqlite3.Connection) -> None:
        """Note from now on which visits change, and which closed ones have no seal yet."""
        connection.execute("PRAGMA temp_store = MEMORY")  # the notes are no file's business
        for statement in _WATCH:
            connection.execute(statement)
        connection.execute(_NOTE_UNSEALED)

    def seal_changed(self, connection: sqlite3.Connection) -> None:
        """Seal each closed visit that has changed, in the open transaction, and some that have no seal yet.

        No fault here may stop the readings. One of the key is logged once, and the visits are sealed when it is mended.
        One of a visit's rows is logged; it is tried again when the visit changes, or at the next start.

        Raises:
            sqlite3.Error: the disk or a lock prevented it.
        """
        connection.execute(_MOVE_UNSEALED)
        for (visit_id,) in map(tuple, connection.execute(_CLOSED).fetchall()):
            try:
                self._edition_writer().seal(connection, visit_id)
            except SealError as error:
                if str(error) != self._fault:
                    self._fault = str(error)
                    _log.error("A closed visit cannot be sealed. %s", error)
                return
            except Exception as error:  # another program may have written anything into a row
                if is_transient(error):
                    raise
                _log.exception("The closed visit in row %d cannot be sealed", visit_id)
        self._fault = ""
        connection.execute("DELETE FROM unsealed_visits WHERE id IN (SELECT id FROM changed_visits)")
        connection.execute("DELETE FROM changed_visits")

    def replace_key(self, connection: sqlite3.Connection, reason: str) -> str:
        """Begin a new key, which seals from now on; return its public key. Editions of the old one stay valid.

        Raises:
            SealError: the key cannot be written.
        """
        return self._edition_writer().replace_key(connection, reason)

    def _edition_writer(self) -> "EditionWriter":
        if self._editions is None:
            # Imported for the first visit that is closed: signatures take a tenth of the time in which a daemon starts.
            from meterlink.store.edition_writer import EditionWriter  # noqa: PLC0415

            self._editions = EditionWriter(self._database, self._station, self._clock)
        return self._editions
