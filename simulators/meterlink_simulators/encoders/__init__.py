"""Encoders: the radio side of simulated meters. Written from the standards, apart from any decoder."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from meterlink_simulators.display import DisplayState


@dataclass(frozen=True, slots=True)
class CharacteristicDefinition:
    """A GATT characteristic that a meter offers.

    ``key`` names it within its encoder. UUIDs are lower-case 128-bit text. ``properties`` are GATT property names
    (``read``, ``notify``, ``indicate``, ``write``, ``write-without-response``). ``descriptors`` are pairs (UUID, fixed
    value). ``on_write`` receives the bytes that a client writes.
    """

    key: str
    uuid: str
    properties: frozenset[str] = frozenset({"read", "notify"})
    descriptors: Sequence[tuple[str, bytes]] = ()
    on_write: Callable[[bytes], None] | None = None


Services = Sequence[tuple[str, Sequence[CharacteristicDefinition]]]


class Encoder(Protocol):
    """The radio protocol of one kind of meter. One instance serves one meter."""

    def services(self) -> Services:
        """Return the pairs (service UUID, characteristics), in the order they are offered."""
        ...

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return the packets of one refresh of the display: pairs (characteristic key, packet), in order."""
        ...


@runtime_checkable
class ConnectionObserver(Protocol):
    """An encoder whose meter changes its behaviour when a connection ends."""

    def connection_ended(self) -> None:
        """Note that the central has disconnected."""
        ...
