"""Devices on the air, and the services of one of them: connect once, read, disconnect."""

import asyncio
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Self

from bleak.backends.device import BLEDevice
from bleak.uuids import uuidstr_to_str

from meterlink.ble.adapter_choice import AdapterChoice
from meterlink.ble.backend_errors import connection_error_text
from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.cancellation import timeout_with_cleanup
from meterlink.ble.connection import BleConnection, DiscoveredServices, connect_with_retries
from meterlink.ble.platforms import platform_watch
from meterlink.ble.scanner import Scanner
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.errors import RadioError
from meterlink.driver_api import Advertisement

# Enough for a trade fair (no source). The bound is needed because phones change their addresses every quarter of an
# hour, and anybody can make addresses up. The device not heard for the longest time is dropped first.
MAX_DEVICES = 256
# Longer than three of the longest advertising intervals (10.24 s, Bluetooth Core, vol. 4 part E, 7.8.5, from memory).
STALE_AFTER = 31.0  # s


@dataclass(frozen=True, slots=True)
class DiscoveredDevice:
    """One device on the air. ``ble_device`` is the platform's object; ``last_seen_at`` is in s of event loop time."""

    address: str
    ble_device: BLEDevice
    advertisement: Advertisement
    last_seen_at: float


class DeviceList:
    """The `MAX_DEVICES` devices heard last, by address."""

    def __init__(self) -> None:
        self._devices: dict[str, DiscoveredDevice] = {}

    def add(self, device: BLEDevice, advertisement: Advertisement) -> None:
        """Record an advertisement; one without a name keeps the device's last name."""
        known = self._devices.pop(device.address.upper(), None)
        if known is not None and not advertisement.name:
            advertisement = replace(advertisement, name=known.advertisement.name)
        now = asyncio.get_running_loop().time()
        self._devices[device.address.upper()] = DiscoveredDevice(device.address, device, advertisement, now)
        if len(self._devices) > MAX_DEVICES:
            del self._devices[next(iter(self._devices))]

    def get(self, address: str) -> DiscoveredDevice | None:
        """Return the device at an address, None if none was heard there."""
        return self._devices.get(address.upper())

    def recent(self) -> list[DiscoveredDevice]:
        """Return the devices heard within the last `STALE_AFTER` seconds."""
        since = asyncio.get_running_loop().time() - STALE_AFTER
        return [device for device in self._devices.values() if device.last_seen_at >= since]


async def discover_services(
    device: DiscoveredDevice,
    *,
    timeouts: RadioTimeouts,
    backend: ClientBackend | None,
    jitter: Callable[[float, float], float],
) -> DiscoveredServices:
    """Connect, read the services and the serial number, disconnect.

    Raises:
        RadioError: the connection failed.
    """
    try:
        connection = await connect_with_retries(
            lambda: BleConnection(device.ble_device, timeouts, backend, ignore_service_cache=False), timeouts, jitter
        )
        try:
            async with timeout_with_cleanup(timeouts.setup, timeouts.cleanup):
                services = await connection.read_characteristics()
                return DiscoveredServices(tuple(services), await connection.read_serial_number(services))
        finally:
            await connection.close()
    except Exception as error:  # every platform raises its own kinds
        name = device.advertisement.name or device.address
        raise RadioError(
            f"{name}: {connection_error_text(error)}", "Move closer, switch the meter off and on, and try again."
        ) from error


class Discovery:
    """Scans while it is open, without connecting the meters. Use it as an async context manager.

    ``adapter`` is the address of the adapter to use; without one the system chooses.
    """

    def __init__(
        self,
        *,
        scanner_backend: ScannerBackend | None = None,
        client_backend: ClientBackend | None = None,
        timeouts: RadioTimeouts | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
        adapter: str = "",
    ) -> None:
        self._timeouts = timeouts or RadioTimeouts()
        self._client_backend = client_backend
        self._jitter = jitter
        self._devices = DeviceList()
        self._error: RadioError | None = None
        self._changed = asyncio.Event()
        self._scanner = Scanner(
            on_advertisement=self._on_advertisement,
            on_scan_result=self._on_scan_result,
            backend=scanner_backend,
            timeouts=self._timeouts,
            jitter=jitter,
            adapter=AdapterChoice(adapter, platform_watch() if scanner_backend is None else None),
        )
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._scanner.run(), name="discovery")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def scan(self, seconds: float, until: Callable[[DiscoveredDevice], bool] | None = None) -> None:
        """Scan for ``seconds``, or until ``until`` is true for a device.

        Raises:
            RadioError: the radio does not work.
        """
        try:
            async with asyncio.timeout(seconds):
                while True:
                    if self._error is not None:
                        raise self._error
                    if until is not None and any(until(device) for device in self._devices.recent()):
                        return
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            return

    def devices(self) -> list[DiscoveredDevice]:
        """Return the devices heard within the last `STALE_AFTER` seconds."""
        return self._devices.recent()

    async def discover_services(self, address: str) -> DiscoveredServices:
        """Connect to the device at ``address``, read its services, disconnect.

        Raises:
            RadioError: the device was not heard, or the connection failed.
        """
        device = self._devices.get(address)
        if device is None:
            raise RadioError(*not_found_message(address))
        return await discover_services(
            device, timeouts=self._timeouts, backend=self._client_backend, jitter=self._jitter
        )

    def _on_advertisement(self, device: BLEDevice, advertisement: Advertisement) -> None:
        self._devices.add(device, advertisement)
        self._changed.set()

    def _on_scan_result(self, problem: RadioError | None) -> None:
        self._error = problem
        self._changed.set()


def not_found_message(address: str) -> tuple[str, str]:
    """Return ``(message, remedy)`` for an address at which no device was heard."""
    return f"{address} was not heard.", "Switch the meter and its Bluetooth on, or move closer."


def uuid_text(uuid: str) -> str:
    """Return a UUID with its assigned name, ``Environmental Sensing (181a)``; unchanged if it has none."""
    short = uuid[4:8] if uuid.startswith("0000") and uuid.endswith("-0000-1000-8000-00805f9b34fb") else uuid
    name = uuidstr_to_str(uuid)
    return short if name in {"Unknown", "Vendor specific", ""} else f"{name} ({short})"
