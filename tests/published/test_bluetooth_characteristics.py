"""The Bluetooth SIG's own characteristics against its GATT Specification Supplement and Assigned Numbers.

Both are bundled in the ``bluetooth-sig`` test dependency. Flags: S, seen in a text that quotes the source; M, from
memory; C, recomputed here.
"""

from decimal import Decimal

import pytest
from bluetooth_sig import BluetoothSIGTranslator
from bluetooth_sig.gatt.characteristics.battery_level import BatteryLevelCharacteristic
from bluetooth_sig.gatt.characteristics.electric_current import ElectricCurrentCharacteristic
from bluetooth_sig.gatt.characteristics.temperature import TemperatureCharacteristic
from bluetooth_sig.gatt.characteristics.voltage import VoltageCharacteristic
from bluetooth_sig.gatt.characteristics.voltage_frequency import VoltageFrequencyCharacteristic
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.driver_api import Characteristic, Coupling, Quantity, Reading, Status, Timestamp, uuid16
from meterlink_drivers.presented import PRESENTED

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

VOLTAGE, CURRENT, TEMPERATURE, FREQUENCY, MEASUREMENT, BATTERY = 0x2B18, 0x2AEE, 0x2A6E, 0x2BE8, 0x2A1C, 0x2A19
ALL = (VOLTAGE, CURRENT, TEMPERATURE, FREQUENCY, MEASUREMENT, BATTERY)
DRIVER = PRESENTED.open(
    [Characteristic(uuid16(number), uuid16(number), uuid16(0x181A), frozenset({"notify"})) for number in ALL]
)


def decode(number: int, packet: bytes) -> Reading:
    (reading,) = DRIVER.feed(uuid16(number), packet, Timestamp(1, 1))
    return reading


@pytest.mark.parametrize(
    ("number", "name"),
    [  # S: Assigned Numbers, characteristic UUIDs
        (VOLTAGE, "Voltage"),
        (CURRENT, "Electric Current"),
        (TEMPERATURE, "Temperature"),
        (FREQUENCY, "Voltage Frequency"),
        (MEASUREMENT, "Temperature Measurement"),
        (BATTERY, "Battery Level"),
        (0x1809, "Health Thermometer"),
        (0x1815, "Automation IO"),
        (0x181A, "Environmental Sensing"),
    ],
)
def test_uuids(number: int, name: str) -> None:
    info = BluetoothSIGTranslator().get_sig_info_by_uuid(f"{number:04x}")
    assert info is not None
    assert info.name == name
    assert info.uuid.dashed_form.lower() == uuid16(number)


@pytest.mark.parametrize(
    ("number", "packet", "text", "resolution"),
    [
        (VOLTAGE, "00 06", "24.00 V", "0.015625"),  # S: uint16 in 1/64 V; C
        (VOLTAGE, "00 3C", "240.00 V", "0.015625"),  # C
        (VOLTAGE, "01 00", "0.02 V", "0.015625"),  # C: one step
        (VOLTAGE, "7F FF", "1021.98 V", "0.015625"),  # S: maximum 1022 V; C: one step below
        (CURRENT, "C2 01", "4.50 A", "0.01"),  # S: uint16 in 0.01 A; C
        (CURRENT, "FE FF", "655.34 A", "0.01"),  # S: maximum
        (TEMPERATURE, "C4 09", "25.00 °C", "0.01"),  # S: sint16 in 0.01 °C; C
        (TEMPERATURE, "38 FF", "-2.00 °C", "0.01"),  # C
        (TEMPERATURE, "4D 95", "-273.15 °C", "0.01"),  # S: minimum
        (FREQUENCY, "3C 00", "60 Hz", "1"),  # S: uint16 in 1 Hz; C
        (FREQUENCY, "FD FF", "65533 Hz", "1"),  # S: maximum
        (FREQUENCY, "00 00", "0 Hz DC", "1"),  # S: 0 represents a DC supply
        (MEASUREMENT, "00 6C 01 00 FF", "36.4 °C", "0.1"),  # S: flags, FLOAT (IEEE 11073-20601 example 36.4)
        (MEASUREMENT, "01 14 00 00 FF", "2.0 °F", "0.1"),  # S: flag bit 0 is °F
        (MEASUREMENT, "02 6C 01 00 FF EA 07 07 0E 0F 04 05", "36.4 °C", "0.1"),  # S: bit 1, a 7-byte time follows
        (MEASUREMENT, "04 6C 01 00 FF 02", "36.4 °C", "0.1"),  # S: bit 2, a type follows
        (MEASUREMENT, "07 6C 01 00 FF EA 07 07 0E 0F 04 05 02", "36.4 °F", "0.1"),  # S: all three
        (MEASUREMENT, "08 6C 01 00 FF AA BB", "36.4 °C", "0.1"),  # S: bits 3-7 reserved; C: with an added field
        (BATTERY, "00", "0 %", "1"),  # S: 0 to 100
        (BATTERY, "64", "100 %", "1"),  # S
    ],
)
def test_values(number: int, packet: str, text: str, resolution: str) -> None:
    reading = decode(number, bytes.fromhex(packet))
    assert (reading.status, reading.text) == (Status.OK, text)
    assert reading.resolution == Decimal(resolution)


@pytest.mark.parametrize(
    ("number", "packet", "status"),
    [
        (VOLTAGE, "FF FF", Status.INVALID),  # S: value is not known
        (VOLTAGE, "80 FF", Status.OVERLOAD),  # S: the maximum stands for 1022 V or higher
        (VOLTAGE, "81 FF", Status.INVALID),  # C: beyond the stated maximum
        (CURRENT, "FF FF", Status.INVALID),  # S: value is not known
        (TEMPERATURE, "00 80", Status.INVALID),  # S: value is not known
        (TEMPERATURE, "4C 95", Status.INVALID),  # S: below -273.15 °C is prohibited
        (FREQUENCY, "FE FF", Status.INVALID),  # S: value is not valid
        (FREQUENCY, "FF FF", Status.INVALID),  # S: value is not known
        (MEASUREMENT, "00 FF FF 7F 00", Status.INVALID),  # S: FLOAT NaN
        (MEASUREMENT, "01 00 00 80 00", Status.INVALID),  # S: FLOAT NRes
        (MEASUREMENT, "00 FE FF 7F 00", Status.OVERLOAD),  # S: FLOAT +INFINITY
        (MEASUREMENT, "00 02 00 80 00", Status.OVERLOAD),  # S: FLOAT -INFINITY
        (MEASUREMENT, "00 01 00 80 00", Status.INVALID),  # S: FLOAT reserved
        (MEASUREMENT, "00 6C 01 00 FF AA", Status.INVALID),  # C: a byte without its flag
        (MEASUREMENT, "00 01 00 00 7F", Status.INVALID),  # C: 10¹²⁷ °C is no temperature
        (BATTERY, "65", Status.INVALID),  # S: 101 and up are reserved
        (BATTERY, "FF", Status.INVALID),  # S
    ],
)
def test_special_values_are_no_number(number: int, packet: str, status: Status) -> None:
    reading = decode(number, bytes.fromhex(packet))
    assert reading.status is status
    assert reading.digits is None
    assert reading.value is None


def test_voltage_carries_no_ac_or_dc() -> None:
    """S: one unsigned field, no flag."""
    assert decode(VOLTAGE, b"\x00\x06").coupling is None
    assert decode(FREQUENCY, b"\x00\x00").coupling is Coupling.DC
    assert decode(FREQUENCY, b"\x3c\x00").coupling is None


@pytest.mark.parametrize(
    ("number", "theirs", "half_step"),
    [
        (VOLTAGE, VoltageCharacteristic(), 0.005),  # 1/64 V is shown with two decimals
        (CURRENT, ElectricCurrentCharacteristic(), 1e-9),
        (TEMPERATURE, TemperatureCharacteristic(), 1e-9),
        (FREQUENCY, VoltageFrequencyCharacteristic(), 1e-9),
    ],
)
@untimed
@given(raw=st.integers(1, 0xFF7F))
def test_agrees_with_another_decoder(number: int, theirs: VoltageCharacteristic, half_step: float, raw: int) -> None:
    packet = raw.to_bytes(2, "little")
    reading = decode(number, packet)
    if reading.status is Status.OK:
        assert reading.value == pytest.approx(theirs.parse_value(packet), abs=half_step + 1e-12, rel=0)
    else:  # only below absolute zero, and at 0x8000
        assert number == TEMPERATURE
        assert 0x8000 <= raw < 0x10000 - 27315


@untimed
@given(raw=st.integers(0, 100))
def test_battery_agrees_with_another_decoder(raw: int) -> None:
    reading = decode(BATTERY, bytes([raw]))
    assert reading.quantity is Quantity.BATTERY
    assert reading.value == BatteryLevelCharacteristic().parse_value(bytes([raw])) == raw


def test_every_voltage_step_is_visible() -> None:
    """C: two decimals distinguish all 65,408 steps of 1/64 V, each within 0.005 V of the exact value."""
    digits_of_steps = [decode(VOLTAGE, raw.to_bytes(2, "little")).digits for raw in range(0xFF80)]
    assert len(set(digits_of_steps)) == 0xFF80
    assert all(
        digits is not None and abs(digits - Decimal(raw) / 64) <= Decimal("0.005")
        for raw, digits in enumerate(digits_of_steps)
    )
