"""The path of a reading: packet, driver, reading, test point, settling, verdict; then the committer has it."""

import logging
import uuid
from collections import Counter
from collections.abc import Callable, Iterable

from meterlink.ble.connection import ReceivedPacket
from meterlink.core.equipment import TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.settling.open_leads import is_few_counts
from meterlink.station.committer import Committer
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading
from meterlink.station.visit_judge import VisitJudge

log = logging.getLogger(__name__)

# Dropped packets are logged this often at most: a faulty meter must not fill the log.
DROP_LOG_PERIOD = 10.0  # s
# Probes in the air or touching each other give the same verdicts, so a person must accept such a reading.
AMBIGUOUS_VERDICTS = {Verdict.OPEN, Verdict.SHORTED, Verdict.OVER_RANGE}


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
        self._logged_drops: Counter[str] = Counter()

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

    def log_drops(self) -> None:
        """Log the packets dropped since the last call."""
        for address, total in self.packet_queue.dropped.items():
            if new := total - self._logged_drops[address]:
                log.warning("%s sends more packets than a display needs: %d dropped, %d in all", address, new, total)
                self._logged_drops[address] = total

    async def _process_packets(self, packets: Iterable[ReceivedPacket]) -> None:
        for packet in packets:
            session = packet.session
            tracker = self._trackers.current(session) or await self._trackers.tracker_of(session)
            if tracker is not None:
                self._process_packet(tracker, packet)

    def _process_packet(self, tracker: MeterTracker, packet: ReceivedPacket) -> None:
        session = packet.session
        try:
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
            self._current.visit.probes_removed(left_point)
        point = self._current.visit.point_for(tracker.address, reading)
        tracker.point_key = point.key if point else None
        tracker.judgement = None  # a reading that nobody looks at needs no verdict
        if tracker.settling.settled_reading is not None and point is not None:
            judgement = self._judge.judge_latest(tracker)
            if judgement is not None and needs_person(tracker, reading, judgement):
                tracker.ambiguous = True
            elif judgement is not None:
                self.accept(tracker, point, judgement, tracker.settling.settling_time)
                return
        self._committer.add_reading(tracker, reading, point)

    def accept(self, tracker: MeterTracker, point: TestPoint, judgement: Judgement, settled_in: float) -> int:
        """Accept the tracker's latest reading, which settled in ``settled_in`` s; return its number in the visit.

        The commit follows.
        """
        reading = tracker.latest
        assert reading is not None  # noqa: S101  # only called after a reading
        tracker.accept(reading, point.key)
        accepted = AcceptedReading(
            reading, judgement, tracker.name, settled_in, self._current.visit.new_number(), str(uuid.uuid4()),
            self._trackers.meter(tracker.address).address,
        )  # fmt: skip
        self._committer.commit_accepted(tracker, point, accepted)
        return accepted.number


def needs_person(tracker: MeterTracker, reading: Reading, judgement: Judgement) -> bool:
    """Return whether a person must say that the probes are on the terminals.

    Few volts where limits ask for many are as likely one probe in the air.
    """
    if tracker.settling.unproven or judgement.verdict in AMBIGUOUS_VERDICTS:
        return True
    expects_many = judgement.limits is not None and bool(judgement.limits.low)
    return expects_many and reading.quantity is Quantity.VOLTAGE and is_few_counts(reading)
