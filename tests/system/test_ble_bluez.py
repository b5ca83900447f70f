"""`BlueZWatch` and the scan over bleak's own BlueZ classes, on a D-Bus daemon of the test with a fake service.

The daemon and the service are real processes and connections, so these tests run in real time; they wait for events.
"""

import asyncio
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from meterlink.ble import Radio, RadioState, RadioTimeouts
from meterlink.ble.bluetooth_state import Adapter, BluetoothState
from meterlink.core.clock import SystemClock

if sys.platform != "linux":
    pytest.skip("D-Bus is how Linux offers Bluetooth", allow_module_level=True)

from meterlink.ble.bluez import BlueZWatch
from support.fake_bluez import DAEMON, FakeBlueZ, bus_daemon
from support.tools import skip_without_tool

ADDRESS = "F0:00:00:00:00:01"
METER = "C0:00:5E:00:00:01"
QUICK = RadioTimeouts(lost_scan=0.05, retry_first=0.05)
LONG = 10.0  # s; only a fault makes a test wait so long


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    if DAEMON is None:
        skip_without_tool("dbus-daemon")
    with bus_daemon(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        yield address


class Follower:
    """A running `BlueZWatch`, and the states it told."""

    def __init__(self) -> None:
        self.watch = BlueZWatch()
        self.states: asyncio.Queue[BluetoothState] = asyncio.Queue()

    async def next_state(self, condition: Callable[[BluetoothState], bool]) -> BluetoothState:
        async with asyncio.timeout(LONG):
            while not condition(state := await self.states.get()):
                pass
        return state


@asynccontextmanager
async def following() -> AsyncIterator[Follower]:
    follower = Follower()
    running = asyncio.create_task(follower.watch.run(follower.states.put))
    try:
        yield follower
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    assert running.cancelled()


@pytest.mark.fault("machine-slept")
@pytest.mark.usefixtures("bus")
async def test_the_watch_tells_of_power_scans_sleep_and_the_service() -> None:
    service = FakeBlueZ({"hci0": ADDRESS})
    async with following() as follower:
        assert await follower.next_state(lambda _state: True) == BluetoothState("")  # nor is it started
        await service.start()
        started = await follower.next_state(lambda state: bool(state.adapters))
        assert started.adapters == (Adapter("hci0", ADDRESS, powered=True, discovering=False),)
        service.set_power("hci0", powered=False)
        await follower.next_state(lambda state: not state.adapters[0].powered)
        service.set_power("hci0", powered=True)
        await follower.next_state(lambda state: state.adapters[0].powered)
        service.wake_from_sleep()
        assert (await follower.next_state(lambda state: state.resumes > 0)).resumes == 1
        await service.end()
        assert (await follower.next_state(lambda state: not state.owner)).adapters == ()
        await service.start()
        again = await follower.next_state(lambda state: bool(state.adapters))
        assert again.owner not in {"", started.owner}
    await service.end()


@pytest.mark.fault("service-restart")
async def test_the_watch_ends_with_its_connection(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if DAEMON is None:
        skip_without_tool("dbus-daemon")
    with bus_daemon(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        told = asyncio.Event()

        async def tell(_state: BluetoothState) -> None:
            told.set()

        running = asyncio.create_task(BlueZWatch().run(tell))
        async with asyncio.timeout(LONG):
            await told.wait()
    async with asyncio.timeout(LONG):
        with pytest.raises(EOFError):
            await running


class RadioRig:
    """A `Radio` with bleak's own scanner, and its states."""

    def __init__(self, service: FakeBlueZ, adapter: str) -> None:
        self.service = service
        self.states: list[RadioState] = []
        self.changed = asyncio.Event()
        self.radio = Radio(
            clock=SystemClock(),
            choose_driver=lambda _advertisement, _services: None,
            on_packet=lambda _packet: None,
            on_state_change=self._on_state,
            timeouts=QUICK,
            adapter=adapter,
        )

    def _on_state(self, state: RadioState) -> None:
        self.states.append(state)
        self.changed.set()

    async def error(self, part: str) -> None:
        """Wait until the radio's error holds ``part``; with an empty one, until there is no error."""
        async with asyncio.timeout(LONG):
            while not (part in self.radio.state.error and bool(self.radio.state.error) is bool(part)):
                self.changed.clear()
                await self.changed.wait()

    async def hears(self, address: str, adapter: str = "hci0") -> None:
        """Wait until the radio hears a new device: until a scan runs, that is."""
        async with asyncio.timeout(LONG):
            while address not in {device.address for device in self.radio.devices()}:
                self.service.add_device(adapter, address, "Bench")
                await asyncio.sleep(0.02)  # a device that nobody listens for is not told of


@asynccontextmanager
async def radio_on(service: FakeBlueZ, adapter: str = "") -> AsyncIterator[RadioRig]:
    rig = RadioRig(service, adapter)
    running = asyncio.create_task(rig.radio.run())
    try:
        yield rig
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await BlueZWatch().forget_cached_state()  # end bleak's own connection
        await service.end()
        await asyncio.sleep(0.05)  # bleak notices it in a task of its own
    assert running.cancelled()


@pytest.mark.fault("adapter-off")
@pytest.mark.usefixtures("bus")
async def test_the_radio_switched_off_and_on_scans_anew() -> None:
    service = FakeBlueZ({"hci0": ADDRESS})
    await service.start()
    async with radio_on(service) as rig:
        await rig.hears(METER)
        service.set_power("hci0", powered=False)
        await rig.error("switched off")
        service.set_power("hci0", powered=True)
        await rig.error("")
        await rig.hears("C0:00:5E:00:00:02")


@pytest.mark.fault("scan-ended")
@pytest.mark.usefixtures("bus")
async def test_a_scan_that_the_service_ended_is_begun_anew() -> None:
    service = FakeBlueZ({"hci0": ADDRESS})
    await service.start()
    async with radio_on(service) as rig:
        await rig.hears(METER)
        service.end_scan("hci0")
        await rig.hears("C0:00:5E:00:00:02")
        assert not any(state.error for state in rig.states)


@pytest.mark.fault("service-restart")
@pytest.mark.usefixtures("bus")
async def test_a_restarted_service_is_scanned_with_fresh_state() -> None:
    service = FakeBlueZ({"hci0": ADDRESS})
    await service.start()
    async with radio_on(service) as rig:
        await rig.hears(METER)
        await service.end()
        await rig.error("service could not be reached")
        await service.start()
        await rig.error("")
        await rig.hears("C0:00:5E:00:00:02")


@pytest.mark.fault("adapter-gone")
@pytest.mark.usefixtures("bus")
async def test_the_chosen_adapter_scans_and_a_missing_one_is_named() -> None:
    service = FakeBlueZ({"hci0": ADDRESS, "hci1": "F0:00:00:00:00:02"})
    await service.start()
    async with radio_on(service, "f0:00:00:00:00:02") as rig:
        await rig.hears(METER, "hci1")
        assert service.scan_starts == ["hci1"]
    await service.start()
    async with radio_on(service, "F0:00:00:00:00:03") as rig:
        await rig.error(f"F0:00:00:00:00:03 is not there. Plug it in, or choose another: {ADDRESS} (hci0)")


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.mark.fault("leaking-connections")
@pytest.mark.usefixtures("bus")
async def test_reading_the_adapters_leaves_no_connection_open() -> None:
    # The scan starts anew every few seconds while Bluetooth is away, for days.
    service = FakeBlueZ({"hci0": ADDRESS, "hci1": "F0:00:00:00:00:02"})
    await service.start()
    watch = BlueZWatch()
    await watch.read()
    before = open_files()
    for _ in range(20):
        assert [adapter.name for adapter in (await watch.read()).adapters] == ["hci0", "hci1"]
    await service.end()
    async with asyncio.timeout(LONG):
        while open_files() > before:  # noqa: ASYNC110  # a closed connection has no event
            await asyncio.sleep(0.01)
