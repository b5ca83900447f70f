"""The decoded content of one packet, before the driver adds channel and time."""

from collections.abc import Callable
from decimal import Decimal
from typing import NamedTuple

from meterlink.driver_api import Coupling, Quantity, Status, display_amount


class DecodedPacket(NamedTuple):
    """The fields of a `Reading` that a packet contains; ``digits`` is None unless ``status`` is ok."""

    digits: Decimal | None
    unit: str
    status: Status = Status.OK
    resolution: Decimal | None = None
    coupling: Coupling | None = None


PacketDecoder = Callable[[bytes], DecodedPacket]
"""Decodes one packet; it never raises."""


def unit_without_value(quantity: Quantity) -> str:
    """Return the unit shown without a number: that of a reading in tenths of the base unit (Ω, µF, V)."""
    return display_amount(quantity, Decimal("0.1")).unit
