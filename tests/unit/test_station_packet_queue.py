"""The queue bounds each meter by itself, and counts every packet that it drops."""

from typing import Any, cast

import pytest

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.core.clock import Timestamp
from meterlink.station.packet_queue import BURST, RATE, PacketQueue


class Session:
    """The part of a session that the queue uses."""

    def __init__(self, address: str) -> None:
        self.address = address


QUIET, NOISY = Session("00:00:5E:00:53:01"), Session("00:00:5E:00:53:02")


def packet(session: Session, seconds: float, number: int = 0) -> ReceivedPacket:
    stamp = Timestamp(0, round(seconds * 1e9))
    return ReceivedPacket(cast("MeterSession", session), "c", number.to_bytes(4, "big"), stamp)


@pytest.mark.fault("too-many-packets")
async def test_a_noisy_meter_costs_another_meter_no_packet() -> None:
    queue = PacketQueue(capacity=100)
    sent = [packet(QUIET, number / 10, number) for number in range(100)]
    for number, quiet in enumerate(sent):
        queue.put(quiet)
        for extra in range(50):
            queue.put(packet(NOISY, number / 10 + extra / 1000, extra))
    waiting = queue.drain_nowait()
    assert [item for item in waiting if item.session.address == QUIET.address] == sent
    assert sum(item.session.address == NOISY.address for item in waiting) == 100
    assert queue.dropped == {NOISY.address: 50 * 100 - 100}


@pytest.mark.fault("packets-out-of-order")
async def test_packets_keep_the_order_in_which_they_came() -> None:
    queue = PacketQueue()
    sent = [packet((QUIET, NOISY)[number % 2], number / 100, number) for number in range(30)]
    for item in sent:
        queue.put(item)
    assert queue.drain_nowait() == sent


async def test_there_is_room_again_after_the_packets_were_drained() -> None:
    queue = PacketQueue(capacity=2)
    for number in range(3):
        queue.put(packet(QUIET, number, number))
    assert queue.size == 2
    assert queue.dropped[QUIET.address] == 1
    queue.drain_nowait()
    queue.put(packet(QUIET, 4))
    assert (queue.size, queue.dropped[QUIET.address]) == (1, 1)


@pytest.mark.parametrize("per_second", [10, 100, RATE])
async def test_no_packet_of_a_display_is_dropped(per_second: float) -> None:
    queue = PacketQueue()
    for number in range(round(60 * per_second)):
        queue.put(packet(QUIET, number / per_second, number))
        queue.drain_nowait()
    assert not queue.dropped


@pytest.mark.fault("too-many-packets")
async def test_a_meter_that_sends_ten_times_too_fast_keeps_its_rate() -> None:
    queue, seconds = PacketQueue(), 30
    total = round(10 * RATE * seconds)
    kept = 0
    for number in range(total):
        queue.put(packet(NOISY, number / (10 * RATE), number))
        kept += len(queue.drain_nowait())
    assert kept == pytest.approx(RATE * seconds + BURST, abs=2)
    assert kept + queue.dropped[NOISY.address] == total


async def test_recorded_packets_have_no_rate_limit() -> None:
    queue = PacketQueue(rate=None)
    for number in range(1_000):
        queue.put(packet(QUIET, 0.0, number))
    assert queue.size == 1_000
    assert not queue.dropped


async def test_a_clock_that_steps_back_gives_no_allowance() -> None:
    queue: Any = PacketQueue(rate=1.0, burst=2.0)
    for seconds in (10.0, 10.0, 5.0, 5.0):
        queue.put(packet(QUIET, seconds))
    assert queue.size == 2


@pytest.mark.fault("too-many-packets")
async def test_the_packet_behind_a_dropped_one_says_so() -> None:
    queue = PacketQueue(capacity=1)
    queue.put(packet(QUIET, 0, 0))
    queue.put(packet(QUIET, 1, 1))  # dropped
    queue.put(packet(NOISY, 1, 0))
    first = queue.drain_nowait()
    queue.put(packet(QUIET, 2, 2))
    queue.put(packet(NOISY, 2, 1))
    second = queue.drain_nowait()
    queue.put(packet(QUIET, 3, 3))
    assert [item.after_loss for item in [*first, *second, *queue.drain_nowait()]] == [False, False, True, False, False]
