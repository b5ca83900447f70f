"""The facts about each meter: a technician's entries in the database, and the settings of an administrator. No I/O."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date

from meterlink.core.calibration import Calibration, local_day, parse_calibration
from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError
from meterlink.core.meter_facts import Fact, FactName
from meterlink.core.readings import MANUAL_ENTRY
from meterlink.core.text import clean_text
from meterlink.judge.accuracy import AccuracySheet
from meterlink.judge.accuracy_entry import AccuracyEntry, parse_accuracy_entry
from meterlink.link.messages import KnownMeterView
from meterlink.settings import SETTINGS_FILE, MeterSettings, Settings
from meterlink.store.rows import MeterRow

TYPED_IN = "typed in"  # the name of the meter without radio, whose readings a person types


@dataclass(frozen=True, slots=True)
class KnownMeter:
    """One meter: its rows, and the facts about it that count now.

    ``address`` is the present one, ``first_address`` that of the database. ``accuracy`` is None where nobody entered
    one, ``sheet`` judges its readings. ``remarks`` are sentences on the entries that do not count, and on those that
    cannot be used.
    """

    address: str
    first_address: str
    addresses: tuple[str, ...]
    bound: bool = False
    serial: str = ""
    name: str = ""
    test_point: str = ""
    driver: str = ""
    accuracy: AccuracyEntry | None = None
    sheet: AccuracySheet | None = None
    calibration: Calibration | None = None
    remarks: tuple[str, ...] = ()


_UNKNOWN = KnownMeter("", "", ())


class KnownMeters:
    """The meters of the settings and of the database, by each of their addresses.

    One fact has one home: where the settings and a technician both name it, the newer entry counts.
    """

    def __init__(self, settings: Settings, rows: Iterable[MeterRow] = ()) -> None:
        self._settings = settings
        self._rows: tuple[MeterRow, ...] = ()
        self._logged: set[str] = set()
        self._links: dict[str, str] = {}  # {address in capitals: first address}, of meters recognised on the air
        self._by_address: dict[str, KnownMeter] = {}
        self._meters: tuple[KnownMeter, ...] = ()
        self.load(rows)

    def __iter__(self) -> Iterator[KnownMeter]:
        return iter(self._meters)

    def load(self, rows: Iterable[MeterRow]) -> None:
        """Take the meters of the database in place of those before."""
        self._rows = tuple(rows)
        self._resolve()

    def set_settings(self, settings: Settings) -> None:
        """Take the meters of these settings in place of those before."""
        self._settings = settings
        self._resolve()

    def link(self, address: str, first_address: str) -> None:
        """Record that the meter in the database at ``first_address`` has the address ``address`` now."""
        if address.upper() not in self._by_address:
            self._links[address.upper()] = first_address
            self._resolve()

    def new_remarks(self) -> list[str]:
        """Return the remarks since the last call, each with the meter that it is about."""
        remarks = [f"{meter.name or meter.address}: {remark}" for meter in self._meters for remark in meter.remarks]
        new = [remark for remark in remarks if remark not in self._logged]
        self._logged.update(new)
        return new

    def at(self, address: str) -> KnownMeter:
        """Return the meter with this address in any case; one without facts if none is known."""
        return self._by_address.get(address.upper(), _UNKNOWN)

    def name_at(self, address: str) -> str:
        """Return the name in force of the meter with this address; empty if it has its own."""
        return self.at(address).name

    def find(self, address_or_name: str) -> KnownMeter | None:
        """Return the meter with this address or, if it is the only one, this name; None if there is none.

        Raises:
            InputError: several meters have the name.
        """
        text = address_or_name.strip()
        if text.upper() in self._by_address:
            return self._by_address[text.upper()]
        named = [meter for meter in self._meters if meter.name == clean_text(text)]
        if len(named) > 1:
            addresses = ", ".join(meter.address for meter in named)
            raise InputError(
                f"{len(named)} meters have the name {clean_text(text)!r}.", f"Give one address: {addresses}."
            )
        return named[0] if named else None

    def pins(self) -> dict[str, str]:
        """Return ``{address: key of the test point that the meter always measures}``, for each of its addresses."""
        return {address: meter.test_point for meter in self._meters if meter.test_point for address in meter.addresses}

    def _resolve(self) -> None:
        rows = [self._of_row(row) for row in self._rows]
        taken = {address.upper() for meter in rows for address in meter.addresses}
        others = (meter for meter in self._settings.meters if meter.address.upper() not in taken)
        self._meters = (*rows, *(self._of_settings(meter) for meter in others))
        self._by_address = {address.upper(): meter for meter in self._meters for address in meter.addresses}

    def _of_row(self, row: MeterRow) -> KnownMeter:
        linked = [address for address, first in self._links.items() if first.upper() == row.meter.address.upper()]
        addresses = tuple(dict.fromkeys((row.meter.address, *row.aliases, row.current_address, *linked)))
        keys = {address.upper() for address in addresses}
        settings = next((meter for meter in self._settings.meters if meter.address.upper() in keys), None)
        known = KnownMeter(
            row.current_address, row.meter.address, addresses, row.bound, row.meter.serial, _name_of(row)
        )
        return self._with_facts(known, settings, row.facts)

    def _of_settings(self, settings: MeterSettings) -> KnownMeter:
        known = KnownMeter(settings.address, settings.address, (settings.address,))
        return self._with_facts(known, settings, {})

    def _with_facts(
        self, meter: KnownMeter, settings: MeterSettings | None, facts: Mapping[FactName, Fact]
    ) -> KnownMeter:
        remarks: list[str] = []
        entries = _settings_entries(settings)
        values: dict[FactName, str] = {}
        for name in FactName:
            fact, entry = facts.get(name), entries.get(name, "")
            if fact is None or (entry and entry != fact.value and self._settings.changed_utc_ns > fact.set_utc_ns):
                values[name] = entry
                if fact is not None:
                    remarks.append(
                        f"{self._named_settings()} is newer than the {name} entered on"
                        f" {local_day(fact.set_utc_ns)}, which is not used."
                    )
                continue
            values[name] = fact.value
            if entry and entry != fact.value:
                remarks.append(f"{self._named_settings()} is older: it is not used for the {name}.")
        accuracy, calibration = None, None
        try:  # the settings were checked when they were read
            accuracy = parse_accuracy_entry(values[FactName.ACCURACY]) if values[FactName.ACCURACY] else None
            calibration = parse_calibration(values[FactName.CALIBRATION]) if values[FactName.CALIBRATION] else None
        except InputError as error:  # of a newer version, or edited by hand
            remarks.append(f"An entry in the database cannot be used: {error}")
        return replace(
            meter,
            name=values[FactName.NAME] or meter.name,
            test_point=values[FactName.TEST_POINT],
            driver=values[FactName.DRIVER],
            accuracy=accuracy,
            sheet=None if accuracy is None else accuracy.sheet,
            calibration=calibration,
            remarks=tuple(remarks),
        )

    def _named_settings(self) -> str:
        return f"{SETTINGS_FILE} of {local_day(self._settings.changed_utc_ns)}"


def _name_of(row: MeterRow) -> str:
    """Return the name that a meter has without an entry: a bound meter keeps the one it was bound with."""
    if row.bound:
        return row.meter.name
    return TYPED_IN if row.meter.address == MANUAL_ENTRY else ""


def _settings_entries(settings: MeterSettings | None) -> dict[FactName, str]:
    if settings is None:
        return {}
    sheet = settings.accuracy_sheet
    return {
        FactName.NAME: settings.name,
        FactName.TEST_POINT: settings.pinned_point,
        FactName.DRIVER: settings.profile,
        FactName.ACCURACY: "" if sheet is None else str(AccuracyEntry.from_sheet(sheet)),
        FactName.CALIBRATION: "" if settings.calibration is None else str(settings.calibration),
    }


def meter_to_connect(row: MeterRow) -> Meter:
    """Return a bound meter of the database at its present address."""
    return replace(row.meter, address=row.current_address)


def meters_to_connect(rows: Iterable[MeterRow], named: Iterable[Meter], settings: Settings) -> list[Meter]:
    """Return the bound meters at their present addresses, then the ``named`` ones and those of the settings."""
    bound = [row for row in rows if row.bound]
    bound_addresses = {address.upper() for row in bound for address in (row.meter.address, *row.aliases)}
    configured = [Meter(meter.address, meter.name) for meter in settings.meters]
    others = [meter for meter in (*named, *configured) if meter.address.upper() not in bound_addresses]
    return [*map(meter_to_connect, bound), *others]


def known_meter_view(meter: KnownMeter, today: date) -> KnownMeterView:
    """Return the view of a meter on this day."""
    calibration = meter.calibration or Calibration()
    return KnownMeterView(
        name=meter.name,
        address=meter.address,
        first_address=meter.first_address,
        bound=meter.bound,
        serial=meter.serial,
        has_radio=meter.first_address != MANUAL_ENTRY,
        test_point=meter.test_point,
        driver=meter.driver,
        accuracy="" if meter.accuracy is None else str(meter.accuracy),
        calibration=str(calibration),
        calibration_state=calibration.describe(today),
        overdue=calibration.is_overdue(today),
        remarks=list(meter.remarks),
    )
