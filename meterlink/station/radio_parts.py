"""All that a station needs to reach its meters: drivers, radio, discovery, teaching."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from meterlink.ble.connection import ReceivedPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import RadioState
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.link.messages import Message
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers, log_failures, profile_of
from meterlink.station.known_meters import KnownMeters
from meterlink.station.station_config import StationConfig
from meterlink.station.teaching import Teaching
from meterlink.store.reader import Reader

if TYPE_CHECKING:
    from meterlink.profiles import Profile


@dataclass(frozen=True, slots=True)
class RadioParts:
    """The parts of a station that reach its meters."""

    drivers: Drivers
    radio: Radio
    discovery: MeterDiscovery
    teaching: Teaching

    async def reconnect(self, changed: "Mapping[str, Profile | None]") -> None:
        """Connect the meters again whose profile has changed, and those without a fitting driver.

        ``changed`` is ``{factory name: changed profile, or None if removed}``.
        """
        for status in self.radio.state.meters:
            factory, meter = self.radio.configured_driver(status.address), self.radio.known_meter(status.address)
            if meter is None or self.teaching.is_teaching(status.address):
                continue
            profile = profile_of(factory)
            if factory is not None and profile is not None and changed.get(factory.name) == profile:
                continue  # it was taught just now, and uses this profile already
            if status.driver in changed or status.state is ConnectionState.UNUSABLE:
                self.radio.set_driver(status.address, self.drivers.configured.get(status.address.upper()))
                await self.radio.remove_meter(status.address)
                self.radio.add_meter(meter)


async def load_radio_parts(
    config: StationConfig,
    known: KnownMeters,
    meters: Iterable[Meter],
    reader: Reader,
    *,
    on_packet: Callable[[ReceivedPacket], None],
    on_state_change: Callable[[RadioState], None],
    send_view: Callable[[Message], None],
    keep_driver: Callable[[str, str], Awaitable[None]],
) -> RadioParts:
    """Load the drivers, and return the parts for a radio that connects ``meters``; it does not run yet.

    Raises:
        SettingsError: the settings name a profile that is missing or has an error.
    """
    drivers = await asyncio.to_thread(Drivers.load, config.folder, known, config.settings.meters)
    log_failures(drivers.loaded)
    radio = Radio(
        clock=config.clock,
        choose_driver=drivers.choose,
        on_packet=on_packet,
        on_state_change=on_state_change,
        known_meters=meters,
        adopt=config.adopt,
        adapter=config.settings.adapter,
        scanner_backend=config.scanner_backend,
        client_backend=config.client_backend,
        jitter=config.jitter,
        configured_drivers=drivers.configured,
    )
    discovery = MeterDiscovery(radio, drivers, reader.known_meters, lambda: radio.state.meters)
    teaching = Teaching(
        radio, discovery, drivers, config.folder, clock=config.clock, send_view=send_view, keep_driver=keep_driver
    )
    return RadioParts(drivers, radio, discovery, teaching)
