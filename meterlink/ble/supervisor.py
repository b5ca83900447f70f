"""Looks after one meter: connects, notices silence and loss, and starts over, never giving up."""

import asyncio
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError

from meterlink.ble.backend_errors import connection_error_text, is_adapter_fault, requires_pairing
from meterlink.ble.cancellation import timeout_with_cleanup
from meterlink.ble.connection import (
    BleConnection,
    DiscoveredServices,
    MeterSession,
    ReceivedPacket,
    connect_with_retries,
    open_driver,
    reading_service_uuid,
)
from meterlink.ble.states import ConnectionState, MeterStatus
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.clock import Clock
from meterlink.core.equipment import Meter
from meterlink.core.errors import DriverError, RadioError
from meterlink.driver_api import Advertisement, Characteristic, DriverFactory

log = logging.getLogger(__name__)

_SHORTEST_WAIT = 0.001  # s; no reading comes so soon after another
_NOT_SEEN = "Not heard. Switch the meter and its Bluetooth on, or come closer."
_NO_ANSWER = (
    "It was heard but did not answer {count} times. Switch it off and on, disconnect it from any phone, "
    "answer any Bluetooth prompt on this machine."
)


@dataclass(frozen=True, slots=True)
class RadioContext:
    """What the supervisors of one adapter have in common."""

    clock: Clock
    choose_driver: Callable[[Advertisement, Sequence[Characteristic] | None], DriverFactory | None]
    configured_drivers: Mapping[
        str, DriverFactory
    ]  # by address in capitals: the driver kinds that somebody named for a meter
    on_packet: Callable[[ReceivedPacket], None]
    client_backend: type[BaseBleakClient] | None
    timeouts: RadioTimeouts
    jitter: Callable[[float, float], float]
    connection_slots: asyncio.Semaphore  # the adapter's connections
    radio_ready: asyncio.Event  # set while the radio works
    request_scan_restart: Callable[[], None]  # have the radio looked at
    session_numbers: Iterator[int]  # for sessions


class MeterSupervisor:
    """One meter's life on the air. ``link`` is its present snapshot; ``on_change`` is called when that differs."""

    def __init__(self, meter: Meter, context: RadioContext, on_status_change: Callable[[], None]) -> None:
        self.status = MeterStatus(meter.address, meter.name, detail=_NOT_SEEN, driver=meter.driver, serial=meter.serial)
        self._meter = meter
        self._context = context
        self._timeouts = context.timeouts
        self._on_status_change = on_status_change
        self._device: BLEDevice | None = None
        self._advertisement = Advertisement()
        self.discovered: DiscoveredServices | None = None  # what it offered when it was last connected
        self._seen = asyncio.Event()
        self._failures = 0  # rounds in a row without a good link
        self._unanswered_attempts = 0  # unanswered rounds in a row
        self._unseen_attempts = 0  # left; none before the first connection
        self._ignore_service_cache = False  # once the system's memory of them was out of date, it is not trusted again

    def set_meter(self, meter: Meter) -> None:
        """Hold whatever answers at this address against ``meter`` from the next connection on."""
        self._meter = meter

    def on_advertisement(self, device: BLEDevice, advertisement: Advertisement) -> None:
        """Take note of an advertisement."""
        self._device = device
        self._advertisement = advertisement
        self._seen.set()
        rssi, known = advertisement.rssi, self.status.rssi
        if rssi is None or (known is not None and abs(rssi - known) < self._timeouts.rssi_step):
            rssi = known
        self._update_status(name=advertisement.name or self.status.name, rssi=rssi)

    def on_existing_connection(self, device: BLEDevice) -> None:
        """Take note that the system already holds a link to the meter: it will not advertise, yet can be connected."""
        if self._device is None:
            self._device = device
            self._seen.set()

    async def run(self) -> None:
        """Keep the meter connected until cancelled."""
        while True:
            await self._context.radio_ready.wait()
            heard = await self._wait_until_seen()
            tried_on = _identifying_data(self._advertisement)
            if await self._attempt_connection(seen=heard):
                await self._wait_for_changed_advertisement(tried_on)
            longest = min(self._timeouts.retry_longest, self._timeouts.retry_first * 2.0 ** min(self._failures, 16))
            await asyncio.sleep(self._context.jitter(0.0, longest))

    async def _wait_until_seen(self) -> bool:
        """Wait until the meter was heard or is worth a try without; return whether it was heard."""
        try:
            async with asyncio.timeout(self._timeouts.not_seen_after):
                await self._seen.wait()
        except TimeoutError:
            if self._unseen_attempts:
                self._unseen_attempts -= 1
                return False
            lost = self.status.state is not ConnectionState.SEARCHING
            self._update_status(state=ConnectionState.LOST if lost else ConnectionState.SEARCHING, detail=_NOT_SEEN)
            await self._seen.wait()
        self._seen.clear()
        return True

    async def _attempt_connection(self, *, seen: bool) -> bool:
        """Connect and stay connected as long as it lasts; return whether the meter is to be set aside."""
        if self._context.connection_slots.locked():
            taken = f"All {self._timeouts.max_connections} connections of the Bluetooth adapter are taken."
            self._update_status(state=ConnectionState.CONNECTING, detail=taken)
        async with self._context.connection_slots:
            if seen and self.status.state is not ConnectionState.NEEDS_ATTENTION:
                self._update_status(state=ConnectionState.CONNECTING, detail="")
            try:
                good = await self._run_connection()
            except (DriverError, RadioError) as error:
                state = ConnectionState.UNUSABLE if isinstance(error, DriverError) else ConnectionState.NEEDS_ATTENTION
                self._update_status(state=state, detail=str(error))
                self._failures = 0
                return True
            except Exception as error:  # noqa: BLE001 - every platform raises its own kinds; none may end supervision
                self._on_failed_attempt(error, seen=seen)
            else:
                self._failures = 0 if good else self._failures + 1
        return False

    def _on_failed_attempt(self, error: Exception, *, seen: bool) -> None:
        expected = isinstance(error, BleakError | OSError | EOFError)
        log.log(
            logging.INFO if expected else logging.WARNING,
            "connecting %s failed: %r",
            self.status.address,
            error,
            exc_info=None if expected else error,
        )
        self._failures += 1
        hung = isinstance(error, TimeoutError)
        if is_adapter_fault(error) or not (seen or hung):  # without its adapter a meter is not known at all, at once
            self._context.request_scan_restart()
        if not seen:
            self._update_status(state=ConnectionState.LOST, detail=_NOT_SEEN)
            return
        self._unanswered_attempts = self._unanswered_attempts + 1 if hung else 0
        if self._unanswered_attempts >= self._timeouts.unanswered_attempts:
            self._update_status(
                state=ConnectionState.NEEDS_ATTENTION, detail=_NO_ANSWER.format(count=self._unanswered_attempts)
            )
        elif requires_pairing(error):
            self._update_status(state=ConnectionState.NEEDS_ATTENTION, detail=connection_error_text(error))
        else:
            self._update_status(state=ConnectionState.CONNECTING, detail=connection_error_text(error))

    async def _run_connection(self) -> bool:
        """Return whether the link was good once it has ended; raise why there was none."""
        link = await self._connect()
        try:
            session = await self._open_session(link)
            self._unanswered_attempts = 0
            self._unseen_attempts = self._timeouts.unseen_attempts
            self._update_status(
                state=ConnectionState.CONNECTED, detail="", driver=session.driver_name, serial=session.serial
            )
            async with asyncio.TaskGroup() as group:
                poll = group.create_task(link.poll_periodically(session, self._context.on_packet, self._context.clock))
                try:
                    why = await self._wait_for_disconnection(link)
                finally:
                    poll.cancel()
            self._update_status(state=ConnectionState.LOST, detail=why)
            self._seen.clear()  # what it advertised while connected does not show that it is there now
            return link.data_duration >= self._timeouts.stable_after
        finally:
            await link.close()

    async def _connect(self) -> BleConnection:
        return await connect_with_retries(self._new_connection, self._timeouts, self._context.jitter)

    def _new_connection(self) -> BleConnection:
        assert self._device is not None  # noqa: S101 - nothing is tried before it was heard
        return BleConnection(
            self._device, self._timeouts, self._context.client_backend, ignore_service_cache=self._ignore_service_cache
        )

    async def _open_session(self, link: BleConnection) -> MeterSession:
        """Find out what the meter is, open its driver, subscribe."""
        try:
            async with timeout_with_cleanup(self._timeouts.setup, self._timeouts.cleanup):
                services = await link.read_characteristics()
                serial = await link.read_serial_number(services)
                self.discovered = DiscoveredServices(tuple(services), serial)
                self._check_serial(serial)
                self._check_service(services)
                kind = self._choose_driver(services)
                driver = open_driver(kind, services)
                session = MeterSession(
                    next(self._context.session_numbers),
                    self.status.address,
                    self.status.name,
                    serial or self._meter.serial,
                    kind.name,
                    driver,
                    reading_service_uuid(services, driver),
                )
                await link.subscribe(session, self._context.on_packet, self._context.clock)
                return session
        except RadioError:
            raise
        except Exception:
            if not link.disconnected.is_set():  # what the system remembers of its services may be out of date
                self._ignore_service_cache = True
                await link.clear_service_cache()
            raise

    def _check_serial(self, serial: str) -> None:
        if serial and self._meter.serial and serial != self._meter.serial:
            raise RadioError(
                f"Another meter answers at this address: serial number {serial}, not {self._meter.serial}.",
                "Add it as a meter of its own.",
            )

    def _check_service(self, services: Sequence[Characteristic]) -> None:
        wanted = self._meter.service_uuid
        if wanted and all(found.service_uuid != wanted for found in services):
            if not self._ignore_service_cache:  # the system may remember the services of before
                raise BleakError(f"The service {wanted} is missing")
            raise RadioError(
                f"Another meter answers at this address: it has no service {wanted}.", "Add it as a meter of its own."
            )

    def _choose_driver(self, services: Sequence[Characteristic]) -> DriverFactory:
        named = self._context.configured_drivers.get(self._meter.address.upper())
        kind = named or self._context.choose_driver(self._advertisement, services)
        if kind is None:
            raise DriverError("No driver fits this meter.", "Install one, or teach its profile.")
        return kind

    async def _wait_for_disconnection(self, link: BleConnection) -> str:
        """Return, in words, why the link is over: it broke, or has been silent for too long."""
        loop = asyncio.get_running_loop()
        while True:
            age = loop.time() - link.last_data_at - link.expected_silence
            if age >= self._timeouts.reconnect_after_silence:
                return f"No reading for {self._timeouts.reconnect_after_silence:g} s. Connecting again."
            if age >= self._timeouts.silent_after:
                self._update_status(
                    state=ConnectionState.SILENT, detail="Connected, but no reading comes. Wake the meter."
                )
                wait = min(
                    self._timeouts.reconnect_after_silence - age, 1.0
                )  # a second is soon enough to see it speak again
            else:
                self._update_status(state=ConnectionState.CONNECTED, detail="")
                wait = self._timeouts.silent_after - age
            try:
                # Rounding may leave a wait so short that the clock does not move by it.
                async with asyncio.timeout(max(wait, _SHORTEST_WAIT)):
                    await link.disconnected.wait()
            except TimeoutError:
                continue
            return "The link broke. Connecting again."

    async def _wait_for_changed_advertisement(self, attempted_with: tuple[object, ...]) -> None:
        """Wait until the meter advertises something else than ``tried_on``, or for a long time."""
        try:
            async with asyncio.timeout(self._timeouts.unusable_retry):
                while _identifying_data(self._advertisement) == attempted_with:
                    self._seen.clear()
                    await self._seen.wait()
        except TimeoutError:
            pass

    def _update_status(self, **changes: object) -> None:
        now = replace(self.status, **changes)  # type: ignore[arg-type] # names and types are MeterLink's, at each call
        if now != self.status:
            self.status = now
            self._on_status_change()


def _identifying_data(advertisement: Advertisement) -> tuple[object, ...]:
    """Return what tells kinds of meters apart: not the data, which may hold a counter, nor the signal strength."""
    return (
        advertisement.name,
        frozenset(advertisement.service_uuids),
        frozenset(advertisement.manufacturer_data),
        frozenset(advertisement.service_data),
    )
