"""The raw readings of an export, against those that were written."""

from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.clock import SystemClock, Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.store.exported import ExportFilter, RawReadings
from meterlink.store.rows import Batch, ReadingRow
from support.writers import OUTER, open_visit, running_writer

SECOND = 1_000_000_000
BEGIN = 1_780_000_000 * SECOND
COUNT = 60  # one a second


def written() -> list[Reading]:
    """Return readings of one connection, whose wall clock is slewed by some milliseconds, with an overload."""
    readings = []
    for number in range(COUNT):
        at = Timestamp(BEGIN + number * SECOND, number * SECOND + number % 5 * 2_000_000)
        digits = None if number == 7 else Decimal(4500 + number).scaleb(-2)
        status = Status.OVERLOAD if digits is None else Status.OK
        readings.append(Reading(Quantity.CAPACITANCE, digits, "µF", at, status, resolution=Decimal("0.01")))
    return readings


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "meterlink.db"
    with running_writer(path, SystemClock()) as writer:
        ids, connection = open_visit(writer)
        rows = tuple(ReadingRow(reading, connection, ids.visit_id, clock_set=True) for reading in written())
        writer.submit(Batch(readings=rows)).result(OUTER)
    return path


def exported(path: Path, chosen: ExportFilter) -> list[tuple[object, ...]]:
    return [row for row, _ in RawReadings(path, chosen).rows()]


def test_every_raw_reading_has_both_of_its_times_and_its_value(path: Path) -> None:
    """Who computes a slope from an export divides by these times."""
    rows = exported(path, ExportFilter())
    assert [row[1:4] for row in rows] == [
        (
            reading.timestamp.utc_ns,
            reading.timestamp.monotonic_ns,
            None if reading.digits is None else f"{reading.digits}",
        )
        for reading in written()
    ]
    assert [row[4] for row in rows] == [pytest.approx(reading.value) for reading in written()]
    assert rows[7][3:5] == (None, None)
    assert rows[1][0] == "2026-05-28T20:26:41.000000Z"


@pytest.mark.parametrize("part", [0, 1, 30, 59, 60])
def test_a_raw_export_of_a_part_of_the_time_has_all_readings_of_it(path: Path, part: int) -> None:
    """The person chooses from a moment in the middle of a long measurement on: the rest of it is there."""
    moment = BEGIN + part * SECOND
    times = [reading.timestamp.utc_ns for reading in written()]
    assert [row[1] for row in exported(path, ExportFilter(since_utc_ns=moment))] == times[part:]
    assert [row[1] for row in exported(path, ExportFilter(until_utc_ns=moment))] == times[:part]
    middle = ExportFilter(since_utc_ns=BEGIN + 10 * SECOND, until_utc_ns=moment)
    assert [row[1] for row in exported(path, middle)] == times[10:part]
