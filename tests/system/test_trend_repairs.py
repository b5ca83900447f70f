"""Repairs that a station records divide a trend: undone, two in a visit, of one rating, voided, of a merged unit."""

import asyncio
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.clock import SystemClock, Timestamp, utc_nanoseconds
from meterlink.link.messages import CommandResult
from meterlink.notebook.record import Record
from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from support.commands import run_command, run_for_json
from support.virtual_stations import run_at_station

UNIT = {"site": "Mill Lane bakery", "unit": "Condenser 1"}
HERM, FAN = "run-capacitor-herm", "run-capacitor-fan"
LABEL = "35/5 MFD 440V"
Step = Callable[["Call"], Awaitable[None]]
AFTER_ALL = utc_nanoseconds(datetime(2040, 1, 1, tzinfo=UTC))


@pytest.fixture(autouse=True)
def _after_all_visits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read the trend after the visits, which no clock may date before this program was made."""
    monkeypatch.setattr(SystemClock, "now", lambda _: Timestamp(AFTER_ALL, 0))


class Call:
    """The commands of a visit, typed one after another."""

    def __init__(self, folder: Path, station: Station, views: dict[str, Any]) -> None:
        self._reader, self._station, self._views = Reader(folder / DATABASE_FILE), station, views

    async def send(self, command: str, **fields: Any) -> CommandResult:
        result = await self._station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]
        assert not result.error, result.error
        return result

    async def read(self, text: str, point: str = HERM) -> str:
        """Type a reading in, wait for its commit, and return its uid."""
        await self.send("enter", point=point, text=text)
        async with asyncio.timeout(30):
            while text not in {p["accepted"] and p["accepted"]["text"] for p in self._views["visit"]["points"]}:  # noqa: ASYNC110
                await asyncio.sleep(0.05)
        return self._reader.history(limit=1)[0].uid


def visit(folder: Path, number: int, *steps: Step, unit: dict[str, str] = UNIT) -> None:
    """Play a visit half a year after the one before."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        call = Call(folder, station, views)
        await call.send("begin_visit", **unit)
        for question, answer in (("service", "240"), ("compressor-drive", "capacitor"), ("fan-motor", "capacitor")):
            if question in {asked["key"] for asked in views["visit"]["questions"]}:
                await call.send("answer", question=question, answer=answer)
        if not any(p["key"] == HERM and p["limits"] for p in views["visit"]["points"]):
            await call.send("set_rating", point=HERM, text=LABEL)
        for step in steps:
            await step(call)
        await call.send("close_visit", outcome="repaired")

    run_at_station(folder, body, later=timedelta(days=180 * (number + 1)))


def reads(text: str, point: str = HERM) -> Step:
    async def step(call: Call) -> None:
        await call.read(text, point)

    return step


def replaces(text: str = LABEL, point: str = HERM) -> Step:
    async def step(call: Call) -> None:
        await call.send("replace", point=point, text=text, answer="fitted", source="elsewhere")

    return step


async def undoes(call: Call) -> None:
    await call.send("undo_replacement", point=HERM)


def reads_and_voids(text: str) -> Step:
    async def step(call: Call) -> None:
        await call.send("void", uid=await call.read(text), text="probe slipped")

    return step


def herm(folder: Path, *options: str) -> dict[str, Any]:
    found = run_for_json("trend", "--data", str(folder), "--component", "run capacitor", *options)
    (series,) = (entry for entry in found if entry["section"] == "HERM")
    rows = Reader(folder / DATABASE_FILE).history(component="run capacitor", voided=False)
    newest = next(row for row in reversed(rows) if row.section == "HERM")
    shown = Record(folder / DATABASE_FILE).part(newest)  # as the dashboard shows it
    assert shown is not None
    assert (shown.trend is None) == (series["trend"] is None)
    assert shown.trend is None or shown.trend.visit_count == series["trend"]["visit_count"]
    return {**series, "last": None if shown.trend is None else shown.trend.last_value}


def drift(folder: Path, values: tuple[str, ...], first: int = 0) -> None:
    for number, value in enumerate(values, first):
        visit(folder, number, reads(value))


OLD = ("34.9 µF", "34.5 µF", "34.2 µF")


def test_a_part_of_the_same_rating_is_a_new_part(tmp_path: Path) -> None:
    """35 µF for 35 µF: nothing but the record tells the two apart. The reading of the old part does not count."""
    drift(tmp_path, OLD)
    visit(tmp_path, 3, reads("31.0 µF"), replaces(), reads("35.2 µF"))
    visit(tmp_path, 4, reads("35.1 µF"))
    series = herm(tmp_path)
    assert (series["trend"]["visit_count"], series["replacement"]["visits_before"]) == (2, 3)
    assert series["replacement"]["old_rating"] == "35+5 µF 440 V"
    assert series["last"] == 35.1


def test_a_new_part_without_a_retest_has_no_trend_yet(tmp_path: Path) -> None:
    drift(tmp_path, OLD)
    visit(tmp_path, 3, reads("31.0 µF"), replaces())
    series = herm(tmp_path)
    assert (series["trend"], series["replacement"]["visits_before"]) == (None, 4)


@pytest.mark.parametrize("wrong", [LABEL, "35/5 MFD 370V", "40/5 MFD 440V"])
def test_an_undone_replacement_is_no_break(tmp_path: Path, wrong: str) -> None:
    """It was recorded by mistake: the part is the old one, whatever rating was typed for the new one."""
    drift(tmp_path, OLD)
    visit(tmp_path, 3, replaces(wrong), reads("33.8 µF"), undoes)
    visit(tmp_path, 4, reads("33.5 µF"))
    series = herm(tmp_path)
    assert series["replacement"] is None
    assert (series["trend"]["visit_count"], series["last"]) == (5, 33.5)


def test_two_replacements_in_a_visit_leave_only_the_second_part(tmp_path: Path) -> None:
    """The first new part was bad out of the box: its reading belongs to neither trend."""
    drift(tmp_path, OLD)
    visit(tmp_path, 3, reads("30.1 µF"), replaces(), reads("29.0 µF"), replaces(), reads("35.3 µF"))
    visit(tmp_path, 4, reads("35.2 µF"))
    series = herm(tmp_path)
    assert (series["trend"]["visit_count"], series["replacement"]["visits_before"]) == (2, 3)
    assert series["last"] == 35.2


def test_the_second_part_without_a_retest_does_not_take_over_the_reading_of_the_first(tmp_path: Path) -> None:
    drift(tmp_path, OLD)
    visit(tmp_path, 3, reads("30.1 µF"), replaces(), reads("29.0 µF"), replaces())
    assert herm(tmp_path)["trend"] is None


def test_the_second_of_two_undone_leaves_the_first(tmp_path: Path) -> None:
    drift(tmp_path, OLD)
    visit(tmp_path, 3, reads("30.1 µF"), replaces(), reads("35.3 µF"), replaces(), undoes)
    series = herm(tmp_path)
    assert (series["trend"]["visit_count"], series["last"]) == (1, 35.3)


def test_a_voided_reading_does_not_count_and_the_one_before_it_does(tmp_path: Path) -> None:
    drift(tmp_path, OLD)
    visit(tmp_path, 3, reads("33.8 µF"), reads_and_voids("3.38 µF"))
    series = herm(tmp_path)
    assert (series["trend"]["visit_count"], series["last"]) == (4, 33.8)


def test_a_voided_retest_leaves_the_new_part_unmeasured(tmp_path: Path) -> None:
    """The reading before the swap is the old part's, also where it is the last that counts."""
    drift(tmp_path, OLD)
    visit(tmp_path, 3, reads("31.0 µF"), replaces(), reads_and_voids("35.2 µF"))
    series = herm(tmp_path)
    assert (series["trend"], series["replacement"]["visits_before"]) == (None, 4)


def test_a_merged_unit_has_the_readings_and_the_breaks_of_both_names(tmp_path: Path) -> None:
    other = {"site": UNIT["site"], "unit": "Condenser one"}
    visit(tmp_path, 0, reads("34.9 µF"))
    visit(tmp_path, 1, reads("31.0 µF"), replaces(), reads("35.2 µF"), unit=other)
    visit(tmp_path, 2, reads("35.1 µF"))
    merge = ("unit", "merge", "--site", UNIT["site"], other["unit"], UNIT["unit"], "--data", str(tmp_path))
    assert run_command(*merge).status == 0
    series = herm(tmp_path, "--unit", UNIT["unit"])
    assert (series["trend"]["visit_count"], series["replacement"]["visits_before"]) == (2, 1)


def test_a_section_on_a_part_of_its_own_breaks_only_its_own_trend(tmp_path: Path) -> None:
    for number in range(3):
        visit(tmp_path, number, reads("35.0 µF"), reads("4.9 µF", FAN))
    visit(tmp_path, 3, reads("34.9 µF"), reads("3.1 µF", FAN), replaces("5 MFD 440V", FAN), reads("5.02 µF", FAN))
    found = run_for_json("trend", "--data", str(tmp_path), "--component", "run capacitor")
    assert {entry["section"]: entry["trend"]["visit_count"] for entry in found} == {"HERM": 4, "FAN": 1}


def test_a_corrected_typing_slip_is_no_new_part(tmp_path: Path) -> None:
    """The label was read wrongly (370 V) and typed again: the limits are the same, and the part is, too."""

    async def corrects(call: Call) -> None:
        await call.send("set_rating", point=HERM, text="35/5 MFD 370V")
        await call.read("33.8 µF")
        await call.send("set_rating", point=HERM, text=LABEL)

    drift(tmp_path, OLD)
    visit(tmp_path, 3, corrects)
    visit(tmp_path, 4, reads("33.5 µF"))
    series = herm(tmp_path)
    assert (series["replacement"], series["trend"]["visit_count"]) == (None, 5)
