"""The station records corrections: of the active visit, of a paused one, and as a note at a closed one."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.verdicts import Verdict
from meterlink.link.messages import CommandName, CommandResult
from meterlink.profiles import compile_profile, parse_profile
from meterlink.record.verified_visit import verify_visit
from meterlink.seal.verification import SealState
from meterlink.settings import DATABASE_FILE, MqttSettings, Settings
from meterlink.station.drivers import factory_identity
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from support.commands import run_command, run_for_json
from support.kept_packets import HERM, METER, RIGHT, VOLTS, WRONG, KeptPackets, packet_of
from support.virtual_stations import accepted, run_at_station, until

GOOD, WEAK, LINE = "0a000000-good", "0b000000-weak", "0c000000-line"
PUBLISHING = Settings("test", mqtt=MqttSettings("127.0.0.1", 9, tls=False))


def hash_of(profile: str) -> str:
    return factory_identity(compile_profile(parse_profile(profile, "yard.toml")))[1]


def prepare(folder: Path, *, close: bool = False) -> None:
    kept = KeptPackets(folder)
    kept.accept(HERM, packet_of(1, 453), GOOD)
    kept.accept(VOLTS, packet_of(2, 2403), LINE)
    kept.accept(HERM, packet_of(1, 391), WEAK)
    if close:
        kept.finish()
    kept.close()
    kept.correct(RIGHT)


async def decode_again(station: Station, profile: str = RIGHT, technician: str = "") -> CommandResult:
    command: Any = {
        "id": 1, "command": CommandName.DECODE_AGAIN, "meter": METER.address, "since_utc_ns": 0,
        "text": hash_of(profile), "technician": technician,
    }  # fmt: skip
    return await station.result_of(command)


def messages(folder: Path) -> list[dict[str, Any]]:
    """Return the accepted readings that wait for the broker, each as ``{record: value}``."""
    packs = [json.loads(entry.payload) for entry in Reader(folder / DATABASE_FILE).outbox(100)]
    named = [
        {record.get("n"): record.get("vs", record.get("v", record.get("vb"))) for record in pack} for pack in packs
    ]
    return [records for records in named if "verdict" in records]


def test_the_active_visit_shows_the_new_value_at_once_and_publishes_it_as_a_correction(tmp_path: Path) -> None:
    prepare(tmp_path)

    async def body(station: Station, views: dict[str, Any]) -> None:
        await until(lambda: "visit" in views)
        assert accepted(views, 0)["text"] == "3.91 µF"
        result = await decode_again(station, technician="Alex Quill")
        assert (result.error, result.data) == ("", {"corrected": 2, "noted": 0})
        await until(lambda: accepted(views, 0)["text"] == "39.1 µF")
        assert (accepted(views, 0)["verdict"], accepted(views, 0)["revision"]) == (Verdict.OUTSIDE, 2)
        assert accepted(views, 1)["text"] == "240.3 V AC"
        again = await decode_again(station)
        assert again.data == {"corrected": 0, "noted": 0}, "what is corrected stays"

    run_at_station(tmp_path, body, settings=PUBLISHING)
    good, line, weak = Reader(tmp_path / DATABASE_FILE).history()
    assert [row.reading.text for row in (good, line, weak)] == ["45.3 µF", "240.3 V AC", "39.1 µF"]
    assert good.correction is not None
    assert (good.correction.accepted_as, good.correction.technician) == ("4.53 µF", "Alex Quill")
    assert good.correction.profile_hash == hash_of(RIGHT)
    assert line.correction is None
    sent = messages(tmp_path)
    assert [(each["reading-id"], each["accepted-as"], each["decoded-again"], each["revision"]) for each in sent] == [
        (GOOD, "4.53 µF", True, 2),
        (WEAK, "3.91 µF", True, 2),
    ]


def test_a_restarted_station_goes_on_with_the_corrected_readings(tmp_path: Path) -> None:
    prepare(tmp_path)

    async def correct(station: Station, _: dict[str, Any]) -> None:
        assert (await decode_again(station)).error == ""

    async def look(station: Station, views: dict[str, Any]) -> None:
        await until(lambda: "visit" in views)
        assert accepted(views, 0)["text"] == "39.1 µF"
        await station.execute({"id": 2, "command": CommandName.VOID, "uid": WEAK, "text": "slip"})
        await until(lambda: accepted(views, 0)["text"] == "45.3 µF")

    run_at_station(tmp_path, correct)
    run_at_station(tmp_path, look, settings=PUBLISHING)
    (void,) = messages(tmp_path)
    assert (void["accepted-as"], void["voided"]) == ("3.91 µF", True), "a later message says so, too"


def test_a_paused_visit_is_corrected(tmp_path: Path) -> None:
    prepare(tmp_path)

    async def body(station: Station, _: dict[str, Any]) -> None:
        await station.execute({"id": 1, "command": CommandName.PAUSE_VISIT})
        assert (await decode_again(station)).data == {"corrected": 2, "noted": 0}

    run_at_station(tmp_path, body)
    assert [row.reading.text for row in Reader(tmp_path / DATABASE_FILE).history()] == [
        "45.3 µF", "240.3 V AC", "39.1 µF",
    ]  # fmt: skip


def test_a_closed_visit_keeps_its_readings_and_gets_one_note_of_each_difference(tmp_path: Path) -> None:
    # A sealed record is a customer's: it is never changed, but nobody may be left believing the wrong value.
    prepare(tmp_path, close=True)
    before = [row.reading.text for row in Reader(tmp_path / DATABASE_FILE).history()]

    async def body(station: Station, _: dict[str, Any]) -> None:
        assert (await decode_again(station)).data == {"corrected": 0, "noted": 2}
        assert (await decode_again(station)).data == {"corrected": 0, "noted": 0}

    run_at_station(tmp_path, body)
    reader = Reader(tmp_path / DATABASE_FILE)
    assert [row.reading.text for row in reader.history()] == before
    (visit,) = reader.visits()
    notes = [note.text for note in reader.visit_notes(visit.uid)]
    assert notes == [
        f"Decoded again: the reading {uid} at the run capacitor HERM is {text}. It stays as it was sealed."
        for uid, text in (
            (GOOD, "45.3 µF by framed:yard, not 4.53 µF"),
            (WEAK, "39.1 µF by framed:yard, not 3.91 µF"),
        )
    ]
    seal = reader.seal(visit.uid)
    assert verify_visit(seal, {key.public_key for key in reader.station_keys()}).state is SealState.INTACT
    for voice in ("customer", "technical"):
        report = ("report", "--last", "--format", "md", "--voice", voice, "--data", str(tmp_path))
        for more in ((), ("--anonymous",)):
            assert "decoded again since by framed:yard: 45.3 µF" in run_command(*report, *more).out
    (tmp_path / "report.json").write_text(
        run_command("report", "--last", "--format", "json", "--data", str(tmp_path)).out, encoding="utf-8"
    )
    assert run_command("verify", str(tmp_path / "report.json")).status == 0


def test_a_station_that_decodes_with_another_version_of_the_profile_refuses(tmp_path: Path) -> None:
    # The technician looked at what the file on the disk reads; the daemon may not have read it yet.
    prepare(tmp_path)

    async def body(station: Station, _: dict[str, Any]) -> None:
        result = await decode_again(station, WRONG)
        assert "another version of framed:yard" in result.error
        assert result.exit_code == 2

    run_at_station(tmp_path, body)
    assert all(row.correction is None for row in Reader(tmp_path / DATABASE_FILE).history())


@pytest.mark.parametrize("accuracy", ["good", "capacitance: 0.5 % + 1 digits"])
def test_a_reading_that_decides_nothing_stays_so_when_it_is_judged_again(tmp_path: Path, accuracy: str) -> None:
    # 240.3 V DC at a point that needs AC: a better meter makes no AC of it.
    prepare(tmp_path)
    KeptPackets.save(tmp_path, RIGHT.replace('coupling = "AC"', 'coupling = "DC"'))

    async def body(station: Station, views: dict[str, Any]) -> None:
        result = await decode_again(station, RIGHT.replace('coupling = "AC"', 'coupling = "DC"'))
        assert result.data == {"corrected": 3, "noted": 0}
        command: Any = {"id": 3, "command": CommandName.SET_ACCURACY, "meter": METER.address, "text": accuracy}
        assert await station.execute(command) == ""
        await asyncio.sleep(1)
        assert accepted(views, 1)["text"] == "240.3 V DC"
        assert accepted(views, 1)["verdict"] == Verdict.CANNOT_TELL

    run_at_station(tmp_path, body)
    line = Reader(tmp_path / DATABASE_FILE).history()[1]
    assert line.judgement.verdict is Verdict.CANNOT_TELL
    assert "needs AC voltage" in line.judgement.reason


def test_a_value_that_the_profile_refuses_now_is_no_evidence(tmp_path: Path) -> None:
    # The diagnosis and the report are made of the readings left.
    prepare(tmp_path)
    refusing = RIGHT.replace("1 = {", "9 = {")
    KeptPackets.save(tmp_path, refusing)

    async def body(station: Station, views: dict[str, Any]) -> None:
        assert (await decode_again(station, refusing)).data == {"corrected": 2, "noted": 0}
        await until(lambda: accepted(views, 0)["verdict"] == Verdict.CANNOT_TELL)

    run_at_station(tmp_path, body)
    assert run_command("diagnose", "--data", str(tmp_path)).status == 0
    assert run_command("trend", "--data", str(tmp_path)).status == 0
    report = run_command("report", "--last", "--format", "md", "--data", str(tmp_path))
    assert report.status == 0
    assert "accepted as 4.53 µF" in report.out
    assert "within limits" in report.out, "of the line"


def test_the_command_shows_records_and_then_has_nothing_more_to_do(tmp_path: Path) -> None:
    prepare(tmp_path)
    arguments = ("decode", "--kept", "yard meter", "--data", str(tmp_path))
    assert run_for_json(*arguments)["done"] is False
    fields = run_for_json(*arguments, "--yes", "--technician", "Alex Quill")
    assert (fields["done"], fields["corrected"], fields["noted"]) == (True, 2, 0)
    assert run_for_json(*arguments, "--yes")["done"] is False
    shown = run_command("visit", "show", "--data", str(tmp_path)).out
    assert "WITHIN, decoded again, accepted as 4.53 µF" in shown
    out = run_command(*arguments).out
    assert "no accepted reading would change" in out


def test_a_file_that_is_not_in_use_records_nothing(tmp_path: Path) -> None:
    prepare(tmp_path)
    (tmp_path / "try.toml").write_text(RIGHT, encoding="utf-8")
    done = run_command(
        "decode", "--kept", "yard meter", "--profile", str(tmp_path / "try.toml"), "--yes", "--data", str(tmp_path)
    )
    assert done.status == 2
    assert "save it in profiles/" in done.err
