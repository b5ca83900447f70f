"""A virtual radio: simulated meters advertise on it, and unchanged bleak reaches them through its backends.

Packets pass a virtual Bluetooth stack (bumble: GATT, ATT, L2CAP, HCI, link layer) in this process, on the running
event loop: in real time, or in virtual time on a `VirtualTimeLoop`.
"""

import asyncio
import functools
import itertools
from typing import TYPE_CHECKING, Self

from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import BaseBleakScanner

from meterlink_simulators.bleak_backend import AirClient, AirScanner
from meterlink_simulators.display import Instrument
from meterlink_simulators.encoders import Encoder
from meterlink_simulators.link_layer import RadioDevice, VirtualLink, parse_address
from meterlink_simulators.peripheral import Peripheral

if TYPE_CHECKING:
    from meterlink_simulators.bleak_backend import RemoteService

# ATT MTU in bytes. Every device supports the least (Core vol. 3 part G, 5.2.1). A central requests the most: a 512-byte
# attribute value (Core vol. 3 part F, 3.2.9) with the longest ATT header in use.
LEAST_MTU = 23
MOST_MTU = 517

# Default advertising interval, in s: short enough that a scan of one second finds the meter.
ADVERTISING_INTERVAL = 0.25


class Air:
    """One place with radio reception. Its bleak backends find the meters on it and connect to them.

    Use it in ``async with``, or call `close`. ``central_mtu`` is the ATT MTU that centrals request, in bytes (23 to
    517). With ``caches_services`` centrals keep each meter's GATT services until ``unpair``, as operating systems may:
    after `Peripheral.change_services` they use handles that are no longer right.
    """

    def __init__(self, *, central_mtu: int = MOST_MTU, caches_services: bool = False) -> None:
        self.central_mtu = central_mtu
        self.caches_services = caches_services
        self.service_cache: dict[str, list[RemoteService]] = {}
        self.meters: dict[str, Peripheral] = {}
        self._link = VirtualLink()
        self._counter = itertools.count(1)
        self._started_at: float | None = None

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    @property
    def now(self) -> float:
        """Seconds on the loop's clock since this property was first read."""
        time = asyncio.get_running_loop().time()
        if self._started_at is None:
            self._started_at = time
        return time - self._started_at

    @property
    def device_count(self) -> int:
        """Number of devices on the air: meters, running scanners, and one central for each connection."""
        return len(self._link.controllers)

    @functools.cached_property
    def scanner_backend(self) -> type[BaseBleakScanner]:
        """Class for ``bleak.BleakScanner(backend=...)``."""
        return type("AirScanner", (AirScanner,), {"air": self})

    @functools.cached_property
    def client_backend(self) -> type[BaseBleakClient]:
        """Class for ``bleak.BleakClient(..., backend=...)``."""
        return type("AirClient", (AirClient,), {"air": self})

    async def add_meter(
        self,
        instrument: Instrument,
        *,
        encoder: Encoder,
        address: str | None = None,
        serial: str | None = None,
        mtu: int = LEAST_MTU,
        battery: bool = True,
        advertising_interval: float = ADVERTISING_INTERVAL,
    ) -> Peripheral:
        """Switch a meter on and return it.

        ``address`` is a Bluetooth address (``C0:00:5E:00:00:01``), ``serial`` its Serial Number String; None makes one
        up. ``mtu`` is the largest ATT MTU it accepts, in bytes. ``battery`` adds a Battery Service. The meter
        advertises every ``advertising_interval`` s while it is not connected.

        Raises:
            ValueError: the address is on the air already.
        """
        number = next(self._counter)
        radio_address = parse_address(address or f"C0:00:5E:00:{number >> 8:02X}:{number & 0xFF:02X}")
        text = radio_address.to_string(with_type_qualifier=False)
        if text in self.meters:
            message = f"{text} is on the air already."
            raise ValueError(message)
        meter = Peripheral(
            lambda name: RadioDevice(self._link, name, radio_address).power_on(),
            lambda: self.now,
            instrument,
            encoder,
            serial=serial or f"SIM-{number:05d}",
            mtu=mtu,
            battery=battery,
            advertising_interval=advertising_interval,
        )
        await meter.start()
        self.meters[text] = meter
        return meter

    async def remove_meter(self, meter: Peripheral) -> None:
        """Switch a meter off and forget it.

        Raises:
            Exception: the error of its instrument or encoder, if one failed.
        """
        del self.meters[meter.address]
        await meter.close()

    async def add_central(self) -> RadioDevice:
        """Return a fresh central device, switched on. The caller shuts it down."""
        number = next(self._counter)
        address = parse_address(f"E0:00:00:{number >> 16 & 0xFF:02X}:{number >> 8 & 0xFF:02X}:{number & 0xFF:02X}")
        return await RadioDevice(self._link, f"central {number}", address).power_on()

    async def close(self) -> None:
        """Switch every meter off.

        Raises:
            Exception: the first error of an instrument or encoder, after all meters are off.
        """
        failures = []
        for meter in list(self.meters.values()):
            try:
                await self.remove_meter(meter)
            except Exception as error:  # noqa: BLE001 - an instrument may raise any error; the other meters are closed first
                failures.append(error)
        if failures:
            raise failures[0]
