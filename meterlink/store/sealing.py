"""Seal closed visits, in the transaction that closes or changes them.

Triggers of the writer's connection note each visit that a statement changes, so that none can be forgotten. They are no
part of the file: where another program changes a visit, no edition is sealed, and the check finds it.
"""

import logging
import sqlite3
import uuid
from contextlib import suppress
from pathlib import Path

from meterlink.core.clock import Clock
from meterlink.core.errors import SealError
from meterlink.seal.edition import (
    Edition,
    hashes_of,
    hidden,
    new_salt,
    personal_texts,
    seal_edition,
)
from meterlink.seal.station_key import KEY_FILE, StationKey, new_key, read_key, write_key
from meterlink.seal.verification import changes_since, verify_editions
from meterlink.store.sealed_contents import time_text, visit_contents

_log = logging.getLogger(__name__)

_LOST = "lost"  # the reason where the key's file was gone
_OF_READING = "SELECT visit_id FROM accepted_readings WHERE id = {0}.accepted_id"
# Each table, with SQL for the visits that a change of its row {0} (new or old) touches.
_TOUCHED = {
    "visits": "SELECT {0}.id",
    "test_points": "SELECT {0}.visit_id",
    "accepted_readings": "SELECT {0}.visit_id",
    "verdicts": _OF_READING,
    "voids": _OF_READING,
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
_END_KEY = "UPDATE station_keys SET ended_utc_ns = ?, end_reason = ? WHERE {0} = ? AND ended_utc_ns IS NULL"
_NOTE_UNSEALED = """
    INSERT OR IGNORE INTO changed_visits
    SELECT id FROM visits v WHERE closed_utc_ns IS NOT NULL AND NOT EXISTS (SELECT 1 FROM seals WHERE visit_id = v.id)
"""


class Sealer:
    """Seals the closed visits of the database beside which the station's key lies, as the writer's thread."""

    def __init__(self, database: Path, station: str, clock: Clock) -> None:
        self._key_path = database.with_name(KEY_FILE)
        self._station = station
        self._clock = clock
        self._key: StationKey | None = None
        self._fault = ""

    def watch(self, connection: sqlite3.Connection) -> None:
        """Note from now on which visits change; begin with the closed ones that have no seal yet."""
        connection.execute("PRAGMA temp_store = MEMORY")  # the notes are no file's business
        for statement in _WATCH:
            connection.execute(statement)
        connection.execute(_NOTE_UNSEALED)

    def seal_changed(self, connection: sqlite3.Connection) -> None:
        """Seal each closed visit that has changed, in the open transaction.

        A fault of the key must not stop the readings: it is logged once, and the visits are sealed when it is mended.

        Raises:
            sqlite3.Error: the disk or a lock prevented it.
        """
        ids = [row[0] for row in connection.execute("SELECT id FROM changed_visits ORDER BY id")]
        if not ids:
            return
        try:
            for visit_id in ids:
                self._seal_if_closed(connection, visit_id)
        except (SealError, ValueError) as error:
            if str(error) != self._fault:
                self._fault = str(error)
                _log.error("A closed visit cannot be sealed. %s", error)
        else:
            self._fault = ""
            connection.execute("DELETE FROM changed_visits")

    def replace_key(self, connection: sqlite3.Connection, reason: str) -> str:
        """Begin a new key, which seals from now on; return its public key. Editions of the old one stay valid.

        Raises:
            SealError: the key cannot be written.
        """
        with suppress(SealError):  # a damaged file is a reason for a new key
            self._key = self._key or read_key(self._key_path)
        if self._key is not None:
            now = self._clock.now().utc_ns
            connection.execute(_END_KEY.format("public_key"), (now, reason, self._key.public_key))
        key = new_key()
        write_key(self._key_path, key)
        self._use_key(connection, key, reason)
        self._key = key
        return key.public_key

    def _seal_if_closed(self, connection: sqlite3.Connection, visit_id: int) -> None:
        row = connection.execute("SELECT closed_utc_ns FROM visits WHERE id = ?", (visit_id,)).fetchone()
        if row is None or row[0] is None:
            return
        verification = verify_editions(editions_of_visit(connection, visit_id))
        newest = verification.newest
        sealed = newest.text.visit if newest is not None and newest.text is not None else None
        contents = visit_contents(connection, visit_id)
        salts = salts_of_visit(connection, visit_id)
        known = hashes_of(contents, salts, sealed)
        for personal in personal_texts(contents):
            if personal.subject not in known:
                salts[personal.subject] = new_salt()
                _insert_salt(connection, visit_id, personal.subject, salts[personal.subject])
        visit = hidden(contents, hashes_of(contents, salts, sealed))
        if sealed is not None and not changes_since(verification, visit):
            return
        heads = verification.heads
        number = 1 + max((head.text.number for head in heads if head.text), default=0)
        now = self._clock.now().utc_ns
        previous = [head.edition.digest for head in heads]
        edition = seal_edition(visit, number, previous, str(time_text(now)), self._own_key(connection))
        _insert_edition(connection, visit_id, number, now, edition)

    def _own_key(self, connection: sqlite3.Connection) -> StationKey:
        if self._key is None:
            key = read_key(self._key_path)
            if key is None:
                key = new_key()
                write_key(self._key_path, key)
            self._use_key(connection, key, _LOST)
            self._key = key
        return self._key

    def _use_key(self, connection: sqlite3.Connection, key: StationKey, reason: str) -> None:
        """Note in the database that the station signs with this key; another one of this station ends."""
        now = self._clock.now().utc_ns
        connection.execute(
            f"{_END_KEY.format('station')} AND public_key <> ?", (now, reason, self._station, key.public_key)
        )
        connection.execute(
            "INSERT INTO station_keys (public_key, station, since_utc_ns) VALUES (?, ?, ?)"
            " ON CONFLICT (public_key) DO UPDATE SET ended_utc_ns = NULL, end_reason = ''",
            (key.public_key, self._station, now),
        )


def editions_of_visit(connection: sqlite3.Connection, visit_id: int) -> list[Edition]:
    """Return the sealed editions of a visit in the order in which they were saved."""
    rows = connection.execute(
        "SELECT text, public_key, signature FROM seals WHERE visit_id = ? ORDER BY id", (visit_id,)
    )
    return [Edition(*row) for row in rows]


def salts_of_visit(connection: sqlite3.Connection, visit_id: int) -> dict[str, str]:
    """Return the salts of the personal texts of a visit by their subjects."""
    rows = connection.execute("SELECT subject, salt FROM seal_salts WHERE visit_id = ? ORDER BY subject", (visit_id,))
    return dict(map(tuple, rows))


def _insert_salt(connection: sqlite3.Connection, visit_id: int, subject: str, salt: str) -> None:
    connection.execute("INSERT INTO seal_salts (visit_id, subject, salt) VALUES (?, ?, ?)", (visit_id, subject, salt))


def _insert_edition(
    connection: sqlite3.Connection, visit_id: int, number: int, sealed_utc_ns: int, edition: Edition
) -> None:
    connection.execute(
        "INSERT INTO seals (uid, visit_id, edition, sealed_utc_ns, text, public_key, signature)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            str(uuid.uuid4()), visit_id, number, sealed_utc_ns, edition.text, edition.public_key, edition.signature,
        ),
    )  # fmt: skip
