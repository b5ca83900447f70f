"""Packets of two kinds: in which order and times they belong together, and when that cannot be told."""

from collections.abc import Iterator
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedMeter, CapturedPacket, ConnectionRequests
from meterlink.driver_api import Channel
from meterlink.teach.joined_frames import describe_unpaired, joined_candidates

NUMBERS, RANGES = "number", "range"


def packets(
    seed: int = 1,
    *,
    refresh: float = 0.2,
    apart: float = 0.02,
    jitter: float = 0.01,
    lost: float = 0.0,
    channels: tuple[str, str] = (NUMBERS, RANGES),
    lengths: tuple[int, int] = (5, 3),
    pairs: int = 120,
) -> Iterator[CapturedPacket]:
    """Yield pairs of packets: a number ``apart`` seconds before its range."""
    rng = Random(seed)
    for place in range(pairs):
        for part, (channel, length) in enumerate(zip(channels, lengths, strict=True)):
            data = bytes([0xA5, 0x10 + part]) + rng.randbytes(length - 2)
            if rng.random() >= lost:
                moment = refresh * place + apart * part + rng.uniform(0, jitter)
                yield CapturedPacket(round(moment, 4), channel, data)


def capture(*sent: CapturedPacket) -> Capture:
    return Capture(tuple(sorted(sent, key=lambda packet: packet.seconds)), ())


@pytest.mark.parametrize("channels", [(NUMBERS, RANGES), (NUMBERS, NUMBERS)])
@pytest.mark.parametrize("lost", [0.0, 0.05])
def test_pairs_of_packets_are_joined_in_their_order(channels: tuple[str, str], lost: float) -> None:
    cut = next(joined_candidates(capture(*packets(channels=channels, lost=lost))))
    first, second = cut.framing.parts
    assert [(part.channel, part.length) for part in (first, second)] == [(0, 5), (len(set(channels)) - 1, 3)]
    assert (cut.channel, *cut.more_channels) == tuple(dict.fromkeys(channels))
    assert 0.03 < cut.framing.pause < 0.17  # between the two packets at most 0.03 s, to the next ones 0.17 s
    assert 0.19 < cut.framing.rest < 0.36
    assert len(cut.frames) >= 0.7 * 119
    assert {data[:2] + data[5:7] for _, data in cut.frames} == {b"\xa5\x10\xa5\x11"}


def test_the_order_is_that_of_the_times_not_of_the_channels() -> None:
    cut = next(joined_candidates(capture(*packets(channels=(RANGES, NUMBERS), lengths=(3, 5)))))
    assert [part.length for part in cut.framing.parts] == [3, 5]
    assert (cut.channel, *cut.more_channels) == (RANGES, NUMBERS)


def test_packets_of_one_length_are_told_apart_by_a_byte_that_takes_turns() -> None:
    found = list(joined_candidates(capture(*packets(channels=(NUMBERS, NUMBERS), lengths=(5, 5)))))
    assert [[part.marks for part in cut.framing.parts] for cut in found] == [[((1, 0x10),), ((1, 0x11),)]]


def test_packets_at_even_distances_are_not_joined() -> None:
    # A number in the middle between two ranges may belong to either.
    even = capture(*packets(apart=0.1))
    assert list(joined_candidates(even)) == []
    assert "may belong to the packet before it or to the one behind it" in describe_unpaired(even)


def test_a_range_that_comes_now_and_then_is_not_joined() -> None:
    rng = Random(2)
    numbers = [packet for packet in packets() if packet.channel == NUMBERS]
    ranges = [packet for packet in packets() if packet.channel == RANGES and rng.random() < 0.25]
    seldom = capture(*numbers, *ranges)
    assert list(joined_candidates(seldom)) == []
    assert describe_unpaired(seldom).startswith(
        "the meter sends packets on two characteristics, that do not take turns"
    )


def test_one_frame_whose_bit_changes_each_time_is_no_pair() -> None:
    toggling = [
        CapturedPacket(0.2 * place, NUMBERS, bytes([0xA5, place % 2]) + Random(place).randbytes(3))
        for place in range(100)
    ]
    assert list(joined_candidates(capture(*toggling))) == []
    assert describe_unpaired(capture(*toggling)) == ""


def test_what_is_read_on_request_is_not_joined() -> None:
    # The times are those of the requests, not of the display.
    meter = CapturedMeter("Plover 12", (), ConnectionRequests(reads=(Channel(RANGES, "read", 0.2),)))
    asked = Capture(capture(*packets()).packets, (), meter)
    assert list(joined_candidates(asked)) == []
    assert describe_unpaired(asked) == ""


def test_few_packets_join_nothing() -> None:
    assert list(joined_candidates(capture(*packets(pairs=15)))) == []
    assert list(joined_candidates(Capture((), ()))) == []


def summed(data: bytes) -> bytes:
    return data[:-1] + bytes([sum(data[:-1]) & 0xFF])


@pytest.mark.parametrize("checked", [(True, False), (False, True), (True, True)])
def test_each_part_may_have_check_bytes_of_its_own(checked: tuple[bool, bool]) -> None:
    sent = [
        CapturedPacket(packet.seconds, packet.channel, summed(packet.data))
        if checked[packet.channel == RANGES]
        else packet
        for packet in packets(lengths=(6, 5))
    ]
    cut = next(joined_candidates(capture(*sent)))
    checks = [*cut.framing.checksums, *([cut.checksum] if cut.checksum else [])]
    assert [check.at % 11 for check in checks] == [at for at, has in zip((5, 10), checked, strict=True) if has]
    assert [check.begin for check in checks] == [at for at, has in zip((0, 6), checked, strict=True) if has]


@pytest.mark.parametrize("lengths", [(20, 6), (6, 5)])
def test_one_frame_in_two_pieces_is_not_two_halves(lengths: tuple[int, int]) -> None:
    # Its check bytes cover both pieces, or the first one fills a packet.
    sent = list(packets(channels=(NUMBERS, NUMBERS), lengths=lengths))
    if lengths[0] < 20:
        for place in range(0, len(sent), 2):
            whole = summed(sent[place].data + sent[place + 1].data)
            sent[place + 1] = CapturedPacket(sent[place + 1].seconds, NUMBERS, whole[lengths[0] :])
    assert list(joined_candidates(capture(*sent))) == []
