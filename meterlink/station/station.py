"""The daemon: radio, pipeline, store, watchers and broker, started and stopped in the right order."""

import asyncio
import logging
import shutil
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import AsyncExitStack
from functools import partial

from meterlink.ble.capture_driver import CaptureDriverFactory
from meterlink.ble.connection import ReceivedPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import RadioState
from meterlink.core.equipment import Meter, Site, TestPoint
from meterlink.core.errors import LinkError
from meterlink.core.meter_facts import FactName
from meterlink.core.notices import NoticeLevel
from meterlink.core.text import named_device
from meterlink.core.version import VERSION
from meterlink.link.messages import Command, CommandResult, Message
from meterlink.link.server import LinkServer
from meterlink.publish.topics import alarm_topic
from meterlink.settings import DATABASE_FILE
from meterlink.station.air_report import log_devices_on_the_air
from meterlink.station.alarms import Alarms
from meterlink.station.collection import Collection
from meterlink.station.command_handlers import CommandHandlers
from meterlink.station.commands import CommandTable
from meterlink.station.committer import OnAccepted
from meterlink.station.config import PublishingConfig
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.drivers import watch_profiles
from meterlink.station.first_visit import first_visit_unless_stopped, resumed_visit_text
from meterlink.station.known_meters import KnownMeters, meters_to_connect
from meterlink.station.liveness import LoopLag, stall
from meterlink.station.moved_meters import MovedMeters
from meterlink.station.notices import Notices
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.publishing import Publishing
from meterlink.station.radio_log import RadioLog
from meterlink.station.radio_parts import RadioParts, load_radio_parts
from meterlink.station.record_check import check_record
from meterlink.station.retention import Retention
from meterlink.station.settings_reload import SettingsReload
from meterlink.station.station_config import StationConfig
from meterlink.station.status import StationStatus
from meterlink.station.teaching import Teaching
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.station.visit_desk import pin_meters
from meterlink.store.reader import Reader
from meterlink.store.rows import VisitWithReadings
from meterlink.store.writer import Writer

__all__ = ["Station", "StationConfig"]

log = logging.getLogger(__name__)


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
        self._notices = Notices(self._send_view, self._request_alarms)
        self._radio_log: RadioLog | None = None
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
        visit = await first_visit_unless_stopped(
            config, self._writer, self._on_resumed, stopping=self._stopping, write_failed=self._write_failed
        )
        if visit is None:
            return
        if config.first_point:
            visit.set_focus(config.first_point)
        rows = await asyncio.to_thread(self._reader.known_meters)
        known = KnownMeters(config.settings, rows)
        meters = meters_to_connect(rows, config.meters, config.settings)
        pin_meters(visit, known)
        self._radio_log = RadioLog(known)
        async with AsyncExitStack() as stack:
            if config.serve:
                server = LinkServer(config.folder, config.settings.station, VERSION, self.result_of, self._send_views)
                self._server = await stack.enter_async_context(server)
            self._publishing = publishing = self._make_publishing()
            # It stops last, so that the final rows are still published.
            stack.push_async_callback(publishing.end)
            messages = await publishing.apply(config.settings.mqtt)
            self._collection = collection = self._make_collection(visit, known, messages)
            parts = await load_radio_parts(
                config,
                known,
                meters,
                self._reader,
                on_packet=self._on_packet,
                on_state_change=self._on_radio_state,
                send_view=self._send_view,
                keep_driver=partial(self._keep_driver, known),
            )
            self._teaching = parts.teaching
            stack.push_async_callback(parts.teaching.close)
            handlers = CommandHandlers(
                config,
                collection,
                parts,
                publishing,
                known,
                self._writer,
                self._reader,
                send_view=self._send_view,
                report=self._notices.report,
            )
            handlers.facts.log_remarks()
            await collection.repairs.load_stock()
            self._reload = handlers.reload
            status = self._make_status(known, collection, publishing)
            self._alarms = alarms = self._make_alarms(status, publishing)
            self._commands = handlers.table(status)
            try:
                async with asyncio.TaskGroup() as group:
                    work = self._work(collection, parts, handlers, alarms, known, meters)
                    tasks = [group.create_task(coroutine, name=name) for name, coroutine in work.items()]
                    await self._stopping.wait()
                    for task in tasks:
                        task.cancel()
            finally:
                await _shielded(collection.finish())

    def _work(
        self,
        collection: Collection,
        parts: RadioParts,
        handlers: CommandHandlers,
        alarms: Alarms,
        known: KnownMeters,
        meters: Sequence[Meter],
    ) -> dict[str, Coroutine[None, None, None]]:
        """Return all that a running station does at the same time, by the names of the tasks."""
        config, reload = self._config, handlers.reload
        work = {
            "packets": self._receive_packets(parts.radio, collection),
            "collection": collection.run(),
            "profiles": watch_profiles(
                config.folder, parts.drivers, known, lambda: reload.settings.meters, parts.reconnect
            ),
            "retention": self._make_retention(reload).run(),
            "loop-lag": self._loop_lag.run(),
            "alarms": alarms.run(),
            "record-check": check_record(config.folder / DATABASE_FILE, partial(self._notices.report, "damage")),
            "begin-commands": self._begin_commands(collection),
        }
        if config.packet_source is None:
            names = [named_device(known.name_at(meter.address) or meter.name, meter.address) for meter in meters]
            work["air-report"] = log_devices_on_the_air(
                parts.discovery, names, lambda: parts.radio.state.error, adopt=config.adopt
            )
            moved = MovedMeters(
                parts.radio, self._reader.known_meters, parts.drivers.name_for, handlers.meters.change_address
            )
            work["moved-meters"] = moved.run()
        return work

    def _make_publishing(self) -> Publishing:
        config = self._config
        return Publishing(
            config.folder,
            config.settings.station,
            self._reader,
            self._writer,
            config.clock,
            partial(self._notices.report, "broker"),
            connects=config.publish,
        )

    def _make_collection(self, visit: ActiveVisit, known: KnownMeters, messages: PublishingConfig | None) -> Collection:
        config = self._config
        return Collection(
            CurrentVisit(visit),
            self._writer,
            self._reader,
            self._send_view,
            self._on_accepted,
            known=known,
            celsius=config.settings.ambient_celsius,
            clock=config.clock,
            publishing=messages,
            packet_queue=PacketQueue() if config.packet_source is None else PacketQueue(rate=None),
            is_watched=self._is_watched,
        )

    def _make_retention(self, reload: SettingsReload) -> Retention:
        folder = self._config.folder
        return Retention(
            self._writer,
            self._reader,
            self._config.clock,
            keeping=lambda: reload.settings.keeping,
            free=lambda: shutil.disk_usage(folder).free,
            report=partial(self._notices.report, "room"),
        )

    def _make_status(self, known: KnownMeters, collection: Collection, publishing: Publishing) -> StationStatus:
        config = self._config
        return StationStatus(
            config.folder,
            config.settings.station,
            config.clock,
            known,
            meters=collection.meters,
            waiting=lambda: (collection.packet_queue.size, self._writer.backlog),
            broker=lambda: publishing.state,
            notices=lambda: self._notices.present,
            longest_pause=lambda: self._loop_lag.longest,
        )

    def _make_alarms(self, status: StationStatus, publishing: Publishing) -> Alarms:
        tell = partial(publishing.set_retained, alarm_topic(self._config.settings.station))
        return Alarms(status, status.present_problems, tell, self._config.clock)

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

    def _on_resumed(self, resumed: VisitWithReadings) -> None:
        self._resumed_site = resumed.site
        if text := resumed_visit_text(resumed, self._config):
            self._notices.report("visit", NoticeLevel.WARNING, text)

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
        if self._radio_log is not None:
            self._radio_log.add(state)
        if self._collection is not None:
            self._collection.set_radio_state(state)
        self._request_alarms()
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

    def _request_alarms(self) -> None:
        if self._alarms is not None:
            self._alarms.request()

    def _on_writer_alarm(self, text: str) -> None:
        """Pass an alarm to the event loop; called in the writer's thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._on_saving_alarm, text)

    def _on_restored(self, text: str) -> None:
        """Pass on that the database is back in its place; called in the writer's thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._notices.report, "record", NoticeLevel.WARNING, text)
            asyncio.run_coroutine_threadsafe(self._open_socket_again(), self._loop)

    async def _open_socket_again(self) -> None:
        """Serve commands again where the socket was removed with the folder."""
        if self._server is not None:
            try:
                await self._server.open_again()
            except LinkError as error:
                log.warning("%s", error)

    def _on_saving_alarm(self, text: str) -> None:
        """Show that saving fails; with an empty text, that it does not any more."""
        if text:
            self._write_failed.set()
        if self._collection is not None:
            self._collection.set_saving_failed(failed=bool(text))
        self._notices.report("store", NoticeLevel.ALARM if text else NoticeLevel.INFO, text)
        if self._writer.ended is not None:
            self.stop()


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
