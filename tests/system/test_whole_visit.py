"""A whole visit by the dashboard's keys: arrival, ten test points, a replacement, its proof, leaving; keys counted."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot

from meterlink.link.client import connect
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from meterlink_tui.app import Dashboard
from support.commands import run_for_json
from support.dashboards import screen_text
from support.visit_bench import VisitBench, visit_bench
from support.whole_visits import (
    AFTER_REPAIR,
    FOUND,
    LABEL,
    PLACE,
    CountedHands,
    Measurement,
    arrive_at_known_unit,
    arrive_at_new_unit,
    leave,
    type_reading,
    work,
)

QUESTIONS = ("service", "compressor-drive", "fan-motor", "contactor-poles")
CHOICES = ("240", "capacitor", "capacitor", "2")
READINGS = [*FOUND, *AFTER_REPAIR]
MOST_KEYS = 12  # with radio meters, at a unit that has history
MOST_KEYS_OF_A_POINT = 2  # beyond the characters of a typed value
MOST_KEYS_OF_A_NEW_UNIT = 6  # more, and a line of text a part
LIMIT = 120  # virtual s for one step; a limit, not a wait


class PilotHands:
    """The keys of a pilot, in virtual time."""

    def __init__(self, app: Dashboard, pilot: Pilot[None]) -> None:
        self._app = app
        self._pilot = pilot

    async def press(self, *keys: str) -> None:
        await self._pilot.press(*keys)

    async def write(self, text: str) -> None:
        await self._pilot.press(*("space" if key == " " else "slash" if key == "/" else key for key in text))

    def screen(self) -> str:
        return screen_text(self._app)

    async def until(self, text: str) -> None:
        try:
            async with asyncio.timeout(LIMIT):
                while text not in screen_text(self._app):  # noqa: ASYNC110  # a screen has no event
                    await asyncio.sleep(0.05)
        except TimeoutError:
            pytest.fail(f"{text!r} is not on the screen: {screen_text(self._app)}")


async def keep_history(station: Station) -> None:
    """Make an earlier visit to the unit: its plan, its answers and the label of its capacitor are known."""

    async def send(command: CommandName, **fields: str) -> None:
        assert await station.execute({"id": 1, "command": command, **fields}) == ""  # type: ignore[typeddict-item]

    await send(CommandName.BEGIN_VISIT, site="Mill Lane bakery", unit="Condenser 1", plan="split-condenser")
    for question, choice in zip(QUESTIONS, CHOICES, strict=True):
        await send(CommandName.ANSWER, question=question, answer=choice)
    await send(CommandName.SET_RATING, point="run-capacitor-herm", text=LABEL)
    await send(CommandName.CLOSE_VISIT, outcome="no fault found")
    await load_truck(station)


async def load_truck(station: Station) -> None:
    """Load two capacitors that fit."""
    command = {"id": 1, "command": CommandName.ADD_STOCK, "kind": "loaded", "text": LABEL, "count": 2}
    assert await station.execute(command) == ""  # type: ignore[arg-type]


def at_dashboard(
    folder: Path, body: Callable[[CountedHands, VisitBench], Awaitable[None]], *, has_history: bool
) -> CountedHands:
    """Run ``body`` with hands at a dashboard of a station with a bench; return the hands."""
    stations: list[Station] = []
    counted: list[CountedHands] = []

    async def run() -> None:
        clock = VirtualClock()
        async with visit_bench(folder, stations, clock) as bench:
            await (keep_history(bench.station) if has_history else load_truck(bench.station))
            app = Dashboard(lambda: connect(folder), clock=clock)
            async with app.run_test(size=(100, 40)) as pilot:
                hands = CountedHands(PilotHands(app, pilot))
                counted.append(hands)
                await hands.until("No visit is open")
                await body(hands, bench)

    run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))
    return counted[0]


def check_report(folder: Path) -> None:
    """Ask for the report on the newest visit, and compare it with what was done."""
    newest = Reader(folder / DATABASE_FILE).visits()[-1].uid
    shown = run_for_json("visit", "show", newest, "--data", str(folder))
    assert (shown["site"], shown["unit"], shown["state"]) == ("Mill Lane bakery", "Condenser 1", "closed")
    assert (shown["outcome"], shown["power_on"], shown["covers_on"]) == ("repaired", True, True)
    readings = {point["key"]: point["readings"] for point in shown["points"] if point["readings"]}
    assert len(readings) == 10
    assert {key: len(rows) for key, rows in readings.items() if len(rows) > 1} == {"run-capacitor-herm": 2}
    herm = [(row["verdict"], row["of_old_part"]) for row in readings["run-capacitor-herm"]]
    assert herm == [("outside", True), ("within", False)]
    for measurement in (FOUND[0], FOUND[1], *AFTER_REPAIR):
        amount, unit = parse_value(measurement.text)
        shown_amount, shown_unit = parse_value(readings[measurement.key][-1]["text"])
        assert shown_amount == pytest.approx(amount, rel=0.05), measurement  # a meter has its error
        assert shown_unit == unit or not unit, measurement
    (replacement,) = shown["replacements"]
    assert (replacement["old_rating"], replacement["new_rating"]) == ("45+5 µF 440 V", "45+5 µF 440 V")
    left = next(count for count in run_for_json("stock", "list", "--data", str(folder)) if "45+5" in count["rating"])
    assert left["count"] == 1  # of two


def parse_value(text: str) -> tuple[float, str]:
    """Return the number of a display, and its unit where that says more than the test point does."""
    number, _, unit = text.replace("\u202f", " ").partition(" ")
    return float(number), "M" if unit.startswith("M") else ""


def say(capsys: pytest.CaptureFixture[str], title: str, hands: CountedHands) -> None:
    with capsys.disabled():
        print(f"\n{title}: {hands}")  # noqa: T201  # the figure is a result of this test


def test_with_a_radio_meter_at_a_unit_that_has_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async def body(hands: CountedHands, bench: VisitBench) -> None:
        async def measure(_: CountedHands, measurement: Measurement) -> None:
            await bench.measure(measurement)
            await bench.lift()

        await arrive_at_known_unit(hands)
        await work(hands, measure)

    hands = at_dashboard(tmp_path, body, has_history=True)
    say(capsys, "with a radio meter", hands)
    assert len(hands.keys) <= MOST_KEYS
    check_report(tmp_path)


def test_typed_at_a_unit_that_has_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async def body(hands: CountedHands, _: VisitBench) -> None:
        await arrive_at_known_unit(hands)
        await work(hands, type_reading)

    hands = at_dashboard(tmp_path, body, has_history=True)
    say(capsys, "typed", hands)
    assert len(hands.keys) <= MOST_KEYS + MOST_KEYS_OF_A_POINT * len(READINGS)
    check_report(tmp_path)


def test_at_a_new_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async def body(hands: CountedHands, bench: VisitBench) -> None:
        async def measure(_: CountedHands, measurement: Measurement) -> None:
            await bench.measure(measurement)
            await bench.lift()

        await arrive_at_new_unit(hands)
        await work(hands, measure, type_label=True)

    hands = at_dashboard(tmp_path, body, has_history=False)
    say(capsys, "with a radio meter at a new unit", hands)
    lines = 1  # of text: the label of the capacitor; Enter ends it
    assert len(hands.keys) - lines <= MOST_KEYS + MOST_KEYS_OF_A_NEW_UNIT
    assert hands.characters == len(PLACE) + len(LABEL)
    check_report(tmp_path)


def test_two_customers_in_one_day_interleaved(tmp_path: Path) -> None:
    async def body(hands: CountedHands, _: VisitBench) -> None:
        async def go_to(typed: str, line: str) -> None:
            await hands.press("v")
            await hands.until("Where are you?")
            await hands.write(typed)
            await hands.until(line)
            await hands.press("enter")

        async def type_in(text: str, tally: str) -> None:
            await type_reading(hands, Measurement("", text))
            await hands.until(tally)

        await arrive_at_new_unit(hands)
        await type_in("241.2 V AC", "1 of 29 accepted")
        await go_to("Pond school / Walk-in 2", ": new")
        await hands.until("What kind of unit is Walk-in 2?")
        await hands.press("enter")  # the kind that its name says
        await hands.until("Pond school · Walk-in 2")
        while "This machine" in hands.screen():
            await hands.press("1")
            await hands.until("")
        await type_in("208.4 V AC", "1 of ")
        await go_to("bakery", "Mill Lane bakery / Condenser 1: paused, go on")
        await hands.until("Mill Lane bakery · Condenser 1 1 of 29 accepted")
        await type_in("24.6 V AC", "2 of 29 accepted")
        await leave(hands)
        await go_to("school", "Pond school / Walk-in 2: paused, go on")
        await hands.until("Pond school · Walk-in 2 1 of ")
        await type_in("24.1 V AC", "2 of ")
        await leave(hands)

    at_dashboard(tmp_path, body, has_history=False)
    reader = Reader(tmp_path / DATABASE_FILE)
    assert [(row.site.name, row.site.unit, row.reading.text) for row in reader.history()] == [
        ("Mill Lane bakery", "Condenser 1", "241.2 V AC"),
        ("Pond school", "Walk-in 2", "208.4 V AC"),
        ("Mill Lane bakery", "Condenser 1", "24.6 V AC"),
        ("Pond school", "Walk-in 2", "24.1 V AC"),
    ]
    assert len({row.visit_uid for row in reader.history()}) == 2
    bakery, school = (
        {
            point["key"]: [row["text"] for row in point["readings"]]
            for point in run_for_json("visit", "show", visit.uid, "--data", str(tmp_path))["points"]
            if point["readings"]
        }
        for visit in reader.visits()
    )
    assert bakery == {"supply-volts": ["241.2 V AC"], "contactor-coil-volts": ["24.6 V AC"]}
    assert sorted(texts for (texts,) in school.values()) == ["208.4 V AC", "24.1 V AC"]
    assert [visit.outcome for visit in reader.visits()] == ["repaired", "repaired"]
