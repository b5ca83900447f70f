"""The air that simulated meters advertise on, and the backends that let unchanged bleak use it.

Packets go through a virtual Bluetooth stack (bumble: GATT, ATT, L2CAP, HCI, link layer) in this process, on the running
event loop: in real time, or in virtual time on a `WarpLoop`.
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

# The least ATT MTU, which every device supports, in bytes (Core vol. 3 part G, 5.2.1), and the most a central asks for:
# a 512-byte attribute value (Core vol. 3 part F, 3.2.9) with the longest ATT header in use.
LEAST_MTU = 23
MOST_MTU = 517

# How often a meter advertises unless told otherwise, in s: often enough that a scan of one second finds it.
ADVERTISING_INTERVAL = 0.25


class Air:
    """One place with radio reception: meters on it can be found and connected to through its bleak backends.

    Use it in ``async with``, or call `close`. ``central_mtu`` is the ATT MTU centrals ask for. With ``caches_services``
    centrals remember each meter's GATT services, as operating systems may, until ``unpair``: after
    `Peripheral.change_services` they then use handles that are no longer right.
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
        """Seconds, on the loop's clock, since this property was first asked for."""
        time = asyncio.get_running_loop().time()
        if self._started_at is None:
            self._started_at = time
        return time - self._started_at

    @property
    def device_count(self) -> int:
        """How many devices are on the air: each meter, each scanner at work, each connection's central."""
        return len(self._link.controllers)

    @functools.cached_property
    def scanner_backend(self) -> type[BaseBleakScanner]:
        """What to hand to ``bleak.BleakScanner(backend=...)``."""
        return type("AirScanner", (AirScanner,), {"air": self})

    @functools.cached_property
    def client_backend(self) -> type[BaseBleakClient]:
        """What to hand to ``bleak.BleakClient(..., backend=...)``."""
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

        ``address`` is a Bluetooth address such as ``C0:00:5E:00:00:01`` (one is made up when None), ``serial`` what its
        Serial Number String says, ``mtu`` the largest ATT MTU it accepts in bytes, ``battery`` whether it has a Battery
        Service; it advertises every ``advertising_interval`` s while nobody is connected. ValueError when the address
        is taken.
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
        """Switch a meter off and forget it; raises what its instrument or encoder raised, if they failed."""
        del self.meters[meter.address]
        await meter.close()

    async def add_central(self) -> RadioDevice:
        """Return a fresh central device, switched on; whoever asked discards it."""
        number = next(self._counter)
        address = parse_address(f"E0:00:00:{number >> 16 & 0xFF:02X}:{number >> 8 & 0xFF:02X}:{number & 0xFF:02X}")
        return await RadioDevice(self._link, f"central {number}", address).power_on()

    async def close(self) -> None:
        """Switch every meter off; raises what the first failing instrument or encoder raised."""
        failures = []
        for meter in list(self.meters.values()):
            try:
                await self.remove_meter(meter)
            except Exception as error:  # noqa: BLE001 - whatever a test's instrument raised, the others are closed first
                failures.append(error)
        if failures:
            raise failures[0]
