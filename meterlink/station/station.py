"""The daemon: radio, pipeline, store, watchers and broker, started and stopped in the right order."""

import asyncio
import logging
import random
import shutil
from collections.abc import Awaitable, Callable, Iterable, Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.capture_driver import CaptureDriverFactory
from meterlink.ble.connection import ReceivedPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import RadioState
from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import ConnectionState, Meter, Plan, Site, TestPoint
from meterlink.core.errors import DatabaseLockedError, LinkError
from meterlink.core.meter_facts import FactName
from meterlink.core.notices import NoticeLevel
from meterlink.core.text import named_device
from meterlink.core.version import VERSION
from meterlink.link.messages import Command, CommandResult, Message, NoticeView, Topic
from meterlink.link.server import LinkServer
from meterlink.publish.topics import alarm_topic
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.air_report import log_devices_on_the_air
from meterlink.station.alarms import Alarms
from meterlink.station.collection import Collection
from meterlink.station.commands import CommandTable, command_rows
from meterlink.station.committer import OnAccepted
from meterlink.station.current_visit import CurrentVisit, no_visit
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers, log_failures, profile_of, watch_profiles
from meterlink.station.known_meters import KnownMeters, meter_to_connect
from meterlink.station.liveness import LoopLag, stall
from meterlink.station.meter_commands import MeterCommands
from meterlink.station.meter_fact_commands import MeterFactCommands
from meterlink.station.moved_meters import MovedMeters
from meterlink.station.outbox_commands import OutboxCommands
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.place_commands import PlaceCommands
from meterlink.station.publishing import Publishing
from meterlink.station.record_check import check_record
from meterlink.station.replay import PacketSource
from meterlink.station.retention import Retention
from meterlink.station.seal_commands import SealCommands
from meterlink.station.settings_reload import SettingsReload
from meterlink.station.status import StationStatus
from meterlink.station.teaching import Teaching
from meterlink.station.thinning_commands import ThinningCommands
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.station.visit_desk import VisitDesk, pin_meters, resumed_visit
from meterlink.store.reader import Reader
from meterlink.store.rows import MeterRow, VisitWithReadings
from meterlink.store.writer import Writer

if TYPE_CHECKING:
    from meterlink.profiles import Profile

log = logging.getLogger(__name__)

# A visit whose newest reading is older is asked about when a station resumes it: the next day's first call may be
# elsewhere. Half a day; common practice, no source.
OLD_VISIT_HOURS = 12


@dataclass(frozen=True, slots=True)
class StationConfig:
    """The configuration of a station.

    With ``site`` and ``plan`` it opens a visit there, or resumes the open one; without (both None), it resumes the
    visit that was active when a station last ran, if any. It connects ``meters``; with ``adopt`` also other meters that
    a driver fits.

    The backends are bleak's by default, and ``jitter`` draws the radio's pauses (see `Radio`). ``serve`` is false
    for a run in simulated time, which has no watchers. Without ``publish`` messages wait in the outbox. ``first_point``
    is the first active test point; if empty, the first open point of the plan is active. A ``packet_source`` replaces
    the radio; the station stops at its end.
    """

    folder: Path
    settings: Settings
    site: Site | None
    plan: Plan | None
    boot_id: str
    meters: tuple[Meter, ...] = ()
    adopt: bool = False
    new_visit: bool = False
    serve: bool = True
    publish: bool = True
    clock: Clock = field(default_factory=SystemClock)
    scanner_backend: ScannerBackend | None = None
    client_backend: ClientBackend | None = None
    jitter: Callable[[float, float], float] = random.uniform
    first_point: str = ""
    packet_source: PacketSource | None = None


class Station:
    """The daemon. `run` runs until `stop` is called; listeners receive the same views as watchers."""

    def __init__(self, config: StationConfig) -> None:
        self._config = config
        self._writer = Writer(
            config.folder / DATABASE_FILE,
            station=config.settings.station,
            clock=config.clock,
            boot_id=config.boot_id,
            on_alarm=self._on_writer_alarm,
            on_restored=self._on_restored,
        )
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping = asyncio.Event()
        self._write_failed = asyncio.Event()
        self._listeners: list[Callable[[Message], None]] = []
        self._accepted_listeners: list[OnAccepted] = []
        self._server: LinkServer | None = None
        self._collection: Collection | None = None
        self._commands: CommandTable | None = None
        self._teaching: Teaching | None = None
        self._publishing: Publishing | None = None
        self._reload: SettingsReload | None = None
        self._resumed_site = Site("", "")
        self._alarms: Alarms | None = None
        self._loop_lag = LoopLag(lambda: asyncio.get_running_loop().time())
        self._notices: dict[str, NoticeView] = {}
        self._known: KnownMeters | None = None
        self._logged: dict[str, str] = {}  # the last logged state by meter address; the radio's under ""
        self.started = asyncio.Event()

    @property
    def busy(self) -> bool:
        """Whether the store has uncommitted work."""
        return self._writer.busy

    @property
    def has_watchers(self) -> bool:
        """Whether a dashboard or a command is connected."""
        return self._server is not None and self._server.has_watchers

    def personal_names(self) -> list[tuple[str, str]]:
        """Return the names of the present site and unit, which must not be in a log, each with the word for it."""
        sites = [self._resumed_site] if self._collection is None else [self._collection.current.visit.site]
        return [pair for site in sites for pair in ((site.name, "site"), (site.unit, "unit"))]

    def stall(self) -> str:
        """Return a sentence if the writer's thread hangs or has ended; empty while all is well."""
        return stall(self._writer)

    def stop(self) -> None:
        """End `run`; call it in the event loop's thread."""
        self._stopping.set()

    async def reload_settings(self) -> None:
        """Read the settings again and put them in force, as soon as the station has started; see `SettingsReload`."""
        await self.started.wait()
        if self._reload is not None:
            await self._reload.reload()

    def add_listener(self, listener: Callable[[Message], None]) -> None:
        """Call ``listener`` with every view as it changes."""
        self._listeners.append(listener)
        self._send_views()

    def add_accepted_listener(self, listener: OnAccepted) -> None:
        """Call ``listener`` with every accepted reading after its commit."""
        self._accepted_listeners.append(listener)

    async def execute(self, command: Command) -> str:
        """Carry out a watcher's command; return the error as a sentence, empty if there is none."""
        return (await self.result_of(command)).error

    async def result_of(self, command: Command) -> CommandResult:
        """Carry out a watcher's command; return its result."""
        if self._collection is not None:
            await self.started.wait()  # the drivers are being loaded
        if self._commands is None:
            return CommandResult("The station is still starting.")
        return await self._commands.execute(command)

    async def run(self) -> None:
        """Run until `stop` is called, or until cancelled.

        In every case all received readings are committed, all meters are disconnected, and the broker is informed.

        Raises:
            StoreError: the database cannot be opened, or another file was put in its place while the station ran.
            LinkError: the socket cannot be opened.
            SettingsError: the settings name a profile that is missing or has an error, or the file with the client
                identifier for the broker cannot be used.
        """
        self._loop = asyncio.get_running_loop()
        await asyncio.to_thread(self._writer.start)
        try:
            await self._collect()
        finally:
            await _shielded(self._close())
        if self._writer.ended is not None:
            raise self._writer.ended

    async def _close(self) -> None:
        await asyncio.to_thread(self._writer.close)
        if self._collection is not None:
            await self._collection.wait_for_commits()

    async def _collect(self) -> None:
        config = self._config
        visit = await self._visit_unless_stopped()
        if visit is None:
            return
        if config.first_point:
            visit.set_focus(config.first_point)
        current = CurrentVisit(visit)
        rows = await asyncio.to_thread(self._reader.known_meters)
        known = self._known = KnownMeters(config.settings, rows)
        pin_meters(visit, known)
        async with AsyncExitStack() as stack:
            if config.serve:
                server = LinkServer(config.folder, config.settings.station, VERSION, self.result_of, self._send_views)
                self._server = await stack.enter_async_context(server)
            self._publishing = publishing = Publishing(
                config.folder,
                config.settings.station,
                self._reader,
                self._writer,
                config.clock,
                partial(self._report_notice, "broker"),
                connects=config.publish,
            )
            # It stops last, so that the final rows are still published.
            stack.push_async_callback(publishing.end)
            self._collection = collection = Collection(
                current,
                self._writer,
                self._reader,
                self._send_view,
                self._on_accepted,
                known=known,
                celsius=config.settings.ambient_celsius,
                clock=config.clock,
                publishing=await publishing.apply(config.settings.mqtt),
                packet_queue=PacketQueue() if config.packet_source is None else PacketQueue(rate=None),
                is_watched=self._is_watched,
            )
            drivers = await asyncio.to_thread(Drivers.load, config.folder, known, config.settings.meters)
            log_failures(drivers.loaded)
            radio = Radio(
                clock=config.clock,
                choose_driver=drivers.choose,
                on_packet=self._on_packet,
                on_state_change=self._on_radio_state,
                known_meters=self._meters_to_connect(rows),
                adopt=config.adopt,
                adapter=config.settings.adapter,
                scanner_backend=config.scanner_backend,
                client_backend=config.client_backend,
                jitter=config.jitter,
                configured_drivers=drivers.configured,
            )
            discovery = MeterDiscovery(radio, drivers, self._reader.known_meters, lambda: radio.state.meters)
            self._teaching = Teaching(
                radio,
                discovery,
                drivers,
                config.folder,
                clock=config.clock,
                send_view=self._send_view,
                keep_driver=partial(self._keep_driver, known),
            )
            stack.push_async_callback(self._teaching.close)
            meter_commands = MeterCommands(
                discovery,
                radio,
                self._writer,
                known_meters=self._reader.known_meters,
                always_connected=[meter.address for meter in config.meters],
                configured=[meter.address for meter in config.settings.meters],
                send_view=self._send_view,
                known=known,
                show_facts=collection.show_meter_facts,
            )
            desk = VisitDesk(
                collection, self._writer, self._reader, config.settings, known, config.clock, self._send_view
            )
            meter_facts = MeterFactCommands(
                current,
                known,
                collection.trackers,
                drivers,
                radio,
                self._writer,
                config.clock,
                is_taught=self._teaching.is_teaching,
                judge_open_visits=desk.judge_open_visits,
                show_facts=collection.show_meter_facts,
                connected=collection.meters,
                send_view=self._send_view,
            )
            meter_facts.log_remarks()
            await collection.repairs.load_stock()
            places = PlaceCommands(
                current,
                desk,
                self._writer,
                self._reader,
                publish_again=collection.commands.publish_again,
                on_forgotten=publishing.read_again,
            )
            self._reload = reload = SettingsReload(
                config.folder,
                config.settings,
                known,
                collection,
                desk,
                meter_commands=meter_commands,
                drivers=drivers,
                radio=radio,
                publishing=publishing,
                is_taught=self._teaching.is_teaching,
                report=partial(self._report_notice, "settings"),
            )
            status = self._status(known, collection)
            self._alarms = Alarms(
                status,
                status.present_problems,
                partial(publishing.set_retained, alarm_topic(config.settings.station)),
                config.clock,
            )
            table = command_rows(
                collection.commands,
                collection.assignment,
                collection.repairs,
                desk,
                places,
                meter_commands,
                meter_facts,
                outbox=OutboxCommands(self._writer, self._reader, lambda: publishing.publisher),
                seals=SealCommands(self._writer),
                status=status,
                thinning=ThinningCommands(self._writer, config.clock),
                teaching=self._teaching,
            )
            self._commands = CommandTable(table, lambda key: current.require().planned_point(key), collection.show)
            try:
                async with asyncio.TaskGroup() as group:
                    watching = watch_profiles(
                        config.folder,
                        drivers,
                        known,
                        lambda: reload.settings.meters,
                        partial(self._on_profiles_changed, radio, drivers),
                    )
                    tasks = [
                        group.create_task(self._receive_packets(radio, collection)),
                        group.create_task(collection.run()),
                        group.create_task(watching, name="profiles"),
                        group.create_task(self._retention(reload).run(), name="retention"),
                        group.create_task(self._loop_lag.run(), name="loop-lag"),
                        group.create_task(self._alarms.run(), name="alarms"),
                        group.create_task(
                            check_record(config.folder / DATABASE_FILE, partial(self._report_notice, "damage")),
                            name="record-check",
                        ),
                        group.create_task(self._begin_commands(collection), name="begin-commands"),
                    ]
                    if config.packet_source is None:
                        names = [
                            named_device(known.name_at(meter.address) or meter.name, meter.address)
                            for meter in self._meters_to_connect(rows)
                        ]
                        report = log_devices_on_the_air(discovery, names, lambda: radio.state.error, adopt=config.adopt)
                        tasks.append(group.create_task(report, name="air-report"))
                        moved = MovedMeters(
                            radio, self._reader.known_meters, drivers.name_for, meter_commands.change_address
                        )
                        tasks.append(group.create_task(moved.run(), name="moved-meters"))
                    await self._stopping.wait()
                    for task in tasks:
                        task.cancel()
            finally:
                await _shielded(collection.finish())

    def _retention(self, reload: SettingsReload) -> Retention:
        folder = self._config.folder
        return Retention(
            self._writer,
            self._reader,
            self._config.clock,
            keeping=lambda: reload.settings.keeping,
            free=lambda: shutil.disk_usage(folder).free,
            report=partial(self._report_notice, "room"),
        )

    def _status(self, known: KnownMeters, collection: Collection) -> StationStatus:
        config = self._config
        return StationStatus(
            config.folder,
            config.settings.station,
            config.clock,
            known,
            meters=collection.meters,
            waiting=lambda: (collection.packet_queue.size, self._writer.backlog),
            broker=lambda: "" if self._publishing is None else self._publishing.state,
            notices=lambda: self._notices,
            longest_pause=lambda: self._loop_lag.longest,
        )

    async def _begin_commands(self, collection: Collection) -> None:
        """Judge the readings of the resumed visit by the present limits, rules and meters; then take commands."""
        visit = collection.current.visit
        if visit.ids is not None:
            await collection.commands.judge_again(visit)
        collection.show()
        self.started.set()

    async def _keep_driver(self, known: KnownMeters, address: str, name: str) -> None:
        """Read the meter with a profile that it was taught, at later starts, too."""
        rows = await asyncio.wrap_future(self._writer.set_meter_fact(address, FactName.DRIVER, name))
        known.load(rows)

    async def _receive_packets(self, radio: Radio, collection: Collection) -> None:
        if self._config.packet_source is None:
            await radio.run()
        else:
            await self._config.packet_source.run(collection.packet_queue.put, collection.wait_until_handled)
            self.stop()

    async def _on_profiles_changed(
        self, radio: Radio, drivers: Drivers, changed: "Mapping[str, Profile | None]"
    ) -> None:
        """Connect the meters again whose profile has changed, and those without a fitting driver."""
        for status in radio.state.meters:
            factory, meter = radio.configured_driver(status.address), radio.known_meter(status.address)
            if meter is None or (self._teaching is not None and self._teaching.is_teaching(status.address)):
                continue
            profile = profile_of(factory)
            if factory is not None and profile is not None and changed.get(factory.name) == profile:
                continue  # it was taught just now, and uses this profile already
            if status.driver in changed or status.state is ConnectionState.UNUSABLE:
                radio.set_driver(status.address, drivers.configured.get(status.address.upper()))
                await radio.remove_meter(status.address)
                radio.add_meter(meter)

    async def _visit_unless_stopped(self) -> ActiveVisit | None:
        """Return the first visit; None if the station is stopped before it is committed.

        Raises:
            StoreError: the disk is full or fails. A database that another program has locked is waited for.
        """
        opening = asyncio.create_task(self._first_visit())
        stopping, failing = (asyncio.create_task(event.wait()) for event in (self._stopping, self._write_failed))
        try:
            await asyncio.wait({opening, stopping, failing}, return_when=asyncio.FIRST_COMPLETED)
            fault = self._writer.fault
            if not opening.done() and fault is not None and not isinstance(fault, DatabaseLockedError):
                raise fault
            await asyncio.wait({opening, stopping}, return_when=asyncio.FIRST_COMPLETED)
            return opening.result() if opening.done() else None
        finally:
            for task in (opening, stopping, failing):
                task.cancel()
            await asyncio.gather(opening, stopping, failing, return_exceptions=True)

    async def _first_visit(self) -> ActiveVisit:
        """Open or resume the visit of the configuration; without one, resume the active visit of the database."""
        config, settings = self._config, self._config.settings
        if config.site is None or config.plan is None:
            active = await asyncio.wrap_future(self._writer.activate_visit())
            if active is None:
                return no_visit(settings.capacitor_tolerance, settings.rule)
            self._ask_about_old_visit(active)
            return resumed_visit(active, settings)
        resumed = None
        if not config.new_visit:
            resumed = await asyncio.wrap_future(self._writer.resume_visit(config.site, config.plan))
        if resumed is not None:
            return resumed_visit(resumed, settings, config.plan)
        opened = self._writer.open_visit(config.site, config.plan, config.clock.now())
        ids = await asyncio.wrap_future(opened)
        resumed = await asyncio.wrap_future(self._writer.activate_visit(ids.uid))
        assert resumed is not None  # noqa: S101  # it is open
        return resumed_visit(resumed, settings, config.plan)

    def _ask_about_old_visit(self, resumed: VisitWithReadings) -> None:
        self._resumed_site = resumed.site
        age = resumed.last_activity.age(self._config.clock.now(), self._config.boot_id)
        if age is None or age >= OLD_VISIT_HOURS * 3600:
            place = f"{resumed.site.unit}, {resumed.site.name},"
            old = (
                f"The last reading at {place} is {age / 3600:.0f} hours old."
                if age is not None
                else f"How old the visit at {place} is cannot be told: the clock was wrong then, or is now."
            )
            text = f"{old} Go on with this visit, or begin another."
            self._send_notice("visit", NoticeView(topic=Topic.NOTICE, level=NoticeLevel.WARNING, text=text))

    def _meters_to_connect(self, rows: Iterable[MeterRow]) -> list[Meter]:
        """Return the bound meters at their present addresses, then the configured ones."""
        bound = [row for row in rows if row.bound]
        bound_addresses = {address.upper() for row in bound for address in (row.meter.address, *row.aliases)}
        configured = [Meter(meter.address, meter.name) for meter in self._config.settings.meters]
        others = [
            meter for meter in (*self._config.meters, *configured) if meter.address.upper() not in bound_addresses
        ]
        return [*map(meter_to_connect, bound), *others]

    @property
    def _reader(self) -> Reader:
        return Reader(self._config.folder / DATABASE_FILE)

    def _on_packet(self, packet: ReceivedPacket) -> None:
        """Pass a packet on; called in a Bluetooth callback."""
        if self._teaching is not None:
            self._teaching.add_packet(packet)
        has_driver = packet.session.driver_name != CaptureDriverFactory.name
        if self._collection is not None and has_driver:
            self._collection.packet_queue.put(packet)

    def _on_radio_state(self, state: RadioState) -> None:
        for meter in state.meters:
            name = (self._known and self._known.name_at(meter.address)) or meter.name
            text = f"{named_device(name, meter.address)}: {meter.state} {meter.detail}"
            if self._logged.get(meter.address) != text:
                self._logged[meter.address] = text
                log.info("%s", text.rstrip())
        if state.error != self._logged.get("", ""):
            self._logged[""] = state.error
            log.warning("%s", state.error or "The radio works again.")
        if self._collection is not None:
            self._collection.set_radio_state(state)
        if self._alarms is not None:
            self._alarms.request()
        if self._teaching is not None:
            self._teaching.request_view()

    def _is_watched(self) -> bool:
        return bool(self._listeners) or self.has_watchers

    def _send_views(self) -> None:
        """Bring a new watcher up to date."""
        if self._collection is not None:
            self._collection.show()

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
        """Pass an alarm to the event loop; called in the writer's thread."""
        if self._loop is not None and not self._loop.is_closed():
            notice = NoticeView(topic=Topic.NOTICE, level=NoticeLevel.ALARM if text else NoticeLevel.INFO, text=text)
            self._loop.call_soon_threadsafe(self._on_saving_notice, notice)

    def _on_restored(self, text: str) -> None:
        """Pass on that the database is back in its place; called in the writer's thread."""
        if self._loop is not None and not self._loop.is_closed():
            notice = NoticeView(topic=Topic.NOTICE, level=NoticeLevel.WARNING, text=text)
            self._loop.call_soon_threadsafe(self._send_notice, "record", notice)
            asyncio.run_coroutine_threadsafe(self._open_socket_again(), self._loop)

    async def _open_socket_again(self) -> None:
        """Serve commands again where the socket was removed with the folder."""
        if self._server is not None:
            try:
                await self._server.open_again()
            except LinkError as error:
                log.warning("%s", error)

    def _on_saving_notice(self, notice: NoticeView) -> None:
        if notice["text"]:
            self._write_failed.set()
        if self._collection is not None:
            self._collection.set_saving_failed(failed=bool(notice["text"]))
        self._send_notice("store", notice)
        if self._writer.ended is not None:
            self.stop()

    def _report_notice(self, source: str, level: NoticeLevel, text: str) -> None:
        self._send_notice(source, NoticeView(topic=Topic.NOTICE, level=level, text=text))

    def _send_notice(self, source: str, notice: NoticeView) -> None:
        """Send the most severe present notice: a watcher has room for one."""
        if notice["text"] and self._notices.get(source) != notice:
            log.warning("%s", notice["text"])
        self._notices[source] = notice
        if self._alarms is not None:
            self._alarms.request()
        order = (NoticeLevel.ALARM, NoticeLevel.WARNING, NoticeLevel.INFO)
        notices = self._notices.values()
        self._send_view(min(notices, key=lambda present: (not present["text"], order.index(present["level"]))))


async def _shielded(awaitable: Awaitable[None]) -> None:
    """Finish ``awaitable`` even if cancelled meanwhile.

    Raises:
        CancelledError: the caller was cancelled meanwhile.
    """
    task = asyncio.ensure_future(awaitable)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await task
        raise
