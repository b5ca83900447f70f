"""Questions of a plan at a running station: asked at the start, answered, kept over a kill; the points follow."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from meterlink.cli.answer import answer_question, list_questions
from meterlink.core.equipment import Plan
from meterlink.plans import load_plan
from meterlink.settings import DATABASE_FILE, MeterSettings, Settings
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from support.virtual_stations import accepted, at_station, enter, kill, until

# The fan's motor decides whether it has a capacitor; the service rates the supply.
PLAN_TEXT = """
name = "asking condenser"

[[question]]
key = "fan-motor"
text = "What kind of motor has the condenser fan?"
usual = "capacitor"
[[question.choice]]
key = "capacitor"
words = "a motor with a run capacitor"
[[question.choice]]
key = "commutated"
words = "an electronically commutated motor, without a capacitor"
hazard = "electronically commutated motor"

[[question]]
key = "service"
text = "Which service feeds the unit?"
[[question.choice]]
key = "208"
words = "208 V"
rated = "208 V"
[[question.choice]]
key = "240"
words = "240 V"
rated = "240 V"

[[point]]
key = "supply"
circuit = "supply"
component = "line"
terminals = ["L1", "L2"]
quantity = "voltage"
coupling = "AC"
state = "energized"
kind = "range"
rated_by = "service"
band = "supply"

[[point]]
key = "fan"
circuit = "condenser fan"
component = "run capacitor"
section = "FAN"
terminals = ["C", "FAN"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
when = { fan-motor = "capacitor" }
rated = "5 uF"
tolerance = "6 %"

[[point]]
key = "herm"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
rated = "45 uF"
tolerance = "6 %"
"""


def asking_plan(folder: Path) -> Plan:
    path = folder / "plan.toml"
    path.write_text(PLAN_TEXT, encoding="utf-8")
    return load_plan(str(path))


async def answer(station: Station, choice: str, **more: str) -> str:
    return await station.execute({"id": 1, "command": "answer", "answer": choice, **more})  # type: ignore[typeddict-item]


def keys(views: dict[str, Any]) -> list[str]:
    return [point["key"] for point in views["visit"]["points"]]


def low_limit(views: dict[str, Any], number: int) -> str | None:
    limits = views["visit"]["points"][number]["limits"]
    return limits["low"] if limits else None


def asked(views: dict[str, Any]) -> list[str]:
    return [question["key"] for question in views["visit"]["questions"]]


def test_the_points_follow_from_the_answers(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        assert (asked(views), keys(views)) == (["fan-motor", "service"], ["supply", "herm"])
        assert views["visit"]["questions"][0]["question"]["usual"] == "capacitor"
        assert "Answer the question about the machine first" in views["visit"]["advice"]
        assert low_limit(views, 0) is None
        assert "answers no choice" in await answer(station, "three")
        assert "no open question 'roof'" in await answer(station, "1", question="roof")
        assert await answer(station, "1") == ""  # the plan's first question
        assert (asked(views), keys(views)) == (["service"], ["supply", "fan", "herm"])
        assert await answer(station, "240", question="service") == ""
        assert asked(views) == []
        assert low_limit(views, 0) == "207"
        assert "no open question 'service'" in await answer(station, "208", question="service")
        assert await enter(station, "5.00 uF", point="fan") == ""
        await until(lambda: accepted(views, 1) is not None)
        assert accepted(views, 1)["verdict"] == "within"
        assert views["visit"]["causes"] == []

    at_station(tmp_path, body, asking_plan(tmp_path))
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        assert json.loads(*connection.execute("SELECT answers FROM visits").fetchone()) == {
            "fan-motor": "capacitor", "service": "240",
        }  # fmt: skip
    (row,) = Reader(tmp_path / DATABASE_FILE).history()
    assert (row.point_key, row.rating) == ("fan", "5 µF 6 %")


def test_an_answer_that_a_part_is_missing_adds_its_caution_and_no_point(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        before = views["visit"]["points"][1]["caution"]
        assert await answer(station, "commutated", question="fan-motor") == ""
        assert keys(views) == ["supply", "herm"]
        assert len(views["visit"]["points"][1]["caution"]) > len(before)

    at_station(tmp_path, body, asking_plan(tmp_path))


def test_readings_and_typed_ratings_stay_when_points_are_added(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await station.execute({"id": 1, "command": "set_rating", "point": "herm", "text": "40 uF 5 %"}) == ""  # type: ignore[typeddict-item]
        assert await enter(station, "40.00 uF", point="herm") == ""
        await until(lambda: accepted(views, 1) is not None)
        assert await answer(station, "capacitor") == ""
        assert keys(views) == ["supply", "fan", "herm"]
        assert (accepted(views, 2)["verdict"], views["visit"]["points"][2]["rating"]) == ("within", "40 µF ±5 %")
        assert await answer(station, "208") == ""
        assert views["visit"]["points"][2]["rating"] == "40 µF ±5 %"

    at_station(tmp_path, body, asking_plan(tmp_path))


def test_a_restart_after_a_kill_knows_the_answers(tmp_path: Path) -> None:
    killed = tmp_path / "killed"

    async def before(station: Station, views: dict[str, Any]) -> None:
        assert await answer(station, "capacitor") == ""
        assert await enter(station, "4.00 uF", point="fan") == ""
        await until(lambda: accepted(views, 1) is not None)
        kill(tmp_path / "data", killed)

    async def after(station: Station, views: dict[str, Any]) -> None:
        assert (asked(views), keys(views)) == (["service"], ["supply", "fan", "herm"])
        assert accepted(views, 1)["text"] == "4.00 µF"
        assert await answer(station, "208") == ""
        assert asked(views) == []

    at_station(tmp_path / "data", before, asking_plan(tmp_path))
    at_station(killed, after, asking_plan(tmp_path))
    assert len(Reader(killed / DATABASE_FILE).visits()) == 1


def test_a_plan_whose_questions_changed_begins_a_new_visit(tmp_path: Path) -> None:
    async def before(station: Station, _views: dict[str, Any]) -> None:
        assert await answer(station, "commutated") == ""

    async def after(_station: Station, views: dict[str, Any]) -> None:
        assert asked(views) == ["fan-motor", "service"]

    killed = tmp_path / "killed"

    async def before_kill(station: Station, views: dict[str, Any]) -> None:
        await before(station, views)
        kill(tmp_path / "data", killed)

    at_station(tmp_path / "data", before_kill, asking_plan(tmp_path))
    changed = tmp_path / "changed.toml"
    changed.write_text(PLAN_TEXT.replace('key = "commutated"', 'key = "brushless"'), encoding="utf-8")
    at_station(killed, after, load_plan(str(changed)))
    assert len(Reader(killed / DATABASE_FILE).visits()) == 2


def test_a_meter_may_be_pinned_to_a_point_that_an_answer_brings(tmp_path: Path) -> None:
    settings = Settings("test", meters=(MeterSettings("00:00:5E:00:53:0A", "bench meter", pinned_point="fan"),))

    async def body(station: Station, views: dict[str, Any]) -> None:
        assert "fan" not in keys(views)
        assert await answer(station, "capacitor") == ""
        assert "fan" in keys(views)

    at_station(tmp_path, body, asking_plan(tmp_path), settings)


def test_the_command_lists_the_questions_about_the_machine_first(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await enter(station, "OL", point="herm") == ""
        await until(lambda: accepted(views, 1) is not None)
        assert [(listed["name"], listed["about"]) for listed in await list_questions(tmp_path)] == [
            ("fan-motor", "the machine"), ("service", "the machine"), ("1", "compressor: run capacitor HERM: OL µF"),
        ]  # fmt: skip
        assert await answer_question(tmp_path, "2") is None
        assert await answer_question(tmp_path, "240", "service") is None
        answered = await answer_question(tmp_path, "almost zero")
        assert answered is not None
        assert answered[1]["verdict"] == "shorted"
        assert await list_questions(tmp_path) == []

    at_station(tmp_path, body, asking_plan(tmp_path))
