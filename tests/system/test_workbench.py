"""The workbench scenario: a meter nobody has described is taught from its display, and then measures."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from meterlink.cli.main import main
from meterlink.core.equipment import TestPoint
from meterlink.profiles import load_profiles
from meterlink.settings import Settings
from meterlink.station.station import StationConfig
from meterlink_simulators.display import DisplayState
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.service_call import STABLE_AFTER, ObservedMeter, ServiceCall
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C6:1A:00:00:00:63"
LABELS = 24


def test_taught_from_its_display_it_measures_the_part_of_the_plan(tmp_path: Path) -> None:
    scenario = shipped_scenario("workbench")
    held: list[tuple[str, str, str]] = []
    views: dict[str, Any] = {}
    calls: list[ServiceCall] = []

    async def body() -> None:
        displays: asyncio.Queue[str] = asyncio.Queue()
        orders = StationConfig(
            tmp_path, Settings("bench"), scenario.site, scenario.plan, "boot", serve=False, clock=VirtualClock()
        )

        def kept(point: TestPoint, one: Any) -> None:
            held.append((point.key, one.reading.text, str(one.judgement.verdict)))
            call.stop()

        def told(name: str, shown: DisplayState) -> None:
            assert name == "Kestrel 63"
            if shown.digits:
                displays.put_nowait(f"{shown.digits:f} {shown.unit}")

        call = ServiceCall(scenario, orders, kept, told)
        calls.append(call)
        call.add_listener(lambda message: views.update({message["topic"]: message}))
        playing = asyncio.create_task(call.run(keep_running=True))
        await call.started.wait()
        assert call.station is not None

        async def say(text: str) -> str:
            assert call.station is not None
            return await call.station.execute({"id": 1, "command": "teach", "meter": ADDRESS, "text": text})

        await asyncio.sleep(10)
        assert views["meters"]["meters"][0]["state"] == "unusable"
        assert await say("") == ""
        for _ in range(LABELS):
            assert await say(await displays.get()) == ""
        await asyncio.sleep(5)
        assert views["teach"]["accepted"], views["teach"]
        assert await say("done") == ""
        await playing

    run_in_virtual_time(body(), busy=lambda: any(call.busy for call in calls))
    assert held == [("run-capacitor", "34.03 µF", "within")]
    ((profile,), failures) = load_profiles(tmp_path / "profiles")
    assert (profile.name, str(profile.driver), failures) == ("kestrel-63", "segmented", ())


def test_a_display_is_told_once_it_stands_still() -> None:
    class Dial:
        name, rate = "Dial", 4.0
        shown = DisplayState(*("capacitance", 1, "µF"))  # type: ignore[arg-type]  # it is only compared

        def show(self, _now: float) -> DisplayState:
            return self.shown

    told: list[DisplayState] = []
    dial = Dial()
    seen = ObservedMeter(dial, lambda _name, shown: told.append(shown))  # type: ignore[arg-type]
    for tick in range(20):
        seen.show(tick * STABLE_AFTER / 4)
    assert told == [dial.shown]
    first, dial.shown = dial.shown, DisplayState(*("capacitance", 2, "µF"))  # type: ignore[arg-type]
    seen.show(10.0)
    assert told == [first]  # not yet


def test_displays_are_for_a_served_call() -> None:
    with pytest.raises(SystemExit) as ended:
        main(["demo", "--headless", "--displays"])
    assert ended.value.code == 2
