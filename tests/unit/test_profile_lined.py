"""Lined profiles: lines of text, split and joined in any way, and the meanings of their words."""

from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.driver_api import Coupling, Reading, Status, Timestamp
from meterlink.profiles import open_profile_driver
from meterlink.profiles.lines import LineParser
from meterlink.profiles.model import ConnectionSetup, DriverName, Flag, Meaning, NumberForm, Profile, TextFormat

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"


def feed(text: TextFormat, *packets: bytes) -> list[Reading]:
    profile = Profile("test", DriverName.LINED, ConnectionSetup((CHANNEL,)), text=text)
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    return [reading for packet in packets for reading in driver.feed(CHANNEL, packet, Timestamp(1, 1))]


def texts(text: TextFormat, *lines: str) -> list[str]:
    return [reading.text for reading in feed(text, *[line.encode() + b"\n" for line in lines])]


@pytest.mark.parametrize(
    ("line", "reading_text"),
    [
        ("4.70 uF", "4.70 µF"),
        ("4.70uF", "4.70 µF"),
        ("-12.34 mV DC", "-12.34 mV DC"),
        ("DC,-12.34,mV", "-12.34 mV DC"),
        ("AC;  +0.000;V", "0.000 V AC"),
        ("47.0 kohm", "47.0 kΩ"),
        ("47.0 kΩ", "47.0 kΩ"),
        ("- 1.2 V", "-1.2 V"),
        ("23.4 °C", "23.4 °C"),
        ("+4.70E-06 F", "4.70 µF"),
        ("4.70e-6F", "4.70 µF"),
        ("1.000E+03 ohm", "1.000 kΩ"),
        ("0.00E+00 V", "0.00 V"),
        ("23.45E+00 °C", "23.45 °C"),
        ("42 V", "42 V"),
        ("OL Mohm", "OL MΩ"),
        ("O.L Mohm", "OL MΩ"),
        ("9.9E37 V", "OL V"),
        ("-9.9E+37 V", "OL V"),
        ("9.91E+37 V", "--- V"),
        ("--- V", "--- V"),
        ("1.2e99 V", "--- V"),
        ("nan V", "--- V"),
        ("12.3 V ERR", "--- V"),
        ("12.3.4 V", "--- V"),
        ("V", "--- V"),
        ("1 V A", "--- V"),
        ("1 V 2x", "--- V"),
        ("1\x0b2 V", "--- V"),
        ("1\tV", "1 V"),
        ("1\u00a0V\r", "1 V"),
    ],
)
def test_lines(line: str, reading_text: str) -> None:
    assert texts(TextFormat(unit=""), line) == [reading_text]


def test_the_value_among_several_numbers() -> None:
    assert texts(TextFormat(value_number=2), "7, 4.70 uF, 9") == ["4.70 µF"]
    assert texts(TextFormat(value_number=4, unit="V"), "7, 4.70, 9") == ["--- V"]
    # A unit after another number belongs to that number.
    assert texts(TextFormat(value_number=1, unit="V"), "4.70 23 °C", "4.70 mV 23 °C", "°C 4.70 mV") == [
        "4.70 V",
        "4.70 mV",
        "--- V",
    ]
    assert texts(TextFormat(value_number=2, unit="V"), "23 °C 4.70") == ["4.70 V"]


def test_a_line_with_a_wrong_count_of_numbers_is_invalid() -> None:
    assert texts(TextFormat(number_count=1), "4.70 V", "4.70 V 4.71 V", "OL V") == ["4.70 V", "--- V", "OL V"]


def test_words() -> None:
    text = TextFormat(
        words=(
            ("CAP", Meaning(unit="µF", scale=Decimal(10) ** 6)),
            ("ACV", Meaning(unit="V", coupling=Coupling.AC)),
            ("BATT!", Meaning(flag=Flag.LOW_BATTERY)),
            ("5V", Meaning()),
        ),
        ignore=("OK",),
    )
    readings = feed(text, b"CAP: 4.70E-06 OK\nACV=230.1,BATT!\n5V;ACV;1\n230.1 cap\nACV 5 mV\n")
    assert [reading.text for reading in readings] == ["4.70 µF", "230.1 V AC", "1 V AC", "--- µF", "--- µF AC"]
    assert [reading.low_battery for reading in readings] == [False, True, False, False, False]
    assert readings[0].resolution == Decimal("0.01")


@pytest.mark.fault("cut-packets")
@untimed
@given(
    st.lists(st.decimals(-9999, 9999, places=3), min_size=1, max_size=6),
    st.sampled_from(["\n", "\r\n", ";\r", "µ"]),
    st.lists(st.integers(0, 400), max_size=20),
)
def test_lines_split_and_joined_anyhow(numbers: list[Decimal], end: str, cuts: list[int]) -> None:
    data = b"".join(f"{number:f} V{end}".encode() for number in numbers)
    offsets = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    packets = [data[begin:stop] for begin, stop in pairwise(offsets)]
    readings = feed(TextFormat(end=end), *packets)
    assert [str(reading.digits) for reading in readings] == [f"{number:f}" for number in numbers]


@untimed
@given(st.integers(0, 99999), st.integers(-9, 6))
def test_exponents_keep_every_digit(mantissa: int, exponent: int) -> None:
    (reading,) = feed(TextFormat(), f"{mantissa}E{exponent} F\n".encode())
    assert reading.value == pytest.approx(mantissa * 10.0**exponent, rel=1e-12)
    assert reading.digits is not None
    assert len(reading.digits.as_tuple().digits) == len(str(abs(mantissa)))


def test_without_an_end_every_packet_is_a_line() -> None:
    assert [reading.text for reading in feed(TextFormat(end=""), b"1 V", b"2 V\r\n", b" \r\n", b"")] == ["1 V", "2 V"]


def test_an_overlong_line_is_dropped_as_a_whole() -> None:
    text = TextFormat(longest=10, end="\r\n")
    assert [reading.text for reading in feed(text, b"1 V\r\n", *[b"12345678"] * 500, b"2 V\r\n3 V\r\n")] == [
        "1 V",
        "3 V",
    ]
    assert [reading.text for reading in feed(text, b"12345678901 V\r", b"\n2 V\r", b"\n")] == ["2 V"]


def test_bytes_that_are_not_text() -> None:
    assert [reading.status for reading in feed(TextFormat(), b"\xff1 V\n", b"\xc2\n", b"1 V\n")] == [
        Status.INVALID,
        Status.INVALID,
        Status.OK,
    ]
    assert feed(TextFormat(encoding="ascii"), "1 µF\n".encode())[0].status is Status.INVALID


@pytest.mark.fault("hostile-packets")
@untimed
@given(st.lists(st.binary(max_size=40), max_size=30))
def test_the_buffer_is_bounded(packets: list[Any]) -> None:
    from meterlink.profiles.lines import LineSplitter  # noqa: PLC0415 - only this test looks inside

    splitter = LineSplitter(TextFormat(longest=20))
    for packet in packets:
        splitter.feed(packet, 0)
        assert len(splitter._buffer) <= 21


class Meter:
    """A connected meter that sends lines; the seconds of its packets are given."""

    def __init__(self, text: TextFormat) -> None:
        profile = Profile("test", DriverName.LINED, ConnectionSetup((CHANNEL,)), text=text)
        self.driver = open_profile_driver(profile, [CHANNEL])

    def send(self, seconds: float, packet: bytes) -> list[str]:
        moment = round(seconds * 1e9)
        return [reading.text for reading in self.driver.feed(CHANNEL, packet, Timestamp(moment, moment))]

    @property
    def reasons(self) -> list[str]:
        return [refusal.reason for refusal in self.driver.refusals]


# A technician measures a good 35 µF run capacitor. The connection begins within a line, or a part of a line is lost: a
# reading of 5 µF would condemn the part. Common practice, no source.


def test_half_a_line_after_connecting_is_no_reading() -> None:
    meter = Meter(TextFormat())
    assert meter.send(0.0, b"5E-6 F\n") == []
    assert meter.reasons == ["part"]
    assert meter.send(0.2, b"+35.05E-6 F\n") == ["35.05 µF"]
    # A station that starts again, or a meter that connects again, has a new driver.
    assert Meter(TextFormat()).send(0.4, b".05E-6 F\n+35.05E-6 F\n") == ["35.05 µF"]


def test_half_a_line_is_dropped_when_its_rest_does_not_come_in_time() -> None:
    meter = Meter(TextFormat(pause=0.15))
    assert meter.send(0.0, b"\n") == []
    assert meter.send(0.1, b"+35.0") == []
    assert meter.send(0.2, b"5E-6 F\n") == ["35.05 µF"]
    assert meter.send(0.3, b"+3") == []
    # "5E-6 F" is lost, and the next line comes: not 335.05 µF, and not 35.05 µF, whose own beginning may be missing.
    assert meter.send(0.6, b"35.05E-6 F\n") == []
    assert meter.reasons == ["part", "part"]
    assert meter.send(0.8, b"+35.05E-6 F\n") == ["35.05 µF"]


@pytest.mark.parametrize(
    ("line", "reading_text"),
    [
        ("+35.05E-6 F", "35.05 µF"),
        ("-35.05E-6 F", "--- V"),  # no part has fewer than zero farads
        ("35.05E-6 F", "--- V"),  # the sign is missing
        ("+5.05E-6 F", "--- V"),  # a digit is missing
        ("+35.05E-06 F", "--- V"),
        ("+35.05E6 F", "--- V"),  # the sign of the exponent is missing
        ("+35.05 F", "--- V"),
        ("F +35.05E-6", "--- V"),
        ("+35.05E-6 F F", "--- V"),
        ("+35.05E-6", "--- V"),
        ("+9.9E37 F", "OL F"),  # no number, so not of its form
        ("OL F", "OL F"),
        ("+35.05E-6 V", "--- V"),  # a unit, but not one of the profile
    ],
)
def test_a_line_of_another_shape_is_refused(line: str, reading_text: str) -> None:
    text = TextFormat(
        shapes=("value unit",),
        number=NumberForm("always", 4, 1, exponent_sign=True),
        known_words_only=True,
        words=(("F", Meaning(unit="F")),),
    )
    assert [shown.replace("--- F", "--- V") for shown in texts(text, line)] == [reading_text]


def test_a_line_in_other_packets_than_the_profiles_has_lost_a_part() -> None:
    meter = Meter(TextFormat(packets=2))
    assert meter.send(0.0, b"\n") == []
    assert meter.send(0.1, b"35") + meter.send(0.1, b".05 V\n") == ["35.05 V"]
    assert meter.send(0.2, b".05 V\n") == []
    assert meter.reasons == ["part"]
    assert meter.send(0.3, b"3") + meter.send(0.3, b"5") + meter.send(0.3, b".05 V\n") == []
    assert meter.reasons == ["part"]


def test_a_line_that_begins_with_a_packet_does_not_count_where_lines_run_on() -> None:
    meter = Meter(TextFormat(continued=True))
    assert meter.send(0.0, b"\n35.05 uF\n35.") == ["35.05 µF"]
    assert meter.send(0.1, b"06 uF\n") == ["35.06 µF"]
    # "35.07 uF\n3" is lost.
    assert meter.send(0.3, b"5.08 uF\n35.") == []
    assert meter.reasons == ["part"]
    assert meter.send(0.4, b"09 uF\n") == ["35.09 µF"]


@pytest.mark.parametrize(
    ("line", "shape"),
    [
        ('{"v": 2.5, "u": "V"}', '{"unit": value, "word": "unit"}'),
        ('{"v":  2.5,   "u":"V"}', '{"unit": value, "word":"unit"}'),
        ('{"v": 2 "u": "V"}', '{"unit": value "word": "unit"}'),  # a packet with ".5," is lost
        ("  2.5V ", "valueunit"),
        ("V=2.5; 50.0", "unit=value; number"),
        ("OL V", "value unit"),
        ("AUTO 2.5 V AC LB", "word value unit coupling flag"),
    ],
)
def test_the_shape_of_a_line_keeps_its_separators(line: str, shape: str) -> None:
    text = TextFormat(separators='{}"', words=(("LB", Meaning(flag=Flag.LOW_BATTERY)),), ignore=("AUTO", "u"))
    assert LineParser(text).shape_of(line.encode())[0] == shape
    assert [reading.status for reading in feed(replace(text, shapes=("other",)), line.encode() + b"\n")] != [Status.OK]


def test_lines_before_a_value():
    text = TextFormat(words=(("V", Meaning("V")),), known_words_only=True, lines_before=((), ("BAT number%", "AUTO")))
    assert texts(text, "1.2 V", "BAT 9%", "AUTO", "1.3 V") == ["1.2 V", "1.3 V"]
    assert texts(text, "AUTO", "1.2 V", "1.3 V") == ["--- V", "1.3 V"]
    assert texts(text, "AUTO", "BAT 9%", "1.2 V") == ["--- V"]
    assert texts(text, "BAT 9%", "AUTO", "AUTO", "1.2 V") == ["--- V"]


def test_the_refusal_names_the_line_before():
    text = TextFormat(lines_before=(("F VDC",),))
    profile = Profile("test", DriverName.LINED, ConnectionSetup((CHANNEL,)), text=text)
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    driver.feed(CHANNEL, b"1.2 V\n", Timestamp(1, 1))
    assert [str(one) for one in driver.refusals] == ["line of another shape: the line before it is missing"]
    driver.feed(CHANNEL, b"HOLD\x1b\n", Timestamp(1, 1))
    driver.feed(CHANNEL, b"HOLD\n1.2 V\n", Timestamp(1, 1))
    assert str(driver.refusals[-1]) == "line of another shape: behind the line HOLD"


def test_an_unknown_line_that_came_before_each_value_ends_with_it():
    text = TextFormat(packets=1, lines_before=((), ("DIAL VDC",)))
    assert texts(text, "MAX", "HOLD", "1.2 V", "MAX", "HOLD", "1.2 V", "1.3 V")[-1] == "1.3 V"
    assert texts(text, "MAX", "HOLD", "1.2 V", "1.3 V", "1.4 V")[-1] == "--- V", "told once"
    assert texts(text, "HOLD", "1.2 V", "1.3 V", "DIAL VDC", "1.4 V")[-1] == "1.4 V"
    assert texts(text, "HOLD", "DIAL VDC", "1.3 V", "1.4 V")[-2:] == ["--- V", "1.4 V"]
    assert texts(text, "HOLD", "1.2 V", "HOLD", "1.2 V", "1.3 V", "HOLD", "1.3 V", "1.4 V")[-1] == "--- V", "once again"
    for display in ("[---] HOLD", "--V", "OLKOHM", "[OL] LOW", "[1.2] HOLD"):
        assert texts(text, display, "1.3 V")[-1] == "1.3 V", "it has a value, or its place"
    assert texts(replace(text, packets=None), "HOLD", "1.2 V", "1.3 V")[-1] == "1.3 V", "it may be a part of a line"


def test_the_first_line_of_a_connection_may_tell_an_unknown_state():
    """Its beginning is missing. The end of a line with a value has known words, and names no state."""
    meter = Meter(TextFormat(packets=1, lines_before=((), ("DIAL VDC",))))
    assert meter.send(0.0, b"AL OHM\n") == []
    assert meter.send(0.1, b"1.2 V\n") == ["--- V"]
    assert meter.send(0.2, b"DIAL VDC\n") == []
    assert meter.send(0.3, b"1.2 V\n") == ["1.2 V"]
    tail = Meter(TextFormat(packets=1, lines_before=((), ("DIAL VDC",))))
    assert tail.send(0.0, b"AL VDC\n") == []
    assert tail.send(0.1, b"1.2 V\n") == ["1.2 V"]
