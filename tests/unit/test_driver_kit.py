"""The driver author's kit: an encoder's packets fed to a driver without a radio."""

import pytest

from meterlink.core.units import Quantity
from meterlink.driver_api import Channel, DriverError, Reading
from meterlink_simulators.display import DisplayState
from meterlink_simulators.driver_kit import characteristics
from meterlink_simulators.encoders import CharacteristicDefinition

SERVICE = "5d2a0000-7c0f-4c35-9a0e-4b8c1f6f0a11"
TWIN = "5d2a0001-7c0f-4c35-9a0e-4b8c1f6f0a11"
LONE = "5d2a0002-7c0f-4c35-9a0e-4b8c1f6f0a11"


class ThreeChannels:
    """Two characteristics of one UUID and one of another; all send at every refresh."""

    def services(self):
        return [
            (
                SERVICE,
                [
                    CharacteristicDefinition("first", TWIN),
                    CharacteristicDefinition("second", TWIN),
                    CharacteristicDefinition("lone", LONE, descriptors=((TWIN, b"x"),)),
                ],
            )
        ]

    def encode(self, shown):
        return [("first", b"1"), ("second", b"2"), ("lone", str(shown.digits).encode())]


class EchoKind:
    """A driver that takes every characteristic whose key is in ``wanted``."""

    name = "echo"

    def __init__(self, wanted):
        self.wanted = wanted

    def matches(self, _advertisement, _services):
        return 1.0

    def open(self, services):
        keys = [service.key for service in services if service.key in self.wanted]
        if not keys:
            raise DriverError("Nothing to decode.")
        return EchoDriver(keys)


class EchoDriver:
    def __init__(self, keys):
        self.channels = [Channel(key) for key in keys]

    def feed(self, channel, packet, stamp):
        yield Reading(Quantity.RATIO, None, "%", stamp, channel=channel, packet=packet)


def test_keys_are_those_a_driver_sees():
    found = characteristics(ThreeChannels())
    assert {key: seen.key for key, seen in found.items()} == {
        "first": f"{TWIN}@1",
        "second": f"{TWIN}@2",
        "lone": LONE,
    }
    assert found["lone"].descriptors == {TWIN: b"x"}
    assert found["lone"].properties == {"read", "notify"}
    assert {seen.service_uuid for seen in found.values()} == {SERVICE}


def test_only_chosen_channels_arrive_in_order_with_stamps(feed):
    displays = [DisplayState(Quantity.RATIO, digits, "%") for digits in (7, 8)]
    readings = feed(EchoKind({f"{TWIN}@2", LONE}), ThreeChannels(), displays)
    assert [(reading.channel, reading.packet) for reading in readings] == [
        (f"{TWIN}@2", b"2"),
        (LONE, b"7"),
        (f"{TWIN}@2", b"2"),
        (LONE, b"8"),
    ]
    assert [reading.stamp.monotonic_ns for reading in readings] == [0, 0, 100_000_000, 100_000_000]


def test_a_driver_that_finds_nothing_says_so(feed):
    with pytest.raises(DriverError):
        feed(EchoKind(set()), ThreeChannels(), [])


def test_warp_without_air_runs_in_virtual_time(warp):
    async def body():
        return 42

    assert warp(body()) == 42
