"""Old raw readings go by themselves: by age, and where the disk is short of room; accepted ones never."""

import asyncio
import logging
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.notices import NoticeLevel
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.settings.keeping_table import KeepingSettings
from meterlink.station import retention
from meterlink.station.retention import FIRST_WAIT, PERIOD, Retention
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer
from meterlink_simulators.virtual_time import run_in_virtual_time
from support.large_records import FIRST_DAY, write_raw
from support.record_contents import check_database, record_contents
from support.thinned_records import LATER, keep_closed_record
from support.virtual_stations import run_at_station, until
from support.writers import running_writer

DAY = 86_400 * 10**9
ALL_OLD = 100  # raw readings of the closed visit that are not accepted
FAR = 400 * DAY


class SetClock:
    """A clock whose two times are set by hand, on a machine that says how long it slept or, not ``tells``, does not."""

    def __init__(self, utc_ns: int, *, tells: bool = True) -> None:
        self.utc_ns, self.monotonic_ns = utc_ns, 0
        self.slept_ns, self._tells = 5 * DAY if tells else 0, tells  # some of it before the station's start

    def now(self) -> Timestamp:
        return Timestamp(self.utc_ns, self.monotonic_ns)

    def pass_time(self, ns: int) -> None:
        self.utc_ns += ns
        self.monotonic_ns += ns

    def sleep(self, ns: int) -> None:
        """Let the machine sleep: its monotonic clock stands still."""
        self.utc_ns += ns
        if self._tells:
            self.slept_ns += ns


@pytest.fixture(autouse=True)
def no_time_service(monkeypatch: pytest.MonkeyPatch) -> Callable[[bool | None], None]:
    """Nothing says whether the clock is set; return a function that says it."""

    def say(answer: bool | None) -> None:  # the answer of `clock_is_set`
        monkeypatch.setattr(retention, "clock_is_set", lambda _utc_ns: answer)

    say(None)
    return say


@pytest.fixture
def path(tmp_path: Path) -> Path:
    database = tmp_path / DATABASE_FILE
    keep_closed_record(database)
    return database


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    with running_writer(path) as writer:
        yield writer


def retention_of(
    writer: Writer,
    path: Path,
    clock: SetClock,
    keeping: KeepingSettings,
    free: Callable[[], int] = lambda: 10**12,
    reports: list[tuple[NoticeLevel, str]] | None = None,
) -> Retention:
    """Return the retention of a station that starts now; it appends its reports to ``reports``."""
    reports = [] if reports is None else reports
    return Retention(
        writer, Reader(path), clock, keeping=lambda: keeping, free=free,
        report=lambda level, text: reports.append((level, text)), slept_ns=lambda: clock.slept_ns,
    )  # fmt: skip


def delete(
    writer: Writer, path: Path, clock: SetClock, keeping: KeepingSettings, free: Callable[[], int] = lambda: 10**12
) -> list[tuple[NoticeLevel, str]]:
    """Let a station that starts now delete once; return its reports."""
    reports: list[tuple[NoticeLevel, str]] = []
    retained = retention_of(writer, path, clock, keeping, free, reports)

    async def once() -> None:
        await retained.begin()
        await retained.delete_old()

    run_in_virtual_time(once(), busy=lambda: writer.busy)
    return reports


def write_minutes(path: Path) -> None:
    """Write the raw readings of some minutes of eight meters, with ended stretches."""
    write_raw(path, 40_000)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE stretches SET last_reading_id = 40000 WHERE last_reading_id IS NULL")
        connection.commit()


def raw(path: Path) -> int:
    return Reader(path).counts()["readings"]


@pytest.mark.fault("growing-disk")
def test_raw_readings_go_by_age_and_accepted_ones_stay(writer: Writer, path: Path) -> None:
    before, contents = raw(path), record_contents(path, raw=False)
    clock = SetClock(LATER + 10 * DAY)
    delete(writer, path, clock, KeepingSettings(raw_days=51))
    assert raw(path) == before  # the visit was 50 days ago
    delete(writer, path, clock, KeepingSettings(raw_days=49))
    assert before - raw(path) == ALL_OLD
    after = record_contents(path, raw=False)
    assert {table for table in after if after[table] != contents[table]} == {"thinnings"}
    check_database(path)
    assert [run.deleted for run in Reader(path).thinnings()] == [ALL_OLD]
    delete(writer, path, clock, KeepingSettings(raw_days=49))
    assert [run.deleted for run in Reader(path).thinnings()] == [ALL_OLD]  # a run without work leaves no row


def test_zero_keeps_all(writer: Writer, path: Path) -> None:
    before = raw(path)
    assert delete(writer, path, SetClock(LATER + DAY), KeepingSettings(0, 0), free=lambda: 0) == [
        (NoticeLevel.WARNING, "")
    ]
    assert raw(path) == before


@pytest.mark.fault("growing-disk")
def test_the_oldest_go_where_the_disk_is_short_of_room(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Some minutes of eight meters, a month ago."""
    path = tmp_path / DATABASE_FILE
    write_minutes(path)
    size = path.stat().st_size
    with running_writer(path) as writer:
        before = raw(path)
        clock = SetClock(FIRST_DAY + 30 * DAY)
        enough = KeepingSettings(raw_days=0, least_free_mb=1)
        assert delete(writer, path, clock, enough, free=lambda: 2 * 10**6) == [(NoticeLevel.WARNING, "")]
        assert raw(path) == before
        with caplog.at_level(logging.INFO):
            reports = delete(writer, path, clock, enough, free=lambda: 500_000)
    assert reports == [(NoticeLevel.WARNING, "")]
    assert raw(path) < before
    assert Reader(path).free_room() > 500_000
    assert "the disk was short of room" in caplog.text
    assert path.stat().st_size <= size + 8192  # the free room is in the file, and used next
    check_database(path)


@pytest.mark.fault("growing-disk")
def test_the_last_week_stays_and_the_warning_says_so(writer: Writer, path: Path) -> None:
    clock = SetClock(LATER + 6 * DAY)
    kept = KeepingSettings(raw_days=0, least_free_mb=1_000_000)
    before = raw(path)
    (report,) = delete(writer, path, clock, kept, free=lambda: 0)
    assert before - raw(path) == ALL_OLD
    assert report[0] is NoticeLevel.WARNING
    assert "The disk is short of room" in report[1]
    assert "Free some space." in report[1]
    assert Reader(path).first_reading_since(LATER) <= before  # those of 6 days ago


@pytest.mark.fault("clock-step", "growing-disk")
@pytest.mark.parametrize("answer", [None, False])
def test_a_clock_that_may_be_wrong_deletes_nothing(
    writer: Writer,
    path: Path,
    no_time_service: Callable[[bool | None], None],
    answer: bool | None,  # of `clock_is_set`
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A board whose clock says 2099 would hold every reading to be old."""
    no_time_service(answer)
    before = raw(path)
    delete(writer, path, SetClock(LATER + 70 * 365 * DAY), KeepingSettings(raw_days=1), free=lambda: 0)
    assert raw(path) == before
    assert "the clock may be wrong" in caplog.text


def test_a_clock_that_is_set_by_the_network_deletes_after_a_long_rest(
    writer: Writer, path: Path, no_time_service: Callable[[bool | None], None]
) -> None:
    no_time_service(True)
    before = raw(path)
    delete(writer, path, SetClock(LATER + FAR), KeepingSettings(raw_days=1))
    assert raw(path) < before


@pytest.mark.fault("clock-step", "growing-disk")
def test_a_clock_that_is_set_ahead_while_the_station_runs_deletes_nothing(writer: Writer, path: Path) -> None:
    before = raw(path)
    clock = SetClock(LATER + DAY)
    retained = retention_of(writer, path, clock, KeepingSettings(raw_days=45))

    async def run() -> None:
        await retained.begin()
        clock.pass_time(DAY)
        await retained.delete_old()
        assert raw(path) == before  # 42 days
        clock.utc_ns += 300 * DAY
        await retained.delete_old()
        assert raw(path) == before
        clock.utc_ns -= 300 * DAY
        clock.pass_time(5 * DAY)
        await retained.delete_old()
        assert before - raw(path) == ALL_OLD

    run_in_virtual_time(run(), busy=lambda: writer.busy)


def sleep_for_days(clock: SetClock) -> None:
    clock.sleep(3 * DAY)


def sleep_every_night(clock: SetClock) -> None:
    for _ in range(3):
        clock.sleep(DAY)
        clock.pass_time(DAY // 24)


def step(clock: SetClock) -> None:
    clock.utc_ns += 3 * DAY


def sleep_and_step(clock: SetClock) -> None:
    clock.sleep(3 * DAY)
    clock.utc_ns += 3 * DAY


def sleep_with_a_clock_that_stood_still(clock: SetClock) -> None:
    clock.sleep(3 * DAY)
    clock.utc_ns -= 3 * DAY


def sleep_for_a_season(clock: SetClock) -> None:
    clock.sleep(61 * DAY)


@pytest.mark.fault("machine-slept", "clock-step", "growing-disk")
@pytest.mark.parametrize(
    ("happens", "tells", "deletes"),
    [
        (sleep_for_days, True, True),  # a laptop over a weekend
        (sleep_every_night, True, True),
        (step, True, False),
        (sleep_and_step, True, False),
        (sleep_with_a_clock_that_stood_still, True, False),
        (sleep_for_a_season, True, False),  # as after a rest of that length
        (sleep_for_days, False, False),  # it may be a step
        (step, False, False),
    ],
)
def test_a_sleep_is_told_from_a_step_where_the_platform_says_how_long_it_was(
    writer: Writer, path: Path, happens: Callable[[SetClock], None], tells: bool, deletes: bool
) -> None:
    before = raw(path)
    clock = SetClock(LATER + 9 * DAY, tells=tells)
    retained = retention_of(writer, path, clock, KeepingSettings(raw_days=45))

    async def run() -> None:
        await retained.begin()
        happens(clock)
        for _ in range(2):  # a doubt does not pass with the hours
            await retained.delete_old()
            clock.pass_time(DAY // 24)

    run_in_virtual_time(run(), busy=lambda: writer.busy)
    assert before - raw(path) == (ALL_OLD if deletes else 0)


def test_a_clock_that_the_network_sets_ends_the_doubt_after_a_long_sleep(
    writer: Writer, path: Path, no_time_service: Callable[[bool | None], None]
) -> None:
    no_time_service(True)
    before = raw(path)
    clock = SetClock(LATER + DAY)
    retained = retention_of(writer, path, clock, KeepingSettings(raw_days=45))

    async def run() -> None:
        await retained.begin()
        sleep_for_a_season(clock)
        await retained.delete_old()

    run_in_virtual_time(run(), busy=lambda: writer.busy)
    assert raw(path) < before


@pytest.mark.fault("growing-disk")
def test_readings_go_on_between_the_slices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A slice is one transaction: what waits is committed with it, and nothing waits for the next."""
    path = tmp_path / DATABASE_FILE
    write_minutes(path)
    monkeypatch.setattr("meterlink.store.thinning._SLICE", 4_000)
    committed: list[int] = []

    async def run(writer: Writer) -> None:
        retained = retention_of(writer, path, SetClock(FIRST_DAY + 30 * DAY), KeepingSettings(raw_days=1))
        await retained.begin()
        work = asyncio.create_task(retained.delete_old())
        while not work.done():
            await asyncio.wrap_future(writer.pause_visit())
            committed.append(len(committed))
            await asyncio.sleep(retention.SLICE_PAUSE / 5)
        await work

    with running_writer(path) as writer:
        run_in_virtual_time(run(writer), busy=lambda: writer.busy)
    assert len(committed) >= 4 * 8  # of ten slices, with five commits in each pause


def test_a_station_deletes_by_its_settings(tmp_path: Path, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In virtual time, some minutes after the start."""
    assert FIRST_WAIT <= PERIOD <= 86_400
    monkeypatch.setattr(retention, "FIRST_WAIT", 300.0)
    before = raw(path)

    async def body(_station: Station, _views: dict[str, object]) -> None:
        await asyncio.sleep(250)
        assert raw(path) == before
        await until(lambda: raw(path) < before)

    settings = Settings("van-3", keeping=KeepingSettings(raw_days=60))
    run_at_station(tmp_path, body, settings=settings, later=timedelta(days=80))
    assert before - raw(path) == ALL_OLD
