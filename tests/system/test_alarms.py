"""The problems of a station reach somebody who was not there when they began, and are gone once they are mended."""

import asyncio
import json
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.errors import StoreError
from meterlink.core.notices import NoticeLevel
from meterlink.link.messages import ProblemView, StatusView
from meterlink.settings import load_settings
from meterlink.station.alarms import LOOK_PERIOD, SETTLING_TIME, Alarms
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.virtual_time import run_in_virtual_time
from support.fault_marks import FaultTimes
from support.mosquitto_broker import MOSQUITTO, running_broker
from support.silent_stations import Silence, at_station, write_settings
from support.tools import skip_without_tool

FULL = ProblemView(source="disk", level=NoticeLevel.ALARM, text="The disk is full. Free some space.")
CLOCK = ProblemView(source="clock", level=NoticeLevel.WARNING, text="The clock is not set. Set it.")


class LoopClock:
    def now(self) -> Timestamp:
        seconds = round(asyncio.get_running_loop().time())
        return Timestamp(1_783_944_000 * 10**9 + seconds * 10**9, seconds * 10**9)


class Watched:
    """Alarms whose problems the test sets, and the messages told."""

    def __init__(self) -> None:
        self.problems: list[ProblemView] = []
        self.told: list[Any] = []
        self.looks = 0
        self.fault: StoreError | None = None
        self.views: list[StatusView | None] = []
        self.alarms = Alarms(self, self.present, self.told.append, LoopClock())  # type: ignore[arg-type]

    async def status(self) -> Any:
        self.looks += 1
        if self.fault is not None:
            raise self.fault
        return {"look": self.looks}

    def present(self, view: StatusView | None) -> list[ProblemView]:
        self.views.append(view)
        return self.problems


@pytest.mark.fault("nobody-watches")
def test_a_problem_is_told_soon_and_cleared_once_it_is_mended(fault_times: FaultTimes) -> None:
    watched = Watched()

    async def run() -> None:
        task = asyncio.create_task(watched.alarms.run())
        await asyncio.sleep(1)
        assert watched.told == [{"state": "ok", "problems": []}], "a message of an earlier run is replaced at once"
        watched.problems = [FULL, CLOCK]
        watched.alarms.request()
        watched.alarms.request()
        await asyncio.sleep(SETTLING_TIME + 0.1)
        assert len(watched.told) == 2, "faults that come together are one message"
        content = watched.told[1]
        assert content["state"] == "alarm"
        assert [problem["source"] for problem in content["problems"]] == ["disk", "clock"]
        fault_times.noticed(SETTLING_TIME)
        begun = content["problems"][0]["since"]
        await asyncio.sleep(60)
        watched.problems = [FULL]
        watched.alarms.request()
        await asyncio.sleep(SETTLING_TIME + 0.1)
        assert watched.told[2]["problems"] == [
            {"source": "disk", "level": "alarm", "text": FULL["text"], "since": begun}
        ], "it lasts since then"
        watched.problems = []
        watched.alarms.request()
        await asyncio.sleep(SETTLING_TIME + 0.1)
        assert watched.told[3] == {"state": "ok", "problems": []}
        task.cancel()

    run_in_virtual_time(run())


@pytest.mark.fault("nobody-watches")
def test_what_nobody_announces_is_looked_at_now_and_then(fault_times: FaultTimes) -> None:
    watched = Watched()

    async def run() -> None:
        task = asyncio.create_task(watched.alarms.run())
        await asyncio.sleep(1)
        watched.problems = [CLOCK]
        await asyncio.sleep(LOOK_PERIOD)
        assert watched.looks == 2
        assert watched.told[-1]["state"] == "warning"
        fault_times.noticed(LOOK_PERIOD)
        task.cancel()

    run_in_virtual_time(run())


def test_a_database_that_cannot_be_read_does_not_silence_the_others() -> None:
    watched = Watched()
    watched.fault, watched.problems = StoreError("The database is gone.", "Restore it."), [FULL]

    async def run() -> None:
        task = asyncio.create_task(watched.alarms.run())
        await asyncio.sleep(1)
        assert watched.views == [None]
        assert watched.told[-1]["state"] == "alarm"
        task.cancel()

    run_in_virtual_time(run())


@pytest.mark.fault("nobody-watches")
@pytest.mark.timeout(90)
async def test_a_subscriber_who_comes_later_gets_the_present_alarm(tmp_path: Path) -> None:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")

    async def alarm(wanted: str) -> Any:
        """Return the message that a new subscriber gets first; ask again until its text has ``wanted``."""
        while True:
            async with aiomqtt.Client("127.0.0.1", mosquitto.port, protocol=aiomqtt.ProtocolVersion.V5) as client:
                await client.subscribe("meterlink/van-3/alarm")
                async for message in client.messages:
                    assert isinstance(message.payload, bytes)
                    is_kept, content = message.retain, json.loads(message.payload)
                    break
            if is_kept and wanted in json.dumps(content):
                return content
            await asyncio.sleep(0.1)

    async def body(station: Station, _views: dict[str, Any]) -> None:
        write_settings(folder, "nonsense")
        await station.reload_settings()
        content = await alarm("those before stay in force")
        assert content["state"] in {"alarm", "warning"}
        assert "settings" in {problem["source"] for problem in content["problems"]}
        write_settings(folder, table)
        await station.reload_settings()
        while "those before stay in force" in json.dumps(await alarm("state")):
            pass  # the next subscriber asks again

    folder = tmp_path / "data"
    await asyncio.to_thread(folder.mkdir)
    async with running_broker(tmp_path) as mosquitto:
        table = f'station = "van-3"\n[mqtt]\nhost = "127.0.0.1"\nport = {mosquitto.port}\ntls = false\n'
        await asyncio.to_thread(write_settings, folder, table)
        settings = await asyncio.to_thread(load_settings, folder)
        config = StationConfig(folder, settings, None, None, "boot", serve=False, packet_source=Silence())
        await at_station(config, body)
