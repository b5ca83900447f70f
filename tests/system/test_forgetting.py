"""The personal data of a site is removed: from the answers, and from the bytes of the files; measurements stay."""

import asyncio
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.accepted_filter import parse_filter
from meterlink.store.connections import connect_for_writing
from meterlink.store.forgetting import scrub
from meterlink.store.history_query import HistoryFilter
from meterlink.store.reader import Reader
from support.commands import run_command, run_for_json
from support.virtual_stations import run_at_station

HERM = "run-capacitor-herm"
# Words that occur nowhere else; one of them has letters outside ASCII.
MARKS = {
    "site": "Quillfeather Bäckerei", "earlier name": "Marrowdale House", "customer": "Wexcombe Estates",
    "earlier customer": "Yarrowby and Sons", "address": "Zubenel Crescent", "unit": "Nimbleton annexe",
    "technician": "Oswyn Thrape", "job": "PQJ-77315", "note": "Brindlecote keys",
    "skip": "Vexleyward snagged",
    "void": "Hobnarrow slipped", "unit note": "Gristwold dog", "location": "behind Lumley shed",
}  # fmt: skip
OTHER = {"site": "Harbour cold store", "unit": "Walk-in 1"}
OTHERS = {"technician": "Ferrin Moxley", "note": "Tansy gate code"}


async def play(station: Station, views: dict[str, Any]) -> None:
    """Two visits to the site, which was renamed in between, and one elsewhere."""

    async def done(command: str, **fields: Any) -> None:
        result = await station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]
        assert not result.error, (command, result.error)

    async def read(text: str) -> str:
        await done("enter", point=HERM, text=text)
        async with asyncio.timeout(30):
            while True:
                for point in views["visit"]["points"]:
                    if point["key"] == HERM and point["accepted"] and point["accepted"]["text"] == text:
                        return str(point["accepted"]["uid"])
                await asyncio.sleep(0.05)

    place = {"site": MARKS["earlier name"], "unit": MARKS["unit"]}
    await done("begin_visit", **place, technician=MARKS["technician"], job=MARKS["job"])
    for question, answer in (("service", "240"), ("compressor-drive", "capacitor"), ("fan-motor", "capacitor")):
        await done("answer", question=question, answer=answer)
    await done("set_rating", point=HERM, text="35/5 MFD 440V")
    await done("void", uid=await read("3.49 µF"), text=MARKS["void"])
    await read("34.9 µF")
    await done("prove", text="241 V AC")
    await done("note", text=MARKS["note"])
    await done("skip", point="contactor-coil", text=MARKS["skip"])
    await done("set_fact", **place, fact="note", text=MARKS["unit note"])
    await done("set_fact", **place, fact="location", text=MARKS["location"])
    await done("set_fact", **place, fact="model", text="CU-36")
    await done("set_site_fact", site=place["site"], fact="customer", text=MARKS["earlier customer"])
    await done("set_site_fact", site=place["site"], fact="customer", text=MARKS["customer"])
    await done("set_site_fact", site=place["site"], fact="address", text=MARKS["address"])
    await done("set_site_fact", site=place["site"], fact="time zone", text="Europe/Oslo")
    await done("close_visit", outcome="no fault found")
    await done("rename_site", site=place["site"], to_site=MARKS["site"])
    await done("begin_visit", site=MARKS["site"], unit=MARKS["unit"], technician=MARKS["technician"])
    await read("34.7 µF")
    await done("close_visit", outcome="no fault found")
    await done("begin_visit", **OTHER, technician=OTHERS["technician"])
    await done("note", text=OTHERS["note"])
    await done("close_visit", outcome="no fault found")


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    run_at_station(tmp_path, play)
    payload = json.dumps(
        [{"n": "visit", "vs": Reader(tmp_path / DATABASE_FILE).visits()[0].uid}, {"vs": MARKS["site"]}]
    )
    with closing(connect_for_writing(tmp_path / DATABASE_FILE)) as connection:
        for table, more, values in (
            ("outbox", "", ()),
            ("rejected_messages", ", rejected_utc_ns, reason", (1, "full")),
        ):
            marks = ", ?" * len(values)
            connection.execute(
                f"INSERT INTO {table} (message_id, topic, payload, droppable, created_utc_ns{more})"  # noqa: S608
                f" VALUES ('m', ?, ?, 0, 1{marks})",
                (f"meterlink/van/accepted/{MARKS['unit']}", payload.encode(), *values),
            )
    return tmp_path


def found(folder: Path, *kinds: str) -> set[str]:
    """Return the marks whose bytes are in any file of the database; a word index has small letters."""
    contents = b"".join(path.read_bytes() for path in folder.glob(f"{DATABASE_FILE}*"))
    folded = contents.lower()

    def is_there(text: str) -> bool:
        words = [text, *text.split()]
        return any(word.encode() in contents or word.casefold().encode() in folded for word in words if len(word) > 5)

    return {kind for kind in kinds or MARKS if is_there(MARKS[kind])}


def seals(folder: Path) -> tuple[list[str], set[str]]:
    """Return the texts of the sealed editions, and the first words of the subjects that have a salt."""
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
        texts = [row[0] for row in connection.execute("SELECT text FROM seals ORDER BY id")]
        subjects = connection.execute(
            "SELECT subject FROM seal_salts"
            " WHERE visit_id IN (SELECT id FROM visits WHERE technician IN (?, 'removed'))",
            (MARKS["technician"],),
        )
        return texts, {row[0].split()[0] for row in subjects}


def verified(folder: Path) -> set[str]:
    statuses = set()
    for visit in Reader(folder / DATABASE_FILE).visits():
        statuses.add(str(run_command("verify", visit.uid).status))
    return statuses


def test_every_byte_is_gone_and_the_measurements_stay(data: Path) -> None:
    before = list(Reader(data / DATABASE_FILE).history_fields(HistoryFilter()))
    assert found(data) == set(MARKS)  # the search finds what is there
    assert verified(data) == {"0"}
    editions, subjects = seals(data)
    assert subjects == {"site", "unit", "technician", "job", "note", "void", "meter"}
    result = run_command("site", "forget", MARKS["site"], "--units", "--yes")
    assert result.status == 0, result.err
    assert found(data) == set()
    after = list(Reader(data / DATABASE_FILE).history_fields(HistoryFilter()))
    changed = ("site", "unit", "void_reason")
    assert [{key: entry[key] for key in entry if key not in changed} for entry in after] == [
        {key: entry[key] for key in entry if key not in changed} for entry in before
    ]
    assert [entry["void_reason"] for entry in after] == ["removed", None, None]
    (site,) = {str(entry["site"]) for entry in after}
    assert site.startswith("site ")
    assert f"The site is {site} now." in " ".join(result.out.split())
    assert verified(data) == {"0"}  # intact: the seal has hashes, and their places are kept
    # No other edition is sealed, and no name can be tried against a hash. The proof of the meter is still a note.
    assert seals(data) == (editions, {"note", "meter"})
    reader = Reader(data / DATABASE_FILE)
    assert {str(fact): text for fact, text in reader.site_facts(site).items()} == {"time zone": "Europe/Oslo"}
    (unit,) = (unit for unit in reader.units() if unit.site.name == site)
    assert unit.site.unit.startswith("unit ")
    assert [(str(fact), text) for fact, text, _ in unit.facts] == [("model", "CU-36")]
    first = reader.visits()[0]
    assert (first.technician, first.job) == ("removed", "removed")
    notes = [note.text for note in reader.visit_notes(first.uid)]
    assert notes == ["Meter proven on a known source: 241 V AC, typed in.", "removed", "removed"]
    assert reader.outbox(10) == []


def test_the_words_are_gone_from_the_filter_and_the_rest_is_found(data: Path) -> None:
    reader = Reader(data / DATABASE_FILE)
    assert len(reader.filtered_history(parse_filter("quillfeather"), 9)) == 3
    assert run_command("site", "forget", MARKS["site"], "--yes").status == 0
    assert reader.filtered_history(parse_filter("quillfeather"), 9) == []
    assert len(reader.filtered_history(parse_filter("nimbleton herm within"), 9)) == 2  # the unit kept its name
    assert found(data) == {"unit"}
    with closing(sqlite3.connect(data / DATABASE_FILE)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        connection.execute("INSERT INTO accepted_words (accepted_words) VALUES ('integrity-check')")


def test_text_that_was_deleted_long_ago_is_scrubbed_too(tmp_path: Path) -> None:
    """Most builds of SQLite leave deleted text in free space; others overwrite it (PRAGMA secure_delete)."""
    path = tmp_path / DATABASE_FILE
    run_at_station(tmp_path, play)
    with closing(connect_for_writing(path)) as connection:
        connection.execute("PRAGMA secure_delete = OFF")
        connection.execute("INSERT INTO counters VALUES ('Ravensthorpe ledger', 1)")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("DELETE FROM counters WHERE name = 'Ravensthorpe ledger'")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert b"Ravensthorpe" in path.read_bytes()
    scrub(path)
    assert b"Ravensthorpe" not in path.read_bytes()


def test_another_site_keeps_its_own(data: Path) -> None:
    assert run_command("site", "forget", MARKS["site"], "--yes").status == 0
    visit = Reader(data / DATABASE_FILE).visits()[2]
    assert (visit.site.name, visit.technician) == (OTHER["site"], OTHERS["technician"])
    assert [note.text for note in Reader(data / DATABASE_FILE).visit_notes(visit.uid)] == [OTHERS["note"]]


def test_a_visit_alone_loses_the_names_of_people(data: Path) -> None:
    uid = Reader(data / DATABASE_FILE).visits()[0].uid
    assert run_command("visit", "forget", uid[:8], "--yes").status == 0
    assert found(data, "job", "note", "skip", "void") == set()
    assert found(data, "site", "technician", "customer") == {"site", "technician", "customer"}  # of the other visit
    assert verified(data) == {"0"}


def test_what_was_removed_before_is_not_counted_again(data: Path) -> None:
    assert run_command("site", "forget", MARKS["site"], "--units", "--yes").status == 0
    (site,) = {entry["site"] for entry in run_for_json("history")}
    out = run_command("site", "forget", site, "--yes").out
    assert "1 site name" in out
    assert "remark" not in out.split("The measurements")[0]
    assert verified(data) == {"0"}


def test_the_list_before_says_what_and_where_copies_are(data: Path) -> None:
    photo = data / "plate.jpg"
    photo.write_bytes(b"\xff\xd8")
    assert run_command("unit", "set", "--site", MARKS["site"], MARKS["unit"], "photo", str(photo)).status == 0
    (data / "reports").mkdir()
    (data / "reports" / "2026-07-14-annexe.html").write_text("x", encoding="utf-8")
    result = run_command("site", "forget", MARKS["site"])
    assert result.status == 2
    assert "Nobody can be asked here: add --yes" in result.err
    for line in (
        "  2 customer entries", "  1 address entry", "  2 technicians", "  1 job number", "  3 unit facts",
        "  3 remarks", "  2 waiting messages", "The measurements, the verdicts",
        "Backups, exports and reports that were made earlier keep it", f"{photo} stays on the disk",
        "reports has 1 file: delete those about this place yourself",
    ):  # fmt: skip
        assert line in result.out
    assert found(data) == set(MARKS)  # nothing is removed yet


@pytest.mark.parametrize(("typed", "is_removed"), [(MARKS["site"], True), ("yes", False), ("", False)])
def test_the_name_is_typed_to_confirm(data: Path, typed: str, is_removed: bool) -> None:
    with patch("meterlink.cli.removal.is_interactive", lambda: True), patch("click.prompt", lambda *_, **__: typed):
        out = run_command("site", "forget", MARKS["site"]).out
    assert ("Nothing is removed." in out) is not is_removed
    assert ("customer" in found(data)) is not is_removed


def test_an_open_visit_stops_it(data: Path) -> None:
    begin = ("visit", "begin", "--site", MARKS["site"], "--unit", MARKS["unit"], "--plan", "split-condenser")
    assert run_command(*begin).status == 0
    result = run_command("site", "forget", MARKS["site"], "--yes")
    assert (result.status, "is open. Close it first" in result.err) == (1, True)
    assert found(data) == set(MARKS)


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Another program that reads the database, and does not end."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        connection.execute("SELECT COUNT(*) FROM sites").fetchone()
        yield


def test_a_reader_that_keeps_the_log_is_named_and_a_second_run_empties_it(data: Path) -> None:
    with reading(data / DATABASE_FILE):
        result = run_command("site", "forget", MARKS["site"], "--units", "--yes")
    assert result.status == 1
    assert "Another program reads the database" in result.err
    (site,) = {entry["site"] for entry in run_for_json("history")}
    assert site.startswith("site ")  # the record has it no more, and a second run empties the files
    assert run_command("site", "forget", site, "--yes").status == 0
    assert found(data) == set()


def test_a_full_disk_says_that_the_bytes_are_still_there(data: Path) -> None:
    full = sqlite3.OperationalError("database or disk is full")
    full.sqlite_errorcode = sqlite3.SQLITE_FULL
    with patch("meterlink.store.connections.connect_for_writing", side_effect=full):
        result = run_command("site", "forget", MARKS["site"], "--yes")
    assert result.status == 1
    assert "The personal data is removed, but its bytes are still in the file." in result.err
    assert "is full" in result.err
    assert "run it again with the new name" in result.err
    assert MARKS["site"] not in run_command("site", "list").out


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        (("site", "forget", "Quillfeather Backerei", "--yes"), "Did you mean Quillfeather Bäckerei?"),
        (("site", "forget", "\u202eevil", "--yes"), "There is no site"),
        (("visit", "forget", "zz", "--yes"), "There is no visit 'zz'"),
    ],
)
def test_nonsense_is_one_line(data: Path, typed: tuple[str, ...], message: str) -> None:
    status, out, err = run_command(*typed)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert message in err


def test_a_visit_without_any_personal_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A code for the site is enough; nothing asks for a name, an address or a technician."""
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    begin = ("visit", "begin", "--site", "K-104", "--unit", "1", "--plan", "split-condenser")
    assert run_command(*begin).status == 0
    assert run_command("visit", "close", "--outcome", "no fault found").status == 0
    visit = Reader(tmp_path / DATABASE_FILE).visits()[0]
    assert (visit.technician, visit.job) == ("", "")
    assert run_for_json("site", "show", "K-104")["customer"] is None
    assert run_command("report", "--last").status == 0
