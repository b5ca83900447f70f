"""Values typed in by hand: texts that are read, and texts that are refused."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.capture.manual_entry import parse_manual_entry
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Status
from meterlink.core.units import Quantity
from meterlink_drivers.manual_entry import MANUAL_ENTRY_DRIVER

NOW = Timestamp(5, 7)


@pytest.mark.parametrize(
    ("text", "reading_text", "digits", "resolution"),
    [
        ("4.70 uF", "4.70 µF", "4.70", "0.01"),
        ("43.7uF", "43.7 µF", "43.7", "0.1"),
        ("-12.34 mV DC", "-12.34 mV DC", "-12.34", "0.01"),
        ("24.1 VAC", "24.1 V AC", "24.1", "0.1"),
        ("14.2 ohms", "14.2 Ω", "14.2", "0.1"),
        ("60.0 Hz", "60.0 Hz", "60.0", "0.1"),
    ],
)
def test_a_displayed_value_is_read(text: str, reading_text: str, digits: str, resolution: str) -> None:
    reading = parse_manual_entry(text, NOW)
    assert (reading.text, str(reading.digits), str(reading.resolution)) == (reading_text, digits, resolution)
    assert (reading.timestamp, reading.channel, reading.packet) == (NOW, "manual_entry", text.encode())


def test_an_overload_needs_no_unit_where_the_quantity_is_known() -> None:
    assert parse_manual_entry("OL Mohm", NOW).text == "OL MΩ"
    overload = parse_manual_entry("OL", NOW, Quantity.RESISTANCE)
    assert (overload.status, overload.text, overload.digits, overload.resolution) == (
        Status.OVERLOAD,
        "OL Ω",
        None,
        None,
    )
    with pytest.raises(InputError, match="unit of the overload is missing"):
        parse_manual_entry("OL", NOW)


@pytest.mark.parametrize(
    "text", ["", "banana", "4.70", "---", "--- V", "1,500 V", "4.70 uF uF", "9" * 99 + " V", "NaN V"]
)
def test_nonsense_is_refused_with_a_message(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_manual_entry(text, NOW)
    assert caught.value.remedy or caught.value.message


def test_the_driver_reads_the_same() -> None:
    driver = MANUAL_ENTRY_DRIVER.open(())
    (reading,) = driver.feed("manual_entry", b"24.1 V AC", NOW)
    assert (reading.digits, reading.coupling) == (Decimal("24.1"), Coupling.AC)
    assert driver.feed("other", b"24.1 V", NOW) == ()
    assert [channel.key for channel in driver.channels] == ["manual_entry"]


@given(st.binary(max_size=80))
def test_the_driver_never_raises(packet: bytes) -> None:
    readings = list(MANUAL_ENTRY_DRIVER.open(()).feed("manual_entry", packet, NOW))
    assert all(reading.packet == packet for reading in readings)


def test_a_relative_display_is_refused_and_a_frozen_display_is_read() -> None:
    with pytest.raises(InputError, match="shows a difference"):
        parse_manual_entry("0.03 uF REL", Timestamp(0, 0))
    reading = parse_manual_entry("44.1 uF HOLD", Timestamp(0, 0))
    assert (reading.text, reading.is_judgeable) == ("44.1 µF", True)
