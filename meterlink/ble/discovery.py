"""What is on the air, and a closer look at one of it: connect once, read what it offers, leave."""

import asyncio
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Self

from bleak.backends.device import BLEDevice
from bleak.uuids import uuidstr_to_str

from meterlink.ble.backend_errors import link_problem
from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.connection import Link, Look, connected
from meterlink.ble.scanner import Scanner
from meterlink.ble.timeouts import Limits
from meterlink.ble.waiting import bounded
from meterlink.core.errors import RadioError
from meterlink.driver_api import Advertisement

# Devices remembered: a trade fair's worth. Phones change their addresses every quarter of an hour, and anybody can
# make addresses up; the one not heard for longest goes first.
MOST_HEARD = 256
# What was last heard longer ago than this is not 'on the air': past three of the longest advertising intervals
# (10.24 s, Bluetooth Core, vol. 4 part E, 7.8.5, from memory).
STALE_AFTER = 31.0  # s


@dataclass(frozen=True, slots=True)
class Heard:
    """One device on the air. ``device`` is the platform's own object; ``at`` is when it was last heard (loop time)."""

    address: str
    device: BLEDevice
    advertisement: Advertisement
    at: float


class HeardList:
    """What was heard, by address; bounded."""

    def __init__(self) -> None:
        self._heard: dict[str, Heard] = {}

    def note(self, device: BLEDevice, advertisement: Advertisement) -> None:
        """Take note of an advertisement; a name that is left out this time is kept."""
        before = self._heard.pop(device.address.upper(), None)
        if before is not None and not advertisement.name:
            advertisement = replace(advertisement, name=before.advertisement.name)
        now = asyncio.get_running_loop().time()
        self._heard[device.address.upper()] = Heard(device.address, device, advertisement, now)
        if len(self._heard) > MOST_HEARD:
            del self._heard[next(iter(self._heard))]

    def get(self, address: str) -> Heard | None:
        """Return what was heard at an address."""
        return self._heard.get(address.upper())

    def recent(self) -> list[Heard]:
        """Return what was heard lately."""
        since = asyncio.get_running_loop().time() - STALE_AFTER
        return [heard for heard in self._heard.values() if heard.at >= since]


async def look_closer(
    heard: Heard, *, limits: Limits, backend: ClientBackend | None, jitter: Callable[[float, float], float]
) -> Look:
    """Connect, read the services and the serial number, disconnect. RadioError, in words, where that fails."""
    try:
        link = await connected(lambda: Link(heard.device, limits, backend, fresh_services=False), limits, jitter)
        try:
            async with bounded(limits.setup, limits.grace):
                services = await link.describe()
                return Look(tuple(services), await link.serial(services))
        finally:
            await link.close()
    except Exception as error:  # every platform raises its own kinds
        name = heard.advertisement.name or heard.address
        raise RadioError(f"{name}: {link_problem(error)}", "Come closer, switch it off and on, try again.") from error


class Survey:
    """Scans for as long as it is open, for somebody who only looks. Use it as an async context manager."""

    def __init__(
        self,
        *,
        scanner_backend: ScannerBackend | None = None,
        client_backend: ClientBackend | None = None,
        limits: Limits | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
    ) -> None:
        self._limits = limits or Limits()
        self._client_backend = client_backend
        self._jitter = jitter
        self._heard = HeardList()
        self._problem: RadioError | None = None
        self._changed = asyncio.Event()
        self._scanner = Scanner(
            on_heard=self._hear, on_problem=self._radio_is, backend=scanner_backend, limits=self._limits, jitter=jitter
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

    async def listen(self, seconds: float, until: Callable[[Heard], bool] | None = None) -> None:
        """Listen for so long, or until something of which ``until`` is true was heard; RadioError when it cannot."""
        try:
            async with asyncio.timeout(seconds):
                while True:
                    if self._problem is not None:
                        raise self._problem
                    if until is not None and any(until(heard) for heard in self._heard.recent()):
                        return
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            return

    def heard(self) -> list[Heard]:
        """Return what was heard lately."""
        return self._heard.recent()

    async def look(self, address: str) -> Look:
        """Connect to what was heard at ``address`` and read what it offers; RadioError in words."""
        heard = self._heard.get(address)
        if heard is None:
            raise RadioError(*not_heard(address))
        return await look_closer(heard, limits=self._limits, backend=self._client_backend, jitter=self._jitter)

    def _hear(self, device: BLEDevice, advertisement: Advertisement) -> None:
        self._heard.note(device, advertisement)
        self._changed.set()

    def _radio_is(self, problem: RadioError | None) -> None:
        self._problem = problem
        self._changed.set()


def not_heard(address: str) -> tuple[str, str]:
    """Return, as message and remedy, that nothing was heard at an address."""
    return f"{address} was not heard.", "Switch the meter and its Bluetooth on, or come closer."


def uuid_in_words(uuid: str) -> str:
    """Return a UUID as people read it: ``Environmental Sensing (181a)``, or whole where nobody has assigned it."""
    short = uuid[4:8] if uuid.startswith("0000") and uuid.endswith("-0000-1000-8000-00805f9b34fb") else uuid
    known = uuidstr_to_str(uuid)
    return short if known in {"Unknown", "Vendor specific", ""} else f"{known} ({short})"
