"""From a packet to the screen, in virtual time, through station, link and dashboard; and rest while nothing changes."""

import asyncio
import struct
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.core.equipment import Site
from meterlink.driver_api import Characteristic, uuid16
from meterlink.link.client import connect
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.settings import Settings
from meterlink.station.collection import VIEW_INTERVAL
from meterlink.station.station import Station, StationConfig
from meterlink_drivers.presented import PRESENTED
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from meterlink_tui.app import DRAW_INTERVAL, Dashboard

CHANNEL = "8f1e0001-5b0c-4d8e-a3f6-21c49d7be058"
FORMAT = struct.pack("<BbHBH", 0x08, -8, 0x2729, 1, 0)  # an unsigned 32-bit number of 10 nF: a step is 0.01 µF
COUNT = 40  # packets; their values differ, so that each is found on the screen
EARLIER = (0.151, 0.200)  # s, mean and largest, with a timer of 0.1 s in the station and another in the dashboard


class Meter:
    """A packet source that sends when the test says so; the station runs until it is stopped."""

    def __init__(self) -> None:
        service = Characteristic(CHANNEL, CHANNEL, CHANNEL, frozenset({"notify"}), {uuid16(0x2904): FORMAT})
        driver = PRESENTED.open([service])
        self.clock = VirtualClock()
        self._session = MeterSession(1, "C0:00:5E:00:53:01", "Alder", "", "presented", driver, self.clock.now())
        self._put: Callable[[ReceivedPacket], None] | None = None

    async def run(
        self, put: Callable[[ReceivedPacket], None], _wait_until_handled: Callable[[], Awaitable[None]]
    ) -> None:
        self._put = put
        await asyncio.Event().wait()

    def send(self, hundredths: int) -> None:
        assert self._put is not None
        self._put(ReceivedPacket(self._session, CHANNEL, hundredths.to_bytes(4, "little"), self.clock.now()))


@asynccontextmanager
async def running_station(folder: Path, stations: list[Station]) -> AsyncIterator[Meter]:
    meter = Meter()
    station = Station(
        StationConfig(
            folder, Settings("test"), Site("bakery", "condenser"), load_plan(DEFAULT_PLAN), "boot", clock=meter.clock,
            packet_source=meter,
        )
    )  # fmt: skip
    stations.append(station)
    running = asyncio.create_task(station.run())
    await station.started.wait()
    yield meter
    station.stop()
    await running


def run(body: Callable[[list[Station]], Coroutine[Any, Any, list[float]]]) -> list[float]:
    stations: list[Station] = []
    return run_in_virtual_time(body(stations), busy=lambda: any(station.busy for station in stations))


def latencies(folder: Path, interval: float) -> list[float]:
    """Return the seconds from each packet to a screen with its value or a newer one; ``interval`` s between packets."""

    async def body(stations: list[Station]) -> list[float]:
        loop = asyncio.get_running_loop()
        sent: dict[str, float] = {}
        taken: list[float] = []
        async with running_station(folder, stations) as meter:
            app = Dashboard(lambda: connect(folder), clock=meter.clock)
            draw_scene = app._draw_scene

            def record(scene: Any) -> None:
                draw_scene(scene)
                if scene.value.digits in sent:
                    order = list(sent)
                    shown = order[: order.index(scene.value.digits) + 1]
                    taken.extend(loop.time() - sent.pop(digits) for digits in shown)

            app._draw_scene = record  # type: ignore[method-assign]
            async with app.run_test():
                await asyncio.sleep(5)
                for number in range(COUNT):
                    hundredths = 4000 + number * 137 % 997
                    sent[f"{hundredths / 100:.2f}"] = loop.time()
                    meter.send(hundredths)
                    await asyncio.sleep(interval)
                await asyncio.sleep(1)
        assert not sent
        return taken

    return run(body)


@pytest.mark.parametrize("interval", [0.537, 0.2137, 0.1001])
def test_a_packet_after_quiet_is_on_the_screen_at_once(
    tmp_path: Path, interval: float, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = latencies(tmp_path, interval)
    assert len(taken) == COUNT
    assert max(taken) < 0.002  # s; the clock of a virtual loop stands still while it works
    with capsys.disabled():
        print(  # noqa: T201  # the figure is the result of this test
            f"\npacket to screen, {1 / interval:.0f} a second: {sum(taken) / COUNT:.3f} s; earlier {EARLIER[0]} s"
        )


@pytest.mark.fault("message-flood")
def test_packets_faster_than_the_screen_are_gathered(tmp_path: Path) -> None:
    taken = latencies(tmp_path, 0.0301)
    assert len(taken) == COUNT
    assert max(taken) <= max(VIEW_INTERVAL, DRAW_INTERVAL) + 0.002  # s; one wait, not one for each stage


def test_a_station_without_a_watcher_makes_no_view_and_a_watcher_gets_the_newest(tmp_path: Path) -> None:
    async def body(stations: list[Station]) -> list[float]:
        async with running_station(tmp_path, stations) as meter:
            await asyncio.sleep(5)
            collection = stations[0]._collection
            assert collection is not None
            made: list[float] = []
            send_view = collection._views._send_view

            def record(message: Any) -> None:
                made.append(asyncio.get_running_loop().time())
                send_view(message)

            collection._views._send_view = record
            for hundredths in (4512, 4511, 4510):
                meter.send(hundredths)
                await asyncio.sleep(5)
            assert made == []
            client = await connect(tmp_path)
            views: dict[str, Any] = {}
            async for message in client:
                views[message["topic"]] = message
                if "live" in views and "visit" in views:
                    break
            assert views["live"]["text"] == "45.10 µF"
            await client.close()
            await asyncio.sleep(1)
            made.clear()
            meter.send(4511)
            await asyncio.sleep(5)
            assert made == []
        return []

    run(body)


def test_an_idle_station_sends_no_view_and_the_first_packet_after_it_does(tmp_path: Path) -> None:
    async def body(stations: list[Station]) -> list[float]:
        async with running_station(tmp_path, stations) as meter:
            await asyncio.sleep(5)
            sent: list[float] = []
            stations[0].add_listener(lambda _message: sent.append(asyncio.get_running_loop().time()))
            meter.send(4510)
            await asyncio.sleep(5)
            assert sent
            sent.clear()
            await asyncio.sleep(10_000)
            assert sent == []
            meter.send(4510)
            before = asyncio.get_running_loop().time()
            await asyncio.sleep(1)
            return [time - before for time in sent]

    assert run(body)[0] == 0.0
