"""The watchers' commands that set facts about a meter: its name, test point, driver, accuracy and calibration."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping
from datetime import date

from meterlink.ble.radio import Radio
from meterlink.core.calibration import local_day, parse_calibration
from meterlink.core.clock import Clock
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.meter_facts import FactName
from meterlink.core.readings import MANUAL_ENTRY
from meterlink.core.text import clean_text
from meterlink.driver_api import DriverFactory
from meterlink.judge.accuracy_entry import AccuracyClass, AccuracyEntry, describe_class
from meterlink.link.messages import ChoiceView, KnownMetersView, Message, MetersView, Topic
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.drivers import Drivers, driver_name
from meterlink.station.known_meters import TYPED_IN, KnownMeters, known_meter_view
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.store.writer import Writer

log = logging.getLogger(__name__)


class MeterFactCommands:
    """The handlers of these commands; each takes an address or a name.

    ``judge_open_visits`` judges accepted readings again by the present facts and returns their number. ``show_facts``
    shows the new names; ``connected`` returns the state of the meters.
    """

    def __init__(
        self,
        current: CurrentVisit,
        known: KnownMeters,
        trackers: MeterTrackers,
        drivers: Drivers,
        radio: Radio,
        writer: Writer,
        clock: Clock,
        *,
        is_taught: Callable[[str], bool],
        judge_open_visits: Callable[[], Awaitable[int]],
        show_facts: Callable[[], None],
        connected: Callable[[], MetersView],
        send_view: Callable[[Message], None],
    ) -> None:
        self._current = current
        self._known = known
        self._trackers = trackers
        self._drivers = drivers
        self._radio = radio
        self._writer = writer
        self._clock = clock
        self._is_taught = is_taught
        self._judge_open_visits = judge_open_visits
        self._show_facts = show_facts
        self._connected = connected
        self._send_view = send_view

    async def list_meters(self) -> Mapping[str, object]:
        """Send the known meters to the watchers; return them, and those that are ``connected`` or searched for."""
        rows = await asyncio.wrap_future(self._writer.known_meters())
        self._known.load(rows)
        self.log_remarks()
        view = self._view()
        self._send_view(view)
        return {"meters": view["meters"], "connected": self._connected()["meters"]}

    async def name(self, meter: str, text: str) -> Mapping[str, object]:
        """Give the meter a name.

        Raises:
            InputError: the name is empty, or another bound meter has it; or no such meter is known.
        """
        name = clean_text(text)
        if not name:
            raise InputError("The name is empty.", "Write a name, for example: clamp meter.")
        address = self._address_of(meter)
        other = self._known.find(name)
        if other is not None and address.upper() not in {known.upper() for known in other.addresses}:
            raise InputError(f"Another meter has the name {name!r}.", "Choose another name.")
        return await self._set(address, FactName.NAME, name)

    async def pin(self, meter: str, point: TestPoint | None) -> Mapping[str, object]:
        """Let the meter measure ``point`` only, in later visits too whose plan has it; None undoes that.

        Raises:
            InputError: no such meter is known.
            VisitError: no visit is active.
        """
        address, key = self._address_of(meter), point.key if point else ""
        if address == MANUAL_ENTRY:
            raise InputError("A typed reading names its test point itself.", "Choose a meter with a radio.")
        if point is not None:
            self._current.require()
        result = await self._set(address, FactName.TEST_POINT, key)
        pinned = self._known.at(address)
        present = (tracker.address for tracker in self._trackers if self._known.at(tracker.address) is pinned)
        for known in {*pinned.addresses, *present}:
            self._current.visit.pin(known, key)
        return result

    async def set_driver(self, meter: str, text: str) -> Mapping[str, object]:
        """Read the meter with the driver or profile ``text``; an empty text lets its advertisement decide.

        Raises:
            InputError: there is no such driver or meter, or the meter is being taught.
        """
        address = self._address_of(meter)
        factory = self._drivers.find(clean_text(text)) if clean_text(text) in self._driver_names() else None
        if text.strip() and factory is None:
            names = ", ".join(self._driver_names())
            raise InputError(f"There is no driver {clean_text(text)!r}.", f"Use one of: {names}.")
        if address == MANUAL_ENTRY:
            raise InputError("Typed readings have no driver.", "Choose a meter with a radio.")
        if self._is_taught(address):
            raise InputError("This meter is being taught.", "End teaching first: done, or stop.")
        result = await self._set(address, FactName.DRIVER, "" if factory is None else driver_name(factory))
        await self._reconnect(address, factory)
        return result

    async def set_accuracy(self, meter: str, text: str) -> Mapping[str, object]:
        """Enter the accuracy: a class, or lines of the meter's manual; see `AccuracyEntry.with_text`.

        The accepted readings of the open visits are judged again.

        Raises:
            InputError: the text is no accuracy, or no such meter is known.
        """
        address = self._address_of(meter)
        entry = (self._known.at(address).accuracy or AccuracyEntry()).with_text(text)
        return await self._set_and_judge(address, FactName.ACCURACY, str(entry))

    async def set_calibration(self, meter: str, text: str) -> Mapping[str, object]:
        """Enter the calibration: ``2026-03-01, due 2027-03-01, certificate K-1047``; an empty text forgets it.

        The accepted readings of the open visits say so, too.

        Raises:
            InputError: the text is no calibration, or no such meter is known.
        """
        address = self._address_of(meter)
        return await self._set_and_judge(address, FactName.CALIBRATION, str(parse_calibration(text)))

    def log_remarks(self) -> None:
        """Log once each entry of the settings or of a technician that does not count."""
        for remark in self._known.new_remarks():
            log.warning("%s", remark)

    async def _set_and_judge(self, address: str, fact: FactName, value: str) -> Mapping[str, object]:
        result = await self._set(address, fact, value)
        self._trackers.judge_anew(address)
        return {**result, "judged_again": await self._judge_open_visits()}

    async def _set(self, address: str, fact: FactName, value: str) -> Mapping[str, object]:
        rows = await asyncio.wrap_future(self._writer.set_meter_fact(address, fact, value))
        self._known.load(rows)
        self.log_remarks()
        self._show_facts()
        self._send_view(self._view())
        return {"meter": known_meter_view(self._known.at(address), self._today())}

    async def _reconnect(self, address: str, factory: DriverFactory | None) -> None:
        """Use ``factory`` from now on; None for the one that fits best."""
        for known in self._known.at(address).addresses:
            if factory is None:
                self._drivers.configured.pop(known.upper(), None)
            else:
                self._drivers.configured[known.upper()] = factory
            self._radio.set_driver(known, factory)
            meter = self._radio.known_meter(known)
            await self._radio.remove_meter(known)  # one that was adopted is adopted again
            if meter is not None:
                self._radio.add_meter(meter)

    def _address_of(self, address_or_name: str) -> str:
        """Return the address of a meter that is known, connected or on the air.

        Raises:
            InputError: there is none, or several have the name.
        """
        known = self._known.find(address_or_name)
        if known is not None:
            return known.address
        text = address_or_name.strip()
        if text in {MANUAL_ENTRY, TYPED_IN}:
            return MANUAL_ENTRY
        on_air = {status.address: status.name for status in self._radio.state.meters}
        on_air |= {device.address: device.advertisement.name for device in self._radio.devices()}
        found = [address for address, name in on_air.items() if text.upper() == address.upper()]
        found = found or [address for address, name in on_air.items() if name and clean_text(name) == clean_text(text)]
        if len(found) != 1:
            number = f"{len(found)} meters on the air have" if found else "No meter has"
            raise InputError(
                f"{number} the name or address {clean_text(address_or_name)!r}.",
                f"Give one address: {', '.join(found)}." if found else "See: meterlink meter list",
            )
        return found[0]

    def _view(self) -> KnownMetersView:
        return KnownMetersView(
            topic=Topic.KNOWN_METERS,
            meters=[known_meter_view(meter, self._today()) for meter in self._known],
            classes=[ChoiceView(key=each, words=describe_class(each)) for each in AccuracyClass],
            drivers=self._driver_names(),
        )

    def _today(self) -> date:
        return local_day(self._clock.now().utc_ns)

    def _driver_names(self) -> list[str]:
        return [driver_name(factory) for factory in self._drivers.loaded.factories if factory.name != MANUAL_ENTRY]
