"""Draws the picture of the README: ``python tests/support/dashboard_picture.py``.

The demo's call is played in virtual time until its first bad part is accepted. The dashboard then draws the views of a
watcher at that moment.
"""

import asyncio
import tempfile
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

from meterlink.core.readings import Phase
from meterlink.core.verdicts import Verdict
from meterlink.link.messages import Message, Reply, Topic
from meterlink.settings import Settings
from meterlink.station.station import StationConfig
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.service_call import ServiceCall
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from meterlink_tui.picture import take_picture

PICTURE = Path(__file__).parents[2] / "tui" / "dashboard.svg"
SIZE = (110, 34)


def views_at_first_failure() -> dict[str, Message]:
    """Return ``{topic: newest view}`` at the moment when the first reading outside its limits is shown as accepted."""
    scenario = shipped_scenario("demo")
    newest: dict[str, Message] = {}
    calls: list[ServiceCall] = []
    done: list[bool] = []

    def on_view(message: Message) -> None:
        if done:
            return
        newest[message["topic"]] = message
        visit, live = newest.get(Topic.VISIT), newest.get(Topic.LIVE)
        if (
            visit
            and visit["topic"] == Topic.VISIT
            and live
            and live["topic"] == Topic.LIVE
            and live["phase"] == Phase.ACCEPTED
        ):
            accepted = next(point["accepted"] for point in visit["points"] if point["key"] == visit["focus"])
            if accepted and accepted["verdict"] == Verdict.OUTSIDE:
                done.append(True)
                calls[0].stop()

    async def play() -> None:
        clock = VirtualClock(start=datetime.now(UTC))
        with tempfile.TemporaryDirectory() as folder:
            config = StationConfig(
                Path(folder), Settings("demo"), scenario.site, scenario.plan, "demo", serve=False, clock=clock
            )
            calls.append(ServiceCall(scenario, config))
            calls[0].add_listener(on_view)
            await calls[0].run()

    run_in_virtual_time(play(), busy=lambda: any(call.busy for call in calls))
    return newest


class FrozenStation:
    """A station that sends each view once."""

    incident = ""
    other_version = ""

    def __init__(self, views: dict[str, Message]) -> None:
        self._views = views

    async def __aiter__(self) -> AsyncIterator[Message]:
        for view in self._views.values():
            yield view
        await asyncio.Event().wait()

    async def send(self, command: str, **fields: str | int) -> str:
        return f"{command} {fields} is not available in a picture"

    async def request(self, command: str, **fields: str | int) -> Reply:
        error = await self.send(command, **fields)
        return Reply(
            topic=Topic.REPLY, id=1, error=error, accepted=None, question=None, data={}, exit_code=int(bool(error))
        )

    async def close(self) -> None:
        pass


def main() -> None:
    """Write the picture."""
    views = views_at_first_failure()

    async def connect() -> FrozenStation:
        return FrozenStation(views)

    PICTURE.write_text(asyncio.run(take_picture(connect, *SIZE)), encoding="utf-8")


if __name__ == "__main__":
    main()
