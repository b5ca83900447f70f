"""The collector daemon: radio, pipeline, store, watchers and broker, started and stopped in the right order."""

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable, Mapping
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink import VERSION
from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.capture_driver import Capturing
from meterlink.ble.connection import Packet
from meterlink.ble.radio import Radio
from meterlink.ble.states import LinkState, RadioState
from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Meter, Place, Plan, TestPoint
from meterlink.core.errors import StoreError
from meterlink.core.units import prepare
from meterlink.link.messages import Command, Message, NoticeView
from meterlink.link.server import LinkServer
from meterlink.profiles import Profile, ProfileKind
from meterlink.settings import DATABASE, Settings
from meterlink.station.commands import ASKED_OF_IT, Roster
from meterlink.station.discovery import Finder
from meterlink.station.drivers import Drivers, follow_profiles, tell_failures
from meterlink.station.pipeline import Knowledge, OnHeld, Pipeline, Publishing
from meterlink.station.replay import Feed
from meterlink.station.teaching import Teaching
from meterlink.station.visit import ActiveVisit, Held
from meterlink.store.reader import Reader
from meterlink.store.rows import VisitIds
from meterlink.store.writer import Writer

if TYPE_CHECKING:
    from meterlink.publish.mqtt import Broker
    from meterlink.publish.publisher import Publisher

log = logging.getLogger(__name__)

# How long a station that is told to stop waits for the broker to take the last readings: a person is waiting, too.
LAST_WORDS = 3.0  # s


@dataclass(frozen=True, slots=True)
class Orders:
    """What a station is to do. ``meters`` may be connected; with ``adopt`` so may any other that a driver fits.

    The backends are bleak's own unless given, and ``jitter`` draws the radio's pauses (see `Radio`); ``serve`` is false
    where nobody can watch (a run in simulated time). ``focus`` is the test point to begin at, empty for the usual one.
    A ``feed`` takes the radio's place; at its end the station stops.
    """

    folder: Path
    settings: Settings
    place: Place
    plan: Plan
    boot_id: str
    meters: tuple[Meter, ...] = ()
    adopt: bool = False
    new_visit: bool = False
    serve: bool = True
    broker: "Broker | None" = None
    clock: Clock = field(default_factory=SystemClock)
    scanner_backend: ScannerBackend | None = None
    client_backend: ClientBackend | None = None
    jitter: Callable[[float, float], float] = random.uniform
    focus: str = ""
    feed: Feed | None = None


class Station:
    """One machine that collects. ``run`` it until ``stop`` is called; listeners hear what watchers see."""

    def __init__(self, orders: Orders) -> None:
        self._orders = orders
        self._writer = Writer(
            orders.folder / DATABASE,
            station=orders.settings.station,
            clock=orders.clock,
            boot_id=orders.boot_id,
            on_alarm=self._alarm_from_writer,
        )
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping = asyncio.Event()
        self._listeners: list[Callable[[Message], None]] = []
        self._held_listeners: list[OnHeld] = []
        self._server: LinkServer | None = None
        self._pipeline: Pipeline | None = None
        self._roster: Roster | None = None
        self._teaching: Teaching | None = None
        self._notices: dict[str, NoticeView] = {}
        self._said: dict[str, str] = {}  # what the log was told of each meter, and of the radio under ""
        self.started = asyncio.Event()

    @property
    def busy(self) -> bool:
        """Whether the store has work that is not committed yet."""
        return self._writer.busy

    def stop(self) -> None:
        """Ask `run` to end; call it in the event loop's thread."""
        self._stopping.set()

    def listen(self, listener: Callable[[Message], None]) -> None:
        """Have ``listener`` called with every view as it changes."""
        self._listeners.append(listener)

    def on_held(self, listener: OnHeld) -> None:
        """Have ``listener`` called with every held reading, once it is committed."""
        self._held_listeners.append(listener)

    async def command(self, command: Command) -> str:
        """Carry a watcher's command out; return why not, in words, or nothing."""
        if self._pipeline is None:
            return "The station is still starting."
        if command.get("do") in ASKED_OF_IT and self._roster is not None:
            return await self._roster.carry_out(command)
        if command.get("do") == "teach" and self._teaching is not None:
            return await self._teaching.carry_out(command.get("meter", ""), command.get("text", ""))
        return await self._pipeline.carry_out(command)

    async def run(self) -> None:
        """Collect until `stop`, or until cancelled.

        StoreError, LinkError when the database or the socket cannot be had. Whatever ends it, everything that was
        received is committed first, every meter is disconnected, and the broker is told.
        """
        self._loop = asyncio.get_running_loop()
        await asyncio.to_thread(prepare)
        await asyncio.to_thread(self._writer.start)
        try:
            await self._collect()
        finally:
            await _shielded(self._close())

    async def _close(self) -> None:
        await asyncio.to_thread(self._writer.close)
        if self._pipeline is not None:
            await self._pipeline.see_outcomes()

    async def _collect(self) -> None:
        orders = self._orders
        visit, ids = await self._open_visit()
        for meter in orders.settings.meters:
            if meter.pin:
                visit.pin(meter.address, meter.pin)
        if orders.focus:
            visit.focus_on(orders.focus)
        async with AsyncExitStack() as stack:
            if orders.serve:
                server = LinkServer(orders.folder, orders.settings.station, VERSION, self.command)
                self._server = await stack.enter_async_context(server)
            publisher = self._publisher(stack)
            self._pipeline = pipeline = Pipeline(
                visit,
                ids,
                self._writer,
                self._show,
                self._tell_held,
                knowledge=Knowledge.from_settings(orders.settings),
                clock=orders.clock,
                publishing=Publishing(orders.settings.station, publisher[1]) if publisher else None,
            )
            drivers = await asyncio.to_thread(Drivers.of, orders.folder, orders.settings.meters)
            tell_failures(drivers.loaded)
            radio = Radio(
                clock=orders.clock,
                choose=drivers.choose,
                on_packet=self._came,
                on_change=self._radio_changed,
                known=await self._known_meters(pipeline),
                adopt=orders.adopt,
                scanner_backend=orders.scanner_backend,
                client_backend=orders.client_backend,
                jitter=orders.jitter,
                named=drivers.named,
            )
            finder = Finder(radio, drivers, self._reader.known_meters, lambda: radio.state.meters)
            self._teaching = Teaching(radio, finder, drivers, orders.folder, clock=orders.clock, show=self._show)
            stack.push_async_callback(self._teaching.close)
            self._roster = Roster(
                finder,
                radio,
                self._writer,
                rows=self._reader.known_meters,
                wanted=[*(meter.address for meter in orders.meters), *(one.address for one in orders.settings.meters)],
                show=self._show,
                call=pipeline.call,
            )
            pipeline.show_visit()
            self.started.set()
            try:
                async with asyncio.TaskGroup() as group:
                    following = follow_profiles(
                        orders.folder, drivers, orders.settings.meters, partial(self._profiles_changed, radio, drivers)
                    )
                    work = [
                        group.create_task(self._take_in(radio, pipeline)),
                        group.create_task(pipeline.run()),
                        group.create_task(following, name="profiles"),
                    ]
                    await self._stopping.wait()
                    for task in work:
                        task.cancel()
            finally:
                await _shielded(pipeline.finish())

    async def _take_in(self, radio: Radio, pipeline: Pipeline) -> None:
        if self._orders.feed is None:
            await radio.run()
        else:
            await self._orders.feed.run(pipeline.intake.put, pipeline.caught_up)
            self.stop()

    async def _profiles_changed(self, radio: Radio, drivers: Drivers, changed: Mapping[str, Profile | None]) -> None:
        """Connect anew what is read by a profile that is another now, and what could not be read at all."""
        for link in radio.state.meters:
            named, meter = radio.named(link.address), radio.known(link.address)
            if meter is None or (self._teaching is not None and self._teaching.teaches(link.address)):
                continue
            if isinstance(named, ProfileKind) and changed.get(named.name) == named.profile:
                continue  # it was taught just now, and is read by that already
            if link.driver in changed or link.state is LinkState.UNUSABLE:
                radio.name_driver(link.address, drivers.named.get(link.address.upper()))
                await radio.forget(link.address)
                radio.know(meter)

    async def _open_visit(self) -> tuple[ActiveVisit, VisitIds]:
        orders = self._orders
        now = orders.clock.stamp()
        resumed = None
        if not orders.new_visit:
            resumed = await asyncio.wrap_future(self._writer.resume_visit(orders.place, orders.plan))
        opened = now if resumed is None else resumed.opened
        settings = orders.settings
        visit = ActiveVisit(orders.place, orders.plan, opened.utc_ns, settings.capacitor_tolerance, settings.rule)
        if resumed is None:
            return visit, await asyncio.wrap_future(self._writer.open_visit(orders.place, orders.plan, now))
        for key, text in resumed.ratings.items():
            visit.rate(key, text)
        for row in resumed.held:
            visit.keep(row.point, Held(row.reading, row.judgement, row.meter.name, row.settled_in))
        if visit.focus is not None:
            visit.probes_off(visit.focus)
        return visit, resumed.ids

    async def _known_meters(self, pipeline: Pipeline) -> list[Meter]:
        """Return the meters to connect: each bound one, with what it is known by, before what was only named."""
        bound = [row for row in await asyncio.to_thread(self._reader.known_meters) if row.bound]
        for row in bound:
            pipeline.call(row.address_now, row.meter.name)
        settled = {address.upper() for row in bound for address in (row.meter.address, *row.aliases)}
        named = [Meter(meter.address, meter.name) for meter in self._orders.settings.meters]
        others = [meter for meter in (*self._orders.meters, *named) if meter.address.upper() not in settled]
        return [*(replace(row.meter, address=row.address_now) for row in bound), *others]

    @property
    def _reader(self) -> Reader:
        return Reader(self._orders.folder / DATABASE)

    def _publisher(self, stack: AsyncExitStack) -> "tuple[Publisher, asyncio.Event] | None":
        """Start the publisher where a broker is configured; it is stopped last, so the final rows still go out."""
        if self._orders.broker is None:
            return None
        # A tenth of a second that few stations need.
        from meterlink.publish.outbox import StoreOutbox  # noqa: PLC0415
        from meterlink.publish.publisher import Publisher  # noqa: PLC0415

        outbox = StoreOutbox(self._reader, self._writer)
        publisher = Publisher(
            self._orders.broker,
            self._orders.settings.station,
            outbox,
            lambda level, text: self._notify("broker", NoticeView(topic="notice", level=level, text=text)),
            clock=self._orders.clock,
        )
        task = asyncio.create_task(publisher.run(), name="publisher")

        async def end() -> None:
            await self._let_go_out(publisher)
            publisher.stop()
            await _shielded(task)

        stack.push_async_callback(end)
        return publisher, outbox.changed

    async def _let_go_out(self, publisher: "Publisher") -> None:
        """Give what was measured last a moment to reach the broker; what does not, waits on disk."""
        with suppress(TimeoutError, StoreError):
            async with asyncio.timeout(LAST_WORDS):
                # The outbox is a table: it is looked at, nobody signals that it is empty.
                while publisher.state == "online" and (await asyncio.to_thread(self._reader.counts))["outbox"]:  # noqa: ASYNC110
                    await asyncio.sleep(0.05)

    def _came(self, packet: Packet) -> None:
        """Called in a Bluetooth callback."""
        if self._teaching is not None:
            self._teaching.take(packet)
        if self._pipeline is not None and packet.session.kind != Capturing.name:  # which nobody can read yet
            self._pipeline.intake.put(packet)

    def _radio_changed(self, state: RadioState) -> None:
        for meter in state.meters:
            if self._said.get(meter.address) != (
                said := f"{meter.name or meter.address}: {meter.state} {meter.detail}"
            ):
                self._said[meter.address] = said
                log.info("%s", said.rstrip())
        if state.problem != self._said.get("", ""):
            self._said[""] = state.problem
            log.warning("%s", state.problem or "The radio works again.")
        if self._pipeline is not None:
            self._pipeline.radio_changed(state)

    def _show(self, message: Message) -> None:
        if self._server is not None:
            self._server.publish(message)
        for listener in self._listeners:
            listener(message)

    def _tell_held(self, point: TestPoint, held: Held) -> None:
        log.info("%s: %s %s", point.title, held.reading.text, held.judgement.verdict)
        for listener in self._held_listeners:
            listener(point, held)

    def _alarm_from_writer(self, text: str) -> None:
        """Called in the writer's thread."""
        if self._loop is not None and not self._loop.is_closed():
            notice = NoticeView(topic="notice", level="alarm" if text else "info", text=text)
            self._loop.call_soon_threadsafe(self._saving, notice)

    def _saving(self, notice: NoticeView) -> None:
        if self._pipeline is not None:
            self._pipeline.saving_fails(fails=bool(notice["text"]))
        self._notify("store", notice)

    def _notify(self, source: str, notice: NoticeView) -> None:
        """Show the gravest notice that stands: a watcher has room for one."""
        if notice["text"] and self._notices.get(source) != notice:
            log.warning("%s", notice["text"])
        self._notices[source] = notice
        order = ("alarm", "warning", "info")
        self._show(min(self._notices.values(), key=lambda one: (not one["text"], order.index(one["level"]))))


async def _shielded(work: Awaitable[None]) -> None:
    """Finish ``work`` even when cancelled meanwhile, then pass the cancellation on."""
    task = asyncio.ensure_future(work)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await task
        raise
