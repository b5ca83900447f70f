"""The main job on the demo's scenario: virtual radio, driver, station, judge, database, and reading it back."""

import asyncio
import json
import re
import sqlite3
import subprocess
import sys
import tomllib
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.cli.main import main
from meterlink.core.errors import PlanError
from meterlink.plans import check_plan
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.station import StationConfig
from meterlink.store.writer import Writer
from meterlink_simulators.plan_file import plan_file_text
from meterlink_simulators.scenario import Scenario, shipped_scenario, shipped_scenarios
from meterlink_simulators.scenario_steps import Arrive, Measure
from meterlink_simulators.service_call import ServiceCall, ServiceCallError
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from support.commands import run_for_json
from support.virtual_stations import until

# The readings of the demo's bench and its two meters, in every run: (point, reading, verdict, margin).
EXPECTED = [
    ("supply-volts", "234.8 V AC", "within", "clear"),
    ("control-volts", "24.00 V AC", "within", "clear"),
    ("run-capacitor-herm", "43.72 µF", "outside", "clear"),
    ("run-capacitor-fan", "7.43 µF", "within", "clear"),
    ("blower-capacitor", "11.75 µF", "within", "close call"),
    ("contactor-coil", "6.6 Ω", "outside", "clear"),
    ("compressor-run-winding", "1.1 Ω", "within", "close call"),
    ("compressor-start-winding", "3.4 Ω", "within", "clear"),
    # The new capacitor, off the truck.
    ("run-capacitor-herm", "49.95 µF", "within", "clear"),
    ("run-capacitor-fan", "7.53 µF", "within", "clear"),
]


def play(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main(["demo", "--headless", *args])
    assert ended.value.code == 0
    return capsys.readouterr().out


def accepted_in(output: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in output.splitlines()]


def without_time(row: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in row.items() if key != "at"}


def test_the_demo_accepts_the_values_of_the_bench(capsys: pytest.CaptureFixture[str]) -> None:
    rows = accepted_in(play(capsys, "--json"))
    results = [(row["point"], row["reading"], row["verdict"], row["margin"]) for row in rows]
    assert [(point, reading.removesuffix(" AC"), *rest) for point, reading, *rest in results] == [
        (point, reading.removesuffix(" AC"), *rest) for point, reading, *rest in EXPECTED
    ]


def test_one_reading_lies_exactly_on_its_limit(capsys: pytest.CaptureFixture[str]) -> None:
    (blower,) = (row for row in accepted_in(play(capsys, "--json")) if row["point"] == "blower-capacitor")
    assert Decimal(str(blower["low"])) == Decimal(blower["reading"].split()[0])
    assert blower["verdict"] == "within"


def test_the_same_scenario_gives_the_same_every_time(capsys: pytest.CaptureFixture[str]) -> None:
    runs = [[without_time(row) for row in accepted_in(play(capsys, "--json"))] for _ in range(3)]
    assert runs[0] == runs[1] == runs[2]


def test_the_database_is_read_back_by_history(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    play(capsys, "--data", str(tmp_path))
    with pytest.raises(SystemExit) as ended:
        main(["history", "--data", str(tmp_path), "--json"])
    assert ended.value.code == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["verdict"] for row in rows] == [verdict for _, _, verdict, _ in EXPECTED]
    assert {row["circuit"] for row in rows} >= {"supply", "compressor", "condenser fan", "blower", "control 24 V"}
    assert all(row["at"].endswith("Z") and row["meter"] and row["terminals"] for row in rows)


def test_playing_twice_into_one_folder_makes_two_visits(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    play(capsys, "--data", str(tmp_path))
    play(capsys, "--data", str(tmp_path))
    with sqlite3.connect(tmp_path / DATABASE_FILE) as connection:
        assert connection.execute("SELECT count(*) FROM visits").fetchone() == (2,)
        assert connection.execute("SELECT count(*) FROM units").fetchone() == (1,)
        assert connection.execute("SELECT count(*) FROM accepted_readings").fetchone() == (2 * len(EXPECTED),)
    connection.close()


def test_the_link_really_drops_and_comes_back(tmp_path: Path) -> None:
    """The reading after the drop uses another connection: other states in between, another session."""
    scenario = shipped_scenario("demo")
    states: list[tuple[str, str]] = []
    calls: list[ServiceCall] = []

    async def body() -> None:
        config = StationConfig(
            tmp_path, Settings("demo"), scenario.site, scenario.plan, "boot", serve=False, clock=VirtualClock()
        )
        call = ServiceCall(scenario, config)
        calls.append(call)

        def see(message: Any) -> None:
            if message["topic"] == "meters":
                for meter in message["meters"]:
                    if not states or (meter["name"], meter["state"]) not in states[-2:]:
                        states.append((meter["name"], meter["state"]))

        call.add_listener(see)
        await call.run()

    run_in_virtual_time(body(), busy=lambda: bool(calls) and calls[0].busy)
    first, *_ = [meter.name for meter in scenario.meters]
    of_first = [state for name, state in states if name == first]
    lost = of_first.index("lost")
    assert "connected" in of_first[:lost]
    assert "connected" in of_first[lost:]
    with sqlite3.connect(tmp_path / DATABASE_FILE) as connection:
        fan = connection.execute("SELECT digits FROM history WHERE point = 'run-capacitor-fan'").fetchall()
        links = connection.execute(
            "SELECT end_reason FROM connection_list WHERE meter = ? ORDER BY id", (first,)
        ).fetchall()
        gaps = connection.execute("SELECT meter, cause, seconds FROM gap_list").fetchall()
        gap = connection.execute(
            "SELECT max(d) FROM (SELECT monotonic_ns - lag(monotonic_ns) OVER (ORDER BY id) AS d FROM readings"
            " WHERE meter_id = (SELECT id FROM meters WHERE name = ?))",
            (first,),
        ).fetchone()[0]
    connection.close()
    assert fan == [("7.43",), ("7.53",)]  # before and after the replacement
    assert links == [("link lost",), ("station stopped",)]
    assert gaps == [(first, "link lost", pytest.approx(gap / 1e9, abs=1.0))]
    assert gap / 1e9 >= 4.0  # as long as the scenario keeps the link down


def test_every_reading_has_its_point_or_none(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    play(capsys, "--data", str(tmp_path))
    with sqlite3.connect(tmp_path / DATABASE_FILE) as connection:
        mismatched = connection.execute(
            "SELECT count(*) FROM readings r JOIN test_points p ON p.id = r.point_id WHERE p.quantity <> r.quantity"
        ).fetchone()
        by_quantity = dict(
            connection.execute(
                "SELECT quantity, count(*) FROM readings WHERE point_id IS NULL GROUP BY quantity"
            ).fetchall()
        )
    connection.close()
    assert mismatched == (0,)
    assert by_quantity["temperature"] > 50  # of the second meter: kept, although no test point needs them


def test_a_bare_process_without_home_or_terminal(tmp_path: Path) -> None:
    environment = {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path), "PYTHONWARNINGS": "error"}
    done = subprocess.run(
        [sys.executable, "-m", "meterlink", "demo", "--headless", "--json"],
        env=environment, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert len(accepted_in(done.stdout)) == len(EXPECTED)


def test_in_a_pipe_the_demo_tells_the_whole_job_as_text(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "meterlink", "demo", "--data", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert (done.returncode, done.stderr) == (0, "")
    story = done.stdout
    # In the order of a job: arrival, energized readings, power off, readings, note, leaving, the record.
    told = [
        "Arrived at Lindenhof reading room: a visit to split condenser CU-2 with air handler is begun, job 2207.",
        "supply: line, L1–L2: 234.8 V  WITHIN",
        "The line is switched off and locked out.",
        "The run capacitor was bled through 20 kΩ for 8 s.",
        "The label at run-capacitor-herm says 50+7.5 MFD 440V.",
        "compressor: run capacitor HERM, C–HERM: 43.72 µF  OUTSIDE",
        "control 24 V: contactor coil, A1–A2: 6.6 Ω  OUTSIDE",
        "The run capacitor is replaced: 50+7.5 µF 440 V, same rating.",
        "On the truck: 0 of 50+7.5 µF 440 V (used).",
        "compressor: run capacitor HERM, C–HERM: 49.95 µF  WITHIN",
        "Note: Contactor coil with shorted turns: none on the truck, to be fetched.",
        "The visit is closed: part to be fetched.",
        "Not sound and not replaced: contactor coil.",
        "On the truck: 1 of 50+7.5 µF 440 V (restocked).",
        "The visit was kept, closed. To see it:\n  meterlink visit show ",
    ]
    places = [story.find(words) for words in told]
    assert -1 not in places, story
    assert places == sorted(places)
    command = story.splitlines()[-1].partition("meterlink ")[2].split()
    shown = run_for_json(*command)
    assert (shown["state"], shown["outcome"], shown["job"]) == ("closed", "part to be fetched", "2207")
    # The plan is kept with its limits and its reasons, as one of a plan file is.
    assert [point["rating"] or point["limits"] for point in shown["points"]].count(None) == 0
    assert [note["text"] for note in shown["notes"]] == [
        "Contactor coil with shorted turns: none on the truck, to be fetched."
    ]
    assert [fitted["part"] for fitted in shown["replacements"]] == ["run capacitor"]
    diagnosed = run_for_json("diagnose", "--data", str(tmp_path))
    assert [repair["outcome"] for repair in diagnosed["repairs"]] == ["proven", "new part within"]


def test_a_demo_that_was_broken_off_goes_on_in_its_visit(tmp_path: Path) -> None:
    scenario = shipped_scenario("demo")
    arrival = replace(scenario, steps=tuple(step for step in scenario.steps if isinstance(step, Arrive)))
    events: list[str] = []

    def play_steps(played: Scenario) -> None:
        calls: list[ServiceCall] = []

        async def body() -> None:
            config = StationConfig(tmp_path, Settings("demo"), None, None, "boot", serve=False, clock=VirtualClock())
            calls.append(ServiceCall(played, config, on_event=events.append))
            await calls[0].run()

        run_in_virtual_time(body(), busy=lambda: any(call.busy for call in calls))

    play_steps(arrival)
    play_steps(arrival)
    assert [event.partition(":")[2].split(",")[0] for event in events] == [
        " a visit to split condenser CU-2 with air handler is begun",
        " the visit to split condenser CU-2 with air handler goes on.",
    ]


@pytest.mark.fault("database-locked")
@pytest.mark.parametrize("ends", [False, True])
def test_an_alarm_is_told_and_ends_only_a_call_in_simulated_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: bool
) -> None:
    """Another program locks the database for longer than a reading is waited for, and lets it go."""
    monkeypatch.setattr("meterlink.store.connections.LOCK_TIMEOUT", 0.02)
    monkeypatch.setitem(Writer.__init__.__kwdefaults__ or {}, "retry_delays", (0.1, 0.1))
    monkeypatch.setattr("meterlink_simulators.service_call.ACCEPT_TIMEOUT", 10.0)
    scenario = shipped_scenario("demo")
    count = next(number for number, step in enumerate(scenario.steps, 1) if isinstance(step, Measure))
    scenario = replace(scenario, steps=scenario.steps[:count])
    events: list[str] = []
    accepted: list[str] = []
    calls: list[ServiceCall] = []
    locked = asyncio.Event()

    async def body() -> None:
        config = StationConfig(tmp_path, Settings("demo"), None, None, "boot", serve=False, clock=VirtualClock())
        call = ServiceCall(
            scenario, config, lambda point, _: accepted.append(point.key), on_event=events.append, ends_at_alarm=ends
        )
        calls.append(call)
        playing = asyncio.create_task(call.run())
        await until(lambda: call.visit != "")
        with closing(sqlite3.connect(tmp_path / DATABASE_FILE, isolation_level=None)) as foreign:
            foreign.execute("BEGIN IMMEDIATE")
            locked.set()
            await until(lambda: playing.done() or any(event.startswith("ALARM") for event in events))
            await asyncio.sleep(20)
            assert accepted == []
            foreign.execute("ROLLBACK")
            locked.clear()
        await playing

    def is_busy() -> bool:  # while nothing can be saved, time goes on
        return any(call.busy for call in calls) and not locked.is_set()

    if ends:
        with pytest.raises(ServiceCallError, match="Readings are not being saved"):
            run_in_virtual_time(body(), busy=is_busy)
    else:
        run_in_virtual_time(body(), busy=is_busy)
        assert [event.partition(".")[0] for event in events[-2:]] == [
            "ALARM: Readings are not being saved", "The alarm is over",
        ]  # fmt: skip
        assert len(accepted) == 1


@pytest.mark.parametrize("name", shipped_scenarios())
def test_the_plan_of_a_scenario_is_a_plan_file(name: str) -> None:
    scenario = shipped_scenario(name)
    assert check_plan(scenario.plan_text).require(name, PlanError) == scenario.plan


def test_a_plan_file_keeps_every_sign_of_a_plan() -> None:
    table = {
        "name": 'a "b" \\ µ',
        "point": [{"low": "1 V", "when": {"a-b": "c"}, "optional": True, "number": 2, "terminals": ["1", "2"]}],
    }
    assert tomllib.loads(plan_file_text(table)) == table


@pytest.mark.parametrize("text", ["", "title = 3", "[[step]]\nwait = 'x'"])
def test_a_bad_scenario_is_one_clear_line_for_each_error(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(text)
    with pytest.raises(SystemExit) as ended:
        main(["demo", "--headless", "--scenario", str(file)])
    assert ended.value.code == 2
    lines = capsys.readouterr().err.removeprefix("meterlink: ").splitlines()
    assert len(lines) >= 7  # at least the missing keys of the file
    assert all(re.match(rf"{re.escape(str(file))}:\d+:\d+: ", line) for line in lines)
