"""Two phones, one truck: their databases become one, without a row twice and without a row lost."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Self

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Answer, Meter, Plan, PlanQuestion, Site
from meterlink.core.errors import DatabaseLockedError, InputError, NewerDatabaseError, NotADatabaseError
from meterlink.core.meter_facts import FactName
from meterlink.core.questions import Choice, Question
from meterlink.core.replacements import Replacement
from meterlink.core.stock import Movement, MovementKind, StockItem
from meterlink.core.units import Quantity
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.record.verified_visit import verify_visit
from meterlink.seal.verification import SealState
from meterlink.store import connections, merge, migration
from meterlink.store.connections import SCHEMA_VERSION
from meterlink.store.lock import FileLock
from meterlink.store.merge import NOT_MERGED, merge_file
from meterlink.store.reader import Reader
from meterlink.store.row_order import merged_sequence
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, NewReplacement, OutboxRow, ReadingRow, VoidRow
from meterlink.store.schema import MIGRATIONS
from meterlink.store.sealing import Sealer
from meterlink.store.writer import Writer
from support.broker_messages import store_messages
from support.kept_records import COIL, LAST_VISIT, PLACE, SECOND, _reading, capacitor, keep_record, settling_capacitor
from support.large_records import write_raw
from support.raw_pages import raw_page
from support.record_contents import _NAMES, check_database, record_contents, without_active
from support.recorded_visits import CLAMP_METER, OUTER_TIMEOUT, ManualClock, RecordedVisit, store_visits
from support.sealed_visits import whole_visit
from support.writers import running_writer

OTHER_PLACE = Site("Harbour hotel", "walk-in")
HERM = capacitor()


def first_phone(folder: Path) -> Path:
    path = folder / "first.db"
    keep_record(path)
    return path


def second_phone(folder: Path) -> Path:
    """Visits between those of the first phone, to one unit of the first and to one of its own."""
    path = folder / "second phone" / "second.db"  # with a key of its own
    path.parent.mkdir(exist_ok=True)
    store_visits(
        path,
        [
            RecordedVisit("2024-01-10", PLACE, [(HERM, "44.2 uF"), (COIL, "14.3 ohm")]),
            RecordedVisit(
                "2025-03-11",
                OTHER_PLACE,
                [(HERM, "OL uF")],
                clock_set=False,
                meter=Meter("00:00:5E:00:53:0B", "fork meter"),
            ),
        ],
    )
    return path


def merged_copy(folder: Path, *paths: Path) -> Path:
    """Return the path of a copy of the first database with the others merged into it, in this order."""
    folder.mkdir()
    target = folder / "meterlink.db"
    with closing(sqlite3.connect(paths[0])) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
    for other in paths[1:]:
        merge_file(target, other)
        check_database(target)
    return target


def test_nothing_is_lost_and_nothing_comes_twice(tmp_path):
    first, second = first_phone(tmp_path), second_phone(tmp_path)
    before, other = record_contents(first), record_contents(second)
    together = {table: before[table] | other[table] for table in before}
    once = merged_copy(tmp_path / "once", first, second)
    merged = record_contents(once)
    # The meter that both have was last seen by one of them.
    for table in set(merged) - {"meters"}:
        assert merged[table] == together[table], table
    twice = merged_copy(tmp_path / "twice", first, second, second, first)
    assert record_contents(twice) == merged
    assert merge_file(twice, second).new == {}
    assert record_contents(second) == other


def test_the_order_of_merging_changes_no_contents_and_no_order(tmp_path):
    first, second = first_phone(tmp_path), second_phone(tmp_path)
    one = merged_copy(tmp_path / "one", first, second)
    two = merged_copy(tmp_path / "two", second, first)
    assert without_active(record_contents(one)) == without_active(record_contents(two))
    orders = [
        (
            [row.uid for row in Reader(path).history()],
            [visit.uid for visit in Reader(path).visits()],
            [row.judgement.verdict for row in Reader(path).history()],
        )
        for path in (one, two)
    ]
    assert orders[0] == orders[1]


def test_the_rows_are_in_the_order_of_time(tmp_path):
    """The history, the last reading of a part and the plot of a part are read in the order of the row ids."""
    path = merged_copy(tmp_path / "merged", first_phone(tmp_path), second_phone(tmp_path))
    reader = Reader(path)
    history = reader.history()
    times = [row.reading.timestamp.utc_ns for row in history]
    assert times == sorted(times)
    assert [row.id for row in history] == list(range(1, len(history) + 1))
    opened = [visit.opened.utc_ns for visit in reader.visits()]
    assert opened == sorted(opened)
    herm = [row for row in history if row.point_key == "herm" and row.site == PLACE]
    assert [row.uid for row in reader.part_history(herm[-1].id)] == [row.uid for row in herm]
    last = reader.visit(history[-1].visit_uid)
    assert last is not None
    # 43.2 µF of 2025-10-06, not the reading of 2024 that came in last.
    assert last.last_readings["herm"].text == "43.2 µF"


def test_raw_readings_are_found_where_they_are_after_a_merge(tmp_path):
    first, second = first_phone(tmp_path), second_phone(tmp_path)
    for path in (merged_copy(tmp_path / "one", first, second), merged_copy(tmp_path / "two", second, first)):
        reader = Reader(path)
        for source in (first, second):
            alone = Reader(source)
            for row in alone.history():
                here = next(merged for merged in reader.history() if merged.uid == row.uid)
                around, expected = (
                    [(raw.reading, raw.meter.address, raw.boot, raw.visit_uid, raw.point_key) for raw in found]
                    for found in (
                        reader.readings_around(here.id, 20, 2, 1000),
                        alone.readings_around(row.id, 20, 2, 1000),
                    )
                )
                assert around == expected
                first_id = reader.first_reading_since(row.reading.timestamp.utc_ns)
                (raw,) = raw_page(reader, 1, after_id=first_id - 1)
                assert raw.reading.timestamp.utc_ns == row.reading.timestamp.utc_ns
            for visit in alone.visits():
                assert [raw.reading for raw in reader.readings(visit.uid)] == [
                    raw.reading for raw in alone.readings(visit.uid)
                ]
        assert reader.counts()["readings"] == len(raw_page(reader, 10_000))


class Phone:
    """A station with one visit, whose database is copied while it is open; both copies go on."""

    def __init__(self, path: Path, utc_ns: int = LAST_VISIT) -> None:
        self.path = path
        self.clock = ManualClock()
        self.clock.utc_ns = utc_ns

    def __enter__(self) -> Self:
        self.writer = Writer(
            self.path, station=self.path.stem, clock=self.clock, boot_id="boot-b", on_alarm=lambda _: None
        )
        self.writer.start()
        meter = self.writer.register_meter(CLAMP_METER).result(OUTER_TIMEOUT)
        self.connection = self.writer.open_connection(NewConnection(meter, self.clock.now()))
        return self

    def __exit__(self, *_: object) -> None:
        self.writer.close()

    def open(self) -> None:
        self.ids = self.writer.open_visit(PLACE, Plan("split", (HERM, COIL)), self.clock.now()).result(OUTER_TIMEOUT)

    def resume(self) -> None:
        visit = self.writer.activate_visit().result(OUTER_TIMEOUT)
        assert visit is not None
        self.ids = visit.ids

    def accept(self, key: str, digits: str) -> str:
        self.clock.utc_ns += 30 * SECOND
        quantity, unit = (Quantity.CAPACITANCE, "µF") if key == "herm" else (Quantity.RESISTANCE, "Ω")
        reading = _reading(quantity, digits, unit, self.clock.utc_ns)
        point = HERM if key == "herm" else COIL
        row = ReadingRow(reading, self.connection, self.ids.visit_id, self.ids.point_ids[key], clock_set=True)
        judgement = judge(point.kind, limits_for(point), MeasuredValue.from_reading(reading))
        uid = f"{self.path.stem}-{key}-{digits}"
        accepted = AcceptedRow(row, judgement, 1.0, uid)
        self.writer.submit(Batch((row,), (accepted,), (OutboxRow(uid, "t", b"[]", droppable=False),))).result(
            OUTER_TIMEOUT
        )
        return uid

    def void(self, uid: str, reason: str) -> None:
        self.clock.utc_ns += 10 * SECOND
        self.writer.submit(Batch(voids=(VoidRow(uid, reason),))).result(OUTER_TIMEOUT)

    def replace(self) -> str:
        self.clock.utc_ns += 10 * SECOND
        replacement = Replacement(
            "run capacitor", "compressor", (), "45 µF ±6 %", "45 µF ±5 %", utc_ns=self.clock.utc_ns
        )
        used = Movement(MovementKind.USED, StockItem("capacitor", "45 µF"), 1, self.clock.utc_ns, "", "")
        uid, _ = self.writer.replace_part(
            self.ids.visit_id, NewReplacement(replacement, {"herm": "45 µF ±5 %"}, used)
        ).result(OUTER_TIMEOUT)
        return uid

    def close(self, outcome: str) -> None:
        self.clock.utc_ns += 10 * SECOND
        self.writer.close_visit(self.ids.visit_id, self.clock.now(), outcome).result(OUTER_TIMEOUT)


def copy_of(path: Path, name: str) -> Path:
    target = path.with_name(name)
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
    return target


def test_two_copies_of_one_visit_that_both_went_on(tmp_path):
    """The old part's readings stay the old part's, the newest verdict stays the current one, and closed wins."""
    with Phone(tmp_path / "one.db") as phone:
        phone.open()
        wrong = phone.accept("herm", "39.0")
        phone.void(wrong, "leads swapped")
        old = phone.accept("herm", "38.9")
    two = copy_of(phone.path, "two.db")
    with Phone(phone.path, phone.clock.utc_ns) as first:
        first.resume()
        first.replace()
        new = first.accept("herm", "45.0")
    with Phone(two, phone.clock.utc_ns + SECOND) as second:
        second.resume()
        second.void(wrong, "")
        second.void(wrong, "wrong part")
        coil = second.accept("coil", "14.0")
        second.close("repaired")
    merged = [
        merged_copy(tmp_path / name, *paths) for name, paths in (("a", (first.path, two)), ("b", (two, first.path)))
    ]
    contents = [without_active(record_contents(path)) for path in merged]
    # `after_accepted_id` names a reading, which has another row id in each.
    assert contents[0] == contents[1]
    for path in merged:
        (visit,) = Reader(path).visits()
        assert (visit.outcome, visit.active) == ("repaired", False)
        history = {row.uid: row for row in Reader(path).history()}
        assert set(history) == {wrong, old, new, coil}
        assert history[wrong].void_reason == "wrong part"
        (replacement,) = Reader(path).replacements()
        assert history[old].id <= (replacement.replacement.after_number or 0) < history[new].id
        assert [raw.reading.text for raw in Reader(path).readings(visit.uid)].count("38.9 µF") == 2


def test_a_visit_that_one_phone_moved_keeps_its_unit_and_brings_the_other_unit_not_back(tmp_path):
    """The visit was begun at the wrong unit: one phone moves it, the other one goes on and adds a test point."""
    with Phone(tmp_path / "one.db") as phone:
        phone.open()
        phone.accept("herm", "45.0")
    two = copy_of(phone.path, "two.db")
    with Phone(phone.path) as first:
        first.resume()
        first.writer.move_visit(first.ids.visit_id, OTHER_PLACE, None).result(OUTER_TIMEOUT)
    question = Question("How many fans?", (Choice("one", "", Answer()), Choice("two", "", Answer())))
    fan = replace(HERM, key="fan", section="FAN", when=(("fans", "two"),))
    with Phone(two) as second:
        second.resume()
        plan = Plan("split", (HERM, COIL, fan), asked=(PlanQuestion("fans", question),))
        second.writer.set_answers(second.ids.visit_id, plan, {"fans": "two"}).result(OUTER_TIMEOUT)
    result = merge_file(phone.path, two)
    assert any("belongs to another unit in the other database" in remark for remark in result.remarks)
    assert [unit.site for unit in Reader(phone.path).units()] == [OTHER_PLACE]
    with closing(sqlite3.connect(phone.path)) as connection:
        units = connection.execute(
            "SELECT p.key, ci.unit_id = v.unit_id FROM test_points p JOIN visits v ON v.id = p.visit_id"
            " JOIN components co ON co.id = p.component_id JOIN circuits ci ON ci.id = co.circuit_id"
        ).fetchall()
    assert sorted(units) == [("coil", 1), ("fan", 1), ("herm", 1)]
    check_database(phone.path)


def test_an_undone_replacement_gives_the_old_rating_back(tmp_path):
    with Phone(tmp_path / "one.db") as phone:
        phone.open()
        phone.accept("herm", "39.0")
        uid = phone.replace()
    two = copy_of(phone.path, "two.db")
    with Phone(two, phone.clock.utc_ns + SECOND) as second:
        back = Movement(MovementKind.RETURNED, StockItem("capacitor", "45 µF"), 1, second.clock.utc_ns, "", "")
        second.writer.undo_replacement(uid, back).result(OUTER_TIMEOUT)
    for name, paths in (("a", (phone.path, two)), ("b", (two, phone.path))):
        path = merged_copy(tmp_path / name, *paths)
        assert Reader(path).replacements() == []
        (visit,) = Reader(path).visits()
        assert Reader(path).plan(visit.uid).ratings["herm"] == "45 µF ±6 %"
        assert [count.count for count in Reader(path).stock()] == [0]


def test_an_open_visit_stays_open_and_is_not_active_here(tmp_path):
    with Phone(tmp_path / "one.db") as first:
        first.open()
    with Phone(tmp_path / "two.db") as second:
        second.open()
    result = merge_file(first.path, second.path)
    visits = Reader(first.path).visits()
    assert [(visit.uid == first.ids.uid, visit.active, visit.closed_utc_ns) for visit in visits] in (
        [(True, True, None), (False, False, None)],
        [(False, False, None), (True, True, None)],
    )
    assert result.remarks == ("2 visits to condenser, north roof at Corner bakery are open: close all but one.",)


def test_a_visit_closed_in_two_ways_keeps_its_own_outcome(tmp_path):
    with Phone(tmp_path / "one.db") as phone:
        phone.open()
    two = copy_of(phone.path, "two.db")
    for path, outcome in ((phone.path, "repaired"), (two, "part ordered")):
        with Phone(path) as each:
            each.resume()
            each.close(outcome)
    result = merge_file(phone.path, two)
    (visit,) = Reader(phone.path).visits()
    assert visit.outcome == "repaired"
    (remark,) = result.remarks
    place = "condenser, north roof at Corner bakery"
    assert remark == f"Visit {visit.uid[:8]} to {place} was closed in two ways: that of this database stays."


def test_of_a_meters_facts_the_newer_ones_count(tmp_path):
    address, fork = CLAMP_METER.address, "00:00:5E:00:53:0B"
    for name, changes in (
        ("one.db", ((1, FactName.NAME, "clamp"), (4, FactName.ACCURACY, "good"))),
        ("two.db", ((2, FactName.NAME, "blue clamp"), (3, FactName.ACCURACY, "poor"))),
    ):
        clock = ManualClock()
        with running_writer(tmp_path / name, clock) as writer:
            for second, fact, value in changes:
                clock.utc_ns = second * SECOND
                writer.set_meter_fact(address, fact, value).result(OUTER_TIMEOUT)
                writer.set_meter_fact(fork, fact, f"fork {value}").result(OUTER_TIMEOUT)
            clock.utc_ns = 5 * SECOND
            writer.add_alias(address, "00:00:5E:00:53:77").result(OUTER_TIMEOUT)
    merge_file(tmp_path / "one.db", tmp_path / "two.db")
    meter, other = Reader(tmp_path / "one.db").known_meters()
    assert (meter.meter.name, other.meter.name) == ("blue clamp", "fork blue clamp")
    assert {name: fact.value for name, fact in meter.facts.items()} == {
        FactName.NAME: "blue clamp",
        FactName.ACCURACY: "good",
    }
    assert meter.aliases == ("00:00:5E:00:53:77",)
    check_database(tmp_path / "one.db")


def test_two_bound_meters_of_one_name_are_not_both_bound(tmp_path):
    for name, address in (("one.db", "00:00:5E:00:53:01"), ("two.db", "00:00:5E:00:53:02")):
        with running_writer(tmp_path / name) as writer:
            writer.bind(Meter(address, "clamp"), name_given=True).result(OUTER_TIMEOUT)
    result = merge_file(tmp_path / "one.db", tmp_path / "two.db")
    assert {meter.meter.address: meter.bound for meter in Reader(tmp_path / "one.db").known_meters()} == {
        "00:00:5E:00:53:01": True,
        "00:00:5E:00:53:02": False,
    }
    assert "00:00:5E:00:53:02 is not bound any more" in result.remarks[0]


def test_two_meters_that_show_the_same_in_one_moment_are_two_readings(tmp_path):
    with Phone(tmp_path / "one.db") as phone:
        fork = phone.writer.register_meter(Meter("00:00:5E:00:53:0B", "fork meter")).result(OUTER_TIMEOUT)
        connection = phone.writer.open_connection(NewConnection(fork, phone.clock.now()))
        reading = _reading(Quantity.CAPACITANCE, "45.0", "µF", phone.clock.utc_ns)
        phone.writer.submit(Batch((ReadingRow(reading, phone.connection),))).result(OUTER_TIMEOUT)
        two = copy_of(phone.path, "two.db")
        phone.writer.submit(Batch((ReadingRow(reading, connection),))).result(OUTER_TIMEOUT)
    for _ in range(2):  # the second time nothing is new
        merge_file(two, phone.path)
        assert Reader(two).counts()["readings"] == 2


def test_an_accepted_reading_keeps_its_own_raw_reading(tmp_path):
    """Some readings of a stretch are here already; each accepted one of the rest still shows what the meter sent."""
    with Phone(tmp_path / "one.db") as phone:
        phone.open()
        phone.accept("herm", "45.0")
        two = copy_of(phone.path, "two.db")
        for digits in ("45.1", "45.2", "45.3"):
            phone.accept("herm", digits)
    merge_file(two, phone.path)
    with closing(sqlite3.connect(two)) as connection:
        kept = connection.execute(
            "SELECT a.digits, r.digits FROM accepted_readings a JOIN readings r ON r.id = a.raw_reading_id"
            " ORDER BY a.id"
        ).fetchall()
    assert kept == [(digits, digits) for digits in ("45.0", "45.1", "45.2", "45.3")]
    check_database(two)


def test_of_a_thinning_that_went_on_in_a_copy_the_larger_number_of_rows_counts(tmp_path):
    one = first_phone(tmp_path)
    with closing(sqlite3.connect(one)) as connection, connection:
        connection.executemany("INSERT INTO thinnings VALUES (NULL, ?, 1, 1, ?)", [("here", 30), ("there", 10)])
    two = copy_of(one, "two.db")
    with closing(sqlite3.connect(two)) as connection, connection:
        connection.execute("UPDATE thinnings SET deleted = 20")
    merge_file(one, two)
    assert [run.deleted for run in Reader(one).thinnings()] == [30, 20]


def test_the_outbox_is_not_merged(tmp_path):
    with Phone(tmp_path / "two.db") as second:
        second.open()
        second.accept("herm", "45.0")
    with running_writer(tmp_path / "one.db"):
        pass
    merge_file(tmp_path / "one.db", second.path)
    assert Reader(tmp_path / "one.db").outbox(10) == []
    assert Reader(tmp_path / "one.db").counts()["accepted_readings"] == 1


def test_a_preview_changes_nothing_and_says_what_comes(tmp_path):
    first, second = first_phone(tmp_path), second_phone(tmp_path)
    before = record_contents(first)
    preview = merge_file(first, second, preview=True)
    assert record_contents(first) == before
    check_database(first)
    assert merge_file(first, second) == preview
    assert preview.new["visits"] == 2
    assert preview.new["accepted_readings"] == 3


def test_a_preview_into_an_empty_folder_copies_a_record_that_cannot_be_read_in_place(tmp_path, monkeypatch):
    """The copy of the stick's record and the preview's empty one are in one folder, both for a ``meterlink.db``."""
    other = tmp_path / "stick" / "meterlink.db"
    other.parent.mkdir()
    shutil.copy(first_phone(tmp_path), other)
    monkeypatch.setattr(merge, "is_directly_readable", lambda _: False)
    folder = tmp_path / "empty"
    folder.mkdir()
    assert merge_file(folder / "meterlink.db", other, preview=True).new["visits"] == len(Reader(other).visits())
    assert [path.name for path in folder.iterdir()] == ["meterlink.db.lock"]


KEPT_NAME = "first.before-2026-11-27-142530.db"


def messages(path: Path) -> tuple[list[str], list[str]]:
    """Return the ids of the messages that wait, in their order, and of those that the broker refused."""
    reader = Reader(path)
    return [row.message_id for row in reader.outbox(100)], [row.message_id for row in reader.refused_messages(100)]


def test_messages_of_the_record_before_are_taken_once(tmp_path):
    """Nobody publishes the messages of a record that another file displaced; each station those of its own."""
    path, kept, elsewhere = tmp_path / "first.db", tmp_path / KEPT_NAME, tmp_path / "stick" / KEPT_NAME
    store_messages(kept, 6, {3: "Not authorized", 5: "Quota exceeded"})
    store_messages(path, 3, {2: "Not authorized"}, first=4)  # id-5 was refused there; id-4 and id-6 wait in both
    elsewhere.parent.mkdir()
    shutil.copy(kept, elsewhere)
    assert set(merge_file(path, elsewhere, preview=True).new) == {"boots"}
    preview = merge_file(path, kept, preview=True)
    assert messages(path) == (["id-4", "id-6"], ["id-5"])
    result = merge_file(path, kept)
    assert result == preview
    assert (result.new["outbox"], result.new["rejected_messages"]) == (2, 1)
    assert messages(path) == (["id-4", "id-6", "id-1", "id-2"], ["id-5", "id-3"])
    with closing(sqlite3.connect(path)) as connection:  # the publisher sends them
        connection.execute("DELETE FROM outbox")
        connection.commit()
    assert merge_file(path, kept).new == {}
    assert messages(path) == ([], ["id-5", "id-3"])
    assert messages(kept) == (["id-1", "id-2", "id-4", "id-6"], ["id-3", "id-5"])


def test_messages_are_taken_once_by_way_of_a_record_in_between(tmp_path):
    """Displaced twice: the second record before had taken, and sent, those of the first."""
    first, second, path = tmp_path / KEPT_NAME, tmp_path / "first.before-2026-11-28-090000.db", tmp_path / "first.db"
    store_messages(first, 2, {})
    merge_file(path, first)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM outbox WHERE message_id = 'id-1'")
        connection.commit()
    path.rename(second)
    for kept in (second, first):
        merge_file(path, kept)
    assert messages(path) == (["id-2"], [])


def test_every_table_is_merged_or_said_not_to_be(tmp_path):
    with running_writer(tmp_path / "one.db"):
        pass
    with closing(sqlite3.connect(tmp_path / "one.db")) as connection:
        tables = {
            row[0]
            for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            if not row[0].startswith(("sqlite_", "accepted_words", "meter_words", "_sqlite_migrations"))
        }
    assert tables == {*_NAMES, "stretches", "raw_readings", *NOT_MERGED}


def test_the_other_database_stays_as_it_is_and_may_be_an_older_one(tmp_path, monkeypatch):
    other = second_phone(tmp_path)
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    before = other.read_bytes()
    monkeypatch.setattr(MIGRATIONS, "_migrations", list(MIGRATIONS._migrations))
    MIGRATIONS(name="002 test")(
        lambda db: db.execute("ALTER TABLE visits ADD COLUMN weather TEXT NOT NULL DEFAULT 'dry'")
    )
    for module in (connections, migration, merge):
        monkeypatch.setattr(module, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    path = first_phone(tmp_path)
    merge_file(path, other)
    assert other.read_bytes() == before
    assert {file.name for file in tmp_path.iterdir()} == {"first.db", "first.db.lock", "station.key", "second phone"}
    assert {file.name for file in other.parent.iterdir()} == {"second.db", "second.db.lock", "station.key"}
    check_database(path)
    assert len(Reader(path).visits()) == 11


def test_it_refuses_what_it_cannot_merge(tmp_path):
    path = first_phone(tmp_path)
    with pytest.raises(InputError, match="own database"):
        merge_file(path, path)
    strange = tmp_path / "strange.db"
    with closing(sqlite3.connect(strange)) as connection:
        connection.execute("CREATE TABLE t (a)")
    with pytest.raises(NotADatabaseError):
        merge_file(path, strange)
    strange.write_bytes(b"no database at all, but long enough to be taken for one" * 100)
    with pytest.raises(NotADatabaseError):
        merge_file(path, strange)
    newer = copy_of(path, "newer.db")
    with closing(sqlite3.connect(newer)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    with pytest.raises(NewerDatabaseError):
        merge_file(path, newer)
    lock = FileLock(path)
    lock.acquire()
    with pytest.raises(DatabaseLockedError):
        merge_file(path, second_phone(tmp_path))
    lock.release()


def test_two_sequences_keep_their_own_order():
    """A clock was set back between a reading's two voids: the later one stays the later one."""
    own = [(10, "a"), (50, "b"), (20, "c")]
    other = [(10, "a"), (5, "x"), (50, "b"), (60, "y"), (1, "z")]
    assert merged_sequence(own, other) == ["a", "x", "b", "c", "y", "z"]
    assert merged_sequence(other, own) == ["a", "x", "b", "c", "y", "z"]
    assert merged_sequence([], other) == [uid for _, uid in other]


def test_a_merge_of_readings_into_an_empty_database_keeps_them_exactly(tmp_path):
    """To the digit, the ns, the packet: the readings of a settling capacitor."""
    other = tmp_path / "other.db"
    with Phone(other) as phone:
        phone.open()
        rows = tuple(ReadingRow(reading, phone.connection) for reading in settling_capacitor(LAST_VISIT))
        phone.writer.submit(Batch(rows)).result(OUTER_TIMEOUT)
    merge_file(tmp_path / "new.db", other)
    shutil.copy(other, tmp_path / "same.db")
    assert record_contents(tmp_path / "new.db")["raw_readings"] == record_contents(other)["raw_readings"]
    assert [raw.reading for raw in raw_page(Reader(tmp_path / "new.db"), 100)] == [row.reading for row in rows]


def test_a_visit_that_the_merge_changes_is_sealed_again_over_both_editions(tmp_path):
    """Each phone voided another reading of the closed visit: the new seal covers both voids, over both editions."""
    one = whole_visit(tmp_path / "one" / "meterlink.db")
    uids = [row.uid for row in Reader(one.database).history()]
    one.close()
    (tmp_path / "two").mkdir()
    for file in one.database.parent.iterdir():
        shutil.copy(file, tmp_path / "two")
    for folder, uid in (("one", uids[0]), ("two", uids[1])):
        with running_writer(tmp_path / folder / "meterlink.db") as writer:
            writer.submit(Batch(voids=(VoidRow(uid, "wrong terminal"),))).result(OUTER_TIMEOUT)
    path = tmp_path / "one" / "meterlink.db"
    merge_file(path, tmp_path / "two" / "meterlink.db", sealer=Sealer(path, "van-3", SystemClock()))
    reader = Reader(path)
    (visit,) = reader.visits()
    found = verify_visit(reader.seal(visit.uid), {key.public_key for key in reader.station_keys()})
    assert found.state is SealState.INTACT
    assert [check.text.number for check in found.editions] == [1, 2, 2, 3]
    assert len(found.editions[-1].text.previous) == 2
    assert merge_file(path, tmp_path / "two" / "meterlink.db", sealer=Sealer(path, "van-3", SystemClock())).new == {}
    assert len(reader.seal(visit.uid).editions) == 4


def test_a_sealed_visit_of_the_other_station_stays_sealed_as_it_was(tmp_path):
    """Its meter has another address here, as a person said: the seal covers the address of then."""
    two = whole_visit(tmp_path / "two" / "meterlink.db")
    (address,) = {row.meter.address for row in Reader(two.database).history()}
    two.close()
    path = tmp_path / "one" / "meterlink.db"
    with running_writer(path) as writer:
        writer.bind(Meter("00:00:5E:00:53:99", "clamp")).result(OUTER_TIMEOUT)
        writer.add_alias("00:00:5E:00:53:99", address).result(OUTER_TIMEOUT)
    merge_file(path, two.database, sealer=Sealer(path, "van-4", SystemClock()))
    reader = Reader(path)
    (visit,) = reader.visits()
    found = verify_visit(reader.seal(visit.uid), {key.public_key for key in reader.station_keys()})
    assert (found.state, len(found.editions)) == (SealState.INTACT, 1)
    bound = {row.meter.address: row.bound for row in reader.known_meters()}
    assert bound == {"00:00:5E:00:53:99": True, address: False}


def test_a_reading_assigned_in_two_copies_is_two_accepted_readings(tmp_path):
    """It came outside any visit; each phone gave it to a visit of its own, and a third database gets both."""
    with Phone(tmp_path / "one.db") as phone:
        row = ReadingRow(_reading(Quantity.CAPACITANCE, "45.0", "µF", phone.clock.utc_ns), phone.connection)
        phone.writer.submit(Batch((row,))).result(OUTER_TIMEOUT)
    copies = [copy_of(phone.path, name) for name in ("plain.db", "two.db")]
    for path, uid in ((phone.path, "uid-one"), (copies[1], "uid-two")):
        with Phone(path, phone.clock.utc_ns + SECOND) as each:
            each.open()
            judgement = judge(HERM.kind, limits_for(HERM), MeasuredValue.from_reading(row.reading))
            own = row._replace(visit_id=each.ids.visit_id, point_id=each.ids.point_ids["herm"])
            each.writer.submit(Batch(accepted=(AcceptedRow(own, judgement, 1.0, uid, 1),))).result(OUTER_TIMEOUT)
    merge_file(phone.path, copies[1])
    merge_file(copies[0], phone.path)
    for path in (phone.path, copies[0]):
        assert {row.uid for row in Reader(path).history()} == {"uid-one", "uid-two"}
        check_database(path)
        assert merge_file(path, copies[1]).new == {}
    assert merge_file(copies[0], phone.path).new == {}


@pytest.mark.parametrize("count", [0, 1, 500, 2_400])
def test_a_record_that_has_grown_brings_what_is_new(tmp_path, count):
    """The stretches are the same up to some reading, or one of them had not begun."""
    write_raw(tmp_path / "grown.db", 2_400)
    path = copy_of(tmp_path / "grown.db", "before.db")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM raw_readings WHERE id > ?", (count,))
        connection.execute("DELETE FROM stretches WHERE first_reading_id > ?", (count,))
        connection.execute("UPDATE stretches SET last_reading_id = NULL")
        connection.commit()
    assert merge_file(path, tmp_path / "grown.db").new.get("raw_readings", 0) == 2_400 - count
    assert record_contents(path)["raw_readings"] == record_contents(tmp_path / "grown.db")["raw_readings"]
    assert merge_file(tmp_path / "grown.db", path).new == {}
    assert Reader(path).counts()["readings"] == 2_400
