"""A closed visit is sealed in the transaction that closes it, and again by each later change."""

import random
import sqlite3
from contextlib import closing

import pytest

from meterlink.record.verified_visit import verify_visit
from meterlink.seal.canonical import fingerprint, text_hash
from meterlink.seal.station_key import KEY_FILE
from meterlink.seal.verification import SealState
from meterlink.store.merge import merge_file
from meterlink.store.reader import Reader
from meterlink.store.sealing import Sealer
from meterlink.store.seals import stored_keys, stored_seal
from support.recorded_visits import OUTER_TIMEOUT
from support.sealed_visits import BEGUN, SECOND, SITE, SealedVisit, whole_visit
from support.writers import running_writer


@pytest.fixture
def sealed(tmp_path):
    visit = whole_visit(tmp_path / "meterlink.db")
    yield visit
    visit.close()
    assert visit.alarms == []


def verification(visit):
    reader = Reader(visit.database)
    return verify_visit(reader.seal(visit.ids.uid), {key.public_key for key in reader.station_keys()})


def editions(visit):
    return [[str(change) for change in check.changes] for check in verification(visit).editions]


def test_an_open_visit_is_not_sealed(tmp_path):
    visit = SealedVisit(tmp_path / "meterlink.db")
    visit.accept("run-capacitor-herm", "45.1 uF")
    assert verification(visit).state is SealState.NOT_SEALED
    assert not (tmp_path / KEY_FILE).exists()
    visit.close()


def test_a_closed_visit_is_sealed_at_once(sealed):
    found = verification(sealed)
    assert found.state is SealState.INTACT
    assert len(found.editions) == 1
    text = found.editions[0].text
    assert len(text.visit["readings"]) == 4
    assert [len(reading["verdicts"]) for reading in text.visit["readings"]] == [1, 1, 2, 1]
    assert text.visit["readings"][0]["packet"] == b"43.0 uF".hex()
    assert text.visit["replacements"][0]["objection"] == "440 V was marked before."


def test_no_personal_text_is_in_a_seal(sealed):
    text = verification(sealed).editions[0].edition.text
    for personal in (
        "bakery",
        "condenser east",
        "Quill",
        "J-1047",
        "gate key",
        "no access",
        "wrong terminal",
        "00:00:5E",
    ):
        assert personal not in text


def test_each_later_change_makes_an_edition_over_the_one_before(sealed):
    uid = Reader(sealed.database).history(visit_uid=sealed.ids.uid)[-1].uid
    sealed.void(uid, "the probe slipped")
    sealed.void(uid, "")
    sealed.judge_again(uid, "run-capacitor-herm", "45.3 uF")
    sealed.writer.add_note(sealed.ids.visit_id, "called back").result(OUTER_TIMEOUT)
    sealed.accept("run-capacitor-fan", "4.72 uF")
    found = editions(sealed)
    assert [len(changes) for changes in found] == [0, 1, 1, 1, 1, 1]
    assert [change.rpartition(" ")[2] for (change,) in found[1:]] == ["added"] * 5
    assert verification(sealed).state is SealState.INTACT


def test_the_fingerprint_that_a_person_reads_is_that_of_the_newest_edition(sealed):
    """It stands in the notice at the end of a visit, and is compared with a report's."""
    reader = Reader(sealed.database)
    before = reader.seal_fingerprint(sealed.ids.uid)
    sealed.writer.add_note(sealed.ids.visit_id, "called back").result(OUTER_TIMEOUT)
    found = [fingerprint(text_hash(check.edition.text)) for check in verification(sealed).editions]
    assert found == [before, reader.seal_fingerprint(sealed.ids.uid)]
    assert reader.seal_fingerprint("no such visit") == ""


def test_an_undone_replacement_makes_an_edition(sealed):
    uid = Reader(sealed.database).replacements()[0].uid
    sealed.writer.undo_replacement(uid, None).result(OUTER_TIMEOUT)
    assert any("undone" in change for change in editions(sealed)[1])


@pytest.mark.parametrize(
    ("rename", "subject"),
    [
        (lambda writer: writer.rename_site(SITE.name, "Corner bakery"), "site"),
        (lambda writer: writer.rename_unit(SITE, "condenser west"), "unit"),
    ],
)
def test_another_name_makes_an_edition(sealed, rename, subject):
    rename(sealed.writer).result(OUTER_TIMEOUT)
    assert editions(sealed)[1] == [f"{subject}: another text"]
    assert verification(sealed).state is SealState.INTACT


def test_readings_outside_the_visit_make_no_edition(tmp_path):
    visit = whole_visit(tmp_path / "meterlink.db")
    visit.writer.register_meter(Reader(visit.database).known_meters()[0].meter).result(OUTER_TIMEOUT)
    visit.close()
    with closing(sqlite3.connect(visit.database)) as connection, connection:
        connection.execute("DELETE FROM raw_readings WHERE id NOT IN (SELECT raw_reading_id FROM accepted_readings)")
        connection.execute("UPDATE meters SET name = 'another name'")
        connection.execute("INSERT INTO thinnings VALUES (1, 't', 1, 1, 1)")
    assert verification(visit).state is SealState.INTACT
    assert len(verification(visit).editions) == 1


def test_a_removed_name_leaves_the_seal_valid_and_is_said(sealed):
    """As removing personal data does: the salt goes first, then the name."""
    sealed.close()
    with closing(sqlite3.connect(sealed.database)) as connection, connection:
        connection.execute("DELETE FROM seal_salts WHERE subject = 'site'")
        connection.execute("UPDATE sites SET name = 'site 7f3a'")
    assert verification(sealed).state is SealState.INTACT
    assert Reader(sealed.database).seal(sealed.ids.uid).unchecked == ("site",)


def test_visits_that_were_closed_without_a_seal_are_sealed_by_the_next_start(sealed):
    sealed.close()
    with closing(sqlite3.connect(sealed.database)) as connection, connection:
        connection.execute("DELETE FROM seals")
    assert verification(sealed).state is SealState.NOT_SEALED
    sealed.writer.start()
    sealed.writer.stock().result(OUTER_TIMEOUT)
    assert verification(sealed).state is SealState.INTACT


def test_many_visits_without_a_seal_are_sealed_some_at_a_time(sealed):
    sealed.close()
    with closing(sqlite3.connect(sealed.database)) as connection, connection:
        connection.execute("DELETE FROM seals")
        connection.execute("CREATE TEMP TABLE copies AS SELECT * FROM visits")
        for number in range(2, 46):
            connection.execute("UPDATE copies SET id = ?, uid = ?", (number, f"uid-{number}"))
            connection.execute("INSERT INTO visits SELECT * FROM copies")
    sealed.writer.start()
    counts = []
    for _ in range(4):
        sealed.writer.stock().result(OUTER_TIMEOUT)
        counts.append(len(Reader(sealed.database).newest_editions()))
    assert counts == [20, 40, 45, 45]


def test_a_row_that_another_program_damaged_stops_no_reading(sealed, caplog):
    sealed.close()
    with closing(sqlite3.connect(sealed.database)) as connection, connection:
        connection.execute("DELETE FROM seals")
        connection.execute("UPDATE notes SET text = CAST(x'ff' AS TEXT)")  # no UTF-8
    again = SealedVisit(sealed.database, begun=BEGUN + 500 * SECOND)
    again.accept("run-capacitor-herm", "45.2 uF")
    again.finish()
    assert verification(again).state is SealState.INTACT
    assert caplog.text.count("cannot be sealed") == 1
    again.close()
    assert again.alarms == []


class TestKeys:
    def test_a_lost_key_gets_a_successor_and_old_seals_stay_valid(self, sealed):
        sealed.close()
        sealed.database.with_name(KEY_FILE).unlink()
        again = SealedVisit(sealed.database, begun=BEGUN + 1000 * SECOND)
        again.finish()
        again.close()
        first, second = Reader(sealed.database).station_keys()
        assert (first.end_reason, second.ended_utc_ns) == ("lost", None)
        assert verification(sealed).state is verification(again).state is SealState.INTACT

    def test_a_replaced_key_is_kept_with_its_reason(self, sealed):
        sealed.now()
        public_key = sealed.writer.replace_key("the laptop was stolen").result(OUTER_TIMEOUT)
        first, second = Reader(sealed.database).station_keys()
        assert first.end_reason == "the laptop was stolen"
        assert second.public_key == public_key
        sealed.writer.add_note(sealed.ids.visit_id, "called back").result(OUTER_TIMEOUT)
        found = verification(sealed)
        assert found.state is SealState.INTACT
        assert [check.edition.public_key for check in found.editions] == [first.public_key, second.public_key]

    def test_a_key_is_known_also_where_the_first_try_to_save_it_failed(self, tmp_path):
        """The disk was full at the commit: the key's file is there, and its row was rolled back."""
        visit = whole_visit(tmp_path / "meterlink.db")
        visit.writer.stock().result(OUTER_TIMEOUT)
        with closing(sqlite3.connect(visit.database)) as connection, connection:
            connection.execute("DELETE FROM station_keys")
        visit.writer.add_note(visit.ids.visit_id, "once more").result(OUTER_TIMEOUT)
        assert len(Reader(visit.database).station_keys()) == 1
        assert verification(visit).state is SealState.INTACT
        visit.close()

    def test_the_key_of_another_station_of_the_same_name_goes_on(self, sealed):
        """Two phones are both called localhost, and their records were merged."""
        with closing(sqlite3.connect(sealed.database)) as connection, connection:
            connection.execute("INSERT INTO station_keys (public_key, station, since_utc_ns) VALUES ('ab', 'van-3', 1)")
        sealed.writer.add_note(sealed.ids.visit_id, "called back").result(OUTER_TIMEOUT)
        assert [key.ended_utc_ns for key in Reader(sealed.database).station_keys()] == [None, None]

    def test_a_damaged_key_stops_no_visit_and_sealing_goes_on_when_it_is_mended(self, tmp_path, caplog):
        (tmp_path / KEY_FILE).write_text("nonsense")
        visit = whole_visit(tmp_path / "meterlink.db")
        assert verification(visit).state is SealState.NOT_SEALED
        visit.writer.add_note(visit.ids.visit_id, "once more").result(OUTER_TIMEOUT)
        assert caplog.text.count("cannot be sealed") == 1
        visit.writer.replace_key("damaged").result(OUTER_TIMEOUT)
        assert verification(visit).state is SealState.INTACT
        visit.close()

    def test_a_key_of_no_station_here_is_named(self, sealed):
        sealed.close()
        with closing(sqlite3.connect(sealed.database)) as connection, connection:
            connection.execute("DELETE FROM station_keys")
        found = verification(sealed)
        assert found.state is SealState.CHANGED
        assert "none of this data folder" in found.editions[0].problems[0]


# Each covered column, by the table in which it stands; other columns are row ids, or follow from these.
COVERED = {
    "visits": "uid plan plan_text derived answers technician job opened_utc_ns closed_utc_ns outcome power_on"
    " covers_on",
    "sites": "name",
    "units": "name",
    "circuits": "name",
    "components": "name section",
    "test_points": "key terminal_a terminal_b quantity state kind rating rating_set_utc_ns",
    "accepted_readings": "uid utc_ns clock_set quantity digits unit status coupling resolution low_battery display_hold"
    " relative settled_in assigned_utc_ns point_id",
    "raw_readings": "packet",
    "connections": "driver profile_hash",
    "meters": "address",
    "verdicts": "uid judged_utc_ns verdict margin limits_low limits_high limits_unit limits_basis limits_nominal digits"
    " deviation_percent expanded_uncertainty coverage_factor probability prior accuracy calibration rule reason"
    " next_measurement question answer resolution rating software accepted_id",
    "voids": "uid utc_ns voided reason accepted_id",
    "replacements": "uid circuit component sections old_rating new_rating ratings after_accepted_id objection utc_ns"
    " undone_utc_ns",
    "notes": "uid utc_ns text point_id",
    "seals": "edition sealed_utc_ns text public_key signature",
    "seal_salts": "salt subject",
}
REMOVABLE = {"accepted_readings", "verdicts", "voids", "replacements", "notes", "seals"}
COLUMNS = [(table, column) for table, columns in COVERED.items() for column in columns.split()]


def another(value, rng):
    """Return another value of the same kind."""
    if value is None:
        return rng.choice([0, 1])
    if isinstance(value, int):
        return value + rng.choice([-1, 1]) if value not in {0, 1} else 1 - value
    if isinstance(value, float):
        return value * 1.5 + 0.001
    if isinstance(value, bytes):
        return bytes([value[0] ^ 1]) + value[1:] if value else b"x"
    place = rng.randrange(len(value) + 1)
    return value[:place] + rng.choice("xyz0") + value[place:]


def change(connection, rng):
    """Change one covered value, or remove or swap rows; return the description of the change, empty for none."""
    table, column = rng.choice(COLUMNS)
    row_id = "subject" if table == "seal_salts" else "id"
    kind = rng.random()
    if kind < 0.1 and table in REMOVABLE:
        (row,) = rng.choice(connection.execute(f"SELECT id FROM {table} ORDER BY 1").fetchall())  # noqa: S608
        connection.execute(f"DELETE FROM {table} WHERE id = ?", (row,))  # noqa: S608
        return f"removed from {table}"
    if kind < 0.2:
        ids = [row for (row,) in connection.execute("SELECT id FROM accepted_readings ORDER BY 1")]
        one, other = rng.sample(ids, 2)
        for old, new in ((one, -1), (other, one), (-1, other)):
            connection.execute("UPDATE verdicts SET accepted_id = ? WHERE accepted_id = ?", (new, old))
            connection.execute("UPDATE voids SET accepted_id = ? WHERE accepted_id = ?", (new, old))
            connection.execute("UPDATE accepted_readings SET id = ? WHERE id = ?", (new, old))
        return "swapped two readings"
    rows = connection.execute(f"SELECT {row_id}, {column} FROM {table} ORDER BY 1").fetchall()  # noqa: S608
    row, value = rng.choice(rows)
    try:
        connection.execute(f"UPDATE {table} SET {column} = ? WHERE {row_id} = ?", (another(value, rng), row))  # noqa: S608
    except sqlite3.IntegrityError:  # the tables themselves refuse it
        return ""
    return f"{table}.{column}"


@pytest.mark.study(everyday=200, sample=500, full=10_000)
def test_every_change_of_a_covered_value_row_or_order_is_found_and_named(sealed, study_size):
    """By another program, which has none of the writer's triggers."""
    sealed.close()
    rng = random.Random(12)
    with closing(sqlite3.connect(sealed.database, isolation_level=None)) as connection:
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = OFF")
        known = {key.public_key for key in stored_keys(connection)}
        found: dict[str, int] = {}
        while sum(found.values()) < study_size:
            connection.execute("BEGIN")
            described = change(connection, rng)
            uid = connection.execute("SELECT uid FROM visits").fetchone()[0]
            seal = stored_seal(connection, uid)
            result = verify_visit(seal, known)
            connection.execute("ROLLBACK")
            if not described:
                continue
            found[described] = found.get(described, 0) + 1
            if described == "seal_salts.subject":  # the salt of a text is gone, as where a name was removed
                assert seal.unchecked
                continue
            named = [*map(str, result.changes), *(problem for check in result.editions for problem in check.problems)]
            expected = SealState.NOT_SEALED if described == "removed from seals" else SealState.CHANGED
            assert result.state is expected, described
            assert named or expected is SealState.NOT_SEALED, described
    assert len(found) > (75 if study_size >= 1_000 else 50)  # of the 84 columns, and the changes of rows and order


class TestMerging:
    """Two phones have one visit: a backup of the first went to the second, and both went on."""

    @pytest.fixture
    def phones(self, sealed, tmp_path):
        """Return the closed visit on the first phone, and the database of the second, with the same visit."""
        second = tmp_path / "second phone" / "meterlink.db"
        second.parent.mkdir()
        with closing(sqlite3.connect(sealed.database)) as source, closing(sqlite3.connect(second)) as copy:
            source.backup(copy)
        return sealed, second

    def merge(self, sealed, second):
        sealed.close()
        sealer = Sealer(sealed.database, "van-3", sealed.clock)
        merge_file(sealed.database, second, sealer=sealer)

    def add_note(self, sealed, database):
        with running_writer(database, sealed.clock) as writer:
            writer.add_note(1, "called back by the second phone").result(OUTER_TIMEOUT)

    def test_a_visit_that_only_came_in_keeps_its_seal(self, sealed, tmp_path):
        first = tmp_path / "first phone" / "meterlink.db"
        first.parent.mkdir()
        sealed.close()
        merge_file(first, sealed.database, sealer=Sealer(first, "van-4", sealed.clock))
        reader = Reader(first)
        found = verify_visit(reader.seal(sealed.ids.uid), {key.public_key for key in reader.station_keys()})
        assert found.state is SealState.INTACT
        assert len(found.editions) == 1

    def test_the_editions_of_one_phone_come_to_the_other(self, phones):
        sealed, second = phones
        self.add_note(sealed, second)
        self.merge(sealed, second)
        assert verification(sealed).state is SealState.INTACT
        assert [len(changes) for changes in editions(sealed)] == [0, 1]

    def test_a_visit_that_both_changed_is_sealed_over_both_editions(self, phones):
        sealed, second = phones
        self.add_note(sealed, second)
        uid = Reader(sealed.database).history(visit_uid=sealed.ids.uid)[-1].uid
        sealed.void(uid, "the probe slipped")
        self.merge(sealed, second)
        found = verification(sealed)
        assert found.state is SealState.INTACT
        assert [check.text.number for check in found.editions] == [1, 2, 2, 3]
        assert len(found.editions[-1].text.previous) == 2
