"""A damaged record: its readable rows are saved, none is invented, and the numbers add up."""

import random
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.errors import DatabaseLockedError, InputError, NewerDatabaseError, NoDatabaseError, StoreError
from meterlink.record.verified_visit import verify_visit
from meterlink.seal.verification import SealState
from meterlink.settings import DATABASE_FILE
from meterlink.store.accepted_filter import parse_filter
from meterlink.store.connections import SCHEMA_VERSION
from meterlink.store.queries import UNUSED_READING_IDS
from meterlink.store.reader import Reader
from meterlink.store.restore import restore
from meterlink.store.salvage import TABLES, Salvage, salvage
from meterlink.store.salvaged_references import LOST
from support.fixture_databases import VERSIONS, unpack
from support.kept_records import LAST_VISIT, SECOND, keep_record
from support.large_records import write_accepted, write_raw
from support.record_contents import check_database, record_contents
from support.small_disks import fill, small_disk
from support.thinned_records import keep_closed_record, thin_record
from support.writers import running_writer

PAGE = 4096
Rows = dict[str, Counter[tuple[Any, ...]]]

# References of a saved row that are emptied where their row was lost: the row says less, and nothing wrong.
_EMPTIED = {"notes": (3,), "stock_movements": (9,), "stretches": (2, 3)}


def rows_of(path: Path) -> Rows:
    """Return all rows of the record, by table."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        return {
            table: Counter(
                row
                for row in connection.execute(f"SELECT * FROM {table}")  # noqa: S608  # a constant
                if row[0] != UNUSED_READING_IDS
            )
            for table in TABLES
        }


def check(result: Salvage, saved: Path, original: Rows) -> None:
    """Check that each saved row is one of the original record, that none is counted twice, and the file is whole."""
    check_database(saved)
    own = rows_of(saved)
    for table in result.tables:
        before, after = original[table.name], own[table.name]
        strange = after - before
        for row in list(strange):
            emptied = [one for one in before if _is_emptied(table.name, row, one)]
            if emptied:
                del strange[row]
        assert strange.total() == table.made_again, (table, strange)
        assert after.total() == table.saved + table.made_again, table
        if table.lost is None:
            assert table.saved <= before.total()
        elif table.at_most:
            assert table.saved + table.lost >= before.total(), table
        else:
            assert table.saved + table.lost == before.total(), table


def _is_emptied(table: str, row: tuple[Any, ...], before: tuple[Any, ...]) -> bool:
    places = _EMPTIED.get(table, ())
    return all(
        value == one or (place in places and value is None)
        for place, (value, one) in enumerate(zip(row, before, strict=True))
    )


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of some years, with every kind of row that a test of the tables has."""
    path = tmp_path_factory.mktemp("kept") / DATABASE_FILE
    unpack(SCHEMA_VERSION, path)
    return path


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record whose tables have several levels of pages: 600 visits with 3,000 accepted readings."""
    path = tmp_path_factory.mktemp("large") / DATABASE_FILE
    write_accepted(path, 3_000)
    return path


def damaged(original: Path, folder: Path, damage: Callable[[bytearray], object]) -> Path:
    folder.mkdir()
    contents = bytearray(original.read_bytes())
    damage(contents)
    path = folder / DATABASE_FILE
    path.write_bytes(contents)
    return path


def overwrite(contents: bytearray, page: int, new: bytes) -> None:
    contents[(page - 1) * PAGE : page * PAGE] = new


def by_name(result: Salvage) -> dict[str, Any]:
    return {table.name: table for table in result.tables}


def root_of(path: Path, name: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()[0])


def test_a_sound_record_is_saved_whole(tmp_path: Path) -> None:
    path = tmp_path / DATABASE_FILE
    keep_record(path)
    result = salvage(path, tmp_path / "saved.db")
    assert result.is_whole
    assert record_contents(tmp_path / "saved.db") == record_contents(path)
    check(result, tmp_path / "saved.db", rows_of(path))
    reader = Reader(tmp_path / "saved.db")
    assert reader.counts() == Reader(path).counts()
    keys = {key.public_key for key in reader.station_keys()}
    assert {verify_visit(reader.seal(visit.uid), keys).state for visit in reader.visits()[:-1]} == {SealState.INTACT}


def test_all_tables_of_the_record_are_saved(kept: Path) -> None:
    with closing(sqlite3.connect(kept)) as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM pragma_table_list WHERE type = 'table'")}
    internal = {"_sqlite_migrations", "sqlite_schema", "sqlite_sequence", "sqlite_stat1"}
    assert set(TABLES) == names - internal - {name for name in names if name.startswith("sqlite_")}


@pytest.mark.parametrize("version", VERSIONS)
def test_a_damaged_record_of_an_older_version_is_saved_and_brought_up_to_date(tmp_path: Path, version: int) -> None:
    """An update came onto a worn card: no station migrates a damaged record, so nothing else would read it."""
    path, sound = tmp_path / "data" / DATABASE_FILE, tmp_path / "sound.db"
    path.parent.mkdir()
    for file in (path, sound):
        unpack(version, file)
    contents = bytearray(path.read_bytes())
    overwrite(contents, root_of(path, "notes"), bytes(PAGE))
    overwrite(contents, root_of(path, "accepted_by_time"), b"\xff" * PAGE)
    path.write_bytes(contents)
    with running_writer(sound):
        pass
    result = salvage(path, tmp_path / "saved.db")
    check_database(tmp_path / "saved.db")
    with running_writer(tmp_path / "saved.db"):
        pass
    saved, whole = Reader(tmp_path / "saved.db"), Reader(sound)
    assert saved.history(None) == whole.history(None)
    assert saved.filtered_history(parse_filter("herm"), 10) == whole.filtered_history(parse_filter("herm"), 10) != []
    assert [table.name for table in result.tables if table.lost != 0] == ["notes"]


@pytest.mark.fault("damaged-pages")
@pytest.mark.study(everyday=8, sample=15, full=10_000)  # pages; there are some hundred
@pytest.mark.parametrize("kind", ["random", "zeros", "ones", "another page"])
def test_one_damaged_page(kept: Path, tmp_path: Path, study_size: int, kind: str) -> None:
    """Each page in turn: tables and indexes, roots and leaves, the schema, overflowing texts.

    Another page is one that has something in it: nobody can tell an empty page from that of an empty table.
    """
    rng = random.Random(f"20261127 {kind}")
    original, pages = rows_of(kept), kept.stat().st_size // PAGE
    contents = kept.read_bytes()
    for page in rng.sample(range(1, pages + 1), min(study_size, pages)):
        other = rng.choice([at for at in range(PAGE, len(contents), PAGE) if contents[at + 3 : at + 5] != b"\0\0"])
        new = {
            "random": rng.randbytes(PAGE),
            "zeros": bytes(PAGE),
            "ones": b"\xff" * PAGE,
            "another page": contents[other : other + PAGE],
        }[kind]
        path = damaged(kept, tmp_path / f"{page}", partial(overwrite, page=page, new=new))
        saved = path.with_name("saved.db")
        check(salvage(path, saved), saved, original)
        shutil.rmtree(path.parent)


@pytest.mark.fault("damaged-pages")
@pytest.mark.study(everyday=1, sample=2, full=200)  # damaged files
def test_many_damaged_pages_of_a_large_record(large: Path, tmp_path: Path, study_size: int) -> None:
    original, pages = rows_of(large), large.stat().st_size // PAGE
    for seed in range(study_size):
        rng = random.Random(seed)

        def damage(contents: bytearray, rng: random.Random = rng) -> None:
            for page in rng.sample(range(1, pages + 1), rng.randint(2, pages // 10)):
                overwrite(contents, page, rng.randbytes(PAGE))

        path = damaged(large, tmp_path / f"{seed}", damage)
        saved = path.with_name("saved.db")
        result = salvage(path, saved)
        check(result, saved, original)
        accepted = by_name(result)["accepted_readings"]
        assert accepted.saved > 0
        restore(saved, path, replace=True)
        with running_writer(path):
            pass  # a station goes on with it


@pytest.mark.fault("damaged-pages")
@pytest.mark.study(everyday=6, sample=30, full=1_000)  # damaged files
def test_damaged_bytes_never_end_in_a_traceback(kept: Path, tmp_path: Path, study_size: int) -> None:
    """SQLite keeps no checksums: a changed byte inside a text cannot be seen. It must be no crash, and a whole file."""
    for seed in range(study_size):
        rng = random.Random(seed)

        def damage(contents: bytearray, rng: random.Random = rng) -> None:
            for _ in range(rng.randint(1, 200)):
                contents[rng.randrange(len(contents))] = rng.randrange(256)
            if rng.random() < 0.3:
                del contents[rng.randrange(len(contents)) :]

        path = damaged(kept, tmp_path / f"{seed}", damage)
        saved = path.with_name("saved.db")
        with suppress(StoreError):  # nothing is left of it, or it says to be of another version
            salvage(path, saved)
        if saved.exists():
            check_database(saved)


@pytest.mark.parametrize("table", ["raw_readings", "accepted_readings", "verdicts", "test_points", "visits"])
def test_the_rows_below_a_damaged_root_are_found(large: Path, tmp_path: Path, table: str) -> None:
    """SQLite gives up a table whose first page is damaged; the pages below it are whole."""
    page = root_of(large, table)
    path = damaged(large, tmp_path / "damaged", lambda contents: overwrite(contents, page, b"\xff" * PAGE))
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.DatabaseError):
        connection.execute(f"SELECT * FROM {table}").fetchone()  # noqa: S608  # a constant
    result = salvage(path, tmp_path / "saved.db")
    check(result, tmp_path / "saved.db", rows_of(large))
    assert by_name(result)[table].lost == 0


@pytest.mark.fault("damaged-pages")
def test_without_its_first_page_and_its_schema_the_record_is_found(kept: Path, tmp_path: Path) -> None:
    path = damaged(kept, tmp_path / "damaged", lambda contents: overwrite(contents, 1, b"\xff" * PAGE))
    result = salvage(path, tmp_path / "saved.db")
    check(result, tmp_path / "saved.db", rows_of(kept))
    assert len(Reader(tmp_path / "saved.db").history(None)) == len(Reader(kept).history(None))


def test_an_accepted_reading_is_kept_without_its_visit_and_its_raw_reading(tmp_path: Path) -> None:
    path = tmp_path / DATABASE_FILE
    keep_record(path)
    before = {row.uid: row for row in Reader(path).history(None)}
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    contents = bytearray(path.read_bytes())
    for table in ("visits", "raw_readings", "test_points", "meters"):
        overwrite(contents, root_of(path, table), b"\xff" * PAGE)
    path.write_bytes(contents)
    result = salvage(path, tmp_path / "saved.db")
    after = {row.uid: row for row in Reader(tmp_path / "saved.db").history(None)}
    assert after.keys() == before.keys()
    for uid, row in after.items():
        assert row.reading.text == before[uid].reading.text
        assert row.judgement == before[uid].judgement
        assert row.site.name == LOST
        assert row.void_reason == before[uid].void_reason
    raw = Reader(tmp_path / "saved.db").readings_after(0, 10_000)
    # A reading that came outside any visit was assigned later; every other one is its visit's.
    of_visits = {None if row.assigned_utc_ns else row.visit_uid for row in after.values()}
    assert {reading.visit_uid for reading in raw} == of_visits
    assert len(of_visits) > 2
    tables = by_name(result)
    assert tables["visits"].made_again == tables["visits"].lost == 9
    assert not any(visit.closed_utc_ns is None for visit in Reader(tmp_path / "saved.db").visits())


def test_accepted_readings_alone_are_a_record(tmp_path: Path) -> None:
    """Nothing is left of stations, units, meters and visits; values, verdicts and times are the proof."""
    path = tmp_path / DATABASE_FILE
    keep_record(path)
    before = {row.uid: row for row in Reader(path).history(None)}
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    contents = bytearray(path.read_bytes())
    for table in (
        "boots", "sites", "units", "circuits", "components", "visits", "test_points", "meters", "connections",
        "stretches", "raw_readings",
    ):  # fmt: skip
        overwrite(contents, root_of(path, table), b"\xff" * PAGE)
    path.write_bytes(contents)
    result = by_name(salvage(path, tmp_path / "saved.db"))
    after = {row.uid: row for row in Reader(tmp_path / "saved.db").history(None)}
    assert after.keys() == before.keys()
    for uid, row in after.items():
        assert (row.reading.text, row.reading.timestamp.utc_ns) == (
            before[uid].reading.text,
            before[uid].reading.timestamp.utc_ns,
        )
        assert row.judgement == before[uid].judgement
    assert (result["boots"].saved, result["boots"].made_again) == (0, 1)


def test_the_log_of_a_killed_station_is_read(tmp_path: Path) -> None:
    """The newest readings are in the log only, and the page in the database that they belong to is damaged."""
    path = tmp_path / DATABASE_FILE
    keep_record(path)
    page = root_of(path, "sites")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO sites (name) VALUES ('Only in the log')")
        connection.commit()
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT INTO sites (name) VALUES ('Not committed')")
        killed = tmp_path / "killed" / DATABASE_FILE
        killed.parent.mkdir()
        for end in ("", "-wal"):
            shutil.copy(f"{path}{end}", f"{killed}{end}")
    contents = bytearray(killed.read_bytes())
    overwrite(contents, page, b"\xff" * PAGE)
    killed.write_bytes(contents)
    salvage(killed, tmp_path / "saved.db")
    assert {site.name for site in Reader(tmp_path / "saved.db").sites()} == {"Corner bakery", "Only in the log"}


def test_deleted_rows_do_not_come_back(tmp_path: Path) -> None:
    """The pages of thinned readings are free, and still have the old bytes."""
    path = tmp_path / DATABASE_FILE
    write_raw(path, 20_000)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("DELETE FROM raw_readings WHERE id BETWEEN 3000 AND 9000")
        assert connection.execute("PRAGMA freelist_count").fetchone()[0] > 10
    original = rows_of(path)
    contents = bytearray(path.read_bytes())
    overwrite(contents, root_of(path, "raw_readings"), b"\xff" * PAGE)
    path.write_bytes(contents)
    result = salvage(path, tmp_path / "saved.db")
    check(result, tmp_path / "saved.db", original)
    assert by_name(result)["raw_readings"].saved == original["raw_readings"].total()


def test_a_thinned_record_is_saved_whole(tmp_path: Path) -> None:
    path = tmp_path / DATABASE_FILE
    keep_closed_record(path)
    thin_record(path, LAST_VISIT + 3600 * SECOND)
    result = salvage(path, tmp_path / "saved.db")
    assert result.is_whole
    assert record_contents(tmp_path / "saved.db") == record_contents(path)
    assert Reader(tmp_path / "saved.db").counts() == Reader(path).counts()


def test_what_cannot_be_salvaged_is_refused(kept: Path, tmp_path: Path) -> None:
    with pytest.raises(NoDatabaseError):
        salvage(tmp_path / "none.db", tmp_path / "saved.db")
    path = damaged(kept, tmp_path / "damaged", len)
    (tmp_path / "there.db").write_bytes(b"x")
    with pytest.raises(InputError, match="exists already"):
        salvage(path, tmp_path / "there.db")
    with running_writer(path), pytest.raises(DatabaseLockedError, match="salvaging needs it stopped"):
        salvage(path, tmp_path / "saved.db")
    nonsense = tmp_path / "nonsense.db"
    nonsense.write_bytes(random.Random(1).randbytes(50 * PAGE))
    for contents in (nonsense.read_bytes(), b"", b"short"):
        nonsense.write_bytes(contents)
        with pytest.raises(StoreError, match="Nothing of"):
            salvage(nonsense, tmp_path / "saved.db")
    assert not (tmp_path / "saved.db").exists()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    with pytest.raises(NewerDatabaseError, match="Use the Meterlink that wrote it"):
        salvage(path, tmp_path / "saved.db")


def test_without_room_there_is_no_half_file(kept: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk") as disk:
        fill(disk, 100_000)
        with pytest.raises(StoreError, match="is full"):
            salvage(kept, disk / "saved.db")
        assert {file.name for file in disk.iterdir()} == {"ballast"}
