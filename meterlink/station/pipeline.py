"""The way of a reading: packet, driver, reading, tag, settle, judge, commit, show."""

import asyncio
import contextlib
import logging
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Protocol

from meterlink.ble.connection import Packet, Session
from meterlink.ble.states import RadioState
from meterlink.capture.manual_entry import KEYED, read_keyed
from meterlink.core.clock import Clock, clock_is_set
from meterlink.core.equipment import Meter, TestPoint
from meterlink.core.errors import InputError, MeterlinkError, StoreError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.judge.accuracy import AccuracySheet
from meterlink.judge.judging import Measured, judge
from meterlink.judge.label.replacement import StockEntry
from meterlink.link.messages import Command, Message
from meterlink.publish.senml import held_message, readings_message
from meterlink.settings import Settings
from meterlink.settling.detector import Phase, Step
from meterlink.station.advice import altered
from meterlink.station.diagnosis import derived_of, diagnosis_of
from meterlink.station.packet_queue import Intake
from meterlink.station.replacements import replacement_words
from meterlink.station.tracker import LOOK_UP, Follower
from meterlink.station.views import live_view, meters_view, visit_view
from meterlink.station.visit import ActiveVisit, Held, fits
from meterlink.store.rows import Batch, HeldRow, OutboxRow, ReadingRow, VisitIds
from meterlink.store.writer import Writer

log = logging.getLogger(__name__)

# Raw readings are handed to the writer this often: few enough transactions for a small board's flash, little enough
# lost with the power (the settled reading itself never waits).
FLUSH_EVERY = 0.25  # s
# Watchers draw at most ten times a second.
SHOW_EVERY = 0.1  # s
# A meter that has said nothing for this long is not the one in the hand, as long as another speaks.
PRESENT = 3.0  # s
# Verdicts that look the same with the probes in the air or touching each other: somebody has to say that they are on.
DOUBTFUL = {Verdict.OPEN, Verdict.SHORTED}


@dataclass(frozen=True, slots=True)
class Publishing:
    """How readings become messages for a broker; absent where none is configured."""

    station: str
    changed: asyncio.Event  # set when a committed transaction brought messages


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What somebody told the station of its meters, by address in lower case; ``celsius`` is how warm they are."""

    names: Mapping[str, str]
    sheets: Mapping[str, AccuracySheet]
    celsius: Decimal | None = None
    stock: tuple[StockEntry, ...] = ()  # what is on the truck

    @classmethod
    def from_settings(cls, settings: Settings) -> "Knowledge":
        """Take it from the settings."""
        return cls(
            {meter.address.lower(): meter.name for meter in settings.meters if meter.name},
            {meter.address.lower(): meter.accuracy for meter in settings.meters if meter.accuracy},
            settings.celsius,
            settings.stock,
        )


class OnHeld(Protocol):
    """Who wants to know of a held reading once it is committed."""

    def __call__(self, point: TestPoint, held: Held) -> None:
        """Take note; must not block."""
        ...


class Pipeline:
    """Follows every meter, and keeps and shows what they measure.

    ``show`` is handed a view whenever it may have changed; ``on_held`` every held reading after its commit.
    """

    def __init__(
        self,
        visit: ActiveVisit,
        ids: VisitIds,
        writer: Writer,
        show: Callable[[Message], None],
        on_held: OnHeld,
        *,
        knowledge: Knowledge,
        clock: Clock,
        publishing: Publishing | None = None,
        new_id: Callable[[], str] = lambda: str(uuid.uuid4()),
    ) -> None:
        self.intake = Intake()
        self.visit = visit
        self._ids = ids
        self._writer = writer
        self._show = show
        self._on_held = on_held
        self._knowledge = knowledge
        self._names = dict(knowledge.names)
        self._clock = clock
        self._publishing = publishing
        self._new_id = new_id
        self._followers: dict[str, Follower] = {}
        self._meters: dict[str, Meter] = {}
        self._sessions: dict[str, Session] = {}
        self._radio = RadioState()
        self._diagnosis = diagnosis_of(visit)
        self._derived = derived_of(visit)
        self._raw: list[tuple[str, ReadingRow]] = []
        self._commits: set[asyncio.Task[None]] = set()
        self._failing = asyncio.Event()

    async def run(self) -> None:
        """Handle packets until cancelled; `finish` commits what is left."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._handle_packets(), name="pipeline-packets")
            group.create_task(self._every(FLUSH_EVERY, self._flush), name="pipeline-flush")
            group.create_task(self._every(SHOW_EVERY, self._show_live), name="pipeline-show")

    async def finish(self) -> None:
        """Handle what still waits and return once everything is committed, or cannot be because saving fails."""
        for packet in self.intake.take_now():
            await self._handle(packet)
        self._flush()
        failing = asyncio.create_task(self._failing.wait(), name="pipeline-failing")
        while self._commits and not self._failing.is_set():
            await asyncio.wait({*self._commits, failing}, return_when=asyncio.FIRST_COMPLETED)
        failing.cancel()
        await asyncio.gather(failing, return_exceptions=True)

    async def see_outcomes(self) -> None:
        """Return once every commit has its outcome; the writer's end gives it to those that were still waiting."""
        await asyncio.gather(*self._commits, return_exceptions=True)

    def saving_fails(self, *, fails: bool) -> None:
        """Take note of whether the writer can save just now: what waits for it must not be waited for at the end."""
        if fails:
            self._failing.set()
        else:
            self._failing.clear()

    async def _handle_packets(self) -> None:
        while True:
            for packet in await self.intake.take():
                await self._handle(packet)
            self.intake.done()

    async def caught_up(self) -> None:
        """Return once everything that was put into the intake has been handled, and what was held is committed."""
        await self.intake.handled()
        while self._commits:
            await asyncio.gather(*self._commits, return_exceptions=True)

    async def _every(self, period: float, act: Callable[[], None]) -> None:
        while True:
            await asyncio.sleep(period)
            act()

    async def _handle(self, packet: Packet) -> None:
        session = packet.session
        follower = await self._follower(session)
        if self._sessions.get(session.address) is not session:
            if session.closed:
                return  # a late packet of a link that is gone
            self._sessions[session.address] = session
            follower.start_again()
        try:
            readings = list(session.driver.feed(packet.channel, packet.data, packet.stamp))
        except Exception:
            # A driver is somebody else's code: it costs its own packet, not the station.
            log.exception("driver %s failed on %s", session.kind, packet.data.hex())
            return
        for reading in readings:
            self._take(follower, reading)

    async def _follower(self, session: Session) -> Follower:
        follower = self._followers.get(session.address)
        if follower is None:
            named = self._names.get(session.address.lower(), "")
            name = named or session.name or session.address
            meter = Meter(session.address, name, session.kind, session.serial, session.service)
            follower = await self._meet(meter, named=bool(named))
        return follower

    async def _meet(self, meter: Meter, *, named: bool) -> Follower:
        """Follow a meter; one that is known under another address goes on under its row, name and pin."""
        present = {
            follower.db_id
            for address, follower in self._followers.items()
            if address in self._sessions and not self._sessions[address].closed
        }
        meeting = self._writer.meet_meter(meter, named=named, present=present)
        known = await asyncio.wrap_future(meeting)
        name = self._names.get(known.first_address.lower(), known.name)
        self._meters[meter.address] = replace(meter, address=known.first_address, name=name)
        if known.first_address in self.visit.pins:
            self.visit.pins.setdefault(meter.address, self.visit.pins[known.first_address])
        follower = self._followers[meter.address] = Follower(meter.address, name, known.id)
        return follower

    def call(self, address: str, name: str) -> None:
        """Call the meter at ``address`` so from now on, unless the settings give it another name."""
        name = self._knowledge.names.get(address.lower(), name)
        self._names[address.lower()] = name
        follower = self._followers.get(address)
        if follower is not None:
            follower.name = name
            self._meters[address] = replace(self._meters[address], name=name)
        self._show_meters()

    def _take(self, follower: Follower, reading: Reading) -> None:
        if reading.quantity is Quantity.BATTERY:
            follower.take_battery(reading)
            self._show_meters()
            return
        left = follower.follow(reading)
        if left is not None:
            self.visit.probes_off(left)
        point = self.visit.point_for(follower.address, reading)
        follower.point = point.key if point else None
        follower.judgement = self._judged(follower, point, reading)
        if follower.step.settled is not None and point is not None and follower.judgement is not None:
            if follower.judgement.verdict in DOUBTFUL:
                follower.doubtful = True
            else:
                self._hold(follower, point, follower.judgement, follower.step.settled_in)
                return
        self._raw.append((follower.address, self._row(follower, reading, point)))

    @property
    def _leader(self) -> Follower | None:
        """The meter to show: the one at the active test point; failing that one that lies idle and could be turned to
        it, before one that is busy with something else.
        """
        newest = max((follower.seen_at for follower in self._followers.values()), default=0.0)
        present = [follower for follower in self._followers.values() if follower.seen_at >= newest - PRESENT]
        return max(present, key=self._fitness, default=None)

    def _fitness(self, follower: Follower) -> tuple[bool, bool, bool]:
        focus, measuring = self.visit.focus, follower.step.phase is not Phase.IDLE
        if focus is None:
            return False, False, measuring
        return measuring and follower.point == focus, follower.point == focus, not measuring

    def _judged(self, follower: Follower, point: TestPoint | None, reading: Reading) -> Judgement | None:
        if point is None or reading.status is Status.INVALID or not reading.measures:
            return None
        with contextlib.suppress(InputError):  # a negative resistance: nothing to say of it
            return self._judge(follower, point, reading)
        return None

    def _judge(self, follower: Follower, point: TestPoint, reading: Reading) -> Judgement:
        return judge(
            point.check,
            self.visit.limits[point.key],
            Measured.from_reading(reading),
            self._sheet(follower),
            rule=self.visit.rules[point.key],
            celsius=self._knowledge.celsius,
        )

    def _sheet(self, follower: Follower) -> AccuracySheet | None:
        addresses = (follower.address, self._meters[follower.address].address)
        sheets = (self._knowledge.sheets.get(address.lower()) for address in addresses)
        return next((sheet for sheet in sheets if sheet is not None), None)

    def _row(self, follower: Follower, reading: Reading, point: TestPoint | None) -> ReadingRow:
        point_id = self._ids.point_ids[point.key] if point else None
        return ReadingRow(reading, follower.db_id, self._ids.visit_id, point_id, clock_is_set(reading.stamp.utc_ns))

    def _hold(self, follower: Follower, point: TestPoint, judgement: Judgement, settled_in: float) -> None:
        reading = follower.latest
        assert reading is not None  # noqa: S101  # only called with one
        follower.hold(reading, point.key)
        held = Held(reading, judgement, follower.name, settled_in)
        row = HeldRow(self._row(follower, reading, point), judgement, settled_in)
        outbox: tuple[OutboxRow, ...] = ()
        if self._publishing is not None:
            meter = self._meters[follower.address]
            outbox = (
                held_message(
                    self._publishing.station, meter, self.visit.place, point, reading, judgement,
                    visit_uid=self._ids.uid, message_id=self._new_id(),
                ),
            )  # fmt: skip
        self._flush()
        self._commit(Batch(held=(row,), outbox=outbox), lambda: self._kept(point, held))

    def _kept(self, point: TestPoint, held: Held) -> None:
        self.visit.keep(point.key, held)
        self._diagnosis = diagnosis_of(self.visit)
        self._derived = derived_of(self.visit)
        self._on_held(point, held)
        self.show_visit()

    def _flush(self) -> None:
        """Hand the raw readings gathered so far to the writer, each meter's with its message."""
        if not self._raw:
            return
        gathered, self._raw = self._raw, []
        outbox = []
        if self._publishing is not None:
            for address in dict.fromkeys(address for address, _ in gathered):
                readings = [row.reading for other, row in gathered if other == address and row.reading.measures]
                if readings:
                    meter = self._meters[address]
                    outbox.append(readings_message(self._publishing.station, meter, readings, self._new_id()))
        self._commit(Batch(readings=tuple(row for _, row in gathered), outbox=tuple(outbox)))

    def _commit(self, batch: Batch, then: Callable[[], None] | None = None) -> None:
        future = asyncio.wrap_future(self._writer.submit(batch))

        async def acknowledge() -> None:
            try:
                await future
            except StoreError as error:
                log.error("%s", error)  # noqa: TRY400  # foreseen: the words are enough
                return
            if batch.outbox and self._publishing is not None:
                self._publishing.changed.set()
            if then is not None:
                then()

        task = asyncio.create_task(acknowledge(), name="pipeline-commit")
        self._commits.add(task)
        task.add_done_callback(self._commits.discard)

    # What watchers see and ask for.

    def radio_changed(self, state: RadioState) -> None:
        """Take the radio's new state."""
        self._radio = state
        self._show_meters()

    def _show_meters(self) -> None:
        self._show(meters_view(self._radio, self._followers.values(), self._names))

    def show_visit(self) -> None:
        """Show the visit as it stands."""
        stock = replacement_words(self.visit, self._knowledge.stock)
        self._show(visit_view(self.visit, self._leader, self._diagnosis, stock, self._derived))

    def _show_live(self) -> None:
        self._typed_moves_on()
        leader = self._leader
        if leader is not None and (view := live_view(self.visit, leader)) is not None:
            self._show(view)
        self.show_visit()  # its advice follows the live reading; an unchanged view is not sent again
        self._show_meters()

    async def carry_out(self, command: Command) -> str:
        """Do what a watcher asks; return why not, in words, or nothing."""
        try:
            await self._carry_out(command)
        except MeterlinkError as error:
            return str(error)
        self.show_visit()
        return ""

    async def _carry_out(self, command: Command) -> None:
        point = command.get("point", "")
        match command.get("do"):
            case "focus":
                self.visit.focus_on(point)
            case "next":
                self.visit.move(1)
            case "previous":
                self.visit.move(-1)
            case "retake":
                self._retake()
            case "hold":
                self._hold_now()
            case "rate":
                for rated, text in self.visit.rate(point, command.get("text", "")).items():
                    await asyncio.wrap_future(self._writer.set_rating(self._ids.point_ids[rated], text))
                self._diagnosis = diagnosis_of(self.visit)
                self._derived = derived_of(self.visit)
            case "key":
                await self._key(command.get("text", ""), point)
            case "pin":
                self.visit.pin(command.get("meter", ""), point)
            case other:
                raise InputError(f"{other!r} is not something to ask for.")

    async def _key(self, text: str, key: str) -> None:
        """Hold what somebody typed at the test point ``key``, or the active one: it needs no settling."""
        self._typed_moves_on(at_once=True)
        key = key or self.visit.focus or ""
        point = self.visit.points.get(key)
        if point is None:
            raise InputError(f"There is no test point {key!r} to type a reading for.", "Pick one first.")
        reading = read_keyed(text, self._clock.stamp(), point.quantity)
        if not fits(point, reading):
            wanted = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
            raise InputError(
                f"{reading.text} is no reading of {wanted}, which the {point.title} asks for.",
                "Pick the test point it was read at.",
            )
        typed = self._followers.get(KEYED) or await self._meet(Meter(KEYED, "keyed in", KEYED), named=True)
        judgement = self._judge(typed, point, reading)
        typed.latest, typed.point, typed.judgement = reading, point.key, judgement
        typed.step = Step(Phase.HELD)
        typed.count += 1
        self._hold(typed, point, judgement, 0.0)

    def _typed_moves_on(self, *, at_once: bool = False) -> None:
        """Go to the next test point once there was time to look at the verdict on what was typed."""
        typed = self._followers.get(KEYED)
        if typed is None or typed.held_at is None or typed.held is None:
            return
        committed = self.visit.held[typed.held_at]
        age = (self._clock.stamp().monotonic_ns - typed.held.stamp.monotonic_ns) * 1e-9
        if committed and committed[-1].reading is typed.held and (at_once or age >= LOOK_UP):
            self.visit.probes_off(typed.held_at)
            typed.start_again()
            typed.latest = None

    def _retake(self) -> None:
        if self.visit.focus is None and self.visit.last is not None:
            self.visit.focus = self.visit.last
        for follower in self._followers.values():
            if self.visit.focus in {follower.point, follower.held_at}:
                follower.start_again()

    def _hold_now(self) -> None:
        follower = self._leader
        point = self.visit.points.get(follower.point) if follower and follower.point else None
        if follower is None or follower.latest is None or point is None:
            raise InputError("No meter measures the active test point.", "Put the probes on and set the meter to it.")
        if not follower.latest.measures:
            raise InputError(
                f"{follower.name} {altered(follower.latest)}.", "Switch that off on the meter, and measure."
            )
        self._hold(follower, point, self._judge(follower, point, follower.latest), 0.0)
