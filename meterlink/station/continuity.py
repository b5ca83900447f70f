"""The log beside the readings: connections, gaps and clock steps, saved as they happen."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from meterlink.ble.connection import MeterSession
from meterlink.ble.states import RadioState
from meterlink.core.clock import Clock, Timestamp, suspended_ns
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.core.text import count_phrase
from meterlink.station.clock_steps import ClockStepDetector
from meterlink.station.drivers import profile_identity
from meterlink.station.packet_queue import DroppedPackets
from meterlink.store.rows import EndReason, GapCause, NewConnection, NewGap
from meterlink.store.writer import Writer

log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Link:
    """The latest connection of a meter ``name``. ``gap``: the present gap, None without one.

    Typed-in readings have a connection, too, but not ``by_radio``.
    """

    connection_id: int
    name: str
    by_radio: bool
    ended: bool = False
    gap: NewGap | None = None


class ContinuityLog:
    """Hands connections, gaps and clock steps to the writer. No method waits."""

    def __init__(self, writer: Writer, clock: Clock, slept_ns: Callable[[], int] = suspended_ns) -> None:
        self._writer = writer
        self._clock = clock
        self._slept_ns = slept_ns
        self._links: dict[str, _Link] = {}  # by the address of the connection
        self._clock_steps = ClockStepDetector()
        self._clock_steps.check(clock.now(), slept_ns())  # so that a step right after the start is one, too

    def open_connection(self, session: MeterSession, meter_id: int) -> int:
        """Save the connection of a session that has its first packet; return its row id."""
        profile, profile_hash = profile_identity(session.driver)
        new = NewConnection(meter_id, session.opened, session.driver_name, profile, profile_hash)
        return self._open(Meter(session.address, session.name), new, by_radio=True)

    def open_typed_in(self, meter: Meter, meter_id: int) -> int:
        """Save the beginning of typed-in readings; return the row id of their connection."""
        return self._open(meter, NewConnection(meter_id, self._clock.now(), meter.driver), by_radio=False)

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
                    if link.gap is not None and link.gap.cause is GapCause.METER_SILENT:
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
                log.warning("%s: %s", link.name, _dropped_text(dropped))

    def check_clock(self) -> None:
        """Save a step of the wall clock since the last call."""
        step = self._clock_steps.check(self._clock.now(), self._slept_ns())
        if step is not None:
            log.warning("The clock was set by %.3f s.", step.step_ns * 1e-9)
            self._writer.add_clock_step(step)

    def finish(self) -> None:
        """Save the ends of all connections: the station stops."""
        now = self._clock.now()
        for link in self._links.values():
            if not link.ended:
                self._end(link, now, EndReason.STATION_STOPPED)
            self._end_gap(link, now)

    def _open(self, meter: Meter, new: NewConnection, *, by_radio: bool) -> int:
        link = self._links.get(meter.address)
        if link is not None:
            if not link.ended:
                self._end(link, new.connected, EndReason.LINK_LOST)
            self._end_gap(link, new.connected)
        opened = _Link(self._writer.open_connection(new), meter.name or meter.address, by_radio)
        self._links[meter.address] = opened
        return opened.connection_id

    def _end(self, link: _Link, now: Timestamp, reason: EndReason) -> None:
        link.ended = True
        self._end_gap(link, now)
        self._writer.end_connection(link.connection_id, now, reason)

    def _begin_gap(self, link: _Link, cause: GapCause, now: Timestamp) -> None:
        link.gap = NewGap(link.connection_id, cause, now)
        self._writer.add_gap(link.gap)

    def _end_gap(self, link: _Link, now: Timestamp) -> None:
        if link.gap is not None:
            cause, began = link.gap.cause, link.gap.began
            self._writer.end_gap(link.connection_id, cause, now)
            log.info("%s: no readings for %.1f s: %s", link.name, (now.monotonic_ns - began.monotonic_ns) / 1e9, cause)
            link.gap = None


def _dropped_text(dropped: DroppedPackets) -> str:
    seconds = (dropped.last.monotonic_ns - dropped.first.monotonic_ns) / 1e9
    reasons = []
    if too_fast := dropped.count - dropped.waiting:
        reasons.append(f"{too_fast} came faster than a display can change")
    if dropped.waiting:
        reasons.append(f"{dropped.waiting} came while this machine was too slow")
    return f"{count_phrase(dropped.count, 'packet')} dropped in {seconds:.1f} s: {', '.join(reasons)}"
