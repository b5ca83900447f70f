"""Remove the personal data of a site or of a visit, and leave the measurements.

The names become pseudonyms and the texts ``removed``, so that each row stays where a seal has its hash; their salts are
deleted, so that nobody can try names against the hashes. `scrub` then takes the bytes out of the file: SQLite alone
leaves deleted text in free space, in its word index and in its log.
"""

import secrets
import sqlite3
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from meterlink.core.difference_note import noted_difference
from meterlink.core.errors import StoreError, VisitError
from meterlink.core.meter_proof import is_proof_note
from meterlink.core.nameplate import UnitFact
from meterlink.core.site_facts import SiteFact
from meterlink.store.connections import write_anew
from meterlink.store.places import find_site

REMOVED = "removed"
"""The text in the place of one that was removed."""

# The facts that a person writes about people and places; those of the nameplate are the machine's.
_UNIT_FACTS = (UnitFact.NOTE, UnitFact.PHOTO, UnitFact.LOCATION)
_SITE_FACTS = (SiteFact.CUSTOMER, SiteFact.ADDRESS)
# Every message on an accepted reading has the uid of its visit.
_MESSAGES_OF_VISIT = tuple(
    f"{table} WHERE instr(payload, CAST(? AS BLOB)) > 0" for table in ("outbox", "rejected_messages")
)
_STILL_THERE = "The personal data is removed, but its bytes are still in the file."
_AGAIN = "Then run it again with the new name, which meterlink site list has."
_PSEUDONYM_BYTES = 2  # four hexadecimal digits; the names are unique, so it is drawn again if it is taken


class Removal(NamedTuple):
    """The personal data of a site or a visit.

    ``counts`` is ``{kind: number}`` in words. ``photos`` are the paths of pictures, whose files are no part of the
    record. ``in_plans`` is the number of visits whose plan has the name of the site or the customer in its text,
    which stays: the seal covers it.
    """

    counts: Mapping[str, int]
    photos: tuple[str, ...]
    in_plans: int


def site_removal(connection: sqlite3.Connection, site: str, *, units: bool) -> Removal:
    """Return the personal data of a site; with ``units``, the names of its units among them.

    Raises:
        VisitError: there is no such site.
    """
    site_id = find_site(connection, site)
    visits = _visits_of_site(connection, site_id)
    site_facts, unit_facts = _personal_site_facts(connection, site_id), _unit_facts(connection, site_id)
    counts = {
        "site name": 1,
        "customer entry": sum(row["fact"] == SiteFact.CUSTOMER for row in site_facts),
        "address entry": sum(row["fact"] == SiteFact.ADDRESS for row in site_facts),
        "unit name": _count(connection, "SELECT COUNT(*) FROM units WHERE site_id = ?", (site_id,)) if units else 0,
        "unit fact": len(unit_facts),
        **_visit_counts(connection, visits),
    }
    photos = tuple(row["text"] for row in unit_facts if row["fact"] == UnitFact.PHOTO)
    names = [site, *(row["text"] for row in site_facts)]
    return Removal(counts, photos, _plans_with(connection, visits, names))


def visit_removal(connection: sqlite3.Connection, uid: str) -> Removal:
    """Return the personal data of one visit, without the names of its site and unit.

    Raises:
        VisitError: there is no such visit.
    """
    return Removal(_visit_counts(connection, [_find_visit(connection, uid)]), (), 0)


def forget_site(connection: sqlite3.Connection, site: str, *, units: bool) -> str:
    """Remove the personal data of a site, with ``units`` the names of its units, too; return its pseudonym.

    Raises:
        VisitError: there is no such site, or a visit there is open.
    """
    site_id = find_site(connection, site)
    visits = _visits_of_site(connection, site_id)
    _require_closed(connection, visits)
    pseudonym = _pseudonym(connection, "site", "SELECT 1 FROM sites WHERE name = ?")
    connection.execute("UPDATE sites SET name = ? WHERE id = ?", (pseudonym, site_id))
    for row in _personal_site_facts(connection, site_id):
        connection.execute("DELETE FROM site_facts WHERE id = ?", (row["id"],))
    for row in _unit_facts(connection, site_id):
        connection.execute("DELETE FROM unit_facts WHERE id = ?", (row["id"],))
    if units:
        for unit in connection.execute("SELECT id FROM units WHERE site_id = ?", (site_id,)).fetchall():
            name = _pseudonym(connection, "unit", "SELECT 1 FROM units WHERE name = ?")
            connection.execute("UPDATE units SET name = ? WHERE id = ?", (name, unit["id"]))
    _forget_visits(connection, visits, ("site", "unit") if units else ("site",))
    _empty_word_index(connection)
    return pseudonym


def forget_visit(connection: sqlite3.Connection, uid: str) -> None:
    """Remove technician, job, notes and typed reasons of one visit.

    Raises:
        VisitError: there is no such visit, or it is open.
    """
    visits = [_find_visit(connection, uid)]
    _require_closed(connection, visits)
    _forget_visits(connection, visits, ())


def scrub(path: Path) -> None:
    """Write the database at ``path`` anew, without the bytes of deleted text, and empty its log.

    Run it outside any transaction, by the only writer.

    Raises:
        StoreError: the disk is full or fails; the bytes are still there.
        DatabaseLockedError: a reader keeps the log from being emptied; the bytes are still there.
    """
    try:
        write_anew(path)
    except StoreError as cause:
        raise type(cause)(f"{_STILL_THERE} {cause.message} {cause.remedy}", _AGAIN) from cause


def _forget_visits(connection: sqlite3.Connection, visits: Iterable[int], names: Iterable[str]) -> None:
    for visit_id in visits:
        uid = connection.execute("SELECT uid FROM visits WHERE id = ?", (visit_id,)).fetchone()["uid"]
        notes, voids = _notes(connection, visit_id), _voids(connection, visit_id)
        corrections = _signed_corrections(connection, visit_id)
        for row in notes:
            connection.execute("UPDATE notes SET text = ? WHERE id = ?", (REMOVED, row["id"]))
        for row in voids:
            connection.execute("UPDATE voids SET reason = ? WHERE id = ?", (REMOVED, row["id"]))
        for row in corrections:
            connection.execute("UPDATE corrections SET technician = ? WHERE id = ?", (REMOVED, row["id"]))
        # An empty text stays empty: the seal has it so.
        for column in ("technician", "job"):
            connection.execute(
                f"UPDATE visits SET {column} = ? WHERE id = ? AND {column} <> ''",  # noqa: S608  # our own names
                (REMOVED, visit_id),
            )
        subjects = [*names, "technician", "job"]
        subjects += [f"note {row['uid']}" for row in notes] + [f"void {row['uid']}" for row in voids]
        subjects += [f"correction {row['uid']}" for row in corrections]
        connection.executemany(
            "DELETE FROM seal_salts WHERE visit_id = ? AND subject = ?", [(visit_id, subject) for subject in subjects]
        )
        for messages in _MESSAGES_OF_VISIT:
            connection.execute(f"DELETE FROM {messages}", (uid,))  # noqa: S608  # constants only


def _visit_counts(connection: sqlite3.Connection, visits: Iterable[int]) -> dict[str, int]:
    counts = dict.fromkeys(("technician", "job number", "remark", "waiting message"), 0)
    for visit_id in visits:
        row = connection.execute("SELECT uid, technician, job FROM visits WHERE id = ?", (visit_id,)).fetchone()
        counts["technician"] += row["technician"] not in {"", REMOVED}
        counts["technician"] += len(_signed_corrections(connection, visit_id))
        counts["job number"] += row["job"] not in {"", REMOVED}
        counts["remark"] += len(_notes(connection, visit_id)) + len(_voids(connection, visit_id))
        counts["waiting message"] += sum(
            _count(connection, f"SELECT COUNT(*) FROM {messages}", (row["uid"],))  # noqa: S608  # constants only
            for messages in _MESSAGES_OF_VISIT
        )
    return counts


def _notes(connection: sqlite3.Connection, visit_id: int) -> list[sqlite3.Row]:
    """Return the notes and the reasons of skipped points that a person typed: no proof of a meter, no difference."""
    rows = connection.execute("SELECT id, uid, text FROM notes WHERE visit_id = ?", (visit_id,)).fetchall()
    return [
        row
        for row in rows
        if row["text"] not in {"", REMOVED} and not is_proof_note(row["text"]) and noted_difference(row["text"]) is None
    ]


def _voids(connection: sqlite3.Connection, visit_id: int) -> list[sqlite3.Row]:
    return connection.execute(
        "SELECT o.id, o.uid FROM voids o JOIN accepted_readings a ON a.id = o.accepted_id"
        " WHERE a.visit_id = ? AND o.reason NOT IN ('', ?)",
        (visit_id, REMOVED),
    ).fetchall()


def _signed_corrections(connection: sqlite3.Connection, visit_id: int) -> list[sqlite3.Row]:
    """Return the corrections of a visit that name the person who recorded them."""
    return connection.execute(
        "SELECT k.id, k.uid FROM corrections k JOIN accepted_readings a ON a.id = k.accepted_id"
        " WHERE a.visit_id = ? AND k.technician NOT IN ('', ?)",
        (visit_id, REMOVED),
    ).fetchall()


def _personal_site_facts(connection: sqlite3.Connection, site_id: int) -> list[sqlite3.Row]:
    rows = connection.execute("SELECT id, fact, text FROM site_facts WHERE site_id = ?", (site_id,)).fetchall()
    return [row for row in rows if row["fact"] in _SITE_FACTS]


def _unit_facts(connection: sqlite3.Connection, site_id: int) -> list[sqlite3.Row]:
    rows = connection.execute(
        "SELECT f.id, f.fact, f.text FROM unit_facts f JOIN units u ON u.id = f.unit_id WHERE u.site_id = ?", (site_id,)
    ).fetchall()
    return [row for row in rows if row["fact"] in _UNIT_FACTS]


def _visits_of_site(connection: sqlite3.Connection, site_id: int) -> list[int]:
    rows = connection.execute(
        "SELECT v.id FROM visits v JOIN units u ON u.id = v.unit_id WHERE u.site_id = ? ORDER BY v.id", (site_id,)
    ).fetchall()
    return [row["id"] for row in rows]


def _find_visit(connection: sqlite3.Connection, uid: str) -> int:
    """Return the row id of a visit.

    Raises:
        VisitError: there is no such visit.
    """
    row = connection.execute("SELECT id FROM visits WHERE uid = ?", (uid,)).fetchone()
    if row is None:
        raise VisitError(f"There is no visit {uid}.", "List them: meterlink visit list")
    return int(row["id"])


def _require_closed(connection: sqlite3.Connection, visits: Iterable[int]) -> None:
    """Do nothing if all visits are closed.

    Raises:
        VisitError: one is open: it would write its texts again.
    """
    for visit_id in visits:
        row = connection.execute(
            "SELECT uid FROM visits WHERE id = ? AND closed_utc_ns IS NULL", (visit_id,)
        ).fetchone()
        if row is not None:
            raise VisitError(f"The visit {row['uid'][:8]} is open.", "Close it first: meterlink visit close")


def _pseudonym(connection: sqlite3.Connection, word: str, taken: str) -> str:
    while True:
        name = f"{word} {secrets.token_hex(_PSEUDONYM_BYTES)}"
        if connection.execute(taken, (name,)).fetchone() is None:
            return name


def _plans_with(connection: sqlite3.Connection, visits: Iterable[int], names: Iterable[str]) -> int:
    wanted = [name.casefold() for name in names if name]
    texts = (
        connection.execute("SELECT plan || ' ' || plan_text AS text FROM visits WHERE id = ?", (visit_id,)).fetchone()
        for visit_id in visits
    )
    return sum(any(name in row["text"].casefold() for name in wanted) for row in texts)


def _empty_word_index(connection: sqlite3.Connection) -> None:
    """Make the word index anew of its rows: the words of deleted rows stay in it until its parts are merged."""
    connection.execute("INSERT INTO accepted_words (accepted_words) VALUES ('rebuild')")


def _count(connection: sqlite3.Connection, query: str, values: tuple[object, ...]) -> int:
    return int(connection.execute(query, values).fetchone()[0])
