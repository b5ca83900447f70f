"""One Bluetooth adapter and its meters: scan, connect, supervise, pass packets on."""

import asyncio
import itertools
import logging
import random
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from typing import Any

from bleak import BleakAdapter
from bleak.args.bluez import BlueZAdapterArgs
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import BaseBleakScanner

from meterlink.ble.adapter_choice import AdapterChoice
from meterlink.ble.bluetooth_state import BluetoothWatch
from meterlink.ble.cancellation import timeout_with_cleanup
from meterlink.ble.connection import DiscoveredServices, ReceivedPacket
from meterlink.ble.connection_slots import ConnectionSlots
from meterlink.ble.discovery import DeviceList, DiscoveredDevice, discover_services, not_found_message
from meterlink.ble.platforms import platform_watch
from meterlink.ble.radio_watch import RadioWatch
from meterlink.ble.scanner import Scanner
from meterlink.ble.states import RadioState
from meterlink.ble.supervisor import MeterSupervisor, RadioContext
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.clock import Clock
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.core.errors import RadioError
from meterlink.driver_api import Advertisement, Characteristic, DriverFactory

log = logging.getLogger(__name__)


class Radio:
    """Connects meters and keeps them connected while `run` runs.

    It connects the ``known_meters``. With ``adopt`` it also connects other meters that ``choose_driver`` accepts, at
    most ``timeouts.max_adopted``. ``choose_driver`` returns the driver factory for an advertisement, or None. It is
    called again when the services are known, and that result counts. ``configured_drivers`` holds driver factories by
    address; ``choose_driver`` is not called for these meters.

    ``on_packet`` receives every packet, in order, from inside a Bluetooth callback: it must only enqueue.
    ``on_state_change`` receives a snapshot when it differs from the last one. No callable may block or raise.

    The backends are bleak's by default; the demo and tests pass their own. ``bluetooth_watch`` tells of changes of the
    system's Bluetooth; the platform's own is used with bleak's scanner, where there is one. ``adapter`` is the address
    of the adapter to use; without one the system chooses. ``jitter`` draws a pause between two times in seconds.
    """

    def __init__(
        self,
        *,
        clock: Clock,
        choose_driver: Callable[[Advertisement, Sequence[Characteristic] | None], DriverFactory | None],
        on_packet: Callable[[ReceivedPacket], None],
        on_state_change: Callable[[RadioState], None],
        known_meters: Iterable[Meter] = (),
        adopt: bool = False,
        scanner_backend: type[BaseBleakScanner] | None = None,
        client_backend: type[BaseBleakClient] | None = None,
        adapter_backend: type[BaseBleakAdapter] | None = None,
        bluetooth_watch: BluetoothWatch | None = None,
        adapter: str = "",
        timeouts: RadioTimeouts | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
        configured_drivers: Mapping[str, DriverFactory] | None = None,
    ) -> None:
        self._choose_driver = choose_driver
        self._on_state_change = on_state_change
        self._known_meters = {_normalize_address(meter.address): meter for meter in known_meters}
        self._adopt = adopt
        self._adapter_backend = adapter_backend
        self._finds_connected_devices = scanner_backend is None or adapter_backend is not None
        self._timeouts = timeouts or RadioTimeouts()
        if bluetooth_watch is None and scanner_backend is None:
            bluetooth_watch = platform_watch()
        self._bluetooth_watch = bluetooth_watch
        self._adapter = AdapterChoice(adapter, bluetooth_watch)
        self._scanner = Scanner(
            on_advertisement=self._on_advertisement,
            on_scan_result=self._on_scan_result,
            backend=scanner_backend,
            timeouts=self._timeouts,
            jitter=jitter,
            adapter=self._adapter,
        )
        self._watch = (
            None
            if bluetooth_watch is None
            else RadioWatch(bluetooth_watch, self._scanner, self._timeouts, adapter=adapter)
        )
        self._configured_drivers = {
            _normalize_address(address): factory for address, factory in (configured_drivers or {}).items()
        }
        self._context = RadioContext(
            clock=clock,
            choose_driver=choose_driver,
            configured_drivers=self._configured_drivers,
            on_packet=on_packet,
            client_backend=client_backend,
            timeouts=self._timeouts,
            jitter=jitter,
            connection_slots=ConnectionSlots(self._timeouts),
            radio_ready=asyncio.Event(),
            request_scan_restart=self._scanner.request_restart,
            doubt_radio=self._scanner.doubt,
            session_numbers=itertools.count(1),
        )
        self._scan_pause: asyncio.TimerHandle | None = None
        self._error = ""
        self._reported_state: RadioState | None = None
        self._supervisors: dict[str, MeterSupervisor] = {}
        self._supervisor_tasks: dict[str, asyncio.Task[None]] = {}
        self._devices = DeviceList()
        self._discovering: set[str] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._group: asyncio.TaskGroup | None = None

    @property
    def state(self) -> RadioState:
        """The present state of the radio and its meters."""
        return RadioState(tuple(supervisor.status for supervisor in self._supervisors.values()), self._error)

    def add_meter(self, meter: Meter) -> None:
        """Connect ``meter``, too; a connected meter stays connected."""
        self._known_meters[_normalize_address(meter.address)] = meter
        if self._group is not None:
            self._supervise(meter).set_meter(meter)

    def known_meter(self, address: str) -> Meter | None:
        """Return the known meter at ``address``, None if there is none."""
        return self._known_meters.get(_normalize_address(address))

    def use_adapter(self, address: str) -> None:
        """Scan with the adapter at ``address`` from now on; empty for the system's choice. Connections stay open."""
        self._adapter = AdapterChoice(address, self._bluetooth_watch)
        if self._watch is not None:
            self._watch.use_adapter(address)
        self._scanner.use_adapter(self._adapter)

    def configured_driver(self, address: str) -> DriverFactory | None:
        """Return the configured driver factory of the meter at ``address``, None if there is none."""
        return self._configured_drivers.get(_normalize_address(address))

    def set_driver(self, address: str, factory: DriverFactory | None) -> None:
        """Use ``factory`` for the meter at ``address`` from its next connection on; None chooses the best driver."""
        if factory is None:
            self._configured_drivers.pop(_normalize_address(address), None)
        else:
            self._configured_drivers[_normalize_address(address)] = factory

    async def remove_meter(self, address: str) -> None:
        """Disconnect the meter at ``address`` for good (with ``adopt``, until it is adopted again)."""
        self._known_meters.pop(_normalize_address(address), None)
        self._supervisors.pop(_normalize_address(address), None)
        task = self._supervisor_tasks.pop(_normalize_address(address), None)
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
        self._report_state()

    def devices(self) -> list[DiscoveredDevice]:
        """Return all devices heard lately, meters or not; a paused scan goes on."""
        self._keep_scanning()
        return self._devices.recent()

    async def discover_services(self, address: str) -> DiscoveredServices:
        """Return the services of the meter at ``address``: as last read if it is supervised, else connect and read.

        Raises:
            RadioError: the meter was not heard or cannot be connected, or its services are being read already.
        """
        supervisor = self._supervisors.get(_normalize_address(address))
        if supervisor is not None:
            if supervisor.discovered is None:
                raise RadioError(
                    f"{supervisor.status.name or address} has not been connected yet.",
                    _not_connected_reason(supervisor),
                )
            return supervisor.discovered
        device = self._devices.get(address)
        if device is None:
            raise RadioError(*not_found_message(address))
        if _normalize_address(address) in self._discovering:
            raise RadioError(f"The services of {address} are being read already.", "Try again in a moment.")
        self._discovering.add(_normalize_address(address))
        try:
            async with self._context.connection_slots.hold() as slot:
                services = await discover_services(
                    device, timeouts=self._timeouts, backend=self._context.client_backend, jitter=self._context.jitter
                )
                slot.on_established()
                return services
        finally:
            self._discovering.discard(_normalize_address(address))

    async def run(self) -> None:
        """Run until cancelled, then disconnect all meters within ``timeouts.stop`` plus the time to disconnect."""
        loop = asyncio.get_running_loop()
        cut_off: asyncio.TimerHandle | None = None
        try:
            async with asyncio.TaskGroup() as group:
                self._group = group
                try:
                    for meter in self._known_meters.values():
                        self._supervise(meter)
                    self._start_task(self._scanner.run())
                    self._start_task(self._find_connected_devices())
                    if self._watch is not None:
                        self._start_task(self._watch.run())
                    self._report_state()
                    await loop.create_future()  # until cancelled
                finally:
                    self._group = None
                    # The tasks are cancelled next. A task that still waits after that is blocked by its backend.
                    cut_off = loop.call_later(self._timeouts.stop, self._cancel_all)
        finally:
            for timer in (cut_off, self._scan_pause):
                if timer is not None:
                    timer.cancel()
            self._supervisors.clear()
            self._supervisor_tasks.clear()
            self._context.radio_ready.clear()

    def _start_task(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        assert self._group is not None  # noqa: S101 - the callers see to it
        task = self._group.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def _cancel_all(self) -> None:
        for task in self._tasks:
            task.cancel()

    def _supervise(self, meter: Meter) -> MeterSupervisor:
        supervisor = self._supervisors.get(_normalize_address(meter.address))
        if supervisor is None:
            supervisor = MeterSupervisor(meter, self._context, self._report_state)
            self._supervisors[_normalize_address(meter.address)] = supervisor
            supervisor.show_radio_problem(self._error)
            self._supervisor_tasks[_normalize_address(meter.address)] = self._start_task(supervisor.run())
            self._report_state()
        return supervisor

    def _on_advertisement(self, device: BLEDevice, advertisement: Advertisement) -> None:
        if self._group is None:
            return
        self._devices.add(device, advertisement)
        supervisor = self._supervisors.get(_normalize_address(device.address))
        if supervisor is None:
            if _normalize_address(device.address) in self._discovering:  # a second connection would disturb the first
                return
            adopted = sum(address not in self._known_meters for address in self._supervisors)
            if (
                not self._adopt
                or adopted >= self._timeouts.max_adopted
                or self._choose_driver(advertisement, None) is None
            ):
                return
            supervisor = self._supervise(Meter(device.address, advertisement.name))
        supervisor.on_advertisement(device, advertisement)

    async def _find_connected_devices(self) -> None:
        """Find known meters that the system is still connected to after a crash: they do not advertise."""
        if not self._finds_connected_devices:
            return
        await self._context.radio_ready.wait()
        try:
            async with timeout_with_cleanup(self._timeouts.scan_start_stop, self._timeouts.cleanup):
                name = await self._adapter.name()
                bluez: BlueZAdapterArgs = {"adapter": name} if name else {}
                adapter = await BleakAdapter.get(backend=self._adapter_backend, bluez=bluez)
                devices = await adapter.get_connected_devices()
        except Exception as error:  # noqa: BLE001 - not offered everywhere (NotImplementedError), and only a shortcut
            log.debug("reading the existing connections failed: %r", error)
            return
        for device in devices:
            supervisor = self._supervisors.get(_normalize_address(device.address))
            if supervisor is not None:
                supervisor.on_existing_connection(device)

    def _on_scan_result(self, problem: RadioError | None) -> None:
        self._error = "" if problem is None else str(problem)
        if problem is None:
            self._context.radio_ready.set()
        else:
            self._context.radio_ready.clear()
        for supervisor in self._supervisors.values():
            supervisor.show_radio_problem(self._error)
        self._report_state()

    def _keep_scanning(self) -> None:
        """Scan, and end the scan later if no meter needs it."""
        if self._scan_pause is not None:
            self._scan_pause.cancel()
        self._scan_pause = None
        self._scanner.resume()
        self._let_scan_pause()

    def _let_scan_pause(self) -> None:
        """Let the scan end after a while if every known meter is connected; scan if one is not."""
        states = {supervisor.status.state for supervisor in self._supervisors.values()}
        if self._adopt or states != {ConnectionState.CONNECTED}:  # without a meter, a person is about to bind one
            if self._scan_pause is not None:
                self._scan_pause.cancel()
                self._scan_pause = None
            self._scanner.resume()
        elif self._scan_pause is None and self._group is not None:
            loop = asyncio.get_running_loop()
            self._scan_pause = loop.call_later(self._timeouts.scan_pause, self._scanner.pause)

    def _report_state(self) -> None:
        self._let_scan_pause()
        state = self.state
        if state != self._reported_state:
            self._reported_state = state
            self._on_state_change(state)


def _not_connected_reason(supervisor: MeterSupervisor) -> str:
    return supervisor.status.detail or "Wait until the station has connected it."


def _normalize_address(address: str) -> str:
    """Return an address in capitals: platforms and people differ in case."""
    return address.upper()
