"""The Characteristic Presentation Format descriptor (0x2904): it describes how to read its characteristic.

Layout, rules and format codes: Bluetooth Core specification, vol. 3, part G, 3.3.3.5; codes and units: Bluetooth
Assigned Numbers.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from meterlink.core.binary_numbers import (
    EXACT_CONTEXT,
    decode_float32,
    decode_float64,
    decode_medfloat16,
    decode_medfloat32,
    has_plausible_magnitude,
)
from meterlink.core.units import resolution_of
from meterlink.driver_api import Quantity, Status, display_amount
from meterlink_drivers.decoded_packet import DecodedPacket, PacketDecoder, unit_without_value

NumberDecoder = Callable[[bytes], Decimal | Status]

_UNITS = {
    0x2704: (Quantity.CURRENT, "A"),
    0x2722: (Quantity.FREQUENCY, "Hz"),
    0x2728: (Quantity.VOLTAGE, "V"),
    0x2729: (Quantity.CAPACITANCE, "F"),
    0x272A: (Quantity.RESISTANCE, "Ω"),
    0x272F: (Quantity.TEMPERATURE, "°C"),
    0x27AC: (Quantity.TEMPERATURE, "°F"),
    0x27AD: (Quantity.RATIO, "%"),
}

# Format code: (bits, signed).
_INTEGERS = {
    0x01: (1, False),
    0x02: (2, False),
    0x03: (4, False),
    0x04: (8, False),
    0x05: (12, False),
    0x06: (16, False),
    0x07: (24, False),
    0x08: (32, False),
    0x09: (48, False),
    0x0A: (64, False),
    0x0B: (128, False),
    0x0C: (8, True),
    0x0D: (12, True),
    0x0E: (16, True),
    0x0F: (24, True),
    0x10: (32, True),
    0x11: (48, True),
    0x12: (64, True),
    0x13: (128, True),
}
_FIRST_WITH_EXPONENT = 0x04  # boolean, 2-bit and 4-bit integers have none (Assigned Numbers, format types)
# Not decoded: 0x18 (two uint16) is an IEEE 11073 nomenclature code, a name and no amount; 0x19 and 0x1A are text,
# 0x1B and 0x1C structures that this descriptor does not describe further.

# Format code: (bytes, decoder).
_FLOATS: dict[int, tuple[int, NumberDecoder]] = {
    0x14: (4, decode_float32),
    0x15: (8, decode_float64),
    0x16: (2, decode_medfloat16),
    0x17: (4, decode_medfloat32),
}
_BINARY_FLOATS = frozenset({0x14, 0x15})
_REMEMBERED_PACKETS = 256  # of one characteristic: a display that has settled repeats a few numbers


@dataclass(frozen=True, slots=True)
class PresentationFormat:
    """The descriptor's fields used here. Namespace and description are left out: they do not scale the value."""

    code: int
    exponent: int
    unit: int


def parse_presentation_format(descriptor: bytes) -> PresentationFormat | None:
    """Return the fields of a 0x2904 descriptor; None where it does not have seven bytes."""
    if len(descriptor) != 7:
        return None
    code, exponent, unit, _namespace, _description = struct.unpack("<BbHBH", descriptor)
    return PresentationFormat(code, exponent, unit)


def compile_presentation_format(presentation: PresentationFormat) -> tuple[Quantity, PacketDecoder] | None:
    """Return ``(quantity, decoder)`` for values with this format; None for a format or unit that is no measurement.

    A value of any other length than the format's is invalid, a longer one too: the descriptor describes the whole
    value.
    """
    quantity, unit = _UNITS.get(presentation.unit, (None, ""))
    compiled = _compile_number_decoder(presentation)
    if quantity is None or compiled is None:
        return None
    size, decode_number = compiled
    scaled = quantity is not Quantity.TEMPERATURE and quantity is not Quantity.RATIO
    resolution_known = presentation.code not in _BINARY_FLOATS  # a binary float does not show the display's resolution
    idle_unit = unit_without_value(quantity) if scaled else unit
    no_value = {status: DecodedPacket(None, idle_unit, status) for status in (Status.INVALID, Status.OVERLOAD)}

    @lru_cache(maxsize=_REMEMBERED_PACKETS)
    def decode(packet: bytes) -> DecodedPacket:
        value = decode_number(packet) if len(packet) == size else Status.INVALID
        if isinstance(value, Status):
            return no_value[value]
        if not has_plausible_magnitude(value):
            return no_value[Status.INVALID]
        digits, shown_unit = value, unit
        if scaled:
            amount = display_amount(quantity, value, resolution_known=resolution_known)
            digits, shown_unit = amount.digits, amount.unit
        return DecodedPacket(digits, shown_unit, Status.OK, resolution_of(digits) if resolution_known else None)

    return quantity, decode


def _compile_number_decoder(presentation: PresentationFormat) -> tuple[int, NumberDecoder] | None:
    """Return ``(size, decoder)``: the bytes of a value, and the decoder of exactly so many; None for other formats."""
    if presentation.code not in _INTEGERS:
        return _FLOATS.get(presentation.code)
    bits, signed = _INTEGERS[presentation.code]
    exponent = presentation.exponent if presentation.code >= _FIRST_WITH_EXPONENT else 0
    return (bits + 7) // 8, _compile_integer(bits, exponent, signed=signed)


def _compile_integer(bits: int, exponent: int, *, signed: bool) -> NumberDecoder:
    # Bits above the format's are "ignored upon receipt" (Core, vol. 3 part G, 3.3.3.5.2), so they are masked off.
    mask, sign_bit = (1 << bits) - 1, (1 << bits - 1) if signed else 0

    def decode_integer(packet: bytes) -> Decimal:
        raw = int.from_bytes(packet, "little") & mask
        return Decimal(raw - 2 * (raw & sign_bit)).scaleb(exponent, EXACT_CONTEXT)

    return decode_integer
