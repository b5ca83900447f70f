"""The log of a start: bound meters, devices on the air, and how to bind one."""

import logging

import pytest

from meterlink.core.equipment import ConnectionState, DriverFit
from meterlink.core.errors import StoreError
from meterlink.core.text import named_device
from meterlink.link.messages import DeviceView, DiscoveryView, Topic
from meterlink.station.air_report import device_lines, log_devices_on_the_air
from meterlink_simulators.virtual_time import run_in_virtual_time


def device(
    number: int, name: str, fit: DriverFit = DriverFit.NO, *, bound: bool = False, rssi: int = -60
) -> DeviceView:
    return DeviceView(
        name=name,
        address=f"00:00:5E:00:53:{number:02X}",
        rssi=rssi,
        advertised_services=[],
        discovered_services=None,
        driver="" if fit is DriverFit.NO else "yard",
        score=0.0 if fit is DriverFit.NO else 0.6,
        fit=fit,
        driver_configured=False,
        driver_scores=[],
        bound=bound,
        meter_name="",
        first_address="",
        serial="",
        state="",
        unusable_reason="No driver fits its advertisement." if fit is DriverFit.NO else "",
    )


def test_a_fitting_device_is_listed_with_the_command_that_binds_it() -> None:
    # The technician has bought a second meter of a known kind and has never heard of binding.
    devices = [device(1, "Mine", DriverFit.LIKELY, bound=True), device(2, "Phone"), device(3, "Yard", DriverFit.LIKELY)]
    assert list(device_lines(devices, searching=False)) == [
        'on the air: Yard (53:03), -60 dBm. The driver yard fits. To bind it: meterlink find --bind "Yard"'
    ]


def test_two_devices_of_one_name_have_no_name_to_be_bound_by() -> None:
    lines = list(device_lines([device(number, "Yard", DriverFit.LIKELY) for number in (3, 4)], searching=False))
    assert all(line.endswith("meterlink find --bind ADDRESS (listed by: meterlink find)") for line in lines)
    assert len(lines) == 2


def test_no_line_has_a_whole_address() -> None:
    unread = device(1, "Bench")
    unread["unusable_reason"] = f"Read its services: meterlink find --connect {unread['address']}"
    [line] = device_lines([unread], searching=True)
    assert line == 'on the air: Bench (53:01), -60 dBm. Read its services: meterlink find --connect "Bench"'


def test_without_a_bound_meter_named_devices_are_listed_with_the_reason() -> None:
    devices = [device(1, "Bench"), device(2, ""), device(3, "Near", rssi=-40)]
    assert list(device_lines(devices, searching=True)) == [
        "on the air: Near (53:03), -40 dBm. No driver fits its advertisement.",
        "on the air: Bench (53:01), -60 dBm. No driver fits its advertisement.",
        "on the air: 1 more device: meterlink find",
    ]


def test_a_crowd_is_counted_and_silence_is_said() -> None:
    lines = list(device_lines([device(number, f"D{number}") for number in range(200)], searching=True))
    assert len(lines) == 9
    assert lines[-1] == "on the air: 192 more devices: meterlink find"
    assert list(device_lines([], searching=True)) == [
        "on the air: nothing is heard. Wake your meter, switch its Bluetooth on, move closer."
    ]
    assert list(device_lines([], searching=False)) == []
    connected = device(1, "Mine")
    connected["state"] = ConnectionState.CONNECTED
    assert list(device_lines([connected], searching=True)) == []  # it was given with --meter, or adopted


@pytest.mark.parametrize("broken", [False, True])
@pytest.mark.parametrize(
    ("meters", "said"),
    [
        ((), "none. To see those in range: meterlink find"),
        (("clamp (53:0A)", "bench (53:0B)"), "clamp (53:0A), bench (53:0B)"),
    ],
)
def test_the_meters_to_connect_are_logged_at_once(
    broken: bool, meters: tuple[str, ...], said: str, caplog: pytest.LogCaptureFixture
) -> None:
    class Lister:
        async def discovery_view(self) -> DiscoveryView:
            if broken:
                raise StoreError("The database cannot be read.")
            return DiscoveryView(
                topic=Topic.DISCOVERY,
                request_text="",
                devices=[device(3, "Yard", DriverFit.LIKELY)],
                broken_drivers=[],
                radio_error="",
            )

    errors = ["Bluetooth is switched off.", "Bluetooth is switched off.", ""]
    with caplog.at_level(logging.INFO):
        run_in_virtual_time(log_devices_on_the_air(Lister(), meters, lambda: errors.pop(0), adopt=False))
    assert errors == []  # it was waited for: "wake your meter" would be wrong
    assert caplog.messages[0] == f"meters to connect: {said}"
    assert len(caplog.messages) == 2
    assert ("cannot be listed" if broken else "find --bind") in caplog.messages[1]


def test_a_name_has_two_bytes_of_the_address() -> None:
    assert named_device("clamp meter", "00:00:5E:00:53:0A") == "clamp meter (53:0A)"
    assert named_device("", "00:00:5E:00:53:0A") == "53:0A"
    assert named_device("clamp", "6D2A1F00-52A4-4C5E-9D8E-3C1F5B7A9EFF") == "clamp (9EFF)"  # an address on macOS
