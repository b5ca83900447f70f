"""Seven-segment shapes: bit 0 is segment a … bit 6 is g, as data sheets of seven-segment decoders draw them.

Digits 0 to 9 and the letters A to F were seen in published tables, with this order of bits. L, minus and the second
shapes of 6, 7 and 9 (no tail, a hook) are computed from their drawings.
"""

import pytest

from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles import open_profile_driver
from meterlink.profiles.model import Bit, ConnectionSetup, DriverName, Framing, Profile, Segments, ValueFormat

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"


def read(*shapes: int) -> Reading:
    digits = tuple(tuple(Bit(byte, bit) for bit in range(7)) for byte in range(len(shapes)))
    profile = Profile(
        "published",
        DriverName.SEGMENTED,
        ConnectionSetup((CHANNEL,)),
        framing=Framing(),
        value=ValueFormat(Segments(digits), unit="V"),
    )
    (reading,) = open_profile_driver(profile, [CHANNEL]).feed(CHANNEL, bytes(shapes), Timestamp(1, 1))
    return reading


@pytest.mark.parametrize(("shape", "digit"), list(zip(bytes.fromhex("3F065B4F666D7D077F6F"), range(10), strict=True)))
def test_digits(shape: int, digit: int) -> None:
    assert read(shape).digits == digit


@pytest.mark.parametrize(("shape", "digit"), [(0x7C, 6), (0x27, 7), (0x67, 9)])
def test_second_shapes(shape: int, digit: int) -> None:
    assert read(shape).digits == digit


@pytest.mark.parametrize("shape", bytes.fromhex("77395E7971"))  # A C d E F; b is a 6 without its tail
def test_letters_are_no_digits(shape: int) -> None:
    assert read(shape).status is Status.INVALID


def test_overload_and_minus() -> None:
    assert read(0x00, 0x3F, 0x38, 0x00).status is Status.OVERLOAD
    assert read(0x40, 0x06, 0x5B).digits == -12
