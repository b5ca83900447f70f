"""The state of a database: gaps, losses, growth."""

from decimal import Decimal
from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.store.reader import Reader
from meterlink.store.rows import Batch, ClockStep, EndReason, GapCause, NewConnection, NewGap, ReadingRow
from meterlink.store.thinning import ROW_SIZE
from support.large_records import FIRST_DAY, write_raw
from support.raw_pages import raw_page
from support.writers import OUTER, running_writer

SECOND = 10**9
HOUR = 3600 * SECOND


def test_the_newest_reading_of_each_meter_and_the_growth(tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    write_raw(path, 3_000)
    status = Reader(path).status(FIRST_DAY)
    rows = raw_page(Reader(path), 3_000)
    newest: dict[str, int] = {}
    for row in rows:
        newest[row.meter.address] = row.reading.timestamp.utc_ns
    assert {meter.meter.address: meter.newest_utc_ns for meter in status.meters if meter.newest_utc_ns} == newest
    sample = [len(row.reading.packet) + ROW_SIZE for row in rows[-1_000:]]
    size = sum(sample) / len(sample)
    assert status.recent_bytes == round(3_000 * size)
    later = rows[1_000].reading.timestamp.utc_ns
    assert Reader(path).status(later).recent_bytes == round(2_000 * size)
    assert Reader(path).status(rows[-1].reading.timestamp.utc_ns + SECOND).recent_bytes == 0


def test_an_open_stretch_is_read_to_its_end(tmp_path: Path) -> None:
    # A station that runs has not yet written where the present run of readings ends.
    path = tmp_path / "meterlink.db"
    with running_writer(path) as writer:
        meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(OUTER)
        connection = writer.open_connection(NewConnection(meter, Timestamp(FIRST_DAY, 0)))
        for number in range(5):
            stamp = Timestamp(FIRST_DAY + number * SECOND, number * SECOND)
            reading = Reading(Quantity.VOLTAGE, Decimal("4.7"), "V", stamp, packet=b"\x01\x02")
            writer.submit(Batch(readings=(ReadingRow(reading, connection),))).result(OUTER)
        (meter_status,) = Reader(path).status(0).meters
        assert meter_status.newest_utc_ns == FIRST_DAY + 4 * SECOND
        writer.end_connection(connection, Timestamp(FIRST_DAY + 9 * SECOND, 9 * SECOND), EndReason.DISCONNECTED)
    (meter_status,) = Reader(path).status(0).meters
    assert meter_status.newest_utc_ns == FIRST_DAY + 4 * SECOND


def test_gaps_and_steps_of_the_period_only(tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    with running_writer(path) as writer:
        meters = [writer.register_meter(Meter(f"00:00:5E:00:53:0{number}", "")).result(OUTER) for number in (1, 2)]
        connection = writer.open_connection(NewConnection(meters[0], Timestamp(FIRST_DAY, 0)))
        for began, length, lost in ((-HOUR, 5, 100), (0, 40, None), (HOUR, 20, 7)):
            begin = Timestamp(FIRST_DAY + began, HOUR + began)
            end = Timestamp(begin.utc_ns, begin.monotonic_ns + length * SECOND)
            writer.add_gap(NewGap(connection, GapCause.LINK_LOST, begin, end, lost))
        writer.add_gap(NewGap(connection, GapCause.METER_SILENT, Timestamp(FIRST_DAY + HOUR, 2 * HOUR)))  # it lasts
        for day in (-1, 1):
            before, after = Timestamp(FIRST_DAY, 0), Timestamp(FIRST_DAY + day * HOUR, SECOND)
            writer.add_clock_step(ClockStep(before, after, day * HOUR)).result(OUTER)
    status = Reader(path).status(FIRST_DAY)
    first, second = status.meters
    assert (first.gaps, first.gap_seconds, first.lost) == (3, 60.0, 7)
    assert (second.gaps, second.newest_utc_ns) == (0, None)
    assert status.clock_steps == 1


def test_an_empty_database(tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    with running_writer(path):
        pass
    assert Reader(path).status(0) == ((), 0, 0, 0, 0, 0, 0)
