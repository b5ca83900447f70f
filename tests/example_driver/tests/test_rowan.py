"""The Rowan's driver against a simulated Rowan: without a radio, and over a virtual one in virtual time."""

import asyncio
import random
from decimal import Decimal

import pytest
from bleak import BleakClient
from rowan import DISPLAY, SERVICE, RowanEncoder, Steady
from rowan_driver import ROWAN

from meterlink.driver_api import CERTAIN, NO_MATCH, Advertisement, Coupling, DriverError, Quantity, Status, Timestamp
from meterlink.plugins import load_drivers
from meterlink_simulators.display import DisplayState
from meterlink_simulators.driver_kit import characteristics


def test_it_is_found_like_any_driver():
    assert ROWAN in load_drivers().factories


def test_readings_are_those_of_the_display(feed):
    displays = [
        DisplayState(Quantity.CAPACITANCE, Decimal("43.72"), "µF"),
        DisplayState(Quantity.VOLTAGE, Decimal("-12.340"), "V", coupling=Coupling.DC),
        DisplayState(Quantity.VOLTAGE, Decimal(241), "V", coupling=Coupling.AC),
        DisplayState(Quantity.RESISTANCE, None, "Ω", overload=True),
    ]
    readings = feed(ROWAN, RowanEncoder(), displays)
    assert [reading.text for reading in readings] == ["43.72 µF", "-12.340 V DC", "241 V AC", "OL Ω"]
    assert readings[0].resolution == Decimal("0.01")
    assert readings[3].status is Status.OVERLOAD


def test_bytes_that_make_no_sense_yield_nothing_and_never_raise():
    driver = ROWAN.open(tuple(characteristics(RowanEncoder()).values()))
    ((_, good),) = RowanEncoder().encode(DisplayState(Quantity.CAPACITANCE, Decimal("43.72"), "µF"))
    bits = random.Random(7)
    for _ in range(20_000):
        packet = bytearray(good)
        packet[bits.randrange(len(packet))] ^= 1 << bits.randrange(8)
        assert list(driver.feed(DISPLAY, bytes(packet), Timestamp(0, 0))) == []  # one wrong bit always changes the sum
        noise = bits.randbytes(bits.randrange(12))
        assert all(reading.packet == noise for reading in driver.feed(DISPLAY, noise, Timestamp(0, 0)))


def test_it_is_certain_of_a_rowan_only():
    services = tuple(characteristics(RowanEncoder()).values())
    assert ROWAN.matches(Advertisement(service_uuids=(SERVICE,)), None) == CERTAIN
    assert ROWAN.matches(Advertisement(name="Rowan 12"), None) == NO_MATCH
    assert ROWAN.matches(Advertisement(), services) == CERTAIN
    assert ROWAN.matches(Advertisement(service_uuids=(SERVICE,)), ()) == NO_MATCH
    with pytest.raises(DriverError):
        ROWAN.open(())


def test_readings_arrive_over_the_air(air, run_virtual):
    async def body():
        meter = await air.add_meter(
            Steady(DisplayState(Quantity.CAPACITANCE, Decimal("4.98"), "µF")), encoder=RowanEncoder()
        )
        driver = ROWAN.open(tuple(characteristics(RowanEncoder()).values()))
        texts = []

        def on_notify(_characteristic, data):
            texts.extend(reading.text for reading in driver.feed(DISPLAY, bytes(data), Timestamp(0, 0)))

        async with BleakClient(meter.address, backend=air.client_backend) as client:
            await client.start_notify(DISPLAY, on_notify)
            await asyncio.sleep(60)  # virtual: a moment
        return texts

    texts = run_virtual(body())
    assert set(texts) == {"4.98 µF"}
    assert len(texts) > 200
