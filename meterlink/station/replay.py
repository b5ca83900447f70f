"""Recorded packets in the radio's place: at the speed they came, or as fast as they can be handled."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Literal, Protocol

from meterlink.ble.connection import Packet, Session
from meterlink.capture.files import Capture
from meterlink.core.clock import Clock, Stamp
from meterlink.driver_api import Advertisement, Characteristic, Driver, DriverError, DriverKind
from meterlink.plugins import best
from meterlink.profiles import ProfileKind, open_on_capture

Speed = Literal["recorded", "top"]

REPLAYED = "replayed"
"""What stands for the address of a recording's meter, so that its readings are never taken for a visit's own."""


class Feed(Protocol):
    """Whatever brings packets where no radio does."""

    async def run(self, put: Callable[[Packet], None], caught_up: Callable[[], Awaitable[None]]) -> None:
        """Hand every packet to ``put``, then return; ``caught_up`` returns once what was put has been handled."""
        ...


class Replay:
    """Plays a recording once; it holds at least one packet. ``name`` says which, in the meter's name.

    At top speed readings are stamped as if they had just been recorded: the last one now.
    """

    def __init__(self, capture: Capture, kind: str, driver: Driver, name: str, clock: Clock, speed: Speed) -> None:
        self._packets = capture.packets
        self._session = Session(1, f"{REPLAYED} {name}", f"{REPLAYED} {name}", "", kind, driver)
        self._clock = clock
        self._speed = speed

    async def run(self, put: Callable[[Packet], None], caught_up: Callable[[], Awaitable[None]]) -> None:
        """Hand every packet to ``put``, then return once all have been handled."""
        first, last = self._packets[0].t, self._packets[-1].t
        start = self._clock.stamp()
        back = _ns(last - first) if self._speed == "top" else 0
        loop = asyncio.get_running_loop()
        begin = loop.time()
        for packet in self._packets:
            since = packet.t - first
            if self._speed == "recorded":
                await asyncio.sleep(begin + since - loop.time())
            stamp = Stamp(start.utc_ns - back + _ns(since), start.monotonic_ns + _ns(since))
            put(Packet(self._session, packet.channel, packet.data, stamp))
            if self._speed == "top":
                await caught_up()
        await caught_up()
        self._session.closed = True


def choose_driver(capture: Capture, kinds: Sequence[DriverKind], name: str = "") -> tuple[str, Driver]:
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
        heard = Advertisement(meter.name, meter.services) if meter else Advertisement()
        chosen = best(kinds, heard, services)
        if chosen is None:
            raise DriverError("No driver fits this recording.", "Name one with --driver, or a profile with --profile.")
        kind = chosen[0]
    return kind.name, open_on(kind, capture)


def open_on(kind: DriverKind, capture: Capture) -> Driver:
    """Return a fresh driver of ``kind`` for a recording; DriverError where it can do nothing with its channels."""
    services = _services(capture)
    if isinstance(kind, ProfileKind):
        return open_on_capture(kind.profile, [service.key for service in services])
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
