"""The queue of packets between the Bluetooth callback and the pipeline."""

import asyncio
from collections import Counter, deque
from dataclasses import dataclass, replace

from meterlink.ble.connection import ReceivedPacket
from meterlink.core.clock import Timestamp

# Packets of one meter that may wait: ten seconds of the fastest meter that the rate below allows, longer than any
# pause of the pipeline. It bounds the memory that a faulty meter can use.
CAPACITY = 2_000
# Packets per second of one meter, on average. A display changes ten times a second at most, and its frame comes in ten
# notifications of 20 bytes at most; twice as many packets are no display. Common practice, no source.
RATE = 200.0
# Packets that may come at once above the average: two seconds' worth, as after a pause of the radio.
BURST = 400.0


@dataclass(slots=True)
class DroppedPackets:
    """The times of the first and the last dropped packet, and how many were dropped.

    ``waiting`` of them were dropped since too many were waiting: the station was slow. The others came too fast.
    """

    first: Timestamp
    last: Timestamp
    count: int = 0
    waiting: int = 0


class PacketQueue:
    """A queue with a bound and a rate limit for each meter; its `put` never blocks and never raises.

    A meter that sends too much loses its own packets, never those of another meter. ``dropped`` is
    ``{address: packets dropped}``. ``rate`` is in packets per second of the packets' own time; None for recorded
    packets, whose rate is that of the recording.
    """

    def __init__(self, capacity: int = CAPACITY, rate: float | None = RATE, burst: float = BURST) -> None:
        self._capacity = capacity
        self._rate = rate
        self._burst = burst
        self._packets: deque[ReceivedPacket] = deque()
        self._waiting: Counter[str] = Counter()
        self._allowances: dict[str, tuple[float, float]] = {}  # by address: packets allowed now, and since when in s
        self._wake = asyncio.Event()
        self._idle = asyncio.Event()
        self._idle.set()
        self._lossy: set[str] = set()  # addresses of meters whose last packet was dropped
        self.dropped: Counter[str] = Counter()
        self._new_drops: dict[str, DroppedPackets] = {}

    def put(self, packet: ReceivedPacket) -> None:
        """Append one packet; drop it if its meter has too many waiting, or sends too fast."""
        address = packet.session.address
        is_full = self._waiting[address] >= self._capacity
        if is_full or (self._rate is not None and not self._is_allowed(address, packet, self._rate)):
            self._record_drop(address, packet.timestamp, is_full=is_full)
            return
        if address in self._lossy:
            self._lossy.discard(address)
            packet = replace(packet, after_loss=True)
        self._waiting[address] += 1
        if not self._packets:
            self._idle.clear()
            self._wake.set()
        self._packets.append(packet)

    def _record_drop(self, address: str, timestamp: Timestamp, *, is_full: bool) -> None:
        self.dropped[address] += 1
        self._lossy.add(address)
        dropped = self._new_drops.setdefault(address, DroppedPackets(timestamp, timestamp))
        dropped.last = timestamp
        dropped.count += 1
        dropped.waiting += is_full

    def drain_drops(self) -> dict[str, DroppedPackets]:
        """Return the packets dropped since the last call, by the address of their meter."""
        drops, self._new_drops = self._new_drops, {}
        return drops

    def _is_allowed(self, address: str, packet: ReceivedPacket, rate: float) -> bool:
        """Return whether the meter's rate allows this packet now (a token bucket), and count it."""
        now = packet.timestamp.monotonic_ns * 1e-9
        allowance, since = self._allowances.get(address, (self._burst, now))
        allowance = min(self._burst, allowance + max(0.0, now - since) * rate)
        allowed = allowance >= 1
        self._allowances[address] = (allowance - allowed, now)
        return allowed

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
        self._waiting.clear()
        return packets
