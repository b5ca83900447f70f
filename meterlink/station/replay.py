"""Recorded packets in the radio's place: at the speed they came, or as fast as they can be handled."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Literal, Protocol

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.capture.capture_file import Capture
from meterlink.core.clock import Clock, Timestamp
from meterlink.driver_api import Advertisement, Characteristic, Driver, DriverError, DriverFactory
from meterlink.plugins import best_driver
from meterlink.profiles import ProfileDriverFactory, open_profile_driver

Speed = Literal["recorded", "top"]

REPLAY_ADDRESS = "replayed"
"""What stands for the address of a recording's meter, so that its readings are never taken for a visit's own."""


class PacketSource(Protocol):
    """Whatever brings packets where no radio does."""

    async def run(
        self, put: Callable[[ReceivedPacket], None], wait_until_handled: Callable[[], Awaitable[None]]
    ) -> None:
        """Hand every packet to ``put``, then return; ``caught_up`` returns once what was put has been handled."""
        ...


class Replay:
    """Plays a recording once; it holds at least one packet. ``name`` says which, in the meter's name.

    At top speed readings are stamped as if they had just been recorded: the last one now.
    """

    def __init__(self, capture: Capture, kind: str, driver: Driver, name: str, clock: Clock, speed: Speed) -> None:
        self._packets = capture.packets
        self._session = MeterSession(1, f"{REPLAY_ADDRESS} {name}", f"{REPLAY_ADDRESS} {name}", "", kind, driver)
        self._clock = clock
        self._speed = speed

    async def run(
        self, put: Callable[[ReceivedPacket], None], wait_until_handled: Callable[[], Awaitable[None]]
    ) -> None:
        """Hand every packet to ``put``, then return once all have been handled."""
        first, last = self._packets[0].seconds, self._packets[-1].seconds
        start = self._clock.now()
        back = _ns(last - first) if self._speed == "top" else 0
        loop = asyncio.get_running_loop()
        begin = loop.time()
        for packet in self._packets:
            since = packet.seconds - first
            if self._speed == "recorded":
                await asyncio.sleep(begin + since - loop.time())
            stamp = Timestamp(start.utc_ns - back + _ns(since), start.monotonic_ns + _ns(since))
            put(ReceivedPacket(self._session, packet.channel, packet.data, stamp))
            if self._speed == "top":
                await wait_until_handled()
        await wait_until_handled()
        self._session.closed = True


def choose_driver(capture: Capture, kinds: Sequence[DriverFactory], name: str = "") -> tuple[str, Driver]:
    """Return the driver for a recording, and its kind's name: the one called ``name``, else the one that fits best.

    DriverError where there is none, in words.
    """
    services = _services(capture)
    if name:
        kind = next((kind for kind in kinds if kind.name == name), None)
        if kind is None:
            raise DriverError(f"There is no driver {name!r}.", f"Use one of: {', '.join(one.name for one in kinds)}.")
    else:
        meter = capture.meter
        heard = Advertisement(meter.name, meter.service_uuids) if meter else Advertisement()
        chosen = best_driver(kinds, heard, services)
        if chosen is None:
            raise DriverError("No driver fits this recording.", "Name one with --driver, or a profile with --profile.")
        kind = chosen[0]
    return kind.name, open_driver_on_capture(kind, capture)


def open_driver_on_capture(kind: DriverFactory, capture: Capture) -> Driver:
    """Return a fresh driver of ``kind`` for a recording; DriverError where it can do nothing with its channels."""
    services = _services(capture)
    if isinstance(kind, ProfileDriverFactory):
        return open_profile_driver(kind.profile, [service.key for service in services])
    try:
        return kind.open(services)
    except DriverError:
        raise
    except Exception as error:
        raise DriverError(f"The driver {kind.name} failed on this recording: {error!r}.", "Report it.") from error


def _services(capture: Capture) -> list[Characteristic]:
    """Return what the meter offered as far as its packets tell: their channels, with no descriptors."""
    channels = dict.fromkeys(packet.channel for packet in capture.packets)
    return [Characteristic(key, key.partition("@")[0], "", frozenset({"notify"})) for key in channels]


def _ns(seconds: float) -> int:
    return round(seconds * 1_000_000_000)
