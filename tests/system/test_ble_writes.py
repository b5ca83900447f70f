"""Writes to a meter: once at the start, or periodically."""

import asyncio
import itertools
from collections.abc import Sequence

import pytest

from meterlink.ble import ConnectionState, Radio, RadioState, ReceivedPacket
from meterlink.core.equipment import Meter
from meterlink.core.units import Quantity
from meterlink.driver_api import Channel, Characteristic, CharacteristicWrite, Reading, Timestamp
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C0:00:5E:00:53:01"
SERVICE, SPEAKS, HEARS = (f"a1b2c3d4-0000-4000-8000-00000000000{n}" for n in range(3))


class Blank:
    name = "Birch"
    rate = 4.0

    def show(self, _now: float) -> DisplayState:
        return DisplayState(Quantity.VOLTAGE, None, "V", blank=True)


class Sleepy:
    """A meter that records its writes, and sends packets for two seconds after each write."""

    def __init__(self, property_name: str) -> None:
        self.written: list[tuple[float, bytes]] = []
        self._property_name = property_name

    def services(self) -> list[tuple[str, list[CharacteristicDefinition]]]:
        hears = CharacteristicDefinition(HEARS, HEARS, frozenset({self._property_name}), on_write=self._hear)
        return [(SERVICE, [CharacteristicDefinition(SPEAKS, SPEAKS, frozenset({"notify"})), hears])]

    def _hear(self, data: bytes) -> None:
        self.written.append((asyncio.get_running_loop().time(), data))

    def encode(self, _shown: DisplayState) -> list[tuple[str, bytes]]:
        now = asyncio.get_running_loop().time()
        return [(SPEAKS, b"\x01")] if self.written and now - self.written[-1][0] < 2 else []


class WritingDriverFactory:
    """A driver factory and a driver that writes."""

    name = "writing"

    def __init__(self, *writes: CharacteristicWrite) -> None:
        self.writes: Sequence[CharacteristicWrite] = writes
        self.channels: Sequence[Channel] = (Channel(SPEAKS),)

    def matches(self, *_: object) -> float:
        return 1.0

    def open(self, _services: Sequence[Characteristic]) -> "WritingDriverFactory":
        return self

    def feed(self, _channel: str, _packet: bytes, _timestamp: Timestamp) -> tuple[Reading, ...]:
        return ()


def connect(encoder: Sleepy, factory: WritingDriverFactory, seconds: float) -> tuple[list[ReceivedPacket], RadioState]:
    packets: list[ReceivedPacket] = []

    async def run() -> RadioState:
        async with Air() as air:
            await air.add_meter(Blank(), encoder=encoder, address=ADDRESS)
            radio = Radio(
                clock=VirtualClock(),
                choose_driver=lambda *_: factory,
                on_packet=packets.append,
                on_state_change=lambda _: None,
                known_meters=[Meter(ADDRESS, "")],
                scanner_backend=air.scanner_backend,
                client_backend=air.client_backend,
            )
            task = asyncio.create_task(radio.run())
            await asyncio.sleep(seconds)
            state = radio.state
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            return state

    return packets, run_in_virtual_time(run())


@pytest.mark.parametrize(("property_name", "response"), [("write", True), ("write-without-response", False)])
def test_start_up_writes_are_sent_in_order_and_once(property_name: str, response: bool) -> None:
    meter = Sleepy(property_name)
    packets, state = connect(
        meter,
        WritingDriverFactory(*(CharacteristicWrite(HEARS, bytes([n]), response=response) for n in (3, 1, 2))),
        seconds=4,
    )
    assert [data for _, data in meter.written] == [b"\x03", b"\x01", b"\x02"]
    assert packets
    assert state.meters[0].state is ConnectionState.CONNECTED


def test_a_keep_alive_is_written_periodically() -> None:
    meter = Sleepy("write")
    packets, state = connect(
        meter, WritingDriverFactory(CharacteristicWrite(HEARS, b"\xa5", period=1.5, response=True)), seconds=60
    )
    times = [time for time, _ in meter.written]
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert 35 < len(times) < 41
    assert all(1.4 < gap < 1.8 for gap in gaps)
    assert len(packets) > 200
    assert state.meters[0].state is ConnectionState.CONNECTED


def test_a_write_to_a_missing_characteristic_is_an_error() -> None:
    _, state = connect(Sleepy("write"), WritingDriverFactory(CharacteristicWrite("nowhere", b"x")), seconds=5)
    assert state.meters[0].state is ConnectionState.UNUSABLE
    assert "needs nowhere, which this meter lacks" in state.meters[0].detail
