"""A part is replaced during a visit: old readings, the retest, the stock, undo; also over a restart."""

import asyncio
import re
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

BAKERY = {"site": "Mill Lane bakery", "unit": "Condenser 1"}
ANSWERS = {"service": "240", "compressor-drive": "capacitor", "fan-motor": "capacitor", "contactor-poles": "2"}
HERM, FAN = "run-capacitor-herm", "run-capacitor-fan"


async def send(station: Station, command: str, **fields: Any) -> CommandResult:
    return await station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]


async def done(station: Station, command: str, **fields: Any) -> dict[str, Any]:
    result = await send(station, command, **fields)
    assert result.error == ""
    return dict(result.data)


async def begin(station: Station) -> None:
    """Begin a visit at the bakery with two dual capacitors on the truck; the label of the failed one is typed."""
    await done(station, "begin_visit", **BAKERY)
    for question, answer in ANSWERS.items():
        await done(station, "answer", question=question, answer=answer)
    await done(station, "add_stock", kind="loaded", text="35/5 MFD 440V", count=2, place="left bin")
    await done(station, "set_rating", point=HERM, text="35/5 MFD 440V")


async def enter(station: Station, views: dict[str, Any], point: str, text: str) -> None:
    """Type a reading in and wait for its commit."""
    await done(station, "enter", point=point, text=text)
    async with asyncio.timeout(30):
        while text not in {p["accepted"] and p["accepted"]["text"] for p in views["visit"]["points"]}:  # noqa: ASYNC110
            await asyncio.sleep(0.05)


def point_view(views: dict[str, Any], key: str) -> dict[str, Any]:
    found: dict[str, Any] = next(p for p in views["visit"]["points"] if p["key"] == key)
    return found


def shown(folder: Path, key: str) -> dict[str, Any]:
    (point,) = (p for p in run_for_json("visit", "show", "--data", str(folder))["points"] if p["key"] == key)
    found: dict[str, Any] = point
    return found


def stock(folder: Path) -> dict[str, int]:
    return {str(count.item): count.count for count in Reader(folder / DATABASE_FILE).stock()}


def test_a_repair_divides_the_readings_takes_the_part_off_the_truck_and_is_proven_by_the_retest(tmp_path: Path) -> None:
    """A weak HERM section of a dual capacitor: the technician swaps the can and measures both sections again."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await enter(station, views, HERM, "28.1 µF")
        await enter(station, views, FAN, "4.95 µF")
        assert point_view(views, HERM)["accepted"]["verdict"] == "outside"
        result = await done(station, "replace", point=HERM, text="35+5 MFD 440 VAC")
        assert result["method"] == "same rating"
        assert result["stock"] == {"rating": "35+5 µF 440 V", "left": 1}
        assert [key for key in result["points"] if not key.endswith("amps")] == [HERM, FAN]
        assert "Discharge the capacitor" in result["caution"]
        for key, old in ((HERM, "28.1 µF"), (FAN, "4.95 µF")):
            view = point_view(views, key)
            assert (view["accepted"], view["old_part"]["text"]) == (None, old)
        assert views["visit"]["focus"] == HERM  # the retest
        assert "Read C–HERM of the new part: that proves the repair." in views["visit"]["summary"]
        await enter(station, views, HERM, "35.2 µF")
        await enter(station, views, FAN, "5.02 µF")
        assert "Repair proven: C–HERM read 28.1 µF of 35 before and 35.2 after." in views["visit"]["summary"]
        assert views["visit"]["causes"] == []
        left = await done(station, "close_visit", outcome="repaired")
        assert left["outside_not_replaced"] == []
        assert left["used"] == [{"rating": "35+5 µF 440 V", "left": 1, "low": None}]

    run_at_station(tmp_path, body)
    (replacement,) = Reader(tmp_path / DATABASE_FILE).replacements()
    assert replacement.replacement.old_rating == replacement.replacement.new_rating == "35+5 µF 440 V"
    assert stock(tmp_path) == {"35+5 µF 440 V": 1}
    uid = Reader(tmp_path / DATABASE_FILE).visits()[0].uid
    diagnosis = run_for_json("diagnose", "--data", str(tmp_path))
    assert [(r["outcome"], r["terminals"]) for r in diagnosis["repairs"]] == [
        ("proven", "C–HERM"), ("new part within", "C–FAN"),
    ]  # fmt: skip
    points = run_for_json("visit", "show", uid, "--data", str(tmp_path))["points"]
    herm = next(p for p in points if p["key"] == HERM)
    assert [(r["text"], r["of_old_part"]) for r in herm["readings"]] == [("28.1 µF", True), ("35.2 µF", False)]


def test_a_repair_outlives_a_restart_with_the_same_division(tmp_path: Path) -> None:
    seen: list[dict[str, Any]] = []

    async def before(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await enter(station, views, HERM, "28.1 µF")
        await done(station, "replace", point=HERM, text="40/5 MFD 440V", answer="fitted")
        await enter(station, views, HERM, "40.3 µF")
        await enter(station, views, FAN, "5.01 µF")
        seen.append(views["visit"])

    async def after(station: Station, views: dict[str, Any]) -> None:
        del station
        seen.append(views["visit"])

    run_at_station(tmp_path, before)
    run_at_station(tmp_path, after, later=timedelta(hours=1))
    one, other = seen
    for key in ("points", "causes", "summary", "derived"):
        assert other[key] == one[key], key
    herm = next(p for p in other["points"] if p["key"] == HERM)
    assert (herm["limits"]["basis"], herm["old_part"]["verdict"]) == ("40 µF ±6 %", "outside")
    assert herm["accepted"]["verdict"] == "within"


def test_undoing_brings_back_the_readings_the_ratings_and_the_part(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await enter(station, views, HERM, "34.8 µF")
        await done(station, "replace", point=HERM, text="45/5 MFD 440V", answer="fitted")
        await enter(station, views, HERM, "44.0 µF")
        await done(station, "undo_replacement", point=FAN)
        herm = point_view(views, HERM)
        assert (herm["limits"]["basis"], herm["old_part"]) == ("35 µF ±6 %", None)
        # Two readings of one part now: the second is judged by the limits of the part that is there.
        assert (herm["accepted"]["text"], herm["accepted"]["verdict"]) == ("44.0 µF", "outside")
        again = await send(station, "undo_replacement", point=HERM)
        assert "was not replaced in this visit" in again.error

    run_at_station(tmp_path, body)
    readings = shown(tmp_path, HERM)["readings"]
    assert [(r["text"], r["verdict"], r["of_old_part"], len(r["judged_before"])) for r in readings] == [
        ("34.8 µF", "within", False, 0), ("44.0 µF", "outside", False, 1),
    ]  # fmt: skip
    assert Reader(tmp_path / DATABASE_FILE).replacements() == []


def test_the_part_off_the_truck_comes_back_with_undo(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        await begin(station)
        await done(station, "replace", point=HERM, text="35/5 MFD 440V")
        assert stock(tmp_path) == {"35+5 µF 440 V": 1}
        await done(station, "undo_replacement", point=HERM)
        assert stock(tmp_path) == {"35+5 µF 440 V": 2}
        result = await done(station, "replace", point=HERM, text="35/5 MFD 440V", source="elsewhere")
        assert result["stock"] is None

    run_at_station(tmp_path, body)
    assert stock(tmp_path) == {"35+5 µF 440 V": 2}


@pytest.mark.parametrize(
    ("new", "objection"),
    [
        ("35/5 MFD 370V", "370 V is below 440 V."),  # a lower voltage must never be fitted (common practice, no source)
        ("45/5 MFD 440V", "Not the rating that is wanted."),
    ],
)
def test_the_rules_object_and_nothing_is_recorded_before_an_answer(tmp_path: Path, new: str, objection: str) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await enter(station, views, HERM, "28.1 µF")
        asked = await send(station, "replace", point=HERM, text=new)
        assert asked.question is not None
        assert objection in asked.error
        refused = await send(station, "replace", point=HERM, text=new, answer="not fitted")
        assert "Nothing is recorded." in refused.error
        assert point_view(views, HERM)["accepted"]["text"] == "28.1 µF"
        await done(station, "replace", point=HERM, text=new, answer="fitted")
        assert point_view(views, HERM)["accepted"] is None

    run_at_station(tmp_path, body)
    # The next technician must learn it, from the visit and from the report.
    for arguments in (("visit", "show"), ("report",)):
        shown_text = run_command(*arguments, "--data", str(tmp_path)).out
        assert re.search(f"Fitted all the same, against this: .* is no replacement for .* {objection}", shown_text)
    (fitted,) = run_for_json("visit", "show", "--data", str(tmp_path))["replacements"]
    assert fitted["objection"].endswith(objection)


def test_an_old_part_without_volts_is_asked_about_because_a_lower_voltage_must_not_be_fitted(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        await begin(station)
        await done(station, "set_rating", point=HERM, text="35/5 MFD")
        asked = await send(station, "replace", point=HERM, text="35/5 MFD 440V")
        assert "The voltage of the old part, 35+5 µF, is unknown" in asked.error

    run_at_station(tmp_path, body)


def test_one_section_of_a_dual_may_be_replaced_by_a_single(tmp_path: Path) -> None:
    """A temporary repair: a single for FAN beside the old can, which still serves HERM."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await enter(station, views, HERM, "35.0 µF")
        await enter(station, views, FAN, "3.1 µF")
        result = await done(station, "replace", point=FAN, text="5 MFD 440V")
        assert (result["part"], result["old_rating"], result["new_rating"]) == (
            "run capacitor FAN",
            "5 µF 440 V",
            "5 µF 440 V",
        )
        assert point_view(views, HERM)["accepted"]["text"] == "35.0 µF"
        assert point_view(views, FAN)["accepted"] is None

    run_at_station(tmp_path, body)


def test_a_coil_is_replaced_by_its_volts_and_a_winding_without_a_rating(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await done(station, "add_stock", kind="loaded", text="10 to 18 ohm", count=1, part="contactor coil")
        await done(station, "set_rating", point="contactor-coil", text="10 to 18 ohm")
        await enter(station, views, "contactor-coil", "3.2 Ω")
        result = await done(station, "replace", point="contactor-coil")
        assert (result["new_rating"], result["stock"]) == ("10 to 18 Ω", None)
        asked = await send(station, "replace", point="contactor-coil", text="40 to 60 ohm")
        assert "The new part is marked 40 to 60 Ω, the old one 10 to 18 Ω." in asked.error
        await enter(station, views, "compressor-run-winding", "0.2 Ω")
        result = await done(station, "replace", point="compressor-run-winding")
        assert (result["part"], result["new_rating"]) == ("compressor motor", "")
        assert "compressor-start-winding" in result["points"]

    run_at_station(tmp_path, body)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"point": HERM, "text": ""}, "The label of the new capacitor is missing."),
        ({"point": HERM, "text": "banana"}, "banana"),
        ({"point": HERM, "text": "35/5 MFD 440V", "source": "shop"}, "'shop' is no source"),
        ({"point": "nowhere", "text": "35/5 MFD 440V"}, "There is no test point 'nowhere'"),
    ],
)
def test_nonsense_records_nothing(tmp_path: Path, fields: dict[str, str], message: str) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        await begin(station)
        assert message in (await send(station, "replace", **fields)).error

    run_at_station(tmp_path, body)
    assert Reader(tmp_path / DATABASE_FILE).replacements() == []


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"kind": "stolen", "text": "5 MFD 440V", "count": 1}, "'stolen' is no movement"),
        ({"kind": "loaded", "text": "5 MFD 440V", "count": 0}, "0 is not the number"),
        ({"kind": "loaded", "text": "", "count": 1}, "The rating of the part is missing."),
        ({"kind": "loaded", "text": "5 MFD 440V", "count": -1}, "cannot use -1"),
        ({"kind": "loaded", "text": "banana", "count": 1}, "banana"),
    ],
)
def test_nonsense_moves_no_stock(tmp_path: Path, fields: dict[str, Any], message: str) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        assert message in (await send(station, "add_stock", **fields)).error

    run_at_station(tmp_path, body)
    assert stock(tmp_path) == {}


def test_a_voided_reading_of_the_old_part_stays_with_the_old_part(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await enter(station, views, HERM, "2.81 µF")
        await enter(station, views, HERM, "28.1 µF")
        await done(station, "replace", point=HERM, text="35/5 MFD 440V")
        slip = next(row for row in Reader(tmp_path / DATABASE_FILE).history() if row.reading.text == "2.81 µF")
        await done(station, "void", uid=slip.uid, text="typing slip")
        assert point_view(views, HERM)["old_part"]["text"] == "28.1 µF"
        await done(station, "unvoid", uid=slip.uid)
        assert point_view(views, HERM)["accepted"] is None

    run_at_station(tmp_path, body)


def test_the_trend_of_the_next_visit_starts_anew_at_the_replacement(tmp_path: Path) -> None:
    async def first(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        await enter(station, views, HERM, "28.1 µF")
        await done(station, "replace", point=HERM, text="35/5 MFD 440V")
        await done(station, "close_visit", outcome="repaired")

    async def second(station: Station, views: dict[str, Any]) -> None:
        await done(station, "begin_visit", **BAKERY)
        assert point_view(views, HERM)["limits"]["basis"] == "35 µF ±6 %"  # nobody types a rating twice
        await enter(station, views, HERM, "35.1 µF")

    run_at_station(tmp_path, first)
    run_at_station(tmp_path, second, later=timedelta(days=400))
    series = run_for_json("trend", "--data", str(tmp_path))
    (herm,) = (found for found in series if found["section"] == "HERM")
    assert herm["replacement"]["visits_before"] == 1


def test_stock_commands_without_a_daemon(tmp_path: Path) -> None:
    data = ("--data", str(tmp_path))
    run_command("visit", "begin", "--site", "Mill Lane bakery", "--unit", "Condenser 1", *data)
    added = run_for_json("stock", "add", "45/5 MFD 440V", "--count", "3", "--place", "left bin", *data)
    assert added == {"part": "capacitor", "rating": "45+5 µF 440 V", "count": 3}
    assert run_for_json("stock", "use", "45+5 uF 440V", *data)["count"] == 2
    assert run_for_json("stock", "return", "45+5 uF 440V", *data)["count"] == 3
    assert run_for_json("stock", "count", "45+5 uF 440V", "0", *data)["count"] == 0
    assert run_for_json("stock", "list", "--empty", *data) == [
        {"part": "capacitor", "rating": "45+5 µF 440 V", "count": 0, "place": "left bin", "low": None}
    ]
    kinds = [entry["kind"] for entry in run_for_json("stock", "ledger", *data)]
    assert kinds == ["loaded", "used", "returned", "counted"]


def test_a_stock_list_is_imported_after_a_preview_and_exported_again(tmp_path: Path) -> None:
    folder, file = tmp_path / "data", tmp_path / "stock.toml"
    data = ("--data", str(folder))
    run_command("visit", "begin", "--site", "Mill Lane bakery", "--unit", "Condenser 1", *data)
    file.write_text(
        '[[part]]\nrating = "45+5 uF 440 V"\ncount = 2\nnote = "left bin"\n[[part]]\nrating = "7.5 uF 370 V"\n'
    )
    preview = run_for_json("stock", "import", str(file), *data)
    assert (preview["done"], [change["count"] for change in preview["changes"]]) == (False, [2, 1])
    assert run_for_json("stock", "list", *data) == []
    assert run_for_json("stock", "import", str(file), "--yes", *data)["done"] is True
    assert run_for_json("stock", "import", str(file), *data)["changes"] == []
    exported = tmp_path / "again.toml"
    exported.write_text(run_command("stock", "export", *data).out)
    assert run_for_json("stock", "import", str(exported), *data)["changes"] == []
