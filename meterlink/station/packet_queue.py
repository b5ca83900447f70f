"""The queue of packets between the Bluetooth callback and the pipeline."""

import asyncio
from collections import deque

from meterlink.ble.connection import ReceivedPacket

# Eight meters at 100 packets a second for ten seconds, longer than any pause of the pipeline. It bounds the memory that
# a faulty meter can use. If the queue is full, the oldest packets are dropped and counted.
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
        """Append one packet; drop the oldest if the queue is full."""
        self.dropped += len(self._packets) == self._packets.maxlen
        self._packets.append(packet)
        self._idle.clear()
        self._wake.set()

    @property
    def size(self) -> int:
        """The number of packets in the queue."""
        return len(self._packets)

    def mark_handled(self) -> None:
        """Record that the drained packets have been handled."""
        if not self._packets:
            self._idle.set()

    async def wait_until_handled(self) -> None:
        """Return when all packets put so far have been handled."""
        await self._idle.wait()

    async def drain(self) -> list[ReceivedPacket]:
        """Wait for a packet, then return all waiting packets, oldest first."""
        await self._wake.wait()
        return self.drain_nowait()

    def drain_nowait(self) -> list[ReceivedPacket]:
        """Return all waiting packets, oldest first."""
        self._wake.clear()
        packets = list(self._packets)
        self._packets.clear()
        return packets
