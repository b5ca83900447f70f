"""The simulated backends against bleak's own base classes: an upgrade of bleak that changes them fails here."""

import inspect
import subprocess
import sys

import pytest
from bleak import BleakClient, BleakScanner
from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import BaseBleakScanner

from meterlink_simulators.air import Air

PAIRS = [
    (base, getattr(Air(), backend), name)
    for base, backend in ((BaseBleakScanner, "scanner_backend"), (BaseBleakClient, "client_backend"))
    for name in sorted(base.__abstractmethods__)
]

# The methods that the classes were written for. A new method means: read bleak's change notes, then the backends.
KNOWN_SCANNER = {"start", "stop"}
KNOWN_CLIENT = {
    "connect",
    "disconnect",
    "is_connected",
    "mtu_size",
    "pair",
    "read_gatt_char",
    "read_gatt_descriptor",
    "start_notify",
    "stop_notify",
    "unpair",
    "write_gatt_char",
    "write_gatt_descriptor",
}


def test_the_abstract_methods_are_the_known_ones():
    assert set(BaseBleakScanner.__abstractmethods__) == KNOWN_SCANNER
    assert set(BaseBleakClient.__abstractmethods__) == KNOWN_CLIENT
    assert not inspect.isabstract(Air().scanner_backend)
    assert not inspect.isabstract(Air().client_backend)


@pytest.mark.parametrize(("base", "ours", "name"), PAIRS)
def test_signatures_conform(base, ours, name):
    theirs, mine = inspect.getattr_static(base, name), inspect.getattr_static(ours, name)
    assert isinstance(mine, property) == isinstance(theirs, property)
    if isinstance(theirs, property):
        return
    assert inspect.iscoroutinefunction(mine) == inspect.iscoroutinefunction(theirs)

    def shape(function):
        # Our unused *args and **kwargs have an underscore; callers never pass their names.
        variadic = {inspect.Parameter.VAR_POSITIONAL, inspect.Parameter.VAR_KEYWORD}
        return [
            (None if parameter.kind in variadic else parameter.name, parameter.kind, parameter.default)
            for parameter in inspect.signature(function).parameters.values()
        ]

    assert shape(mine) == shape(theirs)


def test_bleak_constructs_both_with_all_its_arguments():
    air = Air()
    scanner = BleakScanner(lambda _device, _data: None, ["180F"], "passive", backend=air.scanner_backend)
    assert scanner.backend_id == "AirScanner"
    client = BleakClient(
        "C0:00:5E:00:00:01",
        lambda _client: None,
        services=["180f"],
        timeout=3,
        pair=True,
        backend=air.client_backend,
    )
    assert client.backend_id == "AirClient"
    assert client.address == "C0:00:5E:00:00:01"
    assert not client.is_connected


def test_each_air_has_backends_of_its_own():
    first, second = Air(), Air()
    assert first.client_backend is first.client_backend
    assert first.client_backend is not second.client_backend
    assert issubclass(first.client_backend, BaseBleakClient)
    assert issubclass(first.scanner_backend, BaseBleakScanner)


def test_the_pytest_plugin_loads_no_radio_stack():
    code = (
        "import sys, meterlink_simulators.pytest_plugin; "
        "print([name for name in ('bumble', 'bleak') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"
