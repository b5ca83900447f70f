"""The handlers of all commands of the watchers, put together from the parts of a station."""

from collections.abc import Callable
from functools import partial

from meterlink.core.notices import NoticeLevel
from meterlink.link.messages import Message
from meterlink.station.collection import Collection
from meterlink.station.commands import CommandTable, command_rows
from meterlink.station.decoding_commands import DecodingCommands
from meterlink.station.known_meters import KnownMeters
from meterlink.station.meter_commands import MeterCommands
from meterlink.station.meter_fact_commands import MeterFactCommands
from meterlink.station.outbox_commands import OutboxCommands
from meterlink.station.place_commands import PlaceCommands
from meterlink.station.publishing import Publishing
from meterlink.station.radio_parts import RadioParts
from meterlink.station.seal_commands import SealCommands
from meterlink.station.settings_reload import SettingsReload
from meterlink.station.station_config import StationConfig
from meterlink.station.status import StationStatus
from meterlink.station.thinning_commands import ThinningCommands
from meterlink.station.visit_desk import VisitDesk
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer


class CommandHandlers:
    """The handlers; ``reload`` puts changed settings in force. ``report(source, level, text)`` gets its notices."""

    def __init__(
        self,
        config: StationConfig,
        collection: Collection,
        parts: RadioParts,
        publishing: Publishing,
        known: KnownMeters,
        writer: Writer,
        reader: Reader,
        *,
        send_view: Callable[[Message], None],
        report: Callable[[str, NoticeLevel, str], None],
    ) -> None:
        self._collection = collection
        self._teaching = parts.teaching
        self.meters = MeterCommands(
            parts.discovery,
            parts.radio,
            writer,
            known_meters=reader.known_meters,
            always_connected=[meter.address for meter in config.meters],
            configured=[meter.address for meter in config.settings.meters],
            send_view=send_view,
            known=known,
            show_facts=collection.show_meter_facts,
        )
        self._desk = VisitDesk(collection, writer, reader, config.settings, known, config.clock, send_view)
        self.facts = MeterFactCommands(
            collection.current,
            known,
            collection.trackers,
            parts.drivers,
            parts.radio,
            writer,
            config.clock,
            is_taught=parts.teaching.is_teaching,
            judge_open_visits=self._desk.judge_open_visits,
            show_facts=collection.show_meter_facts,
            connected=collection.meters,
            send_view=send_view,
        )
        self._places = PlaceCommands(
            collection.current,
            self._desk,
            writer,
            reader,
            publish_again=collection.commands.publish_again,
            on_forgotten=publishing.read_again,
        )
        self._outbox = OutboxCommands(writer, reader, lambda: publishing.publisher)
        self._seals = SealCommands(writer)
        self._thinning = ThinningCommands(writer, config.clock)
        self.reload = SettingsReload(
            config.folder,
            config.settings,
            known,
            collection,
            self._desk,
            meter_commands=self.meters,
            drivers=parts.drivers,
            radio=parts.radio,
            publishing=publishing,
            is_taught=parts.teaching.is_teaching,
            report=partial(report, "settings"),
        )
        self._decoding = DecodingCommands(collection, parts.drivers, known, reader, writer, self.reload)

    def table(self, status: StationStatus) -> CommandTable:
        """Return the table of all commands; ``status`` answers the one that asks for it."""
        collection = self._collection
        rows = command_rows(
            collection.commands,
            collection.assignment,
            collection.repairs,
            self._desk,
            self._places,
            self.meters,
            self.facts,
            decoding=self._decoding,
            outbox=self._outbox,
            seals=self._seals,
            status=status,
            thinning=self._thinning,
            teaching=self._teaching,
        )
        return CommandTable(rows, lambda key: collection.current.require().planned_point(key), collection.show)
