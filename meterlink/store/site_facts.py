"""The facts about sites: the statements that write them, and the queries that return them."""

import sqlite3
import uuid
from collections.abc import Mapping

from meterlink.core.site_facts import SiteFact
from meterlink.store.decoding import decode_rows
from meterlink.store.places import find_site
from meterlink.store.rows import StoredSite


def add_site_fact(connection: sqlite3.Connection, site: str, fact: SiteFact, text: str, now_utc_ns: int) -> None:
    """Add a fact about a site; an empty text removes it.

    Raises:
        VisitError: there is no such site.
    """
    connection.execute(
        "INSERT INTO site_facts (uid, site_id, fact, text, utc_ns) VALUES (?, ?, ?, ?, ?)",
        (str(uuid.uuid4()), find_site(connection, site), fact, text, now_utc_ns),
    )


def site_facts(connection: sqlite3.Connection, site: str) -> Mapping[SiteFact, str]:
    """Return the newest of each fact about a site, without those that were removed; none for an unknown site."""
    row = connection.execute("SELECT id FROM sites WHERE name = ?", (site,)).fetchone()
    return {} if row is None else _facts(connection, row["id"])


def sites(connection: sqlite3.Connection) -> list[StoredSite]:
    """Return all sites in the order in which they were first visited."""
    rows = connection.execute(
        "SELECT s.id, s.name, COUNT(DISTINCT u.id) AS units, COUNT(v.id) AS visits FROM sites s"
        " LEFT JOIN units u ON u.site_id = s.id LEFT JOIN visits v ON v.unit_id = u.id GROUP BY s.id ORDER BY s.id"
    ).fetchall()
    return [StoredSite(row["name"], _facts(connection, row["id"]), row["units"], row["visits"]) for row in rows]


def _facts(connection: sqlite3.Connection, site_id: int) -> Mapping[SiteFact, str]:
    # By the time, not by the row: two databases that are merged keep their rows' times.
    rows = connection.execute("SELECT * FROM site_facts WHERE site_id = ? ORDER BY utc_ns, uid", (site_id,))
    newest = dict(decode_rows(lambda row: (SiteFact(row["fact"]), str(row["text"])), rows))
    return {fact: newest[fact] for fact in SiteFact if newest.get(fact)}
