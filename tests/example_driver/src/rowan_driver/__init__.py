"""A driver for the Rowan, a meter that does not exist.

It sends seven bytes at each refresh of its display, on one characteristic::

    0     1         2        3 4                     5      6
    0x52  function  decimals counts (int16, MSB first) flags  sum of bytes 0 to 5, modulo 256
"""

from collections.abc import Iterable, Sequence
from decimal import Decimal

from meterlink.driver_api import (
    CERTAIN,
    NO_MATCH,
    Advertisement,
    Channel,
    Characteristic,
    Coupling,
    DriverError,
    Quantity,
    Reading,
    Status,
    Timestamp,
)

SERVICE = "7b0e0000-3f52-4c1e-9d5a-6f1c2a9b4e10"
DISPLAY = "7b0e0001-3f52-4c1e-9d5a-6f1c2a9b4e10"

START = 0x52
LENGTH = 7
OVERLOAD, LOW_BATTERY = 0x01, 0x02  # bits of the flags
MOST_DECIMALS = 4

FUNCTIONS = {
    1: (Quantity.VOLTAGE, "V", Coupling.AC),
    2: (Quantity.VOLTAGE, "V", Coupling.DC),
    3: (Quantity.RESISTANCE, "Ω", None),
    4: (Quantity.CAPACITANCE, "µF", None),
}


class RowanDriver:
    """One connection to one Rowan."""

    channels: Sequence[Channel] = (Channel(DISPLAY),)

    def feed(self, channel: str, packet: bytes, timestamp: Timestamp) -> Iterable[Reading]:
        """Return the reading in a packet; nothing for bytes that are not a Rowan's frame."""
        if channel != DISPLAY or len(packet) != LENGTH or packet[0] != START or sum(packet[:6]) % 256 != packet[6]:
            return ()
        function, decimals, counts, flags = packet[1], packet[2], packet[3:5], packet[5]
        if function not in FUNCTIONS or decimals > MOST_DECIMALS:
            return ()
        quantity, unit, coupling = FUNCTIONS[function]
        overload = bool(flags & OVERLOAD)
        digits = Decimal(int.from_bytes(counts, "big", signed=True)).scaleb(-decimals)
        return (
            Reading(
                quantity=quantity,
                digits=None if overload else digits,
                unit=unit,
                timestamp=timestamp,
                status=Status.OVERLOAD if overload else Status.OK,
                coupling=coupling,
                resolution=Decimal(1).scaleb(-decimals),
                low_battery=bool(flags & LOW_BATTERY),
                channel=channel,
                packet=packet,
            ),
        )


class Rowan:
    """The driver factory: it recognises the kind of meter, and makes a driver for each connection."""

    name = "rowan"

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        """Return CERTAIN for a meter that has, or before connecting advertises, the Rowan's own service."""
        if services is None:
            return CERTAIN if SERVICE in advertisement.service_uuids else NO_MATCH
        return CERTAIN if any(characteristic.key == DISPLAY for characteristic in services) else NO_MATCH

    def open(self, services: Sequence[Characteristic]) -> RowanDriver:
        """Return a driver for a connected meter.

        Raises:
            DriverError: the meter does not have the display characteristic.
        """
        if not any(characteristic.key == DISPLAY for characteristic in services):
            raise DriverError("This meter has no Rowan display.", "Use another driver.")
        return RowanDriver()


ROWAN = Rowan()
