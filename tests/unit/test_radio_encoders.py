"""Encoders against the published formats. The drivers that decode them are tested separately."""

import struct
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.driver_api import uuid16
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.ieee11073 import FLOAT, SFLOAT
from meterlink_simulators.encoders.presented import (
    PRESENTATION_FORMAT,
    USER_DESCRIPTION,
    AssignedFunction,
    DescribedFunction,
    Format,
    PresentedEncoder,
)


def display_of(text, unit, quantity=Quantity.CAPACITANCE, **more):
    return DisplayState(quantity, None if text is None else Decimal(text), unit, **more)


def packet_of(function, display):
    ((_, packet),) = PresentedEncoder([function]).encode(display)
    return packet


def descriptor(function, uuid):
    ((_, (definition,)),) = PresentedEncoder([function]).services()
    return dict(definition.descriptors)[uuid]


# IEEE 11073-20601 FLOAT-Type: 36.4 and 34.79 as published examples, 2, 2.0, 2.00 and 20 from the HL7 guide on it.
@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("36.4", 0xFF00016C),
        ("34.79", 0xFE000D97),
        ("2", 0x00000002),
        ("2.0", 0xFF000014),
        ("2.00", 0xFE0000C8),
        ("2E+1", 0x01000002),
        ("-1", 0x00FFFFFF),
        ("8388605", 0x007FFFFD),  # the largest mantissa that is no special code
    ],
)
def test_float_type(text, code):
    assert FLOAT.pack(Decimal(text)) == code.to_bytes(4, "little")


def test_float_special_codes():
    assert FLOAT.nan == bytes.fromhex("FFFF7F00")
    assert FLOAT.nres == bytes.fromhex("00008000")
    assert FLOAT.infinity == bytes.fromhex("FEFF7F00")
    assert FLOAT.pack(Decimal("1E+200")) == FLOAT.infinity
    assert FLOAT.pack(Decimal("-1E+200")) == bytes.fromhex("02008000")


# IEEE 11073-20601 SFLOAT-Type: 114, 0.00118, -1 and 500 as published examples; 1.0 computed.
@pytest.mark.parametrize(
    ("text", "code"),
    [("114", 0x0072), ("0.00118", 0xB076), ("-1", 0x0FFF), ("5E+2", 0x2005), ("1.0", 0xF00A), ("2045", 0x07FD)],
)
def test_sfloat_type(text, code):
    assert SFLOAT.pack(Decimal(text)) == code.to_bytes(2, "little")


def test_sfloat_special_codes_and_narrow_mantissa():
    assert SFLOAT.nan == bytes.fromhex("FF07")
    assert SFLOAT.nres == bytes.fromhex("0008")
    assert SFLOAT.infinity == bytes.fromhex("FE07")
    # Four digits above 2045 lose the last digit: the mantissa has 12 bits.
    assert SFLOAT.pack(Decimal("42.31")) == SFLOAT.pack(Decimal("42.3"))
    assert SFLOAT.pack(Decimal("1E+12")) == SFLOAT.infinity
    assert SFLOAT.pack(Decimal("-1E+12")) == bytes.fromhex("0208")


@given(
    mantissa=st.integers(-8388605, 8388605),
    exponent=st.integers(-12, 12),
)
def test_float_keeps_every_digit_that_fits(mantissa, exponent):
    packet = FLOAT.pack(Decimal(mantissa).scaleb(exponent))
    assert int.from_bytes(packet[:3], "little", signed=True) == mantissa
    assert int.from_bytes(packet[3:], "little", signed=True) == exponent


# Characteristic Presentation Format: format, exponent, unit, namespace 1 (Bluetooth SIG), description; little-endian
# (Core vol. 3 part G, 3.3.3.5; numbers from the Bluetooth Assigned Numbers).
@pytest.mark.parametrize(
    ("function", "expected"),
    [
        (DescribedFunction(Quantity.CAPACITANCE, format=Format.UINT16, exponent=-6), "06FA2927010000"),
        (DescribedFunction(Quantity.VOLTAGE, format=Format.SINT16, exponent=-3), "0EFD2827010000"),
        (DescribedFunction(Quantity.RESISTANCE), "17002A27010000"),
        (DescribedFunction(Quantity.CURRENT, format=Format.SFLOAT), "16000427010000"),
        (DescribedFunction(Quantity.FREQUENCY, format=Format.UINT24, exponent=-3), "07FD2227010000"),
        (DescribedFunction(Quantity.VOLTAGE, format=Format.FLOAT32), "14002827010000"),
        (DescribedFunction(Quantity.TEMPERATURE, format=Format.SINT32, exponent=-1), "10FF2F27010000"),
        (DescribedFunction(Quantity.TEMPERATURE, unit="°F"), "1700AC27010000"),
        (DescribedFunction(Quantity.RATIO), "1700AD27010000"),
    ],
)
def test_presentation_format(function, expected):
    assert descriptor(function, PRESENTATION_FORMAT) == bytes.fromhex(expected)


def test_user_description_names_the_function():
    assert descriptor(DescribedFunction(Quantity.VOLTAGE, Coupling.AC), USER_DESCRIPTION) == b"voltage AC"


@pytest.mark.parametrize(
    ("text", "unit", "mantissa", "exponent"),
    [("4.70", "µF", 470, -8), ("45.0", "µF", 450, -7), ("820", "nF", 820, -9), ("0.00", "µF", 0, -8)],
)
def test_float_keeps_the_displays_last_place(text, unit, mantissa, exponent):
    packet = packet_of(DescribedFunction(Quantity.CAPACITANCE), display_of(text, unit))
    assert packet == (mantissa & 0xFFFFFF).to_bytes(3, "little") + struct.pack("b", exponent)


def test_kilohms_keep_their_last_place_too():
    packet = packet_of(DescribedFunction(Quantity.RESISTANCE), display_of("4.70", "kΩ", Quantity.RESISTANCE))
    assert packet == bytes.fromhex("D60100") + b"\x01"  # 470 times ten


@pytest.mark.parametrize(
    ("function", "overload", "blank"),
    [
        (DescribedFunction(Quantity.RESISTANCE), FLOAT.infinity, FLOAT.nan),
        (DescribedFunction(Quantity.RESISTANCE, blank_code="nres"), FLOAT.infinity, FLOAT.nres),
        (DescribedFunction(Quantity.RESISTANCE, format=Format.SFLOAT), SFLOAT.infinity, SFLOAT.nan),
    ],
)
def test_overload_and_blank(function, overload, blank):
    assert packet_of(function, display_of(None, "MΩ", Quantity.RESISTANCE, overload=True)) == overload
    assert packet_of(function, display_of(None, "Ω", Quantity.RESISTANCE, blank=True)) == blank


def test_float32_carries_infinity_and_nan():
    function = DescribedFunction(Quantity.RESISTANCE, format=Format.FLOAT32)
    assert packet_of(function, display_of("1.5", "kΩ", Quantity.RESISTANCE)) == struct.pack("<f", 1500)
    assert packet_of(function, display_of(None, "Ω", Quantity.RESISTANCE, overload=True)) == struct.pack(
        "<f", float("inf")
    )
    (value,) = struct.unpack("<f", packet_of(function, display_of(None, "Ω", Quantity.RESISTANCE, blank=True)))
    assert value != value  # noqa: PLR0124 - only NaN differs from itself


def test_integers_count_steps_saturate_and_stay_silent():
    function = DescribedFunction(Quantity.CAPACITANCE, format=Format.UINT16, exponent=-6)
    assert packet_of(function, display_of("45", "µF")) == struct.pack("<H", 45)
    assert packet_of(function, display_of("99999", "µF")) == b"\xff\xff"
    assert packet_of(function, display_of("-1", "µF")) == b"\0\0"
    assert packet_of(function, display_of(None, "µF", overload=True)) == b"\xff\xff"
    assert PresentedEncoder([function]).encode(display_of(None, "µF", blank=True)) == []
    volts = DescribedFunction(Quantity.VOLTAGE, format=Format.SINT32, exponent=-3)
    assert packet_of(volts, display_of("-3.892", "V", Quantity.VOLTAGE)) == struct.pack("<i", -3892)
    ohms = DescribedFunction(Quantity.RESISTANCE, format=Format.UINT24, exponent=-1)
    assert packet_of(ohms, display_of("12.34", "kΩ", Quantity.RESISTANCE)) == (123400).to_bytes(3, "little")


# GATT Specification Supplement: values and special codes of the characteristics' own sections.
@pytest.mark.parametrize(
    ("function", "quantity", "text", "unit", "packet"),
    [
        (AssignedFunction.VOLTAGE, Quantity.VOLTAGE, "24.0", "V", "0006"),
        (AssignedFunction.VOLTAGE, Quantity.VOLTAGE, "240.0", "V", "003C"),
        (AssignedFunction.VOLTAGE, Quantity.VOLTAGE, "1022", "V", "80FF"),
        (AssignedFunction.VOLTAGE, Quantity.VOLTAGE, "1023", "V", "FFFF"),
        (AssignedFunction.VOLTAGE, Quantity.VOLTAGE, "-1.5", "V", "FFFF"),
        (AssignedFunction.VOLTAGE, Quantity.VOLTAGE, "250", "mV", "1000"),
        (AssignedFunction.ELECTRIC_CURRENT, Quantity.CURRENT, "4.50", "A", "C201"),
        (AssignedFunction.ELECTRIC_CURRENT, Quantity.CURRENT, None, "A", "FFFF"),
        (AssignedFunction.TEMPERATURE, Quantity.TEMPERATURE, "25.00", "°C", "C409"),
        (AssignedFunction.TEMPERATURE, Quantity.TEMPERATURE, "-2.00", "°C", "38FF"),
        (AssignedFunction.TEMPERATURE, Quantity.TEMPERATURE, "77.0", "°F", "C409"),
        (AssignedFunction.TEMPERATURE, Quantity.TEMPERATURE, None, "°C", "0080"),
        (AssignedFunction.TEMPERATURE, Quantity.TEMPERATURE, "-300", "°C", "0080"),
        (AssignedFunction.VOLTAGE_FREQUENCY, Quantity.FREQUENCY, "60.0", "Hz", "3C00"),
        (AssignedFunction.VOLTAGE_FREQUENCY, Quantity.FREQUENCY, "99.9", "kHz", "FFFF"),
        (AssignedFunction.VOLTAGE_FREQUENCY, Quantity.FREQUENCY, None, "Hz", "FFFF"),
        (AssignedFunction.TEMPERATURE_MEASUREMENT, Quantity.TEMPERATURE, "36.4", "°C", "006C0100FF"),
        (AssignedFunction.TEMPERATURE_MEASUREMENT, Quantity.TEMPERATURE, "97.5", "°F", "01CF0300FF"),
        (AssignedFunction.TEMPERATURE_MEASUREMENT, Quantity.TEMPERATURE, None, "°C", "00FFFF7F00"),
    ],
)
def test_assigned_characteristics(function, quantity, text, unit, packet):
    assert packet_of(function, display_of(text, unit, quantity, blank=text is None)) == bytes.fromhex(packet)


def test_voltage_frequency_overload_is_not_valid():
    display = display_of(None, "Hz", Quantity.FREQUENCY, overload=True)
    assert packet_of(AssignedFunction.VOLTAGE_FREQUENCY, display) == bytes.fromhex("FEFF")


def test_assigned_uuids_and_properties():
    ((_, definitions),) = PresentedEncoder(list(AssignedFunction)).services()
    assert [definition.uuid for definition in definitions] == [
        uuid16(number) for number in (0x2B18, 0x2AEE, 0x2A6E, 0x2A1C, 0x2BE8)
    ]
    indicated = [definition.uuid for definition in definitions if definition.properties == {"indicate"}]
    assert indicated == [uuid16(0x2A1C)]


def test_only_the_function_in_use_sends():
    encoder = PresentedEncoder()
    ((_, definitions),) = encoder.services()
    names = {definition.key: dict(definition.descriptors)[USER_DESCRIPTION] for definition in definitions}
    assert len(names) == len(definitions) == 8
    for quantity, coupling, name in [
        (Quantity.VOLTAGE, Coupling.AC, b"voltage AC"),
        (Quantity.VOLTAGE, Coupling.DC, b"voltage DC"),
        (Quantity.CAPACITANCE, None, b"capacitance"),
    ]:
        unit = "V" if quantity is Quantity.VOLTAGE else "µF"
        ((key, _),) = encoder.encode(display_of("1.0", unit, quantity, coupling=coupling))
        assert names[key] == name
    assert PresentedEncoder([DescribedFunction(Quantity.CURRENT)]).encode(display_of("1.0", "µF")) == []


def test_an_assigned_characteristic_beside_a_described_one():
    encoder = PresentedEncoder([DescribedFunction(Quantity.VOLTAGE), AssignedFunction.VOLTAGE])
    packets = encoder.encode(display_of("24.0", "V", Quantity.VOLTAGE, coupling=Coupling.AC))
    assert [packet for _, packet in packets] == [bytes.fromhex("F00000FF"), bytes.fromhex("0006")]
