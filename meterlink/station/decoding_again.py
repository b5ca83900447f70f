"""Kept packets decoded again, after a profile or a driver was corrected: the changes, and the new verdicts.

Nothing is written here. The bytes of every reading are in the database as long as the reading; those that made no
reading are not, and cannot be decoded again.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import MANUAL_ENTRY, Phase, Reading, Status
from meterlink.core.text import clean_text, did_you_mean
from meterlink.core.verdicts import Judgement
from meterlink.driver_api import Characteristic, DriverFactory
from meterlink.settings import Settings
from meterlink.station.current_visit import CurrentVisit, no_visit
from meterlink.station.drivers import Drivers
from meterlink.station.known_meters import KnownMeter, KnownMeters
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import ActiveVisit
from meterlink.station.visit_desk import resumed_visit
from meterlink.station.visit_judge import VisitJudge
from meterlink.store.history_query import HistoryFilter
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow, MeterRow

_BEFORE_CONTACT = 5.0  # s of raw readings before the contact of the probes: the detector needs to see it
_MOST_AROUND = 5_000  # raw readings: some minutes of a fast meter
_FEWEST_AROUND = 3  # with fewer the others were thinned
_PAGE = 5_000  # raw readings at a time: some MB of memory

Decoder = Callable[[Reading], "Reading | None"]
"""Takes a kept reading; returns the reading that a driver makes of its bytes, None where it cannot decode them."""


@dataclass(frozen=True, slots=True)
class DecodedReading:
    """An accepted reading that would change: ``decoded`` of the same packet, ``judgement`` by the limits of its visit.

    ``point`` is its test point. ``is_closed``: its visit is closed, and keeps the reading as it is.
    """

    row: HistoryRow
    point: TestPoint
    decoded: Reading
    judgement: Judgement
    is_closed: bool


@dataclass(frozen=True, slots=True)
class ReadNow:
    """A display that came to rest in a visit, and was refused: it has a value by the corrected profile only.

    Nobody can say any more which test point it was of; so it is listed, and not accepted.
    """

    decoded: Reading
    visit_uid: str


@dataclass(slots=True)
class RawCounts:
    """The raw readings of a meter, decoded again: how many are the same, and how the others differ."""

    same: int = 0
    another_value: int = 0
    newly_read: int = 0  # they had no value
    no_longer_read: int = 0  # they have none any more
    not_decoded: int = 0  # of another characteristic, or the driver needs more than one packet

    @property
    def total(self) -> int:
        """All raw readings."""
        return self.same + self.another_value + self.newly_read + self.no_longer_read + self.not_decoded

    def add(self, before: Reading, decoded: Reading | None) -> None:
        """Count one reading."""
        if decoded is None:
            self.not_decoded += 1
        elif not differs(before, decoded):
            self.same += 1
        elif before.status is Status.INVALID:
            self.newly_read += 1
        elif decoded.status is Status.INVALID:
            self.no_longer_read += 1
        else:
            self.another_value += 1


def find_meter(known: KnownMeters, rows: Sequence[MeterRow], address_or_name: str) -> KnownMeter:
    """Return the meter of an address, of the name in force, or of the one that it advertises; ``name`` is never empty.

    Raises:
        InputError: there is none, several have the name, or its readings are typed in.
    """
    advertised = {row.meter.address: row.meter.name for row in rows}
    meter = known.find(address_or_name)
    if meter is None:
        addresses = [address for address, name in advertised.items() if name and name == clean_text(address_or_name)]
        if len(addresses) != 1:
            names = [*advertised.values(), *(meter.name for meter in known)]
            remedy = did_you_mean(address_or_name, filter(None, names)) or "See: meterlink meter list"
            number = f"{len(addresses)} meters have" if addresses else "No meter has"
            raise InputError(f"{number} the name or address {clean_text(address_or_name)!r}.", remedy)
        meter = known.at(addresses[0])
    if meter.first_address == MANUAL_ENTRY:
        raise InputError("Typed readings have no packets.", "Void a wrong one: meterlink visit void")
    return replace(meter, name=meter.name or advertised.get(meter.first_address, "") or meter.first_address)


def factory_of(drivers: Drivers, rows: Sequence[MeterRow], meter: KnownMeter) -> DriverFactory:
    """Return the driver or profile that decodes a meter now: the one that was chosen for it, else its last one.

    Raises:
        InputError: it is not there any more.
    """
    last = [row.meter.driver for row in rows if row.meter.address == meter.first_address]
    name = next(filter(None, [meter.driver, *last]), "")
    factory = drivers.find(name) if name else None
    if factory is None:
        which = f"Its driver {name!r} is not there any more" if name else "It has no driver"
        raise InputError(f"{meter.name}: {which}.", "Name a file with --profile, or choose one: meterlink meter driver")
    return factory


def open_decoder(factory: DriverFactory) -> Decoder:
    """Return a decoder of single packets; it never raises. A driver that joins packets decodes none alone."""
    from meterlink.profiles import KeptDecoder, ProfileDriverFactory  # noqa: PLC0415  # a tenth of the imports of a station

    if isinstance(factory, ProfileDriverFactory):
        return KeptDecoder(factory).decode
    return lambda reading: _decode_alone(factory, reading)


def _decode_alone(factory: DriverFactory, reading: Reading) -> Reading | None:
    """Return the reading of a driver that is no profile; None unless it makes exactly one of the packet."""
    channel = reading.channel
    services = [Characteristic(channel, channel.partition("@")[0], "", frozenset({"notify"}))]
    try:
        readings = list(factory.open(services).feed(channel, reading.packet, reading.timestamp))
    except Exception:  # noqa: BLE001  # a driver may be foreign code; without the descriptors of the meter it may refuse
        return None
    return replace(readings[0], packet=reading.packet) if len(readings) == 1 else None


def differs(before: Reading, decoded: Reading) -> bool:
    """Return whether a reading decoded again has another display than before."""
    return _display(before) != _display(decoded)


def _display(reading: Reading) -> tuple[object, ...]:
    # Digits as text: 4.7 and 4.70 are two displays.
    digits = None if reading.digits is None else f"{reading.digits:f}"
    return (
        reading.quantity, digits, reading.unit, reading.status, reading.coupling, reading.resolution,
        reading.low_battery, reading.display_hold, reading.relative,
    )  # fmt: skip


def _reads_now(before: Reading, decoded: Reading) -> bool:
    return before.status is Status.INVALID and decoded.status is Status.OK


def _has_settled(readings: Iterable[Reading]) -> bool:
    """Return whether the last of a meter's readings is one of a display at rest."""
    tracker = MeterTracker("", "", 0, 0)
    for reading in readings:
        tracker.add_reading(reading)
    return tracker.settling.settled_reading is not None or tracker.settling.phase is Phase.ACCEPTED


class DecodingAgain:
    """Finds the readings of one meter that would change; ``since_utc_ns`` is ns since 1970 UTC, None for all."""

    def __init__(
        self, reader: Reader, settings: Settings, known: KnownMeters, meter: KnownMeter, since_utc_ns: int | None
    ) -> None:
        self._reader = reader
        self._settings = settings
        self._meter = meter
        self._since = since_utc_ns
        nowhere = CurrentVisit(no_visit(settings.capacitor_tolerance, settings.rule))
        self._judge = VisitJudge(nowhere, known, settings.ambient_celsius)

    def accepted(self, decode: Decoder) -> Iterator[DecodedReading]:
        """Yield each accepted reading that would change, oldest first, voided ones too.

        Raises:
            PlanError: the plan of a visit cannot be read by this version.
            StoreError: the database cannot be read.
        """
        chosen = HistoryFilter(meter=self._meter.first_address, since_utc_ns=self._since)
        visits: dict[str, tuple[ActiveVisit, bool]] = {}
        for row in self._reader.history_page(chosen):
            decoded = decode(row.reading)
            if decoded is None or not differs(row.reading, decoded):
                continue
            if row.visit_uid not in visits:
                visits[row.visit_uid] = self._visit(row.visit_uid)
            visit, is_closed = visits[row.visit_uid]
            key, accepted = visit.find_accepted(row.uid)
            point = visit.points.get(key) or next(planned for planned in visit.plan.points if planned.key == key)
            judgement = self._judge.judge_decoded_again(
                visit, point, accepted, decoded, at_rest=self._was_at_rest(row, decode)
            )
            yield DecodedReading(row, point, decoded, judgement, is_closed)

    def _was_at_rest(self, row: HistoryRow, decode: Decoder) -> bool:
        """Return whether the display had settled by the corrected values, too.

        It says so where nothing can be said: a person accepted the reading, or its raw readings were thinned.
        """
        if not row.settled_in:
            return True
        around = self._reader.readings_around(row.id, row.settled_in + _BEFORE_CONTACT, 0.0, _MOST_AROUND)
        decoded = [decode(stored.reading) for stored in around]
        if len(decoded) < _FEWEST_AROUND or None in decoded:
            return True
        return _has_settled(filter(None, decoded)) or not _has_settled(stored.reading for stored in around)

    def raw(self, decode: Decoder, progress: Callable[[int], None] = lambda _: None) -> tuple[RawCounts, list[ReadNow]]:
        """Decode the raw readings that are still kept; count the differences, and list the displays that read now.

        ``progress`` gets the number of readings that were looked at, those of other meters among them.

        Raises:
            StoreError: the database cannot be read.
        """
        counts, looked_at = RawCounts(), 0
        read_now: list[ReadNow] = []
        trackers: dict[int, MeterTracker] = {}
        after_id = 0 if self._since is None else self._reader.first_reading_since(self._since) - 1
        addresses = {address.upper() for address in self._meter.addresses}
        while page := self._reader.readings_after(after_id, _PAGE):
            for stored in page:
                if stored.meter.address.upper() not in addresses:
                    continue
                decoded = decode(stored.reading)
                counts.add(stored.reading, decoded)
                tracker = trackers.setdefault(stored.connection_id, MeterTracker("", "", 0, stored.connection_id))
                tracker.add_reading(decoded or stored.reading)
                settled = tracker.settling.settled_reading
                if settled is not None and stored.visit_uid is not None and _reads_now(stored.reading, settled):
                    read_now.append(ReadNow(settled, stored.visit_uid))
            after_id, looked_at = page[-1].id, looked_at + len(page)
            progress(looked_at)
        return counts, read_now

    def _visit(self, uid: str) -> tuple[ActiveVisit, bool]:
        stored = self._reader.visit(uid)
        assert stored is not None  # noqa: S101  # one of its readings was read
        return resumed_visit(stored, self._settings), stored.closed_utc_ns is not None
