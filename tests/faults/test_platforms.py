"""The behaviour of CoreBluetooth (macOS) and WinRT (Windows) in fakes made after bleak's source: neither was ever run.

BlueZ (Linux) is in ``test_bluetooth_away.py``, ``tests/system/test_ble_bluez.py``, and on a real one elsewhere.
"""

import asyncio
import sys
from collections.abc import Callable

import pytest
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakGATTProtocolError

from meterlink.ble import ConnectionState
from meterlink.ble.platforms import client_arguments, is_heard, platform_watch, signal_strength
from meterlink.core.equipment import Meter
from support.fake_bluetooth import ADDRESS, Air, FakeMeter, rig, warped
from support.fault_marks import FaultTimes

MAC_ADDRESS = "6D2A1F00-52A4-4C5E-9D8E-3C1F5B7A9EFF"  # macOS hides the address behind a UUID of its own
SECOND = "6D2A1F00-52A4-4C5E-9D8E-3C1F5B7A9EFE"
OFF_TIMES = pytest.mark.parametrize("off", [12, 20, 75])


async def off_and_on(
    air: Air, address: str, off: float, power_off: Callable[[], None], fault_times: FaultTimes
) -> None:
    async with rig(air=air, known_meters=[Meter(address, ""), Meter(SECOND, "")]) as r:
        await r.connected(address)
        await asyncio.sleep(40)
        power_off()
        fault_times.noticed(await r.until(lambda: "switched off" in r.radio.state.error, 8))
        await asyncio.sleep(off - 8)
        assert "switched off" in r.detail(address)
        air.meters[SECOND] = FakeMeter(SECOND, "Bench two")
        air.power_on()
        r.packets.clear()
        both = {address, SECOND}
        fault_times.recovered(await r.until(lambda: {packet.session.address for packet in r.packets} == both, 10))


@pytest.mark.fault("adapter-off", "other-platforms")
@OFF_TIMES
@warped
async def test_macos_switched_off_tells_nothing_and_is_noticed(off: float, fault_times: FaultTimes) -> None:
    air = Air(FakeMeter(MAC_ADDRESS))
    await off_and_on(air, MAC_ADDRESS, off, air.power_off_on_macos, fault_times)


@pytest.mark.fault("adapter-off", "other-platforms")
@OFF_TIMES
@warped
async def test_windows_switched_off_drops_the_links_and_is_noticed(off: float, fault_times: FaultTimes) -> None:
    air = Air(FakeMeter())
    await off_and_on(air, ADDRESS, off, air.power_off_on_windows, fault_times)


@pytest.mark.fault("other-platforms")
@warped
async def test_macos_notifications_that_are_started_already_are_started_anew() -> None:
    meter = FakeMeter(MAC_ADDRESS, on_subscribe=[ValueError("Characteristic notifications already started")])
    async with rig(meter) as r:
        await r.connected(MAC_ADDRESS)
        assert len(meter.clients) == 1  # without another connection
        assert len(meter.clients[0].stopped) == 1
        await asyncio.sleep(10)
        assert [packet.data[0] for packet in r.packets] == list(range(len(r.packets)))  # each once
        assert len(r.packets) > 15


@pytest.mark.fault("other-platforms")
@warped
async def test_windows_reads_the_services_anew_after_its_cache_was_wrong() -> None:
    meter = FakeMeter(on_subscribe=[BleakGATTProtocolError(0x01)])  # Invalid Handle, Core vol. 3 part F, table 3.4
    async with rig(meter) as r:
        await r.connected()
        assert [client.fresh_services for client in meter.clients] == [False, True]
        meter.drop()
        await r.until(lambda: len(meter.clients) == 3)
        await r.connected()
        assert meter.clients[2].fresh_services  # it stays that way: the cache is kept for good
    assert client_arguments(ignore_service_cache=False) == {}


@pytest.mark.fault("other-platforms")
@warped
async def test_a_meter_moved_to_another_mac_is_lost_under_its_old_address() -> None:
    # Each Mac gives a meter another UUID; the station then finds it by its serial number.
    async with rig(FakeMeter(MAC_ADDRESS), known_meters=[Meter(SECOND, "")]) as r:
        await asyncio.sleep(60)
        assert r.state(SECOND) is ConnectionState.SEARCHING
        assert [device.address for device in r.radio.devices()] == [MAC_ADDRESS]


@pytest.mark.fault("other-platforms")
def test_an_advertisement_whose_strength_macos_cannot_read_is_one() -> None:
    peripheral: tuple[object, ...] = (object(), {}, 127)
    data = AdvertisementData("Bench", {}, {}, [], None, 127, peripheral)
    assert is_heard(data)
    assert signal_strength(data) is None


@pytest.mark.parametrize(("platform", "watched"), [("linux", True), ("darwin", False), ("win32", False)])
def test_only_linux_tells_of_its_bluetooth(platform: str, watched: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if watched and sys.platform != "linux":
        pytest.skip("its module needs D-Bus")
    monkeypatch.setattr(sys, "platform", platform)
    assert (platform_watch() is not None) is watched
