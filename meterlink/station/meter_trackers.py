"""The trackers of a station's meters, by address."""

import asyncio
from collections.abc import Iterator
from dataclasses import replace

from meterlink.ble.connection import MeterSession
from meterlink.core.equipment import Meter
from meterlink.core.readings import MANUAL_ENTRY, Phase
from meterlink.station.continuity import ContinuityLog
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.known_meters import KnownMeters
from meterlink.station.tracker import MeterTracker
from meterlink.store.writer import Writer

# A meter without a reading for this long is not the one in use, if another meter has one.
ACTIVE_WITHIN = 3.0  # s


class MeterTrackers:
    """Gives each meter its tracker, its row in the database and its name."""

    def __init__(self, current: CurrentVisit, writer: Writer, known: KnownMeters, continuity: ContinuityLog) -> None:
        self._continuity = continuity
        self._current = current
        self._writer = writer
        self._known = known
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

    async def tracker_of(self, session: MeterSession) -> MeterTracker | None:
        """Return the tracker of a session's meter, started again for a new session; None if the session has ended."""
        tracker = self._trackers.get(session.address)
        if tracker is None:
            alias = self._known.name_at(session.address)
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
        for address in self._meters:
            self._copy_pin(address)

    async def register(self, meter: Meter, *, has_alias: bool) -> MeterTracker:
        """Return a new tracker; a meter that is known under another address keeps its row, name and pin."""
        connected_ids = {
            tracker.meter_id
            for address, tracker in self._trackers.items()
            if address in self._sessions and not self._sessions[address].closed
        }
        registration = self._writer.get_or_create_meter(meter, name_given=has_alias, connected_ids=connected_ids)
        registered = await asyncio.wrap_future(registration)
        self._known.link(meter.address, registered.first_address)
        name = self._known.name_at(meter.address) or registered.name
        self._meters[meter.address] = replace(meter, address=registered.first_address, name=name)
        self._copy_pin(meter.address)
        tracker = self._trackers[meter.address] = MeterTracker(meter.address, name, registered.id)
        return tracker

    def _copy_pin(self, address: str) -> None:
        """Pin the meter at ``address`` to the test point to which its other addresses are pinned."""
        pins = self._current.visit.pins
        keys = (pins[known] for known in self._known.at(address).addresses if known in pins)
        if (key := next(keys, None)) is not None:
            pins[address] = key

    async def register_typed_in(self, meter: Meter) -> MeterTracker:
        """Return a new tracker for readings that a person types in."""
        tracker = await self.register(meter, has_alias=True)
        tracker.connection_id = self._continuity.open_typed_in(meter, tracker.meter_id)
        return tracker

    def update_names(self) -> None:
        """Give every meter the name that is known now."""
        for address, tracker in self._trackers.items():
            if name := self._known.name_at(address):
                tracker.name = name
                self._meters[address] = replace(self._meters[address], name=name)

    def judge_anew(self, address: str) -> None:
        """Forget the verdict on the present reading of the meter with this address, so that it is judged again."""
        for tracker in self._trackers.values():
            if self._known.at(tracker.address) is self._known.at(address):
                tracker.judgement = None

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
