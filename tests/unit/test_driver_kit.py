"""The driver author's kit: a driver is fed an encoder's packets without a radio."""

from decimal import Decimal

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

    def encode(self, display):
        return [("first", b"1"), ("second", b"2"), ("lone", str(display.digits).encode())]


class EchoFactory:
    """A factory of drivers that choose every characteristic whose key is in ``wanted``."""

    name = "echo"

    def __init__(self, wanted):
        self.wanted = wanted

    def matches(self, _advertisement, _services):
        return 1.0

    def open(self, services):
        keys = [characteristic.key for characteristic in services if characteristic.key in self.wanted]
        if not keys:
            raise DriverError("Nothing to decode.")
        return EchoDriver(keys)


class EchoDriver:
    def __init__(self, keys):
        self.channels = [Channel(key) for key in keys]

    def feed(self, channel, packet, timestamp):
        yield Reading(Quantity.RATIO, None, "%", timestamp, channel=channel, packet=packet)


def test_keys_are_those_a_driver_sees():
    by_key = characteristics(ThreeChannels())
    assert {key: characteristic.key for key, characteristic in by_key.items()} == {
        "first": f"{TWIN}@1",
        "second": f"{TWIN}@2",
        "lone": LONE,
    }
    assert by_key["lone"].descriptors == {TWIN: b"x"}
    assert by_key["lone"].properties == {"read", "notify"}
    assert {characteristic.service_uuid for characteristic in by_key.values()} == {SERVICE}


def test_only_chosen_channels_arrive_in_order_with_timestamps(feed):
    displays = [DisplayState(Quantity.RATIO, Decimal(digits), "%") for digits in (7, 8)]
    readings = feed(EchoFactory({f"{TWIN}@2", LONE}), ThreeChannels(), displays)
    assert [(reading.channel, reading.packet) for reading in readings] == [
        (f"{TWIN}@2", b"2"),
        (LONE, b"7"),
        (f"{TWIN}@2", b"2"),
        (LONE, b"8"),
    ]
    assert [reading.timestamp.monotonic_ns for reading in readings] == [0, 0, 100_000_000, 100_000_000]


def test_a_driver_that_finds_nothing_to_decode_raises(feed):
    with pytest.raises(DriverError):
        feed(EchoFactory(set()), ThreeChannels(), [])


def test_run_virtual_without_air_runs_in_virtual_time(run_virtual):
    async def body():
        return 42

    assert run_virtual(body()) == 42
