"""Looks after one meter: connects, notices silence and loss, and starts over, never giving up."""

import asyncio
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError

from meterlink.ble.backend_errors import link_problem, radio_gone, wants_pairing
from meterlink.ble.connection import Link, Look, Packet, Session, connected, opened, service_of
from meterlink.ble.states import LinkState, MeterLink
from meterlink.ble.timeouts import Limits
from meterlink.ble.waiting import bounded
from meterlink.core.clock import Clock
from meterlink.core.equipment import Meter
from meterlink.core.errors import DriverError, RadioError
from meterlink.driver_api import Advertisement, Characteristic, DriverKind

log = logging.getLogger(__name__)

_LEAST_WAIT = 0.001  # s; no reading comes so soon after another
_UNHEARD = "Not heard. Switch the meter and its Bluetooth on, or come closer."
_HANGS = (
    "It was heard but did not answer {count} times. Switch it off and on, disconnect it from any phone, "
    "answer any Bluetooth prompt on this machine."
)


@dataclass(frozen=True, slots=True)
class Shared:
    """What the supervisors of one adapter have in common."""

    clock: Clock
    choose: Callable[[Advertisement, Sequence[Characteristic] | None], DriverKind | None]
    named: Mapping[str, DriverKind]  # by address in capitals: the driver kinds that somebody named for a meter
    on_packet: Callable[[Packet], None]
    client_backend: type[BaseBleakClient] | None
    limits: Limits
    jitter: Callable[[float, float], float]
    slots: asyncio.Semaphore  # the adapter's connections
    working: asyncio.Event  # set while the radio works
    doubt: Callable[[], None]  # have the radio looked at
    numbers: Iterator[int]  # for sessions


class Supervisor:
    """One meter's life on the air. ``link`` is its present snapshot; ``on_change`` is called when that differs."""

    def __init__(self, meter: Meter, shared: Shared, on_change: Callable[[], None]) -> None:
        self.link = MeterLink(meter.address, meter.name, detail=_UNHEARD, driver=meter.driver, serial=meter.serial)
        self._meter = meter
        self._shared = shared
        self._limits = shared.limits
        self._on_change = on_change
        self._device: BLEDevice | None = None
        self._advertisement = Advertisement()
        self.look: Look | None = None  # what it offered when it was last connected
        self._heard = asyncio.Event()
        self._failures = 0  # rounds in a row without a good link
        self._hangs = 0  # unanswered rounds in a row
        self._unheard_tries = 0  # left; none before the first connection
        self._fresh_services = False  # once the system's memory of them was out of date, it is not trusted again

    def know(self, meter: Meter) -> None:
        """Hold whatever answers at this address against ``meter`` from the next connection on."""
        self._meter = meter

    def heard(self, device: BLEDevice, advertisement: Advertisement) -> None:
        """Take note of an advertisement."""
        self._device = device
        self._advertisement = advertisement
        self._heard.set()
        rssi, known = advertisement.rssi, self.link.rssi
        if rssi is None or (known is not None and abs(rssi - known) < self._limits.rssi_step):
            rssi = known
        self._tell(name=advertisement.name or self.link.name, rssi=rssi)

    def found_linked(self, device: BLEDevice) -> None:
        """Take note that the system already holds a link to the meter: it will not advertise, yet can be connected."""
        if self._device is None:
            self._device = device
            self._heard.set()

    async def run(self) -> None:
        """Keep the meter connected until cancelled."""
        while True:
            await self._shared.working.wait()
            heard = await self._presence()
            tried_on = _features(self._advertisement)
            if await self._round(heard=heard):
                await self._until_changed(tried_on)
            longest = min(self._limits.retry_longest, self._limits.retry_first * 2.0 ** min(self._failures, 16))
            await asyncio.sleep(self._shared.jitter(0.0, longest))

    async def _presence(self) -> bool:
        """Wait until the meter was heard or is worth a try without; return whether it was heard."""
        try:
            async with asyncio.timeout(self._limits.unheard):
                await self._heard.wait()
        except TimeoutError:
            if self._unheard_tries:
                self._unheard_tries -= 1
                return False
            lost = self.link.state is not LinkState.SEARCHING
            self._tell(state=LinkState.LOST if lost else LinkState.SEARCHING, detail=_UNHEARD)
            await self._heard.wait()
        self._heard.clear()
        return True

    async def _round(self, *, heard: bool) -> bool:
        """Connect and stay connected as long as it lasts; return whether the meter is to be set aside."""
        if self._shared.slots.locked():
            taken = f"All {self._limits.connections} connections of the Bluetooth adapter are taken."
            self._tell(state=LinkState.CONNECTING, detail=taken)
        async with self._shared.slots:
            if heard and self.link.state is not LinkState.NEEDS_YOU:
                self._tell(state=LinkState.CONNECTING, detail="")
            try:
                good = await self._connect_and_hold()
            except (DriverError, RadioError) as error:
                state = LinkState.UNUSABLE if isinstance(error, DriverError) else LinkState.NEEDS_YOU
                self._tell(state=state, detail=str(error))
                self._failures = 0
                return True
            except Exception as error:  # noqa: BLE001 - every platform raises its own kinds; none may end supervision
                self._failed(error, heard=heard)
            else:
                self._failures = 0 if good else self._failures + 1
        return False

    def _failed(self, error: Exception, *, heard: bool) -> None:
        expected = isinstance(error, BleakError | OSError | EOFError)
        log.log(
            logging.INFO if expected else logging.WARNING,
            "connecting %s failed: %r",
            self.link.address,
            error,
            exc_info=None if expected else error,
        )
        self._failures += 1
        hung = isinstance(error, TimeoutError)
        if radio_gone(error) or not (heard or hung):  # without its adapter a meter is not known at all, at once
            self._shared.doubt()
        if not heard:
            self._tell(state=LinkState.LOST, detail=_UNHEARD)
            return
        self._hangs = self._hangs + 1 if hung else 0
        if self._hangs >= self._limits.hangs:
            self._tell(state=LinkState.NEEDS_YOU, detail=_HANGS.format(count=self._hangs))
        elif wants_pairing(error):
            self._tell(state=LinkState.NEEDS_YOU, detail=link_problem(error))
        else:
            self._tell(state=LinkState.CONNECTING, detail=link_problem(error))

    async def _connect_and_hold(self) -> bool:
        """Return whether the link was good once it has ended; raise why there was none."""
        link = await self._connected()
        try:
            session = await self._open(link)
            self._hangs = 0
            self._unheard_tries = self._limits.unheard_tries
            self._tell(state=LinkState.CONNECTED, detail="", driver=session.kind, serial=session.serial)
            async with asyncio.TaskGroup() as group:
                poll = group.create_task(link.poll(session, self._shared.on_packet, self._shared.clock))
                try:
                    why = await self._watch(link)
                finally:
                    poll.cancel()
            self._tell(state=LinkState.LOST, detail=why)
            self._heard.clear()  # what it advertised while connected does not show that it is there now
            return link.good_for >= self._limits.good_after
        finally:
            await link.close()

    async def _connected(self) -> Link:
        return await connected(self._link, self._limits, self._shared.jitter)

    def _link(self) -> Link:
        assert self._device is not None  # noqa: S101 - nothing is tried before it was heard
        return Link(self._device, self._limits, self._shared.client_backend, fresh_services=self._fresh_services)

    async def _open(self, link: Link) -> Session:
        """Find out what the meter is, open its driver, subscribe."""
        try:
            async with bounded(self._limits.setup, self._limits.grace):
                services = await link.describe()
                serial = await link.serial(services)
                self.look = Look(tuple(services), serial)
                self._check_serial(serial)
                self._check_service(services)
                kind = self._kind_for(services)
                driver = opened(kind, services)
                session = Session(
                    next(self._shared.numbers),
                    self.link.address,
                    self.link.name,
                    serial or self._meter.serial,
                    kind.name,
                    driver,
                    service_of(services, driver),
                )
                await link.start(session, self._shared.on_packet, self._shared.clock)
                return session
        except RadioError:
            raise
        except Exception:
            if not link.lost.is_set():  # what the system remembers of its services may be out of date
                self._fresh_services = True
                await link.forget_services()
            raise

    def _check_serial(self, serial: str) -> None:
        if serial and self._meter.serial and serial != self._meter.serial:
            raise RadioError(
                f"Another meter answers at this address: serial number {serial}, not {self._meter.serial}.",
                "Add it as a meter of its own.",
            )

    def _check_service(self, services: Sequence[Characteristic]) -> None:
        wanted = self._meter.service
        if wanted and all(found.service_uuid != wanted for found in services):
            if not self._fresh_services:  # the system may remember the services of before
                raise BleakError(f"The service {wanted} is missing")
            raise RadioError(
                f"Another meter answers at this address: it has no service {wanted}.", "Add it as a meter of its own."
            )

    def _kind_for(self, services: Sequence[Characteristic]) -> DriverKind:
        named = self._shared.named.get(self._meter.address.upper())
        kind = named or self._shared.choose(self._advertisement, services)
        if kind is None:
            raise DriverError("No driver fits this meter.", "Install one, or teach its profile.")
        return kind

    async def _watch(self, link: Link) -> str:
        """Return, in words, why the link is over: it broke, or has been silent for too long."""
        loop = asyncio.get_running_loop()
        while True:
            age = loop.time() - link.last_data - link.slack
            if age >= self._limits.silent_reconnect:
                return f"No reading for {self._limits.silent_reconnect:g} s. Connecting again."
            if age >= self._limits.silent_after:
                self._tell(state=LinkState.SILENT, detail="Connected, but no reading comes. Wake the meter.")
                wait = min(self._limits.silent_reconnect - age, 1.0)  # a second is soon enough to see it speak again
            else:
                self._tell(state=LinkState.CONNECTED, detail="")
                wait = self._limits.silent_after - age
            try:
                # Rounding may leave a wait so short that the clock does not move by it.
                async with asyncio.timeout(max(wait, _LEAST_WAIT)):
                    await link.lost.wait()
            except TimeoutError:
                continue
            return "The link broke. Connecting again."

    async def _until_changed(self, tried_on: tuple[object, ...]) -> None:
        """Wait until the meter advertises something else than ``tried_on``, or for a long time."""
        try:
            async with asyncio.timeout(self._limits.set_aside):
                while _features(self._advertisement) == tried_on:
                    self._heard.clear()
                    await self._heard.wait()
        except TimeoutError:
            pass

    def _tell(self, **changes: object) -> None:
        now = replace(self.link, **changes)  # type: ignore[arg-type] # names and types are MeterLink's, at each call
        if now != self.link:
            self.link = now
            self._on_change()


def _features(advertisement: Advertisement) -> tuple[object, ...]:
    """Return what tells kinds of meters apart: not the data, which may hold a counter, nor the signal strength."""
    return (
        advertisement.name,
        frozenset(advertisement.service_uuids),
        frozenset(advertisement.manufacturer_data),
        frozenset(advertisement.service_data),
    )
