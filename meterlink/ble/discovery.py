"""What is on the air, and a closer look at one of it: connect once, read what it offers, leave."""

import asyncio
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Self

from bleak.backends.device import BLEDevice
from bleak.uuids import uuidstr_to_str

from meterlink.ble.backend_errors import connection_error_text
from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.cancellation import timeout_with_cleanup
from meterlink.ble.connection import BleConnection, DiscoveredServices, connect_with_retries
from meterlink.ble.scanner import Scanner
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.errors import RadioError
from meterlink.driver_api import Advertisement

# Devices remembered: a trade fair's worth. Phones change their addresses every quarter of an hour, and anybody can
# make addresses up; the one not heard for longest goes first.
MAX_DEVICES = 256
# What was last heard longer ago than this is not 'on the air': past three of the longest advertising intervals
# (10.24 s, Bluetooth Core, vol. 4 part E, 7.8.5, from memory).
STALE_AFTER = 31.0  # s


@dataclass(frozen=True, slots=True)
class DiscoveredDevice:
    """One device on the air. ``device`` is the platform's own object; ``at`` is when it was last heard (loop time)."""

    address: str
    ble_device: BLEDevice
    advertisement: Advertisement
    last_seen_at: float


class DeviceList:
    """What was heard, by address; bounded."""

    def __init__(self) -> None:
        self._devices: dict[str, DiscoveredDevice] = {}

    def add(self, device: BLEDevice, advertisement: Advertisement) -> None:
        """Take note of an advertisement; a name that is left out this time is kept."""
        before = self._devices.pop(device.address.upper(), None)
        if before is not None and not advertisement.name:
            advertisement = replace(advertisement, name=before.advertisement.name)
        now = asyncio.get_running_loop().time()
        self._devices[device.address.upper()] = DiscoveredDevice(device.address, device, advertisement, now)
        if len(self._devices) > MAX_DEVICES:
            del self._devices[next(iter(self._devices))]

    def get(self, address: str) -> DiscoveredDevice | None:
        """Return what was heard at an address."""
        return self._devices.get(address.upper())

    def recent(self) -> list[DiscoveredDevice]:
        """Return what was heard lately."""
        since = asyncio.get_running_loop().time() - STALE_AFTER
        return [heard for heard in self._devices.values() if heard.last_seen_at >= since]


async def discover_services(
    device: DiscoveredDevice,
    *,
    timeouts: RadioTimeouts,
    backend: ClientBackend | None,
    jitter: Callable[[float, float], float],
) -> DiscoveredServices:
    """Connect, read the services and the serial number, disconnect. RadioError, in words, where that fails."""
    try:
        link = await connect_with_retries(
            lambda: BleConnection(device.ble_device, timeouts, backend, ignore_service_cache=False), timeouts, jitter
        )
        try:
            async with timeout_with_cleanup(timeouts.setup, timeouts.cleanup):
                services = await link.read_characteristics()
                return DiscoveredServices(tuple(services), await link.read_serial_number(services))
        finally:
            await link.close()
    except Exception as error:  # every platform raises its own kinds
        name = device.advertisement.name or device.address
        raise RadioError(
            f"{name}: {connection_error_text(error)}", "Come closer, switch it off and on, try again."
        ) from error


class Discovery:
    """Scans for as long as it is open, for somebody who only looks. Use it as an async context manager."""

    def __init__(
        self,
        *,
        scanner_backend: ScannerBackend | None = None,
        client_backend: ClientBackend | None = None,
        timeouts: RadioTimeouts | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
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
        )
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._scanner.run(), name="survey")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def scan(self, seconds: float, until: Callable[[DiscoveredDevice], bool] | None = None) -> None:
        """Listen for so long, or until something of which ``until`` is true was heard; RadioError when it cannot."""
        try:
            async with asyncio.timeout(seconds):
                while True:
                    if self._error is not None:
                        raise self._error
                    if until is not None and any(until(heard) for heard in self._devices.recent()):
                        return
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            return

    def devices(self) -> list[DiscoveredDevice]:
        """Return what was heard lately."""
        return self._devices.recent()

    async def discover_services(self, address: str) -> DiscoveredServices:
        """Connect to what was heard at ``address`` and read what it offers; RadioError in words."""
        heard = self._devices.get(address)
        if heard is None:
            raise RadioError(*not_found_message(address))
        return await discover_services(
            heard, timeouts=self._timeouts, backend=self._client_backend, jitter=self._jitter
        )

    def _on_advertisement(self, device: BLEDevice, advertisement: Advertisement) -> None:
        self._devices.add(device, advertisement)
        self._changed.set()

    def _on_scan_result(self, problem: RadioError | None) -> None:
        self._error = problem
        self._changed.set()


def not_found_message(address: str) -> tuple[str, str]:
    """Return, as message and remedy, that nothing was heard at an address."""
    return f"{address} was not heard.", "Switch the meter and its Bluetooth on, or come closer."


def uuid_text(uuid: str) -> str:
    """Return a UUID as people read it: ``Environmental Sensing (181a)``, or whole where nobody has assigned it."""
    short = uuid[4:8] if uuid.startswith("0000") and uuid.endswith("-0000-1000-8000-00805f9b34fb") else uuid
    known = uuidstr_to_str(uuid)
    return short if known in {"Unknown", "Vendor specific", ""} else f"{known} ({short})"
