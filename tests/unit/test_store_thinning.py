"""Old raw readings go; the accepted ones, and all that rests on them, stay as they are."""

import asyncio
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.core.equipment import Plan
from meterlink.core.errors import DatabaseLockedError
from meterlink.record.verified_visit import verify_visit
from meterlink.seal.verification import SealState
from meterlink.settings import DATABASE_FILE
from meterlink.station.thinning_commands import ThinningCommands
from meterlink.store import thinning
from meterlink.store.backup import back_up
from meterlink.store.connections import connect_for_writing
from meterlink.store.merge import merge_file
from meterlink.store.reader import Reader
from meterlink.store.rows import Batch, EndReason, NewConnection, ReadingRow
from meterlink.store.thinning import Slice, compact, delete_slice, thinnable
from support.commands import run_command
from support.kept_records import LAST_VISIT, PLACE, SECOND, capacitor, settling_capacitor
from support.large_records import FIRST_DAY, write_raw
from support.raw_pages import raw_page
from support.record_contents import check_database, record_contents
from support.recorded_visits import CLAMP_METER, OUTER_TIMEOUT, ManualClock
from support.thinned_records import LATER, keep_closed_record, thin_by, thin_record
from support.writers import running_writer

BEFORE = LAST_VISIT + 3600 * SECOND


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The record of several years, whose last visit is closed."""
    database = tmp_path / DATABASE_FILE
    keep_closed_record(database)
    return database


@pytest.mark.fault("growing-disk")
def test_all_that_rests_on_accepted_readings_stays(path, tmp_path, monkeypatch):
    monkeypatch.setenv("METERLINK_DATA", str(path.parent))
    monkeypatch.setenv("TZ", "UTC")

    def outputs() -> list[str]:
        commands: list[tuple[str, ...]] = [
            ("report", visit.uid, "--format", "json", "-o", "-") for visit in Reader(path).visits()
        ]
        commands += [
            ("report", "--last", "--format", "html", "-o", "-"),
            ("history", "--json", "--all"),
            ("trend", "--json"),
            ("diagnose", "--json"),
        ]
        results = [run_command(*command) for command in commands]
        assert [code for code, *_ in results] == [0] * len(results)
        return [out for _, out, _ in results]

    def seals() -> list[SealState]:
        reader = Reader(path)
        keys = {key.public_key for key in reader.station_keys()}
        return [verify_visit(reader.seal(visit.uid), keys).state for visit in reader.visits()]

    before, contents, sealed = outputs(), record_contents(path, raw=False), seals()
    expected = Reader(path).thinnable(BEFORE)
    assert expected.readings == 100
    assert thin_record(path, BEFORE) == 100
    assert outputs() == before
    assert seals() == sealed == [SealState.INTACT] * 9
    after = record_contents(path, raw=False)
    for table in set(after) - {"thinnings", "boots", "connections"}:
        assert after[table] == contents[table], table
    check_database(path)
    reader = Reader(path)
    assert reader.thinnable(BEFORE).readings == 0
    (run,) = reader.thinnings()
    assert (run.before_utc_ns, run.deleted) == (BEFORE, 100)
    counts = reader.counts()
    assert counts["readings"] == len(raw_page(reader, 10_000)) == 28 + 90
    assert counts["accepted_readings"] == 28
    assert "unused_reading_ids" not in counts


def test_the_readings_that_are_left_are_found(path):
    kept = {row.uid: row for row in Reader(path).history()}
    thin_record(path, BEFORE)
    reader = Reader(path)
    for row in reader.history():
        (raw,) = [
            raw for raw in reader.readings_around(row.id, 20, 2, 1000) if raw.reading.timestamp == row.reading.timestamp
        ]
        assert raw.reading.packet == kept[row.uid].reading.packet
        first = reader.first_reading_since(row.reading.timestamp.utc_ns)
        assert raw_page(reader, 1, after_id=first - 1)[0].reading.timestamp == row.reading.timestamp
    assert reader.first_reading_since(LATER) == raw_page(reader, 90)[0].id


@pytest.mark.fault("clock-not-set")
def test_readings_of_an_open_visit_and_of_an_unset_clock_stay(tmp_path):
    path = tmp_path / DATABASE_FILE
    clock = ManualClock()
    clock.utc_ns = LAST_VISIT
    with running_writer(path, clock) as writer:
        meter = writer.register_meter(CLAMP_METER).result(OUTER_TIMEOUT)
        connection = writer.open_connection(NewConnection(meter, clock.now()))
        ids = writer.open_visit(PLACE, Plan("split", (capacitor(),)), clock.now()).result(OUTER_TIMEOUT)
        readings = list(settling_capacitor(LAST_VISIT))
        of_visit = tuple(ReadingRow(reading, connection, ids.visit_id, ids.point_ids["herm"]) for reading in readings)
        unset = tuple(ReadingRow(reading, connection, clock_set=False) for reading in readings)
        outside = tuple(ReadingRow(reading, connection) for reading in readings)
        writer.submit(Batch((*of_visit, *unset, *outside))).result(OUTER_TIMEOUT)
        assert thin_by(writer, BEFORE) == 0  # the stretches are open: the station may go on with them
        writer.end_connection(connection, clock.now(), EndReason.DISCONNECTED).result(OUTER_TIMEOUT)
        assert thin_by(writer, BEFORE) == len(outside)
        writer.close_visit(ids.visit_id, clock.now(), "repaired").result(OUTER_TIMEOUT)
        assert thin_by(writer, BEFORE) == len(of_visit)
        assert Reader(path).counts()["readings"] == len(unset)
    check_database(path)


@pytest.mark.fault("growing-disk")
def test_a_station_records_between_the_slices_and_a_killed_run_is_gone_on_with(tmp_path, monkeypatch):
    monkeypatch.setattr(thinning, "_SLICE", 500)
    path = tmp_path / DATABASE_FILE
    write_raw(path, 3_000)
    clock = ManualClock()
    clock.utc_ns = FIRST_DAY + 100 * 86_400 * SECOND
    with running_writer(path, clock) as writer:
        meter = writer.register_meter(CLAMP_METER).result(OUTER_TIMEOUT)
        connection = writer.open_connection(NewConnection(meter, clock.now()))
        before = clock.utc_ns - 90 * 86_400 * SECOND
        rows = [ReadingRow(reading, connection) for reading in settling_capacitor(clock.utc_ns)]
        after_id, deleted = 0, 0
        for row in rows[:3]:
            writer.submit(Batch((row,))).result(OUTER_TIMEOUT)
            slice_ = writer.thin_slice("first run", before, after_id).result(OUTER_TIMEOUT)
            deleted, after_id = deleted + slice_.deleted, slice_.after_id
        assert 0 < deleted < 3_000
        assert Reader(path).thinnings()[0].deleted == deleted
        assert thin_by(writer, before, "second run") == 3_000 - deleted
        writer.submit(Batch(tuple(rows[3:]))).result(OUTER_TIMEOUT)
    assert [raw.reading for raw in raw_page(Reader(path), 10_000)] == [row.reading for row in rows]
    assert Reader(path).counts()["readings"] == len(rows)
    check_database(path)


def test_a_slice_takes_the_same_work_in_a_record_of_any_size(tmp_path):
    """A slice is one transaction: a reading that comes meanwhile waits for it."""
    steps: dict[int, int] = {}
    for count in (20_000, 80_000):
        path = tmp_path / f"{count}.db"
        write_raw(path, count)
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("UPDATE stretches SET last_reading_id = ? WHERE last_reading_id IS NULL", (count,))
            connection.commit()
        with closing(connect_for_writing(path)) as connection:  # it enforces the references, as the writer does
            connection.row_factory = sqlite3.Row
            done = 0

            def step() -> int:
                nonlocal done
                done += 1
                return 0

            connection.set_progress_handler(step, 1_000)  # instructions of SQLite's machine
            slice_ = delete_slice(connection, "run", FIRST_DAY + 86_400 * SECOND, 0, FIRST_DAY)
            assert slice_.deleted == thinning._SLICE
            steps[count] = done
    assert steps[80_000] < 1.5 * steps[20_000]
    assert steps[80_000] < 2_000  # 2 million instructions: some hundredths of a second


def test_row_ids_that_are_used_again_are_counted_once(tmp_path):
    """All readings go, also the newest: the next one begins at the row id 1 again."""
    path = tmp_path / DATABASE_FILE
    write_raw(path, 1_000)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE stretches SET last_reading_id = 1000 WHERE last_reading_id IS NULL")
        connection.commit()
    assert thin_record(path, FIRST_DAY + 86_400 * SECOND) == 1_000
    assert Reader(path).counts()["readings"] == 0
    assert Reader(path).first_reading_since(FIRST_DAY) == 1
    compact(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT COUNT(*) FROM stretches").fetchone() == (0,)


def test_a_merge_brings_thinned_readings_back_from_a_copy_that_has_them(path, tmp_path):
    back_up(path, tmp_path / "full.db")
    before = record_contents(path)["raw_readings"]
    thin_record(path, BEFORE)
    back_up(path, tmp_path / "thin.db")
    assert merge_file(path, tmp_path / "full.db").new["raw_readings"] == 100
    assert record_contents(path)["raw_readings"] == before
    assert merge_file(tmp_path / "full.db", tmp_path / "thin.db").new.get("raw_readings", 0) == 0
    assert len(Reader(tmp_path / "full.db").thinnings()) == 1
    for database in (path, tmp_path / "full.db"):
        check_database(database)
        assert Reader(database).counts()["readings"] == sum(before.values())


def test_compacting_makes_the_file_smaller(tmp_path):
    path = tmp_path / DATABASE_FILE
    write_raw(path, 20_000)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE stretches SET last_reading_id = 20000 WHERE last_reading_id IS NULL")
        connection.commit()
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        expected = thinnable(connection, FIRST_DAY + 86_400 * SECOND)
    size = path.stat().st_size
    thin_record(path, FIRST_DAY + 86_400 * SECOND)
    contents = record_contents(path)
    assert path.stat().st_size >= size
    compact(path)
    assert path.stat().st_size < size / 2
    assert record_contents(path) == contents
    # The preview is right within a fifth.
    assert expected.size == pytest.approx(size - path.stat().st_size, rel=0.2)


def test_a_reader_that_keeps_the_file_large_is_named(path):
    thin_record(path, LAST_VISIT + 3600 * SECOND)
    with closing(sqlite3.connect(path)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT COUNT(*) FROM visits").fetchone()
        with pytest.raises(DatabaseLockedError, match="Another program reads the database"):
            compact(path)
    compact(path)
    check_database(path)


# The command


def test_the_command_shows_first_and_deletes_with_yes(path, tmp_path, monkeypatch):
    monkeypatch.setenv("METERLINK_DATA", str(path.parent))
    days = 30
    now = BEFORE + days * 86_400 * SECOND
    monkeypatch.setattr("time.time_ns", lambda: now)
    code, out, err = run_command("thin", "--older-than", f"{days}d")
    assert (code, err) == (0, "")
    preview, rest = out.splitlines()
    assert preview.startswith("100 raw readings from before 2026-07-14 ")
    assert preview.endswith(" may go: about 2 kB.")
    assert rest == "Nothing is changed. Delete them with --yes; a backup first: meterlink backup -o FILE"
    assert Reader(path).thinnings() == []
    code, out, err = run_command("thin", "--older-than", f"{days}d", "--yes", "--compact")
    assert (code, err) == (0, "")
    assert out.splitlines()[1] == "Deleted: 100 raw readings."
    assert out.splitlines()[2].startswith("The file has 0.")
    _, out, _ = run_command("thin", "--older-than", f"{days}d", "--json")
    assert json.loads(out)["readings"] == 0
    assert run_command("thin", "--older-than", f"{days}d")[1].startswith("No raw readings from before")


def test_the_command_goes_on_while_a_station_runs_but_does_not_compact(path, monkeypatch):
    monkeypatch.setenv("METERLINK_DATA", str(path.parent))
    with running_writer(path):
        with pytest.raises(DatabaseLockedError):
            running_writer(path).__enter__()
        code, _, err = run_command("thin", "--older-than", "1d", "--yes", "--compact")
    assert code == 1
    assert "compacting needs it stopped" in err
    assert Reader(path).thinnings() == []  # nothing is deleted before that is known


@pytest.mark.parametrize("text", ["90", "0d", "d", "-3d", "90m", "9999999d", "101y", "١d", "nan"])
def test_a_time_is_days_weeks_or_years(path, monkeypatch, text):
    monkeypatch.setenv("METERLINK_DATA", str(path.parent))
    code, _, err = run_command("thin", f"--older-than={text}")
    assert code == 2
    assert "is no time: write 90d, 12w or 2y" in err


@pytest.mark.fault("growing-disk")
def test_the_station_thins_nothing_of_the_last_day(path):
    clock = ManualClock()
    clock.utc_ns = BEFORE

    class NoWriter:
        def thin_slice(self, *_: object) -> Slice:
            raise AssertionError("refused before")

    commands = ThinningCommands(NoWriter(), clock)  # type: ignore[arg-type]  # never called
    with pytest.raises(Exception, match="last day are not thinned"):
        asyncio.run(commands.thin("run", BEFORE - 3600 * SECOND, 0))
