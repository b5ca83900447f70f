"""The Bluetooth SIG's own characteristics for the quantities of a multimeter.

Scales, ranges and special values: Bluetooth GATT Specification Supplement, the section of each characteristic.
There is none for resistance or capacitance: such a meter describes its own (see `presentation_format`).
"""

from collections.abc import Callable
from decimal import ROUND_HALF_EVEN, Decimal

from meterlink.core.binary_numbers import decode_medfloat32, has_plausible_magnitude
from meterlink.core.units import resolution_of
from meterlink.driver_api import Coupling, Quantity, Status, uuid16
from meterlink_drivers.decoded_packet import DecodedPacket, PacketDecoder

_CENT = Decimal("0.01")
_SIXTY_FOURTH = Decimal("0.015625")


def _fixed_size_decoder(
    size: int, unit: str, decode: Callable[[int], DecodedPacket], *, signed: bool = False
) -> PacketDecoder:
    """Return a decoder of one little-endian integer; these layouts are closed, so any other length is invalid."""
    invalid = DecodedPacket(None, unit, Status.INVALID)
    return lambda packet: decode(int.from_bytes(packet, "little", signed=signed)) if len(packet) == size else invalid


def _voltage(raw: int) -> DecodedPacket:
    """Unsigned, in 1/64 V, without AC or DC; 0 stands for 0 V and for anything below."""
    if raw == 0xFF80:  # 1022 V: "the maximum value or higher"
        return DecodedPacket(None, "V", Status.OVERLOAD)
    if raw > 0xFF80:  # 0xFFFF is "not known", the rest is beyond the stated maximum
        return DecodedPacket(None, "V", Status.INVALID)
    # Two decimals: the fewest that still show every step of 0.015625 V as a change. Rounding moves a value by at most
    # 0.005 V, a third of the step, and half-even so that the sixteenths (0.125 V) are not biased.
    return DecodedPacket((Decimal(raw) / 64).quantize(_CENT, ROUND_HALF_EVEN), "V", Status.OK, _SIXTY_FOURTH)


def _current(raw: int) -> DecodedPacket:
    """Unsigned, in 0.01 A, without AC or DC."""
    if raw == 0xFFFF:
        return DecodedPacket(None, "A", Status.INVALID)
    return DecodedPacket(Decimal(raw).scaleb(-2), "A", Status.OK, _CENT)


def _temperature(raw: int) -> DecodedPacket:
    """Signed, in 0.01 °C; below absolute zero is prohibited, and 0x8000 is "not known"."""
    if raw < -27315:
        return DecodedPacket(None, "°C", Status.INVALID)
    return DecodedPacket(Decimal(raw).scaleb(-2), "°C", Status.OK, _CENT)


def _voltage_frequency(raw: int) -> DecodedPacket:
    """Whole Hz; 0 means a DC supply, which is a reading."""
    if raw >= 0xFFFE:
        return DecodedPacket(None, "Hz", Status.INVALID)
    return DecodedPacket(Decimal(raw), "Hz", Status.OK, Decimal(1), None if raw else Coupling.DC)


def _battery_level(raw: int) -> DecodedPacket:
    """Whole percent; 101 and up are reserved."""
    if raw > 100:
        return DecodedPacket(None, "%", Status.INVALID)
    return DecodedPacket(Decimal(raw), "%", Status.OK, Decimal(1))


def _temperature_measurement(packet: bytes) -> DecodedPacket:
    """Flags, a FLOAT in °C or °F, then an optional time (7 bytes) and type (1 byte), both unused here.

    Flags that are reserved today may add fields later, behind the known fields: a packet may be longer than these only
    where such a flag is set.
    """
    flags = packet[0] if packet else 0
    unit = "°F" if flags & 0x01 else "°C"
    size = 5 + (7 if flags & 0x02 else 0) + (1 if flags & 0x04 else 0)
    if len(packet) < size or (len(packet) > size and not flags & 0xF8):
        return DecodedPacket(None, unit, Status.INVALID)
    number = decode_medfloat32(packet[1:5])
    if isinstance(number, Status):
        return DecodedPacket(None, unit, number)
    if not has_plausible_magnitude(number):
        return DecodedPacket(None, unit, Status.INVALID)
    return DecodedPacket(number, unit, Status.OK, resolution_of(number))


BATTERY_LEVEL = uuid16(0x2A19)

SIG_CHARACTERISTICS: dict[str, tuple[Quantity, PacketDecoder]] = {
    uuid16(0x2B18): (Quantity.VOLTAGE, _fixed_size_decoder(2, "V", _voltage)),
    uuid16(0x2AEE): (Quantity.CURRENT, _fixed_size_decoder(2, "A", _current)),
    uuid16(0x2A6E): (Quantity.TEMPERATURE, _fixed_size_decoder(2, "°C", _temperature, signed=True)),
    uuid16(0x2A1C): (Quantity.TEMPERATURE, _temperature_measurement),
    uuid16(0x2BE8): (Quantity.FREQUENCY, _fixed_size_decoder(2, "Hz", _voltage_frequency)),
    BATTERY_LEVEL: (Quantity.BATTERY, _fixed_size_decoder(1, "%", _battery_level)),
}
"""``{characteristic UUID: (quantity, decoder)}``."""
