"""Questions about readings at a running station: kept, shown, answered, judged again; also after a kill."""

import asyncio
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click import Command
from click.testing import CliRunner

from meterlink.cli.answer import answer_question, list_questions
from meterlink.cli.answer import command as answer_command
from meterlink.cli.diagnose import command as diagnose
from meterlink.cli.enter import command as enter_command
from meterlink.cli.enter import enter_reading
from meterlink.cli.history import command as history
from meterlink.cli.station_command import CommandError
from meterlink.core.equipment import CircuitState, Plan, PointKind, Site
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Verdict
from meterlink.link.messages import CommandResult
from meterlink.plans import load_plan
from meterlink.settings import DATABASE_FILE, MqttSettings, Settings
from meterlink.station.station import Station, StationConfig
from meterlink.store.question_text import dump_question, load_question
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from support.points import point, rated, span
from support.virtual_stations import accepted, at_station, enter, kill, passive_plan, until

# A broker that nobody runs: every message stays in the outbox.
PUBLISHING = Settings("test", mqtt=MqttSettings("127.0.0.1", 9, tls=False))
FAN = 1  # the place of the 5 µF section in the plan


def plan() -> Plan:
    points = passive_plan().points
    assert points[FAN].section == "FAN"
    return Plan("demo", tuple(replace(p, specification=rated("5")) if p is points[FAN] else p for p in points))


FAN_KEY = passive_plan().points[FAN].key


async def answer(station: Station, key: str, **more: int) -> str:
    return await station.execute({"id": 1, "command": "answer", "answer": key, **more})  # type: ignore[typeddict-item]


async def enter_at_fan(station: Station, views: dict[str, Any], text: str) -> None:
    count = views["visit"]["points"][FAN]["repeats"] + (accepted(views, FAN) is not None)
    assert await enter(station, text, point=FAN_KEY) == ""
    await until(lambda: accepted(views, FAN) is not None and views["visit"]["points"][FAN]["repeats"] == count)


def messages(folder: Path) -> list[dict[str, Any]]:
    """Return ``{record name: value}`` of every message with a verdict, in order."""
    packs = [json.loads(entry.payload) for entry in Reader(folder / DATABASE_FILE).outbox(100)]
    named = [
        {
            record["n"]: next(record[key] for key in ("v", "vs", "vb") if key in record)
            for record in pack
            if "n" in record
        }
        for pack in packs
    ]
    return [records for records in named if "verdict" in records]


def test_a_typed_reading_is_kept_as_cannot_tell_with_its_question_and_judged_again(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter_at_fan(station, views, "5 uF")
        view = accepted(views, FAN)
        assert (view["verdict"], view["revision"], view["answer"]) == ("cannot tell", 1, "")
        assert [choice["key"] for choice in view["question"]["choices"]] == ["5", "5.0", "5.00"]
        assert "answers no choice" in await answer(station, "4.9")
        assert await answer(station, "5.00") == ""
        view = accepted(views, FAN)
        assert (view["verdict"], view["margin"], view["revision"], view["answer"]) == ("within", "clear", 2, "5.00")
        assert view["question"] is None
        assert "Answered: the display showed 5.00" in view["reason"]
        assert "have no open question" in await answer(station, "5.00")

    at_station(tmp_path, body, plan(), PUBLISHING)
    (row,) = Reader(tmp_path / DATABASE_FILE).history()
    assert (row.judgement.verdict, row.judgement.answer, row.revision) == (Verdict.WITHIN, "5.00", 2)
    assert str(row.judgement.resolution) == "0.01"
    assert (row.reading.text, row.reading.packet) == ("5 µF", b"5 uF")  # as it was typed
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        verdicts = connection.execute(
            "SELECT verdict, question, answer, current FROM verdict_history ORDER BY judged_at, current"
        ).fetchall()
    assert verdicts == [
        ("cannot tell", "Did the display show 5, 5.0 or 5.00 µF?", "", 0),
        ("within", None, "5.00", 1),
    ]
    first, second = messages(tmp_path)
    assert first["message-id"] != second["message-id"]
    assert first["reading-id"] == second["reading-id"] == row.uid
    assert (first["revision"], first["verdict"], "answer" in first) == (1, "cannot tell", False)
    assert first["question"] == "Did the display show 5, 5.0 or 5.00 µF?"
    assert (second["revision"], second["verdict"], second["answer"]) == (2, "within", "5.00")
    assert "question" not in second
    (fields,) = json.loads(CliRunner().invoke(history, ["--data", str(tmp_path), "--json"]).output)
    assert (fields["verdict"], fields["question"], fields["answer"], fields["uid"]) == ("within", None, "5.00", row.uid)


def test_an_overload_that_is_answered_as_a_short_changes_diagnosis_record_and_message_alike(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter_at_fan(station, views, "OL")
        assert accepted(views, FAN)["verdict"] == "over range"
        (cause,) = [cause for cause in views["visit"]["causes"] if "shorted" in cause["title"]]
        assert cause["confidence"] == "possible"
        assert await answer(station, "almost zero", reading=accepted(views, FAN)["id"]) == ""
        assert accepted(views, FAN)["verdict"] == "shorted"
        (cause,) = [cause for cause in views["visit"]["causes"] if "shorted" in cause["title"]]
        assert cause["confidence"] in {"likely", "very likely"}

    at_station(tmp_path, body, plan(), PUBLISHING)
    assert [message["verdict"] for message in messages(tmp_path)] == ["over range", "shorted"]
    printed = json.loads(
        CliRunner().invoke(diagnose, ["--data", str(tmp_path), "--json"], catch_exceptions=False).output
    )
    (cause,) = [cause for cause in printed["causes"] if "shorted" in cause["title"]]
    assert cause["confidence"] in {"likely", "very likely"}


def test_an_answered_step_counts_in_the_diagnosis(tmp_path: Path) -> None:
    """4.4 µF of 5 µF may be a coarse display's; as 4.40 it is clearly weak, and the doubt is gone."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter_at_fan(station, views, "4.4 uF")
        assert accepted(views, FAN)["question"] is not None
        assert await answer(station, "4.40") == ""
        view = accepted(views, FAN)
        assert (view["verdict"], view["margin"]) == ("outside", "clear")
        assert [choice for cause in views["visit"]["causes"] for choice in cause["evidence_for"] if "4.40" in choice]

    at_station(tmp_path, body, plan())


def test_a_question_outlives_a_kill_and_is_answered_after_it(tmp_path: Path) -> None:
    asked, answered = tmp_path / "asked", tmp_path / "answered"

    async def before(station: Station, views: dict[str, Any]) -> None:
        await enter_at_fan(station, views, "5 uF")
        kill(tmp_path / "data", asked)
        assert await answer(station, "5.0") == ""
        kill(tmp_path / "data", answered)

    async def after_the_question(station: Station, views: dict[str, Any]) -> None:
        view = accepted(views, FAN)
        assert view["question"]["question"] == "Did the display show 5, 5.0 or 5.00 µF?"
        assert await answer(station, "3", reading=view["id"]) == ""
        assert (accepted(views, FAN)["verdict"], accepted(views, FAN)["revision"]) == ("within", 2)

    async def after_the_answer(_station: Station, views: dict[str, Any]) -> None:
        view = accepted(views, FAN)
        assert (view["question"], view["answer"], view["margin"], view["revision"]) == (None, "5.0", "close call", 2)

    at_station(tmp_path / "data", before, plan())
    at_station(asked, after_the_question, plan(), PUBLISHING)
    at_station(answered, after_the_answer, plan())
    assert [row.judgement.answer for row in Reader(asked / DATABASE_FILE).history()] == ["5.00"]
    (message,) = messages(asked)
    assert (message["revision"], message["meter"].partition("-")[0]) == (2, "typed in")


def test_volts_without_ac_or_dc_are_asked_about_and_then_their_decimals(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        assert views["visit"]["points"][0]["quantity"] == "voltage"
        assert await enter(station, "241.3 V") == ""
        await until(lambda: accepted(views, 0) is not None)
        assert accepted(views, 0)["question"]["question"] == "Was the meter set to AC or DC for the 241.3 V?"
        assert await answer(station, "AC") == ""
        assert (accepted(views, 0)["verdict"], accepted(views, 0)["question"]) == ("within", None)
        assert await enter(station, "250 V", point=views["visit"]["points"][0]["key"]) == ""
        await until(lambda: accepted(views, 0)["text"] == "250 V")
        assert await answer(station, "1") == ""
        assert accepted(views, 0)["question"]["question"] == "Did the display show 250 or 250.00 V?"
        assert (accepted(views, 0)["verdict"], accepted(views, 0)["answer"]) == ("cannot tell", "AC")
        assert await answer(station, "250") == ""
        assert (accepted(views, 0)["verdict"], accepted(views, 0)["revision"]) == ("within", 3)

    at_station(tmp_path, body, load_plan("split-condenser").for_answers({"service": "240"}))


def test_volts_that_may_be_of_the_other_function_are_no_evidence(tmp_path: Path) -> None:
    """0.0 V may be the near zero that a meter on DC shows of 240 V AC: it must not say that no voltage is there."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        causes = views["visit"]["causes"]
        assert await enter(station, "0.0 V") == ""
        await until(lambda: accepted(views, 0) is not None)
        assert (accepted(views, 0)["digits"], accepted(views, 0)["verdict"]) == (None, "cannot tell")
        assert views["visit"]["causes"] == causes
        assert await answer(station, "DC") == ""
        assert (accepted(views, 0)["digits"], accepted(views, 0)["verdict"]) == (None, "cannot tell")
        assert views["visit"]["causes"] == causes
        assert await enter(station, "0.0 V AC", point=views["visit"]["points"][0]["key"]) == ""
        await until(lambda: accepted(views, 0)["text"] == "0.0 V AC")
        assert views["visit"]["causes"] != causes

    at_station(tmp_path, body, load_plan("split-condenser").for_answers({"service": "240"}))
    result = CliRunner().invoke(diagnose, ["--data", str(tmp_path), "--json"], catch_exceptions=False)
    assert json.loads(result.output)["causes"] != []


def test_typed_amps_with_an_open_question_prove_no_current(tmp_path: Path) -> None:
    """0 V across contacts is a good contact only while current flows; a typed 1 A may be no current at all."""
    amps = point("compressor", "compressor amps", "T1-C", Quantity.CURRENT, CircuitState.ENERGIZED, PointKind.RANGE,
                 span(None, "20", "A"))  # fmt: skip
    drop = point("compressor", "contacts", "L1-T1", Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE,
                 span(None, "0.2", "V"))  # fmt: skip
    contactor = Plan("contactor", (replace(amps, key="amps"), replace(drop, key="drop")))

    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await enter(station, "1 A", point="amps") == ""
        await until(lambda: accepted(views, 0) is not None)
        assert accepted(views, 0)["question"] is not None
        assert await enter(station, "0.000 V", point="drop") == ""
        await until(lambda: accepted(views, 1) is not None)
        assert accepted(views, 1)["verdict"] == "nothing flows"
        assert await answer(station, "1.0", reading=1) == ""
        assert await enter(station, "0.000 V", point="drop") == ""
        await until(lambda: views["visit"]["points"][1]["repeats"] == 1)
        assert accepted(views, 1)["verdict"] == "within"

    at_station(tmp_path, body, contactor)


def test_a_question_follows_a_new_rating(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter_at_fan(station, views, "5 uF")
        key = FAN_KEY
        assert await station.execute({"id": 1, "command": "set_rating", "point": key, "text": "7.5 uF"}) == ""  # type: ignore[typeddict-item]
        # 5 of 7.5 µF is 29 % below the low limit: steps of 0.1 µF leave no doubt, and steps of 0.01 µF say the same.
        assert [choice["key"] for choice in accepted(views, FAN)["question"]["choices"]] == ["5", "5.0"]
        assert "answers no choice" in await answer(station, "5.00")
        assert await answer(station, "5.0") == ""
        assert (accepted(views, FAN)["verdict"], accepted(views, FAN)["revision"]) == ("outside", 3)

    at_station(tmp_path, body, plan())


def test_several_questions_are_answered_by_their_numbers(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter_at_fan(station, views, "5 uF")
        assert await enter(station, "OL uF", point=passive_plan().points[0].key) == ""
        await until(lambda: accepted(views, 0) is not None)
        assert "2 readings have a question: 2, 1." in await answer(station, "1")
        assert "The accepted reading 9 has no open question." in await answer(station, "1", reading=9)
        first, second = await asyncio.gather(answer(station, "5.00", reading=1), answer(station, "5", reading=1))
        assert (first, "is being answered" in second) == ("", True)
        assert accepted(views, FAN)["answer"] == "5.00"
        assert await answer(station, "almost zero") == ""  # the only one left

    at_station(tmp_path, body, plan())


def test_a_reading_measured_again_needs_no_answer(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter_at_fan(station, views, "5 uF")
        await enter_at_fan(station, views, "5.00 uF")
        assert "no open question" in await answer(station, "5.00", reading=1)
        assert accepted(views, FAN)["verdict"] == "within"

    at_station(tmp_path, body, plan())


def test_the_command_lists_and_answers(tmp_path: Path) -> None:
    async def body(_station: Station, _views: dict[str, Any]) -> None:
        assert await list_questions(tmp_path) == []
        asked_point, view = await enter_reading(tmp_path, "5 uF", FAN_KEY)
        (listed,) = await list_questions(tmp_path)
        assert listed["about"] == f"{asked_point['circuit']}: {asked_point['title']}: 5 µF"
        assert (listed["name"], listed["question"]) == ("1", view["question"])
        assert await list_questions(tmp_path, "9") == []
        with pytest.raises(InputError, match="answers no choice"):
            await answer_question(tmp_path, "five")
        answered_point = await answer_question(tmp_path, "5.00", "1")
        assert answered_point is not None
        answered = answered_point[1]
        assert (answered["id"], answered["revision"], answered["verdict"]) == (view["id"], 2, "within")
        assert await list_questions(tmp_path) == []

    at_station(tmp_path, body, plan())


def test_the_command_line_prints_the_questions_and_the_answers(tmp_path: Path) -> None:
    """In real time: each command runs in a thread, with a loop of its own."""
    data = ["--data", str(tmp_path)]

    async def meterlink(command: Command, *args: str) -> tuple[int, str]:
        result = await asyncio.to_thread(CliRunner().invoke, command, [*args, *data], catch_exceptions=False)
        return result.exit_code, result.output

    async def run() -> list[tuple[int, str]]:
        async with Air() as air:
            config = StationConfig(
                tmp_path, Settings("test"), Site("Mill Lane bakery", "condenser"), plan(), "boot",
                scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            station = Station(config)
            task = asyncio.create_task(station.run())
            await station.started.wait()
            try:
                return [
                    await meterlink(answer_command),
                    await meterlink(enter_command, "5 uF", "--point", FAN_KEY),
                    await meterlink(answer_command),
                    await meterlink(answer_command, "--json"),
                    await meterlink(answer_command, "1", "--answer", "3"),
                    await meterlink(answer_command, "--json"),
                ]
            finally:
                station.stop()
                await task

    nothing, entered, listed, as_json, answered, nothing_as_json = asyncio.run(run())
    assert nothing == (0, "No question is open.\n")
    assert entered[0] == 0  # it is accepted, though a question is open
    assert "FAN: 5 µF  CANNOT TELL  5 µF was typed" in entered[1]
    assert entered[1].endswith("Answer with: meterlink answer 1 --answer and the number or the key of a choice.\n")
    status, out = listed
    assert status == 3
    assert [line.strip() for line in out.splitlines()[1:]] == [
        "Did the display show 5, 5.0 or 5.00 µF?",
        "1  5: CANNOT TELL",
        "2  5.0: WITHIN, close call",
        "3  5.00: or more zeros: WITHIN",
        "Answer with: meterlink answer 1 --answer and the number or the key of a choice.",
    ]
    (fields,) = json.loads(as_json[1])
    assert (as_json[0], fields["name"], fields["about"].endswith("FAN: 5 µF")) == (3, "1", True)
    assert [choice["key"] for choice in fields["question"]["choices"]] == ["5", "5.0", "5.00"]
    assert answered[0] == 0
    assert "WITHIN  5.00 µF is within 5 µF ±6 %. Answered: the display showed 5.00, or more zeros." in answered[1]
    assert nothing_as_json == (0, "[]\n")


def test_without_a_visit_nothing_is_asked_and_nothing_answered(tmp_path: Path) -> None:
    result = CliRunner().invoke(answer_command, ["--data", str(tmp_path)])
    assert (result.exit_code, result.output) == (0, "No question is open.\n")
    result = CliRunner().invoke(answer_command, ["--answer", "1", "--data", str(tmp_path)])
    assert isinstance(result.exception, CommandError)
    assert "No visit is open" in str(result.exception)


def test_a_rating_with_several_meanings_is_asked_about_and_its_choice_is_a_rating(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        key = passive_plan().points[0].key
        before = views["visit"]["points"][0]["rating"]
        ask: Any = {"id": 1, "command": "set_rating", "point": key, "text": "40-50 MFD 370V"}
        result = await station.result_of(ask)
        assert "start or run?" in result.error
        assert result.question is not None
        assert views["visit"]["points"][0]["rating"] == before
        chosen = result.question["choices"][1]["key"]
        assert await station.result_of(ask | {"text": chosen}) == CommandResult()
        assert views["visit"]["points"][0]["rating"] == "40 to 50 µF"

    at_station(tmp_path, body, plan())


def test_a_question_is_kept_in_full(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter(station, "250 V")
        await until(lambda: accepted(views, 0) is not None)

    at_station(tmp_path, body, load_plan("split-condenser").for_answers({"service": "240"}))
    (row,) = Reader(tmp_path / DATABASE_FILE).history()
    question = row.judgement.question
    assert question is not None
    assert question.choices[0].conclusion.question is not None  # the decimals, after AC
    assert load_question(dump_question(question)) == question
    for damaged in ("{}", "[]", "{", '{"question": "?", "choices": [], "usual": null}', "null", "3"):
        with pytest.raises(ValueError):  # noqa: PT011  # the text may be JSON or not
            load_question(damaged)
    (fields,) = json.loads(CliRunner().invoke(history, ["--data", str(tmp_path), "--json"]).output)
    assert fields["question"] == question.text
    assert fields["choices"][0] == f"AC: {question.choices[0].words}"
    assert "asked: Was the meter set to AC or DC" in CliRunner().invoke(history, ["--data", str(tmp_path)]).output
