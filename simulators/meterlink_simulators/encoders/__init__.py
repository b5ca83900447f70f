"""How simulated meters put their display on the air. Written from the standards, apart from any decoder."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from meterlink_simulators.display import DisplayState


@dataclass(frozen=True, slots=True)
class CharacteristicDefinition:
    """A GATT characteristic a meter offers.

    ``key`` names it within its encoder. UUIDs are lower-case 128-bit text. ``properties`` holds GATT property names
    (``read``, ``notify``, ``indicate``, ``write``, ``write-without-response``); what is sent is indicated where the
    characteristic cannot notify. ``descriptors`` pairs a UUID with a fixed value. ``on_write`` is given what a client
    writes.
    """

    key: str
    uuid: str
    properties: frozenset[str] = frozenset({"read", "notify"})
    descriptors: Sequence[tuple[str, bytes]] = ()
    on_write: Callable[[bytes], None] | None = None


Services = Sequence[tuple[str, Sequence[CharacteristicDefinition]]]


class Encoder(Protocol):
    """One kind of meter's radio protocol. One instance serves one meter."""

    def services(self) -> Services:
        """Return (service UUID, characteristics) in the order they are offered."""
        ...

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return what one refresh of the display sends: (characteristic key, packet), in order; it may be nothing."""
        ...


@runtime_checkable
class ConnectionObserver(Protocol):
    """An encoder whose meter behaves differently after a connection has ended, such as one that must be started."""

    def connection_ended(self) -> None:
        """Note that the central has gone."""
        ...
