"""Collecting during one visit: the stages of the pipeline put together."""

import asyncio
from collections.abc import Callable
from decimal import Decimal

from meterlink.ble.states import RadioState
from meterlink.core.clock import Clock
from meterlink.core.equipment import TestPoint
from meterlink.judge.decision_rules import DecisionRule
from meterlink.link.messages import Message, MetersView
from meterlink.link.pacing import PacedAction
from meterlink.station.assignment import Assignment
from meterlink.station.committer import Committer, OnAccepted
from meterlink.station.config import PublishingConfig
from meterlink.station.continuity import ContinuityLog
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.known_meters import KnownMeters
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.pipeline import DROP_LOG_PERIOD, Pipeline
from meterlink.station.repair_commands import RepairCommands
from meterlink.station.view_sender import ViewSender
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.station.visit_commands import VisitCommands
from meterlink.station.visit_judge import VisitJudge
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer

# A step of the wall clock is found within two of these.
CLOCK_CHECK_PERIOD = 1.0  # s
# A database file that was removed, moved or replaced is noticed within this time, also while no meter sends: a person
# who sees 'kept' a second later can rely on it. The look costs four file status calls.
FILE_CHECK_PERIOD = 0.5  # s
# Watchers draw at most twenty times a second.
VIEW_INTERVAL = 0.05  # s


class Collection:
    """Packets go through the pipeline to the committer, committed readings to the views; no stage calls one before it.

    ``send_view`` receives a view each time it may have changed, while ``is_watched()`` is true; ``on_accepted``
    receives every accepted reading after its commit. ``celsius`` is the ambient temperature of the meters, None for 18
    to 28 °C.
    """

    def __init__(
        self,
        current: CurrentVisit,
        writer: Writer,
        reader: Reader,
        send_view: Callable[[Message], None],
        on_accepted: OnAccepted,
        *,
        known: KnownMeters,
        celsius: Decimal | None,
        clock: Clock,
        publishing: PublishingConfig | None,
        packet_queue: PacketQueue,
        is_watched: Callable[[], bool],
    ) -> None:
        self.current = current
        self._writer = writer
        self.packet_queue = packet_queue
        self._on_accepted = on_accepted
        self._is_watched = is_watched
        self._continuity = ContinuityLog(writer, clock)
        self.trackers = self._trackers = MeterTrackers(current, writer, known, self._continuity)
        self._judge = VisitJudge(current, known, celsius)
        self._views = ViewSender(current, self._trackers, known, send_view, packet_queue.dropped)
        self._pace = PacedAction(self.show, VIEW_INTERVAL)
        self._committer = Committer(current, writer, self._trackers, self._on_committed, publishing)
        self._pipeline = Pipeline(
            current, self._trackers, self._committer, self._judge, packet_queue, self._request_show
        )
        self.commands = VisitCommands(
            current,
            self._trackers,
            self._judge,
            self._pipeline,
            self._committer,
            clock,
            update_diagnosis=self._views.update_diagnosis,
            request_show=self._request_show,
        )
        self.assignment = Assignment(current, self._committer, self._judge, reader)
        self.repairs = RepairCommands(
            current,
            self._trackers,
            writer,
            self.commands,
            clock,
            update_diagnosis=self._views.update_diagnosis,
            show_stock=self._views.set_stock,
        )

    def set_publishing(self, publishing: PublishingConfig | None) -> None:
        """Make messages for a broker of later readings in this way; None makes none."""
        self._committer.set_publishing(publishing)

    def set_judge(self, capacitor_tolerance: str, rule: DecisionRule, celsius: Decimal | None) -> None:
        """Judge the active visit by another tolerance, rule and ambient temperature from now on."""
        self.current.visit.set_judge(capacitor_tolerance, rule)
        self._judge.set_ambient(celsius)

    async def run(self) -> None:
        """Handle packets until cancelled; `finish` commits the rest."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._pipeline.run(), name="collection-packets")
            group.create_task(_repeat_every(DROP_LOG_PERIOD, self._report_drops), name="collection-drops")
            group.create_task(_repeat_every(FILE_CHECK_PERIOD, self._writer.check_files), name="collection-files")
            group.create_task(_repeat_every(CLOCK_CHECK_PERIOD, self._continuity.check_clock), name="collection-clock")

    async def finish(self) -> None:
        """Handle the waiting packets; return when everything is committed, or when saving fails."""
        self._pace.cancel()
        await self._pipeline.finish()
        self._report_drops()
        await self._committer.finish()
        self._continuity.finish()

    async def wait_until_handled(self) -> None:
        """Return when all packets in the queue have been handled and all accepted readings are committed."""
        await self._pipeline.wait_until_handled()

    async def wait_for_commits(self) -> None:
        """Return when every commit has succeeded or failed; closing the writer ends those that still wait."""
        await self._committer.wait_for_commits()

    def set_saving_failed(self, *, failed: bool) -> None:
        """Record whether the writer fails to save now; `finish` does not wait for a failing writer."""
        self._committer.set_saving_failed(failed=failed)

    def set_radio_state(self, state: RadioState) -> None:
        """Record the radio's new state and send it to watchers."""
        self._continuity.set_radio_state(state)
        concerns_advice = self._views.set_radio_state(state)
        if self._is_watched():
            self._views.send_meters()
        if concerns_advice:
            self._request_show()

    def meters(self) -> MetersView:
        """Return the present state of the meters."""
        return self._views.meters()

    def show_meter_facts(self) -> None:
        """Show the present names of the meters."""
        self._trackers.update_names()
        self._request_show()

    def change_visit(self, visit: ActiveVisit) -> None:
        """Make ``visit`` the active one: later readings belong to it. Every meter measures anew."""
        self._committer.flush()
        self.current.visit = visit
        self._trackers.leave_visit()
        self._views.show_current_visit()
        self.show()

    def show(self) -> None:
        """Judge the reading on the screen and send all views, for a command or for a new watcher."""
        tracker = self._trackers.displayed
        if tracker is not None:
            self._judge.judge_latest(tracker)
        self._views.send_all()

    def _request_show(self) -> None:
        """Send all views as soon as `VIEW_INTERVAL` allows, if somebody watches."""
        if self._is_watched():
            self._pace.request()

    def _on_committed(self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading) -> None:
        self._views.add_accepted(visit, point, accepted)
        self._on_accepted(point, accepted)
        if self._is_watched():  # at once: this is the moment a person waits for, and it comes once in a measurement
            self.show()
        self.commands.plan_advance_after_entry(accepted)

    def _report_drops(self) -> None:
        self._continuity.add_drops(self.packet_queue.drain_drops())


async def _repeat_every(period: float, action: Callable[[], None]) -> None:
    while True:
        await asyncio.sleep(period)
        action()
