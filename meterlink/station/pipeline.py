"""The path of a reading: packet, driver, reading, test point, settling, verdict, commit, view."""

import asyncio
import contextlib
import logging
import uuid
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Protocol

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.ble.states import RadioState
from meterlink.capture.manual_entry import MANUAL_ENTRY, parse_manual_entry
from meterlink.core.clock import Clock, clock_is_set
from meterlink.core.equipment import Meter, TestPoint
from meterlink.core.errors import InputError, MeterlinkError, StoreError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.judge.accuracy import AccuracySheet
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.link.messages import Command, CommandResult, Message
from meterlink.publish.senml import accepted_message, readings_message
from meterlink.settings import Settings
from meterlink.settling.detector import Phase, SettlingState
from meterlink.station.advice import display_mode_text
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.replacements import replacement_sentences
from meterlink.station.tracker import DWELL_AFTER_LIFT, MeterTracker
from meterlink.station.views import live_view, meters_view, visit_view
from meterlink.station.visit import AcceptedReading, ActiveVisit, matches_function
from meterlink.store.rows import AcceptedRow, Batch, OutboxRow, ReadingRow, VisitIds
from meterlink.store.writer import Writer

if TYPE_CHECKING:
    from meterlink.judge.label.replacement import StockEntry

log = logging.getLogger(__name__)

# Raw readings are committed this often: few transactions for a small board's flash, and little lost with the power.
# An accepted reading is committed at once.
FLUSH_PERIOD = 0.25  # s
# Watchers draw at most ten times a second.
VIEW_PERIOD = 0.1  # s
# Dropped packets are logged this often at most: a faulty meter must not fill the log.
DROP_LOG_PERIOD = 10.0  # s
# A meter without a reading for this long is not the one in use, if another meter has one.
ACTIVE_WITHIN = 3.0  # s
# Probes in the air or touching each other give the same verdicts, so a person must accept such a reading.
AMBIGUOUS_VERDICTS = {Verdict.OPEN, Verdict.SHORTED}


@dataclass(frozen=True, slots=True)
class PublishingConfig:
    """How readings become messages for a broker."""

    station: str
    outbox_changed: asyncio.Event  # set when a committed transaction added messages


@dataclass(frozen=True, slots=True)
class JudgingConfig:
    """Settings for judging. The mappings are by meter address in lower case; ``celsius`` is the ambient temperature."""

    meter_names: Mapping[str, str]
    accuracy_sheets: Mapping[str, AccuracySheet]
    celsius: Decimal | None = None
    stock: "tuple[StockEntry, ...]" = ()

    @classmethod
    def from_settings(cls, settings: Settings) -> "JudgingConfig":
        """Return the configuration that the settings contain."""
        return cls(
            {meter.address.lower(): meter.name for meter in settings.meters if meter.name},
            {meter.address.lower(): meter.accuracy_sheet for meter in settings.meters if meter.accuracy_sheet},
            settings.ambient_celsius,
            settings.stock,
        )


class OnAccepted(Protocol):
    """A callback for accepted readings."""

    def __call__(self, point: TestPoint, accepted: AcceptedReading) -> None:
        """Handle a committed reading; must not block."""
        ...


class Pipeline:
    """Turns the packets of all meters into judged, committed readings and into views.

    ``send_view`` receives a view each time it may have changed, ``on_accepted`` every accepted reading after its
    commit.
    """

    def __init__(
        self,
        visit: ActiveVisit,
        visit_ids: VisitIds,
        writer: Writer,
        send_view: Callable[[Message], None],
        on_accepted: OnAccepted,
        *,
        config: JudgingConfig,
        clock: Clock,
        publishing: PublishingConfig | None = None,
        new_message_id: Callable[[], str] = lambda: str(uuid.uuid4()),
        packet_queue: PacketQueue,
    ) -> None:
        self.packet_queue = packet_queue
        self._logged_drops: Counter[str] = Counter()
        self.visit = visit
        self._visit_ids = visit_ids
        self._writer = writer
        self._send_view = send_view
        self._on_accepted = on_accepted
        self._config = config
        self._names = dict(config.meter_names)
        self._clock = clock
        self._publishing = publishing
        self._new_message_id = new_message_id
        self._trackers: dict[str, MeterTracker] = {}
        self._meters: dict[str, Meter] = {}
        self._sessions: dict[str, MeterSession] = {}
        self._radio = RadioState()
        self._diagnosis = VisitDiagnosis(visit)
        self._unflushed_readings: list[tuple[str, ReadingRow]] = []
        self._commits: set[asyncio.Task[None]] = set()
        self._saving_failed = asyncio.Event()

    async def run(self) -> None:
        """Handle packets until cancelled; `finish` commits the rest."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._process_packets(), name="pipeline-packets")
            group.create_task(self._repeat_every(FLUSH_PERIOD, self._flush), name="pipeline-flush")
            group.create_task(self._repeat_every(VIEW_PERIOD, self._send_live_view), name="pipeline-show")
            group.create_task(self._repeat_every(DROP_LOG_PERIOD, self._log_drops), name="pipeline-drops")

    async def finish(self) -> None:
        """Handle the waiting packets; return when everything is committed, or when saving fails."""
        for packet in self.packet_queue.drain_nowait():
            await self._process_packet(packet)
        self._flush()
        failing = asyncio.create_task(self._saving_failed.wait(), name="pipeline-failing")
        while self._commits and not self._saving_failed.is_set():
            await asyncio.wait({*self._commits, failing}, return_when=asyncio.FIRST_COMPLETED)
        failing.cancel()
        await asyncio.gather(failing, return_exceptions=True)

    async def wait_for_commits(self) -> None:
        """Return when every commit has succeeded or failed; closing the writer ends those that still wait."""
        await asyncio.gather(*self._commits, return_exceptions=True)

    def set_saving_failed(self, *, failed: bool) -> None:
        """Record whether the writer fails to save now; `finish` does not wait for a failing writer."""
        if failed:
            self._saving_failed.set()
        else:
            self._saving_failed.clear()

    async def _process_packets(self) -> None:
        while True:
            for packet in await self.packet_queue.drain():
                await self._process_packet(packet)
            self.packet_queue.mark_handled()

    async def wait_until_handled(self) -> None:
        """Return when all packets in the queue have been handled and all accepted readings are committed."""
        await self.packet_queue.wait_until_handled()
        while self._commits:
            await asyncio.gather(*self._commits, return_exceptions=True)

    async def _repeat_every(self, period: float, action: Callable[[], None]) -> None:
        while True:
            await asyncio.sleep(period)
            action()

    def _log_drops(self) -> None:
        for address, total in self.packet_queue.dropped.items():
            if new := total - self._logged_drops[address]:
                log.warning("%s sends more packets than a display needs: %d dropped, %d in all", address, new, total)
                self._logged_drops[address] = total

    async def _process_packet(self, packet: ReceivedPacket) -> None:
        session = packet.session
        tracker = await self._tracker(session)
        if self._sessions.get(session.address) is not session:
            if session.closed:
                return  # a late packet of a closed connection
            self._sessions[session.address] = session
            tracker.restart()
        try:
            readings = list(session.driver.feed(packet.channel, packet.data, packet.timestamp))
        except Exception:
            # A driver may be foreign code: its error loses the packet, not the station.
            log.exception("driver %s failed on %s", session.driver_name, packet.data.hex())
            return
        for reading in readings:
            self._process_reading(tracker, reading)

    async def _tracker(self, session: MeterSession) -> MeterTracker:
        tracker = self._trackers.get(session.address)
        if tracker is None:
            alias = self._names.get(session.address.lower(), "")
            name = alias or session.name or session.address
            meter = Meter(session.address, name, session.driver_name, session.serial, session.service)
            tracker = await self._register_meter(meter, has_alias=bool(alias))
        return tracker

    async def _register_meter(self, meter: Meter, *, has_alias: bool) -> MeterTracker:
        """Return a new tracker; a meter that is known under another address keeps its row, name and pin."""
        connected_ids = {
            tracker.meter_id
            for address, tracker in self._trackers.items()
            if address in self._sessions and not self._sessions[address].closed
        }
        registration = self._writer.get_or_create_meter(meter, name_given=has_alias, connected_ids=connected_ids)
        known = await asyncio.wrap_future(registration)
        name = self._names.get(known.first_address.lower(), known.name)
        self._meters[meter.address] = replace(meter, address=known.first_address, name=name)
        if known.first_address in self.visit.pins:
            self.visit.pins.setdefault(meter.address, self.visit.pins[known.first_address])
        tracker = self._trackers[meter.address] = MeterTracker(meter.address, name, known.id)
        return tracker

    def rename_meter(self, address: str, name: str) -> None:
        """Rename the meter at ``address``; a name in the settings takes precedence."""
        name = self._config.meter_names.get(address.lower(), name)
        self._names[address.lower()] = name
        tracker = self._trackers.get(address)
        if tracker is not None:
            tracker.name = name
            self._meters[address] = replace(self._meters[address], name=name)
        self._send_meters_view()

    def _process_reading(self, tracker: MeterTracker, reading: Reading) -> None:
        if reading.quantity is Quantity.BATTERY:
            tracker.set_battery(reading)
            self._send_meters_view()
            return
        left_point = tracker.add_reading(reading)
        if left_point is not None:
            self.visit.probes_removed(left_point)
        point = self.visit.point_for(tracker.address, reading)
        tracker.point_key = point.key if point else None
        tracker.judgement = self._judge_if_possible(tracker, point, reading)
        if tracker.settling.settled_reading is not None and point is not None and tracker.judgement is not None:
            if tracker.judgement.verdict in AMBIGUOUS_VERDICTS:
                tracker.ambiguous = True
            else:
                self._accept(tracker, point, tracker.judgement, tracker.settling.settling_time)
                return
        self._unflushed_readings.append((tracker.address, self._reading_row(tracker, reading, point)))

    @property
    def _displayed_tracker(self) -> MeterTracker | None:
        """The meter to show: the meter at the active test point, else an idle meter, else one at another point."""
        newest = max((tracker.last_reading_at for tracker in self._trackers.values()), default=0.0)
        active = [tracker for tracker in self._trackers.values() if tracker.last_reading_at >= newest - ACTIVE_WITHIN]
        return max(active, key=self._display_priority, default=None)

    def _display_priority(self, tracker: MeterTracker) -> tuple[bool, bool, bool]:
        focus, measuring = self.visit.focus, tracker.settling.phase is not Phase.IDLE
        if focus is None:
            return False, False, measuring
        return measuring and tracker.point_key == focus, tracker.point_key == focus, not measuring

    def _judge_if_possible(self, tracker: MeterTracker, point: TestPoint | None, reading: Reading) -> Judgement | None:
        if point is None or reading.status is Status.INVALID or not reading.is_judgeable:
            return None
        with contextlib.suppress(InputError):  # a negative resistance has no verdict
            return self._judge(tracker, point, reading)
        return None

    def _judge(self, tracker: MeterTracker, point: TestPoint, reading: Reading) -> Judgement:
        return judge(
            point.kind,
            self.visit.limits[point.key],
            MeasuredValue.from_reading(reading),
            self._accuracy_sheet(tracker),
            rule=self.visit.rules[point.key],
            celsius=self._config.celsius,
        )

    def _accuracy_sheet(self, tracker: MeterTracker) -> AccuracySheet | None:
        addresses = (tracker.address, self._meters[tracker.address].address)
        sheets = (self._config.accuracy_sheets.get(address.lower()) for address in addresses)
        return next((sheet for sheet in sheets if sheet is not None), None)

    def _reading_row(self, tracker: MeterTracker, reading: Reading, point: TestPoint | None) -> ReadingRow:
        point_id = self._visit_ids.point_ids[point.key] if point else None
        return ReadingRow(
            reading, tracker.meter_id, self._visit_ids.visit_id, point_id, clock_is_set(reading.timestamp.utc_ns)
        )

    def _accept(self, tracker: MeterTracker, point: TestPoint, judgement: Judgement, settled_in: float) -> int:
        """Accept the tracker's latest reading; return its number in the visit. The commit follows."""
        reading = tracker.latest
        assert reading is not None  # noqa: S101  # only called after a reading
        tracker.accept(reading, point.key)
        accepted = AcceptedReading(reading, judgement, tracker.name, settled_in, self.visit.new_number())
        row = AcceptedRow(self._reading_row(tracker, reading, point), judgement, settled_in)
        outbox: tuple[OutboxRow, ...] = ()
        if self._publishing is not None:
            meter = self._meters[tracker.address]
            outbox = (
                accepted_message(
                    self._publishing.station, meter, self.visit.site, point, reading, judgement,
                    visit_uid=self._visit_ids.uid, message_id=self._new_message_id(),
                ),
            )  # fmt: skip
        self._flush()
        self._commit(Batch(accepted=(row,), outbox=outbox), lambda: self._on_committed(point, accepted))
        return accepted.number

    def _on_committed(self, point: TestPoint, accepted: AcceptedReading) -> None:
        self.visit.add_accepted(point.key, accepted)
        self._diagnosis.update()
        self._on_accepted(point, accepted)
        self.send_visit_view()

    def _flush(self) -> None:
        """Commit the raw readings gathered so far, with one message for each meter."""
        if not self._unflushed_readings:
            return
        unflushed, self._unflushed_readings = self._unflushed_readings, []
        outbox = []
        if self._publishing is not None:
            for address in dict.fromkeys(address for address, _ in unflushed):
                rows = [row for row_address, row in unflushed if row_address == address]
                readings = [row.reading for row in rows if row.reading.is_judgeable]
                if readings:
                    meter = self._meters[address]
                    outbox.append(readings_message(self._publishing.station, meter, readings, self._new_message_id()))
        self._commit(Batch(readings=tuple(row for _, row in unflushed), outbox=tuple(outbox)))

    def _commit(self, batch: Batch, on_commit: Callable[[], None] | None = None) -> None:
        future = asyncio.wrap_future(self._writer.submit(batch))

        async def acknowledge() -> None:
            try:
                await future
            except StoreError as error:
                log.error("%s", error)  # noqa: TRY400  # an expected error: its message is enough
                return
            if batch.outbox and self._publishing is not None:
                self._publishing.outbox_changed.set()
            if on_commit is not None:
                on_commit()

        task = asyncio.create_task(acknowledge(), name="pipeline-commit")
        self._commits.add(task)
        task.add_done_callback(self._commits.discard)

    # Views and commands of watchers.

    def set_radio_state(self, state: RadioState) -> None:
        """Record the radio's new state and send it to watchers."""
        self._radio = state
        self._send_meters_view()

    def _send_meters_view(self) -> None:
        self._send_view(meters_view(self._radio, self._trackers.values(), self._names, self.packet_queue.dropped))

    def send_visit_view(self) -> None:
        """Send the present state of the visit to watchers."""
        stock = replacement_sentences(self.visit, self._config.stock)
        self._send_view(
            visit_view(self.visit, self._displayed_tracker, self._diagnosis.diagnosis, stock, self._diagnosis.derived)
        )

    def _send_live_view(self) -> None:
        self._advance_after_entry()
        tracker = self._displayed_tracker
        if tracker is not None and (view := live_view(self.visit, tracker)) is not None:
            self._send_view(view)
        self.send_visit_view()  # its advice follows the live reading; an unchanged view is not sent again
        self._send_meters_view()

    async def execute(self, command: Command) -> CommandResult:
        """Carry out a watcher's command; return its result."""
        try:
            accepted = await self._execute(command)
        except MeterlinkError as error:
            return CommandResult(str(error))
        self.send_visit_view()
        return CommandResult(accepted=accepted)

    async def _execute(self, command: Command) -> int | None:
        """Carry out a command; return the number of the reading that it accepted, if any.

        Raises:
            InputError: there is no such command, or it cannot be carried out now.
        """
        point = command.get("point", "")
        match command.get("command"):
            case "activate":
                self.visit.set_focus(point)
            case "next":
                self.visit.move_focus(1)
            case "previous":
                self.visit.move_focus(-1)
            case "repeat":
                self._repeat_measurement()
            case "accept":
                return self._accept_now()
            case "set_rating":
                for rated, text in self.visit.set_rating(point, command.get("text", "")).items():
                    await asyncio.wrap_future(self._writer.set_rating(self._visit_ids.point_ids[rated], text))
                self._diagnosis.update()
            case "enter":
                return await self._enter_reading(command.get("text", ""), point)
            case "pin":
                self.visit.pin(command.get("meter", ""), point)
            case name:
                raise InputError(f"There is no command {name!r}.")
        return None

    async def _enter_reading(self, text: str, key: str) -> int:
        """Accept a typed reading at the test point ``key``, or at the active one, without settling; return its number.

        Raises:
            InputError: there is no such test point, or the text is no reading of its quantity.
        """
        self._advance_after_entry(at_once=True)
        key = key or self.visit.focus or ""
        point = self.visit.points.get(key)
        if point is None:
            raise InputError(f"There is no test point {key!r} to type a reading for.", "Select a test point first.")
        reading = parse_manual_entry(text, self._clock.now(), point.quantity)
        if not matches_function(point, reading):
            wanted = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
            raise InputError(
                f"{reading.text} is no reading of {wanted}, which the {point.title} needs.",
                "Select the test point of this reading.",
            )
        tracker = self._trackers.get(MANUAL_ENTRY) or await self._register_meter(
            Meter(MANUAL_ENTRY, "typed in", MANUAL_ENTRY), has_alias=True
        )
        judgement = self._judge(tracker, point, reading)
        tracker.latest, tracker.point_key, tracker.judgement = reading, point.key, judgement
        tracker.settling = SettlingState(Phase.ACCEPTED)
        tracker.reading_count += 1
        return self._accept(tracker, point, judgement, 0.0)

    def _advance_after_entry(self, *, at_once: bool = False) -> None:
        """Go to the next test point when the verdict on a typed reading was shown long enough, or ``at_once``."""
        tracker = self._trackers.get(MANUAL_ENTRY)
        if tracker is None or tracker.accepted_at is None or tracker.accepted is None:
            return
        committed = self.visit.accepted[tracker.accepted_at]
        age = (self._clock.now().monotonic_ns - tracker.accepted.timestamp.monotonic_ns) * 1e-9
        if committed and committed[-1].reading is tracker.accepted and (at_once or age >= DWELL_AFTER_LIFT):
            self.visit.probes_removed(tracker.accepted_at)
            tracker.restart()
            tracker.latest = None

    def _repeat_measurement(self) -> None:
        if self.visit.focus is None and self.visit.last_accepted is not None:
            self.visit.focus = self.visit.last_accepted
        for tracker in self._trackers.values():
            if self.visit.focus in {tracker.point_key, tracker.accepted_at}:
                tracker.restart()

    def _accept_now(self) -> int:
        tracker = self._displayed_tracker
        point = self.visit.points.get(tracker.point_key) if tracker and tracker.point_key else None
        if tracker is None or tracker.latest is None or point is None:
            raise InputError(
                "No meter measures the active test point.",
                "Put the probes on, and set the meter to the quantity of the test point.",
            )
        if not tracker.latest.is_judgeable:
            raise InputError(
                f"{tracker.name} {display_mode_text(tracker.latest)}.",
                "Switch that mode off on the meter, and measure again.",
            )
        return self._accept(tracker, point, self._judge(tracker, point, tracker.latest), 0.0)
