"""A self-describing meter: Bluetooth SIG formats only, so a reader needs no knowledge of the maker.

Two kinds of function. `DescribedFunction`: a characteristic of our own whose Characteristic Presentation Format
descriptor (0x2904, Bluetooth Core vol. 3 part G, 3.3.3.5) names format, exponent and unit. `AssignedFunction`: a
characteristic whose format the GATT Specification Supplement fixes; it fixes none for resistance and capacitance.
"""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from enum import Enum, IntEnum
from typing import Literal

from meterlink.core.readings import Coupling
from meterlink.core.units import BASE_UNIT, Quantity, convert, to_base
from meterlink.driver_api import uuid16
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.ieee11073 import FLOAT, SFLOAT

USER_DESCRIPTION = uuid16(0x2901)
PRESENTATION_FORMAT = uuid16(0x2904)

# A random base (RFC 9562 version 4) of this simulator: 0 is the service, functions count from 1.
_OWN_BASE = "8f1e{:04x}-5b0c-4d8e-a3f6-21c49d7be058"

SERVICE_UUID = _OWN_BASE.format(0)


class Format(IntEnum):
    """Format codes of the Presentation Format descriptor (Assigned Numbers, 2.4.1) that these meters use."""

    UINT16 = 0x06
    UINT24 = 0x07
    UINT32 = 0x08
    SINT16 = 0x0E
    SINT24 = 0x0F
    SINT32 = 0x10
    FLOAT32 = 0x14
    SFLOAT = 0x16
    FLOAT = 0x17


# Size in bytes, and whether signed.
_INTEGERS = {
    Format.UINT16: (2, False),
    Format.UINT24: (3, False),
    Format.UINT32: (4, False),
    Format.SINT16: (2, True),
    Format.SINT24: (3, True),
    Format.SINT32: (4, True),
}

# Unit UUIDs (Assigned Numbers, 3.5).
_UNIT_NUMBER = {
    "A": 0x2704,
    "Hz": 0x2722,
    "V": 0x2728,
    "F": 0x2729,
    "Ω": 0x272A,
    "°C": 0x272F,
    "°F": 0x27AC,
    "%": 0x27AD,
}

_BLUETOOTH_SIG = 0x01  # namespace of the description field
_UNKNOWN = 0x0000  # description: none given


def digits_in(display: DisplayState, unit: str) -> Decimal | None:
    """Return the digits in ``unit`` (V, A, Ω, F, Hz, °C, °F or %); None for a display without a number.

    Between a unit and its multiples only the point moves, so the last place stays the display's.
    """
    if display.digits is None:
        return None
    if "°F" in {display.unit, unit}:
        return convert(display.digits, display.unit, unit)
    return display.digits.scaleb(to_base(Decimal(1), display.unit).adjusted())


@dataclass(frozen=True, slots=True)
class DescribedFunction:
    """A function on a characteristic of our own with a Presentation Format descriptor.

    Every format carries the value in ``unit`` (default: the base unit of the quantity). The integer formats count
    steps of ten to ``exponent``. They have no special codes: overload is sent as the largest code (a saturated
    converter), and a blank display sends nothing. FLOAT and SFLOAT keep the display's last place; overload is
    +INFINITY, a blank display is ``blank_code``. FLOAT32 (IEEE 754) uses infinity and NaN, and carries no last place.
    """

    quantity: Quantity
    coupling: Coupling | None = None
    format: Format = Format.FLOAT
    exponent: int = 0
    unit: str = ""
    blank_code: Literal["nan", "nres"] = "nan"

    @property
    def name(self) -> str:
        """Its User Description: ``voltage AC``."""
        return f"{self.quantity} {self.coupling}" if self.coupling else str(self.quantity)

    def matches(self, display: DisplayState) -> bool:
        """Return whether the display is on this function."""
        return display.quantity is self.quantity and self.coupling in {None, display.coupling}

    def definition(self, number: int) -> CharacteristicDefinition:
        """Return its characteristic; ``number`` counts the functions of a meter from 1."""
        uuid = _OWN_BASE.format(number)
        presentation = struct.pack(
            "<BbHBH",
            self.format,
            self.exponent if self.format in _INTEGERS else 0,  # the exponent field counts for integers only
            _UNIT_NUMBER[self.unit or BASE_UNIT[self.quantity]],
            _BLUETOOTH_SIG,
            _UNKNOWN,
        )
        descriptors = ((USER_DESCRIPTION, self.name.encode()), (PRESENTATION_FORMAT, presentation))
        return CharacteristicDefinition(uuid, uuid, descriptors=descriptors)

    def packet(self, display: DisplayState) -> bytes | None:
        """Return the packet for a display; None where none is sent."""
        number = digits_in(display, self.unit or BASE_UNIT[self.quantity])
        if self.format in _INTEGERS:
            return self._integer(number, overload=display.overload)
        if self.format is Format.FLOAT32:
            value = float(number) if number is not None else float("inf" if display.overload else "nan")
            return struct.pack("<f", value)
        decimal_float = SFLOAT if self.format is Format.SFLOAT else FLOAT
        if number is not None:
            return decimal_float.pack(number)
        if display.overload:
            return decimal_float.infinity
        return decimal_float.nan if self.blank_code == "nan" else decimal_float.nres

    def _integer(self, number: Decimal | None, *, overload: bool) -> bytes | None:
        size, signed = _INTEGERS[self.format]
        greatest = (1 << (8 * size - signed)) - 1
        least = -greatest - 1 if signed else 0
        if number is None:
            return greatest.to_bytes(size, "little") if overload else None
        steps = int(number.scaleb(-self.exponent).to_integral_value(ROUND_HALF_EVEN))
        return min(max(steps, least), greatest).to_bytes(size, "little", signed=signed)


def _scaled_integer(
    display: DisplayState, unit: str, per_unit: int, layout: str, greatest: int, unknown: int, least: int = 0
) -> bytes:
    """Return the value in steps of 1/``per_unit`` of ``unit``; ``unknown`` for no value in least..greatest."""
    number = digits_in(display, unit)
    steps = None if number is None else int((number * per_unit).to_integral_value(ROUND_HALF_EVEN))
    known = steps is not None and least <= steps <= greatest
    return struct.pack(layout, steps if known else unknown)


def _voltage(display: DisplayState) -> bytes:
    # uint16, 1/64 V, 0..1022 V, 0xFFFF not known. Unsigned: a negative voltage is not known.
    return _scaled_integer(display, "V", 64, "<H", 1022 * 64, 0xFFFF)


def _electric_current(display: DisplayState) -> bytes:
    # uint16, 0.01 A, 0..655.34 A, 0xFFFF not known.
    return _scaled_integer(display, "A", 100, "<H", 65534, 0xFFFF)


def _temperature(display: DisplayState) -> bytes:
    # sint16, 0.01 °C, from absolute zero, 0x8000 not known.
    return _scaled_integer(display, "°C", 100, "<h", 32767, -0x8000, -27315)


def _voltage_frequency(display: DisplayState) -> bytes:
    # uint16, 1 Hz, 1..65533; 0 stands for DC, 0xFFFE not valid, 0xFFFF not known.
    if display.overload:
        return struct.pack("<H", 0xFFFE)
    return _scaled_integer(display, "Hz", 1, "<H", 65533, 0xFFFF, 1)


def _temperature_measurement(display: DisplayState) -> bytes:
    # Flags (bit 0: Fahrenheit; no time stamp, no type), then FLOAT.
    fahrenheit = display.unit == "°F"
    number = digits_in(display, "°F" if fahrenheit else "°C")
    special = FLOAT.infinity if display.overload else FLOAT.nan
    return bytes([fahrenheit]) + (special if number is None else FLOAT.pack(number))


class AssignedFunction(Enum):
    """A function on a characteristic whose format the GATT Specification Supplement fixes.

    None of them distinguishes AC from DC. Only Temperature Measurement carries the display's last place.
    """

    VOLTAGE = (0x2B18, Quantity.VOLTAGE, _voltage)
    ELECTRIC_CURRENT = (0x2AEE, Quantity.CURRENT, _electric_current)
    TEMPERATURE = (0x2A6E, Quantity.TEMPERATURE, _temperature)
    TEMPERATURE_MEASUREMENT = (0x2A1C, Quantity.TEMPERATURE, _temperature_measurement)
    VOLTAGE_FREQUENCY = (0x2BE8, Quantity.FREQUENCY, _voltage_frequency)

    def __init__(self, number: int, quantity: Quantity, encode: Callable[[DisplayState], bytes]) -> None:
        self.number = number
        self.quantity = quantity
        self._encode = encode

    def matches(self, display: DisplayState) -> bool:
        """Return whether the display is on this function."""
        return display.quantity is self.quantity

    def definition(self, _number: int) -> CharacteristicDefinition:
        """Return its characteristic. Temperature Measurement is indicated (Health Thermometer Service)."""
        uuid = uuid16(self.number)
        indicated = self is AssignedFunction.TEMPERATURE_MEASUREMENT
        return CharacteristicDefinition(uuid, uuid, frozenset({"indicate"} if indicated else {"read", "notify"}))

    def packet(self, display: DisplayState) -> bytes:
        """Return the packet for a display."""
        return self._encode(display)


# Functions of a pocket multimeter, each on a characteristic of its own.
ALL_FUNCTIONS: tuple[DescribedFunction, ...] = (
    DescribedFunction(Quantity.VOLTAGE, Coupling.AC),
    DescribedFunction(Quantity.VOLTAGE, Coupling.DC),
    DescribedFunction(Quantity.CURRENT, Coupling.AC),
    DescribedFunction(Quantity.CURRENT, Coupling.DC),
    DescribedFunction(Quantity.RESISTANCE),
    DescribedFunction(Quantity.CAPACITANCE),
    DescribedFunction(Quantity.FREQUENCY),
    DescribedFunction(Quantity.TEMPERATURE),
)


class PresentedEncoder:
    """A meter that sends each refresh on the characteristic of its function; the other characteristics stay silent.

    A display on a function the meter does not have sends nothing. Where several functions match one display (an
    `AssignedFunction` beside a `DescribedFunction`), each of them sends.
    """

    def __init__(
        self,
        functions: Sequence[DescribedFunction | AssignedFunction] = ALL_FUNCTIONS,
        service_uuid: str = SERVICE_UUID,
    ) -> None:
        self._service_uuid = service_uuid
        self._functions = [
            (function, function.definition(number)) for number, function in enumerate(functions, start=1)
        ]

    def services(self) -> Services:
        """Return the one service, with a characteristic for each function."""
        return [(self._service_uuid, [definition for _, definition in self._functions])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return the packets of one refresh of the display, as pairs (characteristic key, packet)."""
        packets = (
            (definition.key, function.packet(display))
            for function, definition in self._functions
            if function.matches(display)
        )
        return [(key, packet) for key, packet in packets if packet is not None]
