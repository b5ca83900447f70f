"""What a driver is. This module is the stable surface that drivers outside this repository import.

A driver is a pure decoder: it is fed bytes and yields readings. It does no I/O, never sleeps, imports no asyncio and
keeps no clock, so the same object is fed by the radio, by a recording or by a test.

A distribution offers drivers under the entry-point group ``meterlink.drivers``; each entry point names a
`DriverKind`. The daemon asks every kind how well it fits a meter, and opens one `Driver` per connection, so nothing
left over from a dropped link can reach the next one.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol, runtime_checkable

from meterlink.core.clock import Timestamp
from meterlink.core.errors import DriverError, InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Amount, Quantity, display_amount

__all__ = [
    "CERTAIN",
    "LIKELY",
    "NO_MATCH",
    "POSSIBLE",
    "Advertisement",
    "Amount",
    "Channel",
    "Characteristic",
    "Coupling",
    "Driver",
    "DriverError",
    "DriverFactory",
    "InputError",
    "Quantity",
    "Reading",
    "Timestamp",
    "Status",
    "CharacteristicWrite",
    "WritingDriver",
    "display_amount",
    "uuid16",
]

# Scores for `DriverKind.matches`. Anything from POSSIBLE up is tried; the highest wins, ties go to the first name.
NO_MATCH = 0.0
POSSIBLE = 0.3
LIKELY = 0.6
CERTAIN = 1.0


def uuid16(number: int) -> str:
    """Return the 128-bit text of a 16-bit UUID on the Bluetooth base UUID (Core spec., vol. 3 part B, 2.5.1)."""
    return f"0000{number:04x}-0000-1000-8000-00805f9b34fb"


@dataclass(frozen=True, slots=True)
class Advertisement:
    """What a meter says of itself before anyone connects. ``name`` has been cleaned of control characters.

    UUIDs are lower-case 128-bit text. ``rssi`` is in dBm.
    """

    name: str = ""
    service_uuids: tuple[str, ...] = ()
    manufacturer_data: Mapping[int, bytes] = field(default_factory=dict)
    service_data: Mapping[str, bytes] = field(default_factory=dict)
    rssi: int | None = None


@dataclass(frozen=True, slots=True)
class Characteristic:
    """A GATT characteristic as found on a connected meter.

    ``key`` names it within the meter: its UUID, or ``UUID@handle`` where the UUID occurs more than once.
    ``properties`` holds GATT property names (``read``, ``notify``, ``indicate``, ``write`` …);
    ``descriptors`` the descriptor values that were read, by lower-case UUID.
    """

    key: str
    uuid: str
    service_uuid: str
    properties: frozenset[str]
    descriptors: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Channel:
    """A characteristic to take packets from: subscribed to, or read every ``period`` seconds."""

    key: str
    method: Literal["subscribe", "read"] = "subscribe"
    period: float = 0.0


@dataclass(frozen=True, slots=True)
class CharacteristicWrite:
    """Bytes a meter wants written: once after subscribing, and with a ``period`` in seconds again and again.

    ``key`` is the characteristic's; ``response`` is whether the meter acknowledges.
    """

    key: str
    data: bytes
    period: float = 0.0
    response: bool = False


@runtime_checkable
class Driver(Protocol):
    """One meter, one connection."""

    @property
    def channels(self) -> Sequence[Channel]:
        """What to subscribe to or read."""
        ...

    def feed(self, channel: str, packet: bytes, stamp: Timestamp) -> Iterable[Reading]:
        """Decode one packet that came on ``channel`` (a `Characteristic.key`).

        Bytes that make no sense yield nothing or a reading whose status is ``invalid``; they never raise.
        """
        ...


@runtime_checkable
class WritingDriver(Driver, Protocol):
    """A driver whose meter must be written to before or while it speaks."""

    @property
    def writes(self) -> Sequence[CharacteristicWrite]:
        """What to write, in this order."""
        ...


@runtime_checkable
class DriverFactory(Protocol):
    """A driver as offered by an entry point."""

    @property
    def name(self) -> str:
        """Short lower-case name, unique among the loaded drivers."""
        ...

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        """Return 0 (not mine) to 1 (certainly mine). ``services`` is None until the meter has been connected."""
        ...

    def open(self, services: Sequence[Characteristic]) -> Driver:
        """Return a fresh decoder for a connected meter; DriverError when it offers nothing to decode."""
        ...
