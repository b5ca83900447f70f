"""Reading the settings again while the station runs, and putting them in force."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from meterlink.ble.radio import Radio
from meterlink.core.equipment import Meter
from meterlink.core.errors import SettingsError
from meterlink.core.notices import NoticeLevel
from meterlink.core.text import count_phrase
from meterlink.settings import MeterSettings, Settings, load_settings
from meterlink.station.collection import Collection
from meterlink.station.drivers import Drivers, check_profiles, configured_drivers
from meterlink.station.known_meters import KnownMeters
from meterlink.station.meter_commands import MeterCommands
from meterlink.station.publishing import Publishing
from meterlink.station.visit_desk import VisitDesk, pin_meters

log = logging.getLogger(__name__)


class SettingsReload:
    """Puts changed settings in force: meters and their facts, the judge, the broker, the adapter.

    An open visit is judged again where its limits, rule or accuracy are others now, as after a restart. The name of the
    station counts from its next start. Keys and firm are read anew by those who use them.
    ``report(level, text)`` gets the fault of settings that cannot be used, and an empty text once they can; until then
    those before stay in force.
    """

    def __init__(
        self,
        folder: Path,
        settings: Settings,
        known: KnownMeters,
        collection: Collection,
        desk: VisitDesk,
        *,
        meter_commands: MeterCommands,
        drivers: Drivers,
        radio: Radio,
        publishing: Publishing,
        is_taught: Callable[[str], bool],
        report: Callable[[NoticeLevel, str], None],
    ) -> None:
        self.settings = settings
        self._folder = folder
        self._known = known
        self._collection = collection
        self._desk = desk
        self._meter_commands = meter_commands
        self._drivers = drivers
        self._radio = radio
        self._publishing = publishing
        self._is_taught = is_taught
        self._report = report
        self._lock = asyncio.Lock()  # a second request reads the file after the first is done

    async def reload(self) -> None:
        """Read the settings again, and put the changes in force."""
        async with self._lock:
            try:
                settings = await asyncio.to_thread(load_settings, self._folder)
                check_profiles(self._drivers.loaded, settings.meters)
                changed = await self._put_in_force(settings)
            except SettingsError as error:
                text = f"The settings were not read again; those before stay in force. {error}"
                self._report(NoticeLevel.WARNING, text)
                return
            self._report(NoticeLevel.INFO, "")
            log.info("The settings were read again: %s.", ", ".join(changed) or "nothing has changed")

    async def _put_in_force(self, settings: Settings) -> list[str]:
        """Return the changes in words.

        Raises:
            SettingsError: the broker's settings cannot be used; nothing has changed then.
        """
        before, changed = self.settings, []
        # First, as it may fail. A connection that waits is tried again: a password file may have been corrected.
        if settings.mqtt != before.mqtt or self._publishing.state not in {"", "online"}:
            self._collection.set_publishing(await self._publishing.apply(settings.mqtt))
            changed.append("broker")
        # The name is in topics, in the database and in the dashboards that are open.
        if settings.station != before.station:
            log.warning("The station is called %s until its next start.", before.station)
        settings = replace(settings, station=before.station)
        if settings == before:
            return changed
        # The time of the file decides, too: where a technician's entry is older, that of the settings counts.
        self.settings = settings
        self._desk.set_settings(settings)
        if settings.adapter != before.adapter:
            self._radio.use_adapter(settings.adapter)
            changed.append("Bluetooth adapter")
        self._collection.set_judge(settings.capacitor_tolerance, settings.rule, settings.ambient_celsius)
        await self._change_meters(before.meters, settings.meters)
        judged = await self._desk.judge_open_visits()
        self._collection.show()
        if settings.meters != before.meters:
            changed.append("meters")
        if settings.keeping != before.keeping:
            changed.append("keeping")
        if judged:
            changed.append(f"{count_phrase(judged, 'new verdict')} in open visits")
        return changed

    async def _change_meters(self, before: Sequence[MeterSettings], after: Sequence[MeterSettings]) -> None:
        self._known.set_settings(self.settings)
        self._collection.current.visit.pins.clear()
        pin_meters(self._collection.current.visit, self._known)
        self._drivers.configured = configured_drivers(self._drivers.loaded, self._known)
        profiles = {meter.address: meter.profile for meter in before}
        self._meter_commands.set_configured(meter.address for meter in after)
        for address in profiles.keys() - {meter.address for meter in after}:
            if not self._meter_commands.is_wanted(address):
                await self._radio.remove_meter(address)
        for meter in after:
            connected = self._radio.known_meter(meter.address) or Meter(meter.address, meter.name)
            if profiles.get(meter.address, "") != meter.profile and not self._is_taught(meter.address):
                self._radio.set_driver(meter.address, self._drivers.configured.get(meter.address))
                await self._radio.remove_meter(meter.address)
            self._radio.add_meter(connected)
        self._collection.show_meter_facts()
