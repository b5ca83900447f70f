"""The views of the database, which a person asks in SQL, against the rows that Meterlink itself reads."""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Site
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.store.history_query import HistoryFilter
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredReading
from support.exchange_records import METER, REASON, SITE, write_record
from support.writers import OUTER, running_writer


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "meterlink.db"
    write_record(path)
    return path


@pytest.fixture
def connection(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(path)) as connection:
        yield connection


def column(connection: sqlite3.Connection, query: str) -> list[Any]:
    return [value for (value,) in connection.execute(query)]


def test_every_raw_reading_is_in_its_view_also_outside_a_visit(path: Path, connection: sqlite3.Connection) -> None:
    """A reading before the visit was opened, or of a point that nobody chose, is a reading."""
    raw = [line.content for line in Reader(path).raw_lines(1000) if isinstance(line.content, StoredReading)]
    shown = connection.execute(
        "SELECT id, utc_ns, monotonic_ns, value, unit, meter FROM readings ORDER BY id"
    ).fetchall()
    assert len(shown) == len(raw)
    for (number, utc_ns, monotonic_ns, value, unit, meter), row in zip(shown, raw, strict=True):
        stamp = row.reading.timestamp
        assert number == row.id
        assert (utc_ns // 1000, monotonic_ns // 1000) == (stamp.utc_ns // 1000, stamp.monotonic_ns // 1000)
        assert value == pytest.approx(row.reading.value)
        assert (unit, meter) == (row.reading.unit, METER.name)
    assert column(connection, "SELECT count(*) FROM readings WHERE visit_uid IS NULL AND point IS NULL") == [8]


def test_the_reason_of_a_void_stands_beside_its_own_reading(path: Path, connection: sqlite3.Connection) -> None:
    """The second of each visit is voided; the first was, and counts again."""
    shown = dict(connection.execute("SELECT uid, void_reason FROM history").fetchall())
    voided = {str(fields["uid"]) for fields in Reader(path).history_fields(HistoryFilter()) if fields["voided"]}
    assert {uid for uid, reason in shown.items() if reason is not None} == voided
    assert sorted(shown.values(), key=str) == [REASON] * 2 + [None] * 8


def test_a_corrected_reading_is_shown_as_it_is_now(path: Path, connection: sqlite3.Connection) -> None:
    """Its packet was decoded again and nobody has judged it since: the display of then stands beside it."""
    shown = connection.execute("SELECT digits, unit_symbol, first_digits FROM history ORDER BY id").fetchall()
    readings = [row.reading for row in Reader(path).history()]
    assert [row[:2] for row in shown] == [
        (None if reading.digits is None else str(reading.digits), reading.unit) for reading in readings
    ]
    assert [row[2] for row in shown if row[2] is not None] == ["-0.0"]


def test_a_clock_that_was_set_back_hides_no_correction(path: Path, tmp_path: Path) -> None:
    """The newest verdict is that of the corrected display, although its time is before the correction's."""
    with closing(sqlite3.connect(shutil.copy(path, tmp_path))) as connection:
        query = "SELECT digits FROM history WHERE first_digits IS NOT NULL"
        before = column(connection, query)
        connection.execute(
            "UPDATE verdicts SET judged_utc_ns = 1 WHERE id IN (SELECT MAX(id) FROM verdicts GROUP BY accepted_id)"
        )
        assert column(connection, query) == before == ["45.10"]


def test_visits_parts_and_connections_stand_with_their_places(connection: sqlite3.Connection) -> None:
    assert connection.execute("SELECT DISTINCT site, unit FROM visit_list").fetchall() == [(SITE.name, SITE.unit)]
    assert connection.execute("SELECT site, unit, component FROM replacement_list").fetchall() == [
        (SITE.name, SITE.unit, "run capacitor")
    ]
    assert column(connection, "SELECT meter FROM connection_list") == [METER.name]


def test_the_list_of_sites_counts_the_units_and_visits_of_each(tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    bakery, roof, store = Site("bakery", "condenser"), Site("bakery", "roof"), Site("store", "condenser")
    with running_writer(path) as writer:
        plan = load_plan(DEFAULT_PLAN).with_usual_answers({})
        for number, place in enumerate((bakery, bakery, roof, store)):
            writer.open_visit(place, plan, Timestamp(number, number)).result(OUTER)
    assert [(site.name, site.units, site.visits) for site in Reader(path).sites()] == [
        ("bakery", 2, 3),
        ("store", 1, 1),
    ]
