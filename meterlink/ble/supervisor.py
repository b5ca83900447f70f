"""Supervision of one meter: connect, notice silence and loss, connect again; it never gives up."""

import asyncio
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError

from meterlink.ble.backend_errors import (
    connection_error_text,
    is_adapter_fault,
    is_out_of_connections,
    requires_pairing,
)
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
from meterlink.ble.connection_slots import ConnectionSlots, Slot
from meterlink.ble.states import MeterStatus
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.clock import Clock
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.core.errors import DriverError, RadioError
from meterlink.core.text import named_device
from meterlink.driver_api import Advertisement, Characteristic, DriverFactory

log = logging.getLogger(__name__)

# The states whose reason is the radio's while it does not work.
_NOT_CONNECTED = frozenset({ConnectionState.SEARCHING, ConnectionState.CONNECTING, ConnectionState.LOST})
_SHORTEST_WAIT = 0.001  # s; far below the time between two readings
_NOT_SEEN = "Not heard. Wake it, switch its Bluetooth on, move closer. Is it connected to another device?"
_RADIO_IS_BACK = "Not heard since Bluetooth works again. If that lasts, wake it and move closer."
_NO_SLOT = (
    "The Bluetooth adapter is known to hold {count} connections, and all are in use. Disconnect a meter that you do "
    "not need now, or another device. Another adapter may hold more."
)
_NO_ANSWER = (
    "It advertises but did not answer {count} times. Switch it off and on, disconnect it from any phone, "
    "and answer any Bluetooth prompt on this machine."
)


@dataclass(frozen=True, slots=True)
class RadioContext:
    """The shared state and callables of the supervisors of one adapter."""

    clock: Clock
    choose_driver: Callable[[Advertisement, Sequence[Characteristic] | None], DriverFactory | None]
    configured_drivers: Mapping[str, DriverFactory]  # by address in capitals
    on_packet: Callable[[ReceivedPacket], None]
    client_backend: type[BaseBleakClient] | None
    timeouts: RadioTimeouts
    jitter: Callable[[float, float], float]
    connection_slots: ConnectionSlots
    radio_ready: asyncio.Event  # set while the radio works
    request_scan_restart: Callable[[], None]
    doubt_radio: Callable[[float], None]  # see `Scanner.doubt`
    session_numbers: Iterator[int]


class MeterSupervisor:
    """Keeps one meter connected. ``status`` is its snapshot; ``on_status_change`` is called when it changes."""

    def __init__(self, meter: Meter, context: RadioContext, on_status_change: Callable[[], None]) -> None:
        self.status = MeterStatus(meter.address, meter.name, detail=_NOT_SEEN, driver=meter.driver, serial=meter.serial)
        self._meter = meter
        self._context = context
        self._timeouts = context.timeouts
        self._on_status_change = on_status_change
        self._device: BLEDevice | None = None
        self._advertisement = Advertisement()
        self.discovered: DiscoveredServices | None = None  # as read at the last connection
        self._seen = asyncio.Event()
        self._failures = 0  # rounds in a row without a stable connection
        self._unanswered_attempts = 0  # unanswered rounds in a row
        self._unseen_attempts = 0  # remaining tries without an advertisement; none before the first connection
        self._ignore_service_cache = False  # stays true once the system's cache was out of date
        self._radio_problem = ""

    def set_meter(self, meter: Meter) -> None:
        """Compare the meter at this address with ``meter`` from the next connection on."""
        self._meter = meter

    def on_advertisement(self, device: BLEDevice, advertisement: Advertisement) -> None:
        """Record an advertisement."""
        self._device = device
        self._advertisement = advertisement
        self._seen.set()
        rssi, known = advertisement.rssi, self.status.rssi
        if rssi is None or (known is not None and abs(rssi - known) < self._timeouts.rssi_step):
            rssi = known
        self._update_status(name=advertisement.name or self.status.name, rssi=rssi)

    def on_existing_connection(self, device: BLEDevice) -> None:
        """Record that the system is connected to the meter: it does not advertise, but it can be connected."""
        if self._device is None:
            self._device = device
            self._seen.set()

    def show_radio_problem(self, problem: str) -> None:
        """Show the fault of the radio as the reason why the meter is not connected; empty when the radio works."""
        before, self._radio_problem = self._radio_problem, problem
        # Every start of a scan reports that the radio works; only a fault that is over has a text to replace.
        is_over = bool(before) and self.status.detail == before
        if self.status.state in _NOT_CONNECTED and (problem or is_over):
            self._update_status(detail=problem or _RADIO_IS_BACK)

    async def run(self) -> None:
        """Keep the meter connected until cancelled."""
        while True:
            await self._context.radio_ready.wait()
            seen = await self._wait_until_seen()
            if not self._context.radio_ready.is_set():
                continue
            attempted_with = _identifying_data(self._advertisement)
            if await self._attempt_connection(seen=seen):
                await self._wait_for_changed_advertisement(attempted_with)
            longest = min(self._timeouts.retry_longest, self._timeouts.retry_first * 2.0 ** min(self._failures, 16))
            await asyncio.sleep(self._context.jitter(0.0, longest))

    async def _wait_until_seen(self) -> bool:
        """Return True when the meter was heard, False when it is to be tried without an advertisement."""
        try:
            async with asyncio.timeout(self._timeouts.not_seen_after):
                await self._seen.wait()
        except TimeoutError:
            if not self._context.radio_ready.is_set():
                return False
            if self._unseen_attempts:
                self._unseen_attempts -= 1
                return False
            lost = self.status.state is not ConnectionState.SEARCHING
            self._update_status(
                state=ConnectionState.LOST if lost else ConnectionState.SEARCHING, detail=self._not_seen_text
            )
            await self._seen.wait()
        self._seen.clear()
        return True

    async def _attempt_connection(self, *, seen: bool) -> bool:
        """Connect and stay connected while possible; return whether to wait until the meter advertises new data."""
        slots = self._context.connection_slots
        if slots.full:
            self._update_status(state=ConnectionState.CONNECTING, detail=_NO_SLOT.format(count=slots.limit))
        async with slots.hold() as slot:
            if seen and self.status.state is not ConnectionState.NEEDS_ATTENTION:
                self._update_status(state=ConnectionState.CONNECTING, detail="")
            try:
                stable = await self._run_connection(slot)
            except (DriverError, RadioError) as error:
                state = ConnectionState.UNUSABLE if isinstance(error, DriverError) else ConnectionState.NEEDS_ATTENTION
                self._update_status(state=state, detail=str(error))
                self._failures = 0
                return True
            except Exception as error:  # noqa: BLE001 - every platform raises its own kinds; supervision must go on
                self._log_failed_attempt(error)
                if is_out_of_connections(error):
                    slot.on_refused()
                if slot.failed_try or is_out_of_connections(error):
                    self._failures += 1
                    detail = _NO_SLOT.format(count=slots.limit)
                    self._update_status(state=ConnectionState.CONNECTING, detail=detail)
                else:
                    self._on_failed_attempt(error, seen=seen)
            else:
                self._failures = 0 if stable else self._failures + 1
        return False

    def _log_failed_attempt(self, error: Exception) -> None:
        expected = isinstance(error, BleakError | OSError | EOFError)
        log.log(
            logging.INFO if expected else logging.WARNING,
            "connecting %s failed: %r",
            named_device(self._meter.name or self.status.name, self.status.address),
            error,
            exc_info=None if expected else error,
        )

    def _on_failed_attempt(self, error: Exception, *, seen: bool) -> None:
        self._failures += 1
        hung = isinstance(error, TimeoutError) and not self._radio_problem
        if is_adapter_fault(error) or not (seen or hung):  # the platform forgets its devices with the adapter
            self._context.request_scan_restart()
        if not seen:
            self._update_status(state=ConnectionState.LOST, detail=self._not_seen_text)
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

    async def _run_connection(self, slot: Slot) -> bool:
        """Connect, wait for the end of the connection, and return whether it was stable."""
        connection = await self._connect()
        slot.on_established()
        try:
            session = await self._open_session(connection)
            self._unanswered_attempts = 0
            self._unseen_attempts = self._timeouts.unseen_attempts
            self._update_status(
                state=ConnectionState.CONNECTED, detail="", driver=session.driver_name, serial=session.serial
            )
            async with asyncio.TaskGroup() as group:
                poll = group.create_task(
                    connection.poll_periodically(session, self._context.on_packet, self._context.clock)
                )
                try:
                    reason = await self._wait_for_disconnection(connection)
                finally:
                    poll.cancel()
            self._update_status(state=ConnectionState.LOST, detail=reason)
            self._seen.clear()  # an advertisement during the connection does not show that the meter is there now
            return connection.data_duration >= self._timeouts.stable_after
        finally:
            await connection.close()

    async def _connect(self) -> BleConnection:
        return await connect_with_retries(self._new_connection, self._timeouts, self._context.jitter)

    def _new_connection(self) -> BleConnection:
        assert self._device is not None  # noqa: S101 - a meter is tried only after it was heard
        return BleConnection(
            self._device, self._timeouts, self._context.client_backend, ignore_service_cache=self._ignore_service_cache
        )

    async def _open_session(self, connection: BleConnection) -> MeterSession:
        """Identify the meter, open its driver, subscribe.

        Raises:
            RadioError: another meter answered at this address.
        """
        try:
            async with timeout_with_cleanup(self._timeouts.setup, self._timeouts.cleanup):
                services = await connection.read_characteristics()
                serial = await connection.read_serial_number(services)
                self.discovered = DiscoveredServices(tuple(services), serial)
                self._check_serial(serial)
                self._check_service(services)
                factory = self._choose_driver(services)
                driver = open_driver(factory, services)
                session = MeterSession(
                    next(self._context.session_numbers),
                    self.status.address,
                    self.status.name,
                    serial or self._meter.serial,
                    factory.name,
                    driver,
                    self._context.clock.now(),
                    reading_service_uuid(services, driver),
                )
                await connection.subscribe(session, self._context.on_packet, self._context.clock)
                return session
        except RadioError:
            raise
        except Exception:
            if not connection.disconnected.is_set():  # the system's cache of its services may be out of date
                self._ignore_service_cache = True
                await connection.clear_service_cache()
            raise

    def _check_serial(self, serial: str) -> None:
        if serial and self._meter.serial and serial != self._meter.serial:
            raise RadioError(
                f"Another meter answers at this address: serial number {serial}, not {self._meter.serial}.",
                "Bind it as a meter of its own.",
            )

    def _check_service(self, services: Sequence[Characteristic]) -> None:
        wanted = self._meter.service_uuid
        if wanted and all(characteristic.service_uuid != wanted for characteristic in services):
            if not self._ignore_service_cache:  # the system's cache may hold the former services
                raise BleakError(f"The service {wanted} is missing")
            raise RadioError(
                f"Another meter answers at this address: it has no service {wanted}.", "Bind it as a meter of its own."
            )

    def _choose_driver(self, services: Sequence[Characteristic]) -> DriverFactory:
        configured = self._context.configured_drivers.get(self._meter.address.upper())
        factory = configured or self._context.choose_driver(self._advertisement, services)
        if factory is None:
            raise DriverError("No driver fits this meter.", "Install one, or teach its profile.")
        return factory

    async def _wait_for_disconnection(self, connection: BleConnection) -> str:
        """Return why the connection is over, as a sentence: it was lost, or has been silent for too long."""
        loop = asyncio.get_running_loop()
        while True:
            age = loop.time() - connection.last_data_at - connection.expected_silence
            if age >= self._timeouts.reconnect_after_silence:
                return f"No reading for {self._timeouts.reconnect_after_silence:g} s. Connecting again."
            if age >= self._timeouts.silent_after:
                if self._radio_problem:  # the link went with it, and the platform did not tell
                    return self._radio_problem
                if self.status.state is not ConnectionState.SILENT:
                    self._context.doubt_radio(connection.last_data_at)
                self._update_status(
                    state=ConnectionState.SILENT, detail="Connected, but no reading arrives. Wake the meter."
                )
                wait = min(self._timeouts.reconnect_after_silence - age, 1.0)  # s; soon enough to see a new packet
            else:
                self._update_status(state=ConnectionState.CONNECTED, detail="")
                wait = self._timeouts.silent_after - age
            try:
                # Rounding may leave a wait that is shorter than the clock's step.
                async with asyncio.timeout(max(wait, _SHORTEST_WAIT)):
                    await connection.disconnected.wait()
            except TimeoutError:
                continue
            self._context.doubt_radio(loop.time())
            return self._radio_problem or "The connection was lost. Connecting again."

    async def _wait_for_changed_advertisement(self, attempted_with: tuple[object, ...]) -> None:
        """Wait until the meter's data differ from ``attempted_with``, at most ``timeouts.unusable_retry``."""
        try:
            async with asyncio.timeout(self._timeouts.unusable_retry):
                while _identifying_data(self._advertisement) == attempted_with:
                    self._seen.clear()
                    await self._seen.wait()
        except TimeoutError:
            pass

    @property
    def _not_seen_text(self) -> str:
        return self._radio_problem or _NOT_SEEN

    def _update_status(self, **changes: object) -> None:
        status = replace(self.status, **changes)  # type: ignore[arg-type] # fields of MeterStatus, at each call
        if status != self.status:
            self.status = status
            self._on_status_change()


def _identifying_data(advertisement: Advertisement) -> tuple[object, ...]:
    """Return the name, the service UUIDs, the company identifiers and the UUIDs of service data.

    These differ between kinds of meters. The data and the signal strength change all the time.
    """
    return (
        advertisement.name,
        frozenset(advertisement.service_uuids),
        frozenset(advertisement.manufacturer_data),
        frozenset(advertisement.service_data),
    )
