"""The Characteristic Presentation Format descriptor against Bluetooth's own tables.

Sources: Bluetooth Assigned Numbers (format types, units) as bundled in the ``bluetooth-sig`` test dependency, and the
Bluetooth Core specification, vol. 3, part G, 3.3.3.5. Flags: S, seen in a text that quotes the source; M, from memory;
C, recomputed here.
"""

from decimal import Decimal

import pytest
from bluetooth_sig.gatt.descriptors.characteristic_presentation_format import (
    CharacteristicPresentationFormatDescriptor,
)
from bluetooth_sig.registry.core.formattypes import get_format_types_registry
from bluetooth_sig.registry.uuids.units import get_units_registry

from meterlink.driver_api import Characteristic, Quantity, Reading, Status, Timestamp, uuid16
from meterlink_drivers.presentation_format import (
    PresentationFormat,
    compile_presentation_format,
    parse_presentation_format,
)
from meterlink_drivers.presented import PRESENTED

OWN_UUID = "6b9a1d50-3a4c-4c60-9d6e-2f2f6f0a7c01"


def decode(descriptor: str, packet: str) -> Reading:
    described = Characteristic(
        OWN_UUID, OWN_UUID, OWN_UUID, frozenset({"notify"}), {uuid16(0x2904): bytes.fromhex(descriptor)}
    )
    (reading,) = PRESENTED.open([described]).feed(OWN_UUID, bytes.fromhex(packet), Timestamp(1, 1))
    return reading


def test_microfarad_in_whole_numbers() -> None:
    """S: the descriptor's layout; C: uint16, 10⁻⁶, farad, raw 45."""
    reading = decode("06 FA 29 27 01 00 00", "2D 00")
    assert reading.text == "45 µF"
    assert reading.resolution == 1
    assert reading.value == pytest.approx(45e-6, rel=1e-15)


def test_millivolt_signed() -> None:
    """S: the descriptor's layout; C: sint16, 10⁻³, volt, raw -1000."""
    reading = decode("0E FD 28 27 01 00 00", "18 FC")
    assert reading.text == "-1.000 V"
    assert reading.resolution == Decimal("0.001")


def test_exponent_minus_three() -> None:
    """S: the Core specification's own example, exponent -3 and 3892 give 3.892."""
    reading = decode("06 FD 28 27 01 00 00", "34 0F")
    assert reading.quantity is Quantity.VOLTAGE
    assert reading.value == 3.892
    assert reading.text == "3.892 V"


@pytest.mark.parametrize("described", ["06FA2927010000", "0EFD2827010000", "1780AC27010C01", "147F2A27020000"])
def test_descriptor_fields_agree_with_another_decoder(described: str) -> None:
    theirs = CharacteristicPresentationFormatDescriptor().parse_value(bytes.fromhex(described)).value
    ours = parse_presentation_format(bytes.fromhex(described))
    assert ours is not None
    assert (ours.code, ours.exponent, ours.unit) == (theirs.format, theirs.exponent, theirs.unit)


@pytest.mark.parametrize(
    ("unit", "symbol"),
    [  # S: Assigned Numbers, units
        (0x2704, "A"),
        (0x2722, "Hz"),
        (0x2728, "V"),
        (0x2729, "F"),
        (0x272A, "Ω"),
        (0x272F, "°C"),
        (0x27AC, "°F"),
        (0x27AD, "%"),
    ],
)
def test_units(unit: int, symbol: str) -> None:
    info = get_units_registry().get_unit_info(f"{unit:04x}")
    assert info is not None
    assert info.symbol == symbol
    compiled = compile_presentation_format(PresentationFormat(0x06, 0, unit))
    assert compiled is not None
    _, decoder = compiled
    assert decoder(b"\x01\x00").unit.endswith(symbol)


def test_every_other_unit_is_declined() -> None:
    """C: all units of Assigned Numbers; a volume is not a voltage."""
    ours = {0x2704, 0x2722, 0x2728, 0x2729, 0x272A, 0x272F, 0x27AC, 0x27AD}
    known = {
        number for number in range(0x2700, 0x2800) if compile_presentation_format(PresentationFormat(0x06, 0, number))
    }
    assert known == ours


@pytest.mark.parametrize("code", range(0x1D))
def test_formats_have_the_assigned_size_and_exponent_rule(code: int) -> None:
    """S: Assigned Numbers, format types; the exponent counts on 0x04 to 0x13 only."""
    info = get_format_types_registry().get_format_type_info(code)
    compiled = compile_presentation_format(PresentationFormat(code, 1, 0x2728))
    if info is None or code >= 0x18:  # reserved; nomenclature code, text and structures are not amounts
        assert compiled is None
        return
    assert compiled is not None
    assert info.size is not None
    _, decoder = compiled
    for size in range(20):
        status = decoder(bytes(size)).status
        assert (status is Status.OK) == (size == info.size), size
    float_one = {0x14: "0000803f", 0x15: "000000000000f03f"}.get(code)
    packet = bytes.fromhex(float_one) if float_one else b"\x01" + bytes(info.size - 1)
    decoded = decoder(packet)
    assert decoded.digits is not None
    assert decoded.unit == "V"
    assert decoded.digits == (Decimal(10) if info.exponent else Decimal(1))


@pytest.mark.parametrize(
    ("descriptor", "packet", "text"),
    [
        # C: each two's-complement minimum and each unsigned maximum, exponent 0, percent (shown without a prefix).
        ("01 00 AD 27 01 00 00", "01", "1 %"),
        ("02 00 AD 27 01 00 00", "03", "3 %"),
        ("03 00 AD 27 01 00 00", "0F", "15 %"),
        ("04 00 AD 27 01 00 00", "FF", "255 %"),
        ("05 00 AD 27 01 00 00", "FF 0F", "4095 %"),
        ("06 00 AD 27 01 00 00", "FF FF", "65535 %"),
        ("07 00 AD 27 01 00 00", "FF FF FF", "16777215 %"),
        ("08 00 AD 27 01 00 00", "FF FF FF FF", "4294967295 %"),
        ("0C 00 AD 27 01 00 00", "80", "-128 %"),
        ("0D 00 AD 27 01 00 00", "00 08", "-2048 %"),
        ("0E 00 AD 27 01 00 00", "00 80", "-32768 %"),
        ("0F 00 AD 27 01 00 00", "00 00 80", "-8388608 %"),
        ("10 00 AD 27 01 00 00", "00 00 00 80", "-2147483648 %"),
        # S (Core, vol. 3 part G, 3.3.3.5.2, quoted in several public sources): unused high bits are ignored on receipt.
        ("01 00 AD 27 01 00 00", "FE", "0 %"),
        ("05 00 AD 27 01 00 00", "01 F0", "1 %"),
        ("0D 00 AD 27 01 00 00", "FF FF", "-1 %"),
    ],
)
def test_integer_limits(descriptor: str, packet: str, text: str) -> None:
    assert decode(descriptor, packet).text == text
