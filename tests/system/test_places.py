"""Sites and units: a visit begun at the wrong unit is moved; names are changed, merged, archived; facts are kept."""

import asyncio
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from meterlink.link.messages import CommandResult
from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from support.commands import run_command, run_for_json
from support.virtual_stations import run_at_station

ONE = {"site": "Mill Lane bakery", "unit": "Condenser 1"}
TWO = {"site": "Mill Lane bakery", "unit": "Condenser 2"}
HERM = "run-capacitor-herm"
ANSWERS = {"service": "240", "compressor-drive": "capacitor", "fan-motor": "capacitor", "contactor-poles": "2"}


async def send(station: Station, command: str, **fields: Any) -> CommandResult:
    return await station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]


async def done(station: Station, command: str, **fields: Any) -> dict[str, Any]:
    result = await send(station, command, **fields)
    assert result.error == ""
    return dict(result.data)


async def enter(station: Station, views: dict[str, Any], point: str, text: str) -> None:
    """Type a reading in and wait for its commit."""
    await done(station, "enter", point=point, text=text)
    async with asyncio.timeout(30):
        while text not in {p["accepted"] and p["accepted"]["text"] for p in views["visit"]["points"]}:  # noqa: ASYNC110
            await asyncio.sleep(0.05)


async def visit(station: Station, views: dict[str, Any], place: dict[str, str], label: str, text: str) -> str:
    """Begin a visit, answer the plan's questions, type a label and a reading; return the visit's uid."""
    uid: str = (await done(station, "begin_visit", **place))["visit"]
    for question, answer in ANSWERS.items():
        if question in {asked["key"] for asked in views["visit"]["questions"]}:
            await done(station, "answer", question=question, answer=answer)
    await done(station, "set_rating", point=HERM, text=label)
    await enter(station, views, HERM, text)
    return uid


def point_view(views: dict[str, Any], key: str) -> dict[str, Any]:
    found: dict[str, Any] = next(p for p in views["visit"]["points"] if p["key"] == key)
    return found


def places(folder: Path) -> list[tuple[str, str, int]]:
    listed = run_for_json("unit", "list", "--all", "--data", str(folder))
    return [(unit["site"], unit["unit"], unit["visits"]) for unit in listed]


def test_a_visit_begun_at_the_wrong_unit_is_moved_and_judged_by_what_is_known_there(tmp_path: Path) -> None:
    """Condenser 1 has a 45 µF part, Condenser 2 a 35 µF one: a reading of 35 is outside only at the wrong unit."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        await done(station, "close_visit", outcome="no fault found")
        await visit(station, views, TWO, "35/5 MFD 440V", "35.1 µF")
        await done(station, "close_visit", outcome="no fault found")
        uid = (await done(station, "begin_visit", **ONE))["visit"]
        await enter(station, views, HERM, "35.0 µF")
        assert point_view(views, HERM)["accepted"]["verdict"] == "outside"
        assert await done(station, "move_visit", **TWO) == {"visit": uid, **TWO}
        herm = point_view(views, HERM)
        assert (herm["limits"]["basis"], herm["accepted"]["verdict"]) == ("35 µF ±6 %", "within")
        assert herm["last"]["text"] == "35.1 µF"
        assert (views["visit"]["site"], views["visit"]["unit"]) == (TWO["site"], TWO["unit"])

    run_at_station(tmp_path, body)
    assert places(tmp_path) == [("Mill Lane bakery", "Condenser 1", 1), ("Mill Lane bakery", "Condenser 2", 2)]
    rows = Reader(tmp_path / DATABASE_FILE).history(unit="Condenser 2", component="run capacitor")
    assert [row.reading.text for row in rows] == ["35.1 µF", "35.0 µF"]


def test_a_rating_that_was_read_during_the_moved_visit_stays(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        await done(station, "move_visit", site="Pond school", unit="Roof 3")  # not known before
        herm = point_view(views, HERM)
        assert (herm["limits"]["basis"], herm["accepted"]["text"]) == ("45 µF ±6 %", "45.2 µF")

    run_at_station(tmp_path, body)
    assert places(tmp_path) == [("Pond school", "Roof 3", 1)]  # the wrong unit, which had no other visit, is gone


def test_an_open_visit_cannot_be_moved_to_a_unit_with_an_open_visit(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        await visit(station, views, TWO, "35/5 MFD 440V", "35.1 µF")
        refused = await send(station, "move_visit", **ONE)
        assert refused.error.startswith("A visit to Condenser 1 at Mill Lane bakery is open.")
        assert views["visit"]["unit"] == "Condenser 2"

    run_at_station(tmp_path, body)
    assert [count for *_, count in places(tmp_path)] == [1, 1]


def test_a_closed_visit_keeps_its_verdicts_when_it_is_moved(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        uid = await visit(station, views, ONE, "45/5 MFD 440V", "40.0 µF")
        await done(station, "close_visit", outcome="declined", power="off", covers="on")
        await done(station, "move_visit", **TWO, visit=uid)

    run_at_station(tmp_path, body)
    (row,) = Reader(tmp_path / DATABASE_FILE).history()
    assert (row.site.unit, row.judgement.verdict, row.revision) == ("Condenser 2", "outside", 1)
    (listed,) = run_for_json("visit", "list", "--data", str(tmp_path))
    assert (listed["power_on"], listed["covers_on"]) == (False, True)


def test_names_are_changed_and_the_active_visit_shows_it(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        await done(station, "rename_unit", **ONE, to_unit="Condenser east")
        await done(station, "rename_site", site=ONE["site"], to_site="Mill Lane bakery and café")
        assert (views["visit"]["site"], views["visit"]["unit"]) == ("Mill Lane bakery and café", "Condenser east")
        assert point_view(views, HERM)["accepted"]["text"] == "45.2 µF"
        await enter(station, views, "run-capacitor-fan", "5.01 µF")
        for command, fields, message in (
            ("rename_site", {"site": "Nowhere", "to_site": "x"}, "There is no site 'Nowhere'."),
            ("rename_unit", {"site": "Nowhere", "unit": "y", "to_unit": "x"}, "There is no unit 'y' at 'Nowhere'."),
            ("rename_site", {"site": "Mill Lane bakery and café", "to_site": " "}, "A name is missing."),
        ):
            assert message in (await send(station, command, **fields)).error

    run_at_station(tmp_path, body)
    assert places(tmp_path) == [("Mill Lane bakery and café", "Condenser east", 1)]


def test_a_long_name_is_refused_and_never_cut(tmp_path: Path) -> None:
    """Two units whose names begin alike must not become one."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        long = "Condenser on the north roof above the old bakery, left"
        refused = await send(station, "begin_visit", site="Mill Lane bakery", unit=long)
        assert f"has {len(long)} characters. At most 40 fit." in refused.error
        assert "A name is missing." in (await send(station, "begin_visit", site=" ", unit="x")).error

    run_at_station(tmp_path, body)
    assert places(tmp_path) == []


def test_two_names_of_one_machine_are_merged_and_it_keeps_its_history(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        await done(station, "close_visit", outcome="no fault found")
        await done(station, "set_fact", **ONE, fact="location", text="north side")
        await visit(station, views, {"site": "Mill lane Bakery", "unit": "Condenser 1"}, "45/5 MFD 440V", "44.8 µF")
        await visit(station, views, {"site": "Mill lane Bakery", "unit": "Walk-in"}, "5 MFD 440V", "5.00 µF")
        taken = await send(station, "rename_site", site="Mill lane Bakery", to_site="Mill Lane bakery")
        assert "Merge the two" in taken.error
        await done(station, "merge_sites", site="Mill lane Bakery", to_site="Mill Lane bakery")
        same = await send(station, "merge_units", **ONE, to_unit="Condenser 1")
        assert "cannot be merged with itself" in same.error

    run_at_station(tmp_path, body)
    assert places(tmp_path) == [("Mill Lane bakery", "Condenser 1", 2), ("Mill Lane bakery", "Walk-in", 1)]
    shown = run_for_json("unit", "show", "--site", "Mill Lane bakery", "Condenser 1", "--data", str(tmp_path))
    assert [fact["text"] for fact in shown["facts"]] == ["north side"]
    rows = Reader(tmp_path / DATABASE_FILE).history(unit="Condenser 1")
    assert [row.reading.text for row in rows] == ["45.2 µF", "44.8 µF"]


def test_two_units_with_open_visits_are_not_merged(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        await visit(station, views, TWO, "35/5 MFD 440V", "35.1 µF")
        refused = await send(station, "merge_units", **ONE, to_unit="Condenser 2")
        assert "A visit to Condenser 2 at Mill Lane bakery is open." in refused.error

    run_at_station(tmp_path, body)
    assert len(places(tmp_path)) == 2


def test_a_scrapped_unit_is_archived_and_comes_back_with_a_visit(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        open_one = await send(station, "archive_unit", **ONE)
        assert "is open" in open_one.error
        await done(station, "close_visit", outcome="no fault found")
        await done(station, "archive_unit", **ONE)
        await done(station, "list_visits")
        assert views["visits"]["units"] == []
        await done(station, "begin_visit", **ONE)
        await done(station, "list_visits")
        assert [unit["unit"] for unit in views["visits"]["units"]] == ["Condenser 1"]

    run_at_station(tmp_path, body)


def test_the_last_value_stands_beside_todays_and_says_if_it_is_of_the_old_part(tmp_path: Path) -> None:
    async def first(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "40.1 µF")
        await enter(station, views, "run-capacitor-fan", "5.02 µF")
        await done(station, "replace", point=HERM, text="45/5 MFD 440V")
        await enter(station, views, HERM, "45.3 µF")
        await done(station, "close_visit", outcome="repaired")

    async def second(station: Station, views: dict[str, Any]) -> None:
        await done(station, "begin_visit", **ONE)
        assert point_view(views, HERM)["last"]["text"] == "45.3 µF"
        herm, fan = (point_view(views, key)["last"] for key in (HERM, "run-capacitor-fan"))
        assert (herm["of_old_part"], herm["verdict"]) == (False, "within")
        assert (fan["text"], fan["of_old_part"]) == ("5.02 µF", True)
        assert point_view(views, "contactor-coil")["last"] is None

    run_at_station(tmp_path, first)
    run_at_station(tmp_path, second, later=timedelta(days=420))


def test_what_is_known_of_a_unit_is_shown_the_size_of_the_new_part_first(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "40.1 µF")
        await done(station, "replace", point=HERM, text="45/5 MFD 440V")

    run_at_station(tmp_path, body)
    data = ("--data", str(tmp_path))
    unit = ("--site", ONE["site"], ONE["unit"])
    photo = tmp_path / "plate.jpg"
    photo.write_bytes(b"\xff\xd8")
    for fact, text in (("supply", "230 V"), ("supply", "208/230 V"), ("note", "dog"), ("note", "key at the bar")):
        assert run_command("unit", "set", *unit, fact, text, *data).status == 0
    assert run_command("unit", "set", *unit, "photo", str(photo), *data).status == 0
    assert run_command("unit", "set", *unit, "photo", str(tmp_path / "none.jpg"), *data).status == 2
    assert run_command("unit", "set", *unit, "model", "X", *data).status == 0
    assert run_command("unit", "unset", *unit, "model", *data).status == 0
    shown = run_for_json("unit", "show", *unit, *data)
    assert [(fact["fact"], fact["text"]) for fact in shown["facts"]] == [
        ("supply", "208/230 V"), ("note", "dog"), ("note", "key at the bar"), ("photo", str(photo)),
    ]  # fmt: skip
    assert {(rating["section"], rating["rating"]) for rating in shown["ratings"]} == {
        ("HERM", "45+5 µF 440 V"), ("FAN", "45+5 µF 440 V"),
    }  # fmt: skip
    lines = run_command("unit", "show", *unit, *data).out.splitlines()
    assert lines[1].startswith("New run capacitor: 45+5 µF 440 V, fitted ")
    missing = run_command("unit", "show", "--site", "Nowhere", "X", *data)
    assert (missing.status, "There is no unit 'X' at 'Nowhere'." in missing.err) == (2, True)


@pytest.mark.parametrize("power", ["perhaps", "ON"])
def test_how_the_unit_is_left_is_on_or_off(tmp_path: Path, power: str) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await visit(station, views, ONE, "45/5 MFD 440V", "45.2 µF")
        assert "Write on or off" in (await send(station, "close_visit", outcome="repaired", power=power)).error
        assert views["visit"]["site"] == ONE["site"]

    run_at_station(tmp_path, body)
