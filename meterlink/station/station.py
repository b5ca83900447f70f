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
from meterlink.ble.capture_driver import CaptureDriverFactory
from meterlink.ble.connection import ReceivedPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import ConnectionState, RadioState
from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Meter, Plan, Site, TestPoint
from meterlink.core.errors import StoreError
from meterlink.core.units import load_unit_registry
from meterlink.link.messages import Command, Message, NoticeView
from meterlink.link.server import LinkServer
from meterlink.profiles import Profile, ProfileDriverFactory
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.commands import METER_COMMANDS, MeterCommands
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers, log_failures, watch_profiles
from meterlink.station.pipeline import JudgingConfig, OnAccepted, Pipeline, PublishingConfig
from meterlink.station.replay import PacketSource
from meterlink.station.teaching import Teaching
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.store.reader import Reader
from meterlink.store.rows import VisitIds
from meterlink.store.writer import Writer

if TYPE_CHECKING:
    from meterlink.publish.mqtt import BrokerConfig
    from meterlink.publish.publisher import Publisher

log = logging.getLogger(__name__)

# How long a station that is told to stop waits for the broker to take the last readings: a person is waiting, too.
FLUSH_TIMEOUT = 3.0  # s


@dataclass(frozen=True, slots=True)
class StationConfig:
    """What a station is to do. ``meters`` may be connected; with ``adopt`` so may any other that a driver fits.

    The backends are bleak's own unless given, and ``jitter`` draws the radio's pauses (see `Radio`); ``serve`` is false
    where nobody can watch (a run in simulated time). ``focus`` is the test point to begin at, empty for the usual one.
    A ``feed`` takes the radio's place; at its end the station stops.
    """

    folder: Path
    settings: Settings
    site: Site
    plan: Plan
    boot_id: str
    meters: tuple[Meter, ...] = ()
    adopt: bool = False
    new_visit: bool = False
    serve: bool = True
    broker: "BrokerConfig | None" = None
    clock: Clock = field(default_factory=SystemClock)
    scanner_backend: ScannerBackend | None = None
    client_backend: ClientBackend | None = None
    jitter: Callable[[float, float], float] = random.uniform
    first_point: str = ""
    packet_source: PacketSource | None = None


class Station:
    """One machine that collects. ``run`` it until ``stop`` is called; listeners hear what watchers see."""

    def __init__(self, config: StationConfig) -> None:
        self._config = config
        self._writer = Writer(
            config.folder / DATABASE_FILE,
            station=config.settings.station,
            clock=config.clock,
            boot_id=config.boot_id,
            on_alarm=self._on_writer_alarm,
        )
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping = asyncio.Event()
        self._listeners: list[Callable[[Message], None]] = []
        self._accepted_listeners: list[OnAccepted] = []
        self._server: LinkServer | None = None
        self._pipeline: Pipeline | None = None
        self._meter_commands: MeterCommands | None = None
        self._teaching: Teaching | None = None
        self._notices: dict[str, NoticeView] = {}
        self._logged: dict[str, str] = {}  # what the log was told of each meter, and of the radio under ""
        self.started = asyncio.Event()

    @property
    def busy(self) -> bool:
        """Whether the store has work that is not committed yet."""
        return self._writer.busy

    def stop(self) -> None:
        """Ask `run` to end; call it in the event loop's thread."""
        self._stopping.set()

    def add_listener(self, listener: Callable[[Message], None]) -> None:
        """Have ``listener`` called with every view as it changes."""
        self._listeners.append(listener)

    def add_accepted_listener(self, listener: OnAccepted) -> None:
        """Have ``listener`` called with every held reading, once it is committed."""
        self._accepted_listeners.append(listener)

    async def execute(self, command: Command) -> str:
        """Carry a watcher's command out; return why not, in words, or nothing."""
        if self._pipeline is None:
            return "The station is still starting."
        if command.get("do") in METER_COMMANDS and self._meter_commands is not None:
            return await self._meter_commands.execute(command)
        if command.get("do") == "teach" and self._teaching is not None:
            return await self._teaching.execute(command.get("meter", ""), command.get("text", ""))
        return await self._pipeline.execute(command)

    async def run(self) -> None:
        """Collect until `stop`, or until cancelled.

        StoreError, LinkError when the database or the socket cannot be had. Whatever ends it, everything that was
        received is committed first, every meter is disconnected, and the broker is told.
        """
        self._loop = asyncio.get_running_loop()
        await asyncio.to_thread(load_unit_registry)
        await asyncio.to_thread(self._writer.start)
        try:
            await self._collect()
        finally:
            await _shielded(self._close())

    async def _close(self) -> None:
        await asyncio.to_thread(self._writer.close)
        if self._pipeline is not None:
            await self._pipeline.wait_for_commits()

    async def _collect(self) -> None:
        orders = self._config
        visit, ids = await self._open_visit()
        for meter in orders.settings.meters:
            if meter.pinned_point:
                visit.pin(meter.address, meter.pinned_point)
        if orders.first_point:
            visit.set_focus(orders.first_point)
        async with AsyncExitStack() as stack:
            if orders.serve:
                server = LinkServer(orders.folder, orders.settings.station, VERSION, self.execute)
                self._server = await stack.enter_async_context(server)
            publisher = self._publisher(stack)
            self._pipeline = pipeline = Pipeline(
                visit,
                ids,
                self._writer,
                self._send_view,
                self._on_accepted,
                config=JudgingConfig.from_settings(orders.settings),
                clock=orders.clock,
                publishing=PublishingConfig(orders.settings.station, publisher[1]) if publisher else None,
            )
            drivers = await asyncio.to_thread(Drivers.load, orders.folder, orders.settings.meters)
            log_failures(drivers.loaded)
            radio = Radio(
                clock=orders.clock,
                choose_driver=drivers.choose,
                on_packet=self._on_packet,
                on_state_change=self._on_radio_state,
                known_meters=await self._meters_to_connect(pipeline),
                adopt=orders.adopt,
                scanner_backend=orders.scanner_backend,
                client_backend=orders.client_backend,
                jitter=orders.jitter,
                configured_drivers=drivers.configured,
            )
            finder = MeterDiscovery(radio, drivers, self._reader.known_meters, lambda: radio.state.meters)
            self._teaching = Teaching(
                radio, finder, drivers, orders.folder, clock=orders.clock, send_view=self._send_view
            )
            stack.push_async_callback(self._teaching.close)
            self._meter_commands = MeterCommands(
                finder,
                radio,
                self._writer,
                known_meters=self._reader.known_meters,
                always_connected=[
                    *(meter.address for meter in orders.meters),
                    *(one.address for one in orders.settings.meters),
                ],
                send_view=self._send_view,
                rename_meter=pipeline.rename_meter,
            )
            pipeline.send_visit_view()
            self.started.set()
            try:
                async with asyncio.TaskGroup() as group:
                    following = watch_profiles(
                        orders.folder,
                        drivers,
                        orders.settings.meters,
                        partial(self._on_profiles_changed, radio, drivers),
                    )
                    work = [
                        group.create_task(self._receive_packets(radio, pipeline)),
                        group.create_task(pipeline.run()),
                        group.create_task(following, name="profiles"),
                    ]
                    await self._stopping.wait()
                    for task in work:
                        task.cancel()
            finally:
                await _shielded(pipeline.finish())

    async def _receive_packets(self, radio: Radio, pipeline: Pipeline) -> None:
        if self._config.packet_source is None:
            await radio.run()
        else:
            await self._config.packet_source.run(pipeline.packet_queue.put, pipeline.wait_until_handled)
            self.stop()

    async def _on_profiles_changed(self, radio: Radio, drivers: Drivers, changed: Mapping[str, Profile | None]) -> None:
        """Connect anew what is read by a profile that is another now, and what could not be read at all."""
        for link in radio.state.meters:
            named, meter = radio.configured_driver(link.address), radio.known_meter(link.address)
            if meter is None or (self._teaching is not None and self._teaching.is_teaching(link.address)):
                continue
            if isinstance(named, ProfileDriverFactory) and changed.get(named.name) == named.profile:
                continue  # it was taught just now, and is read by that already
            if link.driver in changed or link.state is ConnectionState.UNUSABLE:
                radio.set_driver(link.address, drivers.configured.get(link.address.upper()))
                await radio.remove_meter(link.address)
                radio.add_meter(meter)

    async def _open_visit(self) -> tuple[ActiveVisit, VisitIds]:
        orders = self._config
        now = orders.clock.now()
        resumed = None
        if not orders.new_visit:
            resumed = await asyncio.wrap_future(self._writer.resume_visit(orders.site, orders.plan))
        opened = now if resumed is None else resumed.opened
        settings = orders.settings
        visit = ActiveVisit(orders.site, orders.plan, opened.utc_ns, settings.capacitor_tolerance, settings.rule)
        if resumed is None:
            return visit, await asyncio.wrap_future(self._writer.open_visit(orders.site, orders.plan, now))
        for key, text in resumed.ratings.items():
            visit.set_rating(key, text)
        for row in resumed.accepted:
            visit.add_accepted(
                row.point_key, AcceptedReading(row.reading, row.judgement, row.meter.name, row.settled_in)
            )
        if visit.focus is not None:
            visit.probes_removed(visit.focus)
        return visit, resumed.ids

    async def _meters_to_connect(self, pipeline: Pipeline) -> list[Meter]:
        """Return the meters to connect: each bound one, with what it is known by, before what was only named."""
        bound = [row for row in await asyncio.to_thread(self._reader.known_meters) if row.bound]
        for row in bound:
            pipeline.rename_meter(row.current_address, row.meter.name)
        settled = {address.upper() for row in bound for address in (row.meter.address, *row.aliases)}
        named = [Meter(meter.address, meter.name) for meter in self._config.settings.meters]
        others = [meter for meter in (*self._config.meters, *named) if meter.address.upper() not in settled]
        return [*(replace(row.meter, address=row.current_address) for row in bound), *others]

    @property
    def _reader(self) -> Reader:
        return Reader(self._config.folder / DATABASE_FILE)

    def _publisher(self, stack: AsyncExitStack) -> "tuple[Publisher, asyncio.Event] | None":
        """Start the publisher where a broker is configured; it is stopped last, so the final rows still go out."""
        if self._config.broker is None:
            return None
        # A tenth of a second that few stations need.
        from meterlink.publish.outbox import StoreOutbox  # noqa: PLC0415
        from meterlink.publish.publisher import Publisher  # noqa: PLC0415

        outbox = StoreOutbox(self._reader, self._writer)
        publisher = Publisher(
            self._config.broker,
            self._config.settings.station,
            outbox,
            lambda level, text: self._send_notice("broker", NoticeView(topic="notice", level=level, text=text)),
            clock=self._config.clock,
        )
        task = asyncio.create_task(publisher.run(), name="publisher")

        async def end() -> None:
            await self._flush_outbox(publisher)
            publisher.stop()
            await _shielded(task)

        stack.push_async_callback(end)
        return publisher, outbox.changed

    async def _flush_outbox(self, publisher: "Publisher") -> None:
        """Give what was measured last a moment to reach the broker; what does not, waits on disk."""
        with suppress(TimeoutError, StoreError):
            async with asyncio.timeout(FLUSH_TIMEOUT):
                # The outbox is a table: it is looked at, nobody signals that it is empty.
                while publisher.state == "online" and (await asyncio.to_thread(self._reader.counts))["outbox"]:  # noqa: ASYNC110
                    await asyncio.sleep(0.05)

    def _on_packet(self, packet: ReceivedPacket) -> None:
        """Called in a Bluetooth callback."""
        if self._teaching is not None:
            self._teaching.add_packet(packet)
        if (
            self._pipeline is not None and packet.session.driver_name != CaptureDriverFactory.name
        ):  # which nobody can read yet
            self._pipeline.packet_queue.put(packet)

    def _on_radio_state(self, state: RadioState) -> None:
        for meter in state.meters:
            if self._logged.get(meter.address) != (
                said := f"{meter.name or meter.address}: {meter.state} {meter.detail}"
            ):
                self._logged[meter.address] = said
                log.info("%s", said.rstrip())
        if state.error != self._logged.get("", ""):
            self._logged[""] = state.error
            log.warning("%s", state.error or "The radio works again.")
        if self._pipeline is not None:
            self._pipeline.set_radio_state(state)

    def _send_view(self, message: Message) -> None:
        if self._server is not None:
            self._server.publish(message)
        for listener in self._listeners:
            listener(message)

    def _on_accepted(self, point: TestPoint, accepted: AcceptedReading) -> None:
        log.info("%s: %s %s", point.title, accepted.reading.text, accepted.judgement.verdict)
        for listener in self._accepted_listeners:
            listener(point, accepted)

    def _on_writer_alarm(self, text: str) -> None:
        """Called in the writer's thread."""
        if self._loop is not None and not self._loop.is_closed():
            notice = NoticeView(topic="notice", level="alarm" if text else "info", text=text)
            self._loop.call_soon_threadsafe(self._on_saving_notice, notice)

    def _on_saving_notice(self, notice: NoticeView) -> None:
        if self._pipeline is not None:
            self._pipeline.set_saving_failed(failed=bool(notice["text"]))
        self._send_notice("store", notice)

    def _send_notice(self, source: str, notice: NoticeView) -> None:
        """Show the gravest notice that stands: a watcher has room for one."""
        if notice["text"] and self._notices.get(source) != notice:
            log.warning("%s", notice["text"])
        self._notices[source] = notice
        order = ("alarm", "warning", "info")
        self._send_view(min(self._notices.values(), key=lambda one: (not one["text"], order.index(one["level"]))))


async def _shielded(work: Awaitable[None]) -> None:
    """Finish ``work`` even when cancelled meanwhile, then pass the cancellation on."""
    task = asyncio.ensure_future(work)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await task
        raise
