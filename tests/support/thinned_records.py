"""Thin a database as a station does."""

from pathlib import Path

from meterlink.store.rows import Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer
from support.kept_records import LAST_VISIT, SECOND, keep_record, settling_capacitor
from support.recorded_visits import CLAMP_METER, OUTER_TIMEOUT, ManualClock
from support.writers import running_writer

_DAY = 86_400 * SECOND
LATER = LAST_VISIT + 40 * _DAY


def keep_closed_record(database: Path) -> None:
    """Write the record of `keep_record`, close its last visit, and let the station record again 40 days later."""
    keep_record(database)
    clock = ManualClock()
    clock.utc_ns = LAST_VISIT + 600 * SECOND
    with running_writer(database, clock) as writer:
        visit = writer.activate_visit().result(OUTER_TIMEOUT)
        assert visit is not None
        writer.close_visit(visit.ids.visit_id, clock.now(), "repaired").result(OUTER_TIMEOUT)
        clock.utc_ns = LATER
        meter = writer.register_meter(CLAMP_METER).result(OUTER_TIMEOUT)
        connection = writer.open_connection(NewConnection(meter, clock.now()))
        rows = tuple(ReadingRow(reading, connection) for reading in settling_capacitor(LATER))
        writer.submit(Batch(rows)).result(OUTER_TIMEOUT)


def thin_record(path: Path, before_utc_ns: int, uid: str = "run") -> int:
    """Delete the raw readings from before a time; return their number."""
    clock = ManualClock()
    clock.utc_ns = before_utc_ns + 90 * _DAY
    with running_writer(path, clock) as writer:
        return thin_by(writer, before_utc_ns, uid)


def thin_by(writer: Writer, before_utc_ns: int, uid: str = "run") -> int:
    """Delete, slice by slice, by a writer that runs."""
    deleted, after_id = 0, 0
    while True:
        slice_ = writer.thin_slice(uid, before_utc_ns, after_id).result(OUTER_TIMEOUT)
        deleted, after_id = deleted + slice_.deleted, slice_.after_id
        if slice_.done:
            return deleted
