"""The path of a reading: packet, driver, reading, test point, settling, verdict; then the committer has it."""

import contextlib
import logging
from collections import Counter
from decimal import Decimal

from meterlink.ble.connection import ReceivedPacket
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.station.committer import Committer
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading, ActiveVisit

log = logging.getLogger(__name__)

# Dropped packets are logged this often at most: a faulty meter must not fill the log.
DROP_LOG_PERIOD = 10.0  # s
# Probes in the air or touching each other give the same verdicts, so a person must accept such a reading.
AMBIGUOUS_VERDICTS = {Verdict.OPEN, Verdict.SHORTED}


class Pipeline:
    """Turns the packets of all meters into judged readings, and hands them to the committer.

    ``celsius`` is the ambient temperature of the meters, None for 18 to 28 °C.
    """

    def __init__(
        self,
        visit: ActiveVisit,
        trackers: MeterTrackers,
        committer: Committer,
        packet_queue: PacketQueue,
        celsius: Decimal | None,
    ) -> None:
        self.packet_queue = packet_queue
        self._visit = visit
        self._trackers = trackers
        self._committer = committer
        self._celsius = celsius
        self._logged_drops: Counter[str] = Counter()

    async def run(self) -> None:
        """Handle packets until cancelled; `finish` handles the rest."""
        while True:
            for packet in await self.packet_queue.drain():
                await self._process_packet(packet)
            self.packet_queue.mark_handled()

    async def finish(self) -> None:
        """Handle the waiting packets."""
        for packet in self.packet_queue.drain_nowait():
            await self._process_packet(packet)

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

    async def _process_packet(self, packet: ReceivedPacket) -> None:
        session = packet.session
        tracker = await self._trackers.tracker_of(session)
        if tracker is None:
            return
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
            self._visit.probes_removed(left_point)
        point = self._visit.point_for(tracker.address, reading)
        tracker.point_key = point.key if point else None
        tracker.judgement = self._judge_if_possible(tracker, point, reading)
        if tracker.settling.settled_reading is not None and point is not None and tracker.judgement is not None:
            if tracker.judgement.verdict in AMBIGUOUS_VERDICTS:
                tracker.ambiguous = True
            else:
                self.accept(tracker, point, tracker.judgement, tracker.settling.settling_time)
                return
        self._committer.add_reading(tracker, reading, point)

    def _judge_if_possible(self, tracker: MeterTracker, point: TestPoint | None, reading: Reading) -> Judgement | None:
        if point is None or reading.status is Status.INVALID or not reading.is_judgeable:
            return None
        with contextlib.suppress(InputError):  # a negative resistance has no verdict
            return self.judge(tracker, point, reading)
        return None

    def judge(self, tracker: MeterTracker, point: TestPoint, reading: Reading) -> Judgement:
        """Return the judgement on a reading at ``point``, by the limits and the rule of the visit.

        Raises:
            InputError: the reading is impossible for its quantity.
        """
        return judge(
            point.kind,
            self._visit.limits[point.key],
            MeasuredValue.from_reading(reading),
            self._trackers.accuracy_sheet(tracker),
            rule=self._visit.rules[point.key],
            celsius=self._celsius,
        )

    def accept(self, tracker: MeterTracker, point: TestPoint, judgement: Judgement, settled_in: float) -> int:
        """Accept the tracker's latest reading, which settled in ``settled_in`` s; return its number in the visit.

        The commit follows.
        """
        reading = tracker.latest
        assert reading is not None  # noqa: S101  # only called after a reading
        tracker.accept(reading, point.key)
        accepted = AcceptedReading(reading, judgement, tracker.name, settled_in, self._visit.new_number())
        self._committer.commit_accepted(tracker, point, accepted)
        return accepted.number
