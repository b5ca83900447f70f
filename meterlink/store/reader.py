"""Read-only queries for whoever looks: the history, a report, the outbox's reader. None ever holds the writer up."""

from pathlib import Path

from meterlink.core.clock import Stamp
from meterlink.core.equipment import Place, Plan
from meterlink.store import queries
from meterlink.store.connections import connected_to_read
from meterlink.store.rows import HistoryRow, KeptPlan, KeptReading, KeptVisit, MeterRow, OutboxEntry, ResumedVisit


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
        visit: str | None = None,
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
                ("v.uid = ?", visit),
                ("r.utc_ns >= ? OR r.clock_set = 0", since_utc_ns),
            )
            if value is not None
        ]
        with connected_to_read(self._path) as connection:
            return queries.held_readings(connection, conditions, limit)

    def readings(
        self, visit: str, point: str | None = None, *, after_id: int = 0, limit: int | None = None
    ) -> list[KeptReading]:
        """Return the raw readings of a visit (its uid), or of one test point of it (its key), in the order they came.

        A visit may hold hundreds of thousands: take them in pages of ``limit``, each ``after_id`` of the last one.
        """
        wanted: queries.Condition = ("r.visit_id = (SELECT id FROM visits WHERE uid = ?)", (visit,))
        if point is not None:
            point_of_visit = (
                "SELECT p.id FROM test_points p, visits v WHERE v.id = p.visit_id AND v.uid = ? AND p.key = ?"
            )
            wanted = (f"r.point_id = ({point_of_visit})", (visit, point))
        conditions = [wanted, ("r.id > ?", (after_id,))]
        with connected_to_read(self._path) as connection:
            return queries.raw_readings(connection, conditions, limit)

    def visits(self) -> list[KeptVisit]:
        """Return every visit, in the order they were opened."""
        with connected_to_read(self._path) as connection:
            return queries.visits(connection)

    def plan(self, visit: str) -> KeptPlan:
        """Return the plan of a visit (its uid); StoreError where there is no such visit, too."""
        with connected_to_read(self._path) as connection:
            return queries.kept_plan(connection, visit)

    def resumable_visit(self, place: Place, plan: Plan, now: Stamp) -> ResumedVisit | None:
        """Return the open visit a restarted station would carry on with at ``now``, if there is one."""
        with connected_to_read(self._path) as connection:
            return queries.resumable_visit(connection, place, plan, now.utc_ns)

    def known_meters(self) -> list[MeterRow]:
        """Return every meter ever met, in the order they were first met."""
        with connected_to_read(self._path) as connection:
            return queries.known_meters(connection)

    def outbox(self, limit: int, after_id: int = 0) -> list[OutboxEntry]:
        """Return the oldest ``limit`` messages that wait for the broker and have an id above ``after_id``."""
        with connected_to_read(self._path) as connection:
            return queries.outbox(connection, limit, after_id)

    def counts(self) -> dict[str, int]:
        """Return rows by table (visits, meters, readings, held_readings, outbox, set_aside) and what was dropped.

        ``outbox_dropped`` and ``set_aside_dropped`` are messages, ``readings_dropped`` readings never saved.
        """
        with connected_to_read(self._path) as connection:
            return queries.counts(connection)
