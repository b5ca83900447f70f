"""The differences between BlueZ (Linux), CoreBluetooth (macOS) and WinRT (Windows) that the radio has to know.

bleak hides the rest. Names of backends are `BleakBackend`'s; a backend of the demo or of a test is treated as BlueZ.
"""

import logging
import sys
from collections.abc import Callable

from bleak import BleakClient
from bleak.args.winrt import WinRTClientArgs
from bleak.backends import BleakBackend
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from meterlink.ble.bluetooth_state import BluetoothWatch

log = logging.getLogger(__name__)

# 'Unknown' is 127 in the Core specification (vol. 4 part E, 7.7.65.2) and on macOS, and -127 in bleak.
_RSSI_UNKNOWN = frozenset({127, -127})


def platform_watch() -> BluetoothWatch | None:
    """Return the watch of this platform, None where it offers none: a lost or silent link then raises the doubt.

    macOS tells nothing when Bluetooth is switched off, and its links go silent; Windows drops them. On both the scan
    ends without a word.
    """
    if sys.platform != "linux":
        return None
    from meterlink.ble.bluez import BlueZWatch  # noqa: PLC0415 - only Linux has D-Bus

    return BlueZWatch()


def is_heard(data: AdvertisementData) -> bool:
    """Return whether bleak's advertisement was received on the air.

    BlueZ drops a device's signal strength when a scan ends or the adapter is switched off, and bleak reports every
    change of a device as an advertisement. On other platforms a strength that is missing only could not be read.
    """
    match data.platform_data:
        case (str(), dict() as properties):  # BlueZ: the path of the device and its properties
            return "RSSI" in properties
    return True


def signal_strength(data: AdvertisementData) -> int | None:
    """Return the strength in dBm, None if the platform could not read it."""
    return None if data.rssi in _RSSI_UNKNOWN else data.rssi


def client_arguments(*, ignore_service_cache: bool) -> WinRTClientArgs:
    """Return the arguments of a connection that reads the services anew: only Windows has a cache to be told of.

    It keeps the services of a device for good, also after new firmware has changed them.
    """
    return WinRTClientArgs(use_cached_services=False) if ignore_service_cache else WinRTClientArgs()


async def forget_services(client: BleakClient, device: BLEDevice) -> None:
    """Clear the platform's cache of a meter's services, where a program may do it. It raises the backend's own errors.

    BlueZ clears it by removing the device. That would also remove a pairing, so a paired meter is left alone. Windows
    bypasses its cache at the next connection (`client_arguments`); macOS reads the services at each connection.
    """
    platform = client.backend_id
    if isinstance(platform, BleakBackend) and platform is not BleakBackend.BLUEZ_DBUS:
        return
    details = device.details
    if isinstance(details, dict) and details.get("props", {}).get("Paired", True):
        return
    await client.unpair()


async def start_notifications(
    client: BleakClient,
    characteristic: BleakGATTCharacteristic,
    callback: Callable[[BleakGATTCharacteristic, bytearray], None],
) -> None:
    """Subscribe to a characteristic. It raises the backend's own errors.

    On macOS a subscription that outlived its connection is refused with a ValueError, 'notifications already started':
    it belongs to a callback that is gone, so it is ended first.
    """
    try:
        await client.start_notify(characteristic, callback)
    except ValueError:
        log.debug("the notifications of %s were started already: starting them anew", characteristic.uuid)
        await client.stop_notify(characteristic)
        await client.start_notify(characteristic, callback)
