"""The workbench scenario: a meter without a driver is taught from its display, and then measures."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from meterlink.cli.main import main
from meterlink.core.equipment import TestPoint
from meterlink.link.messages import CommandName
from meterlink.settings import Settings
from meterlink.station.profile_files import load_profiles
from meterlink.station.station import StationConfig
from meterlink_simulators.display import DisplayState
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.service_call import STABLE_AFTER, ObservedMeter, ServiceCall
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C6:1A:00:00:00:63"
LABELS = 24


def test_taught_from_its_display_it_measures_the_part_of_the_plan(tmp_path: Path) -> None:
    scenario = shipped_scenario("workbench")
    accepted: list[tuple[str, str, str]] = []
    views: dict[str, Any] = {}
    calls: list[ServiceCall] = []

    async def body() -> None:
        displays: asyncio.Queue[str] = asyncio.Queue()
        config = StationConfig(
            tmp_path, Settings("bench"), scenario.site, scenario.plan, "boot", serve=False, clock=VirtualClock()
        )

        def on_accepted(point: TestPoint, result: Any) -> None:
            accepted.append((point.key, result.reading.text, str(result.judgement.verdict)))
            call.stop()

        def on_display(name: str, display: DisplayState) -> None:
            assert name == "Kestrel 63"
            if display.digits:
                displays.put_nowait(f"{display.digits:f} {display.unit}")

        call = ServiceCall(scenario, config, on_accepted, on_display)
        calls.append(call)
        call.add_listener(lambda message: views.update({message["topic"]: message}))
        playing = asyncio.create_task(call.run(keep_running=True))
        await call.started.wait()
        assert call.station is not None

        async def send(command: CommandName, **arguments: str) -> str:
            assert call.station is not None
            return await call.station.execute(
                {"id": 1, "command": command, "meter": ADDRESS} | arguments  # type: ignore[arg-type]
            )

        await asyncio.sleep(10)
        assert views["meters"]["meters"][0]["state"] == "unusable"
        assert await send(CommandName.TEACH) == ""
        for _ in range(LABELS):
            assert await send(CommandName.TEACH_ENTRY, text=await displays.get()) == ""
        await asyncio.sleep(5)
        assert views["teach"]["has_profile"], views["teach"]
        assert await send(CommandName.TEACH_DONE) == ""
        await playing

    run_in_virtual_time(body(), busy=lambda: any(call.busy for call in calls))
    assert accepted == [("run-capacitor", "34.03 µF", "within")]
    ((profile,), failures) = load_profiles(tmp_path / "profiles")
    assert (profile.name, str(profile.driver), failures) == ("kestrel-63", "segmented", ())


def test_a_display_is_reported_once_it_is_stable() -> None:
    class Dial:
        name, rate = "Dial", 4.0
        display = DisplayState(*("capacitance", 1, "µF"))  # type: ignore[arg-type]  # it is only compared

        def show(self, _now: float) -> DisplayState:
            return self.display

    reported: list[DisplayState] = []
    dial = Dial()
    meter = ObservedMeter(dial, lambda _name, display: reported.append(display))  # type: ignore[arg-type]
    for tick in range(20):
        meter.show(tick * STABLE_AFTER / 4)
    assert reported == [dial.display]
    first, dial.display = dial.display, DisplayState(*("capacitance", 2, "µF"))  # type: ignore[arg-type]
    meter.show(10.0)
    assert reported == [first]  # the second display is not stable yet


def test_displays_are_for_a_served_call() -> None:
    with pytest.raises(SystemExit) as ended:
        main(["demo", "--headless", "--displays"])
    assert ended.value.code == 2
