"""The time of the driver, compared with the shortest Python that turns the same packet into the same reading."""

import struct
from collections.abc import Callable
from decimal import Decimal
from time import perf_counter

import pytest

from meterlink.driver_api import Characteristic, Quantity, Reading, Timestamp, uuid16
from meterlink_drivers.presented import PRESENTED

KEY = "6b9a1d50-3a4c-4c60-9d6e-2f2f6f0a7c01"
PACKET = b"\x2d\x00"  # 45
NOW = Timestamp(1, 1)
ROUNDS, CALLS = 7, 3_000  # enough for one round without other work on the machine


def by_hand(channel: str, packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
    """Decode uint16 microfarads; everything about the packet is fixed in the code."""
    (raw,) = struct.unpack("<H", packet)
    return (
        Reading(
            Quantity.CAPACITANCE, Decimal(raw), "µF", timestamp, resolution=Decimal(1), channel=channel, packet=packet
        ),
    )


def seconds(decode: Callable[[str, bytes, Timestamp], object]) -> float:
    """Return the shortest time (s) of one call."""
    shortest = float("inf")
    for _ in range(ROUNDS):
        start = perf_counter()
        for _ in range(CALLS):
            decode(KEY, PACKET, NOW)
        shortest = min(shortest, perf_counter() - start)
    return shortest / CALLS


@pytest.fixture
def feed() -> Callable[[str, bytes, Timestamp], tuple[Reading, ...]]:
    described = Characteristic(KEY, KEY, KEY, frozenset({"notify"}), {uuid16(0x2904): bytes.fromhex("06FA2927010000")})
    return PRESENTED.open([described]).feed


def test_feed_compared_with_a_hand_written_decoder(
    feed: Callable[[str, bytes, Timestamp], tuple[Reading, ...]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert feed(KEY, PACKET, NOW) == by_hand(KEY, PACKET, NOW)
    driver, hand = seconds(feed), seconds(by_hand)
    with capsys.disabled():
        print(  # noqa: T201 - the ratio is the result of this benchmark
            f"\nfeed: {driver * 1e6:.2f} µs, by hand: {hand * 1e6:.2f} µs, ratio {driver / hand:.1f}; "
            f"8 meters at 10 Hz take {80 * driver:.3%} of one core"
        )


def test_feed_benchmark(benchmark, feed: Callable[[str, bytes, Timestamp], tuple[Reading, ...]]) -> None:
    (reading,) = benchmark(feed, KEY, PACKET, NOW)
    assert reading.text == "45 µF"
