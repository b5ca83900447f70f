"""The trackers of a station's meters, by address."""

import asyncio
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TypeVar

from meterlink.ble.connection import MeterSession
from meterlink.core.calibration import Calibration
from meterlink.core.equipment import Meter
from meterlink.core.readings import MANUAL_ENTRY, Phase
from meterlink.judge.accuracy import AccuracySheet
from meterlink.station.config import JudgingConfig
from meterlink.station.continuity import ContinuityLog
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.tracker import MeterTracker
from meterlink.store.writer import Writer

_Setting = TypeVar("_Setting")

# A meter without a reading for this long is not the one in use, if another meter has one.
ACTIVE_WITHIN = 3.0  # s


class MeterTrackers:
    """Gives each meter its tracker, its row in the database and its name.

    ``names`` is ``{address in lower case: name}``.
    """

    def __init__(self, current: CurrentVisit, writer: Writer, config: JudgingConfig, continuity: ContinuityLog) -> None:
        self._continuity = continuity
        self._current = current
        self._writer = writer
        self._config = config
        self.names = dict(config.meter_names)
        self._trackers: dict[str, MeterTracker] = {}
        self._meters: dict[str, Meter] = {}
        self._sessions: dict[str, MeterSession] = {}

    def __iter__(self) -> Iterator[MeterTracker]:
        return iter(self._trackers.values())

    def get(self, address: str) -> MeterTracker | None:
        """Return the tracker of the meter at ``address``, None before its first packet."""
        return self._trackers.get(address)

    def current(self, session: MeterSession) -> MeterTracker | None:
        """Return the tracker of a session that is its meter's newest, None for the first packet of a session."""
        return self._trackers[session.address] if self._sessions.get(session.address) is session else None

    def meter(self, address: str) -> Meter:
        """Return the meter at ``address``, with the address under which it is stored.

        Raises:
            KeyError: the meter has no tracker.
        """
        return self._meters[address]

    def accuracy_sheet(self, tracker: MeterTracker) -> AccuracySheet | None:
        """Return the meter's accuracy sheet from the settings, None without one."""
        return self._setting_of(tracker, self._config.accuracy_sheets)

    def calibration(self, tracker: MeterTracker) -> Calibration | None:
        """Return the meter's calibration from the settings, None without one."""
        return self._setting_of(tracker, self._config.calibrations)

    def accuracy_sheet_at(self, address: str) -> AccuracySheet | None:
        """Return the accuracy sheet of the meter whose first address this is, None without one."""
        return self._setting_at(address, self._config.accuracy_sheets)

    def calibration_at(self, address: str) -> Calibration | None:
        """Return the calibration of the meter whose first address this is, None without one."""
        return self._setting_at(address, self._config.calibrations)

    def _setting_at(self, first_address: str, settings: Mapping[str, _Setting]) -> _Setting | None:
        present = [address for address, meter in self._meters.items() if meter.address == first_address]
        values = (settings.get(address.lower()) for address in (first_address, *present))
        return next((value for value in values if value is not None), None)

    def _setting_of(self, tracker: MeterTracker, settings: Mapping[str, _Setting]) -> _Setting | None:
        addresses = (tracker.address, self._meters[tracker.address].address)
        values = (settings.get(address.lower()) for address in addresses)
        return next((value for value in values if value is not None), None)

    async def tracker_of(self, session: MeterSession) -> MeterTracker | None:
        """Return the tracker of a session's meter, started again for a new session; None if the session has ended."""
        tracker = self._trackers.get(session.address)
        if tracker is None:
            alias = self.names.get(session.address.lower(), "")
            name = alias or session.name or session.address
            meter = Meter(session.address, name, session.driver_name, session.serial, session.service)
            tracker = await self.register(meter, has_alias=bool(alias))
        if self._sessions.get(session.address) is not session:
            if session.closed:
                return None  # a late packet of a closed connection
            self._sessions[session.address] = session
            tracker.connection_id = self._continuity.open_connection(session, tracker.meter_id)
            tracker.restart()
        return tracker

    def leave_visit(self) -> None:
        """Let every meter measure anew: the present measurements belong to the visit before."""
        for tracker in self:
            tracker.leave_visit()
            if tracker.address == MANUAL_ENTRY:
                tracker.latest = None  # a meter goes on showing its value, a typed one was of that visit
        for address, meter in self._meters.items():
            self._copy_pin(meter.address, address)

    async def register(self, meter: Meter, *, has_alias: bool) -> MeterTracker:
        """Return a new tracker; a meter that is known under another address keeps its row, name and pin."""
        connected_ids = {
            tracker.meter_id
            for address, tracker in self._trackers.items()
            if address in self._sessions and not self._sessions[address].closed
        }
        registration = self._writer.get_or_create_meter(meter, name_given=has_alias, connected_ids=connected_ids)
        known = await asyncio.wrap_future(registration)
        name = self.names.get(known.first_address.lower(), known.name)
        self._meters[meter.address] = replace(meter, address=known.first_address, name=name)
        self._copy_pin(known.first_address, meter.address)
        tracker = self._trackers[meter.address] = MeterTracker(meter.address, name, known.id)
        return tracker

    def _copy_pin(self, first_address: str, address: str) -> None:
        """Pin a meter at its present address to the test point that it is pinned to by its first one."""
        pins = self._current.visit.pins
        if first_address in pins:
            pins.setdefault(address, pins[first_address])

    async def register_typed_in(self, meter: Meter) -> MeterTracker:
        """Return a new tracker for readings that a person types in."""
        tracker = await self.register(meter, has_alias=True)
        tracker.connection_id = self._continuity.open_typed_in(meter, tracker.meter_id)
        return tracker

    def rename(self, address: str, name: str) -> None:
        """Rename the meter at ``address``; a name in the settings takes precedence."""
        name = self._config.meter_names.get(address.lower(), name)
        self.names[address.lower()] = name
        tracker = self._trackers.get(address)
        if tracker is not None:
            tracker.name = name
            self._meters[address] = replace(self._meters[address], name=name)

    @property
    def active(self) -> list[MeterTracker]:
        """The meters in use: those with a reading in the last `ACTIVE_WITHIN` before the newest of all."""
        newest = max((tracker.last_reading_at for tracker in self), default=0.0)
        return [tracker for tracker in self if tracker.last_reading_at >= newest - ACTIVE_WITHIN]

    def beside(self, tracker: MeterTracker | None) -> list[MeterTracker]:
        """Return the other meters in use; a typed value is of none."""
        return [other for other in self.active if other is not tracker and other.address != MANUAL_ENTRY]

    @property
    def displayed(self) -> MeterTracker | None:
        """The meter to show: the meter at the active test point, else an idle meter, else one at another point."""
        return max(self.active, key=self._display_priority, default=None)

    def _display_priority(self, tracker: MeterTracker) -> tuple[bool, bool, bool]:
        focus, measuring = self._current.visit.focus, tracker.settling.phase is not Phase.IDLE
        if focus is None:
            return False, False, measuring
        return measuring and tracker.point_key == focus, tracker.point_key == focus, not measuring
