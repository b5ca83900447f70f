"""The log beside the readings: connections, gaps and clock steps, saved as they happen."""

import logging
from collections.abc import Mapping
from dataclasses import dataclass

from meterlink.ble.connection import MeterSession
from meterlink.ble.states import RadioState
from meterlink.core.clock import Clock, Timestamp
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.station.clock_steps import ClockStepDetector
from meterlink.station.drivers import profile_identity
from meterlink.station.packet_queue import DroppedPackets
from meterlink.store.rows import EndReason, GapCause, NewConnection, NewGap
from meterlink.store.writer import Writer

log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Link:
    """The latest connection of a meter. ``gap``: the cause of the present gap, None without one.

    Typed-in readings have a connection, too, but not ``by_radio``.
    """

    connection_id: int
    by_radio: bool
    ended: bool = False
    gap: GapCause | None = None


class ContinuityLog:
    """Hands connections, gaps and clock steps to the writer. No method waits."""

    def __init__(self, writer: Writer, clock: Clock) -> None:
        self._writer = writer
        self._clock = clock
        self._links: dict[str, _Link] = {}  # by the address of the connection
        self._clock_steps = ClockStepDetector()

    def open_connection(self, session: MeterSession, meter_id: int) -> int:
        """Save the connection of a session that has its first packet; return its row id."""
        profile, profile_hash = profile_identity(session.driver)
        new = NewConnection(meter_id, session.opened, session.driver_name, profile, profile_hash)
        return self._open(session.address, new, by_radio=True)

    def open_typed_in(self, meter: Meter, meter_id: int) -> int:
        """Save the beginning of typed-in readings; return the row id of their connection."""
        return self._open(meter.address, NewConnection(meter_id, self._clock.now(), meter.driver), by_radio=False)

    def set_radio_state(self, state: RadioState) -> None:
        """Save the ends of connections and the gaps that a new state of the radio shows."""
        now = self._clock.now()
        states = {meter.address: meter.state for meter in state.meters}
        for address, link in self._links.items():
            if not link.by_radio:
                continue
            match states.get(address):
                case None:  # the station does not want it any more
                    if not link.ended:
                        self._end(link, now, EndReason.DISCONNECTED)
                    self._end_gap(link, now)
                case ConnectionState.CONNECTED:
                    if link.gap is GapCause.METER_SILENT:
                        self._end_gap(link, now)
                case ConnectionState.SILENT:
                    if not link.ended and link.gap is None:
                        self._begin_gap(link, GapCause.METER_SILENT, now)
                case _:
                    if not link.ended:
                        self._end(link, now, EndReason.LINK_LOST)
                        self._begin_gap(link, GapCause.LINK_LOST, now)

    def add_drops(self, drops: Mapping[str, DroppedPackets]) -> None:
        """Save the packets that were dropped, by the address of their meter."""
        for address, dropped in drops.items():
            link = self._links.get(address)
            if link is not None:
                cause = GapCause.PACKETS_DROPPED
                self._writer.add_gap(NewGap(link.connection_id, cause, dropped.first, dropped.last, dropped.count))

    def check_clock(self) -> None:
        """Save a step of the wall clock since the last call."""
        step = self._clock_steps.check(self._clock.now())
        if step is not None:
            log.warning("The clock was set by %.3f s.", step.step_ns * 1e-9)
            self._writer.add_clock_step(step)

    def finish(self) -> None:
        """Save the ends of all connections: the station stops."""
        now = self._clock.now()
        for link in self._links.values():
            if not link.ended:
                self._end(link, now, EndReason.STATION_STOPPED)

    def _open(self, address: str, new: NewConnection, *, by_radio: bool) -> int:
        link = self._links.get(address)
        if link is not None:
            if not link.ended:
                self._end(link, new.connected, EndReason.LINK_LOST)
            self._end_gap(link, new.connected)
        self._links[address] = _Link(self._writer.open_connection(new), by_radio)
        return self._links[address].connection_id

    def _end(self, link: _Link, now: Timestamp, reason: EndReason) -> None:
        link.ended = True
        self._end_gap(link, now)
        self._writer.end_connection(link.connection_id, now, reason)

    def _begin_gap(self, link: _Link, cause: GapCause, now: Timestamp) -> None:
        link.gap = cause
        self._writer.add_gap(NewGap(link.connection_id, cause, now))

    def _end_gap(self, link: _Link, now: Timestamp) -> None:
        if link.gap is not None:
            self._writer.end_gap(link.connection_id, link.gap, now)
            link.gap = None
