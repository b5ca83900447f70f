"""The driver interface: the stable surface that drivers outside this repository import.

A driver is a pure decoder: bytes in, readings out. It does no I/O, never sleeps, imports no asyncio and has no clock,
so the radio, a recording and a test can all feed it.

A distribution offers drivers under the entry-point group ``meterlink.drivers``; each entry point names a
`DriverFactory`. The daemon scores every factory for a meter, and opens one `Driver` per connection, so that no state of
a lost connection reaches the next one.
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
    "CharacteristicWrite",
    "Coupling",
    "Driver",
    "DriverError",
    "DriverFactory",
    "InputError",
    "JoiningDriver",
    "Quantity",
    "Reading",
    "Status",
    "Timestamp",
    "WritingDriver",
    "display_amount",
    "uuid16",
]

# Scores of `DriverFactory.matches`. A score below POSSIBLE never wins; the highest wins, ties go to the first name.
NO_MATCH = 0.0
POSSIBLE = 0.3
LIKELY = 0.6
CERTAIN = 1.0


def uuid16(number: int) -> str:
    """Return a 16-bit UUID as 128-bit text on the Bluetooth base UUID (Core spec., vol. 3 part B, 2.5.1)."""
    return f"0000{number:04x}-0000-1000-8000-00805f9b34fb"


@dataclass(frozen=True, slots=True)
class Advertisement:
    """The data that a meter sends before anyone connects. ``name`` has no control characters.

    UUIDs are lower-case 128-bit text. ``manufacturer_data`` is keyed by company identifier, ``service_data`` by UUID.
    ``rssi`` is in dBm, None if unknown.
    """

    name: str = ""
    service_uuids: tuple[str, ...] = ()
    manufacturer_data: Mapping[int, bytes] = field(default_factory=dict)
    service_data: Mapping[str, bytes] = field(default_factory=dict)
    rssi: int | None = None


@dataclass(frozen=True, slots=True)
class Characteristic:
    """A GATT characteristic of a connected meter.

    ``key`` is unique within the meter: the UUID, or ``UUID@handle`` where the UUID occurs more than once.
    ``properties`` holds GATT property names (``read``, ``notify``, ``indicate``, ``write`` …). ``descriptors`` holds
    the descriptor values that were read, ``{lower-case UUID: value}``.
    """

    key: str
    uuid: str
    service_uuid: str
    properties: frozenset[str]
    descriptors: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Channel:
    """A characteristic that sends packets: the daemon subscribes to it, or reads it every ``period`` seconds."""

    key: str
    method: Literal["subscribe", "read"] = "subscribe"
    period: float = 0.0


@dataclass(frozen=True, slots=True)
class CharacteristicWrite:
    """Bytes that the daemon writes to a meter: once after subscribing, then every ``period`` seconds if it is not 0.

    ``key`` is that of the characteristic. ``response``: the meter acknowledges the write.
    """

    key: str
    data: bytes
    period: float = 0.0
    response: bool = False


@runtime_checkable
class Driver(Protocol):
    """The decoder of one meter during one connection."""

    @property
    def channels(self) -> Sequence[Channel]:
        """The characteristics to subscribe to or to read."""
        ...

    def feed(self, channel: str, packet: bytes, timestamp: Timestamp) -> Iterable[Reading]:
        """Yield the readings in one packet from ``channel`` (a `Characteristic.key`), which arrived at ``timestamp``.

        Meaningless bytes yield no reading, or one with the status ``invalid``; they never raise.
        """
        ...


@runtime_checkable
class WritingDriver(Driver, Protocol):
    """A driver of a meter that sends packets only after, or while, the daemon writes to it."""

    @property
    def writes(self) -> Sequence[CharacteristicWrite]:
        """The writes, in order."""
        ...


@runtime_checkable
class JoiningDriver(Driver, Protocol):
    """A driver that joins the parts of frames, which come in several packets."""

    def lose_packets(self) -> None:
        """Forget the parts of frames: packets were lost before the next one, which may begin anywhere."""
        ...


@runtime_checkable
class DriverFactory(Protocol):
    """An object behind an entry point: it recognises the meters that its driver fits, and opens the driver."""

    @property
    def name(self) -> str:
        """The driver's name: short, lower-case, unique among the loaded drivers."""
        ...

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        """Return the score of a meter, 0 (no match) to 1 (certain). ``services`` is None before a connection."""
        ...

    def open(self, services: Sequence[Characteristic]) -> Driver:
        """Return a new decoder for a connected meter.

        Raises:
            DriverError: the meter has no characteristic that the driver decodes.
        """
        ...
