"""Read-only queries for whoever looks: the history, a report, the outbox's reader. None ever holds the writer up."""

from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Plan, Site
from meterlink.store import queries
from meterlink.store.connections import connect_for_reading
from meterlink.store.rows import HistoryRow, MeterRow, OutboxEntry, ResumedVisit, StoredPlan, StoredReading, StoredVisit


class Reader:
    """Queries on the database at ``path``; every call opens and closes its own connection, so any thread may call.

    Works while a station writes, and on what a killed station left behind. Every method raises StoreError when the file
    is missing, damaged, something else's, or of another schema version; it is never changed.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def history(
        self,
        unit: str | None = None,
        component: str | None = None,
        site: str | None = None,
        since_utc_ns: int | None = None,
        limit: int | None = None,
        *,
        visit_uid: str | None = None,
    ) -> list[HistoryRow]:
        """Return held readings in the order they were held; with ``limit``, the newest so many.

        Names are matched whole, without regard to ASCII case; ``visit`` is a uid. ``since_utc_ns`` keeps what was held
        at or after that time, and always what was held while the station's clock was known to be unset.
        """
        conditions: list[queries.Condition] = [
            (text, (value,))
            for text, value in (
                ("s.name = ? COLLATE NOCASE", site),
                ("u.name = ? COLLATE NOCASE", unit),
                ("co.name = ? COLLATE NOCASE", component),
                ("v.uid = ?", visit_uid),
                ("r.utc_ns >= ? OR r.clock_set = 0", since_utc_ns),
            )
            if value is not None
        ]
        with connect_for_reading(self._path) as connection:
            return queries.accepted_readings(connection, conditions, limit)

    def readings(
        self, visit_uid: str, point_key: str | None = None, *, after_id: int = 0, limit: int | None = None
    ) -> list[StoredReading]:
        """Return the raw readings of a visit (its uid), or of one test point of it (its key), in the order they came.

        A visit may hold hundreds of thousands: take them in pages of ``limit``, each ``after_id`` of the last one.
        """
        wanted: queries.Condition = ("r.visit_id = (SELECT id FROM visits WHERE uid = ?)", (visit_uid,))
        if point_key is not None:
            point_of_visit = (
                "SELECT p.id FROM test_points p, visits v WHERE v.id = p.visit_id AND v.uid = ? AND p.key = ?"
            )
            wanted = (f"r.point_id = ({point_of_visit})", (visit_uid, point_key))
        conditions = [wanted, ("r.id > ?", (after_id,))]
        with connect_for_reading(self._path) as connection:
            return queries.raw_readings(connection, conditions, limit)

    def visits(self) -> list[StoredVisit]:
        """Return every visit, in the order they were opened."""
        with connect_for_reading(self._path) as connection:
            return queries.visits(connection)

    def plan(self, visit_uid: str) -> StoredPlan:
        """Return the plan of a visit (its uid); StoreError where there is no such visit, too."""
        with connect_for_reading(self._path) as connection:
            return queries.visit_plan(connection, visit_uid)

    def resumable_visit(self, site: Site, plan: Plan, now: Timestamp) -> ResumedVisit | None:
        """Return the open visit a restarted station would carry on with at ``now``, if there is one."""
        with connect_for_reading(self._path) as connection:
            return queries.resumable_visit(connection, site, plan, now.utc_ns)

    def known_meters(self) -> list[MeterRow]:
        """Return every meter ever met, in the order they were first met."""
        with connect_for_reading(self._path) as connection:
            return queries.known_meters(connection)

    def outbox(self, limit: int, after_id: int = 0) -> list[OutboxEntry]:
        """Return the oldest ``limit`` messages that wait for the broker and have an id above ``after_id``."""
        with connect_for_reading(self._path) as connection:
            return queries.outbox(connection, limit, after_id)

    def counts(self) -> dict[str, int]:
        """Return rows by table (visits, meters, readings, held_readings, outbox, set_aside) and what was dropped.

        ``outbox_dropped`` and ``set_aside_dropped`` are messages, ``readings_dropped`` readings never saved.
        """
        with connect_for_reading(self._path) as connection:
            return queries.counts(connection)
