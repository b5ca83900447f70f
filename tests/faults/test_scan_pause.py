"""The scan pauses when every known meter is connected and nobody looks, in virtual time.

Common practice, no source: an active scan takes air time from the connections that carry the readings.
"""

import asyncio

import pytest

from meterlink.ble import ConnectionState, RadioTimeouts
from meterlink.core.equipment import Meter
from support.fake_bluetooth import ADDRESS, Air, FakeMeter, FakeWatch, rig, warped
from support.fault_marks import FaultTimes

SECOND = "AA:00:00:00:00:02"
LATER = RadioTimeouts().scan_pause + 5


@pytest.mark.fault("link-lost")
@warped
async def test_the_scan_ends_once_all_are_connected_and_goes_on_with_a_loss(fault_times: FaultTimes) -> None:
    meter = FakeMeter()
    async with rig(meter) as r:
        await r.connected()
        await asyncio.sleep(5)
        assert r.air.scanning == 1  # a connection that breaks again at once would need it
        await asyncio.sleep(LATER)
        assert r.air.scanning == 0
        packets = len(r.packets)
        meter.drop()
        scanning = await r.until(lambda: r.air.scanning == 1, 5)
        assert scanning < 1
        fault_times.recovered(scanning + await r.connected(within=5))
        await asyncio.sleep(LATER)
        assert len(r.packets) > packets
        assert r.air.scanning == 0


@pytest.mark.fault("silent-meter")
@warped
async def test_a_silent_meter_and_an_absent_one_are_scanned_for() -> None:
    meter = FakeMeter()
    async with rig(meter) as r:
        await r.connected()
        await asyncio.sleep(LATER)
        meter.mute = True
        await r.until(lambda: r.state() is ConnectionState.SILENT)
        await r.until(lambda: r.air.scanning == 1, 1)
        meter.mute = False
        await r.connected()
        r.radio.add_meter(Meter(SECOND, ""))
        await asyncio.sleep(3 * LATER)
        assert r.air.scanning == 1
        await r.radio.remove_meter(SECOND)
        await asyncio.sleep(LATER)
        assert r.air.scanning == 0


@warped
async def test_somebody_who_looks_at_the_devices_hears_them() -> None:
    stranger = FakeMeter(SECOND, "Stranger")
    async with rig(FakeMeter(), stranger, known_meters=[Meter(ADDRESS, "")]) as r:
        await r.connected()
        await asyncio.sleep(2 * LATER)
        assert r.radio.devices() == []  # the last ones were heard too long ago
        await asyncio.sleep(3)
        assert [device.address for device in r.radio.devices()] == [SECOND]
        await asyncio.sleep(LATER - 10)
        assert r.air.scanning == 1
        r.radio.devices()
        await asyncio.sleep(LATER - 10)
        assert r.air.scanning == 1
        await asyncio.sleep(LATER)
        assert r.air.scanning == 0


@warped
async def test_without_a_meter_and_with_adoption_it_never_pauses() -> None:
    async with rig(FakeMeter(), known_meters=[]) as r:
        await asyncio.sleep(5 * LATER)
        assert r.air.scanning == 1
    async with rig(FakeMeter(), known_meters=[], adopt=True) as r:
        await r.until(lambda: r.radio.state.meters != ())
        await r.connected()
        await asyncio.sleep(5 * LATER)
        assert r.air.scanning == 1


@pytest.mark.fault("adapter-off")
@pytest.mark.parametrize("watched", [True, False], ids=["watched", "unwatched"])
@warped
async def test_bluetooth_that_goes_away_during_a_pause_is_noticed(watched: bool, fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    async with rig(air=air, bluetooth_watch=FakeWatch(air) if watched else None) as r:
        await r.connected()
        await asyncio.sleep(LATER)
        assert air.scanning == 0
        air.power_off()
        fault_times.noticed(await r.until(lambda: "switched off" in r.radio.state.error, 8))
        await asyncio.sleep(20)
        air.power_on()
        fault_times.recovered(await r.connected(within=10))
