"""Where packets wait between the Bluetooth callback and the pipeline."""

import asyncio
from collections import deque

from meterlink.ble.connection import ReceivedPacket

# Eight meters at 100 packets a second for ten seconds: more than any hiccup of the pipeline lasts, and a bound on what
# a meter gone mad can make us keep. Beyond it the oldest are dropped and counted.
CAPACITY = 8_000


class PacketQueue:
    """A bounded queue whose `put` is safe to call from a Bluetooth callback: it never blocks and never raises."""

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._packets: deque[ReceivedPacket] = deque(maxlen=capacity)
        self._wake = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self.dropped = 0

    def put(self, packet: ReceivedPacket) -> None:
        """Append one packet, dropping the oldest where the queue is full."""
        self.dropped += len(self._packets) == self._packets.maxlen
        self._packets.append(packet)
        self._idle.clear()
        self._wake.set()

    @property
    def size(self) -> int:
        """How many packets wait."""
        return len(self._packets)

    def mark_handled(self) -> None:
        """Say that what was taken has been handled."""
        if not self._packets:
            self._idle.set()

    async def wait_until_handled(self) -> None:
        """Return once everything put so far has been handled."""
        await self._idle.wait()

    async def drain(self) -> list[ReceivedPacket]:
        """Return everything that waits, oldest first, once there is anything."""
        await self._wake.wait()
        return self.drain_nowait()

    def drain_nowait(self) -> list[ReceivedPacket]:
        """Return everything that waits, oldest first."""
        self._wake.clear()
        taken = list(self._packets)
        self._packets.clear()
        return taken
