"""Small parts of ``meterlink.ble``: the meaning of exceptions, waiting, advertisements, time-outs."""

import asyncio
from dataclasses import fields

import pytest
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)

from meterlink.ble import RadioTimeouts
from meterlink.ble.backend_errors import (
    connection_error_text,
    is_adapter_fault,
    is_out_of_connections,
    is_transient,
    requires_pairing,
    scan_error,
)
from meterlink.ble.cancellation import run_to_completion, timeout_with_cleanup
from meterlink.ble.scanner import to_advertisement
from meterlink_simulators.virtual_time import run_in_virtual_time


def unavailable(reason: BleakBluetoothNotAvailableReason) -> BleakError:
    return BleakBluetoothNotAvailableError("bleak's message", reason)


def dbus(name: str, *body: str) -> BleakError:
    return BleakDBusError(name, list(body))


@pytest.mark.fault("bluetooth-errors")
@pytest.mark.parametrize(
    ("error", "text"),
    [
        *((unavailable(reason), "") for reason in BleakBluetoothNotAvailableReason),
        (unavailable(BleakBluetoothNotAvailableReason.NO_BLUETOOTH), "no Bluetooth adapter"),
        (unavailable(BleakBluetoothNotAvailableReason.POWERED_OFF), "Switch it on"),
        (unavailable(BleakBluetoothNotAvailableReason.DENIED_BY_USER), "may not use"),
        (unavailable(BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE), "Low Energy"),
        (FileNotFoundError(2, "No such file or directory"), "bluetooth service"),
        (ConnectionRefusedError(), "bluetooth service"),
        (EOFError(), "bluetooth service"),
        (dbus("org.freedesktop.DBus.Error.ServiceUnknown", "The name is not activatable"), "bluetooth service"),
        (dbus("org.freedesktop.DBus.Error.AccessDenied"), "may not use"),
        (PermissionError(), "may not use"),
        (dbus("org.bluez.Error.NotReady", "Resource Not Ready"), "switched off"),
        (dbus("org.bluez.Error.InProgress"), "Another program"),
        (dbus("org.freedesktop.DBus.Error.Spawn.ChildExited", "Process org.bluez exited"), "bluetooth service"),
        (dbus("org.freedesktop.DBus.Error.NoReply", "Message recipient disconnected"), "bluetooth service"),
        (dbus("org.freedesktop.systemd1.NoSuchUnit", "Unit dbus-org.bluez.service not found."), "bluetooth service"),
        (dbus("org.freedesktop.DBus.Error.UnknownObject"), "Plug one in"),
        (dbus("org.bluez.Error.Failed", "Input/output error"), "does not respond"),
        (TimeoutError(), "does not answer"),
        (BleakError("a new\n\x1b[31mkind"), "a new (31mkind"),
        (ValueError(), "ValueError"),
    ],
)
def test_a_radio_error_has_a_plain_message_and_a_remedy(error: Exception, text: str) -> None:
    radio_error = scan_error(error)
    assert text in str(radio_error)
    assert radio_error.message.endswith(".")
    assert radio_error.remedy.endswith(".")
    assert str(radio_error).isprintable()
    assert "No such file" not in str(radio_error)


@pytest.mark.fault("bluetooth-errors")
@pytest.mark.parametrize(
    ("error", "transient", "adapter_fault"),
    [
        (dbus("org.bluez.Error.InProgress"), True, False),
        (dbus("org.bluez.Error.Failed", "le-connection-abort-by-local"), True, False),
        (dbus("org.bluez.Error.Failed", "le-connection-concurrent-connection-limit"), True, False),
        (BleakError("failed to discover services, device disconnected"), True, False),
        (BleakDeviceNotFoundError("AA:00:00:00:00:01"), False, False),
        (TimeoutError(), False, False),
        (dbus("org.bluez.Error.NotReady"), False, True),
        (unavailable(BleakBluetoothNotAvailableReason.POWERED_OFF), False, True),
        (BrokenPipeError(), False, True),
        (dbus("org.bluez.Error.Failed", "Input/output error"), False, True),
        (dbus("org.bluez.Error.Failed", "Host is down"), True, False),  # also the error of a meter that is not there
        (dbus("org.freedesktop.DBus.Error.NoReply"), False, True),
        (dbus("org.freedesktop.DBus.Error.Spawn.ChildExited"), False, True),
        (dbus("org.freedesktop.systemd1.NoSuchUnit"), False, True),
        (dbus("org.bluez.Error.AuthenticationFailed"), False, False),
    ],
)
def test_failures_are_classified_for_the_retry(error: Exception, transient: bool, adapter_fault: bool) -> None:
    assert is_transient(error) is transient
    assert is_adapter_fault(error) is adapter_fault
    assert connection_error_text(error).endswith(".")


@pytest.mark.fault("bluetooth-errors")
def test_a_code_shows_a_full_adapter_and_pairing_not_the_message() -> None:
    assert is_out_of_connections(dbus("org.bluez.Error.Failed", "le-connection-concurrent-connection-limit"))
    assert not is_out_of_connections(
        dbus("org.bluez.Error.Failed", "limit of the le-connection-concurrent-connection-limit kind")
    )
    assert not is_out_of_connections(dbus("org.bluez.Error.Failed"))
    assert requires_pairing(BleakGATTProtocolError(0x05))  # Insufficient Authentication, Core vol. 3 part F, table 3.4
    assert requires_pairing(BleakGATTProtocolError(0x0F))  # Insufficient Encryption
    assert not requires_pairing(BleakGATTProtocolError(0x01))


def test_an_advertisement_is_clean_and_in_lower_case() -> None:
    data = AdvertisementData(None, {9: b"x"}, {"0000181A-0000-1000-8000-00805F9B34FB": b"y"}, ["ABCD"], None, -127, ())
    advertisement = to_advertisement(BLEDevice("AA:00:00:00:00:01", "On\x1b[2Je", None), data)
    assert advertisement.name == "On(2Je"
    assert advertisement.service_uuids == ("abcd",)
    assert advertisement.service_data == {"0000181a-0000-1000-8000-00805f9b34fb": b"y"}
    assert advertisement.manufacturer_data == {9: b"x"}
    assert advertisement.rssi is None
    assert to_advertisement(BLEDevice("AA", None, None), data._replace(rssi=-70, local_name="Bench")).rssi == -70


def test_a_name_that_is_missing_everywhere_is_empty() -> None:
    data = AdvertisementData(None, {}, {}, [], None, -50, ())
    assert to_advertisement(BLEDevice("AA", None, None), data).name == ""


@pytest.mark.parametrize(("stubborn", "expected"), [(False, 3.0), (True, 5.0)])
def test_a_timeout_ends_a_hanging_call_and_its_hanging_clean_up(stubborn: bool, expected: float) -> None:
    async def hang() -> None:
        try:
            await asyncio.sleep(1e9)
        finally:
            if stubborn:
                await asyncio.sleep(1e9)

    async def measure() -> float:
        with pytest.raises(TimeoutError):
            async with timeout_with_cleanup(3, 2):
                await hang()
        return asyncio.get_running_loop().time()

    assert run_in_virtual_time(measure()) == pytest.approx(expected)


def test_a_timeout_passes_an_outer_cancellation_on() -> None:
    async def body() -> None:
        async with timeout_with_cleanup(100, 2):
            await asyncio.sleep(1e9)

    async def cancel() -> bool:
        task = asyncio.create_task(body())
        await asyncio.sleep(1)
        task.cancel()
        await asyncio.wait([task])
        return task.cancelled()

    assert run_in_virtual_time(cancel())


@pytest.mark.parametrize(("cancels", "done", "expected"), [(0, True, 5.0), (1, True, 5.0), (2, False, 2.0)])
def test_run_to_completion_survives_one_cancellation_but_not_two(cancels: int, done: bool, expected: float) -> None:
    ended: list[str] = []

    async def work() -> None:
        await asyncio.sleep(5)
        ended.append("done")

    async def measure() -> float:
        task = asyncio.create_task(run_to_completion(work()))
        for _ in range(cancels):
            await asyncio.sleep(1)
            task.cancel()
        await asyncio.wait([task])
        assert task.cancelled() == (cancels > 0)
        assert asyncio.all_tasks() == {asyncio.current_task()}
        return asyncio.get_running_loop().time()

    assert run_in_virtual_time(measure()) == pytest.approx(expected)
    assert ended == (["done"] if done else [])


def test_timeouts_fit_each_other() -> None:
    timeouts = RadioTimeouts()
    assert all(getattr(timeouts, timeout.name) > 0 for timeout in fields(timeouts))
    assert timeouts.assumed_connections <= 5  # the least that controllers are known to hold
    assert timeouts.max_connections >= 8  # a station is built for eight meters
    assert timeouts.silent_after < timeouts.reconnect_after_silence <= timeouts.stable_after
    assert 20 <= timeouts.connect <= 30
    # A service manager waits 90 s for the stop before it kills the daemon (systemd, DefaultTimeoutStopSec).
    assert timeouts.stop + timeouts.disconnect + timeouts.scan_start_stop + 2 * timeouts.cleanup < 90
