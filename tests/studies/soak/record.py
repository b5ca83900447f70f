"""The database of a soak, read for the comparison."""

import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path

from meterlink.core.readings import Reading
from meterlink.store.reader import Reader
from meterlink.store.rows import EndReason, StoredConnection, StoredGap, StoredReading
from studies.soak.comparison import Accepted, Gap, RawReading
from studies.soak.counting_meters import ADDRESSES, meter_and_count
from studies.soak.plan import PINNED, Tag

_PAGE = 5_000


class Record:
    """The rows of a database that no station writes any more."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._reader = Reader(path)
        self._raw = [reading for reading in self._pages() if reading.meter.address in ADDRESSES.values()]

    def _pages(self) -> Iterator[StoredReading]:
        after_id = 0
        while page := self._reader.readings_after(after_id, _PAGE):
            yield from page
            after_id = page[-1].id

    def accepted(self) -> dict[str, Accepted]:
        return {
            row.uid: Accepted(
                row.reading.text,
                Tag(row.site.unit, row.circuit, row.component, row.section, row.point_key),
                row.revision,
            )
            for row in self._reader.history(None)
        }

    def raw(self) -> Counter[RawReading]:
        """Return the readings of the meters, but for those that were accepted: each of these is kept once more."""
        accepted = (row.reading for row in self._reader.history(None) if row.meter.address in ADDRESSES.values())
        return Counter(raw_reading(stored.reading) for stored in self._raw) - Counter(map(raw_reading, accepted))

    def counts(self) -> dict[str, set[int]]:
        """Return the counts of each meter that are kept, accepted or not."""
        found: dict[str, set[int]] = {name: set() for name in ADDRESSES}
        for stored in self._raw:
            name, count = raw_reading(stored.reading)
            found[name].add(count)
        return found

    def raw_at_wrong_point(self) -> int:
        """Return how many readings are at another test point, or of another meter, than that which displayed them."""
        return sum(
            stored.point_key not in {None, PINNED[name]} or ADDRESSES[name] != stored.meter.address
            for stored in self._raw
            for name, _ in [raw_reading(stored.reading)]
        )

    def visits(self) -> set[str]:
        return {visit.uid for visit in self._reader.visits()}

    def notes(self) -> set[str]:
        return {note.text for visit in self._reader.visits() for note in self._reader.visit_notes(visit.uid)}

    def clock_steps(self) -> int:
        return len(self._reader.clock_steps())

    def messages(self) -> int:
        """Return how many messages were put into the outbox; one that was refused and retried is counted once."""
        with closing(sqlite3.connect(f"{self._path.as_uri()}?mode=ro", uri=True)) as connection:
            given = dict(connection.execute("SELECT name, seq FROM sqlite_sequence").fetchall())
        return int(given.get("outbox", 0)) - int(given.get("rejected_messages", 0))

    def messages_left(self) -> int:
        """Return how many messages were not published: they wait, are set aside, or were dropped."""
        counts = self._reader.counts()
        return sum(
            counts[name] for name in ("outbox", "rejected_messages", "outbox_dropped", "rejected_messages_dropped")
        )

    def gaps(self) -> dict[str, list[Gap]]:
        """Return the times without readings by meter; a killed daemon's last connection ends with its last reading."""
        last_reading = {stored.connection_id: stored.reading.timestamp.monotonic_ns for stored in self._raw}
        connections, gaps = self._reader.connections(), self._reader.gaps()
        found = {}
        for name, address in ADDRESSES.items():
            own = [connection for connection in connections if connection.meter.address == address]
            own_gaps = [gap for gap in gaps if gap.meter.address == address]
            found[name] = list(_gaps(own, own_gaps, last_reading))
        return found


def _gaps(
    connections: Sequence[StoredConnection], gaps: Sequence[StoredGap], last_reading: dict[int, int]
) -> Iterator[Gap]:
    begins = {one.id: following.connected.monotonic_ns for one, following in pairwise(connections)}
    for gap in gaps:
        ended = begins.get(gap.connection_id) if gap.ended is None else gap.ended.monotonic_ns
        yield Gap(gap.cause.value, gap.began.monotonic_ns, ended)
    yield Gap("not connected yet", 0, connections[0].connected.monotonic_ns if connections else None)
    for connection in connections:
        if connection.end_reason is EndReason.STATION_KILLED:
            began = last_reading.get(connection.id, connection.connected.monotonic_ns)
            yield Gap("daemon killed", began, begins.get(connection.id))
        elif connection.end_reason is EndReason.STATION_STOPPED and connection.ended is not None:
            yield Gap("daemon stopped", connection.ended.monotonic_ns, begins.get(connection.id))


def raw_reading(reading: Reading) -> RawReading:
    """Return the meter and the count of a reading."""
    assert reading.digits is not None
    return meter_and_count(int(reading.digits.scaleb(3)))
