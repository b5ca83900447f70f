"""The path of a reading: packet, driver, reading, test point, settling, verdict; then the committer has it."""

import logging
import uuid
from collections.abc import Callable, Iterable

from meterlink.ble.connection import ReceivedPacket
from meterlink.core.equipment import TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement
from meterlink.driver_api import JoiningDriver
from meterlink.station.acceptance import judge_settled, with_lead_proof
from meterlink.station.committer import Committer
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.departure import Departure
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.second_meter import companion_for
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading
from meterlink.station.visit_judge import VisitJudge

log = logging.getLogger(__name__)

# Dropped packets are logged this often at most: a faulty meter must not fill the log.
DROP_LOG_PERIOD = 10.0  # s


class Pipeline:
    """Turns the packets of all meters into readings, judges the settled ones, and hands all to the committer.

    ``request_views`` is called when waiting packets have been handled.
    """

    def __init__(
        self,
        current: CurrentVisit,
        trackers: MeterTrackers,
        committer: Committer,
        visit_judge: VisitJudge,
        packet_queue: PacketQueue,
        request_views: Callable[[], None],
    ) -> None:
        self.packet_queue = packet_queue
        self._request_views = request_views
        self._current = current
        self._trackers = trackers
        self._committer = committer
        self._judge = visit_judge

    async def run(self) -> None:
        """Handle packets until cancelled; `finish` handles the rest."""
        while True:
            await self._process_packets(await self.packet_queue.drain())
            self.packet_queue.mark_handled()
            self._request_views()

    async def finish(self) -> None:
        """Handle the waiting packets."""
        await self._process_packets(self.packet_queue.drain_nowait())

    async def wait_until_handled(self) -> None:
        """Return when all packets in the queue have been handled and all accepted readings are committed."""
        await self.packet_queue.wait_until_handled()
        await self._committer.wait_for_commits()

    async def _process_packets(self, packets: Iterable[ReceivedPacket]) -> None:
        for packet in packets:
            session = packet.session
            tracker = self._trackers.current(session) or await self._trackers.tracker_of(session)
            if tracker is not None:
                self._process_packet(tracker, packet)

    def _process_packet(self, tracker: MeterTracker, packet: ReceivedPacket) -> None:
        session = packet.session
        try:
            if packet.after_loss and isinstance(session.driver, JoiningDriver):
                session.driver.lose_packets()
            readings = list(session.driver.feed(packet.channel, packet.data, packet.timestamp))
        except Exception:
            # A driver may be foreign code: its error loses the packet, not the station.
            log.exception("driver %s failed on %s", session.driver_name, packet.data.hex())
            return
        for reading in readings:
            self._process_reading(tracker, reading)

    def _process_reading(self, tracker: MeterTracker, reading: Reading) -> None:
        if reading.quantity is Quantity.BATTERY:
            tracker.set_battery(reading)
            return
        left_point = tracker.add_reading(reading)
        if left_point is not None:
            self._leave_point(tracker, reading, left_point)
        point = self._point_for(tracker, reading)
        tracker.point_key = point.key if point else None
        tracker.judgement = None  # a reading that nobody looks at needs no verdict
        judgement = judge_settled(tracker, reading, self._judge.judge_latest) if point is not None else None
        if point is None or judgement is None:
            self._committer.add_reading(tracker, reading, point)
        else:
            self.accept(tracker, point, judgement, tracker.contact_time)

    def _point_for(self, tracker: MeterTracker, reading: Reading) -> TestPoint | None:
        """Return the test point of the newest reading: the active one, that of a pin, or one to read beside it."""
        visit = self._current.visit
        if tracker.settling.probes_touched:
            tracker.focus_at_contact = visit.focus
        if tracker.is_proving:
            return None
        point = visit.point_for(tracker.address, reading)
        if point is not None:
            return point
        companion = companion_for(visit, tracker, self._trackers.beside(tracker))
        if companion is not None and tracker.point_key != companion.key and tracker.settled_for_nothing:
            tracker.restart()  # it settled before the other meter was at the active point
        return companion

    def _leave_point(self, tracker: MeterTracker, reading: Reading, left_point: str) -> None:
        """Move the focus on, or measure the point again, to which the probes have returned at once."""
        visit = self._current.visit
        if tracker.departure in {Departure.RETURNED, Departure.MOVED}:
            tracker.again_at = visit.probes_returned(left_point, reading)
        if tracker.departure is Departure.RETURNED and visit.focus == left_point:
            tracker.repeat_at(left_point)
        else:
            visit.probes_removed(left_point)

    def accept(self, tracker: MeterTracker, point: TestPoint, judgement: Judgement, settled_in: float) -> int:
        """Accept the tracker's latest reading, which settled in ``settled_in`` s; return its number in the visit.

        The commit follows.
        """
        reading = tracker.latest
        assert reading is not None  # noqa: S101  # only called after a reading
        judgement = with_lead_proof(tracker, judgement)
        tracker.accept(reading, point.key)
        accepted = AcceptedReading(
            reading, judgement, tracker.name, settled_in, self._current.visit.new_number(), str(uuid.uuid4()),
            self._trackers.meter(tracker.address).address,
        )  # fmt: skip
        self._committer.commit_accepted(tracker, point, accepted)
        return accepted.number
