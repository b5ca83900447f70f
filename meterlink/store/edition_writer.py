"""Write a sealed edition of a visit, with the key of the station."""

import sqlite3
import uuid
from contextlib import suppress
from pathlib import Path

from meterlink.core.clock import Clock
from meterlink.core.errors import SealError
from meterlink.seal.edition import Edition, hashes_of, hidden, new_salt, personal_texts, seal_edition
from meterlink.seal.station_key import KEY_FILE, StationKey, new_key, read_key, write_key
from meterlink.seal.verification import changes_since, verify_editions
from meterlink.store.sealed_contents import sealed_clock_steps, time_text, visit_contents

_LOST = "lost"  # the reason where the key's file was gone


class EditionWriter:
    """Seals visits with the key that lies beside the database; makes the key at first use."""

    def __init__(self, database: Path, station: str, clock: Clock) -> None:
        self._key_path = database.with_name(KEY_FILE)
        self._station = station
        self._clock = clock
        self._key: StationKey | None = None

    def replace_key(self, connection: sqlite3.Connection, reason: str) -> str:
        """Begin a new key; return its public key.

        Raises:
            SealError: the key cannot be written.
        """
        with suppress(SealError):  # a damaged file is a reason for a new key
            self._key = self._key or read_key(self._key_path)
        if self._key is not None:
            self._end_keys(connection, "public_key", self._key.public_key, reason)
        key = self._make_key(connection, reason)
        self._note_key(connection, key)
        return key.public_key

    def seal(self, connection: sqlite3.Connection, visit_id: int) -> None:
        """Seal a closed visit, unless it is as its newest edition has it.

        Raises:
            SealError: the key cannot be read or written.
            ValueError: the visit has a value without canonical text.
        """
        verification = verify_editions(editions_of_visit(connection, visit_id))
        sealed = verification.visit
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
        steps = sealed_clock_steps(connection, visit_id)
        edition = seal_edition(visit, number, previous, str(time_text(now)), self._own_key(connection), steps)
        _insert_edition(connection, visit_id, number, now, edition)

    def _own_key(self, connection: sqlite3.Connection) -> StationKey:
        if self._key is None:
            self._key = read_key(self._key_path) or self._make_key(connection, _LOST)
        # Each time: the transaction that noted the key first may have been rolled back.
        self._note_key(connection, self._key)
        return self._key

    def _make_key(self, connection: sqlite3.Connection, reason: str) -> StationKey:
        """Make a new key; those that this station has used end for this reason."""
        key = new_key()
        write_key(self._key_path, key)
        self._key = key
        self._end_keys(connection, "station", self._station, reason)
        return key

    def _end_keys(self, connection: sqlite3.Connection, column: str, value: str, reason: str) -> None:
        connection.execute(
            f"UPDATE station_keys SET ended_utc_ns = ?, end_reason = ? WHERE {column} = ? AND ended_utc_ns IS NULL",  # noqa: S608  # our own names
            (self._clock.now().utc_ns, reason, value),
        )

    def _note_key(self, connection: sqlite3.Connection, key: StationKey) -> None:
        """Note in the database that the station signs with this key."""
        connection.execute(
            "INSERT INTO station_keys (public_key, station, since_utc_ns) VALUES (?, ?, ?)"
            " ON CONFLICT (public_key) DO UPDATE SET ended_utc_ns = NULL, end_reason = ''",
            (key.public_key, self._station, self._clock.now().utc_ns),
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
