"""The tables of a released version change by migrations only: a kept database of each version is migrated and read."""

import sqlite3
from contextlib import closing

import pytest

from meterlink.record.verified_visit import verify_visit
from meterlink.seal.verification import SealState
from meterlink.store.reader import Reader
from support.fixture_databases import FOLDER, VERSIONS, make, unpack
from support.writers import running_writer

CORRECTIONS_SINCE = 2  # the version of the tables


def schema_of(path):
    with closing(sqlite3.connect(path)) as connection:
        return dict(connection.execute("SELECT type || ' ' || name, sql FROM sqlite_master ORDER BY 1"))


def rows_of(path):
    """Return the number of rows of each table that a station fills."""
    with closing(sqlite3.connect(path)) as connection:
        names = [name for (name,) in connection.execute("SELECT name FROM pragma_table_list WHERE type = 'table'")]
        names = [name for name in names if name not in {"sqlite_schema", "sqlite_temp_schema", "_sqlite_migrations"}]
        return {name: connection.execute(f"SELECT COUNT(*) FROM {name}").fetchone()[0] for name in names}  # noqa: S608


@pytest.fixture(params=VERSIONS)
def version(request):
    return request.param


@pytest.fixture
def database(version, tmp_path):
    path = tmp_path / "meterlink.db"
    unpack(version, path)
    return path


def test_a_database_of_every_version_is_kept():
    """Without it no migration could be tested: python tests/support/fixture_databases.py."""
    assert sorted(file.name for file in FOLDER.iterdir()) == [f"version-{number}.db.gz" for number in VERSIONS]


def test_a_migrated_database_has_the_tables_of_a_new_one(database, tmp_path):
    with running_writer(database):
        pass
    make(tmp_path / "new.db")
    assert schema_of(database) == schema_of(tmp_path / "new.db"), "change tables by a migration"


def test_a_migration_loses_no_row(database):
    before = rows_of(database)
    with running_writer(database):
        pass
    after = rows_of(database)
    assert {name: after[name] for name in before if name != "boots"} == {
        name: number for name, number in before.items() if name != "boots"
    }
    assert after["boots"] == before["boots"] + 1


def test_the_record_of_a_migrated_database_is_whole_and_its_seal_intact(database, version):
    with running_writer(database):
        pass
    reader = Reader(database)
    visit, *open_visits = reader.visits()
    history = reader.history(None)
    assert len(open_visits) == (1 if version >= CORRECTIONS_SINCE else 0)
    for row in history[4:]:
        assert (row.point_key, row.reading.text, row.revision) == ("run-capacitor-herm", "45.3 µF", 2)
        assert (row.correction.accepted_as, row.correction.technician) == ("4.53 µF", "Alex Quill")
    assert len(history) == 4 + len(open_visits)
    shown = [(row.point_key, row.reading.text, row.void_reason, row.revision) for row in history[:4]]
    assert shown == [
        ("run-capacitor-fan", "43.0 µF", "probe on the wrong terminal", 2),
        ("run-capacitor-herm", "39.2 µF", None, 1),
        ("run-capacitor-fan", "4.71 µF", None, 2),
        ("run-capacitor-herm", "45.3 µF", None, 1),
    ]
    assert [stored.objection for stored in reader.replacements()] == ["440 V was marked before."]
    assert [(str(count.item), count.count) for count in reader.stock()] == [("45 µF 440 V", 2)]
    assert [gap.cause for gap in reader.gaps()] == ["link lost"]
    assert len(reader.clock_steps()) == 1
    keys = {key.public_key for key in reader.station_keys()}
    assert verify_visit(reader.seal(visit.uid), keys).state is SealState.INTACT
