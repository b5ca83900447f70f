"""How much the driver adds to the least Python that turns the same packet into the same reading."""

import struct
from collections.abc import Callable
from decimal import Decimal
from time import perf_counter

import pytest

from meterlink.driver_api import Characteristic, Quantity, Reading, Timestamp, uuid16
from meterlink_drivers.presented import PRESENTED

KEY = "6b9a1d50-3a4c-4c60-9d6e-2f2f6f0a7c01"
PACKET = b"\x2d\x00"  # 45
STAMP = Timestamp(1, 1)
ROUNDS, CALLS = 7, 3_000  # enough that the least of the rounds is free of other work on the machine


def by_hand(channel: str, packet: bytes, stamp: Timestamp) -> tuple[Reading, ...]:
    """Decode uint16 microfarads with everything known when this was written."""
    (raw,) = struct.unpack("<H", packet)
    return (
        Reading(Quantity.CAPACITANCE, Decimal(raw), "µF", stamp, resolution=Decimal(1), channel=channel, packet=packet),
    )


def seconds(decode: Callable[[str, bytes, Timestamp], object]) -> float:
    """Return the least time of one call, in s."""
    least = float("inf")
    for _ in range(ROUNDS):
        start = perf_counter()
        for _ in range(CALLS):
            decode(KEY, PACKET, STAMP)
        least = min(least, perf_counter() - start)
    return least / CALLS


@pytest.fixture
def feed() -> Callable[[str, bytes, Timestamp], tuple[Reading, ...]]:
    described = Characteristic(KEY, KEY, KEY, frozenset({"notify"}), {uuid16(0x2904): bytes.fromhex("06FA2927010000")})
    return PRESENTED.open([described]).feed


def test_feed_beside_a_hand_written_decode(
    feed: Callable[[str, bytes, Timestamp], tuple[Reading, ...]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert feed(KEY, PACKET, STAMP) == by_hand(KEY, PACKET, STAMP)
    driver, hand = seconds(feed), seconds(by_hand)
    with capsys.disabled():
        print(  # noqa: T201 - the ratio is what this benchmark is for
            f"\nfeed: {driver * 1e6:.2f} µs, by hand: {hand * 1e6:.2f} µs, ratio {driver / hand:.1f}; "
            f"8 meters at 10 Hz take {80 * driver:.3%} of one core"
        )


def test_feed_benchmark(benchmark, feed: Callable[[str, bytes, Timestamp], tuple[Reading, ...]]) -> None:
    (reading,) = benchmark(feed, KEY, PACKET, STAMP)
    assert reading.text == "45 µF"
