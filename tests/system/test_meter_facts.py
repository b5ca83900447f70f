"""Facts about a meter that a technician sets while the station runs: kept, in force at once, and judged by."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import Site
from meterlink.core.meter_facts import FactName
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.link.messages import CommandResult
from meterlink.plans import load_plan
from meterlink.settings import DATABASE_FILE, Settings, load_settings
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.virtual_time import VIRTUAL_START, VirtualClock, run_in_virtual_time
from support.commands import run_command, run_for_json
from support.virtual_stations import run_at_station, until
from support.writers import running_writer

BAKERY = {"site": "Mill Lane bakery", "unit": "Condenser 1", "plan": "split-condenser"}
SCHOOL = {"site": "Pond school", "unit": "Condenser 2", "plan": "split-condenser"}
HERM = "run-capacitor-herm"


async def send(station: Station, command: str, **fields: str) -> CommandResult:
    return await station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]


async def done(station: Station, command: str, **fields: str) -> dict[str, Any]:
    result = await send(station, command, **fields)
    assert result.error == ""
    return dict(result.data)


async def begin(station: Station, **fields: str) -> str:
    """Begin a visit to a machine with run capacitors; return its uid."""
    uid: str = (await done(station, "begin_visit", **fields))["visit"]
    for question, answer in {
        "service": "240", "compressor-drive": "capacitor", "fan-motor": "capacitor", "contactor-poles": "2"
    }.items():  # fmt: skip
        await done(station, "answer", question=question, answer=answer)
    return uid


def herm(views: dict[str, Any]) -> Any:
    return next(point["accepted"] for point in views["visit"]["points"] if point["key"] == HERM)


async def measure_herm(station: Station, views: dict[str, Any], text: str = "43.1 uF") -> None:
    """Type the value of a 45 µF ±6 % section: limits 42.3 to 47.7 µF."""
    await done(station, "set_rating", point=HERM, text="45 uF 6 %")
    await done(station, "enter", point=HERM, text=text)
    await until(lambda: herm(views) is not None)


def verdicts(folder: Path) -> list[tuple[str, str | None, str]]:
    reader = Reader(folder / DATABASE_FILE)
    return [
        (str(row.judgement.verdict), row.judgement.margin and str(row.judgement.margin), row.judgement.accuracy)
        for row in reader.history()
    ]


def test_a_better_meter_turns_a_close_call_into_a_clear_verdict(tmp_path: Path) -> None:
    """The technician enters the line of the manual: 0.8 µF inside the limit is more than the 0.59 µF of that meter.

    With the assumed line it is less than 1.8 µF, a close call. Recomputed: 43.1 × 3 % + 0.5 = 1.79; 43.1 × 0.9 % + 0.2
    = 0.59 µF.
    """

    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station, **BAKERY)
        await measure_herm(station, views)
        assert (herm(views)["margin"], herm(views)["revision"]) == ("close call", 1)
        entered = await done(station, "set_accuracy", meter="typed in", text="capacitance: 0.9 % + 2 digits")
        assert entered["judged_again"] == 1
        assert (herm(views)["verdict"], herm(views)["margin"], herm(views)["revision"]) == ("within", "clear", 2)
        assert herm(views)["accuracy"] == "±(0.9 % + 2 digits)"
        # A worse entry is believed as well.
        await done(station, "set_accuracy", meter="typed in", text="capacitance: 3 % + 5 digits")
        assert (herm(views)["margin"], herm(views)["revision"]) == ("close call", 3)

    run_at_station(tmp_path, body)
    shown = run_for_json("visit", "show", "--data", str(tmp_path))
    (reading,) = next(point["readings"] for point in shown["points"] if point["key"] == HERM)
    assert [(before["margin"], before["accuracy"]) for before in reading["judged_before"]] == [
        ("close call", "±(3 % + 5 digits), assumed"), ("clear", "±(0.9 % + 2 digits)"),
    ]  # fmt: skip
    assert [before["reason"] for before in reading["judged_before"]] == [
        "43.1 µF is within 45 µF ±6 %, but the meter may be off by 1.7 µF.", "43.1 µF is within 45 µF ±6 %."
    ]  # fmt: skip
    assert reading["accuracy"] == "±(3 % + 5 digits)"


def test_an_overdue_calibration_stands_with_the_readings_already_accepted(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station, **BAKERY)
        await measure_herm(station, views)
        assert herm(views)["calibration"] == ""
        await done(station, "set_calibration", meter="typed in", text="2020-03-01, due 2021-03-01, certificate K-1047")
        assert herm(views)["calibration"] == "calibration overdue since 2021-03-01, certificate K-1047"
        assert (herm(views)["verdict"], herm(views)["margin"]) == ("within", "close call")  # it changes no verdict
        (meter,) = views["known_meters"]["meters"]
        assert (meter["overdue"], meter["has_radio"], meter["name"]) == (True, False, "typed in")

    run_at_station(tmp_path, body)


def test_a_paused_visit_is_judged_again_too(tmp_path: Path) -> None:
    """Two customers in one day: the manual is found at the second one, and counts for the first one's readings."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        first = await begin(station, **BAKERY)
        await measure_herm(station, views)
        await begin(station, **SCHOOL)
        await measure_herm(station, views, "45.2 uF")
        await done(station, "set_accuracy", meter="typed in", text="capacitance: 0.9 % + 2 digits")
        assert verdicts(tmp_path)[0] == ("within", "clear", "±(0.9 % + 2 digits)")
        await done(station, "switch_visit", visit=first)
        assert (herm(views)["margin"], herm(views)["revision"]) == ("clear", 2)
        await done(station, "close_visit", outcome="no fault found")
        # A closed visit keeps the verdict that its report has.
        await done(station, "set_accuracy", meter="typed in", text="basic")
        assert verdicts(tmp_path)[0] == ("within", "clear", "±(0.9 % + 2 digits)")

    run_at_station(tmp_path, body)


@pytest.mark.parametrize(
    ("changed", "verdict", "basis"),
    [
        (Settings("test", capacitor_tolerance="3 %"), "outside", "45 µF ±3 %"),
        (Settings("test", rule=parse_decision_rule("guarded acceptance")), "cannot tell", "45 µF ±6 %"),
    ],
)
def test_settings_that_changed_between_two_starts_judge_again(
    tmp_path: Path, changed: Settings, verdict: str, basis: str
) -> None:
    """A verdict never stands over limits, or under a rule, by which it was not judged."""

    async def before(station: Station, views: dict[str, Any]) -> None:
        await begin(station, **BAKERY)
        await done(station, "set_rating", point=HERM, text="45 uF")  # without a tolerance: that of the settings
        await done(station, "enter", point=HERM, text="43.1 uF")
        await until(lambda: herm(views) is not None)
        assert (herm(views)["verdict"], herm(views)["margin"]) == ("within", "close call")

    async def after(_station: Station, views: dict[str, Any]) -> None:
        limits = next(point["limits"] for point in views["visit"]["points"] if point["key"] == HERM)
        assert (herm(views)["verdict"], limits["basis"], herm(views)["revision"]) == (verdict, basis, 2)

    run_at_station(tmp_path, before)
    run_at_station(tmp_path, after, settings=changed)
    earlier = Reader(tmp_path / DATABASE_FILE)
    uid = earlier.visits()[0].uid
    (replaced,) = earlier.earlier_verdicts(uid).values()
    assert [(str(old.verdict), old.limits_basis, old.rule) for old in replaced] == [
        ("within", "45 µF ±6 %", "simple acceptance")
    ]
    assert replaced[0].reason == "43.1 µF is within 45 µF ±6 %, but the meter may be off by 1.7 µF."


def test_a_visit_is_shown_with_the_limits_that_judged_it(tmp_path: Path) -> None:
    """The settings changed, and no station has judged again since: the verdict is not put over the new limits."""

    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station, **BAKERY)
        await done(station, "set_rating", point=HERM, text="45 uF")
        await done(station, "enter", point=HERM, text="43.1 uF")
        await until(lambda: herm(views) is not None)

    run_at_station(tmp_path, body)
    (tmp_path / "settings.toml").write_text('[judge]\ncapacitor_tolerance = "3 %"\n', encoding="utf-8")
    shown = run_for_json("visit", "show", "--data", str(tmp_path))
    point = next(point for point in shown["points"] if point["key"] == HERM)
    assert (point["limits"]["basis"], point["rating"]) == ("45 µF ±6 %", "45 µF ±6 %")
    assert point["readings"][0]["verdict"] == "within"


def test_a_reading_that_new_limits_cannot_judge_decides_nothing_and_stops_no_station(tmp_path: Path) -> None:
    """OL to ground on a handheld meter, whose range may end at 10 MΩ, shows 1 MΩ but not 100 MΩ (common practice)."""

    async def before(station: Station, views: dict[str, Any]) -> None:
        await begin(station, **BAKERY)
        await done(station, "enter", point="compressor-ground", text="OL ohm")
        await until(lambda: ground(views) is not None)
        assert ground(views)["verdict"] == "within"
        await done(station, "set_rating", point="compressor-ground", text="at least 100 Mohm")
        assert (ground(views)["verdict"], ground(views)["revision"]) == ("cannot tell", 2)
        assert "An overload does not show whether 100 MΩ is reached." in ground(views)["reason"]

    async def after(_station: Station, views: dict[str, Any]) -> None:
        assert (ground(views)["verdict"], ground(views)["revision"]) == ("cannot tell", 2)

    def ground(views: dict[str, Any]) -> Any:
        return next(p["accepted"] for p in views["visit"]["points"] if p["key"] == "compressor-ground")

    run_at_station(tmp_path, before)
    run_at_station(tmp_path, after)


def test_a_start_with_the_same_settings_judges_nothing_again(tmp_path: Path) -> None:
    settings = Settings("test", rule=parse_decision_rule("guarded"))

    async def before(station: Station, views: dict[str, Any]) -> None:
        await begin(station, **BAKERY)
        await measure_herm(station, views)
        await done(station, "enter", point="run-capacitor-fan", text="OL uF")  # a question stays open
        await done(station, "enter", point="compressor-run-winding", text="3.2 ohm")  # no limits
        await done(station, "set_accuracy", meter="typed in", text="lab; per °C 0.05")
        await done(station, "set_calibration", meter="typed in", text="2026-03-01, due 2030-03-01")

    async def after(_station: Station, _views: dict[str, Any]) -> None:
        await asyncio.sleep(1)

    run_at_station(tmp_path, before, settings=settings)
    reader = Reader(tmp_path / DATABASE_FILE)
    before_restart = [row.revision for row in reader.history()]
    assert len(before_restart) == 3
    run_at_station(tmp_path, after, settings=settings)
    assert [row.revision for row in reader.history()] == before_restart


A = "C0:00:5E:00:53:01"
Body = Callable[[Air, Station, dict[str, Any]], Awaitable[None]]


def at_bench(folder: Path, body: Body, settings: Settings | None = None) -> None:
    """Run ``body`` at a station with the demo's first meter on the air, which it does not know."""
    stations: list[Station] = []
    scenario = shipped_scenario("demo")

    async def run() -> None:
        async with Air() as air:
            spec = scenario.meters[0]
            await air.add_meter(
                scenario.build_meter(spec, scenario.build_bench()), encoder=PresentedEncoder(), address=A
            )
            config = StationConfig(
                folder, settings or Settings("test"), Site("Mill Lane bakery", "condenser"),
                load_plan("split-condenser"), "boot", clock=VirtualClock(VIRTUAL_START),
                scanner_backend=air.scanner_backend, client_backend=air.client_backend,
                jitter=lambda low, high: (low + high) / 2,
            )  # fmt: skip
            stations.append(Station(config))
            views: dict[str, Any] = {}
            stations[-1].add_listener(lambda message: views.__setitem__(message["topic"], message))
            task = asyncio.create_task(stations[-1].run())
            await stations[-1].started.wait()
            try:
                async with asyncio.timeout(600):
                    await body(air, stations[-1], views)
            finally:
                stations[-1].stop()
                await task

    run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))


def test_name_test_point_and_driver_outlive_the_station(tmp_path: Path) -> None:
    async def first(_air: Air, station: Station, views: dict[str, Any]) -> None:
        await asyncio.sleep(2)
        await done(station, "bind", meter=A)
        await until(lambda: bool(views["meters"]["meters"]) and views["meters"]["meters"][0]["readings"] > 3)
        assert views["meters"]["meters"][0]["at"] is not None
        await done(station, "name_meter", meter=A, text="clamp\x1b[31m")
        assert views["meters"]["meters"][0]["name"] == "clamp(31m"
        await done(station, "pin", meter="clamp(31m", point="supply-volts")
        # The driver that was chosen reads the meter from the next connection on, which follows at once.
        await done(station, "set_driver", meter=A, text="presented")
        await until(lambda: views["meters"]["meters"][0]["state"] != "connected")
        await until(lambda: views["meters"]["meters"][0]["state"] == "connected")

    async def second(_air: Air, station: Station, views: dict[str, Any]) -> None:
        (meter,) = (await done(station, "list_meters"))["meters"]
        assert (meter["name"], meter["test_point"], meter["driver"], meter["bound"]) == (
            "clamp(31m", "supply-volts", "presented", True,
        )  # fmt: skip
        await until(lambda: views.get("live") is not None)
        assert (views["live"]["meter"], views["live"]["point"] in {"supply-volts", None}) == ("clamp(31m", True)
        await done(station, "pin", meter="clamp(31m")  # undone, for later visits too
        (meter,) = (await done(station, "list_meters"))["meters"]
        assert meter["test_point"] == ""
        await done(station, "set_driver", meter=A, text="")
        assert views["known_meters"]["meters"][0]["driver"] == ""

    at_bench(tmp_path, first)
    at_bench(tmp_path, second)


def test_every_misuse_is_said(tmp_path: Path) -> None:
    async def body(_air: Air, station: Station, _views: dict[str, Any]) -> None:
        await asyncio.sleep(2)
        await done(station, "bind", meter=A, text="clamp")
        for command, fields, error in (
            ("name_meter", {"meter": "nobody", "text": "x"}, "No meter has the name or address 'nobody'. See:"),
            ("name_meter", {"meter": A, "text": " "}, "The name is empty."),
            ("name_meter", {"meter": "typed in", "text": "clamp"}, "Another meter has the name 'clamp'."),
            ("set_driver", {"meter": A, "text": "telepathy"}, "There is no driver 'telepathy'. Use one of: presented"),
            ("pin", {"meter": "typed in", "point": "supply-volts"}, "A typed reading names its test point itself."),
            ("set_driver", {"meter": "typed in", "text": "presented"}, "Typed readings have no driver."),
            ("set_accuracy", {"meter": A, "text": "superb"}, "'superb' is neither a class nor an accuracy line."),
            ("set_calibration", {"meter": A, "text": "last spring"}, "'last spring' is not a date."),
            ("pin", {"meter": A, "point": "nowhere"}, "There is no test point 'nowhere' in this visit."),
        ):
            result = await send(station, command, **fields)
            assert error in result.error
            assert result.exit_code == 2
        (meter,) = (await done(station, "list_meters"))["meters"]
        assert (meter["name"], meter["accuracy"], meter["calibration"]) == ("clamp", "", "")

    at_bench(tmp_path, body)


def test_the_newer_of_settings_and_station_names_the_meter(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(
        f'[[meter]]\naddress = "{A}"\nname = "yard meter"\npinned_point = "supply-volts"\n', encoding="utf-8"
    )
    saved = int(VIRTUAL_START.timestamp()) - 1  # before the station started
    os.utime(file, (saved, saved))

    async def body(_air: Air, station: Station, views: dict[str, Any]) -> None:
        await until(lambda: bool(views["meters"]["meters"]) and views["meters"]["meters"][0]["readings"] > 3)
        assert views["meters"]["meters"][0]["name"] == "yard meter"
        await done(station, "name_meter", meter="yard meter", text="clamp")
        assert views["meters"]["meters"][0]["name"] == "clamp"
        (meter,) = (await done(station, "list_meters"))["meters"]
        assert (meter["name"], meter["test_point"]) == ("clamp", "supply-volts")
        assert meter["remarks"][0].endswith("is older: it is not used for the name.")

    at_bench(tmp_path, body, load_settings(tmp_path))
    said = [record.message for record in caplog.records if "is older" in record.message]
    assert len(said) == 1  # once, however often it was listed
    assert said[0].startswith("clamp: settings.toml of ")


def test_a_driver_that_is_gone_is_named_and_the_station_starts(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A profile's file was removed between two days: the meter is read by the driver that fits it best."""

    async def first(_air: Air, station: Station, _views: dict[str, Any]) -> None:
        await asyncio.sleep(2)
        await done(station, "bind", meter=A, text="clamp")

    async def second(_air: Air, _station: Station, views: dict[str, Any]) -> None:
        await until(lambda: bool(views["meters"]["meters"]) and views["meters"]["meters"][0]["readings"] > 3)

    at_bench(tmp_path, first)
    with running_writer(tmp_path / DATABASE_FILE) as writer:
        writer.set_meter_fact(A, FactName.DRIVER, "old-profile").result(60)
    at_bench(tmp_path, second)
    assert "clamp (53:01): its driver old-profile is missing; the best other one is used" in caplog.text


def test_the_commands_need_no_station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    assert run_command("meter", "list") == (0, "No meters yet. Switch one on, and bind it: meterlink find\n", "")
    assert not (tmp_path / DATABASE_FILE).exists()
    assert run_command("meter", "accuracy", "typed in", "good").out == "Accuracy: good.\n"
    assert run_for_json("meter", "calibration", "typed in", "--done", "2020-03-01", "--due", "2021-03-01")["meter"][
        "overdue"
    ]
    shown = run_for_json("meter", "show", "typed in")
    assert (shown["accuracy"], shown["calibration"], shown["state"], shown["has_radio"]) == (
        "good", "2020-03-01, due 2021-03-01", "", False,
    )  # fmt: skip
    assert run_command("meter", "show", "typed in").out.splitlines() == [
        "typed in", "  Accuracy: good", "  Calibration: overdue since 2021-03-01",
    ]  # fmt: skip
    (tmp_path / "settings.toml").write_text('[[meter]]\naddress = "manual_entry"\nname = "x"\n', encoding="utf-8")
    assert run_command("meter", "list").status == 2  # an error of the settings is said, not hidden
    (tmp_path / "settings.toml").write_text(f'[[meter]]\naddress = "{A}"\nname = "yard meter"\n', encoding="utf-8")
    assert [meter["name"] for meter in run_for_json("meter", "list")] == ["typed in", "yard meter"]
    named = run_command("meter", "name", "yard meter", "clamp\x1b[2J").out.splitlines()
    assert named[0] == "The meter's name is clamp(2J."
    assert named[1].startswith("settings.toml of ")
    assert named[1].endswith("is older: it is not used for the name.")
    assert named[1] in run_command("meter", "show", A).out
    # A part judged at the desk is judged by the same accuracy.
    judged = run_for_json("judge", "capacitor", "--rated", "45uF", "--reading", "43.10uF", "--meter", "typed in")
    assert (judged["accuracy"], judged["calibration"]) == (
        "±(2 % + 4 digits), class good, assumed", "calibration overdue since 2021-03-01",
    )  # fmt: skip
    for arguments, error in (
        (("show", "nobody"), "No meter has the name or address 'nobody'"),
        (("pin", "typed in"), "Give a test point, or --none."),
        (("driver", "typed in", "presented", "--auto"), "Give a driver, or --auto."),
        (("calibration", "typed in"), "Give a date or a certificate, or --none."),
        (("calibration", "typed in", "--done", "soon"), "'soon' is not a date."),
    ):
        status, out, err = run_command("meter", *arguments)
        assert (status, out, error in err) == (2, "", True)
