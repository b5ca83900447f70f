"""Recorded packets in the radio's place: at the recorded speed, or as fast as they can be handled."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from typing import Literal, Protocol

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.capture.capture_file import Capture
from meterlink.core.clock import Clock, Timestamp
from meterlink.core.text import did_you_mean
from meterlink.driver_api import Advertisement, Characteristic, Driver, DriverError, DriverFactory
from meterlink.plugins import best_driver
from meterlink.station.drivers import profile_of

Speed = Literal["recorded", "top"]

REPLAY_ADDRESS = "replayed"
"""The address of a recording's meter, so that its readings are never mistaken for those of a visit."""


class PacketSource(Protocol):
    """A source of packets in the radio's place."""

    async def run(
        self, put: Callable[[ReceivedPacket], None], wait_until_handled: Callable[[], Awaitable[None]]
    ) -> None:
        """Pass every packet to ``put``, then return. ``wait_until_handled`` returns when all of them are handled."""
        ...


class Replay:
    """Replays a capture of at least one packet once. The meter's name contains ``name``.

    At top speed the last packet has the present time, the packets before it their recorded distance in time.
    """

    def __init__(
        self, capture: Capture, driver_name: str, driver: Driver, name: str, clock: Clock, speed: Speed
    ) -> None:
        self._packets = capture.packets
        meter_name = f"{REPLAY_ADDRESS} {name}"
        self._new_session = partial(MeterSession, 1, meter_name, meter_name, "", driver_name, driver)
        self._clock = clock
        self._speed = speed

    async def run(
        self, put: Callable[[ReceivedPacket], None], wait_until_handled: Callable[[], Awaitable[None]]
    ) -> None:
        """Pass every packet to ``put``, then return when all have been handled."""
        first, last = self._packets[0].seconds, self._packets[-1].seconds
        start = self._clock.now()
        shift = _ns(last - first) if self._speed == "top" else 0
        session = self._new_session(Timestamp(start.utc_ns - shift, start.monotonic_ns))
        loop = asyncio.get_running_loop()
        begin = loop.time()
        for packet in self._packets:
            elapsed = packet.seconds - first
            if self._speed == "recorded":
                await asyncio.sleep(begin + elapsed - loop.time())
            timestamp = Timestamp(start.utc_ns - shift + _ns(elapsed), start.monotonic_ns + _ns(elapsed))
            put(ReceivedPacket(session, packet.channel, packet.data, timestamp))
            if self._speed == "top":
                await wait_until_handled()
        await wait_until_handled()
        session.closed = True


def choose_driver(capture: Capture, factories: Sequence[DriverFactory], name: str = "") -> tuple[str, Driver]:
    """Return ``(driver name, driver)`` for a capture: the driver called ``name``, else the one that fits best.

    Raises:
        DriverError: there is no such driver, none fits, or it fails on this capture.
    """
    services = _services(capture)
    if name:
        factory = next((candidate for candidate in factories if candidate.name == name), None)
        if factory is None:
            names = [candidate.name for candidate in factories]
            remedy = did_you_mean(name, names) or f"Use one of: {', '.join(names)}."
            raise DriverError(f"There is no driver {name!r}.", remedy)
    else:
        meter = capture.meter
        advertisement = Advertisement(meter.name, meter.service_uuids) if meter else Advertisement()
        best = best_driver(factories, advertisement, services)
        if best is None:
            raise DriverError("No driver fits this recording.", "Name one with --driver, or a profile with --profile.")
        factory = best[0]
    return factory.name, open_driver_on_capture(factory, capture)


def open_driver_on_capture(factory: DriverFactory, capture: Capture) -> Driver:
    """Return a new driver of ``factory`` for a capture.

    Raises:
        DriverError: the driver cannot use the channels of the capture, or it failed.
    """
    services = _services(capture)
    profile = profile_of(factory)
    if profile is not None:
        from meterlink.profiles import open_profile_driver  # noqa: PLC0415  # as in `profile_of`

        return open_profile_driver(profile, [service.key for service in services])
    try:
        return factory.open(services)
    except DriverError:
        raise
    except Exception as error:
        raise DriverError(
            f"The driver {factory.name} failed on this recording: {error!r}.", "Report it to the driver's author."
        ) from error


def _services(capture: Capture) -> list[Characteristic]:
    """Return the characteristics that the packets show: their channels, without descriptors."""
    channels = dict.fromkeys(packet.channel for packet in capture.packets)
    return [Characteristic(key, key.partition("@")[0], "", frozenset({"notify"})) for key in channels]


def _ns(seconds: float) -> int:
    return round(seconds * 1_000_000_000)
