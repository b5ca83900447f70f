"""The seal of a visit in the database, and the visit as it is now, for the check of both."""

import sqlite3
from collections.abc import Mapping
from typing import NamedTuple

from meterlink.core.errors import StoreError
from meterlink.seal.canonical import Json, fingerprint, text_hash
from meterlink.seal.edition import Edition, hashes_of, hidden, personal_texts
from meterlink.seal.verification import Verification, verify_editions
from meterlink.store.edition_writer import salts_of_visit
from meterlink.store.sealed_contents import time_text, visit_contents


class StoredEdition(NamedTuple):
    """A sealed edition with the number and the time of its row, which should be those of its text."""

    edition: Edition
    number: int
    sealed_utc_ns: int

    @property
    def sealed(self) -> str:
        """The time as the sealed text has it."""
        return str(time_text(self.sealed_utc_ns))


class StoredKey(NamedTuple):
    """A key that a station sealed with. ``ended_utc_ns`` is None, and ``end_reason`` empty, for a present key."""

    public_key: str
    station: str
    since_utc_ns: int
    ended_utc_ns: int | None
    end_reason: str


class StoredSeal(NamedTuple):
    """The seal of a visit. ``verification`` is the check of its editions among themselves.

    ``visit`` is the visit as it is now, with the hashes of its personal texts.
    ``texts`` and ``salts`` are those texts and their salts by subject. A text without salt was removed, or its salt
    was: it cannot be checked.
    """

    visit_uid: str
    is_closed: bool
    editions: tuple[StoredEdition, ...]
    verification: Verification
    visit: dict[str, Json]
    texts: Mapping[str, str]
    salts: Mapping[str, str]

    @property
    def unchecked(self) -> tuple[str, ...]:
        """The subjects of the personal texts that cannot be checked."""
        return tuple(subject for subject in self.texts if subject not in self.salts)


def stored_seal(connection: sqlite3.Connection, visit_uid: str) -> StoredSeal:
    """Return the seal of a visit, without editions if it has none.

    Raises:
        StoreError: there is no such visit.
    """
    row = connection.execute("SELECT id, closed_utc_ns FROM visits WHERE uid = ?", (visit_uid,)).fetchone()
    if row is None:
        raise StoreError(f"There is no visit {visit_uid} in the database.", "It may belong to another data folder.")
    editions = tuple(
        map(_edition, connection.execute("SELECT * FROM seals WHERE visit_id = ? ORDER BY id", (row["id"],)))
    )
    contents = visit_contents(connection, row["id"])
    salts = salts_of_visit(connection, row["id"])
    verification = verify_editions([stored.edition for stored in editions], visit_uid)
    return StoredSeal(
        visit_uid,
        row["closed_utc_ns"] is not None,
        editions,
        verification,
        hidden(contents, hashes_of(contents, salts, verification.visit)),
        {personal.subject: personal.text for personal in personal_texts(contents)},
        salts,
    )


def newest_editions(connection: sqlite3.Connection) -> dict[str, StoredEdition]:
    """Return ``{uid of a sealed visit: its newest edition}``."""
    rows = connection.execute(
        "SELECT s.*, v.uid AS visit_uid FROM seals s JOIN visits v ON v.id = s.visit_id ORDER BY s.id"
    )
    return {row["visit_uid"]: _edition(row) for row in rows}


def seal_fingerprint(connection: sqlite3.Connection, visit_uid: str) -> str:
    """Return the fingerprint of the newest edition of a visit; empty without one."""
    row = connection.execute(
        "SELECT s.text FROM seals s JOIN visits v ON v.id = s.visit_id WHERE v.uid = ? ORDER BY s.id DESC", (visit_uid,)
    ).fetchone()
    return "" if row is None else fingerprint(text_hash(row["text"]))


def _edition(row: sqlite3.Row) -> StoredEdition:
    edition = Edition(row["text"], row["public_key"], row["signature"])
    return StoredEdition(edition, row["edition"], row["sealed_utc_ns"])


def stored_keys(connection: sqlite3.Connection) -> list[StoredKey]:
    """Return the keys of the stations of this database, oldest first."""
    rows = connection.execute(
        "SELECT public_key, station, since_utc_ns, ended_utc_ns, end_reason FROM station_keys"
        " ORDER BY since_utc_ns, public_key"
    )
    return [StoredKey(*row) for row in rows]
