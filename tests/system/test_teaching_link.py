"""Meters with encodings of their own over the virtual radio, through unmodified bleak."""

import asyncio
from random import Random

import pytest
from bleak import BleakClient

from meterlink.capture.capture_file import pair_packets
from meterlink.core.units import Quantity, parse_amount, to_base
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES
from meterlink_simulators.encoders.ranged import COMMANDS_UUID, FRAMES_UUID, KEEP_ALIVE_REFRESHES, RangedEncoder
from meterlink_simulators.ranges import MeterFunction
from studies.teaching.cases import (
    FULL_SCALES,
    SIX_FUNCTIONS,
    DisplayRefresh,
    draw_measurements,
    record_session,
    typed_text,
)


class Steady:
    """An instrument whose display never changes."""

    name = "Plover 12"
    rate = 10.0

    def show(self, _now):
        return DisplayState(Quantity.FREQUENCY, parse_amount("50.0 Hz").digits, "Hz")


def test_meter_that_must_be_started_and_kept_awake(air, run_virtual):
    encoder = RangedEncoder(5)

    async def count_packets(client, seconds):
        packets = []
        await client.start_notify(FRAMES_UUID, lambda _, data: packets.append(data))
        await asyncio.sleep(seconds)
        await client.stop_notify(FRAMES_UUID)
        return len(packets)

    async def body():
        meter = await air.add_meter(Steady(), encoder=encoder)
        async with BleakClient(meter.address, backend=air.client_backend) as client:
            assert await count_packets(client, 2) == 0
            await client.write_gatt_char(COMMANDS_UUID, encoder.start_command)
            assert await count_packets(client, 30) == KEEP_ALIVE_REFRESHES
            await client.write_gatt_char(COMMANDS_UUID, encoder.start_command, response=False)
            assert await count_packets(client, 1) > 5
            await client.write_gatt_char(COMMANDS_UUID, encoder.keep_alive_command)
            assert await count_packets(client, 30) == KEEP_ALIVE_REFRESHES
            await client.write_gatt_char(COMMANDS_UUID, encoder.start_command)
            assert await count_packets(client, 1) > 5
        # A new connection starts stopped, even before the last keep-alive has run out.
        async with BleakClient(meter.address, backend=air.client_backend) as client:
            assert await count_packets(client, 2) == 0

    run_virtual(body())


@pytest.mark.parametrize("family", ENCODER_FAMILIES)
def test_session_records_all_packets_and_entries_match_the_display(family):
    session = record_session(family, 1, [MeterFunction.DC_VOLTS, MeterFunction.CAPACITANCE], 3, 12)
    sent = [packet for refresh in session.refreshes for packet in refresh.packets]
    assert [packet.data for packet in session.capture.packets] == sent
    assert max(len(data) for data in sent) <= 20  # bytes of a notification at the smallest MTU
    assert len(session.capture.entries) == 12
    assert session.capture.meter is not None
    assert session.capture.meter.name == "Plover 12"
    # Every packet of an entry's window was sent while the display showed the entry, even a frame that the meter sent
    # late.
    shown = [refresh.display for refresh in session.refreshes for _ in refresh.packets]
    described = [
        (entry, on_display)
        for (_, entry), on_display in zip(pair_packets(session.capture), shown, strict=True)
        if entry is not None
    ]
    assert len({id(entry) for entry, _ in described}) == 12
    for entry, on_display in described:
        value = entry.displayed_value
        assert (value.quantity, value.coupling, value.overload) == (
            on_display.quantity,
            on_display.coupling,
            on_display.overload,
        )
        if value.digits is not None:
            assert on_display.digits is not None
            assert to_base(value.digits, value.unit) == to_base(on_display.digits, on_display.unit)


def test_sessions_are_the_same_every_time_and_differ_by_seed():
    first, again, other = (record_session("packed", 0, [MeterFunction.RESISTANCE], seed, 6) for seed in (1, 1, 2))
    assert first == again
    assert first.capture.packets != other.capture.packets


def test_technician_measures_all_ranges_signs_and_overload():
    measurements = draw_measurements(SIX_FUNCTIONS, 4, 28)
    assert {similar[0].function for similar in measurements[:6]} == set(SIX_FUNCTIONS)
    assert all(len({measurement.function for measurement in similar}) == 1 for similar in measurements)
    # Eighteen ranges, DC volts and temperature with both signs, and overload of all but temperature.
    assert sum(map(len, FULL_SCALES.values())) + 3 + 1 + 5 == 26
    firsts = [similar[0] for similar in measurements]
    volts = [first.part.legs["1"].volts for first in firsts if first.function is MeterFunction.DC_VOLTS]
    assert sum(value > 600 for value in volts) == 1
    assert sum(value < 0 for value in volts) == 3


def test_typed_text_can_be_parsed():
    rng = Random(1)
    shown = DisplayState(Quantity.CAPACITANCE, parse_amount("4.70 uF").digits, "µF")
    assert {typed_text(shown, rng) for _ in range(20)} == {"4.70 uF", "4.70 µF"}
    assert typed_text(DisplayState(Quantity.VOLTAGE, None, "V", overload=True), rng) == "OL V"
    assert DisplayRefresh(shown, ()).packets == ()
