"""Packets that look masked with a key for every packet; everything else must not be called so."""

from collections.abc import Callable, Iterator, Sequence
from itertools import count, islice
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.teach import find_progress, teach
from meterlink.teach.masks import MASKED, RESTLESS, find_mask
from support.examples import examples
from support.invented_meters import CHANNEL, FAMILIES, InventedMeter

RATE = 5.0  # packets a second

Keys = Iterator[Callable[[bytes], bytes]]
"""Masks of one packet after the other."""


def exclusive_or(key: bytes) -> Callable[[bytes], bytes]:
    return lambda plain: bytes(one ^ other for one, other in zip(plain, key, strict=False))


def rotating(period: int, rng: Random) -> Keys:
    """Yield keys that come again after ``period`` packets."""
    table = [rng.randbytes(16) for _ in range(period)]
    return (exclusive_or(table[number % period]) for number in count())


def running(length: int, rng: Random) -> Keys:
    """Yield parts of one key of ``length`` bytes that runs on from packet to packet of eleven bytes."""
    key = rng.randbytes(length) * 12
    return (exclusive_or(key[number * 11 % length :]) for number in count())


def one_byte(rng: Random) -> Keys:
    """Yield keys of one byte, another for every packet, that masks all bytes alike."""
    while True:
        yield exclusive_or(bytes([rng.randrange(256)]) * 16)


def addition(numbers: Sequence[int]) -> Callable[[bytes], bytes]:
    return lambda plain: bytes((byte + number) % 256 for byte, number in zip(plain, numbers, strict=False))


def added(rng: Random) -> Keys:
    """Yield additions of a byte that differs from packet to packet."""
    while True:
        yield addition([rng.randrange(256)] * 16)


def growing(rng: Random) -> Keys:
    """Yield additions that grow by the same amount from packet to packet."""
    steps = [rng.randrange(1, 256) for _ in range(16)]
    return (addition([number * step for step in steps]) for number in count())


MASKS: dict[str, Callable[[Random], Keys]] = {
    "a key of 8 packets": lambda rng: rotating(8, rng),
    "a key of 16 packets": lambda rng: rotating(16, rng),
    "a key of 256 packets": lambda rng: rotating(256, rng),
    "a key of 37 bytes that runs on": lambda rng: running(37, rng),
    "one byte for a packet": one_byte,
    "a number added": added,
    "a number added that grows": growing,
}


def plain_frame(counts: int, places: int) -> bytes:
    body = bytes([0xA5, 0x5A, 0x10 | (counts < 0), places, 0, 0, *abs(counts).to_bytes(2, "big"), 0, 0x21])
    return body + bytes([sum(body) & 0xFF])


def masked_capture(masks: Keys, *, seed: int = 1, index: bool = False, lost: float = 0.01) -> Capture:
    """Return 24 entries; ``index``: a byte in the clear counts the packets; of which the share ``lost`` is missing."""
    rng = Random(seed)
    packets, entries, t = [], [], 0.0
    for number, mask in enumerate(islice(masks, 24 * 15)):
        if number % 15 == 0:
            counts, places = rng.randint(-9999, 9999), rng.choice((1, 2))
        t = round(t + 1 / RATE, 6)
        if rng.random() >= lost:
            packets.append(
                CapturedPacket(t, CHANNEL, bytes([number % 256]) * index + mask(plain_frame(counts, places)))
            )
        if number % 15 == 14:
            entries.append(make_display_entry(t + 0.05, f"{counts / 10**places:.{places}f} V DC"))
    return Capture(tuple(packets), tuple(entries))


@pytest.mark.parametrize("index", [False, True])
@pytest.mark.parametrize("kind", MASKS)
def test_a_mask_that_changes_from_packet_to_packet_is_recognised(kind: str, index: bool) -> None:
    assert find_mask(masked_capture(MASKS[kind](Random(7)), index=index)) == MASKED


@pytest.mark.parametrize("kind", ["a key of 16 packets", "one byte for a packet"])
def test_the_report_says_so_instead_of_asking_for_more_readings(kind: str) -> None:
    report = teach(masked_capture(MASKS[kind](Random(7))))
    assert report.profile is None
    assert report.reason == MASKED
    assert report.suggested_readings == ()
    assert report.contradictions == ()


@pytest.mark.parametrize("length", [6, 7, 8, 9, 10])
def test_frames_that_run_on_over_packets_are_not_called_masked(length: int) -> None:
    # Cut in packets of another length than the frames, their bytes come again after some packets, as under a key.
    rng = Random(3)
    frames = [plain_frame(rng.randint(-9999, 9999), 2) for _ in range(24 * 15)]
    data = b"".join(frames)
    packets = [
        CapturedPacket(round(at / length / RATE, 6), CHANNEL, data[at : at + length])
        for at in range(0, len(data) - length, length)
    ]
    entries = tuple(make_display_entry(packet.seconds + 0.05, "1.00 V DC") for packet in packets[14::15])
    assert find_mask(Capture(tuple(packets), entries)) == ""


def test_text_is_not_called_masked() -> None:
    # Lines that run on over packets of seven characters.
    rng = Random(4)
    data = "".join(f'{{"fn": "CAP", "v": {rng.uniform(1, 99):.2f}, "n": {n}}}\n' for n in range(200)).encode()
    packets = [CapturedPacket(round(at / 35, 6), CHANNEL, data[at : at + 7]) for at in range(0, len(data) - 7, 7)]
    entries = tuple(make_display_entry(packet.seconds + 0.05, "1.00 µF") for packet in packets[14::40])
    assert find_mask(Capture(tuple(packets), entries)) == ""


def test_of_noise_only_the_restlessness_is_said() -> None:
    # A cipher looks like noise: nothing shows whether there is a display behind it.
    rng = Random(5)
    noise = (lambda _: rng.randbytes(11) for _ in count())
    assert find_mask(masked_capture(noise)) == RESTLESS


@pytest.mark.parametrize("family", FAMILIES)
@examples(20)
@given(st.integers(0, 2**32))
def test_no_other_meter_is_called_masked(family: str, seed: int) -> None:
    # Counters, clocks, check bytes, noise, a constant key; the display differs in every packet between the entries.
    assert find_mask(InventedMeter(family, seed, functions=2).capture(14, seed)) == ""


def test_frames_that_take_turns_are_not_masked() -> None:
    # Each packet holds one row of a display: five rows come again after five packets.
    rng = Random(6)
    packets, entries, t = [], [], 0.0
    rows = [rng.randbytes(6) for _ in range(5)]
    for _ in range(20):
        rows[2] = rng.randbytes(6)
        for number in range(15):
            t = round(t + 1 / RATE, 6)
            packets.append(CapturedPacket(t, CHANNEL, bytes([0xA5, number % 5]) + rows[number % 5] + bytes(4)))
        entries.append(make_display_entry(t + 0.05, f"{rng.randrange(10_000) / 100:.2f} V DC"))
    assert find_mask(Capture(tuple(packets), tuple(entries))) == ""


def test_no_further_reading_is_counted_as_open() -> None:
    capture = masked_capture(MASKS["one byte for a packet"](Random(7)))
    progress = str(find_progress(capture.entries, teach(capture)))
    assert progress == "24 of about 24; still open: packets that no reading explains"
