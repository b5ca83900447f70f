import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from sqlite_utils import Database

from meterlink.core.clock import Timestamp
from meterlink.core.errors import (
    DamagedDatabaseError,
    NewerDatabaseError,
    NoDatabaseError,
    NotADatabaseError,
    OlderDatabaseError,
    StoreError,
)
from meterlink.store import connections, migration
from meterlink.store.migration import migrate
from meterlink.store.reader import Reader
from meterlink.store.schema import MIGRATIONS
from support.writers import running_writer

PRESENT = connections.SCHEMA_VERSION


class StoppedClock:
    def now(self):
        return Timestamp(1_783_958_400_000_000_000, 5_000)


def start_and_close(path):
    with running_writer(path, StoppedClock()):
        pass


def schema_of(path):
    with closing(sqlite3.connect(path)) as connection:
        return sorted(connection.execute("SELECT type, name, sql FROM sqlite_master").fetchall())


def make_database(path):
    """Create a database with one row, or more, in every table with a reference to another table."""
    start_and_close(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.executescript(
            """
            INSERT INTO sites VALUES (1, 'Mill Lane bakery');
            INSERT INTO site_facts VALUES (1, 'uid-7', 1, 'time zone', 'Europe/Oslo', 900);
            INSERT INTO units VALUES (1, 1, 'condenser east', NULL);
            INSERT INTO unit_facts VALUES (1, 'uid-3', 1, 'supply', '208/230 V', 900);
            INSERT INTO circuits VALUES (1, 1, 'compressor');
            INSERT INTO components VALUES (1, 1, 'run capacitor', 'HERM');
            INSERT INTO visits VALUES (1, 'uid-1', 1, 'single-phase split condenser', '', '[]', '{}', '{}', '', '',
                1, 1000, 10, NULL, NULL, NULL, NULL, 1);
            INSERT INTO test_points VALUES (1, 1, 1, 'herm', 'C', 'HERM', 'capacitance', 'isolated and discharged',
                'capacitor', '45 µF ±6 %', NULL);
            INSERT INTO notes VALUES (1, 'uid-4', 1, 1, 1000, 'covered with ice');
            INSERT INTO replacements VALUES (1, 'uid-5', 1, 'compressor', 'run capacitor', '[]', '45 µF', '45 µF',
                '{}', 1, '', 1000, NULL);
            INSERT INTO stock_movements VALUES (1, 'uid-6', 1000, 'used', 'capacitor', '45 µF', 1, '', '', 1);
            INSERT INTO meters VALUES (1, '00:00:5E:00:53:0A', '', 'bench meter', 'presented', '', '', 1, 900, 1000);
            INSERT INTO meter_aliases VALUES ('00:00:5E:00:53:0B', 1, 1000);
            INSERT INTO meter_facts VALUES (1, 'accuracy', 'good', 1000);
            INSERT INTO connections VALUES (1, 1, 1, 'presented', '', '', 1000, 10, NULL, NULL, NULL);
            INSERT INTO gaps VALUES (1, 1, 'link lost', 1000, 10, NULL, NULL, NULL);
            INSERT INTO clock_steps VALUES (1, 1, 1000, 10, 2000, 20, 990);
            INSERT INTO stretches VALUES (1, 1, 1, 1, 1, 'capacitance', 'µF', 'ok', NULL, '0.01', 2, 0, 0, 0, 'c',
                1, 1e8, 0, 2000, 20, 1, NULL);
            INSERT INTO raw_readings VALUES (1, 1, 0, 0, 4230, x'0102');
            INSERT INTO accepted_readings VALUES (1, 'uid-2', 1, 1, 1, 2000, 20, 1, 'capacitance', '42.30', 'µF',
                4.23e-5, 'ok', NULL, '0.01', 0, 0, 0, 1.5, NULL);
            INSERT INTO verdicts VALUES (1, 'uid-8', 1, 2000, 'within', 'close call', '42.3', '47.7', 'µF',
                '45 µF ±6 %', '45', '42.30', '-6', '0.5', 2.0, 0.5, 'assumed', 'assumed 1 % + 3', '',
                'simple acceptance', 'On the limit.', '', NULL, '', NULL, '45 µF ±6 %', '0.0.9');
            INSERT INTO seals VALUES (1, 'uid-9', 1, 1, 3000, '{}', '00', '00');
            INSERT INTO seal_salts VALUES (1, 'site', '00');
            """
        )


def make_older(path):
    """Make a database one version older than this program."""
    make_database(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"PRAGMA user_version = {connections.SCHEMA_VERSION - 1}")


def test_a_new_database_gets_every_migration_and_our_header(tmp_path):
    path = tmp_path / "meterlink.db"
    start_and_close(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA application_id").fetchone() == (connections.APPLICATION_ID,)
        assert connection.execute("PRAGMA user_version").fetchone() == (PRESENT,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        applied = [migration.name for migration in MIGRATIONS.applied(Database(connection))]
        assert applied == ["001 first tables", "002 readings decoded again"]
        assert MIGRATIONS.pending(Database(connection)) == []


def test_the_version_in_the_header_is_the_number_of_migrations():
    with closing(sqlite3.connect(":memory:")) as connection:
        assert len(MIGRATIONS.pending(Database(connection))) == connections.SCHEMA_VERSION


def test_migrating_again_changes_nothing(tmp_path):
    path = tmp_path / "meterlink.db"
    start_and_close(path)
    once = schema_of(path)
    start_and_close(path)
    assert schema_of(path) == once


def test_sqlite_utils_is_loaded_only_while_a_migration_is_due(tmp_path):
    """In processes of their own: the first start creates the tables, the second finds them up to date."""
    program = """
import sys
from pathlib import Path
from meterlink.core.clock import SystemClock
from meterlink.store.writer import Writer
writer = Writer(Path(sys.argv[1]), station="van-3", clock=SystemClock(), boot_id="a", on_alarm=lambda _: None)
writer.start()
writer.close()
print(sorted({"sqlite_utils", "numpy", "pint"} & set(sys.modules)))
"""
    command = [sys.executable, "-c", program, str(tmp_path / "meterlink.db")]
    first, second = (
        subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip() for _ in range(2)
    )
    assert "sqlite_utils" in first
    assert second == "[]"


def test_a_reader_refuses_an_older_database(tmp_path):
    path = tmp_path / "meterlink.db"
    make_older(path)
    with pytest.raises(OlderDatabaseError, match=r"older Meterlink .*Start the station once"):
        Reader(path).history()


def add_migration(monkeypatch, function):
    monkeypatch.setattr(MIGRATIONS, "_migrations", list(MIGRATIONS._migrations))
    MIGRATIONS(name="002 test")(function)
    version = connections.SCHEMA_VERSION + 1
    for module in (connections, migration):
        monkeypatch.setattr(module, "SCHEMA_VERSION", version)


def test_a_later_migration_is_applied_to_a_database_with_rows(tmp_path, monkeypatch):
    path = tmp_path / "meterlink.db"
    make_database(path)

    def later(db):
        db.execute("CREATE TABLE later (a INTEGER)")

    add_migration(monkeypatch, later)
    start_and_close(path)
    (row,) = Reader(path).history()
    assert row.reading.text == "42.30 µF"
    assert row.judgement.limits.basis == row.rating == "45 µF ±6 %"
    assert row.software == "0.0.9"
    assert "later" in {name for _, name, _ in schema_of(path)}


@pytest.mark.fault("failed-migration")
def test_a_migration_that_fails_leaves_the_database_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "meterlink.db"
    make_database(path)
    before = schema_of(path)

    def half_done(db):
        db.execute("CREATE TABLE half (a INTEGER)")
        raise sqlite3.OperationalError("half done")

    add_migration(monkeypatch, half_done)
    with pytest.raises(StoreError, match="half done"):
        start_and_close(path)
    assert schema_of(path) == before
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (PRESENT,)


@pytest.mark.fault("failed-migration")
def test_a_newer_database_is_refused_and_left_untouched(tmp_path):
    path = tmp_path / "meterlink.db"
    start_and_close(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as newer:
        newer.execute("CREATE TABLE from_the_future (a INTEGER)")
        newer.execute("PRAGMA user_version = 99")
        newer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        newer.execute("INSERT INTO from_the_future VALUES (1)")
        # A copy with a log that is not empty, like the files of a newer program that was killed.
        (tmp_path / "copy.db").write_bytes(path.read_bytes())
        (tmp_path / "copy.db-wal").write_bytes((tmp_path / "meterlink.db-wal").read_bytes())
    copy = tmp_path / "copy.db"
    before = copy.read_bytes(), (tmp_path / "copy.db-wal").read_bytes()
    for use in (start_and_close, lambda path: Reader(path).history()):
        with pytest.raises(
            NewerDatabaseError, match=r"newer Meterlink \(schema 99; this one reads \d+\).*Update Meterlink"
        ):
            use(copy)
        assert (copy.read_bytes(), (tmp_path / "copy.db-wal").read_bytes()) == before


@pytest.mark.parametrize("foreign", ["database", "text"])
def test_a_file_of_another_program_is_refused_and_left_untouched(tmp_path, foreign):
    path = tmp_path / "meterlink.db"
    if foreign == "database":
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("CREATE TABLE recipes (name TEXT)")
    else:
        path.write_text("flour, water, salt, yeast\n" * 100)
    before = path.read_bytes()
    for use in (start_and_close, lambda path: Reader(path).counts()):
        with pytest.raises(NotADatabaseError, match="is not a Meterlink database"):
            use(path)
    assert path.read_bytes() == before


def test_the_error_names_a_missing_database(tmp_path):
    with pytest.raises(NoDatabaseError, match=r"There is no database at .*nowhere\.db.*Start the station"):
        Reader(tmp_path / "nowhere.db").history()


def test_the_error_names_a_damaged_database(tmp_path):
    path = tmp_path / "meterlink.db"
    make_database(path)
    damaged = bytearray(path.read_bytes())
    damaged[4096:] = b"\xa5" * (len(damaged) - 4096)  # every page except the first, with header and schema root
    path.write_bytes(damaged)
    with pytest.raises(DamagedDatabaseError, match="is damaged"):
        Reader(path).history()


@pytest.mark.fault("failed-migration")
def test_a_first_start_cut_short_is_started_over(tmp_path):
    path = tmp_path / "meterlink.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")  # the file exists, but has no tables yet
    start_and_close(path)
    assert Reader(path).counts()["readings"] == 0


@pytest.mark.fault("two-writers")
def test_old_sqlite_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 36, 0))
    with (
        closing(sqlite3.connect(tmp_path / "a.db")) as connection,
        pytest.raises(StoreError, match=r"3\.37\.0 or newer"),
    ):
        migrate(connection, tmp_path / "a.db")


@pytest.mark.parametrize(
    "child",
    [
        "units",
        "unit_facts",
        "circuits",
        "components",
        "visits",
        "test_points",
        "notes",
        "replacements",
        "stock_movements",
        "meter_aliases",
        "meter_facts",
        "connections",
        "gaps",
        "clock_steps",
        "stretches",
        "raw_readings",
        "accepted_readings",
        "verdicts",
    ],
)
def test_foreign_keys_are_enforced_on_the_writers_connection(tmp_path, child):
    path = tmp_path / "meterlink.db"
    make_database(path)
    with closing(connections.connect_for_writing(path)) as connection:
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({child})")]
        parents = {row[3] for row in connection.execute(f"PRAGMA foreign_key_list({child})")}
        assert parents
        for parent in parents:
            sources = ["NULL" if c == "id" else "12345" if c == parent else c for c in columns]
            sources = ["'another'" if c in {"uid", "key", "name", "address"} else c for c in sources]
            sources = ["raw_reading_id + 1" if c == "raw_reading_id" else c for c in sources]
            sources = ["0" if c == "active" else c for c in sources]  # one visit only is active
            with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
                connection.execute(f"INSERT INTO {child} SELECT {', '.join(sources)} FROM {child} LIMIT 1")  # noqa: S608
