"""Visits begin, pause, switch and close while a station runs, and without one; every reading is in its place."""

import asyncio
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import Site
from meterlink.core.errors import PlanError
from meterlink.link.messages import CommandResult
from meterlink.plans import check_plan
from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from support.commands import parse_json, run_command, run_for_json
from support.point_texts import HERM_POINT
from support.virtual_stations import run_at_station

BAKERY = {"site": "Mill Lane bakery", "unit": "Condenser 1"}
SCHOOL = {"site": "Pond school", "unit": "Walk-in 2", "plan": "walk-in-cooler"}


at_station = run_at_station  # without a visit


async def send(station: Station, command: str, **fields: str) -> CommandResult:
    return await station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]


async def done(station: Station, command: str, **fields: str) -> dict[str, Any]:
    result = await send(station, command, **fields)
    assert result.error == ""
    return dict(result.data)


async def begin_at_the_bakery(station: Station, **fields: str) -> str:
    """Begin a visit there and answer the plan's questions; return its uid."""
    uid: str = (await done(station, "begin_visit", **BAKERY, **fields))["visit"]
    for question, answer in {
        "service": "240", "compressor-drive": "capacitor", "fan-motor": "capacitor", "contactor-poles": "2"
    }.items():  # fmt: skip
        await done(station, "answer", question=question, answer=answer)
    return uid


def point_view(views: dict[str, Any], key: str) -> dict[str, Any]:
    found: dict[str, Any] = next(p for p in views["visit"]["points"] if p["key"] == key)
    return found


async def enter(station: Station, views: dict[str, Any], point: str, text: str) -> None:
    """Type a reading in and wait for its commit."""
    await done(station, "enter", point=point, text=text)
    async with asyncio.timeout(30):
        while text not in {p["accepted"] and p["accepted"]["text"] for p in views["visit"]["points"]}:  # noqa: ASYNC110
            await asyncio.sleep(0.05)


def accepted(views: dict[str, Any]) -> dict[str, str]:
    return {p["key"]: p["accepted"]["text"] for p in views["visit"]["points"] if p["accepted"]}


def test_a_new_database_has_no_visit_and_says_how_to_begin_one(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        assert (views["visit"]["site"], views["visit"]["points"]) == ("", [])
        assert "No visit is open" in views["visit"]["advice"]
        for command, fields in (
            ("enter", {"text": "45.1 uF"}),
            ("note", {"text": "squeaky fan"}),
            ("close_visit", {"outcome": "repaired"}),
            ("pause_visit", {}),
        ):
            result = await send(station, command, **fields)
            assert ("No visit is open." in result.error, result.exit_code) == (True, 1), command
        for command in ("next", "previous", "repeat"):
            assert await done(station, command) == {}

    at_station(tmp_path, body)
    assert Reader(tmp_path / DATABASE_FILE).visits() == []


def test_two_customers_in_one_day_interleaved(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        bakery = await begin_at_the_bakery(station)
        await enter(station, views, "supply-volts", "241.2 V")
        school = (await done(station, "begin_visit", **SCHOOL))["visit"]
        assert views["visit"]["site"] == "Pond school"
        assert accepted(views) == {}  # a new place never inherits readings
        volts = next(p["key"] for p in views["visit"]["points"] if p["quantity"] == "voltage")
        await enter(station, views, volts, "208.4 V")
        await done(station, "switch_visit", visit=bakery)
        assert accepted(views) == {"supply-volts": "241.2 V"}
        await enter(station, views, "contactor-coil-volts", "24.4 V")
        await done(station, "close_visit", outcome="no fault found")
        assert views["visit"]["points"] == []
        await done(station, "switch_visit", visit=school)
        assert accepted(views) == {volts: "208.4 V"}
        assert "closed" not in (await done(station, "switch_visit", visit=school))
        assert (await send(station, "switch_visit", visit=bakery)).exit_code == 1  # it is closed

    at_station(tmp_path, body)
    rows = Reader(tmp_path / DATABASE_FILE).history()
    assert [(row.site.name, row.reading.text) for row in rows] == [
        ("Mill Lane bakery", "241.2 V"),
        ("Pond school", "208.4 V"),
        ("Mill Lane bakery", "24.4 V"),
    ]


def test_whoever_starts_next_resumes_the_active_visit_and_is_asked_after_twelve_hours(tmp_path: Path) -> None:
    async def begin(station: Station, views: dict[str, Any]) -> None:
        await begin_at_the_bakery(station, technician="Robin", job="4711")
        await done(station, "set_rating", point="run-capacitor-herm", text="45+5 MFD 440V")
        await enter(station, views, "run-capacitor-herm", "45.1 µF")

    async def resume(_: Station, views: dict[str, Any]) -> None:
        assert (views["visit"]["site"], accepted(views)) == ("Mill Lane bakery", {"run-capacitor-herm": "45.1 µF"})
        herm = next(p for p in views["visit"]["points"] if p["key"] == "run-capacitor-herm")
        assert (herm["rating"], bool(herm["why"])) == ("45 µF ±6 %", True)  # the plan is that of the beginning, whole
        assert "notice" not in views or views["notice"]["text"] == ""

    async def resume_next_day(_: Station, views: dict[str, Any]) -> None:
        assert accepted(views) == {"run-capacitor-herm": "45.1 µF"}
        assert "13 hours old" in views["notice"]["text"]

    async def resume_after_a_battery_died(_: Station, views: dict[str, Any]) -> None:
        assert accepted(views) == {"run-capacitor-herm": "45.1 µF"}
        assert "cannot be told: the clock was wrong then, or is now" in views["notice"]["text"]

    that_day = timedelta(days=200)
    at_station(tmp_path, begin, later=that_day)
    at_station(tmp_path, resume, later=that_day)
    at_station(tmp_path, resume_next_day, later=that_day + timedelta(hours=13))
    at_station(tmp_path, resume_after_a_battery_died, boot="the next boot")


def _voltage_point(key: str) -> str:
    return f"""
[[point]]
key = "{key}"
circuit = "{key}"
component = "supply"
terminals = ["L1", "L2"]
quantity = "voltage"
coupling = "AC"
state = "energized"
kind = "range"
low = "207 V"
high = "253 V"
why = "A motor needs its volts."
"""


def test_a_visit_without_its_plan_keeps_its_verdicts_and_invents_no_limits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A visit that came from an import has the ratings of its plan, but not whether volts are AC, and no cautions.

    230 V DC at a supply of 207 to 253 V AC is no good supply: without the plan nobody knows that it is to be AC.
    """
    text = f'name = "supply"\n{HERM_POINT}rule = "guarded"\nwhy = "It runs."\n' + "".join(
        map(_voltage_point, ("read", "unread"))
    )
    plan = check_plan(text).require("plan", PlanError)

    async def measure(station: Station, views: dict[str, Any]) -> None:
        await enter(station, views, "herm", "42.35 µF")
        await enter(station, views, "read", "201.3 V AC")

    async def go_on(station: Station, views: dict[str, Any]) -> None:
        assert "Its plan is not in the record" in views["notice"]["text"]
        assert [point_view(views, key)["accepted"]["verdict"] for key in ("herm", "read")] == verdicts
        await enter(station, views, "herm", "42.34 µF")
        assert point_view(views, "herm")["accepted"]["verdict"] == verdicts[0]
        wrong = await send(station, "enter", point="read", text="230.1 V DC")
        assert "AC voltage" in wrong.error
        await enter(station, views, "unread", "230.1 V DC")
        assert point_view(views, "unread")["accepted"]["verdict"] == "no limits"
        await done(station, "set_rating", point="herm", text="40 uF 10 %")  # by somebody who reads it off the part
        assert point_view(views, "herm")["accepted"]["verdict"] == "within"
        await done(station, "pause_visit")

    at_station(tmp_path, measure, Site("Mill Lane bakery", "Condenser 1"), plan)
    before = Reader(tmp_path / DATABASE_FILE).history()
    verdicts = [str(row.judgement.verdict) for row in before]
    assert verdicts == ["cannot tell", "outside"]
    at_station(tmp_path, go_on)
    after = Reader(tmp_path / DATABASE_FILE).history()
    assert [row.judgement for row in after if row.point_key == "read"] == [before[1].judgement]
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    (visit,) = Reader(tmp_path / DATABASE_FILE).visits()
    assert "The visit goes on. Its plan is not in the record" in run_command("visit", "switch", visit.uid).out


def test_a_unit_keeps_its_ratings_and_its_plan(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin_at_the_bakery(station)
        await done(station, "set_rating", point="run-capacitor-fan", text="45+5 MFD 440V")
        await done(station, "close_visit", outcome="declined")
        await done(station, "begin_visit", **SCHOOL)
        assert not any(p["rating"] == "5 µF ±6 %" for p in views["visit"]["points"])
        await done(station, "close_visit", outcome="declined")
        await done(station, "begin_visit", **SCHOOL | {"plan": ""})
        assert views["visit"]["plan"] == "walk-in cooler condensing unit, single phase"
        await done(station, "begin_visit", **BAKERY)
        ratings = {p["key"]: p["rating"] for p in views["visit"]["points"]}
        assert (ratings["run-capacitor-herm"], ratings["run-capacitor-fan"]) == ("45 µF ±6 %", "5 µF ±6 %")

    at_station(tmp_path, body)


def test_leaving_lists_what_is_untested_outside_and_skipped(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin_at_the_bakery(station)
        await done(station, "set_rating", point="run-capacitor-fan", text="45+5 MFD 440V")
        await enter(station, views, "run-capacitor-fan", "3.91 µF")
        await enter(station, views, "supply-volts", "241.2 V")
        assert (await send(station, "skip", point="compressor-ground", text=" ")).exit_code == 2
        await done(station, "skip", point="compressor-ground", text="cover rusted shut")
        assert (await send(station, "close_visit", outcome="fine")).exit_code == 2
        left = await done(station, "close_visit", outcome="part to be fetched")
        assert left["outside_not_replaced"] == ["run-capacitor-fan"]
        assert left["skipped"] == [{"point": "compressor-ground", "reason": "cover rusted shut"}]
        assert not {"run-capacitor-fan", "supply-volts", "compressor-ground"} & set(left["untested"])
        assert "run-capacitor-herm" in left["untested"]

    at_station(tmp_path, body)
    (visit,) = Reader(tmp_path / DATABASE_FILE).visits()
    assert (visit.outcome, visit.active, visit.closed_utc_ns is not None) == ("part to be fetched", False, True)


def test_a_second_visit_to_a_unit_waits_until_the_first_is_closed(tmp_path: Path) -> None:
    async def body(station: Station, _: dict[str, Any]) -> None:
        uid = (await done(station, "begin_visit", **BAKERY))["visit"]
        result = await send(station, "begin_visit", **BAKERY)
        assert (uid in result.error, result.exit_code) == (True, 1)
        for place in (BAKERY | {"unit": " "}, BAKERY | {"site": "\x1b"}):
            assert (await send(station, "begin_visit", **place)).exit_code == 2
        assert (await send(station, "begin_visit", site="A", unit="B", plan="no-such-plan")).exit_code == 2

    at_station(tmp_path, body)
    assert [visit.site for visit in Reader(tmp_path / DATABASE_FILE).visits()] == [Site(*BAKERY.values())]


def test_without_a_daemon_the_commands_do_the_work_themselves(tmp_path: Path) -> None:
    data = ("--data", str(tmp_path / "data"))
    bakery = run_for_json("visit", "begin", "--site", "Mill Lane bakery", "--unit", "Condenser 1", *data)["visit"]
    assert run_command("visit", "rating", "run-capacitor-herm", "45+5 MFD 440V", *data).status == 0
    assert run_command("visit", "note", "squeaky fan", *data).status == 0
    school = run_for_json("visit", "begin", "--site", "Pond school", "--unit", "RTU 2", *data)["visit"]
    assert [visit["state"] for visit in run_for_json("visit", "list", *data)] == ["paused", "active"]
    assert run_for_json("visit", "switch", bakery, *data) == {"visit": bakery}
    shown = run_for_json("visit", "show", *data)
    assert (shown["visit"], shown["notes"][0]["text"]) == (bakery, "squeaky fan")
    point = next(point for point in shown["points"] if point["key"] == "run-capacitor-herm")
    assert point["limits"] == {"low": "42.3", "high": "47.7", "unit": "µF", "basis": "45 µF ±6 %"}
    assert run_for_json("visit", "close", "--outcome", "repaired", *data)["outcome"] == "repaired"
    status, out, err = run_command("visit", "show", *data)
    assert (status, out) == (1, "")
    assert "No visit is open." in err
    assert "squeaky fan" in run_command("visit", "show", bakery, *data).out
    assert run_command("visit", "switch", school, *data).status == 0
    assert run_command("visit", "rating", "no-such-point", "45 uF", *data).status == 2
    assert "start or run?" in run_command("visit", "rating", "run-capacitor-herm", "40-50 MFD 370V", *data).err
    assert run_command("visit", "rating", "run-capacitor-herm", "40-50 MFD 370V", *data).status == 3
    assert run_for_json("enter", "241.2 V AC", "--point", "supply-volts", *data)["accepted"]["text"] == "241.2 V AC"
    assert run_command("answer", "--answer", "240", *data).status == 3  # the other questions of the plan are open
    (volts,) = (p for p in run_for_json("visit", "show", *data)["points"] if p["key"] == "supply-volts")
    assert [reading["verdict"] for reading in volts["readings"]] == ["within"]


@pytest.mark.parametrize("outcome", ["", "fine"])
def test_an_outcome_that_is_none_is_refused(tmp_path: Path, outcome: str) -> None:
    assert run_command("visit", "close", "--outcome", outcome, "--data", str(tmp_path)).status == 2


def test_a_list_without_a_database_is_empty(tmp_path: Path) -> None:
    assert parse_json(run_command("visit", "list", "--data", str(tmp_path), "--json").out) == []


def test_a_rating_entered_after_the_reading_judges_it_again(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin_at_the_bakery(station)
        await enter(station, views, "run-capacitor-fan", "3.91 µF")
        fan = point_view(views, "run-capacitor-fan")["accepted"]
        assert (fan["verdict"], fan["revision"]) == ("no limits", 1)
        await done(station, "set_rating", point="run-capacitor-fan", text="45+5 MFD 440V")
        fan = point_view(views, "run-capacitor-fan")["accepted"]
        assert (fan["verdict"], fan["margin"], fan["revision"]) == ("outside", "clear", 2)
        assert any("FAN" in cause["title"] for cause in views["visit"]["causes"])
        await done(station, "set_rating", point="run-capacitor-fan", text="4 uF 10 %")
        fan = point_view(views, "run-capacitor-fan")["accepted"]
        assert (fan["verdict"], fan["revision"]) == ("within", 3)

    at_station(tmp_path, body)
    (row,) = Reader(tmp_path / DATABASE_FILE).history()
    assert (str(row.judgement.verdict), row.revision) == ("within", 3)


def test_a_typed_rating_says_that_the_part_is_there(tmp_path: Path) -> None:
    # The plan asks whether the compressor has a capacitor. Nobody types the label of a part that is not there.
    async def body(station: Station, views: dict[str, Any]) -> None:
        await done(station, "begin_visit", **BAKERY)
        keys = {p["key"] for p in views["visit"]["points"]}
        assert "run-capacitor-herm" not in keys
        await done(station, "set_rating", point="run-capacitor-herm", text="45+5 MFD 440V")
        assert point_view(views, "run-capacitor-herm")["rating"] == "45 µF ±6 %"
        assert (await send(station, "set_rating", point="no-such-point", text="5 uF")).exit_code == 2
        await done(station, "begin_visit", **SCHOOL)
        await done(station, "begin_visit", site="Pond school", unit="Heat pump 3", plan="split-condenser")
        await done(station, "answer", question="compressor-drive", answer="inverter")
        result = await send(station, "set_rating", point="run-capacitor-herm", text="45 uF")
        assert "This machine has no run capacitor HERM" in result.error

    at_station(tmp_path, body)


def test_a_voided_reading_is_kept_and_counts_nowhere(tmp_path: Path) -> None:
    uids: list[str] = []

    async def void(station: Station, views: dict[str, Any]) -> None:
        await begin_at_the_bakery(station)
        await done(station, "set_rating", point="run-capacitor-fan", text="45+5 MFD 440V")
        await enter(station, views, "run-capacitor-fan", "5.02 µF")
        await enter(station, views, "run-capacitor-fan", "3.91 µF")
        uids.extend(row.uid for row in Reader(tmp_path / DATABASE_FILE).history())
        assert any("FAN" in cause["title"] for cause in views["visit"]["causes"])
        assert (await send(station, "void", uid=uids[1], text=" ")).exit_code == 2
        assert (await send(station, "void", uid="7f", text="typing slip")).exit_code == 2
        await done(station, "void", uid=uids[1][:8], text="typing slip")
        assert "is voided already" in (await send(station, "void", uid=uids[1], text="twice")).error
        assert point_view(views, "run-capacitor-fan")["accepted"]["text"] == "5.02 µF"
        assert views["visit"]["causes"] == []
        assert "not voided" in (await send(station, "unvoid", uid=uids[0])).error

    async def unvoid(station: Station, views: dict[str, Any]) -> None:
        # After a restart it is still voided.
        assert point_view(views, "run-capacitor-fan")["accepted"]["text"] == "5.02 µF"
        await done(station, "unvoid", uid=uids[1])
        fan = point_view(views, "run-capacitor-fan")["accepted"]
        assert (fan["text"], fan["verdict"], fan["revision"]) == ("3.91 µF", "outside", 3)
        await done(station, "void", uid=uids[0], text="wrong terminal")

    at_station(tmp_path, void)
    reader = Reader(tmp_path / DATABASE_FILE)
    assert [row.void_reason for row in reader.history()] == [None, "typing slip"]
    assert [row.uid for row in reader.history(voided=False)] == uids[:1]
    at_station(tmp_path, unvoid)
    assert [(row.void_reason, row.revision) for row in reader.history()] == [("wrong terminal", 2), (None, 3)]
    shown = run_for_json("visit", "show", "--data", str(tmp_path))
    (fan,) = (point["readings"] for point in shown["points"] if point["key"] == "run-capacitor-fan")
    assert [(reading["id"], reading["voided"]) for reading in fan] == [(uids[0], True), (uids[1], False)]
    assert "VOIDED (wrong terminal), was" in run_command("visit", "show", "--data", str(tmp_path)).out
    assert "VOIDED (wrong terminal)" in run_command("history", "--data", str(tmp_path)).out
    assert "wrong terminal" not in run_command("diagnose", "--data", str(tmp_path)).out


def test_the_verdicts_before_are_shown_with_their_limits(tmp_path: Path) -> None:
    data = ("--data", str(tmp_path / "data"))
    run_for_json("visit", "begin", "--site", "Mill Lane bakery", "--unit", "Condenser 1", *data)
    assert run_command("visit", "rating", "run-capacitor-fan", "7.5 uF 6 %", *data).status == 0
    assert run_command("enter", "5.02 uF", "--point", "run-capacitor-fan", *data).status == 0
    assert run_command("visit", "rating", "run-capacitor-fan", "5 uF 6 %", *data).status == 0
    shown = run_for_json("visit", "show", *data)
    (fan,) = (point["readings"] for point in shown["points"] if point["key"] == "run-capacitor-fan")
    (reading,) = fan
    assert (reading["verdict"], reading["revision"]) == ("within", 2)
    (before,) = reading["judged_before"]
    assert (before["verdict"], before["limits_basis"]) == ("outside", "7.5 µF ±6 %")


def test_a_refused_text_answers_no_question_about_the_machine(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await done(station, "begin_visit", **BAKERY)
        for command in ("enter", "set_rating"):
            result = await send(station, command, point="run-capacitor-herm", text="nonsense")
            assert result.exit_code == 2, command
        assert (await send(station, "enter", point="run-capacitor-herm", text="12 V")).exit_code == 2
        result = await send(station, "skip", point="run-capacitor-herm", text="no time")
        assert ("There is no test point 'run-capacitor-herm'" in result.error, result.exit_code) == (True, 2)
        assert "run-capacitor-herm" not in {point["key"] for point in views["visit"]["points"]}

    at_station(tmp_path, body)
