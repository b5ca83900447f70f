"""Accepted readings whose packets were decoded again: both displays are kept, and the new one counts everywhere."""

import shutil
import sqlite3
from contextlib import closing
from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.errors import StoreError
from meterlink.core.verdicts import Verdict
from meterlink.record.verified_visit import verify_visit
from meterlink.seal.verification import SealState
from meterlink.settings import DATABASE_FILE
from meterlink.store.accepted_filter import parse_filter
from meterlink.store.forgetting import REMOVED
from meterlink.store.reader import Reader
from support.commands import run_command, run_for_json
from support.kept_packets import HERM, METER, VOLTS, KeptPackets, packet_of
from support.recorded_visits import OUTER_TIMEOUT

GOOD, LINE = "0a000000-good", "0c000000-line"
FARADS = packet_of(1, 453)


@pytest.fixture
def kept(tmp_path: Path) -> KeptPackets:
    """Return a visit with a reading that lost a factor of ten, corrected since, and one that is right."""
    kept = KeptPackets(tmp_path)
    kept.accept(HERM, FARADS, GOOD)
    kept.accept(VOLTS, packet_of(2, 2403), LINE)
    kept.correct_reading(HERM, FARADS, GOOD, "Alex Quill")
    return kept


def rows(kept: KeptPackets, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(kept.folder / DATABASE_FILE)) as connection:
        return connection.execute(query).fetchall()


def test_the_new_display_counts_and_the_accepted_one_stays(kept: KeptPackets) -> None:
    kept.close()
    corrected, line = Reader(kept.folder / DATABASE_FILE).history()
    assert (corrected.reading.text, corrected.judgement.verdict, corrected.revision) == ("45.3 µF", Verdict.WITHIN, 2)
    assert corrected.reading.packet == FARADS
    assert corrected.correction is not None
    assert corrected.correction.accepted_as == "4.53 µF"
    assert (corrected.correction.driver, corrected.correction.technician) == (METER.driver, "Alex Quill")
    assert (line.reading.text, line.correction, line.revision) == ("240.3 V AC", None, 1)
    assert rows(kept, "SELECT digits, unit, value FROM accepted_readings WHERE quantity = 'capacitance'") == [
        ("4.53", "µF", 4.53e-6)
    ]


def test_the_newest_of_several_corrections_counts(kept: KeptPackets) -> None:
    kept.correct_reading(HERM, packet_of(1, 454), GOOD)
    kept.close()
    corrected, _ = Reader(kept.folder / DATABASE_FILE).history()
    assert (corrected.reading.text, corrected.revision) == ("45.4 µF", 3)
    assert corrected.correction is not None
    assert corrected.correction.accepted_as == "4.53 µF", "the display that was accepted, not the one between"


def test_a_correction_needs_its_reading(kept: KeptPackets) -> None:
    with pytest.raises(StoreError, match="There is no accepted reading 0f000000"):
        kept.correct_reading(HERM, FARADS, "0f000000-none")
    kept.close()


def test_lists_trends_and_the_filter_have_the_new_display(kept: KeptPackets) -> None:
    kept.close()
    reader = Reader(kept.folder / DATABASE_FILE)
    assert [str(value.reading.digits) for value in reader.part_values()] == ["45.3", "240.3"]
    assert [row.uid for row in reader.part_history(1)] == [GOOD]
    assert [row.uid for row in reader.filtered_history(parse_filter("herm within"), 9)] == [GOOD]
    assert reader.filtered_history(parse_filter("herm outside"), 9) == []
    visit = reader.visit()
    assert visit is not None
    assert [str(row.reading.digits) for row in visit.accepted] == ["45.3", "240.3"]


def test_the_next_visit_says_the_new_display_of_the_last_one(kept: KeptPackets) -> None:
    kept.finish()
    kept.writer.open_visit(
        Reader(kept.folder / DATABASE_FILE).visits()[0].site, kept.plan, kept.now()
    ).result(OUTER_TIMEOUT)  # fmt: skip
    kept.close()
    visit = Reader(kept.folder / DATABASE_FILE).visit()
    assert visit is not None
    assert visit.last_readings[HERM].text == "45.3 µF"


def test_json_and_the_views_name_both_displays(kept: KeptPackets) -> None:
    kept.close()
    corrected, line = run_for_json("history", "--data", str(kept.folder))
    assert (corrected["reading"], corrected["value"], corrected["accepted_as"]) == ("45.3 µF", 4.53e-5, "4.53 µF")
    assert (corrected["decoded_by"], corrected["recorded_by"]) == (METER.driver, "Alex Quill")
    assert corrected["decoded_again"].startswith("2026-07-14T15:")
    assert {line[key] for key in ("decoded_again", "accepted_as", "decoded_by", "recorded_by")} == {None}
    query = "SELECT digits, value, verdict, first_digits, first_unit_symbol, correction_driver FROM history ORDER BY id"
    assert rows(kept, query) == [
        ("45.3", 4.53e-5, "within", "4.53", "µF", METER.driver), ("240.3", 240.3, "within", None, None, None),
    ]  # fmt: skip
    query = "SELECT digits, verdict, current FROM verdict_history WHERE point = 'herm' ORDER BY judged_at"
    assert rows(kept, query) == [
        ("4.53", "outside", 0), ("45.3", "within", 1),
    ]  # fmt: skip


def test_the_history_shows_the_accepted_display_beside_the_new_one(kept: KeptPackets) -> None:
    kept.close()
    out = run_command("history", "--data", str(kept.folder)).out
    (line,) = [line for line in out.splitlines() if "HERM" in line]
    assert "45.3 µF" in line
    assert "decoded again, accepted as 4.53 µF" in line


def test_the_report_shows_both_and_its_seal_covers_them(kept: KeptPackets) -> None:
    kept.finish()
    kept.close()
    text = run_command("report", "--last", "--format", "md", "--data", str(kept.folder)).out
    assert "decoded again 2026-07-14" in text
    assert "by framed:yard for Alex Quill, accepted as 4.53 µF" in text
    reader = Reader(kept.folder / DATABASE_FILE)
    (visit,) = reader.visits()
    seal = reader.seal(visit.uid)
    assert verify_visit(seal, {key.public_key for key in reader.station_keys()}).state is SealState.INTACT
    report = kept.folder / "report.json"
    report.write_text(
        run_command("report", "--last", "--format", "json", "--data", str(kept.folder)).out, encoding="utf-8"
    )
    assert run_command("verify", str(report)).status == 0
    with closing(sqlite3.connect(kept.folder / DATABASE_FILE)) as connection, connection:
        connection.execute("UPDATE corrections SET digits = '46.3'")
    done = run_command("verify", "--last", "--data", str(kept.folder))
    assert done.status == 3
    assert "46.3, before: 45.3" in done.out


def test_forgetting_a_visit_forgets_who_recorded_it(kept: KeptPackets) -> None:
    kept.finish()
    (uid,) = [visit.uid for visit in Reader(kept.folder / DATABASE_FILE).visits()]
    assert Reader(kept.folder / DATABASE_FILE).visit_removal(uid).counts["technician"] == 2
    kept.writer.forget_visit(uid).result(OUTER_TIMEOUT)
    kept.close()
    assert rows(kept, "SELECT technician FROM corrections") == [(REMOVED,)]
    done = run_command("verify", "--last", "--data", str(kept.folder))
    assert done.status == 0, done.out


def test_a_merge_brings_corrections_once(kept: KeptPackets, tmp_path: Path) -> None:
    kept.close()
    other = tmp_path / "other"
    other.mkdir()
    shutil.copy(kept.folder / DATABASE_FILE, other / DATABASE_FILE)
    with closing(sqlite3.connect(other / DATABASE_FILE)) as connection, connection:
        connection.execute("DELETE FROM corrections")
        connection.execute("DELETE FROM verdicts WHERE id = (SELECT MAX(id) FROM verdicts)")
    for _ in range(2):
        done = run_command("merge", str(kept.folder / DATABASE_FILE), "--data", str(other))
        assert done.status == 0, done.err
        corrected, _ = Reader(other / DATABASE_FILE).history()
        assert (corrected.reading.digits, corrected.revision) == (Decimal("45.3"), 2)
        assert corrected.correction is not None
