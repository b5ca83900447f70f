"""Text instruments: numbers as IEEE 488.2 and SCPI write them.

IEEE 488.2-1992, 8.7.2 (NR1), 8.7.3 (NR2), 8.7.4 (NR3): the forms of 8.7.3 and 8.7.4 and the 42 of 8.7.2 were seen in a
text that quotes the standard; the rest of the grammar is from memory. SCPI-1999, vol. 1, 7.2.1.4 and 7.2.1.5: 9.9E37
stands for infinity and 9.91E37 for "not a number", seen in a text that quotes it.
"""

import pytest

from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles import open_profile_driver
from meterlink.profiles.model import ConnectionSetup, DriverName, Profile, TextFormat

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"


def read(line: str) -> Reading:
    profile = Profile("published", DriverName.LINED, ConnectionSetup((CHANNEL,)), text=TextFormat(unit="°C"))
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    (reading,) = driver.feed(CHANNEL, line.encode() + b"\n", Timestamp(1, 1))
    return reading


@pytest.mark.parametrize(
    ("line", "digits"),
    [
        ("42", "42"),  # NR1
        ("-42", "-42"),
        ("+42", "42"),
        ("+1.234", "1.234"),  # NR2
        ("-1.234", "-1.234"),
        ("+1.234E+00", "1.234"),  # NR3
        ("-1.234E+01", "-12.34"),
        ("1.234e-1", "0.1234"),
    ],
)
def test_numeric_response_data(line: str, digits: str) -> None:
    reading = read(line)
    assert (f"{reading.digits:f}", reading.status) == (digits, Status.OK)


@pytest.mark.parametrize("line", ["9.9E37", "9.9E+37", "+9.9E+37", "-9.9E+37", "9.900000E+37"])
def test_infinity_is_an_overload(line: str) -> None:
    assert (read(line).digits, read(line).status) == (None, Status.OVERLOAD)


@pytest.mark.parametrize("line", ["9.91E37", "9.91E+37", "+9.910000E+37"])
def test_not_a_number_is_no_reading(line: str) -> None:
    assert (read(line).digits, read(line).status) == (None, Status.INVALID)
