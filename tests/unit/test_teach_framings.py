"""Frames cut from packets that split and join them."""

from random import Random

import pytest

from meterlink.capture.capture_file import CapturedPacket
from meterlink.profiles.framing import CompiledFraming
from meterlink.profiles.model import LengthField
from meterlink.teach.framings import framing_candidates


def frames_of(rng, number=60, size=11):
    return [b"\xa5\x5a" + rng.randbytes(size - 3) + b"\x0d" for _ in range(number)]


def packets_of(stream, sizes):
    packets, at, t = [], 0, 0.0
    while at < len(stream):
        size = next(sizes)
        packets.append(CapturedPacket(round(t, 3), "c", stream[at : at + size]))
        at, t = at + size, t + 0.05
    return packets


def random_sizes(rng):
    while True:
        yield rng.randint(1, 20)


@pytest.mark.study(everyday=2, sample=12, full=200)
def test_frames_split_and_joined_anywhere(study_seed):
    rng = Random(study_seed)
    frames = frames_of(rng, size=rng.randint(7, 30))
    found = [
        [data for _, data in cut.frames] for cut in framing_candidates(packets_of(b"".join(frames), random_sizes(rng)))
    ]
    assert frames in found or frames[:-1] in found


@pytest.mark.study(everyday=2, sample=12, full=200)
def test_frames_in_two_packets_of_which_some_are_lost(study_seed):
    # Each loss shifts the phase of all later frames, and joins pieces of two frames into a false one.
    rng = Random(study_seed)
    bodies = [b"\xad" + rng.randbytes(7) for _ in range(80)]
    frames = [body + bytes([sum(body) & 0xFF]) for body in bodies]
    packets, whole = [], []
    for index, frame in enumerate(frames):
        packets.append(CapturedPacket(index / 10, "c", frame[:4]))
        if rng.random() < 0.95:
            packets.append(CapturedPacket(index / 10 + 0.01, "c", frame[4:]))
            whole.append(frame)
    found = [{data for _, data in cut.frames} for cut in framing_candidates(packets) if cut.checksum is not None]
    assert any(cut_frames <= set(whole) and len(cut_frames) >= 0.85 * len(whole) for cut_frames in found)


@pytest.mark.study(everyday=2, sample=12, full=200)
def test_frames_that_contain_their_length(study_seed):
    rng = Random(study_seed)
    frames = [b"\x7e" + bytes([size]) + rng.randbytes(size) for size in rng.choices([6, 9, 14], k=80)]
    found = [
        [data for _, data in cut.frames] for cut in framing_candidates(packets_of(b"".join(frames), random_sizes(rng)))
    ]
    assert any(len(set(frames) & set(cut_frames)) >= 0.95 * len(frames) for cut_frames in found)


def test_packet_that_is_a_frame_comes_first():
    rng = Random(1)
    frames = frames_of(rng)
    first = next(framing_candidates([CapturedPacket(index / 10, "c", frame) for index, frame in enumerate(frames)]))
    assert [data for _, data in first.frames] == frames
    assert first.framing.one_per_packet


def test_lost_packets_lose_no_more_than_their_frames():
    rng = Random(2)
    frames = frames_of(rng, number=100)
    packets = [
        CapturedPacket(index + part / 10, "c", piece)
        for index, frame in enumerate(frames)
        for part, piece in enumerate((frame[:6], frame[6:]))
        if rng.random() > 0.04
    ]
    best = max(framing_candidates(packets), key=lambda cut: len({data for _, data in cut.frames} & set(frames)))
    assert len({data for _, data in best.frames} & set(frames)) >= 85


def summed(body):
    return body + bytes([sum(body) & 0xFF])


def test_packets_that_pass_a_check_by_themselves_are_never_glued():
    # Two kinds of frame take turns, each in a packet of its own: 8 and 12 bytes look like one frame of 20.
    rng = Random(3)
    packets = [
        CapturedPacket(
            index / 10, "c", summed(b"\xa5\x01" + rng.randbytes(5) if index % 2 else b"\xa5\x02" + rng.randbytes(9))
        )
        for index in range(120)
    ]
    whole = {packet.data for packet in packets}
    cuts = list(framing_candidates(packets))
    assert cuts
    assert all({data for _, data in cut.frames} <= whole for cut in cuts)


@pytest.mark.parametrize("at", [0, 2, 5])
def test_kinds_of_frames_are_told_apart_by_a_byte_anywhere(at):
    rng = Random(4)
    kinds = [bytearray(rng.randbytes(10)) for _ in range(2)]
    for kind in kinds:
        kind[0] = 0x77
    kinds[0][at], kinds[1][at] = 0x10, 0x20
    frames = []
    for index in range(80):
        frame = bytearray(kinds[index % 2])
        frame[7:9] = rng.randbytes(2)
        frames.append(bytes(frame))
    packets = [CapturedPacket(index / 10, "c", frame) for index, frame in enumerate(frames)]
    found = [{data for _, data in cut.frames if not compile_kind(cut)(data)} for cut in framing_candidates(packets)]
    assert set(frames[::2]) in found
    assert set(frames[1::2]) in found


def compile_kind(cut):
    return CompiledFraming(cut.framing).other_kind


def test_a_constant_byte_is_not_a_length():
    # Of frames of one length, the byte behind the start is always the same; a lost packet now and then shifts the rest.
    rng = Random(5)
    packets = [
        CapturedPacket(index + part / 10, "c", piece)
        for index, frame in enumerate([b"\xa5\x0b" + rng.randbytes(9) for _ in range(100)])
        for part, piece in enumerate((frame[:6], frame[6:]))
        if rng.random() > 0.04
    ]
    cuts = list(framing_candidates(packets))
    assert any(cut.framing.length == 11 for cut in cuts)
    assert not any(isinstance(cut.framing.length, LengthField) for cut in cuts)


@pytest.mark.parametrize(("pause", "first"), [(0.25, "one packet"), (0.01, "five packets")])
def test_packets_at_even_distances_are_frames_in_a_fixed_order(pause, first):
    """Four packets with a number follow one without: a frame of all five is complete when its number is old."""
    rng, t, packets = Random(1), 0.0, []
    for _ in range(40):
        for data in (b"\x5a\x01\0\x40", *(b"\xb5\x12" + rng.randbytes(3) + b"\0" for _ in range(4))):
            packets.append(CapturedPacket(round(t, 3), "c", data))
            t += pause
        t += 0.25 - pause
    of_numbers = [cut for cut in framing_candidates(packets) if cut.usual_length in {6, 28}]
    assert of_numbers[0].usual_length == {"one packet": 6, "five packets": 28}[first]


def test_the_way_in_which_frames_come_in_packets_is_learned():
    rng = Random(6)
    frames = [b"\xa5\x5a" + rng.randbytes(9) for _ in range(60)]

    def first_of(sizes, length=11):
        packets = []
        for index, frame in enumerate(frames):
            begin, moment = 0, index / 5
            for size in sizes(frame):
                packets.append(CapturedPacket(round(moment, 3), "c", frame[begin : begin + size]))
                begin, moment = begin + size, moment + 0.02
        return next(cut.framing for cut in framing_candidates(packets) if cut.framing.length == length)

    assert first_of(lambda _: (4, 4, 3)).packet_sizes == (4,)
    assert first_of(lambda _: (3, 8)).packet_sizes == (3, 8)
    anywhere = first_of(lambda _: (cut := rng.randint(1, 10), 11 - cut))
    assert (anywhere.packet_sizes, anywhere.starts_packet, anywhere.pause) == ((), True, 0.08)
