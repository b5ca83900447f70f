"""Pages of raw readings by key, with the gaps between them; the jump to a time; readings around an accepted one."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.store.gap_words import step_text
from meterlink.store.reader import Reader
from meterlink.store.rows import (
    AcceptedRow,
    Batch,
    ClockStep,
    GapCause,
    NewConnection,
    NewGap,
    RawLine,
    ReadingRow,
    StoredGap,
    StoredReading,
)
from meterlink.store.writer import Writer
from support.examples import examples
from support.kept_records import LAST_VISIT, SECOND, keep_record
from support.large_records import FIRST_DAY, write_raw
from support.raw_pages import raw_page
from support.recorded_visits import OUTER_TIMEOUT, ManualClock
from support.writers import open_visit, running_writer

COUNT = 3_000
STEP = SECOND // 80  # eight meters at 10 Hz
JUDGED = Judgement(Verdict.WITHIN, Margin.CLEAR, None, None, None, None, "", "Because.")


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Reader:
    path = tmp_path_factory.mktemp("raw") / "meterlink.db"
    write_raw(path, COUNT)
    return Reader(path)


@examples(60)
@given(anchor=st.integers(-5, COUNT + 5), limit=st.integers(1, 200))
def test_a_page_begins_beside_its_anchor(raw: Reader, anchor: int, limit: int) -> None:
    below = [reading.id for reading in raw_page(raw, limit, after_id=anchor)]
    assert below == [number for number in range(1, COUNT + 1) if number > anchor][:limit]
    above = [reading.id for reading in raw_page(raw, limit, before_id=anchor)]
    assert above == [number for number in range(1, COUNT + 1) if number < anchor][-limit:]


def test_pages_have_the_readings_of_the_whole_time(raw: Reader) -> None:
    pages: list[StoredReading] = []
    while page := raw_page(raw, 700, after_id=pages[-1].id if pages else 0):
        pages += page
    assert pages == raw.readings_between(FIRST_DAY, FIRST_DAY + COUNT * STEP)
    assert raw_page(raw, 3) == pages[-3:]


@examples(60)
@given(offset=st.integers(-2 * STEP, (COUNT + 2) * STEP))
def test_the_jump_goes_to_the_first_reading_of_a_time(raw: Reader, offset: int) -> None:
    row_id = raw.first_reading_since(FIRST_DAY + offset)
    assert row_id == min(max(-(-offset // STEP) + 1, 1), COUNT + 1)


def test_a_jump_in_an_empty_database(tmp_path: Path) -> None:
    with running_writer(tmp_path / "meterlink.db"):
        pass
    reader = Reader(tmp_path / "meterlink.db")
    assert (reader.first_reading_since(FIRST_DAY), raw_page(reader, 10), reader.readings_around(1, 20, 2, 10)) == (
        1,
        [],
        [],
    )


def test_the_readings_around_an_accepted_one(tmp_path: Path) -> None:
    """The meter's display from 18 s before acceptance, and the 2 s after it; the accepted reading stands among them."""
    keep_record(tmp_path / "meterlink.db")
    reader = Reader(tmp_path / "meterlink.db")
    row = next(row for row in reader.history() if row.reading.timestamp.utc_ns == LAST_VISIT + 18 * SECOND)
    around = reader.readings_around(row.id, 20, 2, 1000)
    seconds = [(raw.reading.timestamp.monotonic_ns - row.reading.timestamp.monotonic_ns) / SECOND for raw in around]
    assert seconds == [number / 5 for number in range(-90, 11)]
    assert [raw.reading.status for raw in around].count(Status.OVERLOAD) == 18
    assert [raw.id for raw in around] == sorted(raw.id for raw in around)
    assert [raw.reading.text for raw in reader.readings_around(row.id, 20, 2, 3)] == ["42.9 µF"] * 3  # the newest


def test_another_meter_is_not_among_them_nor_another_boot(tmp_path: Path) -> None:
    """Two meters send at once; the monotonic clock begins anew with each boot, and the wall clock is set in between."""
    path = tmp_path / "meterlink.db"

    def reading(seconds: float, utc: float) -> Reading:
        at = Timestamp(round((FIRST_DAY / 1e9 + utc) * 1e9), round(seconds * 1e9))
        return Reading(Quantity.CAPACITANCE, Decimal("4.5"), "µF", at)

    for boot in ("boot-a", "boot-b"):
        clock = ManualClock()
        clock.utc_ns = FIRST_DAY
        writer = Writer(path, station="van-3", clock=clock, boot_id=boot, on_alarm=lambda _: None)
        writer.start()
        visit, one = open_visit(writer)
        meter = writer.register_meter(Meter("00:00:5E:00:53:0B", "other")).result(OUTER_TIMEOUT)
        other = writer.open_connection(NewConnection(meter, clock.now()))
        point = visit.point_ids["run-capacitor-herm"]
        for second in range(40):
            # From the thirtieth second on the wall clock is an hour ahead.
            utc = second + (3600 if second >= 30 else 0)
            rows = tuple(ReadingRow(reading(second, utc), sender, visit.visit_id, point) for sender in (other, one))
            writer.submit(Batch(rows[:1] if second == 31 else rows)).result(OUTER_TIMEOUT)
            if second == 31:
                judged = AcceptedRow(rows[1], JUDGED, 1.5, f"uid-{boot}")
                writer.submit(Batch(accepted=(judged,))).result(OUTER_TIMEOUT)
        writer.close()
    reader = Reader(path)
    for row in reader.history():
        around = reader.readings_around(row.id, 20, 2, 1000)
        assert [raw.reading.timestamp.monotonic_ns // SECOND for raw in around] == list(range(11, 34))
        assert {(raw.boot, raw.meter.name) for raw in around} == {(row.boot, "bench meter")}


class Station:
    """A writer whose readings and gaps come at seconds after a start; a machine started anew begins again at 0."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @contextmanager
    def started(self) -> Iterator[tuple[Writer, int]]:
        with running_writer(self.path, ManualClock()) as writer:
            meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "Alder")).result(OUTER_TIMEOUT)
            yield writer, writer.open_connection(NewConnection(meter, at(0)))

    def lines(self) -> list[str]:
        return [words(line) for line in Reader(self.path).raw_lines(1000)]


def at(second: float) -> Timestamp:
    return Timestamp(LAST_VISIT + round(second * SECOND), round(second * SECOND))


def send(writer: Writer, connection: int, *seconds: float) -> None:
    rows = tuple(
        ReadingRow(Reading(Quantity.CAPACITANCE, Decimal(1), "µF", at(second)), connection) for second in seconds
    )
    writer.submit(Batch(rows)).result(OUTER_TIMEOUT)


def words(line: RawLine) -> str:
    match line.content:
        case StoredReading() as stored:
            return f"{stored.reading.timestamp.monotonic_ns // SECOND}"
        case StoredGap() as gap:
            return f"{gap.cause} {gap.began.monotonic_ns // SECOND}"
        case ClockStep() as step:
            return f"{step_text(step)} {step.before.monotonic_ns // SECOND}"


def test_each_gap_and_step_of_the_clock_lies_where_it_came(tmp_path: Path) -> None:
    """By the monotonic clock: the times of the wall clock go back an hour with the step."""
    station = Station(tmp_path / "meterlink.db")
    with station.started() as (writer, connection):
        writer.add_gap(NewGap(connection, GapCause.METER_SILENT, at(0), at(1)))
        send(writer, connection, 1, 2, 3)
        writer.add_gap(NewGap(connection, GapCause.PACKETS_DROPPED, at(2.5), at(2.6), 4))
        writer.add_clock_step(ClockStep(at(3), at(4), -3600 * SECOND))
        writer.add_gap(NewGap(connection, GapCause.LINK_LOST, at(3.5)))
        send(writer, connection, 9)
    with station.started() as (writer, connection):
        send(writer, connection, 1)
        writer.add_gap(NewGap(connection, GapCause.NOT_SAVED, at(8), at(9), 2))
    assert station.lines() == [
        "meter silent 0", "1", "2", "packets dropped 2", "3", "clock set back by 1 h 3", "link lost 3", "9",
        "1", "not saved 8",
    ]  # fmt: skip


def test_a_list_of_gaps_alone(tmp_path: Path) -> None:
    station = Station(tmp_path / "meterlink.db")
    with station.started() as (writer, connection):
        for second in (5, 3):
            writer.add_gap(NewGap(connection, GapCause.METER_SILENT, at(second), at(second + 1)))
    assert station.lines() == ["meter silent 3", "meter silent 5"]


@examples(8)
@given(
    readings=st.lists(st.integers(0, 40), max_size=30),
    gaps=st.lists(st.integers(0, 40), max_size=30),
    deleted=st.sets(st.integers(1, 30)),
    limit=st.integers(1, 12),
)
def test_pages_of_lines_make_up_the_whole_list_in_both_directions(
    tmp_path_factory: pytest.TempPathFactory, readings: list[int], gaps: list[int], deleted: set[int], limit: int
) -> None:
    """Whatever their order, also after readings were deleted: no line is missing, and none comes twice."""
    station = Station(tmp_path_factory.mktemp("lines") / "meterlink.db")
    with station.started() as (writer, connection):
        send(writer, connection, *readings)
        for second in gaps:
            writer.add_gap(NewGap(connection, GapCause.METER_SILENT, at(second), at(second + 1)))
        writer.known_meters().result(OUTER_TIMEOUT)
    with closing(sqlite3.connect(station.path)) as changed, changed:
        changed.executemany("DELETE FROM raw_readings WHERE id = ?", [(number,) for number in deleted])
    reader = Reader(station.path)
    whole = reader.raw_lines(1000, after=0)
    assert len(whole) == len(gaps) + len(set(range(1, len(readings) + 1)) - deleted)
    assert whole == reader.raw_lines(1000)
    down: list[RawLine] = []
    while page := reader.raw_lines(limit, after=down[-1].id if down else 0):
        down += page
    up: list[RawLine] = []
    while page := reader.raw_lines(limit, before=up[0].id if up else None):
        up = page + up
    assert down == up == whole
    for index, line in enumerate(whole):
        assert reader.raw_lines(limit, after=line.id - 1) == whole[index : index + limit]
        assert reader.raw_lines(limit, before=line.id) == whole[max(index - limit, 0) : index]
