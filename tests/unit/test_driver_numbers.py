"""Every presentation format: the driver decodes exactly the encoded number."""

import math
import struct
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.binary_numbers import decode_medfloat32
from meterlink.driver_api import Quantity, Status, display_amount
from meterlink_drivers.presentation_format import PresentationFormat, compile_presentation_format

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

UNITS = {
    0x2704: (Quantity.CURRENT, "A"),
    0x2722: (Quantity.FREQUENCY, "Hz"),
    0x2728: (Quantity.VOLTAGE, "V"),
    0x2729: (Quantity.CAPACITANCE, "F"),
    0x272A: (Quantity.RESISTANCE, "Ω"),
    0x272F: (Quantity.TEMPERATURE, "°C"),
    0x27AC: (Quantity.TEMPERATURE, "°F"),
    0x27AD: (Quantity.RATIO, "%"),
}
# Bits of each integer format, unsigned 0x01 to 0x0B and signed 0x0C to 0x13 (Bluetooth Assigned Numbers).
UNSIGNED = dict(zip(range(0x01, 0x0C), (1, 2, 4, 8, 12, 16, 24, 32, 48, 64, 128), strict=True))
SIGNED = dict(zip(range(0x0C, 0x14), (8, 12, 16, 24, 32, 48, 64, 128), strict=True))


def decode(code: int, exponent: int, unit: int, packet: bytes):
    compiled = compile_presentation_format(PresentationFormat(code, exponent, unit))
    assert compiled is not None
    quantity, decoder = compiled
    assert quantity is UNITS[unit][0]
    return quantity, decoder(packet)


@st.composite
def sent_integers(draw: st.DrawFn) -> tuple[int, int, int, bytes]:
    """Draw ``(format code, exponent, number, its bytes)``."""
    code = draw(st.sampled_from([*UNSIGNED, *SIGNED]))
    exponent = draw(st.integers(-30, 6))
    if code in UNSIGNED:
        bits, signed = UNSIGNED[code], False
        number = draw(st.integers(0, (1 << bits) - 1))
    else:
        bits, signed = SIGNED[code], True
        number = draw(st.integers(-(1 << bits - 1), (1 << bits - 1) - 1))
    size = -(-bits // 8)
    return code, exponent, number, number.to_bytes(size, "little", signed=signed)


@untimed
@given(sent_integers(), st.sampled_from(sorted(UNITS)))
def test_integers_are_decoded_exactly(sent: tuple[int, int, int, bytes], unit: int) -> None:
    code, exponent, number, packet = sent
    exponent_used = exponent if code >= 0x04 else 0
    amount = Decimal(f"{number}E{exponent_used}")
    quantity, decoded = decode(code, exponent, unit, packet)
    if not -30 <= amount.adjusted() <= 30:
        assert decoded.status is Status.INVALID
        return
    assert decoded.status is Status.OK
    assert decoded.digits is not None
    # The same digits; a power of ten moves the point and the resolution.
    assert decoded.digits.as_tuple().digits == amount.as_tuple().digits
    assert decoded.digits.is_signed() == amount.is_signed()
    assert decoded.resolution is not None
    assert decoded.resolution.as_tuple().exponent == decoded.digits.as_tuple().exponent
    if quantity in {Quantity.TEMPERATURE, Quantity.RATIO}:
        assert (decoded.digits, decoded.unit) == (amount, UNITS[unit][1])
    else:
        displayed = display_amount(quantity, amount)
        assert (str(decoded.digits), decoded.unit) == (str(displayed.digits), displayed.unit)
        assert decoded.unit.endswith(UNITS[unit][1])


@untimed
@given(st.integers(-(1 << 23) + 3, (1 << 23) - 3), st.integers(-128, 127), st.sampled_from(sorted(UNITS)))
def test_ieee_float_keeps_digits_and_resolution(mantissa: int, exponent: int, unit: int) -> None:
    packet = (mantissa & 0xFFFFFF).to_bytes(3, "little") + (exponent & 0xFF).to_bytes(1, "little")
    amount = Decimal(f"{mantissa}E{exponent}")
    assert str(decode_medfloat32(packet)) == str(amount)
    _, decoded = decode(0x17, 0, unit, packet)
    assert (decoded.status is Status.OK) == (-30 <= amount.adjusted() <= 30)
    if decoded.digits is not None:
        assert decoded.digits.as_tuple().digits == amount.as_tuple().digits


@untimed
@given(st.integers(-2045, 2045), st.integers(-8, 7))
def test_ieee_sfloat_keeps_digits_and_resolution(mantissa: int, exponent: int) -> None:
    packet = ((exponent & 0xF) << 12 | mantissa & 0xFFF).to_bytes(2, "little")
    _, decoded = decode(0x16, 0, 0x27AD, packet)
    assert str(decoded.digits) == str(Decimal(f"{mantissa}E{exponent}"))


@untimed
@given(st.floats(width=32))
def test_float32_is_the_shortest_that_packs_back(value: float) -> None:
    _, decoded = decode(0x14, 0, 0x27AD, struct.pack("<f", value))
    check_binary_float(value, decoded)
    if decoded.digits:
        assert struct.pack("<f", float(decoded.digits)) == struct.pack("<f", value)
        assert len(decoded.digits.normalize().as_tuple().digits) <= 9


@untimed
@given(st.floats())
def test_float64_is_the_shortest_that_packs_back(value: float) -> None:
    _, decoded = decode(0x15, 0, 0x27AD, struct.pack("<d", value))
    check_binary_float(value, decoded)
    if decoded.digits is not None:
        assert float(decoded.digits) == value
        assert len(decoded.digits.normalize().as_tuple().digits) <= 17


def check_binary_float(value, decoded):
    """Check that an implausible number, or none, is no reading, and that no binary float has a resolution."""
    assert decoded.resolution is None
    if math.isinf(value):
        assert decoded.status is Status.OVERLOAD
    elif math.isnan(value) or (value and not -30 <= Decimal(value).adjusted() <= 30):
        # At the limit the shortest decimal may round to the next power of ten.
        assert (
            decoded.status is Status.INVALID or abs(value) == pytest.approx(1e31) or abs(value) == pytest.approx(1e-30)
        )
    elif decoded.status is not Status.OK:
        assert abs(value) == pytest.approx(1e31)
    assert (decoded.digits is None) == (decoded.status is not Status.OK)


@pytest.mark.parametrize(
    ("code", "packet", "text"),
    [
        (0x14, struct.pack("<f", 45e-6), "45 µF"),
        (0x14, struct.pack("<f", 7.43e-6), "7.43 µF"),
        (0x14, struct.pack("<f", 4.7e-9), "4.7 nF"),
        (0x15, struct.pack("<d", 45.3205e-6), "45.3205 µF"),
        (0x17, bytes.fromhex("1CB000F7"), "45.084 µF"),  # 45084 × 10⁻⁹
        (0x17, bytes.fromhex("C30100F9"), "45.1 µF"),
        (0x17, bytes.fromhex("C20100F9"), "45.0 µF"),  # the meter sends the trailing zero, so it stays
        (0x16, bytes.fromhex("2D80"), "0.45 µF"),  # 45 × 10⁻⁸: the least exponent of SFLOAT
    ],
)
def test_capacitance_as_a_meter_displays_it(code: int, packet: bytes, text: str) -> None:
    _, decoded = decode(code, 0, 0x2729, packet)
    assert f"{decoded.digits:f} {decoded.unit}" == text


@pytest.mark.parametrize(
    ("value", "text"), [(230.0, "230 V"), (0.0, "0 mV"), (-0.0, "0 mV"), (2e5, "200000 V"), (119.7, "119.7 V")]
)
def test_notation_adds_no_zeros_to_a_binary_float(value: float, text: str) -> None:
    for code, layout in ((0x14, "<f"), (0x15, "<d")):
        _, decoded = decode(code, 0, 0x2728, struct.pack(layout, value))
        assert f"{decoded.digits:f} {decoded.unit}" == text


def test_largest_float32_does_not_raise() -> None:
    _, decoded = decode(0x14, 0, 0x2728, bytes.fromhex("FFFF7F7F"))
    assert decoded.status is Status.INVALID


@pytest.mark.parametrize("exponent", [-128, -61, 31, 127])
def test_absurd_exponents_are_invalid(exponent: int) -> None:
    _, decoded = decode(0x06, exponent, 0x2728, b"\x01\x00")
    assert decoded.status is Status.INVALID
    _, zero = decode(0x06, exponent, 0x2728, b"\x00\x00")
    assert zero.status is Status.INVALID
