"""Which accepted readings a history lists: the filter, and the ids of the readings that it selects, in order.

The ids are found first, with the conditions as sub-queries that touch only the tables that they need. To read whole
rows and sort them would cost a hundred times as much for a unit that was visited often.
"""

import sqlite3
from collections.abc import Iterator
from typing import NamedTuple

PAGE = 1000
"""Accepted readings that are read at once: some megabytes, and a hundredth of a second."""

COUNTS = "COALESCE((SELECT voided FROM voids WHERE accepted_id = a.id ORDER BY id DESC LIMIT 1), 0) = 0"
"""The SQL condition that an accepted reading is not voided."""

AT_PLACE = """a.visit_id IN (
    SELECT v.id FROM visits v JOIN units u ON u.id = v.unit_id JOIN sites s ON s.id = u.site_id WHERE {0}
)"""
"""The SQL condition, of units ``u`` and sites ``s``, for the place of an accepted reading: an index finds it."""

# One search for each reading, by row ids: the readings are walked in their order.
_AT_PART = """EXISTS (
    SELECT 1 FROM test_points p JOIN components co ON co.id = p.component_id JOIN circuits ci ON ci.id = co.circuit_id
    WHERE p.id = a.point_id AND {0}
)"""
_BY_METER = """EXISTS (
    SELECT 1 FROM raw_readings r JOIN stretches st ON st.id = r.stretch_id
    JOIN connections c ON c.id = st.connection_id WHERE r.id = a.raw_reading_id AND c.meter_id IN (
        SELECT id FROM meters
        WHERE name = ?1 COLLATE NOCASE OR address = ?1 COLLATE NOCASE OR current_address = ?1 COLLATE NOCASE
        UNION SELECT meter_id FROM meter_aliases WHERE address = ?1
    )
)"""
_BY_VERDICT = """EXISTS (
    SELECT 1 FROM verdicts j WHERE j.id = (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id)
        AND (j.verdict = ?1 COLLATE NOCASE OR j.margin = ?1 COLLATE NOCASE)
)"""


OF_ACCEPTED = """
    CROSS JOIN verdicts j ON j.id = (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id)
    CROSS JOIN raw_readings r ON r.id = a.raw_reading_id
    CROSS JOIN stretches st ON st.id = r.stretch_id
    CROSS JOIN connections c ON c.id = st.connection_id
    CROSS JOIN meters m ON m.id = c.meter_id
    CROSS JOIN visits v ON v.id = a.visit_id
    CROSS JOIN test_points p ON p.id = a.point_id
    CROSS JOIN components co ON co.id = p.component_id
    CROSS JOIN circuits ci ON ci.id = co.circuit_id
    CROSS JOIN units u ON u.id = v.unit_id
    CROSS JOIN sites s ON s.id = u.site_id
"""
"""SQL for all that belongs to accepted readings ``a``: their current verdicts ``j``, visits ``v``, names, meters ``m``.

CROSS JOIN makes SQLite start at the accepted readings, which are few and returned in their order, and look every other
row up by its id. Started at the unit, a query would read all its raw readings.
"""


class HistoryFilter(NamedTuple):
    """The accepted readings that a history lists: those that have all that is given.

    Names match as a whole, in upper or lower case (ASCII). ``meter`` is a name or an address. ``since_utc_ns`` and
    ``until_utc_ns`` select readings accepted at or after and before these times, and all readings accepted while the
    station's clock was known to be unset. ``verdict`` is a word of `Verdict`, or ``close call``. ``voided`` includes
    the readings that were voided. ``before_id`` and ``after_id`` are `HistoryRow.id`s that bound a page; they are not
    on it.
    """

    site: str | None = None
    unit: str | None = None
    circuit: str | None = None
    component: str | None = None
    meter: str | None = None
    visit_uid: str | None = None
    verdict: str | None = None
    since_utc_ns: int | None = None
    until_utc_ns: int | None = None
    voided: bool = True
    before_id: int | None = None
    after_id: int | None = None

    @property
    def names_place(self) -> bool:
        """Whether an index finds the readings, so that all their ids come at once."""
        return not self.site is self.unit is self.visit_uid is None


def accepted_ids(
    connection: sqlite3.Connection, chosen: HistoryFilter, limit: int | None = None, *, oldest: bool = False
) -> list[int]:
    """Return the ids of the newest ``limit`` readings that ``chosen`` selects, or of the ``oldest``; oldest first."""
    where, values = _where(chosen)
    order = "ASC" if oldest or limit is None else "DESC"
    found = connection.execute(
        f"SELECT a.id FROM accepted_readings a {where} ORDER BY a.id {order} LIMIT {-1 if limit is None else limit}",  # noqa: S608  # values are bound
        values,
    ).fetchall()
    ids = [row[0] for row in found]
    return ids if order == "ASC" else ids[::-1]


def id_of_accepted(connection: sqlite3.Connection, uid: str) -> list[tuple[int, str]]:
    """Return ``(id, uid)`` of the accepted readings whose uid begins with ``uid``: two at most."""
    rows = connection.execute(
        "SELECT id, uid FROM accepted_readings WHERE uid >= ? AND uid < ? ORDER BY uid LIMIT 2",
        (uid, uid + "\U0010ffff"),
    )
    return [(row[0], row[1]) for row in rows]


def names_in_history(connection: sqlite3.Connection, chosen: HistoryFilter) -> dict[str, list[str]]:
    """Return the names that readings at the place of ``chosen`` have: ``{"component": […], "circuit": […]}``."""
    where, values = _where(HistoryFilter(site=chosen.site, unit=chosen.unit))
    rows = connection.execute(
        f"""SELECT DISTINCT co.name, ci.name FROM components co JOIN circuits ci ON ci.id = co.circuit_id
        WHERE co.id IN (SELECT component_id FROM test_points
            WHERE id IN (SELECT a.point_id FROM accepted_readings a {where}))""",  # noqa: S608  # values are bound
        values,
    ).fetchall()
    return {"component": sorted({row[0] for row in rows}), "circuit": sorted({row[1] for row in rows})}


def _where(chosen: HistoryFilter) -> tuple[str, list[str | int]]:
    texts: list[str] = []
    values: list[str | int] = []
    for text, value in _conditions(chosen):
        values.append(value)
        texts.append(text.replace("?1", f"?{len(values)}"))
    if not chosen.voided:
        texts.append(COUNTS)
    return f"WHERE {' AND '.join(texts)}" if texts else "", values


def _conditions(chosen: HistoryFilter) -> Iterator[tuple[str, str | int]]:
    for text, value in (
        (AT_PLACE.format("s.name = ?1 COLLATE NOCASE"), chosen.site),
        (AT_PLACE.format("u.name = ?1 COLLATE NOCASE"), chosen.unit),
        ("a.visit_id = (SELECT id FROM visits WHERE uid = ?1)", chosen.visit_uid),
        ("(a.utc_ns >= ?1 OR a.clock_set = 0)", chosen.since_utc_ns),
        ("(a.utc_ns < ?1 OR a.clock_set = 0)", chosen.until_utc_ns),
        ("a.id > ?1", chosen.after_id),
        ("a.id < ?1", chosen.before_id),
        (_AT_PART.format("ci.name = ?1 COLLATE NOCASE"), chosen.circuit),
        (_AT_PART.format("co.name = ?1 COLLATE NOCASE"), chosen.component),
        (_BY_METER, chosen.meter),
        (_BY_VERDICT, chosen.verdict),
    ):
        if value is not None:
            yield text, value
