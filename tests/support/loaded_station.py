"""A station under load, as a process of its own: eight meters at ten readings a second, and one with 5,000.

It writes the time of its first reading to standard output, in ms since 1970, and runs until standard input ends. The
first meter's display never rests, at the active test point; the probes of the others are in the air.
"""

import asyncio
import struct
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Site
from meterlink.driver_api import Characteristic, uuid16
from meterlink.settings import Settings
from meterlink.station.station import Station, StationConfig
from meterlink_drivers.presented import PRESENTED
from support.virtual_stations import passive_plan

METERS = 8
PERIOD = 0.1  # s between two readings of each of them
FLOOD = 5_000  # readings a second of one more
_TICK = 0.01  # s
CHANNEL = "8f1e0001-5b0c-4d8e-a3f6-21c49d7be058"
_FORMAT = struct.pack("<BbHBH", 0x08, -8, 0x2729, 1, 0)  # an unsigned 32-bit number of 10 nF: a step is 0.01 µF
_MOVING = (4000, 4500)  # of 0.01 µF: too far apart to settle


class Load:
    """A packet source in the radio's place."""

    def __init__(self, flood: int) -> None:
        service = Characteristic(CHANNEL, CHANNEL, CHANNEL, frozenset({"notify"}), {uuid16(0x2904): _FORMAT})
        self._clock = SystemClock()
        self._flood = flood
        self._sessions = [
            MeterSession(
                number, f"C0:00:5E:00:53:{number:02X}", f"meter {number}", "", "presented", PRESENTED.open([service]),
                self._clock.now(),
            )
            for number in range(METERS + 1)
        ]  # fmt: skip

    async def run(
        self, put: Callable[[ReceivedPacket], None], _wait_until_handled: Callable[[], Awaitable[None]]
    ) -> None:
        loop = asyncio.get_running_loop()
        ended = asyncio.create_task(asyncio.to_thread(sys.stdin.read))
        print(self._clock.now().utc_ns // 1_000_000, flush=True)  # for the test
        begin, number, flooded = loop.time(), 0, 0
        while not ended.done():
            elapsed = loop.time() - begin
            for _ in range(flooded, flooded := int(elapsed * self._flood)):
                self._put(put, self._sessions[-1], 0)
            while number * PERIOD <= elapsed:
                self._put(put, self._sessions[0], _MOVING[number % 2])
                for session in self._sessions[1:-1]:
                    self._put(put, session, 0)
                number += 1
            await asyncio.sleep(_TICK)

    def _put(self, put: Callable[[ReceivedPacket], None], session: MeterSession, count: int) -> None:
        put(ReceivedPacket(session, CHANNEL, count.to_bytes(4, "little"), self._clock.now()))


def main() -> None:
    """Run the station on the folder of the first argument; the second is the readings a second of the flood."""
    site, plan = Site("Mill Lane bakery", "condenser"), passive_plan()
    config = StationConfig(
        Path(sys.argv[1]), Settings("bench"), site, plan, "boot", first_point="run-capacitor-herm",
        packet_source=Load(int(sys.argv[2])),
    )  # fmt: skip
    asyncio.run(Station(config).run())


if __name__ == "__main__":
    main()
